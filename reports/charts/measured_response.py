"""A measured response over the band that built stages would show."""

from __future__ import annotations

import altair as alt
import numpy as np
import pandas as pd

from objectives.bench.fit import ResponseFit
from objectives.bench.prediction import Prediction
from objectives.format import counted, number, quantity
from reports.theme import ACCENTS, INK, ticks


def measured_response_chart(
    prediction: Prediction, fit: ResponseFit, finding: str
) -> alt.LayerChart:
    """Return the readings over the predicted band, with the fitted response if it explains them.

    ``finding`` is the title: what the chart shows.
    """
    readings = prediction.readings
    low, _, high = prediction.band_dB
    outside = np.zeros(readings.level_dB.size, bool)
    for part in prediction.departures():
        outside |= (readings.frequency_Hz >= part.low_Hz) & (readings.frequency_Hz <= part.high_Hz)
    names = {False: "reading in the band", True: "reading outside the band"}
    lines = {"predicted, nominal": prediction.nominal_dB}
    if fit.explained:
        lines["fitted"] = fit.fitted_dB
    frame = pd.DataFrame(
        {
            "frequency_Hz": readings.frequency_Hz,
            "low": low,
            "high": high,
            "level": prediction.measured_dB,
            "reading": [names[bool(is_out)] for is_out in outside],
        }
    )
    curves = pd.concat(
        [
            pd.DataFrame({"frequency_Hz": readings.frequency_Hz, "level": level, "line": name})
            for name, level in lines.items()
        ],
        ignore_index=True,
    )
    x = alt.X(
        "frequency_Hz:Q",
        title="frequency",
        scale=alt.Scale(type="log", nice=False),
        axis=ticks("Hz", 9),
    )
    title, scale = f"level at the {readings.port} ", alt.Scale(zero=False)
    level = "over the source" if readings.absolute else "relative, readings set on the prediction"

    def y(field: str) -> alt.Y:
        return alt.Y(f"{field}:Q", title=title, scale=scale, axis=ticks("dB"))

    def legend(field: str, marks: tuple[str, ...], hues: list[str]) -> alt.Color:
        return alt.Color(f"{field}:N", title=None, scale=alt.Scale(domain=marks, range=hues))

    points, drawn = tuple(names.values()), tuple(lines)
    chart: alt.LayerChart = alt.LayerChart(
        layer=[
            alt.Chart(frame)
            .mark_area(color=ACCENTS["slate"], opacity=0.3)
            .encode(x=x, y=y("low"), y2="high:Q"),
            alt.Chart(curves)
            .mark_line()
            .encode(
                x=x,
                y=y("level"),
                color=legend("line", drawn, [INK, ACCENTS["teal"]][: len(drawn)]),
                strokeDash=alt.StrokeDash(
                    "line:N",
                    title=None,
                    scale=alt.Scale(domain=drawn, range=[[1, 0], [6, 4]][: len(drawn)]),
                ),
            ),
            alt.Chart(frame)
            .mark_point(size=55, filled=True, opacity=0.9)
            .encode(
                x=x,
                y=y("level"),
                color=legend("reading", points, [ACCENTS["blue"], ACCENTS["orange"]]),
                shape=alt.Shape(
                    "reading:N",
                    title=None,
                    scale=alt.Scale(domain=points, range=["circle", "triangle-up"]),
                ),
            ),
        ],
        width="container",
        height=320,
        title=alt.Title(
            finding,
            subtitle=[
                f"level {level}; shaded: 5th to 95th percentile of built stages at each frequency"
            ],
        ),
        description=(
            f"{finding}. {counted(outside.size)} readings from "
            f"{quantity(readings.frequency_Hz[0], 'Hz', 3)} to "
            f"{quantity(readings.frequency_Hz[-1], 'Hz', 3)} over the predicted band, which is at "
            f"most {number(np.max(high - low), 2)} dB wide; "
            f"{counted(int(outside.sum()))} lie outside it."
        ),
    ).resolve_scale(color="independent", shape="independent", strokeDash="independent")
    return chart
