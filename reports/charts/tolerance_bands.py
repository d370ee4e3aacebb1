"""Bands of built stages, design by design, and the names of what varies from stage to stage."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import altair as alt
import numpy as np
import pandas as pd

from objectives.devices.terms import VALVE, Terms
from objectives.elements import ELEMENTS
from objectives.format import quantity, score_label, score_unit, stepped
from objectives.tolerance.results import ToleranceStudy
from reports.charts.layers import Column, Layers
from reports.theme import ACCENTS, BESIDE, CHOSEN, INK, PAGE_WIDTH, score_axis, score_scale

_OF_THE_DEVICE: Final = {
    "valve_transconductance": "transconductance of the {kind}",
    "valve_amplification_factor": "{amplification_factor} of the {kind}",
    "valve_capacitance": "capacitances of the {kind}",
    "valve_grid_cathode_F": "{grid}–{cathode} capacitance",
    "valve_grid_plate_F": "{grid}–{plate} capacitance",
    "valve_plate_cathode_F": "{plate}–{cathode} capacitance",
    "transistor_cutoff_voltage": "cut-off voltage of the transistor",
    "transistor_current_gain": "current gain of the transistor",
}
_SHOWN_SCORES: Final = 6
"""Scores in the charts of the pick; those with a window first."""


def quantity_label(name: str, terms: Terms) -> str:
    """Return the trade's name of a quantity that spreads."""
    if name in _OF_THE_DEVICE:
        return terms.write(_OF_THE_DEVICE[name])
    return ELEMENTS[name].label_for(terms)


def scores_drawn(study: ToleranceStudy) -> list[str]:
    """Return the scores to draw: those with a window first, none that does not move."""
    moving = []
    for name in study.scores:
        low, middle, high = study.bands[name]
        if np.any(high - low > 1e-9 * np.abs(middle)):
            moving.append(name)
    return windowed_first(study, moving)[:_SHOWN_SCORES]


def windowed_first(study: ToleranceStudy, names: Sequence[str]) -> list[str]:
    """Return the scores with those first that have a window."""
    return sorted(names, key=lambda name: name not in study.setup.windows)


def band_chart(study: ToleranceStudy, terms: Terms = VALVE) -> alt.VConcatChart:
    """Return one panel a score: band, median and nominal value of every design, and the window."""
    names = scores_drawn(study)
    panels = [_band_panel(study, name, terms, last=name == names[-1]) for name in names]
    return Column(
        vconcat=panels,
        spacing=10,
        description=(
            "Bands of built stages by design: "
            + "; ".join(
                f"{score_label(name, terms)} of the pick "
                + " to ".join(
                    quantity(float(study.bands[name][at, study.pick]), score_unit(name))
                    for at in (0, -1)
                )
                for name in names
            )
            + "."
        ),
    )


def band_title(study: ToleranceStudy, terms: Terms = VALVE) -> str:
    """Return how far the pick's first score spreads among built stages."""
    name = scores_drawn(study)[0]
    low, high = (stepped(float(study.bands[name][at, study.pick]), name) for at in (0, -1))
    return f"Built stages: {score_label(name, terms)} of the pick from {low} to {high}"


def _band_panel(study: ToleranceStudy, name: str, terms: Terms, *, last: bool) -> alt.LayerChart:
    low, middle, high = study.bands[name]
    order = list(study.candidates)
    frame = pd.DataFrame(
        {
            "candidate": order,
            "low": low,
            "middle": middle,
            "high": high,
            "nominal": study.nominal[name],
            "which": ["the pick" if at == study.pick else "others" for at in range(len(order))],
        }
    )
    window = [end for end in study.setup.windows.get(name, ()) if math.isfinite(end)]
    everything = np.concatenate([low, high, study.nominal[name], window])
    scale = score_scale(everything)
    title = score_label(name, terms)

    def y(field: str) -> alt.Y:
        return alt.Y(f"{field}:Q", title=title, scale=scale, axis=score_axis(name))

    base = alt.Chart(frame).encode(
        x=alt.X(
            "candidate:N",
            sort=order,
            title="candidate" if last else None,
            axis=alt.Axis(labelAngle=0, labels=last, ticks=last),
        ),
        color=alt.Color(
            "which:N",
            title=None,
            scale=alt.Scale(domain=["the pick", "others"], range=[CHOSEN, ACCENTS["slate"]]),
            legend=None,
        ),
    )
    layers: list[alt.Chart] = [
        base.mark_bar(size=9, opacity=0.55).encode(y=y("low"), y2="high:Q"),
        base.mark_tick(thickness=2, size=13, opacity=1).encode(y=y("middle")),
        base.mark_point(size=14, color=INK, opacity=1, shape="diamond").encode(
            y=y("nominal"), color=alt.value(INK)
        ),
    ]
    if window:
        ends = pd.DataFrame({"end": window})
        layers.append(
            alt.Chart(ends)
            .mark_rule(color=ACCENTS["orange"], strokeDash=[5, 3], strokeWidth=1.5)
            .encode(y=y("end"))
        )
    return Layers(layer=layers, width=PAGE_WIDTH - BESIDE, height=120)
