"""The response of the pick, and how far built stages deviate from it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import altair as alt
import numpy as np
import pandas as pd

from objectives.devices.terms import VALVE, Terms
from objectives.format import number, quantity
from objectives.tolerance.results import ResponseBand
from reports.charts.layers import Column, Layers
from reports.theme import ACCENTS, BESIDE, INK, PAGE_WIDTH, ticks


def response_band_chart(
    responses: Sequence[ResponseBand], terms: Terms = VALVE
) -> alt.VConcatChart:
    """Return the nominal levels, and for each port how far built stages depart from them."""
    return Column(
        vconcat=[_departure_panel(band, terms) for band in responses],
        spacing=14,
        description="Bands of the response of the pick; "
        + "; ".join(
            f"at the {_place(band.port, terms)} the widest is "
            f"{number(float(np.max(band.high_dB - band.low_dB)), 3)} dB, at "
            + quantity(float(band.frequency_Hz[np.argmax(band.high_dB - band.low_dB)]), "Hz", 3)
            for band in responses
        )
        + ".",
    )


def response_band_title(responses: Sequence[ResponseBand], terms: Terms = VALVE) -> str:
    """Return where built stages differ most from each other."""
    band = max(responses, key=lambda b: float(np.max(b.high_dB - b.low_dB)))
    width = band.high_dB - band.low_dB
    at = int(np.argmax(width))
    return (
        f"Built stages differ most at the {_place(band.port, terms)}, by "
        f"{quantity(width[at], 'dB', 2)} at {quantity(band.frequency_Hz[at], 'Hz', 2)}"
    )


def _place(port: str, terms: Terms) -> str:
    return terms.grid if port == "grid" else port


_PORT_HUES: Final = {"grid": ACCENTS["blue"], "output": ACCENTS["plum"]}


def _frequency(*, titled: bool = True) -> alt.X:
    return alt.X(
        "frequency_Hz:Q",
        title="frequency" if titled else None,
        scale=alt.Scale(type="log", nice=False),
        axis=ticks("Hz", 9),
    )


def _departure_panel(band: ResponseBand, terms: Terms) -> alt.LayerChart:
    frame = pd.DataFrame(
        {
            "frequency_Hz": band.frequency_Hz,
            "low": band.low_dB - band.nominal_dB,
            "middle": band.middle_dB - band.nominal_dB,
            "high": band.high_dB - band.nominal_dB,
        }
    )
    hue = _PORT_HUES.get(band.port, INK)
    base = alt.Chart(frame).encode(x=_frequency())

    def y(field: str) -> alt.Y:
        return alt.Y(
            f"{field}:Q",
            title=[_place(band.port, terms), "built minus nominal"],
            scale=alt.Scale(zero=True, nice=True),
            axis=ticks("dB", titlePadding=20),
        )

    return Layers(
        layer=[
            base.mark_area(color=hue, opacity=0.3).encode(y=y("low"), y2="high:Q"),
            base.mark_line(color=hue, strokeDash=[6, 4]).encode(y=y("middle")),
            alt.Chart(pd.DataFrame({"nominal": [0.0]})).mark_rule(color=INK).encode(y=y("nominal")),
        ],
        width=PAGE_WIDTH - BESIDE,
        height=140,
    )
