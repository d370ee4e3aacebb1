"""What every score does as one part moves, or one score as two do, all else left as it is."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from explorer.brief.model import Brief
from explorer.brief.parts import PartChoice
from explorer.choices import Choice
from explorer.evaluation import Evaluation, Parts
from explorer.problem import Problem
from explorer.units import QuantityError, parse_quantity
from objectives.arrays import BoolArray, FloatArray
from objectives.checks import InputError, did_you_mean
from objectives.scores.registry import REGISTRY

_DECADES = 1.0
"""A part that the brief fixes is moved as far up and down as this."""


@dataclass(frozen=True)
class Sweep:
    """A part, the values that it takes (SI, ascending), and the stage at each of them.

    Attributes
    ----------
    part : element by its name
    values : shape (n,)
    present : row of the value that the stage has
    stages : the stage at each value, N = n
    breaks : for each value the names of the limits that are broken and the targets missed
    trusted : whether the law of the device is known to hold at each value, shape (n,)
    """

    part: str
    values: FloatArray
    present: int
    stages: Evaluation
    breaks: Sequence[tuple[str, ...]]
    trusted: BoolArray


def middle(problem: Problem) -> dict[str, float]:
    """Return the fields of the stage in the middle of the space: of each part the middle value.

    A value without end, such as a full bypass, is no middle.
    """
    return {c.part: _middle(c) for c in problem.choices}


def _middle(choice: Choice) -> float:
    if choice.continuous:
        return float(np.sqrt(choice.low * choice.high))
    finite = choice.values[np.isfinite(choice.values)]
    return float(finite[finite.size // 2] if finite.size else choice.values[0])


def sweep(
    problem: Problem,
    brief: Brief,
    start: Mapping[str, float],
    key: str,
    low: float | None = None,
    high: float | None = None,
    *,
    score: str = "",
) -> Sweep:
    """Move one part of a stage along what the brief allows, or along its stock series.

    Parameters
    ----------
    start :
        The stage: values by field, as of :meth:`~explorer.designs.Design.stage_fields`.
    key :
        The part by its key in the brief.
    low, high :
        Ends of the move (SI); None: those of the brief, or a decade about a part that it fixes.
    score :
        A slow score to work out too; the others are left out.

    Raises
    ------
    InputError
        If the brief has no such part, or nothing lies between the ends.
    """
    part, values, present = _moved(problem, brief, start, key, low, high)
    parts = {name: np.full(len(values), value) for name, value in start.items()}
    parts[part] = values
    stages = _shown(problem, parts, score)
    return Sweep(part, values, present, stages, _breaks(problem, stages), problem.trusted(parts))


def sweep_two(
    problem: Problem,
    brief: Brief,
    start: Mapping[str, float],
    keys: tuple[str, str],
    score: str = "",
) -> tuple[Sweep, tuple[Sweep, ...]]:
    """Move two parts; return the sweep of the second, and of the first at each of its values."""
    over = sweep(problem, brief, start, keys[1], score=score)
    return over, tuple(
        sweep(problem, brief, {**start, over.part: float(value)}, keys[0], score=score)
        for value in over.values
    )


def ends_of(
    brief: Brief, key: str, low: str | None, high: str | None
) -> tuple[float | None, float | None]:
    """Return the ends of a move as they are typed: ``10k``, ``4u7``.

    Raises
    ------
    InputError
        If the brief has no such part, or an end is no value of it.
    """
    unit = _choice(brief, key).element.unit or "ratio"
    ends: list[float | None] = []
    for name, text in (("from", low), ("to", high)):
        try:
            ends.append(None if text is None else parse_quantity(text, unit))
        except QuantityError as error:
            raise InputError(name, text, error.allowed) from None
    return ends[0], ends[1]


def _shown(problem: Problem, parts: Parts, asked: str) -> Evaluation:
    """Return the stages with the scores that are shown; a slow one only where it is asked for."""
    shown = tuple(n for n in problem.shown if n == asked or not REGISTRY[n].slow)
    rows = np.arange(len(next(iter(parts.values()))))
    return replace(problem, shown=shown).show(problem.evaluate(parts), rows)


def _moved(
    problem: Problem,
    brief: Brief,
    start: Mapping[str, float],
    key: str,
    low: float | None,
    high: float | None,
) -> tuple[str, FloatArray, int]:
    choice = _choice(brief, key)
    element, value = choice.element, start[choice.element.name]
    varied = next((c for c in problem.choices if c.part == element.name), None)
    usual = value if 0 < value < np.inf else 1.0
    if varied is not None and not varied.continuous and low is None and high is None:
        values = varied.values
    else:
        ends = (varied.low, varied.high) if varied is not None and varied.continuous else (
            usual / 10**_DECADES, usual * 10**_DECADES
        )  # fmt: skip
        low = ends[0] if low is None else low
        high = ends[1] if high is None else high
        if not 0 < low < high < np.inf:
            raise InputError("from", low, f"expected above 0 and below to ({high:g})")
        values = brief.stock.preferred(element.kind, low, high)
        values = values[(values >= low * (1 - 1e-9)) & (values <= high * (1 + 1e-9))]
    values = np.unique(np.append(values, value))
    if len(values) < 2:
        raise InputError(key, value, "expected a part that can take more than one value")
    return element.name, values, int(np.flatnonzero(values == value)[0])


def _choice(brief: Brief, key: str) -> PartChoice:
    choices = {choice.element.key: choice for choice in brief.all_choices()}
    if key not in choices:
        allowed = f"expected one of {', '.join(choices)}{did_you_mean(key, choices)}"
        raise InputError("part", key, allowed)
    return choices[key]


def _breaks(problem: Problem, stages: Evaluation) -> list[tuple[str, ...]]:
    missed = {g.name: g.room(stages.scores[g.name]) < 0 for g in problem.goals}
    broken = {**missed, **{name: excess > 0 for name, excess in stages.excess.items()}}
    return [tuple(name for name, rows in broken.items() if rows[row]) for row in range(len(stages))]
