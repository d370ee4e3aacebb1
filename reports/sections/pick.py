"""The pick: its parts, its scores, and why it was chosen."""

from __future__ import annotations

import pandas as pd

from objectives.format import (
    counted,
    part_value,
    percent,
    quantity,
    score_label,
    score_unit,
    sentence,
)
from reports.model import Note, PickReason, Prose, ReportData, Section, Table
from reports.sections.job import asked_words


def pick_section(data: ReportData) -> Section:
    """Return the pick with its parts, the reasons for it and its scores."""
    row = data.shown.iloc[0]
    parts = ", ".join(
        f"{label} {part_value(part, row[part])}" for part, label in data.part_labels.items()
    )
    lead = "The pick is" if data.feasible else "The nearest is"
    frame = pd.DataFrame(
        [
            (
                score_label(use.name, data.terms),
                quantity(float(row[use.name]), use.unit),
                asked_words(use),
            )
            for use in data.uses
        ],
        columns=["score", "value", "the brief asks"],
    )
    return Section(
        "pick",
        "The pick and why" if data.feasible else "The nearest candidate",
        [
            Note(f"{lead} candidate {row['candidate']}: {parts}.", "finding"),
            Prose(reason_sentences(data), listed=True),
            Table(frame, "Its scores."),
        ],
    )


def reason_sentences(data: ReportData) -> list[str]:
    """Return why the pick was chosen and what it gives up, one score an item."""
    reasons, terms = data.reasons, data.terms
    if not reasons:
        return []
    shares = ", ".join(f"{percent(r.share)} ({score_label(r.score, terms)})" for r in reasons)
    weakest = max(reasons, key=lambda reason: reason.share)
    return [
        f"None of the {counted(len(data.front))} candidates on the front beats another in every "
        "score. The pick is the one whose worst score is the least bad. From the front's best "
        f"value (0 %) to its worst (100 %), its scores lie at {shares}; its weakest is "
        f"{score_label(weakest.score, terms)}.",
        *(_reason(reason, data) for reason in reasons),
    ]


def _reason(reason: PickReason, data: ReportData) -> str:
    terms, unit = data.terms, score_unit(reason.score)
    here = f"{sentence(score_label(reason.score, terms))}: {quantity(reason.value, unit)}"
    if reason.candidate is None:
        return f"{here}, the front's best."
    costs = [
        f"{score_label(score, terms)} from {quantity(picked, score_unit(score))} to "
        f"{quantity(there, score_unit(score))}"
        for score, picked, there in reason.costs
    ]
    return (
        f"{here}; candidate {reason.candidate} has {quantity(reason.best, unit)}, at the cost of "
        f"{' and '.join(costs) or 'nothing'}."
    )
