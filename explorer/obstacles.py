"""Why nothing fits: which limits block, the least relaxation that helps, and what more choice does.

From an exploration to records; where a search was not exact, over what it evaluated.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from explorer.aims import WORST_LOSS
from explorer.choices import Choice
from explorer.evaluation import Evaluation
from explorer.exploration import Exploration
from explorer.nearest import alone
from explorer.problem import ALL_FINITE, RATING_STEP, Problem
from explorer.series import SERIES, series_values
from objectives.arrays import FloatArray
from objectives.assessment import Assessment
from objectives.checks import InputError
from objectives.elements import ELEMENTS
from objectives.format import first
from objectives.scores.registry import REGISTRY
from reports.obstacles import BandAttenuation, MissedLimit, MoreChoice, Obstacles, Relaxation

_FINEST = SERIES.index("E12")
"""A step of a finer series is too small to try beyond the end of a range."""

_MOST_STEPS = 2
"""Steps tried beyond the end of a range."""

_AT_END = 0.02
"""A continuous part so near the end of its range (a fraction) is at it."""

_MOST_MORE = 3

_ROUNDING = 1e-9
"""A target missed by so little of a step is met."""


def obstacles(ex: Exploration) -> Obstacles | None:
    """Return what blocks and the least relaxations; None where something is feasible."""
    if ex.feasible:
        return None
    run, problem, nearest = ex.source.harvest, ex.problem, ex.front
    least = {name: _missed(problem, name, excess) for name, excess in run.least_excess.items()}
    most = sorted(run.broken.items(), key=lambda item: -item[1])
    shares = [(least[name], count / run.evaluated) for name, count in most if count > 0]
    if len(nearest) == 0:
        return Obstacles(run.evaluated, [], shares, [])
    missed = problem.missed_limits(nearest)
    never = [
        one
        for name, row in zip(nearest.excess, missed.argmin(axis=0), strict=True)
        if run.least_excess[name] > 0
        for one in missed_limits(problem, nearest, int(row))
        if one.name == name
    ]
    total = missed.sum(axis=1)

    def relaxation(row: int) -> Relaxation:
        return Relaxation(missed_limits(problem, nearest, row), row + 1, float(total[row]))

    lone, broken = alone(missed), missed[0] > 0
    singles = [relaxation(int(row)) for row in lone if row >= 0 and total[row] < WORST_LOSS]
    useless = [
        least[name]
        for name, row, here in zip(nearest.excess, lone, broken.tolist(), strict=True)
        if here and (row < 0 or total[row] >= WORST_LOSS)
    ]
    return Obstacles(
        run.evaluated,
        never,
        shares,
        missed_limits(problem, nearest),
        sorted(singles, key=lambda one: one.steps),
        useless,
        relaxation(0) if total[0] < WORST_LOSS else None,
    )


def missed_limits(problem: Problem, candidates: Evaluation, row: int = 0) -> list[MissedLimit]:
    """Return each limit that a candidate breaks."""
    broken = {name: float(e[row]) for name, e in candidates.excess.items() if e[row] > 0}
    if not broken:
        return []
    one = problem.assess({name: values[[row]] for name, values in candidates.parts.items()})
    scores = {name: float(values[row]) for name, values in candidates.scores.items()}
    return [
        _valued(_missed(problem, name, excess), one, scores.get(name))
        for name, excess in broken.items()
    ]


def _missed(problem: Problem, name: str, excess: float) -> MissedLimit:
    """Return a limit that is missed by so much, its value where that tells it."""
    window = next((w for w in problem.windows if w.name == name), None)
    if window is None:
        return MissedLimit("finite" if name == ALL_FINITE else "rating", name, excess)
    value, unit = window.value_at(excess), REGISTRY[name].unit
    return MissedLimit("window", name, excess, value, window.at_least, window.at_most, unit=unit)


def _valued(missed: MissedLimit, one: Assessment, value: float | None) -> MissedLimit:
    """Return a missed limit with what is known of one candidate, by its assessment and score."""
    if missed.kind == "finite":
        return missed
    if missed.kind == "rating":
        rating = next(r for r in one.ratings if f"{r.name} rating" == missed.name)
        value, allowed = first(rating.value), first(rating.allowed)
        held = first(getattr(one.stage, rating.part)) if rating.part else math.nan
        return replace(
            missed, value=value, at_most=allowed, unit=rating.unit, part=rating.part,
            part_value=held, enough=_outward(value, RATING_STEP * value, upward=True),
        )  # fmt: skip
    assert value is not None  # a window is of a score that decides
    step = REGISTRY[missed.name].step
    size = abs(value) * step.size if step.relative else step.size
    bands = _bands(one, missed.at_least) if missed.name == "rf_margin_dB" else []
    enough = _outward(value, size, upward=value > missed.at_most)
    return replace(missed, value=value, enough=enough, bands=bands)


def _bands(one: Assessment, at_least: float) -> list[BandAttenuation]:
    """Return the radio bands whose margin at the grid is less than asked."""
    asked = {band.name: band.attenuation_dB for band in one.targets.radio_bands}
    margins = {name: first(margin) for name, margin in one.radio_margins_dB.items()}
    return [
        BandAttenuation(name, asked[name] + margin, asked[name] + at_least)
        for name, margin in margins.items()
        if margin < at_least
    ]


def _outward(value: float, step: float, *, upward: bool) -> float:
    """Return a value rounded to about a tenth of a step, never inward."""
    if not (math.isfinite(value) and step > 0):
        return value
    decimals = math.ceil(0.5 - math.log10(step))
    scaled = value * 10.0**decimals
    return round((math.ceil if upward else math.floor)(scaled) / 10.0**decimals, decimals)


def more_choice(ex: Exploration) -> list[MoreChoice]:
    """Return which parts at the ends of their ranges bring too little choice, what helps first.

    Where nothing is feasible these are parts of the nearest candidates, where the pick misses a
    target parts of the pick. Each is tried with values beyond the end, all else as it is; one helps
    that keeps everything or lessens the least that is missed by a noticeable step.
    """
    problem = ex.problem
    tried = ex.front.take(np.array([ex.pick])) if ex.feasible else ex.front
    if len(tried) == 0:
        return []
    least = _shortfall(ex, tried).min()
    if least == 0:
        return []
    helps: list[tuple[float, MoreChoice]] = []
    for choice in problem.choices:
        for largest, end, beyond in _beyond(ex, choice):
            there = tried.parts[choice.part]
            close = _AT_END * end if choice.continuous else 0.0
            rows = np.flatnonzero(np.abs(there - end) <= close)
            if rows.size == 0:
                continue
            parts = {n: np.repeat(values[rows], len(beyond)) for n, values in tried.parts.items()}
            parts[choice.part] = np.tile(beyond, len(rows))
            try:
                moved = problem.evaluate(parts)
            except InputError:  # beyond what the stage or its driver can be
                continue
            short = _shortfall(ex, moved)
            best = int(np.argmin(short))
            if short[best] == 0 or short[best] <= least - 1.0:
                value = float(moved.parts[choice.part][best])
                still = [*missed_limits(problem, moved, best), *_missed_goals(ex, moved, best)]
                more = MoreChoice(choice.part, largest, end, value, still)
                helps.append((float(short[best]), more))
    return [more for _, more in sorted(helps, key=lambda item: item[0])][:_MOST_MORE]


def _shortfall(ex: Exploration, candidates: Evaluation) -> FloatArray:
    """Return the steps by which candidates miss limits, and targets where those can be reached."""
    missed = ex.problem.missed_limits(candidates).sum(axis=1)
    if ex.feasible:
        missed += ex.problem.missed_goals(candidates).sum(axis=1)
    return np.asarray(np.where(missed <= _ROUNDING, 0.0, missed))


def _missed_goals(ex: Exploration, candidates: Evaluation, row: int) -> Iterator[MissedLimit]:
    """Yield each target that a candidate misses, a corner in hertz; none before limits are kept."""
    problem = ex.problem
    for goal in problem.goals if ex.feasible else ():
        value = float(candidates.scores[goal.name][row])
        if goal.room(np.asarray(value)) >= -_ROUNDING:
            continue
        name, low, high = goal.name, goal.at_least, goal.at_most
        asked = problem.targets.input_corner_Hz
        if name == "input_corner_error_octaves" and asked is not None:
            name, low, high = "input_corner_Hz", asked / 2**high, asked * 2**high
            parts = {part: values[[row]] for part, values in candidates.parts.items()}
            value = first(problem.scores(parts, [name])[name])
        yield MissedLimit("window", name, math.nan, value, low, high, unit=REGISTRY[name].unit)


def _beyond(ex: Exploration, choice: Choice) -> Iterator[tuple[bool, float, FloatArray]]:
    """Yield each end of a part's range that is a value, and the values beyond: largest, end, them.

    They are of the part's own series (of E12 where that is finer), or of what is in stock.
    """
    element = ELEMENTS[choice.part]
    ends = (choice.low, choice.high) if choice.continuous else choice.values[[0, -1]]
    if element.kind not in ("resistor", "capacitor"):
        return
    brief = ex.formulation.brief
    series = next(c.series for c in brief.all_choices() if c.element.name == choice.part)
    for largest, end in ((False, float(ends[0])), (True, float(ends[1]))):
        if not 0 < end < math.inf:
            continue
        if series is None:
            values = brief.stock.preferred(element.kind, end, end)
        else:
            name = SERIES[min(SERIES.index(series), _FINEST)]
            values = series_values(name, end / 10, end * 10)
        values = (
            values[values > end * (1 + 1e-9)][:_MOST_STEPS]
            if largest
            else values[values < end * (1 - 1e-9)][::-1][:_MOST_STEPS]
        )
        if values.size:
            yield largest, end, values
