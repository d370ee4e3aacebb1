"""TODO reports.charts.rejection."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Final

import altair as alt
import numpy as np
import pandas as pd

from objectives.arrays import FloatArray
from objectives.assessment import Assessment
from objectives.circuit.corners import level_dB
from objectives.circuit.network import Network
from objectives.format import quantity
from objectives.radio.detection import Carrier
from objectives.radio.stopper import Alternative, attenuation_dB
from reports.theme import ACCENTS, INK, MUTED, PAGE_WIDTH, SI_TICKS

__all__ = ["gain_chart", "rejection_chart", "rejection_sweep"]

_LOW_HZ: Final = 1e3
_HIGH_HZ: Final = 2e9
_HEIGHT: Final = 320
_CURVES: Final = {
    "as it is": (ACCENTS["blue"], [1, 0]),
    "with an ideal stopper": (ACCENTS["orange"], [7, 4]),
    "without a stopper": (ACCENTS["slate"], [2, 3]),
}
_GAINS: Final = {
    "grid to plate": (ACCENTS["blue"], [1, 0]),
    "source to output": (ACCENTS["plum"], [7, 4]),
}


def _carrier(one: Assessment) -> Carrier:
    return one.targets.carrier or Carrier()


def _field(one: Assessment, name: str) -> float:
    return float(np.ravel(getattr(one.stage, name))[0])


def _frequency(hertz: float) -> str:
    return quantity(hertz, "Hz", 3) if np.isfinite(hertz) else "no frequency up to 10 GHz"


def rejection_sweep(one: Assessment) -> pd.DataFrame:
    """Return the attenuation at the grid from 1 kHz to 2 GHz, 40 points a decade.

    Columns: frequency_Hz, attenuation_dB, stopper ('as it is', 'with an ideal stopper',
    'without a stopper'; only the first where none is fitted).
    """
    f = np.geomspace(_LOW_HZ, _HIGH_HZ, 253)
    changes: dict[str, dict[str, float]] = {"as it is": {}}
    if _field(one, "stopper_ohm") > 0:
        changes |= {
            "with an ideal stopper": {"stopper_shunt_F": 0.0, "stopper_lead_H": 0.0},
            "without a stopper": {"stopper_ohm": 0.0, "stopper_lead_H": 0.0},
        }
    return pd.concat(
        [
            pd.DataFrame(
                {
                    "frequency_Hz": f,
                    "attenuation_dB": attenuation_dB(
                        replace(one.loaded, **change), one.linear, f, one.targets.reference_Hz
                    ).ravel(),
                    "stopper": name,
                }
            )
            for name, change in changes.items()
        ],
        ignore_index=True,
    )


def _frequency_scale() -> alt.Scale:
    return alt.Scale(type="log", domain=[_LOW_HZ, _HIGH_HZ], nice=False)


def _frequency_axis() -> alt.X:
    return alt.X(
        "frequency_Hz:Q",
        title="frequency (Hz)",
        scale=_frequency_scale(),
        axis=alt.Axis(format=SI_TICKS, values=[10.0**n for n in range(3, 10)]),
    )


def _lines(
    frame: pd.DataFrame, x: alt.X, y: alt.Y, by: str, looks: dict[str, tuple[str, list[int]]]
) -> alt.Chart:
    names = list(dict.fromkeys(frame[by]))
    color = alt.Scale(domain=names, range=[looks[name][0] for name in names])
    dash = alt.Scale(domain=names, range=[looks[name][1] for name in names])
    chart: alt.Chart = alt.Chart(frame).mark_line()
    return chart.encode(
        x=x,
        y=y,
        color=alt.Color(f"{by}:N", title=None, scale=color),
        strokeDash=alt.StrokeDash(f"{by}:N", title=None, scale=dash),
    )


def rejection_chart(one: Assessment, *, required: bool = True) -> alt.LayerChart:
    """Return the rejection over all bands as one curve, beside an ideal and no stopper."""
    swept = rejection_sweep(one)
    bands = one.targets.radio_bands
    frame = pd.DataFrame(
        {
            "low_Hz": [band.low_Hz for band in bands],
            "high_Hz": [band.high_Hz for band in bands],
            "middle_Hz": [np.sqrt(band.low_Hz * band.high_Hz) for band in bands],
            "required_dB": [band.attenuation_dB for band in bands],
            "band": [band.name for band in bands],
        }
    )
    x, axis_scale = _frequency_axis(), _frequency_scale()
    top = float(swept["attenuation_dB"].max())
    bottom = min(0.0, float(swept["attenuation_dB"].min()))
    if required:
        top = max(top, float(frame["required_dB"].max()))
    scale = alt.Scale(domain=[bottom, 1.05 * top], nice=False)
    y = alt.Y("attenuation_dB:Q", title="attenuation at the grid (dB)", scale=scale)
    span = alt.Chart(frame).encode(
        x=alt.X("low_Hz:Q", scale=axis_scale, title="frequency (Hz)"), x2="high_Hz:Q"
    )
    layers: list[alt.Chart] = [
        span.mark_rect(color=ACCENTS["gold"], opacity=0.22, stroke=ACCENTS["gold"]),
        _lines(swept, x, y, "stopper", _CURVES),
    ]
    middle = alt.X("middle_Hz:Q", scale=axis_scale, title="frequency (Hz)")
    if required:
        asked = alt.Y("required_dB:Q", scale=scale, title="attenuation at the grid (dB)")
        # The stroke keeps a narrow band's requirement visible.
        stroke = alt.Chart(frame).mark_point(shape="stroke", size=90, color=INK, strokeWidth=3)
        layers += [
            span.mark_rule(color=INK, strokeWidth=3).encode(y=asked),
            stroke.encode(x=middle, y=asked),
        ]
    # Names stand left of their bands, at whichever end of them the curves leave room.
    curve = swept.loc[swept["stopper"] == swept["stopper"].iloc[0]]
    level = np.interp(
        np.log(frame["low_Hz"]), np.log(curve["frequency_Hz"]), curve["attenuation_dB"]
    )
    high = level > 0.4 * top
    left = alt.X("low_Hz:Q", scale=axis_scale, title="frequency (Hz)")
    look: dict[str, Any] = {
        "angle": 270,
        "dy": -2,
        "baseline": "bottom",
        "fontSize": 10,
        "color": MUTED,
    }
    from_top = alt.Chart(frame[~high]).mark_text(align="right", dx=-4, **look)
    from_foot = alt.Chart(frame[high]).mark_text(align="left", dx=4, **look)
    layers += [
        from_top.encode(x=left, y=alt.value(0), text="band:N"),
        from_foot.encode(x=left, y=alt.value(_HEIGHT), text="band:N"),
    ]
    given = _given_dB(one)
    told = "; ".join(f"{name}: {quantity(value, 'dB', 3)}" for name, value in given.items())
    return alt.LayerChart(
        layer=layers,
        width=PAGE_WIDTH - 120,
        height=_HEIGHT,
        description=f"Attenuation at the grid against frequency. Least in each band: {told}.",
    )


def _given_dB(one: Assessment) -> dict[str, float]:
    margins = one.radio_margins_dB
    return {
        band.name: float(margins[band.name][0]) + band.attenuation_dB
        for band in one.targets.radio_bands
    }


def gain_chart(one: Assessment) -> alt.LayerChart:
    """Return the gain from grid to plate and from source to output, 1 kHz to 2 GHz."""
    f = np.geomspace(_LOW_HZ, _HIGH_HZ, 253)
    network = Network(one.loaded.expand(), one.linear.expand(), f)
    levels: dict[str, FloatArray] = {
        "grid to plate": level_dB(network, "plate") - level_dB(network, "grid"),
        "source to output": level_dB(network, "output"),
    }
    frame = pd.concat(
        [
            pd.DataFrame({"frequency_Hz": f, "gain_dB": level.ravel(), "from": name})
            for name, level in levels.items()
        ],
        ignore_index=True,
    )
    y = alt.Y("gain_dB:Q", title="gain (dB)", scale=alt.Scale(nice=True))
    unity = alt.Chart(pd.DataFrame({"gain_dB": [0.0]})).mark_rule(color=MUTED).encode(y=y)
    plate = levels["grid to plate"].ravel()
    under = f[plate < 0]
    until = quantity(float(under.min()), "Hz", 2) if under.size else "the end"
    return alt.LayerChart(
        layer=[unity, _lines(frame, _frequency_axis(), y, "from", _GAINS)],
        width=PAGE_WIDTH - 120,
        height=240,
        description=(
            f"Gain against frequency: grid to plate {quantity(float(plate[0]), 'dB', 3)} at 1 kHz, "
            f"above unity up to {until}."
        ),
    )


def _watched(rows: list[Alternative], bands: list[str]) -> list[str]:
    """Return at most three bands: those in which the choice makes the most difference."""
    spread = {name: float(np.ptp([row.attenuation_dB[name] for row in rows])) for name in bands}
    most = sorted(bands, key=lambda name: -spread[name])[:3]
    return [name for name in bands if name in most]
