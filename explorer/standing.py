"""An existing stage: all its scores, where it stands against the front, what one step does."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from explorer.brief.model import Brief
from explorer.brief.parts import PART_ELEMENTS
from explorer.designs import Design
from explorer.exploration import Exploration
from explorer.problem import Evaluation, Problem
from objectives.arrays import FloatArray
from objectives.assessment import Assessment
from objectives.devices.terms import terms_of
from objectives.elements import ELEMENTS
from objectives.format import part_value
from objectives.scores.registry import REGISTRY

__all__ = ["Standing", "assess_design", "one_step", "part_text"]


@dataclass(frozen=True)
class Standing:
    """A given stage, judged."""

    assessment: Assessment
    """The stage as a batch of one."""
    evaluation: Evaluation
    scores: dict[str, float]
    """Every score that the brief allows to be worked out."""
    broken: dict[str, float]
    """Limits that it breaks and by how much (a fraction of each limit's scale)."""
    beaten_by: tuple[int, ...]
    """Candidates of the front (numbered from 1) that are better in some score, worse in none."""
    nearest: int | None
    """Candidate of the front that lies nearest on the front's own scale; None without a front."""
    verdict: str
    steps: pd.DataFrame
    """One row a part and direction: the step, and by how much each score moves."""


def assess_design(ex: Exploration, design: Design) -> Standing:
    """Judge one stage in the surroundings of a brief that has been explored.

    Scores that lack a target in the brief (no radio bands, say) are left out.
    """
    problem = ex.problem
    fields = {name: np.array([value]) for name, value in design.stage_fields().items()}
    assessment = problem.assess(fields)
    evaluation = problem.evaluate(fields)
    scores = {
        name: float(assessment[name][0])
        for name, entry in REGISTRY.items()
        if all(getattr(problem.targets, need, None) for need in entry.requires)
    }
    broken = {n: float(e[0]) for n, e in evaluation.excess.items() if e[0] > 0}
    beaten, nearest = _against(ex, evaluation.losses[0])
    return Standing(
        assessment=assessment,
        evaluation=evaluation,
        scores=scores,
        broken=broken,
        beaten_by=beaten,
        nearest=nearest,
        verdict=_verdict(ex, broken, beaten, evaluation.losses[0]),
        steps=one_step(problem, ex.posed.brief, design),
    )


def _against(ex: Exploration, loss: FloatArray) -> tuple[tuple[int, ...], int | None]:
    """Return the candidates that beat a stage, and the one nearest to it."""
    if not ex.feasible:
        return (), None
    front = ex.front.losses
    slack = _slack(ex, loss)
    better = np.all(front <= loss + slack, axis=1) & np.any(front < loss - slack, axis=1)
    distance = np.linalg.norm(ex.scale(front) - ex.scale(loss[None, :]), axis=1)
    return tuple(int(i) + 1 for i in np.flatnonzero(better)), int(np.argmin(distance)) + 1


def _slack(ex: Exploration, loss: FloatArray) -> FloatArray:
    """Return the differences that are rounding, on the scale of each score."""
    return np.asarray(1e-9 * np.maximum(ex.worst - ex.best, np.abs(loss)))


def _verdict(
    ex: Exploration, broken: dict[str, float], beaten: tuple[int, ...], loss: FloatArray
) -> str:
    if broken:
        return f"It breaks {len(broken)} limit{'s' if len(broken) > 1 else ''} of the brief."
    if not ex.feasible:
        return "It keeps every limit; the exploration found no candidate that does."
    if beaten:
        return (
            f"It keeps every limit, and {len(beaten):,} of the {len(ex.front):,} candidates on "
            "the front are at least as good in every score and better in one."
        )
    slack = _slack(ex, loss)
    if np.any(np.all(np.abs(ex.front.losses - loss) <= slack, axis=1)):
        return "It keeps every limit and is on the front."
    worse = np.all(ex.front.losses >= loss - slack, axis=1)
    return (
        "It keeps every limit and no candidate on the front beats it"
        + (f"; it beats {int(worse.sum()):,} of them" if worse.any() else "")
        + ". Its parts lie outside what the brief varies, or the front is not exact."
    )


def part_text(field: str, value: float) -> str:
    """Return a part's value in plain text: '68 kΩ', 'none', 'after the stopper'."""
    # Reports keep number and unit on one line; a terminal and a program may break them.
    return part_value(field, value, space=" ")


def one_step(problem: Problem, brief: Brief, design: Design) -> pd.DataFrame:
    """Return what one step down or up in each part does to each score that the brief names.

    A step is to the next value that the brief allows for the part, or for a part that it fixes the
    next preferred value of its stock series. Parts that are not fitted have no step.
    """
    start, terms = design.stage_fields(), terms_of(problem.device)
    rows: list[dict[str, object]] = []
    changed: list[dict[str, float]] = []
    for name, element in PART_ELEMENTS.items():
        field, value = element.name, start[element.name]
        choice = next((c for c in problem.choices if c.part == field), None)
        if choice is not None and not choice.continuous:
            ladder = choice.values
        elif 0 < value < np.inf:
            ladder = brief.stock.preferred(element.kind, value / 10, value * 10)
        else:
            continue
        below = ladder[ladder < value * (1 - 1e-9)]
        above = ladder[ladder > value * (1 + 1e-9)]
        for word, values, at in (("down", below, -1), ("up", above, 0)):
            if values.size:
                to = float(values[at])
                rows.append(
                    {
                        "part": element.label_for(terms),
                        "step": word,
                        "from": part_text(field, value),
                        "to": part_text(field, to),
                    }
                )
                changed.append({**start, field: to})
        if name == "grid_leak":
            to = 1.0 - start["leak_at_grid"]
            rows.append(
                {
                    "part": ELEMENTS["leak_at_grid"].label_for(terms),
                    "step": "move",
                    "from": part_text("leak_at_grid", start["leak_at_grid"]),
                    "to": part_text("leak_at_grid", to),
                }
            )
            changed.append({**start, "leak_at_grid": to})

    def shown(parts: Mapping[str, FloatArray]) -> Evaluation:
        found = problem.evaluate(parts)
        return problem.show(found, np.arange(len(found)))

    before = shown({n: np.array([v]) for n, v in start.items()})
    after = shown({n: np.array([c[n] for c in changed]) for n in start})
    for at, row in enumerate(rows):
        for name in problem.score_names:
            row[name] = float(after.scores[name][at] - before.scores[name][0])
        row["keeps_limits"] = bool(after.feasible[at])
    return pd.DataFrame(rows)
