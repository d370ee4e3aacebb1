"""How many operations and bytes a candidate takes, and how much that is of what the machine can do.

Every operation of NumPy's on numbers is counted by element while the whole space of a brief is
worked out: a complex product as six and a complex sum as two, a logarithm as one; and the bytes of
what each reads and writes, whether they come from memory or a cache. Beside it, how fast one core
multiplies matrices and copies memory. Run it:

    OPENBLAS_NUM_THREADS=1 PYTHONPATH=tests python tests/bench/operations.py [BRIEF]
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from typing import Any

import numpy as np

from explorer.brief.loading import load_brief
from explorer.evaluation import Parts
from explorer.formulation import formulate
from explorer.space import BLOCK, Space

COMPLEX = {"multiply": 6, "divide": 11, "absolute": 3}
"""Real operations in one on complex numbers; two in any other."""

counts = {"operations": 0, "bytes": 0}


class Counted(np.ndarray):
    """An array that counts what is done with it; so does what comes of it."""

    def __array_ufunc__(
        self, ufunc: np.ufunc, method: str, *inputs: Any, out: Any = None, **rest: Any
    ) -> Any:
        """Count an operation on elements."""
        plain = [_plain(each) for each in inputs]
        if out is not None:
            rest["out"] = _plain(out)
        result = getattr(ufunc, method)(*plain, **{k: _plain(v) for k, v in rest.items()})
        arrays = [np.array(each, copy=None) for each in (*plain, *_listed(result))]
        if any(a.dtype.kind in "fc" for a in arrays):
            size = max(a.size for a in arrays)
            times = (
                COMPLEX.get(ufunc.__name__, 2) if any(a.dtype.kind == "c" for a in arrays) else 1
            )
            if ufunc is np.matmul:
                size, times = arrays[-1].size, 2 * times * arrays[0].shape[-1]
            counts["operations"] += size * times
        counts["bytes"] += sum(a.nbytes for a in arrays)
        return _counted(result)

    def __array_function__(self, function: Any, types: Any, args: Any, kwargs: Any) -> Any:
        """Count the bytes that any other function writes."""
        result = function(*_plain(args), **{name: _plain(each) for name, each in kwargs.items()})
        counts["bytes"] += sum(a.nbytes for a in _listed(result) if isinstance(a, np.ndarray))
        return _counted(result)


def _listed(result: Any) -> list[Any]:
    return list(result) if isinstance(result, (tuple, list)) else [result]


def _each(change: Callable[[Any], Any], nested: Any) -> Any:
    """Return arrays in plain tuples and lists changed, and all else as it is."""
    if isinstance(nested, np.ndarray):
        return change(nested)
    if type(nested) in (tuple, list):
        return type(nested)(_each(change, each) for each in nested)
    return nested


def _plain(nested: Any) -> Any:
    return _each(lambda a: a.view(np.ndarray), nested)


def _counted(nested: Any) -> Any:
    return _each(lambda a: a.view(Counted), nested)


def _counting(make: Callable[..., Any]) -> Callable[..., Any]:
    return lambda *args, **options: _counted(make(*args, **options))


def rate(work: Callable[[], object], times: int) -> float:
    """Return how often a second of one core something is done."""
    start = time.process_time()
    for _ in range(times):
        work()
    return times / (time.process_time() - start)


def main() -> None:
    """Print operations, bytes, and their shares of the machine's."""
    problem = formulate(load_brief(sys.argv[1] if len(sys.argv) > 1 else "treble-cut")).problem
    space = Space.of(problem, BLOCK)

    def whole(change: Callable[[Any], Any] = lambda a: a) -> None:
        for block in range(space.blocks):
            for parts in space.chunks(block):
                evaluated: Parts = {name: change(values) for name, values in parts.items()}
                problem.evaluate(evaluated)

    whole()  # loads what is loaded on first use
    seconds = 1 / rate(whole, 1) / space.size
    # So that arrays go on counting, and those count that others are written into.
    np.asarray = np.asanyarray  # type: ignore[assignment]
    for name in ("empty", "full", "zeros"):
        setattr(np, name, _counting(getattr(np, name)))
    whole(_counted)
    operations, moved = (counts[name] / space.size for name in ("operations", "bytes"))
    square, memory = np.random.default_rng(1).random((1500, 1500)), np.ones(2**24)
    products = 2 * 1500**3 * rate(lambda: square @ square, 3)
    copies = 2 * memory.nbytes * rate(memory.copy, 8)
    print(f"a candidate:              {1e6 * seconds:8.1f} us of one core")
    print(f"operations:               {operations:8,.0f}")
    print(f"bytes read and written:   {moved:8,.0f}")
    print(f"products of matrices:     {products / 1e9:8.1f} thousand million operations/s")
    print(f"copies of memory:         {copies / 1e9:8.1f} GB/s")
    print(f"share of the operations:  {operations / seconds / products:8.1%}")
    print(f"share of the copies:      {moved / seconds / copies:8.1%}")


if __name__ == "__main__":
    main()
