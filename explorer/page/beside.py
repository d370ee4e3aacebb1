"""Stages beside each other on the page: pinned ones, a sweep of one part, and better ones."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np
import pandas as pd

from explorer.designs import Design
from explorer.evaluation import Evaluation
from explorer.page.subject import Subject
from explorer.steering import Wish, nearest_steered
from explorer.sweep import sweep
from explorer.sweep_drawing import drawn_sweep
from objectives.checks import InputError
from objectives.elements import ELEMENTS
from objectives.format import part_value, score_label, sentence, shown_name, stepped
from objectives.scores.registry import REGISTRY
from reports.document.fragments import offers_html, slot_html
from reports.layout import Figure, Slot, Table
from reports.live import Offer

MOST_PINNED: Final = 4


def pinned_html(subject: Subject, designs: Sequence[Design]) -> str:
    """Return a table of what differs between stages: parts and scores, a column a stage."""
    stages = _evaluated(subject, designs)
    rows: list[list[str]] = []
    for choice in subject.problem.choices:
        values = stages.parts[choice.part]
        if np.unique(values).size > 1:
            label = sentence(ELEMENTS[choice.part].label_for(subject.problem.terms))
            rows.append([label, *(part_value(choice.part, v) for v in choice.shown(values))])
    for name in _names(subject, stages):
        texts = [stepped(float(value), name) for value in stages.scores[name]]
        if len(set(texts)) > 1:
            rows.append([sentence(score_label(name, subject.problem.terms)), *texts])
    broken = np.sum([excess > 0 for excess in stages.excess.values()], axis=0)
    if broken.any():
        rows.append(["Limits broken", *(str(int(count)) for count in broken)])
    columns = ["what differs", *(f"{letter}" for letter in "ABCD"[: len(designs)])]
    table = Table(pd.DataFrame(rows, columns=columns), title="Pinned stages, what differs")
    return slot_html(Slot("pinned", [table]))


def sweep_html(subject: Subject, design: Design, key: str) -> str:
    """Return a chart of every score as one part moves, all else left as it is.

    Raises
    ------
    InputError
        If there is no such part, or it has one value.
    """
    moved = sweep(subject.problem, subject.formulation.brief, design.stage_fields(), key)
    return slot_html(Slot("sweep", [Figure("sweep", drawn_sweep(subject.problem, moved))]))


def steered_html(subject: Subject, design: Design, wishes: Mapping[str, Wish]) -> str:
    """Return the nearest designs of the front that do as is wished, to be chosen.

    Raises
    ------
    InputError
        If nothing is to get better, a score is unknown, or there is no front.
    """
    ex = subject.exploration
    if ex is None or not ex.feasible:
        raise InputError("steer", "nothing", "needs a front: explore the brief first")
    front = ex.front.take(ex.on_front)
    here = _evaluated(subject, [design])
    offers = []
    for row in nearest_steered(subject.problem, front, here, wishes):
        own = {part: float(values[row]) for part, values in front.parts.items()}
        other = Design.of(subject.formulation.brief, own)
        parts = [
            f"{ELEMENTS[c.part].label_for(subject.problem.terms)} "
            f"{part_value(c.part, c.shown(front.parts[c.part][[row]])[0])}"
            for c in subject.problem.choices
            if own[c.part] != here.parts[c.part][0]
        ]
        scores = [
            f"{score_label(name, subject.problem.terms)} "
            f"{stepped(float(here.scores[name][0]), name)} → "
            f"{stepped(float(front.scores[name][row]), name)}"
            for name in _names(subject, here)
            if name in front.scores
            and stepped(float(here.scores[name][0]), name)
            != stepped(float(front.scores[name][row]), name)
        ]
        offers.append(Offer(subject.query(other), ", ".join(parts), "; ".join(scores)))
    return offers_html(offers)


def _evaluated(subject: Subject, designs: Sequence[Design]) -> Evaluation:
    """Return stages with the quick scores that the brief names."""
    problem = subject.problem
    fields = [design.stage_fields() for design in designs]
    parts = {c.part: np.array([own[c.part] for own in fields]) for c in problem.choices}
    found = problem.evaluate(parts)
    quick = [n for n in problem.shown if not REGISTRY[n].slow and n not in found.scores]
    return Evaluation(
        found.parts,
        {**found.scores, **problem.scores(parts, quick)},
        found.losses,
        found.excess,
        found.room,
    )


def _names(subject: Subject, stages: Evaluation) -> list[str]:
    """Return the scores to show, a corner in hertz and not its distance."""
    names = (*(free.name for free in subject.problem.free), *stages.scores)
    return [name for name in dict.fromkeys(map(shown_name, names)) if name in stages.scores]
