"""An existing stage: all its scores, where it stands against the front, what one step does."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from explorer.achievement import in_steps, shortfall_of
from explorer.brief.model import Brief
from explorer.choices import Choice
from explorer.decision import Decision, built_well
from explorer.designs import Design
from explorer.evaluation import Evaluation
from explorer.exploration import Exploration
from explorer.formulation import Formulation
from explorer.front import Scale
from explorer.problem import Problem
from explorer.settings import Settings
from explorer.sweep import middle
from objectives.arrays import FloatArray
from objectives.assessment import Assessment
from objectives.checks import InputError
from objectives.elements import Element
from objectives.format import first
from objectives.scores.registry import REGISTRY

_NO_GAIN = (0.0, 0.0, 0.02)
"""A change that gains no more than this is not worth the soldering."""

_MOST_ADVICE = 2


@dataclass(frozen=True)
class Step:
    """One part moved to the next value, all others left as they are.

    Attributes
    ----------
    part : field of :class:`~objectives.stage.Stage`
    direction : down or up in value, or moved to the other side of the stopper
    start, end : values (SI) before and after
    change : by how much each score that the brief names moves, in its own unit
    keeps_limits : whether the stage keeps every limit afterwards
    merit : how much better the stage is afterwards: limits first, then targets, then what is
        achieved; compared as a tuple, above zeros where it is better
    """

    part: str
    direction: Literal["down", "up", "move"]
    start: float
    end: float
    change: Mapping[str, float]
    keeps_limits: bool
    merit: tuple[float, float, float]


@dataclass(frozen=True)
class Standing:
    """A given stage, judged.

    Attributes
    ----------
    evaluation : the stage as a batch of one
    scores : every score that the brief allows to be worked out; slow ones where it names them
    broken : limits that it breaks and by how much (a fraction of each limit's scale)
    beaten_by : candidates of the front (numbered from 1) that are better in some score, worse in
        none
    beats : number of candidates of the front that are nowhere better
    on_front : whether a candidate of the front has the same losses
    nearest : candidate of the front that lies nearest on the front's own scale; None without a
        front
    steps : one a part and direction
    advice : the one or two single changes, to any value of a part, that gain most
    compared : whether there was an exploration to compare it with
    missed : noticeable steps by which each goal is missed, by score
    good : share of builds that keep targets and limits; nan where nothing spreads
    assessment : the stage itself
    """

    evaluation: Evaluation
    scores: Mapping[str, float]
    broken: Mapping[str, float]
    beaten_by: tuple[int, ...]
    beats: int
    on_front: bool
    nearest: int | None
    steps: tuple[Step, ...]
    advice: tuple[Step, ...]
    compared: bool
    missed: Mapping[str, float]
    good: float
    assessment: Assessment


def assess_design(ex: Exploration, design: Design) -> Standing:
    """Judge one stage under the conditions of a brief that has been explored.

    Scores that lack a target in the brief (no radio bands, say) are left out, and so are slow ones
    that it does not name. What one step does is told in the scores of the problem explored.
    """
    named = ex.formulation.problem.score_names
    problem, brief, start = ex.problem, ex.formulation.brief, design.stage_fields()
    fields = design.batch()
    assessment = problem.assess(fields)
    evaluation = problem.evaluate(fields)
    loss = evaluation.losses[0]
    front = ex.front.losses if ex.feasible else np.empty((0, len(loss)))
    # Differences below this are rounding, on the scale of each score.
    slack = 1e-9 * np.maximum(ex.scale.worst - ex.scale.best, np.abs(loss))
    better = np.all(front <= loss + slack, axis=1) & np.any(front < loss - slack, axis=1)
    distance = np.linalg.norm(ex.scale(front) - ex.scale(loss[None, :]), axis=1)
    return Standing(
        evaluation=evaluation,
        scores={
            name: float(assessment[name][0])
            for name, entry in REGISTRY.items()
            if entry.served_by(problem.targets) and (name in named or not entry.slow)
        },
        broken={n: float(e[0]) for n, e in evaluation.excess.items() if e[0] > 0},
        beaten_by=tuple(int(i) + 1 for i in np.flatnonzero(better)),
        beats=int(np.all(front >= loss - slack, axis=1).sum()),
        on_front=bool(np.any(np.all(np.abs(front - loss) <= slack, axis=1))),
        nearest=int(np.argmin(distance)) + 1 if len(front) else None,
        steps=_judged(problem, start, _moves(problem, brief, start), ex.decision),
        advice=_advice(problem, brief, start, ex.decision),
        compared=ex.exact is not None or ex.searched is not None,
        missed={
            goal.name: float(missed)
            for goal, missed in zip(problem.goals, problem.missed_goals(evaluation)[0], strict=True)
        },
        good=float(built_well(problem, fields)[0]),
        assessment=assessment,
    )


def unexplored(formulation: Formulation) -> Exploration:
    """Return an exploration in which nothing was explored, to judge a stage without a front."""
    problem = formulation.problem
    some = problem.evaluate({part: np.array([value]) for part, value in middle(problem).items()})
    none = np.zeros(len(problem.free))
    return Exploration(
        formulation=formulation,
        problem=problem,
        constants={},
        front=some.take(np.zeros(1, bool)),
        on_front=np.zeros(0, bool),
        feasible=False,
        decision=None,
        representatives=np.zeros(0, np.intp),
        marks={},
        exact=None,
        searched=None,
        search_share=None,
        scale=Scale(none, none),
        interrupted=False,
        settings=Settings(),
    )


def _advice(
    problem: Problem, brief: Brief, start: Mapping[str, float], decision: Decision | None
) -> tuple[Step, ...]:
    """Return the best change of each of the one or two parts that gain most by it alone."""
    quick = replace(problem, shown=tuple(n for n in problem.shown if not REGISTRY[n].slow))
    judged = _judged(quick, start, _moves(problem, brief, start, every=True), decision)
    ranked = sorted(judged, key=lambda step: step.merit, reverse=True)
    best = {step.part: step for step in reversed(ranked) if step.merit > _NO_GAIN}
    return tuple(step for step in ranked if best.get(step.part) is step)[:_MOST_ADVICE]


def _judged(
    problem: Problem,
    start: Mapping[str, float],
    moves: Iterable[_Move],
    decision: Decision | None,
) -> tuple[Step, ...]:
    moves = list(moves)
    # The stage as it is comes first.
    parts = {name: np.full(len(moves) + 1, value) for name, value in start.items()}
    for row, (part, _, end) in enumerate(moves, start=1):
        parts[part][row] = end
    stages = problem.show(problem.evaluate(parts), np.arange(len(moves) + 1))
    scores = {name: stages.scores[name] for name in problem.score_names}
    merits = np.round(_merits(problem, stages, decision), 6)
    return tuple(
        Step(
            part,
            direction,
            start[part],
            end,
            {name: float(values[row] - values[0]) for name, values in scores.items()},
            bool(stages.feasible[row]),
            tuple((merits[0] - merits[row]).tolist()),
        )
        for row, (part, direction, end) in enumerate(moves, start=1)
    )


def _merits(problem: Problem, stages: Evaluation, decision: Decision | None) -> FloatArray:
    """Return what is broken, missed and fallen short of by each stage, shape (N, 3)."""
    short = np.zeros(len(stages))
    if decision is not None:
        steps = in_steps(problem, stages)
        short = shortfall_of(problem, steps, decision.wanted, decision.good_enough)
    broken = problem.missed_limits(stages).sum(axis=-1)
    return np.stack([broken, problem.missed_goals(stages).sum(axis=-1), short], axis=-1)


_Move = tuple[str, Literal["down", "up", "move"], float]


def _moves(
    problem: Problem, brief: Brief, start: Mapping[str, float], *, every: bool = False
) -> Iterator[_Move]:
    """Yield the part, the direction and the new value of each step, or of every change.

    A step is to the next value that the brief allows for the part, or for a part that it fixes the
    next preferred value of its stock series. Parts that are not fitted have no step.
    """
    for element in (choice.element for choice in brief.all_choices()):
        part, value = element.name, start[element.name]
        choice = next((c for c in problem.choices if c.part == part), None)
        values = values_about(problem, brief, element, value)
        below = values[values < value * (1 - 1e-9)]
        above = values[values > value * (1 + 1e-9)]
        # A part that the brief fixes is moved by a step at most: it was fixed for a reason.
        far = every and choice is not None
        yield from ((part, "down", float(v)) for v in below[None if far else -1 :])
        yield from ((part, "up", float(v)) for v in above[: None if far else 1])
        if part == "grid_leak_ohm":
            yield "leak_at_grid", "move", 1.0 - start["leak_at_grid"]


def values_about(problem: Problem, brief: Brief, element: Element, value: float) -> FloatArray:
    """Return the values that a part may be stepped to, ascending; none where it is not fitted.

    Those that the brief allows for it, or for a part that it fixes or leaves continuous the
    preferred values of its stock series about the value that it has.
    """
    choice = next((c for c in problem.choices if c.part == element.name), None)
    if choice is not None and not choice.continuous:
        return choice.values
    if not (element.part and 0 < value < np.inf):
        return np.zeros(0)
    values = brief.stock.preferred(element.kind, value / 10, value * 10)
    if choice is None:
        return values
    return values[(values >= choice.low * (1 - 1e-9)) & (values <= choice.high * (1 + 1e-9))]


def with_parts(problem: Problem, design: Design) -> Problem:
    """Return the problem in which parts that it fixes otherwise than a design are chosen too."""
    fixed = problem.fixed.numeric_fields()
    varied = {choice.part for choice in problem.choices}
    other = [
        Choice(name, np.unique([first(fixed[name]), value]), origin="as given")
        for name, value in design.stage_fields().items()
        if name in fixed and name not in varied and value != first(fixed[name])
    ]
    return replace(problem, choices=(*problem.choices, *other))


def with_stage(ex: Exploration, design: Design) -> Exploration:
    """Return the exploration with a given stage in place of the pick, as its last candidate.

    Parts of the stage that the brief fixes otherwise count among those that vary.

    Raises
    ------
    InputError
        If no candidate keeps every limit, so that there is no front to stand beside.
    """
    if ex.decision is None:
        raise InputError("report", design.title or "stage", "needs a front: no candidate keeps "
                         "every limit of the brief")  # fmt: skip
    fields, fixed = design.stage_fields(), ex.problem.fixed.numeric_fields()
    problem = with_parts(ex.problem, design)
    other = problem.choices[len(ex.problem.choices) :]
    count = len(ex.front)
    parts = {c.part: np.full(count, first(fixed[c.part])) for c in other}
    stage = problem.evaluate({c.part: np.array([fields[c.part]]) for c in problem.choices})
    own, decision = in_steps(problem, stage), ex.decision
    short = shortfall_of(problem, own, decision.wanted, decision.good_enough)
    front = Evaluation.join(
        [
            replace(ex.front, parts={**ex.front.parts, **parts}),
            problem.show(stage, np.arange(1)),
        ]
    )
    decision = replace(
        decision,
        candidates=front,
        steps=np.vstack([decision.steps, own]),
        missed=np.vstack([decision.missed, problem.missed_goals(stage)]),
        shortfall=np.append(decision.shortfall, short),
        yields=np.append(decision.yields, np.nan),
    )
    whole = replace(
        ex, problem=problem, front=front, on_front=np.append(ex.on_front, False),
        decision=decision, given=design,
    )  # fmt: skip
    return whole.choosing(count)
