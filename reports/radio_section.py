"""The section on radio at the grid: the rejection curve, the real stopper, and detection."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Final

import altair as alt
import numpy as np
import pandas as pd

from objectives.batch import FloatArray
from objectives.corners import level_dB
from objectives.network import Network
from objectives.radio import (
    Alternative,
    Carrier,
    alternatives,
    assessed_detection,
    attenuation_dB,
    curvature,
    detected_by_band_dBu,
    radio_bands,
    stopper_limits,
)
from objectives.scores import Assessment, RadioBand
from reports.contents import Block, Figure, Note, Prose, Section, Steps, Table
from reports.format import number, part_value, quantity
from reports.look import ACCENTS, INK, MUTED, PAGE_WIDTH, SI_TICKS

__all__ = [
    "alternatives_table",
    "detection_steps",
    "gain_chart",
    "rejection_chart",
    "rejection_sweep",
    "section",
]

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


def section(assessment: Assessment) -> Section:
    """Return the section on radio at the grid of one stage (a batch of one).

    Without radio bands in the targets the standard bands are shown, with nothing required of them.

    Raises
    ------
    ValueError
        If the assessment is not of one stage.
    """
    one, required = _single(assessment)
    blocks: list[Block] = [
        Prose(_opening(one)),
        Figure("rejection", rejection_chart(one, required=required), _CAPTION),
        _band_table(one, required=required),
    ]
    if required:
        blocks.append(_margin_note(one))
    blocks += [
        Figure(
            "gain_at_radio",
            gain_chart(one),
            "What the valve makes of it: gain from grid to plate and from source to output.",
        ),
        Prose(_detection_words(one)),
        Steps(detection_steps(one)),
        alternatives_table(one, required=required),
        Note(
            "Shunt capacitance and inductance of a resistor vary from part to part and with what "
            "is near it; most figures in the table of styles are common practice without a "
            "source. Detection is estimated for a small carrier in series with the source; what a "
            "cable or a chassis picks up is another matter."
        ),
    ]
    return Section("radio-detection", "Radio at the grid, and what the valve detects", blocks)


_CAPTION: Final = (
    "Attenuation at the grid relative to the reference frequency. Shaded: the radio bands; the "
    "bar across a band is what is required in it."
)


def _single(assessment: Assessment) -> tuple[Assessment, bool]:
    one = assessment.single()
    targets, required = assessment.targets, bool(assessment.targets.radio_bands)
    if not required:
        targets = replace(targets, radio_bands=tuple(b.required(0.0) for b in radio_bands()))
    return replace(one, stage=one.stage.broadcast(), targets=targets), required


def _carrier(one: Assessment) -> Carrier:
    return one.targets.carrier or Carrier()


def _field(one: Assessment, name: str) -> float:
    return float(np.ravel(getattr(one.stage, name))[0])


def _opening(one: Assessment) -> list[str]:
    if _field(one, "stopper_ohm") == 0:
        return [
            "There is no stopper: radio reaches the grid through the source and the cable alone."
        ]
    limits = stopper_limits(one.loaded, one.linear, one.targets.reference_Hz)
    own = (
        f"The stopper of {part_value('stopper_ohm', _field(one, 'stopper_ohm'))} is bridged by "
        f"{quantity(_field(one, 'stopper_shunt_F'), 'F', 3)} of its own and has "
        f"{quantity(_field(one, 'stopper_lead_H'), 'H', 3)} in line."
    )
    impedance, rejection = float(limits.impedance_Hz[0]), float(limits.rejection_Hz[0])
    if not np.isfinite(impedance) and not np.isfinite(rejection):
        return [own + " It stays a resistor over the whole range."]
    return [
        own,
        f"It stops being a resistor at {_frequency(impedance)}, where its impedance is 3 dB off "
        f"its resistance; from {_frequency(rejection)} the attenuation at the grid is 3 dB off "
        "what an ideal resistor would give. The most there is up to 1 GHz is "
        f"{quantity(float(limits.greatest_dB[0]), 'dB', 3)}, at "
        f"{quantity(float(limits.greatest_Hz[0]), 'Hz', 2)}.",
    ]


def _frequency(hertz: float) -> str:
    return quantity(hertz, "Hz", 3) if np.isfinite(hertz) else "no frequency up to 10 GHz"


# -- rejection -------------------------------------------------------------------------------------


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


def _band_table(one: Assessment, *, required: bool) -> Table:
    bands, given, detected = one.targets.radio_bands, _given_dB(one), detected_by_band_dBu(one)
    columns: dict[str, list[str]] = {
        "band": [band.name for band in bands],
        "range": [f"{quantity(b.low_Hz, 'Hz')} to {quantity(b.high_Hz, 'Hz')}" for b in bands],
        "least attenuation (dB)": [number(round(given[b.name], 1), 4) for b in bands],
    }
    if required:
        columns["required (dB)"] = [number(b.attenuation_dB) for b in bands]
        columns["margin (dB)"] = [
            number(round(given[b.name] - b.attenuation_dB, 1), 4) for b in bands
        ]
    columns["detected (dBu at the input)"] = [
        number(round(float(detected[b.name][0]), 1), 4) for b in bands
    ]
    wave = _carrier(one)
    short = {
        at: "broken" for at, b in enumerate(bands) if required and given[b.name] < b.attenuation_dB
    }
    return Table(
        pd.DataFrame(columns),
        f"Each band: least attenuation at the grid, and the loudest audio that a carrier of "
        f"{quantity(wave.emf_V, 'V', 3)} (r.m.s., {number(100 * wave.modulation, 3)} % modulated) "
        "in series with the source leaves.",
        short,
    )


def _margin_note(one: Assessment) -> Note:
    margins = {name: float(value[0]) for name, value in one.radio_margins_dB.items()}
    worst = min(margins, key=lambda name: margins[name])
    room = margins[worst]
    if room >= 0:
        text = f"The worst margin over all bands is {quantity(room, 'dB', 3)}, in {worst}."
        return Note(text, "finding")
    return Note(
        f"Short by {quantity(-room, 'dB', 3)} in {worst}, the worst of all bands.", "caution"
    )


# -- gain ------------------------------------------------------------------------------------------


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


# -- detection -------------------------------------------------------------------------------------


def _loudest(one: Assessment) -> tuple[RadioBand, int]:
    """Return the band with the loudest audio, and where in the swept frequencies it is."""
    found = assessed_detection(one)
    bands = one.targets.radio_bands
    at = int(found.level_dBu[0].argmax())
    return bands[at * len(bands) // found.frequency_Hz.size], at


def _detection_words(one: Assessment) -> list[str]:
    level = float(one["detected_radio_dBu"][0])
    noise = float(one["noise_dBu"][0])
    band, _ = _loudest(one)
    wave = _carrier(one)
    found = assessed_detection(one)
    side = "below" if level < noise else "above"
    return [
        "What radio the stopper lets through is made audible by the bend of the valve's own curve: "
        "a carrier swings further up the curve than down, so its envelope moves the mean current.",
        f"The loudest is {band.name}: {quantity(level, 'dBu', 3)} referred to the source for "
        f"{quantity(wave.emf_V, 'V', 3)} of carrier modulated "
        f"{number(100 * wave.modulation, 3)} %, {quantity(abs(level - noise), 'dB', 3)} {side} the "
        "A-weighted noise. Its second harmonic is "
        f"{number(100 * found.second_harmonic_ratio, 2)} % of it (a quarter of the modulation "
        "depth).",
    ]


def detection_steps(one: Assessment) -> list[tuple[str, str, str]]:
    """Return the detection in the loudest band as rows of what, formula with numbers, result."""
    band, at = _loudest(one)
    found, wave = assessed_detection(one), _carrier(one)
    point = one.point
    bend = curvature(one.device.law, point.grid_cathode_V, point.plate_cathode_V)
    gm = float(np.ravel(point.transconductance_S)[0])
    slope = float(np.ravel(bend.plate_by_grid)[0])
    carrier_V = float(found.grid_cathode_V[0, at])
    alone, total = float(found.grid_curve_only_V[0, at]), float(found.input_V[0, at])
    m, peak = wave.modulation, np.sqrt(2) * carrier_V
    bent = slope / gm if gm > 0 else float("nan")
    series = m / 2 * bent * peak**2 / np.sqrt(2)
    return [
        ("transconductance", "gm at the operating point", quantity(gm, "S", 3)),
        (
            "its slope",
            "gm' = d gm / d Vgk",
            f"{number(slope * 1e3, 3)} mA/V²",
        ),
        (
            f"carrier between grid and cathode, {quantity(float(found.frequency_Hz[at]), 'Hz', 3)} "
            f"({band.name})",
            f"{quantity(wave.emf_V, 'V', 3)} through the exact network",
            f"{quantity(carrier_V, 'V', 3)} r.m.s., {quantity(peak, 'V', 3)} peak",
        ),
        (
            "audio in series with the grid",
            f"(m/2)(gm'/gm)|Vgk|² = {number(m / 2, 3)} · {number(bent, 3)} /V · "
            f"({quantity(peak, 'V', 3)})², r.m.s.",
            quantity(series, "V", 3),
        ),
        (
            "referred to the source",
            f"at {quantity(wave.audio_Hz, 'Hz')}, by the exact network",
            quantity(alone, "V", 3),
        ),
        (
            "with the plate's swing and the grid current's bend as well",
            f"plate–cathode carrier {quantity(float(found.plate_cathode_V[0, at]), 'V', 3)} r.m.s.",
            f"{quantity(total, 'V', 3)}, {quantity(float(found.level_dBu[0, at]), 'dBu', 3)}",
        ),
    ]


# -- alternatives ----------------------------------------------------------------------------------


def alternatives_table(one: Assessment, *, required: bool = True) -> Table:
    """Return what other stopper styles and a small capacitor at the grid would do, and cost."""
    rows = alternatives(one)
    first = rows[0]
    fitted = _field(one, "stopper_ohm") > 0
    watched = _watched(rows, [band.name for band in one.targets.radio_bands])
    columns: dict[str, list[str]] = {
        "instead": [row.label for row in rows],
        "own capacitance": [quantity(row.stopper_shunt_F, "F", 3) for row in rows],
        "stopper works up to": [_reach(row.stopper_limit_Hz, fitted) for row in rows],
        **{
            f"{name} (dB)": [number(round(row.attenuation_dB[name], 1), 4) for row in rows]
            for name in watched
        },
    }
    if required:
        columns["worst margin (dB)"] = [number(round(row.worst_margin_dB, 1), 4) for row in rows]
    columns["detected (dBu)"] = [number(round(row.detected_dBu, 1), 4) for row in rows]
    columns["input corner"] = [quantity(row.input_corner_Hz, "Hz", 3) for row in rows]
    columns["upper corner"] = [
        quantity(row.upper_corner_Hz, "Hz", 3)
        + (
            f" ({number(round(100 * (row.upper_corner_Hz / first.upper_corner_Hz - 1), 1), 3)} %)"
            if row is not first
            else ""
        )
        for row in rows
    ]
    marked = {at: "broken" for at, row in enumerate(rows) if required and row.worst_margin_dB < 0}
    return Table(
        pd.DataFrame(columns),
        "Other stopper styles of the same resistance, and a small capacitor from grid to ground: "
        "attenuation, and the audio corner each costs.",
        marked,
    )


def _reach(limit_Hz: float, fitted: bool) -> str:
    if not fitted:
        return "—"
    return quantity(limit_Hz, "Hz", 3) if np.isfinite(limit_Hz) else "beyond 10 GHz"


def _watched(rows: list[Alternative], bands: list[str]) -> list[str]:
    """Return at most three bands: those in which the choice makes the most difference."""
    spread = {name: float(np.ptp([row.attenuation_dB[name] for row in rows])) for name in bands}
    most = sorted(bands, key=lambda name: -spread[name])[:3]
    return [name for name in bands if name in most]
