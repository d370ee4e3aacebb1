"""Why each value of the pick: what its neighbours would have changed, and how fast scores move."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from explorer.achievement import (
    ROUNDING,
    in_steps,
    shares_of,
    shortfall_of,
    shortfall_to_beat,
    weakest,
)
from explorer.choices import Choice
from explorer.decision import DRAWS, built_well
from explorer.evaluation import Parts
from explorer.exploration import Exploration
from explorer.neighbours import next_values, other_values
from explorer.obstacles import missed_limits
from objectives.arrays import BoolArray, FloatArray
from objectives.format import first, shown_name
from objectives.reading.differences import Aspect, differences
from objectives.scores.registry import REGISTRY
from reports.record import Neighbour, PartReason, Reasons, Slope, Verdict

_EVEN = 0.005
"""Shortfalls that differ by no more are told as the same number."""

_STEP = 1e-3
"""Of the logarithm of a part either way, for a slope."""


def pick_reasons(ex: Exploration) -> Reasons:
    """Return what speaks for each value of the pick of an exploration that has one.

    Every value that the brief allows for a part is tried alone, in one batch; of continuous parts
    the preferred values. Where scores that decide are slow, only the next ones are.
    """
    beside = _Beside(ex)
    parts = [beside.reason(choice) for choice in ex.problem.choices]
    return Reasons(
        parts,
        beside.shortfall[0],
        beside.worst(0),
        DRAWS if np.isfinite(beside.good).any() else 0,
        [name for name in beside.names if name not in beside.smooth],
    )


class _Beside:
    """The pick, in row 0, and beside it every stage that differs from it in one part."""

    def __init__(self, ex: Exploration) -> None:
        assert ex.decision is not None
        self.problem, self.decision = ex.problem, ex.decision
        self.pick = {name: first(values) for name, values in ex.pick_parts.items()}
        self.stock = stock = ex.formulation.brief.stock
        self.values = {
            c.part: other_values(c, stock, self.pick[c.part]) for c in self.problem.choices
        }
        if self.problem.slow:
            self.values = {c.part: self._next(c) for c in self.problem.choices}
        self.stages = self.problem.evaluate(self._batch())
        self.names = tuple(dict.fromkeys(shown_name(free.name) for free in self.problem.free))
        self.smooth = tuple(
            n for n in self.names if not (REGISTRY[n].slow or REGISTRY[n].of_bought_parts)
        )
        self.scores = self._scores()
        self.steps = in_steps(self.problem, self.stages)
        wanted, good_enough = self.decision.wanted, self.decision.good_enough
        self.shares = shares_of(self.steps, wanted, good_enough)
        self.shortfall = shortfall_of(self.problem, self.steps, wanted, good_enough)
        self.to_beat = shortfall_to_beat(self.problem, self.steps[0], wanted, good_enough)
        self.broken = self.problem.missed_limits(self.stages)
        self.missed = self.problem.missed_goals(self.stages)
        lost = self.missed.sum(axis=1) > self.missed[0].sum() + ROUNDING
        self.serves = ~lost & ~self.broken.any(axis=1)
        self.like = self._like()
        self.good = self._yields()
        self.enough = min(self.problem.yield_asked, self.good[0])

    def reason(self, choice: Choice) -> PartReason:
        """Return what speaks for the value of one part."""
        rows = [self._row(choice.part, value) for value in self._next(choice)]
        ordered = not choice.names and choice.part != "leak_at_grid"
        return PartReason(
            choice.part,
            choice.shown(np.array([self.pick[choice.part]]))[0],
            [self._neighbour(choice, row) for row in rows],
            self._slopes(choice) if ordered else (),
            self._alike(choice.part) if ordered and not self.problem.slow else None,
        )

    def worst(self, row: int) -> str:
        """Return the score that falls short most."""
        return shown_name(self.problem.free[int(weakest(self.problem, self.shares[row]))].name)

    def _batch(self) -> Parts:
        count = sum(len(values) for values in self.values.values())
        parts = {name: np.full(count + 1, value) for name, value in self.pick.items()}
        row = 1
        for part, values in self.values.items():
            parts[part][row : row + len(values)] = values
            row += len(values)
        return parts

    def _row(self, part: str, value: float) -> int:
        before = list(self.values)[: list(self.values).index(part)]
        at = int(np.flatnonzero(self.values[part] == value)[0])
        return 1 + sum(len(self.values[name]) for name in before) + at

    def _next(self, choice: Choice) -> FloatArray:
        return next_values(choice, self.stock, self.pick[choice.part])

    def _scores(self) -> Mapping[str, FloatArray]:
        unknown = [name for name in self.names if name not in self.stages.scores]
        return {**self.stages.scores, **self.problem.scores(self.stages.parts, unknown)}

    def _yields(self) -> FloatArray:
        """Return the yield of the pick, and of each neighbour or like stage that would serve."""
        good = np.full(len(self.stages), np.nan)
        good[0] = self.decision.yields[self.decision.pick]
        wanted = self.like.copy()
        for choice in self.problem.choices:
            wanted[[self._row(choice.part, value) for value in self._next(choice)]] = True
        rows = np.flatnonzero(wanted & self.serves)
        if rows.size:
            good[rows] = built_well(self.problem, self.stages.take(rows).parts)
        return good

    def _neighbour(self, choice: Choice, row: int) -> Neighbour:
        figures = {Aspect(name): self.scores[name] for name in self.names}
        own = {aspect: values[:1] for aspect, values in figures.items()}
        gains = self.steps[0] - self.steps[row]
        return Neighbour(
            choice.shown(self.stages.parts[choice.part][row : row + 1])[0],
            differences(own, figures, row),
            {shown_name(f.name): float(g) for f, g in zip(self.problem.free, gains, strict=True)},
            missed_limits(self.problem, self.stages, row),
            [g.name for g, by in zip(self.problem.goals, self.missed[row], strict=True) if by > 0],
            float(self.shortfall[row]),
            self.worst(row),
            float(self.good[row]),
            self._verdict(row),
        )

    def _verdict(self, row: int) -> Verdict:
        if self.broken[row].any():
            return "breaks"
        if not self.serves[row]:
            return "misses"
        if self.good[row] < self.enough:
            return "builds"
        if self.like[row]:
            return "alike"
        if self.shortfall[row] > self.shortfall[0] - _EVEN:
            return "less"
        return "better" if self.shortfall[row] < self.to_beat else "little"

    def _like(self) -> BoolArray:
        """Return which stages differ from the pick by less than a step in all that is weighed."""
        like = np.ones(len(self.stages), bool)
        for name in self.names:
            values, count = self.scores[name], REGISTRY[name].step.count
            with np.errstate(invalid="ignore"):  # two infinite values are the same
                near = np.abs(count(values) - count(values[0])) < 1.0
            like &= near | (values == values[0])
        return like

    def _alike(self, part: str) -> tuple[float, float]:
        """Return the ends of the run of values about the pick's own that would do as well."""
        values, own = self.values[part], self.pick[part]
        rows = np.array([self._row(part, value) for value in values], np.intp)
        do = (self.like & self.serves & ~(self.good < self.enough))[rows]
        below, above = values < own, values > own
        low = values[below][np.cumprod(do[below][::-1], dtype=bool)[::-1]]
        high = values[above][np.cumprod(do[above], dtype=bool)]
        return float(low[0] if low.size else own), float(high[-1] if high.size else own)

    def _slopes(self, choice: Choice) -> Sequence[Slope]:
        value = self.pick[choice.part]
        if not 0 < value < np.inf:
            return ()
        # The part alone moves: what a drawer says of its own line (style, leads) stays.
        ((_, own, parts),) = self.problem.by_device(
            {n: np.array([v]) for n, v in self.pick.items()}
        )
        still = replace(own, fixed=own.stages(parts), stocks={})
        both = {name: np.repeat(values, 2) for name, values in parts.items()}
        both[choice.part] = value * np.exp([-_STEP, _STEP])
        slopes = []
        for name, (low, high) in still.scores(both, self.smooth).items():
            step = REGISTRY[name].step
            if step.relative:
                low, high = np.log([low, high])
            change = 0.01 * float(high - low) / (2 * _STEP)
            size = np.log1p(step.size) if step.relative else step.size
            shown = 100 * change if step.relative else change
            slopes.append(Slope(name, float(shown), float(change / size)))
        return slopes
