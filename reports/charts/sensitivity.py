"""What moves each score of the pick: the swing and the share of variance of each quantity."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import altair as alt
import numpy as np
import pandas as pd

from objectives.devices.terms import VALVE, Terms
from objectives.format import score_label, sentence
from objectives.tolerance.results import ToleranceStudy
from reports.charts.layers import Column, Grid, Layers, cut_label
from reports.charts.tolerance_bands import quantity_label, scores_drawn
from reports.theme import ACCENTS, INK, MUTED, PAGE_WIDTH, score_axis

_SHOWN_PARTS: Final = 6
"""Quantities in each tornado; the rest of them matter less still."""


_MOST_LETTERS: Final = 34
"""Letters of a label, for which the rows have room."""

WORTH_NAMING: Final = 0.03
"""A quantity that moves a score by less than this share of all swings together is not named."""


def sensitivity_chart(study: ToleranceStudy, terms: Terms = VALVE) -> alt.VConcatChart:
    """Return, score by score, each part's own swing and its shares of the pick's variance."""
    names = scores_drawn(study)
    rows, told = [], []
    for name in names:
        order = _by_importance(study, name)
        if order:
            rows.append(_sensitivity_row(study, name, order, terms))
            told.append(f"{score_label(name, terms)}: {quantity_label(order[0], terms)}")
    return Column(
        vconcat=rows,
        spacing=16,
        description=f"What moves each score of the pick most: {'; '.join(told)}.",
    )


def sensitivity_title(study: ToleranceStudy, terms: Terms = VALVE) -> str:
    """Return what moves the first score of the pick most."""
    for name in scores_drawn(study):
        for part in _by_importance(study, name)[:1]:
            label = sentence(quantity_label(part, terms))
            return f"{label} moves the {score_label(name, terms)} of the pick most"
    return "No part moves a score of the pick"


def _by_importance(study: ToleranceStudy, score: str) -> list[str]:
    total = {i.quantity: i.total for i in study.indices if i.score == score}
    size = {s.quantity: s.size for s in study.swings if s.score == score}
    moving = [q for q in size if size[q] > 0]
    ranked = sorted(moving, key=lambda q: (-np.nan_to_num(total.get(q, 0.0)), -size[q]))
    return ranked[:_SHOWN_PARTS]


def _sensitivity_row(
    study: ToleranceStudy, score: str, order: Sequence[str], terms: Terms
) -> alt.ConcatChart:
    labels = [quantity_label(q, terms) for q in order]
    own = {s.quantity: s for s in study.swings if s.score == score}
    ends = pd.DataFrame(
        [
            {"part": label, "end": end, "from": own[q].nominal, "value": value}
            for q, label in zip(order, labels, strict=True)
            for end, value in (("low end", own[q].at_low), ("high end", own[q].at_high))
        ]
    )
    height = 22 * len(order)
    y = alt.Y(
        "part:N",
        sort=labels,
        title=None,
        axis=alt.Axis(
            labelExpr=cut_label(_MOST_LETTERS), domain=False, ticks=False, labelOverlap=False
        ),
    )
    scale = alt.Scale(zero=False, nice=True)
    title = score_label(score, terms)
    tornado = Layers(
        layer=[
            alt.Chart(ends)
            .mark_bar(height=11)
            .encode(
                y=y,
                x=alt.X("from:Q", title=title, scale=scale, axis=score_axis(score)),
                x2="value:Q",
                color=alt.Color(
                    "end:N",
                    title="part at its",
                    scale=alt.Scale(
                        domain=["low end", "high end"], range=[ACCENTS["teal"], ACCENTS["orange"]]
                    ),
                ),
            ),
            alt.Chart(pd.DataFrame({"nominal": [own[order[0]].nominal]}))
            .mark_rule(color=INK)
            .encode(x=alt.X("nominal:Q", title=title, scale=scale)),
        ],
        width=PAGE_WIDTH // 2 - 9 - 190,
        height=height,
    )
    index = {i.quantity: i for i in study.indices if i.score == score}
    shares = pd.DataFrame(
        [
            {
                "part": label,
                "total": index[q].total,
                "first": index[q].first,
                "low": max(index[q].total - index[q].total_margin, 0.0),
                "high": index[q].total + index[q].total_margin,
            }
            for q, label in zip(order, labels, strict=True)
            if q in index
        ],
        columns=["part", "total", "first", "low", "high"],
    )
    bare = y
    scale = alt.Scale(domain=[0, 1], clamp=True)

    def x(field: str) -> alt.X:
        return alt.X(
            f"{field}:Q",
            scale=scale,
            title="share of the variance",
            axis=alt.Axis(values=[0, 0.2, 0.4, 0.6, 0.8, 1], format="%"),
        )

    bars = alt.Chart(shares)
    variance = Layers(
        layer=[
            bars.mark_bar(height=11, color=ACCENTS["blue"], opacity=0.6).encode(
                y=bare, x=x("total")
            ),
            bars.mark_rule(color=MUTED).encode(y=bare, x=x("low"), x2="high:Q"),
            bars.mark_tick(color=INK, thickness=2.5, size=15, opacity=1).encode(
                y=bare, x=x("first")
            ),
        ],
        width=PAGE_WIDTH // 2 - 9 - 190,
        height=height,
    )
    title = sentence(score_label(score, terms))
    return Grid(concat=[tornado, variance], columns=2, spacing=18, title=title)
