"""An enumeration and the yields of a decision, kept beside a report so as not to be done again.

The files hold parts, counts and yields, no code; they are read back only where program and problem
are the same to their fingerprints, and candidates are then scored anew. Of a file that another
program wrote, or that is damaged, a warning is given.
"""

from __future__ import annotations

import json
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final, TypeVar

import numpy as np

from explorer.decision import Decision, KnownYields, designs_of
from explorer.harvest import Harvest
from explorer.identity import program
from explorer.problem import Problem
from explorer.results import SearchResult
from objectives.arrays import FloatArray
from objectives.files import drafts

NAME: Final = "exact.npz"
YIELDS: Final = "yields.npz"


_Read = TypeVar("_Read")


class StoredWarning(UserWarning):
    """What was stored is not used, and is worked out anew."""


def _key(problem: Problem) -> str:
    return f"{_of(problem)} {[f.name for f in problem.free]}"


def _of(problem: Problem) -> str:
    return f"{program()} {problem.fingerprint}"


def _of_yields(problem: Problem) -> str:
    """Return what yields depend on: also on the seed of the draws, but not on the free scores."""
    setup = problem.targets.tolerance
    return f"{_of(problem)} {None if setup is None else setup.seed}"


def is_kept(problem: Problem, folder: Path) -> bool:
    """Return whether a folder keeps an enumeration of this problem, whatever in it is constant."""
    try:
        with np.load(folder / NAME, allow_pickle=False) as file:
            return bool(json.loads(str(file["record"]))["key"].startswith(f"{_of(problem)} "))
    except Exception:  # see _read
        return False


def keep(problem: Problem, exact: SearchResult, folder: Path) -> None:
    """Write a finished enumeration with something feasible into a folder, which is made.

    Raises
    ------
    OSError
        If the folder cannot be written.
    """
    record = {"key": _key(problem), "seconds": exact.seconds, **exact.harvest.counts}
    folder.mkdir(parents=True, exist_ok=True)
    parts: dict[str, Any] = {f"part {name}": a for name, a in exact.harvest.serious.parts.items()}
    with drafts(folder) as draft:
        np.savez_compressed(draft / NAME, record=np.array(json.dumps(record)), **parts)


def kept(problem: Problem, folder: Path) -> SearchResult | None:
    """Return the enumeration of this problem that a folder keeps; None where it keeps none.

    A file of another problem, of another version or of anything else is no such enumeration.
    """

    def read(file: Any) -> tuple[str, tuple[dict[str, Any], dict[str, FloatArray]]]:
        record = json.loads(str(file["record"]))
        return str(record.pop("key")), (
            record,
            {n[5:]: a for n, a in file.items() if n != "record"},
        )

    stored = _read(problem, folder / NAME, _key(problem), read)
    if stored is None:
        return None
    record, parts = stored
    serious = problem.evaluate(parts)
    if not serious.feasible.all():
        return None
    seconds = record.pop("seconds")
    harvest = Harvest(serious, serious.take(np.zeros(len(serious), dtype=bool)), **record)
    return SearchResult(harvest, harvest.front, harvest.nearest, complete=True, seconds=seconds)


def keep_yields(problem: Problem, decision: Decision, folder: Path) -> None:
    """Write the yields that a decision took into a folder, which is made, if it took any.

    Raises
    ------
    OSError
        If the folder cannot be written.
    """
    rows = np.flatnonzero(~np.isnan(decision.yields))
    if not rows.size:
        return
    folder.mkdir(parents=True, exist_ok=True)
    with drafts(folder) as draft:
        np.savez_compressed(
            draft / YIELDS,
            key=np.array(_of_yields(problem)),
            designs=np.array(designs_of(problem, decision.candidates.take(rows).parts)),
            yields=decision.yields[rows],
        )


def kept_yields(problem: Problem, folder: Path) -> KnownYields:
    """Return the yields that a folder keeps of designs of this problem; none of any other."""

    def read(file: Any) -> tuple[str, KnownYields]:
        designs = [tuple(design) for design in file["designs"].tolist()]
        return str(file["key"]), dict(zip(designs, file["yields"].tolist(), strict=True))

    return _read(problem, folder / YIELDS, _of_yields(problem), read) or {}


def _read(
    problem: Problem, path: Path, key: str, read: Callable[[Any], tuple[str, _Read]]
) -> _Read | None:
    """Return what a file holds if it has that key; ``read`` returns the file's key and the rest."""
    try:
        with np.load(path, allow_pickle=False) as file:
            own, content = read(file)
    except FileNotFoundError:
        return None
    except Exception:  # a damaged archive makes the libraries raise all kinds of errors
        _warn(f"{str(path)!r} is damaged; what it held is worked out anew")
        return None
    if own == key:
        return content
    if not own.startswith(f"{program()} ") and f" {problem.fingerprint} " in f"{own} ":
        wrote = own.partition(" ")[0]
        _warn(f"{str(path)!r} is of stagefront {wrote}; what it held is worked out anew")
    return None


def _warn(text: str) -> None:
    warnings.warn(text, StoredWarning, stacklevel=3)
