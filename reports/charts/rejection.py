"""Radio at the control electrode: what is rejected, and what the stage still amplifies."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any, Final

import altair as alt
import numpy as np
import pandas as pd

from objectives.arrays import FloatArray
from objectives.assessment import Assessment
from objectives.circuit.corners import level_dB
from objectives.circuit.network import Network
from objectives.format import first, quantity, sentence
from objectives.radio.attenuation import attenuation_dB
from objectives.radio.stopper import LOWEST_SWEPT_HZ, swept_Hz
from reports.charts.layers import LineStyles, haloed, line_names, styled_lines
from reports.theme import ACCENTS, INK, MUTED, ticks

IDEAL_STOPPER: Final[Mapping[str, float]] = {"stopper_shunt_F": 0.0, "stopper_lead_H": 0.0}
NO_STOPPER: Final[Mapping[str, float]] = {"stopper_ohm": 0.0, "stopper_lead_H": 0.0}
_POINTS_PER_DECADE: Final = 40
_HEIGHT: Final = 300
_STOPPERS: Final[LineStyles] = {
    "as it is": (ACCENTS["blue"], [1, 0]),
    "ideal stopper": (ACCENTS["orange"], [7, 4]),
    "no stopper": (ACCENTS["slate"], [2, 3]),
}


def least_attenuation_dB(one: Assessment) -> dict[str, float]:
    """Return the least attenuation at the grid in each band that is scored, by its name."""
    margins = one.radio_margins_dB
    return {b.name: first(margins[b.name]) + b.attenuation_dB for b in one.targets.scored_bands}


def rejection_sweep(one: Assessment) -> pd.DataFrame:
    """Return the attenuation from 1 kHz to where the network is trusted, 40 points a decade.

    Columns: frequency_Hz, attenuation_dB, stopper ('as it is', 'ideal stopper',
    'no stopper'; only the first where none is fitted).
    """
    fitted = first(one.stage.stopper_ohm) > 0
    arrival, swept = one.targets.carrier.arrival, _swept_Hz(one)
    changes = zip(_STOPPERS, ({}, IDEAL_STOPPER, NO_STOPPER), strict=True)
    sweeps = {
        name: attenuation_dB(replace(one.loaded, **change), one.linear, swept, arrival)
        for name, change in changes
        if fitted or not change
    }
    return _long(swept, sweeps, "attenuation_dB", "stopper")


def _swept_Hz(one: Assessment) -> FloatArray:
    return swept_Hz(one.targets.carrier.arrival, _POINTS_PER_DECADE)


def gain_sweep(one: Assessment) -> pd.DataFrame:
    """Return the gain from 1 kHz to where the network is trusted.

    Columns: frequency_Hz, gain_dB, path ('plate', 'output'); that to the plate is from the grid,
    that to the output from the source.
    """
    swept = _swept_Hz(one)
    network = Network(one.loaded.expand(), one.linear.expand(), swept)
    levels = {
        "plate": level_dB(network, "plate") - level_dB(network, "grid"),
        "output": level_dB(network, "output"),
    }
    return _long(swept, levels, "gain_dB", "path")


def _long(swept: FloatArray, curves: Mapping[str, np.ndarray], value: str, by: str) -> pd.DataFrame:
    return pd.concat(
        [
            pd.DataFrame({"frequency_Hz": swept, value: curve.ravel(), by: name})
            for name, curve in curves.items()
        ],
        ignore_index=True,
    )


def _along(one: Assessment, field: str = "frequency_Hz") -> alt.X:
    ends = [LOWEST_SWEPT_HZ, one.targets.trusted_Hz]
    return alt.X(
        f"{field}:Q",
        title="frequency",
        scale=alt.Scale(type="log", domain=ends, nice=False),
        axis=ticks("Hz", 10, values=[10.0**n for n in range(3, 10)]),
    )


def rejection_chart(one: Assessment, *, required: bool = True) -> alt.LayerChart:
    """Return the rejection over all bands as one curve, beside an ideal and no stopper."""
    swept = rejection_sweep(one)
    bands = pd.DataFrame(
        {
            "low_Hz": [band.low_Hz for band in one.targets.scored_bands],
            "high_Hz": [band.high_Hz for band in one.targets.scored_bands],
            "required_dB": [band.attenuation_dB for band in one.targets.scored_bands],
            "band": [band.name for band in one.targets.scored_bands],
        }
    )
    bands["middle_Hz"] = np.sqrt(bands["low_Hz"] * bands["high_Hz"])
    top = float(swept["attenuation_dB"].max())
    if required:
        top = max(top, float(bands["required_dB"].max()))
    bottom = min(0.0, float(swept["attenuation_dB"].min()))
    scale = alt.Scale(domain=[bottom, 1.05 * top], nice=False)
    grid = one.device.terms.grid
    title = f"attenuation at the {grid}"
    given = alt.Y("attenuation_dB:Q", title=title, scale=scale, axis=ticks("dB"))
    span = alt.Chart(bands).encode(x=_along(one, "low_Hz"), x2="high_Hz:Q")
    layers: list[alt.Chart] = [
        span.mark_rect(color=ACCENTS["gold"], fillOpacity=0.14, stroke=ACCENTS["gold"]),
        styled_lines(swept, _along(one), given, "stopper", _STOPPERS),
        *_line_names(swept, "stopper", "attenuation_dB", _along(one), given, _STOPPERS),
    ]
    if required:
        asked = alt.Y("required_dB:Q", scale=scale, title=title, axis=ticks("dB"))
        # The stroke keeps a narrow band's requirement visible.
        stroke = alt.Chart(bands).mark_point(shape="stroke", size=90, color=INK, strokeWidth=3)
        layers += [
            span.mark_rule(color=INK, strokeWidth=3).encode(y=asked),
            stroke.encode(x=_along(one, "middle_Hz"), y=asked),
        ]
    told = [f"{name}: {quantity(v, 'dB', 3)}" for name, v in least_attenuation_dB(one).items()]
    return alt.LayerChart(
        layer=[*layers, *_band_names(one, bands, swept, top)],
        width="container",
        height=_HEIGHT,
        description=f"Attenuation at the {grid} against frequency. Least in each band: "
        f"{'; '.join(told)}.",
    )


def _band_names(
    one: Assessment, bands: pd.DataFrame, swept: pd.DataFrame, top_dB: float
) -> list[alt.Chart]:
    """Return names left of their bands, at whichever end of them the curves leave room."""
    curve = swept[swept["stopper"] == "as it is"]
    level = np.interp(
        np.log(bands["low_Hz"]), np.log(curve["frequency_Hz"]), curve["attenuation_dB"]
    )
    high = level > 0.4 * top_dB
    style: dict[str, Any] = {
        "angle": 270, "dy": -2, "baseline": "bottom", "fontSize": 10, "color": MUTED
    }  # fmt: skip
    from_top = alt.Chart(bands[~high]).mark_text(align="right", dx=-4, **style)
    from_foot = alt.Chart(bands[high]).mark_text(align="left", dx=4, **style)
    return [
        names.encode(x=_along(one, "low_Hz"), y=alt.value(y), text="band:N")
        for names, y in ((from_top, 0), (from_foot, _HEIGHT))
    ]


def _line_names(
    swept: pd.DataFrame, by: str, value: str, x: alt.X, y: alt.Y, styles: LineStyles
) -> list[alt.Chart]:
    """Return the names of the curves, where they are farthest apart."""
    curves = {name: swept.loc[swept[by] == name, value].to_numpy(float) for name in styles}
    curves = {name: curve for name, curve in curves.items() if curve.size}
    frequency = swept["frequency_Hz"].unique()
    inside = (frequency > 3 * frequency[0]) & (frequency < frequency[-1] / 6)
    lowest = float(swept[value].min()) - 10
    rows = line_names(frequency, curves, {name: name for name in curves}, lowest, inside)
    frame = pd.DataFrame(rows).rename(columns={"port": by, "level_dB": value})
    color = alt.Color(
        f"{by}:N",
        legend=None,
        scale=alt.Scale(
            domain=[n for n in styles if n in curves],
            range=[hue for name, (hue, _) in styles.items() if name in curves],
        ),
    )
    layers = []
    for side, dy in (("above", -10), ("below", 11)):
        names = alt.Chart(frame[frame["side"] == side]).encode(x=x, y=y, text="text:N", color=color)
        layers += haloed(names, dy=dy) if (frame["side"] == side).any() else []
    return layers


def rejection_title(one: Assessment, *, required: bool = True) -> str:
    """Return in which band radio comes nearest to what is required, or is attenuated least."""
    t = one.device.terms
    if not required:
        name, least = min(least_attenuation_dB(one).items(), key=lambda item: item[1])
        return f"Radio reaches the {t.grid} most easily in {name}: {quantity(least, 'dB', 3)} less"
    margins = {name: first(margin) for name, margin in one.radio_margins_dB.items()}
    name, margin = min(margins.items(), key=lambda item: item[1])
    if margin < 0:
        return f"{sentence(name)} falls {quantity(-margin, 'dB', 2)} short of what is required"
    spare = quantity(margin, "dB", 2)
    return f"Every band is attenuated as required; {name} is the tightest, {spare} to spare"


def gain_title(one: Assessment) -> str:
    """Return up to where the device still amplifies."""
    swept, t = gain_sweep(one), one.device.terms
    plate = swept[swept["path"] == "plate"]
    under = plate.loc[plate["gain_dB"] < 0, "frequency_Hz"]
    if not len(under):
        return f"The {t.kind} still amplifies at {quantity(one.targets.trusted_Hz, 'Hz', 2)}"
    return f"The {t.kind} amplifies up to {quantity(under.min(), 'Hz', 2)}"


def gain_chart(one: Assessment) -> alt.LayerChart:
    """Return the gain from grid to plate and from source to output over the same frequencies."""
    swept, t = gain_sweep(one), one.device.terms
    names = {"plate": f"{t.grid} to {t.plate}", "output": f"{t.source} to output"}
    styles: LineStyles = {
        names["plate"]: (ACCENTS["blue"], [1, 0]),
        names["output"]: (ACCENTS["plum"], [7, 4]),
    }
    y = alt.Y("gain_dB:Q", title="gain", scale=alt.Scale(nice=True), axis=ticks("dB"))
    unity = alt.Chart(pd.DataFrame({"gain_dB": [0.0]})).mark_rule(color=MUTED).encode(y=y)
    plate = swept[swept["path"] == "plate"]
    under = plate.loc[plate["gain_dB"] < 0, "frequency_Hz"]
    until = quantity(under.min(), "Hz", 2) if len(under) else "the end"
    named = swept.assign(path=swept["path"].map(names))
    return alt.LayerChart(
        layer=[
            unity,
            styled_lines(named, _along(one), y, "path", styles),
            *_line_names(named, "path", "gain_dB", _along(one), y, styles),
        ],
        width="container",
        height=260,
        description=(
            f"Gain against frequency: {names['plate']} {quantity(plate['gain_dB'], 'dB', 3)} at "
            f"1 kHz, above unity up to {until}."
        ),
    )
