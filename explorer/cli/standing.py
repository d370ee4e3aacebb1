"""Prints how a given stage stands against a front."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from rich.table import Table

from explorer.cli.printing import out, print_caution, print_text
from explorer.exploration import Exploration
from explorer.obstacles import missed_limits
from explorer.standing import Standing
from objectives.elements import ELEMENTS
from objectives.format import part_value, quantity, score_label, score_unit, shown_name, stepped
from objectives.reading.trust import untrusted_words
from objectives.scores.registry import REGISTRY
from reports.sections.limit_words import missed_words

_COLUMN, _ROOM = 13, 40
"""Columns of a score, and of the step and the remarks about it."""

_NOTICED = 0.5
"""Changes of less than half a noticeable step are not worth a word."""


def verdict(standing: Standing, ex: Exploration) -> str:
    """Return in words what limits and targets a stage keeps, and what on the front beats it."""
    missed = [
        score_label(shown_name(name), ex.problem.terms)
        for name, steps in standing.missed.items()
        if steps > 0
    ]
    misses = f" Off target: {', '.join(missed)}." if missed else ""
    if not standing.compared:
        source = ex.formulation.brief.source
        misses += f" It is not compared with a front: stagefront explore {source} makes one."
    count = len(standing.broken)
    if count:
        return f"It breaks {count} limit{'s' if count > 1 else ''} of the brief.{misses}"
    return f"It keeps every limit{_against_front(standing, ex)}{misses}"


def _against_front(standing: Standing, ex: Exploration) -> str:
    """Return how a stage that keeps every limit compares with the front, to end a sentence."""
    if not standing.compared:
        return "."
    if not ex.feasible:
        return "; the exploration found no candidate that does."
    if standing.beaten_by:
        count = len(standing.beaten_by)
        return (
            f"; as designed, {count:,} of the {len(ex.front):,} candidates "
            f"{'is' if count == 1 else 'are'} at least as good in all that is asked, and better in "
            "one score."
        )
    if standing.on_front:
        return " and is on the front."
    beats = f"; it beats {standing.beats:,} of them" if standing.beats else ""
    return (
        f" and no candidate on the front beats it{beats}. Its parts lie outside what the brief "
        "varies, or the front is not exact."
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
    print_text(console, verdict(standing, ex))
    if doubt := untrusted_words(standing.assessment):
        print_text(console, doubt)
    for missed in missed_limits(ex.problem, standing.evaluation):
        console.print(f"  broken: {missed_words(missed, terms)}", highlight=False, soft_wrap=True)
    if standing.nearest is not None:
        row = standing.nearest - 1
        listed = ", ".join(
            f"{ELEMENTS[c.part].label_for(terms)} {part_value(c.part, value)}"
            for c in ex.problem.choices
            for value in c.shown(ex.front.parts[c.part][[row]])
        )
        print_text(console, f"Nearest on the front: candidate {standing.nearest} ({listed}).")
    console.print(_steps_table(standing, ex, console.width))
    for words in advice_words(standing, ex):
        print_text(console, words)
    print_caution(console)


def _steps_table(standing: Standing, ex: Exploration, width: int) -> Table:
    """Return what one step in each part leads to, in as many scores as fit; one a row."""
    terms, own = ex.problem.device.terms, standing.scores
    names = shown_scores(ex)[: max(2, (width - _ROOM) // _COLUMN)]
    table = Table(title="One step in each part", title_justify="left", box=None, pad_edge=False)
    table.add_column("")
    for name in names:
        table.add_column(score_label(name, terms), justify="right")
    table.add_column("")
    for step in standing.steps:
        after = {name: own[name] + step.change[name] for name in names}
        moved = [REGISTRY[n].step.count(np.array([own[n], after[n]])) for n in names]
        if step.keeps_limits and all(abs(m[1] - m[0]) < _NOTICED for m in moved):
            continue
        ends = [part_value(step.part, value) for value in (step.start, step.end)]
        table.add_row(
            f"{ELEMENTS[step.part].label_for(terms)} {ends[0]} → {ends[1]}",
            *(stepped(after[name], name) for name in names),
            "" if step.keeps_limits else "breaks a limit",
        )
    return table


def shown_scores(ex: Exploration) -> list[str]:
    """Return the scores to compare, free ones first; the corner in hertz, not its distance."""
    names = (*(free.name for free in ex.problem.free), *ex.problem.score_names)
    return list(dict.fromkeys(map(shown_name, names)))


def is_off(score: str, names: Iterable[str]) -> bool:
    """Return whether a score, as it is shown, is among those that are broken or missed."""
    return any(score in (name, shown_name(name)) for name in names)


def advice_words(standing: Standing, ex: Exploration) -> list[str]:
    """Return the one or two changes that gain most, with what each gives and costs."""
    problem = ex.problem
    terms, own = problem.device.terms, standing.evaluation.scores
    words = []
    for step in standing.advice:
        gives: list[str] = []
        costs: list[str] = []
        for free in problem.free:
            before = float(own[free.name][0])
            after = before + step.change[free.name]
            lost = free.steps(np.array([before, after]))
            moved = float(lost[1] - lost[0])
            if abs(moved) < _NOTICED:
                continue
            name, value = free.name, after
            if shown_name(name) != name and shown_name(name) in step.change:
                name = shown_name(name)
                value = standing.scores[name] + step.change[name]
            shown = f"{score_label(name, terms)} {stepped(value, name)}"
            (costs if moved > 0 else gives).append(shown)
        if not gives and step.merit[:2] <= (0.0, 0.0):
            continue
        price = f", at the cost of {', '.join(costs)}" if costs else ""
        label = ELEMENTS[step.part].label_for(terms)
        gain = f"gives {', '.join(gives)}" if gives else "brings limits or targets nearer"
        words.append(f"Try {label} {part_value(step.part, step.end)}: it {gain}{price}.")
    return words


def _ends(ex: Exploration, name: str) -> tuple[str, str]:
    """Return the best and the worst value of a score on the front; nothing without one."""
    if name not in ex.problem.searched_names or not ex.feasible:
        return "", ""  # of what is only shown nothing is better or worse
    column = ex.front.scores[name]
    best, worst = np.nanmin(column), np.nanmax(column)
    free = next((f for f in ex.problem.free if f.name == name), None)
    if free is not None:
        losses = free.loss(column)
        best, worst = column[losses.argmin()], column[losses.argmax()]
    unit = score_unit(name)
    return quantity(float(best), unit), quantity(float(worst), unit)
