"""TODO reports.charts.yields."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import altair as alt
import numpy as np
import pandas as pd

from objectives.arrays import FloatArray
from objectives.format import SPACE, number, score_label
from objectives.tolerance.front_yields import FrontYields
from reports.model import Block, Note
from reports.theme import ACCENTS, INK, PAGE_WIDTH, score_axis, score_scale

__all__ = ["yield_chart"]

_ASKED: Final = (0.5, 0.8, 0.9, 0.95, 0.99)
"""Yields that the table names the nearest design for."""


_GOOD_YIELD: Final = 0.9
_MOST_POINTS: Final = 1500
_MOST_PANELS: Final = 6
_SEED: Final = 20
_KEPT: Final = "nothing: all are good"
_RATINGS: Final = "a rating"
_PICK: Final = "the pick"


def _better(
    yields: FrontYields, front: pd.DataFrame, given_up: FloatArray, pick: int
) -> list[Block]:
    """Return a finding where a design that builds well gives up hardly more than the pick."""
    enough = yields.good >= _GOOD_YIELD
    if enough[pick] or not np.any(enough):
        return []
    row = int(np.argmin(np.where(enough, given_up, np.inf)))
    return [
        Note(
            f"Candidate {front['candidate'].iloc[row]} has a yield of {_percent(yields.good[row])} "
            f"against the pick's {_percent(yields.good[pick])}, and gives up "
            f"{_percent(round(float(given_up[row]), 2))} of the front's span in what it does "
            f"worst, against {_percent(round(float(given_up[pick]), 2))}.",
            "finding",
        )
    ]


def _percent(share: float) -> str:
    return f"{number(round(100 * float(share), 1))}{SPACE}%"


def _misses(yields: FrontYields) -> list[str]:
    """Return for each design what most of its built stages miss, in words."""
    names = [*(score_label(name) for name in yields.kept), _RATINGS]
    kept = np.stack([*yields.kept.values(), yields.ratings_kept])
    worst = np.argmin(kept, axis=0)
    return [
        _KEPT if least >= 1 else names[at]
        for at, least in zip(worst, kept.min(axis=0), strict=True)
    ]


def yield_chart(
    yields: FrontYields, front: pd.DataFrame, pick: int, free: Sequence[str]
) -> alt.ConcatChart:
    """Return the yield of every design over each score that spans the front."""
    frame = pd.DataFrame(
        {
            "candidate": front["candidate"],
            "yield": 100.0 * yields.good,
            "missed": _misses(yields),
            "which": ["others"] * len(front),
            **{name: front[name].to_numpy(float) for name in free},
        }
    )
    frame.loc[pick, "which"] = _PICK
    if len(frame) > _MOST_POINTS:
        drawn = frame.drop(index=pick).sample(_MOST_POINTS, random_state=_SEED)
        frame = pd.concat([drawn.sort_index(), frame.loc[[pick]]])
    missed = sorted(set(frame["missed"]), key=lambda words: (words == _KEPT, words))
    hues = [hue for name, hue in ACCENTS.items() if name != "teal"]
    colour = alt.Color(
        "missed:N",
        title="most missed",
        scale=alt.Scale(
            domain=missed,
            range=[
                ACCENTS["teal"] if words == _KEPT else hues[at % len(hues)]
                for at, words in enumerate(missed)
            ],
        ),
        # In a column, long names of scores are cut short.
        legend=alt.Legend(orient="top", direction="horizontal", labelLimit=260),
    )
    shown = list(free)[:_MOST_PANELS]
    across = min(3, len(shown))
    width = PAGE_WIDTH // across - 90
    base = alt.Chart(frame)
    panels = []
    for at, name in enumerate(shown):
        values = frame[name].to_numpy()
        x = alt.X(
            f"{name}:Q",
            title=score_label(name, with_unit=True),
            scale=score_scale(values),
            axis=score_axis(name),
        )
        y = alt.Y(
            "yield:Q",
            title="yield (%)" if at % across == 0 else None,
            scale=alt.Scale(domain=[0, 100]),
        )
        tips = [
            "candidate:N",
            alt.Tooltip("yield:Q", title="yield (%)", format=".1f"),
            alt.Tooltip("missed:N", title="most missed"),
            alt.Tooltip(f"{name}:Q", title=score_label(name, with_unit=True), format=".4g"),
        ]
        others: alt.Chart = base.transform_filter(f"datum.which != '{_PICK}'")
        chosen: alt.Chart = base.transform_filter(f"datum.which == '{_PICK}'")
        panels.append(
            alt.LayerChart(
                layer=[
                    others.mark_point(size=16, opacity=0.65).encode(
                        x=x, y=y, color=colour, tooltip=tips
                    ),
                    chosen.mark_point(
                        size=190, shape="diamond", filled=True, opacity=1, stroke="white", color=INK
                    ).encode(x=x, y=y, tooltip=tips),
                ],
                width=width,
                height=200,
            )
        )
    best = int(np.argmax(yields.good))
    chart: alt.ConcatChart = alt.concat(
        *panels,
        columns=across,
        spacing=16,
        description=(
            f"Yield of {len(front)} designs over "
            + ", ".join(score_label(name) for name in shown)
            + f": the pick {_percent(yields.good[pick])}, the best {_percent(yields.good[best])} "
            f"(candidate {front['candidate'].iloc[best]})."
        ),
    )
    return chart
