"""TODO reports.sections.front."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations

import numpy as np
import pandas as pd
from scipy import stats

from objectives.format import column, number, part_value, prefixed, score_label
from reports.charts.front import front_chart, losses_of, mark_words, spanning_scores
from reports.model import Block, Figure, Prose, ReportContents, Section, Table

__all__ = ["front_table", "trade_offs"]


def trade_offs(contents: ReportContents, most: int = 3) -> list[str]:
    """Return in words which free scores conflict most over the front.

    Measured by Spearman's rank correlation of the losses: −1 means that whoever gains in one
    loses in the other. Fewer than eight candidates say nothing reliable and give no words.
    """
    frame = contents.front
    scores = spanning_scores(contents)
    if len(frame) < 8:
        return []
    found = []
    for one, other in combinations(scores, 2):
        a, b = losses_of(frame, one), losses_of(frame, other)
        usable = np.isfinite(a) & np.isfinite(b)
        if np.unique(a[usable]).size < 2 or np.unique(b[usable]).size < 2:
            continue
        found.append((float(stats.spearmanr(a[usable], b[usable]).statistic), one, other))
    strongest = [
        f"{score_label(one.name)} against {score_label(other.name)} ({number(round(rho, 2), 2)})"
        for rho, one, other in sorted(found, key=lambda item: item[0])[:most]
        if rho < -0.3
    ]
    if not strongest:
        return []
    return [
        "Along the front, improving one score costs another most in these pairs, by rank "
        f"correlation of the losses (−1: always): {'; '.join(strongest)}."
    ]


def front_table(contents: ReportContents) -> Table:
    """Return the readable set as a table for people: parts, scores, marks, ids tied to charts."""
    readable = contents.readable
    columns: dict[str, Sequence[object]] = {"candidate": readable["candidate"].tolist()}
    marks = [mark_words(mark) for mark in readable.get("marks", [""] * len(readable))]
    if any(marks):
        columns["mark"] = marks
    for part, label in contents.part_labels.items():
        columns[label] = [part_value(part, float(v)) for v in readable[part]]
    for use in contents.uses:
        if use.name in readable.columns:
            heading = score_label(use.name, with_unit=not prefixed(use.unit))
            columns[heading] = column(readable[use.name], use.unit)
    if not contents.feasible and "limits_broken" in readable.columns:
        columns["limits broken"] = [str(int(n)) for n in readable["limits_broken"]]
    if contents.feasible:
        caption = (
            f"{len(readable)} of the {len(contents.front)} candidates on the front, the pick "
            "first; the others stand in front.csv."
        )
    else:
        caption = f"The {len(readable)} nearest candidates, the nearest first."
    return Table(
        pd.DataFrame(columns), caption, {at: m for at, m in enumerate(marks) if m}, linked=True
    )


def _front(contents: ReportContents) -> Section:
    blocks: list[Block] = []
    if contents.feasible:
        blocks.append(Prose(trade_offs(contents)))
    blocks += [
        Figure(
            "front",
            front_chart(contents),
            "In the HTML file these views and the table are linked: a click chooses a candidate "
            "everywhere, with shift it adds to the choice; dragging in a panel keeps what lies "
            "inside, in several panels at once; a double click lets go.",
        ),
        front_table(contents),
    ]
    return Section("front", "The front" if contents.feasible else "Nearest candidates", blocks)
