"""The front: which scores conflict, a chart of linked views, and the designs shown."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations

import pandas as pd

from objectives.format import (
    column,
    counted,
    listed,
    number,
    part_value,
    prefixed,
    score_label,
    score_unit,
    shown_name,
)
from reports.charts.front import front_chart, front_title, spread_chart
from reports.charts.front_rows import agreement, mark_label, spanning_scores
from reports.layout import Block, Figure, Prose, Section, Table
from reports.model import ReportData
from reports.sections.weighing import weighing_table


def trade_offs(data: ReportData, most: int = 3) -> list[str]:
    """Return which free scores conflict most over the front, as a sentence.

    Measured by Spearman's rank correlation of the losses: −1 means that whoever gains in one
    loses in the other. Fewer than eight candidates show nothing reliable and give no sentence.
    """
    frame, terms = data.front, data.terms
    if len(frame) < 8:
        return []
    pairs = [
        (agreement(frame, one, other), one, other)
        for one, other in combinations(spanning_scores(data), 2)
    ]
    strongest = [
        f"{score_label(one.name, terms)} against {score_label(other.name, terms)} "
        f"({number(round(rho, 2), 2)})"
        for rho, one, other in sorted(pairs, key=lambda item: item[0])[:most]
        if rho < -0.3
    ]
    if not strongest:
        return []
    return [
        "The scores that conflict most along the front, by rank correlation of the losses (−1: "
        f"what improves one always worsens the other): {'; '.join(strongest)}."
    ]


def front_table(data: ReportData) -> Table:
    """Return the designs shown as a table for people: what varies, what decides, and marks.

    What all of them share, and scores that are only shown, stand in front.csv.
    """
    shown, terms = data.shown, data.terms
    marks = [data.marks_of(candidate) for candidate in shown["candidate"]]
    columns: dict[str, Sequence[object]] = {"candidate": shown["candidate"].tolist()}
    if any(marks):
        columns["mark"] = [", ".join(mark_label(mark, terms) for mark in row) for row in marks]
    shared = []
    for part, label in data.part_labels.items():
        values = [part_value(part, v) for v in shown[part]]
        if len(shown) > 1 and len(set(values)) == 1:
            shared.append(f"{label} {values[0]}")
        else:
            columns[label] = values
    for name in _columns(data):
        unit = score_unit(name)
        columns[score_label(name, terms, with_unit=not prefixed(unit))] = column(shown[name], unit)
    if not data.feasible:
        columns["limits broken"] = [str(count) for count in shown["limits_broken_count"]]
    if data.feasible:
        caption = (
            f"{len(shown)} of the {counted(data.front_size)} candidates on the front, the pick "
            "first; all, with every score, are in front.csv."
        )
    else:
        caption = f"The {len(shown)} nearest candidates, the nearest first."
    if shared:
        caption += f" All have {listed(shared)}."
    if not shown["law_trusted"].all():
        columns["law"] = ["" if trusted else "doubtful" for trusted in shown["law_trusted"]]
        caption += " Where the law is doubtful, no published number bears it out there."
    marked = {
        at: "pick" if row[0].kind == "pick" else "marked" for at, row in enumerate(marks) if row
    }
    return Table(pd.DataFrame(columns), caption, marked, linked=True)


def _columns(data: ReportData) -> list[str]:
    """Return the scores of the table: those that decide or are limited, as people read them."""
    asked = (use.name for use in data.uses if use.free or use.limited)
    names = dict.fromkeys(
        shown if (shown := shown_name(name)) in data.shown.columns else name for name in asked
    )
    return list(names)


def front_section(data: ReportData) -> Section:
    """Return the linked chart and the table of the front; how the pick was weighed apart."""
    blocks: list[Block] = [
        Figure(
            "front",
            front_chart(data),
            "A click chooses a design everywhere, with shift it adds to the choice; dragging in a "
            "panel keeps what lies inside, here and in the table; Escape shows all again.",
            front_title(data),
        ),
        front_table(data),
    ]
    details: list[Block] = [
        Figure(
            "front-parts",
            spread_chart(data),
            "The same designs over their scores and over their parts; a choice holds in all views.",
            "What the designs of the table have of each score and part",
        ),
        Prose(trade_offs(data) if data.feasible else []),
    ]
    if data.decision is not None:
        details.append(weighing_table(data, data.decision.scores))
    title = "The front" if data.feasible else "Nearest candidates"
    return Section("front", title, blocks, details)
