"""Radio at the control electrode: what is rejected, and what the stage still amplifies."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from functools import cache
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
from reports.charts.forms import Filled, Form
from reports.charts.layers import LineStyles, Rows, drawn, haloed, line_names, rows, styled_lines
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
_PATHS: Final[LineStyles] = {
    "plate": (ACCENTS["blue"], [1, 0]),
    "output": (ACCENTS["plum"], [7, 4]),
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


def _along(field: str = "frequency_Hz") -> alt.X:
    return alt.X(
        f"{field}:Q",
        title="frequency",
        scale=alt.Scale(type="log", nice=False),
        axis=ticks("Hz", 10, values=[10.0**n for n in range(3, 10)]),
    )


def rejection_drawing(one: Assessment, *, required: bool = True) -> Filled:
    """Return the rejection over all bands as one curve, beside an ideal and no stopper."""
    swept, bands, grid = rejection_sweep(one), one.targets.scored_bands, one.device.terms.grid
    asked = [band.attenuation_dB for band in bands]
    top = float(swept["attenuation_dB"].max())
    if required:
        top = max(top, *asked)
    bottom = min(0.0, float(swept["attenuation_dB"].min()))
    curve = swept[swept["stopper"] == "as it is"]
    low, high = (np.array([getattr(b, end) for b in bands]) for end in ("low_Hz", "high_Hz"))
    level = np.interp(np.log(low), np.log(curve["frequency_Hz"]), curve["attenuation_dB"])
    told = [f"{name}: {quantity(v, 'dB', 3)}" for name, v in least_attenuation_dB(one).items()]
    return Filled(
        _rejection_form(grid, required),
        f"Attenuation at the {grid} against frequency. Least in each band: {'; '.join(told)}.",
        {
            "frame": rows(
                frequency_Hz=[LOWEST_SWEPT_HZ, one.targets.trusted_Hz],
                attenuation_dB=[bottom, 1.05 * top],
            ),
            "bands": rows(
                band=[band.name for band in bands],
                low_Hz=low,
                high_Hz=high,
                middle_Hz=np.sqrt(low * high),
                required_dB=asked,
                # Names stand at whichever end of their bands the curves leave room.
                side=np.where(level > 0.4 * top, "foot", "top"),
            ),
            **_curves(swept, "stopper", "attenuation_dB", {name: name for name in _STOPPERS}),
        },
    )


@cache
def _rejection_form(grid: str, required: bool) -> Form:
    title, scale = f"attenuation at the {grid}", alt.Scale(nice=False, zero=False)
    given = alt.Y("attenuation_dB:Q", title=title, scale=scale, axis=ticks("dB"))
    span = drawn("bands").encode(x=_along("low_Hz"), x2="high_Hz:Q")
    layers: list[alt.Chart] = [
        drawn("frame").mark_point(opacity=0).encode(x=_along(), y=given),
        span.mark_rect(color=ACCENTS["gold"], fillOpacity=0.14, stroke=ACCENTS["gold"]),
        *_lines("stopper", _along(), given, _STOPPERS),
    ]
    if required:
        asked = alt.Y("required_dB:Q", scale=scale, title=title, axis=ticks("dB"))
        # The stroke keeps a narrow band's requirement visible.
        stroke = drawn("bands").mark_point(shape="stroke", size=90, color=INK, strokeWidth=3)
        layers += [
            span.mark_rule(color=INK, strokeWidth=3).encode(y=asked),
            stroke.encode(x=_along("middle_Hz"), y=asked),
        ]
    style: dict[str, Any] = {
        "angle": 270, "dy": -2, "baseline": "bottom", "fontSize": 10, "color": MUTED
    }  # fmt: skip
    names = drawn("bands").encode(x=_along("low_Hz"), text="band:N")
    layers += [
        names.transform_filter(alt.datum.side == "top")
        .mark_text(align="right", dx=-4, **style)
        .encode(y=alt.value(0)),
        names.transform_filter(alt.datum.side == "foot")
        .mark_text(align="left", dx=4, **style)
        .encode(y=alt.value(_HEIGHT)),
    ]
    return Form(alt.LayerChart(layer=layers, width="container", height=_HEIGHT))


def _curves(swept: pd.DataFrame, by: str, value: str, names: Mapping[str, str]) -> dict[str, Rows]:
    """Return curves and their names, which stand where the curves are farthest apart."""
    curves = {name: swept.loc[swept[by] == name, value].to_numpy(float) for name in names}
    curves = {name: curve for name, curve in curves.items() if curve.size}
    frequency = swept["frequency_Hz"].unique()
    inside = (frequency > 3 * frequency[0]) & (frequency < frequency[-1] / 6)
    lowest = float(swept[value].min()) - 10
    named = line_names(frequency, curves, names, lowest, inside)
    return {
        "curves": rows(**{name: swept[name].to_numpy() for name in ("frequency_Hz", value, by)}),
        "names": [{**row, by: row["port"], value: row["level_dB"]} for row in named],
    }


def _lines(by: str, x: alt.X, y: alt.Y, styles: LineStyles) -> list[alt.Chart]:
    """Return the layers of curves and of their names."""
    hues = alt.Scale(domain=list(styles), range=[hue for hue, _ in styles.values()])
    names = drawn("names").encode(
        x=x, y=y, text="text:N", color=alt.Color(f"{by}:N", legend=None, scale=hues)
    )
    return [
        styled_lines("curves", x, y, by, styles),
        *haloed(names.transform_filter(alt.datum.side == "above"), dy=-10),
        *haloed(names.transform_filter(alt.datum.side == "below"), dy=11),
    ]


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


def gain_drawing(one: Assessment) -> Filled:
    """Return the gain from grid to plate and from source to output over the same frequencies."""
    swept, t = gain_sweep(one), one.device.terms
    names = {"plate": f"{t.grid} to {t.plate}", "output": f"{t.source} to output"}
    plate = swept[swept["path"] == "plate"]
    under = plate.loc[plate["gain_dB"] < 0, "frequency_Hz"]
    until = quantity(under.min(), "Hz", 2) if len(under) else "the end"
    return Filled(
        _gain_form(),
        f"Gain against frequency: {names['plate']} {quantity(plate['gain_dB'], 'dB', 3)} at "
        f"1 kHz, above unity up to {until}.",
        {
            "unity": rows(
                frequency_Hz=[LOWEST_SWEPT_HZ, one.targets.trusted_Hz], gain_dB=[0.0, 0.0]
            ),
            **_curves(swept, "path", "gain_dB", names),
        },
    )


@cache
def _gain_form() -> Form:
    y = alt.Y("gain_dB:Q", title="gain", scale=alt.Scale(nice=True), axis=ticks("dB"))
    unity = drawn("unity").mark_line(color=MUTED, strokeWidth=1).encode(x=_along(), y=y)
    layers = [unity, *_lines("path", _along(), y, _PATHS)]
    return Form(alt.LayerChart(layer=layers, width="container", height=260))
