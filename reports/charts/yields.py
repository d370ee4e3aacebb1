"""The yields of the designs of a front over their nominal scores."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import altair as alt
import numpy as np
import pandas as pd

from objectives.devices.terms import VALVE, Terms
from objectives.format import percent, score_label
from objectives.tolerance.front_yields import FrontYields
from reports.charts.layers import Grid, Layers, drawn, records
from reports.theme import ACCENTS, BESIDE, CHOSEN, PAGE_WIDTH, PAPER, score_axis, score_scale, ticks

_MOST_PANELS: Final = 6
_KEPT: Final = "nothing: all are good"
_RATINGS: Final = "a rating"
_PICK: Final = "the pick"


def _misses(yields: FrontYields, terms: Terms) -> list[str]:
    """Return for each design what most of its built stages miss."""
    names = [*(score_label(name, terms) for name in yields.kept), _RATINGS]
    kept = np.stack([*yields.kept.values(), yields.ratings_kept])
    worst = np.argmin(kept, axis=0)
    return [
        _KEPT if least >= 1 else names[at]
        for at, least in zip(worst, kept.min(axis=0), strict=True)
    ]


def yield_title(yields: FrontYields, pick: int) -> str:
    """Return the yield of the pick, and the best of the designs built."""
    here, best = float(yields.good[pick]), float(yields.good.max())
    if here >= best:
        return f"{percent(here, 1)} of builds of the pick are good, and no design built has more"
    return (
        f"{percent(here, 1)} of builds of the pick are good; the best design has {percent(best, 1)}"
    )


def yield_chart(
    yields: FrontYields,
    front: pd.DataFrame,
    pick: int,
    free: Sequence[str],
    terms: Terms = VALVE,
) -> alt.ConcatChart:
    """Return the yield of every design built over each score that spans the front.

    ``front`` and ``pick`` are of the designs built alone.
    """
    frame = pd.DataFrame(
        {
            "candidate": front["candidate"],
            "yield": 100.0 * yields.good,
            "missed": _misses(yields, terms),
            "which": ["others"] * len(front),
            **{name: front[name].to_numpy(float) for name in free},
        }
    )
    frame.loc[pick, "which"] = _PICK
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
        legend=alt.Legend(orient="top", columns=1, direction="vertical", labelLimit=260),
    )
    shown = list(free)[:_MOST_PANELS]
    across = min(3, len(shown))
    width = (PAGE_WIDTH - 16 * (across - 1)) // across - BESIDE
    base = drawn("designs")
    panels = []
    for name in shown:
        values = frame[name].to_numpy()
        x = alt.X(
            f"{name}:Q",
            title=score_label(name, terms),
            scale=score_scale(values),
            axis=score_axis(name),
        )
        y = alt.Y(
            "yield:Q",
            title="yield",
            scale=alt.Scale(domain=[0, 100]),
            axis=ticks("%"),
        )
        tips = [
            "candidate:N",
            alt.Tooltip("yield:Q", title="yield (%)", format=".1f"),
            alt.Tooltip("missed:N", title="most missed"),
            alt.Tooltip(f"{name}:Q", title=score_label(name, terms, with_unit=True), format=".4g"),
        ]
        others: alt.Chart = base.transform_filter(f"datum.which != '{_PICK}'")
        chosen: alt.Chart = base.transform_filter(f"datum.which == '{_PICK}'")
        panels.append(
            Layers(
                layer=[
                    others.mark_point(size=16, opacity=0.65).encode(
                        x=x, y=y, color=colour, tooltip=tips
                    ),
                    chosen.mark_point(
                        size=190,
                        shape="diamond",
                        filled=True,
                        opacity=1,
                        stroke=PAPER,
                        color=CHOSEN,
                    ).encode(x=x, y=y, tooltip=tips),
                ],
                width=width,
                height=200,
            )
        )
    best = int(np.argmax(yields.good))
    return Grid(
        concat=panels,
        columns=across,
        spacing=16,
        description=(
            f"Yield of {len(front)} designs over "
            + ", ".join(score_label(name, terms) for name in shown)
            + f": the pick {percent(yields.good[pick], 1)}, the best "
            f"{percent(yields.good[best], 1)} (candidate {front['candidate'].iloc[best]})."
        ),
        datasets={"designs": records(frame)},
    )
