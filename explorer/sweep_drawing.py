"""A sweep of one part as it is told and drawn: what it shows, and which scores are worth a line."""

from __future__ import annotations

from typing import Any, Final

import numpy as np

from explorer.problem import Problem
from explorer.sweep import Sweep
from objectives.elements import ELEMENTS
from objectives.format import part_value, score_label, sentence, shown_name, stepped
from objectives.scores.registry import REGISTRY

_CORNER: Final = "input_corner_Hz"

_UNMOVED: Final = 0.1
"""A score that moves by no more noticeable steps than this is not drawn."""


def drawn_sweep(problem: Problem, moved: Sweep) -> Any:
    """Return a sweep drawn, its title what it shows; scores that hardly move are left out."""
    from reports.charts.sweep import sweep_chart  # charts take a second to load

    names = names_of(problem, moved)
    return sweep_chart(
        moved.part,
        moved.values,
        {n: moved.stages.scores[n] for n in names if _span(moved, n) > _UNMOVED},
        present=moved.present,
        broken=[bool(b) for b in moved.breaks],
        bounds={name: _bounds(problem, name) for name in names},
        finding=finding(problem, moved),
        terms=problem.device.terms,
    )


def finding(problem: Problem, moved: Sweep) -> str:
    """Return what a sweep shows: what moves most, and over which values all is kept."""
    terms = problem.device.terms
    scores = moved.stages.scores
    most = max((n for n in scores if n == shown_name(n)), key=lambda name: _span(moved, name))
    ends = [part_value(moved.part, value) for value in (moved.values[0], moved.values[-1])]
    there = [stepped(float(scores[most][row]), most) for row in (0, -1)]
    text = (
        f"{sentence(ELEMENTS[moved.part].label_for(terms))} from {ends[0]} to {ends[1]} moves "
        f"{score_label(most, terms)} most, from {there[0]} to {there[1]}"
    )
    good = [part_value(moved.part, moved.values[row])
            for row, bad in enumerate(moved.breaks) if not bad]  # fmt: skip
    if not good:
        return f"{text}; no value keeps every target and limit"
    if len(good) == len(moved.values):
        return f"{text}; every value keeps all targets and limits"
    between = good[0] if len(good) == 1 else f"{good[0]} to {good[-1]}"
    return f"{text}; targets and limits are kept at {between}"


def _span(moved: Sweep, name: str) -> float:
    """Return how many noticeable steps a score moves; 0 where it is no number somewhere."""
    return float(np.nan_to_num(np.ptp(REGISTRY[name].step.count(moved.stages.scores[name]))))


def names_of(problem: Problem, moved: Sweep) -> list[str]:
    """Return the scores in the order in which they are wanted; a corner in hertz, not octaves."""
    goals, free = ([one.name for one in of] for of in (problem.goals, problem.free))
    wanted = (_CORNER, *goals, *free, *problem.shown, *problem.searched_names)
    return [n for n in dict.fromkeys(map(shown_name, wanted)) if n in moved.stages.scores]


def _bounds(problem: Problem, name: str) -> list[float]:
    """Return the ends of limits and targets on a score that are worth a line."""
    windows = (w for w in (*problem.windows, *problem.goals) if w.name == name)
    ends = [end for w in windows for end in (w.at_least, w.at_most) if np.isfinite(end)]
    corner = problem.targets.input_corner_Hz
    if name == _CORNER and corner is not None:
        distances = (g for g in problem.goals if g.name != _CORNER == shown_name(g.name))
        wide = next((2**g.at_most for g in distances), 1.0)
        ends += [corner / wide, corner * wide]
    return ends
