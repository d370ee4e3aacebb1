"""Least damping ratio over the stopper, with and without the gain of the device."""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

import altair as alt
import numpy as np
import pandas as pd

from objectives.circuit.poles import least_damping
from objectives.circuit.small_signal import SmallSignal
from objectives.circuit.stability import COMMON_STOPPER_OHM
from objectives.devices.terms import VALVE, Terms
from objectives.format import first, number, quantity
from objectives.stage import Stage
from reports.charts.layers import LineStyles, styled_lines
from reports.theme import ACCENTS, INK, MUTED, ticks


def damping_sweep(stage: Stage, device: SmallSignal) -> pd.DataFrame:
    """Return the least damping over stoppers from 1 ohm to 1 Mohm, with the device and without.

    Columns: stopper_ohm, damping, device ('active', or 'cold': its transconductance taken to 0).
    """
    stopper = np.geomspace(1.0, 1e6, 121)
    swept = replace(stage, stopper_ohm=stopper)
    devices = {"active": device, "cold": replace(device, transconductance_S=0.0)}
    return pd.concat(
        [
            pd.DataFrame(
                {"stopper_ohm": stopper, "damping": least_damping(swept, linear), "device": state}
            )
            for state, linear in devices.items()
        ],
        ignore_index=True,
    )


def damping_chart(
    stage: Stage, device: SmallSignal, damping: float, terms: Terms = VALVE
) -> alt.LayerChart:
    """Return the least damping against the stopper, with what is asked and what is fitted."""
    swept = damping_sweep(stage, device)
    fitted, title = first(stage.stopper_ohm), f"{terms.grid} stopper"
    along = alt.Scale(type="log", domain=[1.0, 1e6], nice=False)
    x = alt.X(
        "stopper_ohm:Q",
        title=title,
        scale=along,
        axis=ticks("ohm", 10, values=[10.0**n for n in range(7)]),
    )
    lowest = min(0.0, float(swept["damping"].min()))
    highest = min(1.0, max(float(swept["damping"].max()), 2 * damping))
    scale = alt.Scale(domain=[1.1 * lowest, 1.15 * highest], nice=False)
    y = alt.Y("damping:Q", title="least damping ratio up to 300 MHz", scale=scale)
    names = {"active": f"with the {terms.kind}", "cold": terms.cold}
    styles: LineStyles = {
        names["active"]: (ACCENTS["blue"], [1, 0]),
        names["cold"]: (ACCENTS["orange"], [6, 4]),
    }
    named = swept.assign(device=swept["device"].map(names))
    usual = pd.DataFrame({"low": [COMMON_STOPPER_OHM[0]], "high": [COMMON_STOPPER_OHM[1]]})
    layers: list[alt.Chart] = [
        alt.Chart(usual)
        .mark_rect(color=ACCENTS["slate"], opacity=0.15)
        .encode(x=alt.X("low:Q", scale=along, title=title), x2="high:Q"),
        alt.Chart(pd.DataFrame({"damping": [damping]}))
        .mark_rule(color=INK, strokeDash=[2, 3])
        .encode(y=y),
        alt.Chart(pd.DataFrame({"damping": [0.0]})).mark_rule(color=MUTED).encode(y=y),
        styled_lines(named, x, y, "device", styles, key=True),
    ]
    if 1.0 <= fitted <= 1e6:
        layers += _fitted_marks(fitted, first(least_damping(stage, device)), x, y)
    best = swept.loc[swept["device"] == "active"].sort_values("damping").iloc[-1]
    return alt.LayerChart(
        layer=layers,
        width="container",
        height=280,
        description=(
            f"Least damping ratio against the {terms.grid} stopper, with the {terms.kind} and with "
            f"its transconductance taken to 0. With the {terms.kind} it is greatest, "
            f"{number(best['damping'], 2)}, at {quantity(best['stopper_ohm'], 'ohm', 2)}; "
            f"{number(damping, 2)} is required."
        ),
    )


def damping_title(stage: Stage, device: SmallSignal, damping: float) -> str:
    """Return whether the stage is damped as asked, and what stopper would damp it best."""
    here = first(least_damping(stage, device))
    swept = damping_sweep(stage, device)
    best = swept.loc[swept["device"] == "active"].sort_values("damping").iloc[-1]
    verdict = "as asked" if here >= damping else f"{number(damping, 2)} asked"
    return (
        f"The least damping is {number(here, 2)}, {verdict}; most, {number(best['damping'], 2)}, "
        f"with a stopper of {quantity(best['stopper_ohm'], 'ohm', 2)}"
    )


def _fitted_marks(stopper_ohm: float, damping: float, x: alt.X, y: alt.Y) -> list[alt.Chart]:
    """Return where the fitted stopper is, and its value."""
    text = f"as it is: {quantity(stopper_ohm, 'ohm', 3)}"
    here = pd.DataFrame({"stopper_ohm": [stopper_ohm], "damping": [damping], "text": [text]})
    mark = alt.Chart(here).encode(x=x, y=y)
    align: Literal["left", "right"] = "right" if stopper_ohm > 1e3 else "left"
    return [
        mark.mark_point(color=INK, size=90, shape="diamond", opacity=1),
        mark.mark_text(dy=-14, align=align).encode(text="text:N"),
    ]
