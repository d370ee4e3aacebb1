"""The decision: which design to build, how sure that is, and what stands beside it.

A front is not an answer. Targets come first: of the designs that meet them all, the pick is the one
that achieves most between what is wanted and what is good enough, in the least achieved score
first, and that keeps targets and limits in the share of builds that the brief asks. Differences are
counted in noticeable steps; designs within a step of each other in every score are one choice, and
of these the one with fewer and commoner parts is taken.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Final, Literal

import numpy as np

from explorer.achievement import (
    MEAN_WEIGHT,
    ROUNDING,
    in_steps,
    on_target,
    references,
    shares_of,
    shortfall_of,
    shortfall_to_beat,
)
from explorer.brief.stock import Stock
from explorer.evaluation import Evaluation, Parts
from explorer.neighbours import neighbours
from explorer.problem import Problem
from explorer.series import rarity
from objectives.arrays import BoolArray, FloatArray, IntArray
from objectives.elements import CAPACITORS, ELEMENTS, RESISTORS
from objectives.scores.parts import fitted_values
from objectives.scores.registry import REGISTRY
from objectives.tolerance.setup import YIELD, ToleranceSetup

_BLOCK, _MOST_BLOCKS = 32, 12
"""Designs built together, and how many blocks at most in search of one that is robust."""

DRAWS = 1024
"""Builds of each; the yield is then known to about a step."""

_MOST_ALTERNATIVES = 3

_NEARER = 0.2
"""Nearer a target by this share of a step is worth naming."""

_STEP_OF_YIELD = REGISTRY[YIELD].step.size / 100

KnownYields = Mapping[tuple[float, ...], float]
"""Yields of designs by the values of their parts, in the order of the problem's choices."""

_NONE_KNOWN: Final[KnownYields] = MappingProxyType({})


@dataclass(frozen=True)
class Alternative:
    """A design that stands beside the pick: the best in one score that keeps the targets."""

    kind: Literal["recommended", "closest", "alternative"]
    """The pick where another design is reported; closest to a target; or else the best."""
    score: str
    """That it is best in; the yield for the most robust; empty for the pick."""
    row: int


@dataclass(frozen=True)
class Decision:
    """What was decided over N serious candidates, with F free scores and G goals.

    Attributes
    ----------
    candidates : the candidates, those that miss least and achieve most first
    pick : row of the pick
    alternatives : beside the pick, each with what it is best in
    steps : losses in noticeable steps, shape (N, F)
    missed : noticeable steps by which goals are missed, shape (N, G)
    shortfall : worst score's way from wanted (0) to good enough (1), weighted, shape (N,)
    yields : share of builds that keep targets and limits; nan where not worked out, shape (N,)
    wanted, good_enough : in steps of loss, shape (F,)
    best : least loss of a design that meets the targets, in steps, shape (F,)
    stated : whether the brief states what is wanted, shape (F,)
    """

    candidates: Evaluation
    pick: int
    alternatives: tuple[Alternative, ...]
    steps: FloatArray
    missed: FloatArray
    shortfall: FloatArray
    yields: FloatArray
    wanted: FloatArray
    good_enough: FloatArray
    best: FloatArray
    stated: BoolArray

    @property
    def on_target(self) -> BoolArray:
        """Which candidates meet every target, shape (N,)."""
        return on_target(self.missed)

    @property
    def given_up(self) -> FloatArray:
        """Steps that the pick gives up against the best on target, shape (F,)."""
        return np.asarray(self.steps[self.pick] - self.best)

    def take(self, rows: IntArray) -> Decision:
        """Return the decision over some of its candidates; pick and alternatives among them."""
        place = {int(row): at for at, row in enumerate(rows)}
        return replace(
            self,
            candidates=self.candidates.take(rows),
            pick=place[self.pick],
            alternatives=tuple(replace(a, row=place[a.row]) for a in self.alternatives),
            **{
                name: getattr(self, name)[rows]
                for name in ("steps", "missed", "shortfall", "yields")
            },
        )


def designs_of(problem: Problem, parts: Parts) -> list[tuple[float, ...]]:
    """Return the values of the parts that vary of each candidate, as in :data:`KnownYields`."""
    return list(zip(*(parts[choice.part].tolist() for choice in problem.choices), strict=True))


def built_well(problem: Problem, parts: Parts) -> FloatArray:
    """Return the share of builds that keeps every target and limit; nan where nothing spreads."""

    def often(setup: ToleranceSetup | None) -> ToleranceSetup | None:
        return None if setup is None else replace(setup, draws=DRAWS)

    if problem.targets.tolerance is None:
        return np.full(len(next(iter(parts.values()))), np.nan)

    targets = replace(problem.targets, tolerance=often(problem.targets.tolerance))
    others = tuple((device, often(setup)) for device, setup in problem.others)
    own = replace(problem, targets=targets, others=others)
    return np.asarray(own.scores(parts, [YIELD])[YIELD] / 100)


def decide(
    problem: Problem,
    serious: Evaluation,
    stock: Stock,
    sold: BoolArray | None = None,
    known: KnownYields = _NONE_KNOWN,
) -> Decision:
    """Pick one of the serious candidates, all feasible, at least one, or what is steps from it.

    What another candidate beats by a little in every score is not serious, and may yet keep its
    limits in more builds. So the pick moves by single steps of its parts while one makes it better.

    Parameters
    ----------
    serious :
        The candidates, each part among their values.
    stock :
        Tells the next value of a part that may have any.
    sold :
        Which candidates are made of parts that are sold, shape (N,): of those that serve, the
        others are then not picked. None: all are.
    known :
        Yields that are not worked out again.
    """
    choice = _Choice(problem, serious, stock, sold, known)
    pick = choice.pick()
    return Decision(
        candidates=choice.candidates,
        pick=pick,
        alternatives=tuple(choice.alternatives(pick)),
        steps=choice.steps,
        missed=choice.missed,
        shortfall=choice.shortfall,
        yields=choice.yields,
        wanted=choice.wanted,
        good_enough=choice.good_enough,
        best=choice.steps[choice.serving].min(axis=0),
        stated=choice.stated,
    )


class _Choice:
    """Chooses among candidates in order of what they miss and achieve; builds them as needed."""

    def __init__(
        self,
        problem: Problem,
        candidates: Evaluation,
        stock: Stock,
        sold: BoolArray | None,
        known: KnownYields,
    ) -> None:
        self.problem, self.stock, self.known = problem, stock, known
        total = problem.missed_goals(candidates).sum(axis=-1)
        self.on_target = bool(np.any(total <= ROUNDING))
        # Where no candidate meets every target, those that miss by no more than a step above the
        # least.
        self.most_missed = ROUNDING if self.on_target else float(total.min()) + 1.0
        serving = total <= self.most_missed
        if sold is not None and np.any(serving & sold):
            serving = serving & sold
        steps = in_steps(problem, candidates.take(serving))
        self.wanted, self.good_enough, self.stated = references(problem, steps)
        self.asked = problem.yield_asked if problem.targets.tolerance is not None else 0.0
        self._take(candidates, serving, np.full(len(candidates), np.nan))

    def _take(self, candidates: Evaluation, serving: BoolArray, yields: FloatArray) -> IntArray:
        """Take candidates in order; return where each of them is then."""
        steps, missed = in_steps(self.problem, candidates), self.problem.missed_goals(candidates)
        shortfall = shortfall_of(self.problem, steps, self.wanted, self.good_enough)
        order = np.lexsort((shortfall, np.where(serving, 0.0, missed.sum(axis=-1))))
        self.candidates, self.serving = candidates.take(order), np.flatnonzero(serving[order])
        self.steps, self.missed, self.yields = steps[order], missed[order], yields[order]
        self.shortfall = shortfall[order]
        self.shares = shares_of(self.steps, self.wanted, self.good_enough)
        return np.argsort(order)

    def pick(self) -> int:
        """Return the row of the pick."""
        # What misses a target as designed misses it in most builds: there yield decides nothing.
        self.asked = self.asked if self.on_target else 0.0
        pick = self._pick()
        while True:
            pick, near = self._with_neighbours(pick)
            better = self._better(near, pick)
            if better is None:
                return pick
            pick = better

    def _pick(self) -> int:
        """Return the row of the pick among the candidates as they are."""
        first = self._first_robust(self.serving, _MOST_BLOCKS)
        if first is None:
            # Where those that achieve most are not robust, those with most room are the likeliest.
            roomy = self._roomiest[: _BLOCK * _MOST_BLOCKS]
            first = int(min(roomy[self._robust(roomy)], default=-1))
        if first >= 0:
            return self._simplest(first, self.asked)
        # The best yield there is, but not at the price of what is no longer good enough.
        fair = self.serving[self.shortfall[self.serving] <= self._fair]
        built = fair[~np.isnan(self.yields[fair])]
        best = self.yields[built].max() - _STEP_OF_YIELD
        return self._simplest(int(built[self.yields[built] >= best][0]), best)

    def _with_neighbours(self, pick: int) -> tuple[int, IntArray]:
        """Take what is a step of one part or two from a row and serves; return where all is."""
        stage = self.candidates.take(np.array([pick])).parts
        near = self.problem.evaluate(neighbours(self.problem, self.stock, stage))
        missed = self.problem.missed_goals(near).sum(axis=-1)
        near = near.take(near.feasible & (missed <= self.most_missed))
        taken = {design: row for row, design in enumerate(self._designs(self.candidates))}
        rows = np.array([taken.get(design, -1) for design in self._designs(near)], np.intp)
        new, count = near.take(rows < 0), len(self.candidates)
        rows[rows < 0] = count + np.arange(len(new))
        serving = np.zeros(count + len(new), bool)
        serving[self.serving] = serving[count:] = True
        yields = np.append(self.yields, np.full(len(new), np.nan))
        place = self._take(Evaluation.join([self.candidates, new]), serving, yields)
        return int(place[pick]), np.intersect1d(place[rows], self.serving)

    def _better(self, rows: IntArray, pick: int) -> int | None:
        """Return the row that achieves most, noticeably more and in builds enough.

        That is as many as are asked, or as many as of the pick. Where the pick keeps targets and
        limits in too few, a row that does in more comes first.
        """
        if self.yields[pick] < self.asked:
            fair = rows[self.shortfall[rows] <= self._fair]
            good = self._build(fair)
            least = max(good.max(initial=0) - _STEP_OF_YIELD, self.yields[pick] + _STEP_OF_YIELD)
            if np.any(good >= least):
                return int(fair[np.argmax(good >= least)])
        most = shortfall_to_beat(self.problem, self.steps[pick], self.wanted, self.good_enough)
        rows = rows[self.shortfall[rows] < most]
        return self._first_robust(rows, _MOST_BLOCKS, min(self.asked, self.yields[pick]))

    def alternatives(self, pick: int) -> list[Alternative]:
        """Return what stands beside the pick, each better than it by a step in what it is for.

        Each but the most robust is good enough in every other score, or no worse there than the
        pick.
        """
        self.asked = min(self.asked, self.yields[pick] - _STEP_OF_YIELD)
        chosen: list[Alternative] = []
        robust = self._most_robust()
        if robust is not None and self.yields[robust] >= self.yields[pick] + _STEP_OF_YIELD:
            chosen.append(Alternative("alternative", YIELD, robust))
        near = [free.nears for free in self.problem.free]
        best = [self._best_in(at, pick) for at in range(len(self.problem.free))]
        gains = [self.steps[pick, at] - self.steps[row, at] for at, row in enumerate(best)]
        names = [free.name for free in self.problem.free]
        # What is nearest a target first, then where most is to be gained.
        for at in sorted(range(len(names)), key=lambda at: (not near[at], -gains[at])):
            enough = _NEARER if near[at] else 1.0
            if gains[at] >= enough and best[at] not in {a.row for a in chosen}:
                kind: Literal["closest", "alternative"] = "closest" if near[at] else "alternative"
                chosen.append(Alternative(kind, names[at], best[at]))
        return chosen[:_MOST_ALTERNATIVES]

    @property
    def _fair(self) -> float:
        """The most by which a design may fall short for the sake of its yield."""
        return float(max(1.0, self.shortfall.min())) + MEAN_WEIGHT

    @property
    def _roomiest(self) -> IntArray:
        """The candidates that serve, those with most room to limits and targets first."""
        room = self.candidates.room[self.serving].sum(axis=-1)
        return np.asarray(self.serving[np.argsort(-room, kind="stable")])

    def _designs(self, candidates: Evaluation) -> list[tuple[float, ...]]:
        return designs_of(self.problem, candidates.parts)

    def _build(self, rows: IntArray) -> FloatArray:
        """Return the yields of candidates; those not known yet are worked out."""
        new = rows[np.isnan(self.yields[rows])] if self.asked > 0 else rows[:0]
        designs = self._designs(self.candidates.take(new))
        self.yields[new] = [self.known.get(design, np.nan) for design in designs]
        new = new[np.isnan(self.yields[new])]
        if new.size:
            self.yields[new] = built_well(self.problem, self.candidates.take(new).parts)
        return np.asarray(self.yields[rows])

    def _robust(self, rows: IntArray, asked: float | None = None) -> BoolArray:
        asked = self.asked if asked is None else asked
        return self._build(rows) >= asked if self.asked > 0 else np.ones(len(rows), bool)

    def _first_robust(self, rows: IntArray, blocks: int, asked: float | None = None) -> int | None:
        """Return the first row that keeps targets and limits in enough builds, if one does."""
        for at in range(0, min(len(rows), _BLOCK * blocks), _BLOCK):
            block = rows[at : at + _BLOCK]
            robust = self._robust(block, asked)
            if robust.any():
                return int(block[np.argmax(robust)])
        return None

    def _simplest(self, anchor: int, least: float) -> int:
        """Return the simplest of the designs that are one choice with this one, and as robust."""
        rows = self.serving[np.all(self.steps[self.serving] < self.steps[anchor] + 1.0, axis=1)]
        alike = np.unique(np.append(rows[:_BLOCK], anchor))
        if self.asked > 0:
            alike = alike[self._build(alike) >= least]
        parts = {name: values[alike] for name, values in self.candidates.parts.items()}
        keys = (self.shortfall[alike], *_complexity(self.problem, parts)[::-1])
        return int(alike[np.lexsort(keys)[0]])

    def _best_in(self, score: int, pick: int) -> int:
        """Return the row best in one score that is robust, of equals the one that achieves most."""
        others = np.arange(self.shares.shape[1]) != score
        enough = np.maximum(1.0, self.shares[pick])[others]
        fair = np.all(self.shares[self.serving][:, others] <= enough, axis=1)
        rows = self.serving[fair]
        rows = rows[np.argsort(self.steps[rows, score], kind="stable")]
        first = self._first_robust(rows, 3)
        if first is None:
            return pick
        alike = rows[self.steps[rows, score] <= self.steps[first, score] + _NEARER]
        alike = np.append(alike[:_BLOCK], first)
        return int(alike[self._robust(alike)].min())

    def _most_robust(self) -> int | None:
        """Return the row of the highest yield, of equals the one that achieves most."""
        if self.asked <= 0:
            return None
        self._build(self._roomiest[:_BLOCK])
        yields = self.yields[self.serving]
        return int(self.serving[np.argmax(yields >= np.nanmax(yields) - _STEP_OF_YIELD / 4)])


def _complexity(problem: Problem, parts: Parts) -> Sequence[FloatArray]:
    """Return what makes designs harder to build, the weightiest first, each of shape (N,).

    The number of parts; parts that are idealised (a full bypass); how rare their values are; and
    whether the device works outside what bears out its law.
    """
    stages = problem.stages({k: v for k, v in parts.items() if k != "device"})
    values = fitted_values(stages, (*RESISTORS, *CAPACITORS))
    count = np.count_nonzero(~np.isnan(values), axis=-1)
    ideal = np.count_nonzero(np.isinf(values), axis=-1)
    rare = np.zeros(len(count))
    for name in parts:
        if name in ELEMENTS and ELEMENTS[name].part:
            rare = rare + rarity(parts[name])
    return count, ideal, rare, (~problem.trusted(parts)).astype(float)
