"""TODO reports.charts.damping."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import altair as alt
import numpy as np
import pandas as pd

from objectives.circuit.poles import least_damping
from objectives.circuit.small_signal import SmallSignal
from objectives.circuit.stability import COMMON_STOPPER_OHM
from objectives.format import number, quantity
from objectives.stage import Stage
from reports.theme import ACCENTS, INK, MUTED, PAGE_WIDTH, SI_TICKS

__all__ = ["damping_chart", "damping_sweep"]

_MARGIN_DB: Final = 12.0
_SERIES: Final = {
    "with the valve": ACCENTS["blue"],
    "valve cold (transconductance 0)": ACCENTS["orange"],
}
_DASHES: Final = ([1, 0], [6, 4])


def damping_sweep(stage: Stage, device: SmallSignal) -> pd.DataFrame:
    """Return the least damping over stoppers from 1 ohm to 1 Mohm, with the valve and cold.

    Columns: stopper_ohm, damping, valve ('with the valve' or 'valve cold ...').
    """
    stopper = np.geomspace(1.0, 1e6, 121)
    swept = replace(stage, stopper_ohm=stopper)
    cold = replace(device, transconductance_S=0.0)
    return pd.concat(
        [
            pd.DataFrame(
                {"stopper_ohm": stopper, "damping": least_damping(swept, valve), "valve": name}
            )
            for name, valve in zip(_SERIES, (device, cold), strict=True)
        ],
        ignore_index=True,
    )


def damping_chart(stage: Stage, device: SmallSignal, damping: float) -> alt.LayerChart:
    """Return the least damping against the stopper, with what is asked and what is fitted."""
    swept = damping_sweep(stage, device)
    fitted = float(np.asarray(stage.stopper_ohm))
    along = alt.Scale(type="log", domain=[1.0, 1e6], nice=False)
    x = alt.X(
        "stopper_ohm:Q",
        title="grid stopper (Ω)",
        scale=along,
        axis=alt.Axis(format=SI_TICKS, values=[10.0**n for n in range(7)]),
    )
    lowest = min(0.0, float(swept["damping"].min()))
    highest = min(1.0, max(float(swept["damping"].max()), 2 * damping))
    scale = alt.Scale(domain=[1.1 * lowest, 1.15 * highest], nice=False)
    y = alt.Y("damping:Q", title="least damping ratio up to 300 MHz", scale=scale)
    names = list(_SERIES)
    curves = (
        alt.Chart(swept)
        .mark_line()
        .encode(
            x=x,
            y=y,
            color=alt.Color(
                "valve:N", title=None, scale=alt.Scale(domain=names, range=list(_SERIES.values()))
            ),
            strokeDash=alt.StrokeDash(
                "valve:N", title=None, scale=alt.Scale(domain=names, range=list(_DASHES))
            ),
        )
    )
    usual = pd.DataFrame({"low": [COMMON_STOPPER_OHM[0]], "high": [COMMON_STOPPER_OHM[1]]})
    layers: list[alt.Chart] = [
        alt.Chart(usual)
        .mark_rect(color=ACCENTS["slate"], opacity=0.15)
        .encode(x=alt.X("low:Q", scale=along, title="grid stopper (Ω)"), x2="high:Q"),
        alt.Chart(pd.DataFrame({"damping": [damping]}))
        .mark_rule(color=INK, strokeDash=[2, 3])
        .encode(y=y),
        alt.Chart(pd.DataFrame({"damping": [0.0]})).mark_rule(color=MUTED).encode(y=y),
        curves,
    ]
    if 1.0 <= fitted <= 1e6:
        here = pd.DataFrame(
            {
                "stopper_ohm": [fitted],
                "damping": [float(least_damping(stage, device))],
                "text": [f"as it is: {quantity(fitted, 'ohm', 3)}"],
            }
        )
        mark = alt.Chart(here).encode(x=x, y=y)
        layers += [
            mark.mark_point(color=INK, size=90, shape="diamond", opacity=1),
            mark.mark_text(dy=-14, align="right" if fitted > 1e3 else "left").encode(text="text:N"),
        ]
    best = swept.loc[swept["valve"] == names[0]].sort_values("damping").iloc[-1]
    return alt.LayerChart(
        layer=layers,
        width=PAGE_WIDTH - 120,
        height=280,
        description=(
            "Least damping ratio against the grid stopper, with the valve and with it cold. With "
            f"the valve it is greatest, {number(float(best['damping']), 2)}, at "
            f"{quantity(float(best['stopper_ohm']), 'ohm', 2)}; {number(damping, 2)} is asked."
        ),
    )
