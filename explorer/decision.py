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

from explorer.evaluation import Evaluation, Parts
from explorer.problem import Problem
from explorer.series import rarity
from objectives.arrays import BoolArray, FloatArray, IntArray
from objectives.elements import CAPACITORS, ELEMENTS, RESISTORS
from objectives.scores.parts import fitted_values
from objectives.scores.registry import REGISTRY
from objectives.tolerance.setup import YIELD, ToleranceSetup

_BEYOND_WANTED, _BELOW_GOOD = 0.05, 10.0
"""Slopes of what is achieved beyond what is wanted, and below what is good enough."""

_SUM = 1e-2
"""Weight of the mean in the achievement: of two designs with the same worst score the better."""

_WANTED_QUANTILE, _GOOD_QUANTILE = 0.1, 0.5
"""What is wanted and what is good enough where the brief does not say: quantiles of the designs
that meet the targets, counted once a step, so that neither a far end nor a crowd has a say."""

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


def on_target(missed: FloatArray) -> BoolArray:
    """Return which candidates miss no goal, but for rounding."""
    return np.asarray(missed.sum(axis=-1) <= 1e-9)


def distinct(steps: FloatArray) -> IntArray:
    """Return rows of (N, scores) of which none is within a step of an earlier one in every score.

    Source: epsilon-dominance, M. Laumanns et al., Combining convergence and diversity in
    evolutionary multiobjective optimization, Evolutionary Computation 10(3), 2002 (from memory).
    """
    rows: list[int] = []
    for row, here in enumerate(steps):
        if not np.any(np.all(np.abs(steps[rows] - here) < 1.0, axis=1)):
            rows.append(row)
    return np.array(rows, dtype=np.intp)


def achievement(
    steps: FloatArray, wanted: FloatArray, good_enough: FloatArray, weights: FloatArray
) -> FloatArray:
    """Return what each design falls short of what is wanted, in its worst score.

    A score counts 0 where it is as wanted and its weight where it is just good enough; it counts
    little beyond what is wanted, and ten times as much below what is good enough.

    Parameters
    ----------
    steps :
        Losses in noticeable steps, shape (N, F).
    wanted, good_enough, weights :
        Of each score, shape (F,); what is wanted is the smaller loss.

    Source: A. P. Wierzbicki, The use of reference objectives in multiobjective optimization, 1980;
    the piecewise linear form with two reference levels: J. Granat, M. Makowski, Interactive
    specification and analysis of aspiration-based preferences, European Journal of Operational
    Research 122, 2000 (both from memory).
    """
    share = shares_of(steps, wanted, good_enough)
    short = np.where(
        share < 0,
        _BEYOND_WANTED * share,
        weights * np.where(share <= 1, share, 1 + _BELOW_GOOD * (share - 1)),
    )
    return np.asarray(short.max(axis=-1) + _SUM * short.mean(axis=-1))


def shortfall_of(
    problem: Problem, steps: FloatArray, wanted: FloatArray, good_enough: FloatArray
) -> FloatArray:
    """Return the :func:`achievement` of candidates with the problem's weights, shape (N,)."""
    weights = np.array([free.weight for free in problem.free])
    return achievement(steps, wanted, good_enough, weights)


def in_steps(problem: Problem, candidates: Evaluation) -> FloatArray:
    """Return the loss of N candidates in each free score, in noticeable steps, shape (N, F)."""
    return np.stack([f.steps(candidates.scores[f.name]) for f in problem.free], axis=-1)


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


def shares_of(steps: FloatArray, wanted: FloatArray, good_enough: FloatArray) -> FloatArray:
    """Return the way of each score from what is wanted (0) to what is good enough (1)."""
    return np.asarray((steps - wanted) / (good_enough - wanted))


def decide(
    problem: Problem,
    serious: Evaluation,
    sold: BoolArray | None = None,
    known: KnownYields = _NONE_KNOWN,
) -> Decision:
    """Pick one of the serious candidates, all feasible, at least one.

    ``sold`` says which are made of parts that are sold, shape (N,): of those that serve, the
    others are then not picked. None: all are. Yields that are ``known`` are not worked out again.
    """
    steps = in_steps(problem, serious)
    missed = problem.missed_goals(serious)
    total = missed.sum(axis=-1)
    # Where no candidate meets every target, those that miss by no more than a step above the least.
    met = on_target(missed)
    serving = met if met.any() else total <= total.min() + 1.0
    if sold is not None and np.any(serving & sold):
        serving = serving & sold
    wanted, good_enough, stated = _references(problem, steps[serving])
    shortfall = shortfall_of(problem, steps, wanted, good_enough)
    order = np.lexsort((shortfall, np.where(serving, 0.0, total)))
    choice = _Choice(
        problem, serious.take(order), serving[order], bool(met.any()), steps[order],
        shares_of(steps[order], wanted, good_enough), shortfall[order], known,
    )  # fmt: skip
    pick = choice.pick()
    return Decision(
        candidates=choice.candidates,
        pick=pick,
        alternatives=tuple(choice.alternatives(pick)),
        steps=choice.steps,
        missed=missed[order],
        shortfall=choice.shortfall,
        yields=choice.yields,
        wanted=wanted,
        good_enough=good_enough,
        best=steps[serving].min(axis=0),
        stated=stated,
    )


def _references(problem: Problem, steps: FloatArray) -> tuple[FloatArray, FloatArray, BoolArray]:
    """Return what is wanted and good enough of each score, in steps, and which of it is stated."""
    ends = np.array([free.ends for free in problem.free])
    # One candidate a box of a step, so that a crowd of like designs counts once.
    boxes = np.unique(np.floor(steps), axis=0, return_index=True)[1]
    wanted, good = np.quantile(steps[boxes], [_WANTED_QUANTILE, _GOOD_QUANTILE], axis=0)
    stated = ~np.isnan(ends[:, 0])
    wanted = np.where(stated, ends[:, 0], wanted)
    good = np.where(np.isnan(ends[:, 1]), good, ends[:, 1])
    # Less than a step between the two is no difference to weigh.
    return wanted, np.maximum(good, wanted + 1.0), stated


class _Choice:
    """Chooses among candidates in order of what they miss and achieve; builds them as needed."""

    def __init__(
        self,
        problem: Problem,
        candidates: Evaluation,
        serving: BoolArray,
        on_target: bool,
        steps: FloatArray,
        shares: FloatArray,
        shortfall: FloatArray,
        known: KnownYields,
    ) -> None:
        self.problem, self.candidates, self.known = problem, candidates, known
        self.steps, self.shares, self.shortfall = steps, shares, shortfall
        self.serving = np.flatnonzero(serving)
        self.on_target = on_target
        self.yields = np.full(len(candidates), np.nan)
        self.asked = problem.yield_asked if problem.targets.tolerance is not None else 0.0

    def pick(self) -> int:
        """Return the row of the pick."""
        # What misses a target as designed misses it in most builds: there yield decides nothing.
        self.asked = self.asked if self.on_target else 0.0
        first = self._first_robust(self.serving, _MOST_BLOCKS)
        if first is None:
            # Where those that achieve most are not robust, those with most room are the likeliest.
            roomy = self._roomiest[: _BLOCK * _MOST_BLOCKS]
            first = int(min(roomy[self._robust(roomy)], default=-1))
        if first >= 0:
            return self._simplest(first, self.asked)
        # The best yield there is, but not at the price of what is no longer good enough.
        fair = self.serving[self.shortfall[self.serving] <= max(1.0, self.shortfall.min()) + _SUM]
        built = fair[~np.isnan(self.yields[fair])]
        best = self.yields[built].max() - _STEP_OF_YIELD
        return self._simplest(int(built[self.yields[built] >= best][0]), best)

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
    def _roomiest(self) -> IntArray:
        """The candidates that serve, those with most room to limits and targets first."""
        room = self.candidates.room[self.serving].sum(axis=-1)
        return np.asarray(self.serving[np.argsort(-room, kind="stable")])

    def _build(self, rows: IntArray) -> FloatArray:
        """Return the yields of candidates; those not known yet are worked out."""
        new = rows[np.isnan(self.yields[rows])] if self.asked > 0 else rows[:0]
        designs = designs_of(self.problem, self.candidates.take(new).parts)
        self.yields[new] = [self.known.get(design, np.nan) for design in designs]
        new = new[np.isnan(self.yields[new])]
        if new.size:
            self.yields[new] = built_well(self.problem, self.candidates.take(new).parts)
        return np.asarray(self.yields[rows])

    def _robust(self, rows: IntArray) -> BoolArray:
        return self._build(rows) >= self.asked if self.asked > 0 else np.ones(len(rows), bool)

    def _first_robust(self, rows: IntArray, blocks: int) -> int | None:
        """Return the first row that keeps targets and limits in enough builds, if one does."""
        for at in range(0, min(len(rows), _BLOCK * blocks), _BLOCK):
            block = rows[at : at + _BLOCK]
            robust = self._robust(block)
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
        keys = (self.shortfall[alike], *complexity(self.problem, parts)[::-1])
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


def complexity(problem: Problem, parts: dict[str, FloatArray]) -> Sequence[FloatArray]:
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
