"""The section on radio at the grid: the rejection curve, the real stopper, and detection."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
import pandas as pd

from objectives.assessment import Assessment
from objectives.format import number, part_value, quantity
from objectives.radio.detection import curvature
from objectives.radio.stopper import alternatives, stopper_limits
from objectives.radio.tables import radio_bands
from objectives.scores.radio import assessed_detection, detected_by_band_dBu
from objectives.targets import RadioBand
from reports.charts.rejection import (
    _carrier,
    _field,
    _frequency,
    _given_dB,
    _watched,
    gain_chart,
    rejection_chart,
)
from reports.model import Block, Figure, Note, Prose, Section, Steps, Table

__all__ = ["alternatives_table", "detection_steps", "radio_section"]


def radio_section(assessment: Assessment) -> Section:
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
