"""Prints how a given stage stands against a front."""

from __future__ import annotations

import numpy as np
from rich.table import Table

from explorer.cli.printing import CAUTION, out, signed
from explorer.exploration import Exploration
from explorer.obstacles import missed_limits
from explorer.standing import Standing
from objectives.elements import ELEMENTS
from objectives.format import part_value, quantity, score_unit
from objectives.scores.registry import REGISTRY
from reports.sections.infeasible import missed_words


def verdict(standing: Standing, ex: Exploration) -> str:
    """Return in words whether a stage keeps the limits, and what on the front beats it."""
    count = len(standing.broken)
    if count:
        return f"It breaks {count} limit{'s' if count > 1 else ''} of the brief."
    if not ex.feasible:
        return "It keeps every limit; the exploration found no candidate that does."
    if standing.beaten_by:
        return (
            f"It keeps every limit, and {len(standing.beaten_by):,} of the {len(ex.front):,} "
            "candidates on the front are at least as good in every score and better in one."
        )
    if standing.on_front:
        return "It keeps every limit and is on the front."
    beats = f"; it beats {standing.beats:,} of them" if standing.beats else ""
    return (
        f"It keeps every limit and no candidate on the front beats it{beats}. Its parts lie "
        "outside what the brief varies, or the front is not exact."
    )


def step_records(standing: Standing, ex: Exploration) -> list[dict[str, object]]:
    """Return a row a step, in words and numbers: part, step, from, to, scores, limits kept."""
    terms = ex.problem.terms
    return [
        {
            "part": ELEMENTS[step.part].label_for(terms),
            "step": step.direction,
            "from": part_value(step.part, step.start, space=" "),
            "to": part_value(step.part, step.end, space=" "),
            **step.change,
            "keeps_limits": step.keeps_limits,
        }
        for step in standing.steps
    ]


def print_standing(standing: Standing, ex: Exploration) -> None:
    """Print the scores beside the front's, the verdict and what one step in each part does."""
    console, terms = out(), ex.problem.terms
    labels = {name: REGISTRY[name].label_for(terms) for name in standing.scores}
    table = Table(title="Scores of the given stage")
    for title in ("score", "value", "front's best", "front's worst"):
        table.add_column(title, justify="left" if title == "score" else "right")
    for name, value in standing.scores.items():
        table.add_row(labels[name], quantity(value, score_unit(name)), *_ends(ex, name))
    console.print(table)
    console.print(verdict(standing, ex))
    for missed in missed_limits(ex.problem, standing.evaluation):
        console.print(f"  broken: {missed_words(missed, terms)}", highlight=False, soft_wrap=True)
    if standing.nearest is not None:
        row = standing.nearest - 1
        listed = ", ".join(
            f"{ELEMENTS[c.part].label_for(terms)} {part_value(c.part, value)}"
            for c in ex.problem.choices
            for value in c.shown(ex.front.parts[c.part][[row]])
        )
        console.print(f"Nearest on the front: candidate {standing.nearest} ({listed}).")
    table = Table(title="One step in each part")
    for title in ("part", "step", "from", "to"):
        table.add_column(title)
    # What is only shown is in the JSON and CSV; a terminal has no room for it.
    names = ex.problem.searched_names
    for name in names:
        table.add_column(f"{labels[name]} ({REGISTRY[name].unit})", justify="right")
    table.add_column("limits")
    for step, record in zip(standing.steps, step_records(standing, ex), strict=True):
        table.add_row(
            *(str(record[k]) for k in ("part", "step", "from", "to")),
            *(signed(step.change[n]) for n in names),
            "kept" if step.keeps_limits else "broken",
        )
    console.print(table)
    console.print(CAUTION, soft_wrap=True)


def _ends(ex: Exploration, name: str) -> tuple[str, str]:
    """Return the best and the worst value of a score on the front; nothing without one."""
    if name not in ex.front.scores or not ex.feasible:
        return "", ""
    column = ex.front.scores[name]
    best, worst = np.nanmin(column), np.nanmax(column)
    free = next((f for f in ex.problem.free if f.name == name), None)
    if free is not None:
        losses = free.loss(column)
        best, worst = column[losses.argmin()], column[losses.argmax()]
    unit = score_unit(name)
    return quantity(float(best), unit), quantity(float(worst), unit)
