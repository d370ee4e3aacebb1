"""The section on radio: the budget of each band, the real stopper, detection, alternatives."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np
import pandas as pd

from objectives.assessment import Assessment
from objectives.format import SPACE, first, fixed, number, part_value, percent, quantity
from objectives.radio.detection import curvature
from objectives.radio.stopper import Alternative, alternatives, stopper_limits
from objectives.radio.tables import radio_bands
from objectives.scores.radio import assessed_detection, detected_by_band_dBu
from objectives.targets import RadioBand
from reports.charts.rejection import (
    IDEAL_STOPPER,
    NO_STOPPER,
    gain_drawing,
    gain_title,
    least_attenuation_dB,
    rejection_drawing,
    rejection_title,
)
from reports.layout import Block, Figure, Note, Prose, Section, Steps, Table
from reports.sections.levels import radio_sentences


def radio_section(assessment: Assessment) -> Section:
    """Return the section on radio at the grid of one stage (a batch of one).

    Without radio bands in the targets the standard bands are shown, with nothing required of them.

    Raises
    ------
    ValueError
        If the assessment is not of one stage.
    """
    one, t = assessment.single(), assessment.device.terms
    required = bool(one.targets.radio_bands)
    if not required:
        shown = tuple(band.required(0.0) for band in radio_bands())
        one = replace(one, targets=replace(one.targets, radio_bands=shown))
    budget = radio_budget(one)
    caption = (
        f"Attenuation from the EMF of the carrier to the {t.grid}, up to where the model is "
        "trusted. Shaded: the radio bands"
    )
    blocks: list[Block] = [
        *([_verdict(one, budget)] if required else []),
        Prose([*radio_sentences(one), *_opening(one)]),
        Figure(
            "rejection",
            rejection_drawing(one, required=required),
            caption + ("; the bar across a band is what is required in it." if required else "."),
            rejection_title(one, required=required),
        ),
        _band_table(one, budget, required=required),
        Prose(_detection_words(one)),
    ]
    details: list[Block] = [
        Figure(
            "gain_at_radio",
            gain_drawing(one),
            f"Gain from {t.grid} to {t.plate} and from {t.source} to output at the same "
            "frequencies.",
            gain_title(one),
        ),
        Steps(detection_steps(one)),
        alternatives_table(one, required=required),
        Note(
            "Shunt capacitance and inductance of a resistor vary from part to part and with what "
            "is near it; most figures in the table of styles are common practice without a "
            "source. What field there is, and so how strong the carrier is, no calculation knows: "
            "attenuation and detection compare one stage with another."
        ),
    ]
    return Section("radio", "Radio at the " + t.grid, blocks, details)


_LEFT_OUT: Final = {
    "without_stopper_dB": NO_STOPPER,
    "ideal_stopper_dB": IDEAL_STOPPER,
    "without_shunts_dB": {"cable_F": 0.0, "grid_capacitor_F": 0.0, "stray_grid_ground_F": 0.0},
}


def radio_budget(one: Assessment) -> pd.DataFrame:
    """Return, for each band that is scored, what the first stage attenuates and why.

    Columns: band, low_Hz, high_Hz, required_dB, given_dB (the least in the band), margin_dB, and
    the same least attenuation with one thing left out: without_stopper_dB,
    ideal_stopper_dB (no capacitance or inductance of its own) and without_shunts_dB (no cable,
    no capacitor from grid to ground, no strays to ground).
    """
    rows = [(b.name, b.low_Hz, b.high_Hz, b.attenuation_dB) for b in one.targets.scored_bands]
    budget = pd.DataFrame(rows, columns=["band", "low_Hz", "high_Hz", "required_dB"])
    budget["given_dB"] = list(least_attenuation_dB(one).values())
    budget["margin_dB"] = budget["given_dB"] - budget["required_dB"]
    for name, change in _LEFT_OUT.items():
        changed = replace(one, stage=replace(one.stage, **change))
        budget[name] = list(least_attenuation_dB(changed).values())
    return budget


def tightest_band(one: Assessment) -> str:
    """Return the band of least margin of one stage; empty where no band is scored."""
    bands, given = one.targets.scored_bands, least_attenuation_dB(one).values()
    margins = [dB - band.attenuation_dB for band, dB in zip(bands, given, strict=True)]
    return bands[int(np.argmin(margins))].name if bands else ""


def _opening(one: Assessment) -> list[str]:
    stage, t = one.stage, one.device.terms
    if first(stage.stopper_ohm) == 0:
        return [
            f"There is no stopper: nothing but what radio passes on its way keeps it from the "
            f"{t.grid}."
        ]
    limits = stopper_limits(one.loaded, one.linear, one.targets.carrier.arrival)
    top = quantity(one.targets.trusted_Hz, "Hz", 3)
    own = (
        f"The stopper of {part_value('stopper_ohm', first(stage.stopper_ohm))} has "
        f"{quantity(stage.stopper_shunt_F, 'F', 3)} in parallel and "
        f"{quantity(stage.stopper_lead_H, 'H', 3)} in series of its own."
    )
    impedance, rejection = first(limits.impedance_Hz), first(limits.rejection_Hz)
    if not np.isfinite(impedance) and not np.isfinite(rejection):
        return [own + " It acts as a resistor over the whole range."]
    return [
        own,
        f"It stops being a resistor at {_frequency(impedance, top)}, where its impedance is 3 dB "
        f"off its resistance; from {_frequency(rejection, top)} the attenuation is 3 dB off that "
        f"of an ideal resistor. The most attenuation up to {top} is "
        f"{quantity(limits.greatest_dB, 'dB', 3)}, at {quantity(limits.greatest_Hz, 'Hz', 2)}.",
    ]


def _frequency(hertz: float, top: str) -> str:
    return quantity(hertz, "Hz", 3) if np.isfinite(hertz) else f"no frequency up to {top}"


def _dB(value: float) -> str:
    return f"{fixed(value, 1)}{SPACE}dB"


def _verdict(one: Assessment, budget: pd.DataFrame) -> Note:
    """Return which band is the tightest, and what the stopper does there."""
    worst = budget.iloc[int(np.argmin(budget["margin_dB"]))]
    margin = float(worst["margin_dB"])
    room = f"{_dB(margin)} to spare" if margin >= 0 else f"short by {_dB(-margin)}"
    text = (
        f"Tightest is {worst['band']}: {_dB(worst['given_dB'])} of attenuation at the "
        f"{one.device.terms.grid}, {_dB(worst['required_dB'])} required, {room}."
    )
    if first(one.stage.stopper_ohm) > 0:
        gained = float(worst["given_dB"] - worst["without_stopper_dB"])
        lost = float(worst["ideal_stopper_dB"] - worst["given_dB"])
        cost = f"{'cost' if lost > 0 else 'add'} {_dB(abs(lost))}"
        text += (
            f" The stopper gives {_dB(gained)} of it; its own capacitance and leads "
            f"{cost if abs(lost) >= 0.05 else 'cost next to nothing'} against an ideal one."
        )
    return Note(text, "finding" if margin >= 0 else "caution")


def _band_table(one: Assessment, budget: pd.DataFrame, *, required: bool) -> Table:
    columns = {"given_dB": "least attenuation (dB)"}
    if required:
        columns |= {"required_dB": "required (dB)", "margin_dB": "margin (dB)"}
    left_out = f"without {one.device.terms.grid}-to-ground capacitance"
    if first(one.stage.stopper_ohm) > 0:
        columns |= {
            "without_stopper_dB": "without stopper (dB)",
            "ideal_stopper_dB": "ideal stopper (dB)",
        }
        left_out = (
            "without the stopper, with a stopper free of capacitance and inductance, and "
            + left_out
        )
    columns["without_shunts_dB"] = "without shunts (dB)"
    spans = zip(budget["low_Hz"], budget["high_Hz"], strict=True)
    detected = detected_by_band_dBu(one)
    frame = pd.DataFrame(
        {
            "band": budget["band"],
            "range": [f"{quantity(low, 'Hz')} to {quantity(high, 'Hz')}" for low, high in spans],
            **{title: [fixed(v, 1) for v in budget[name]] for name, title in columns.items()},
            "detected (dBu)": [fixed(detected[name], 1) for name in budget["band"]],
        }
    )
    wave = one.targets.carrier
    return Table(
        frame,
        f"Least attenuation in each band: as it is, {left_out} (cable, capacitor, strays). "
        "Detected: the loudest audio, referred to the "
        f"{one.device.terms.source}, from a carrier of {quantity(wave.emf_V, 'V', 3)} (r.m.s., "
        f"modulated {percent(wave.modulation)}).",
        {at: "broken" for at, m in enumerate(budget["margin_dB"]) if required and m < 0},
    )


def _loudest(one: Assessment) -> tuple[RadioBand, int]:
    """Return the band with the loudest audio, and where in the swept frequencies it is."""
    found = assessed_detection(one)
    bands = one.targets.scored_bands
    at = int(found.level_dBu.argmax())
    return bands[at * len(bands) // found.frequency_Hz.size], at


def _detection_words(one: Assessment) -> list[str]:
    t, wave = one.device.terms, one.targets.carrier
    level = first(one["detected_radio_dBu"])
    over = level - first(one["noise_dBu"])
    harmonic = assessed_detection(one).second_harmonic_ratio
    return [
        f"The {t.kind}'s own curvature makes audible what radio the stopper lets through: a "
        "carrier swings further up the curve than down, so its envelope moves the mean current.",
        f"The loudest is {_loudest(one)[0].name}: {quantity(level, 'dBu', 3)} referred to the "
        f"{t.source} for {quantity(wave.emf_V, 'V', 3)} of carrier modulated "
        f"{percent(wave.modulation)}, {quantity(abs(over), 'dB', 3)} "
        f"{'below' if over < 0 else 'above'} the A-weighted noise. Its second harmonic is "
        f"{number(100 * harmonic, 2)}{SPACE}% of it (a quarter of the modulation depth).",
    ]


def detection_steps(one: Assessment) -> list[tuple[str, str, str]]:
    """Return the detection in the loudest band as rows of what, formula with numbers, result."""
    band, at = _loudest(one)
    found, wave = assessed_detection(one), one.targets.carrier
    point, t = one.point, one.device.terms
    gm = first(point.transconductance_S)
    slope = first(
        curvature(one.device.law, point.grid_cathode_V, point.plate_cathode_V).plate_by_grid
    )
    carrier_V = first(found.grid_cathode_V[..., at])
    m, peak = wave.modulation, np.sqrt(2) * carrier_V
    bent = slope / gm if gm > 0 else float("nan")
    series = m / 2 * bent * peak**2 / np.sqrt(2)
    return [
        ("transconductance", "g_m at the operating point", quantity(gm, "S", 3)),
        ("its slope", f"g_m' = d g_m / d {t.V_gk}", f"{number(slope * 1e3, 3)} mA/V²"),
        (
            f"carrier between {t.grid} and {t.cathode}, {quantity(found.frequency_Hz[at], 'Hz', 3)}"
            f" ({band.name})",
            f"{quantity(wave.emf_V, 'V', 3)} through the exact network",
            f"{quantity(carrier_V, 'V', 3)} r.m.s., {quantity(peak, 'V', 3)} peak",
        ),
        (
            f"audio in series with the {t.grid}",
            f"(m/2)(g_m'/g_m)|{t.V_gk}|² = {number(m / 2, 3)} · {number(bent, 3)} /V · "
            f"({quantity(peak, 'V', 3)})², r.m.s.",
            quantity(series, "V", 3),
        ),
        (
            f"referred to the {t.source}",
            f"at {quantity(wave.audio_Hz, 'Hz')}, by the exact network",
            quantity(found.grid_curve_only_V[..., at], "V", 3),
        ),
        (
            f"with the {t.plate}'s swing and the curvature of the {t.grid} current as well",
            f"{t.plate}–{t.cathode} carrier {quantity(found.plate_cathode_V[..., at], 'V', 3)} "
            "r.m.s.",
            f"{quantity(found.input_V[..., at], 'V', 3)}, "
            f"{quantity(found.level_dBu[..., at], 'dBu', 3)}",
        ),
    ]


def alternatives_table(one: Assessment, *, required: bool = True) -> Table:
    """Return what other stopper styles and a small capacitor at the grid would do, and cost."""
    rows, t = alternatives(one), one.device.terms
    as_it_is = rows[0]
    fitted = first(one.stage.stopper_ohm) > 0

    def label(row: Alternative) -> str:
        kind = f": {row.capacitor_style}" if row.capacitor_style else ""
        if row.added_F > 0:
            return f"{quantity(row.added_F, 'F')} more from {t.grid} to ground{kind}"
        if kind:
            return f"the {quantity(row.grid_capacitor_F, 'F')} from {t.grid} to ground{kind}"
        return row.style or "as it is"

    def upper(row: Alternative) -> str:
        change = 100 * (row.upper_corner_Hz / as_it_is.upper_corner_Hz - 1)
        corner = quantity(row.upper_corner_Hz, "Hz", 3)
        return corner if row is as_it_is else f"{corner} ({number(round(change, 1), 3)} %)"

    columns: dict[str, list[str]] = {
        "alternative": [label(row) for row in rows],
        "own capacitance": [quantity(row.stopper_shunt_F, "F", 3) for row in rows],
        "stopper works up to": [
            _reach(row.stopper_limit_Hz, one.targets.trusted_Hz) if fitted else "—" for row in rows
        ],
        **{
            f"{name} (dB)": [fixed(row.attenuation_dB[name], 1) for row in rows]
            for name in _most_affected(rows, [band.name for band in one.targets.scored_bands])
        },
    }
    if required:
        columns["worst margin (dB)"] = [fixed(row.worst_margin_dB, 1) for row in rows]
    columns["detected (dBu)"] = [fixed(row.detected_dBu, 1) for row in rows]
    columns["input corner"] = [quantity(row.input_corner_Hz, "Hz", 3) for row in rows]
    columns["upper corner"] = [upper(row) for row in rows]
    return Table(
        pd.DataFrame(columns),
        f"Other stopper styles of the same resistance, and a small capacitor from {t.grid} to "
        f"ground, behind {quantity(one.stage.grid_capacitor_lead_H, 'H', 3)} of leads and body "
        "unless its style is named: the attenuation, and the audio corners that each costs.",
        {at: "broken" for at, row in enumerate(rows) if required and row.worst_margin_dB < 0},
    )


def _most_affected(rows: Sequence[Alternative], bands: Sequence[str]) -> list[str]:
    """Return at most three bands: those in which the choice makes the most difference."""
    spread = {name: float(np.ptp([row.attenuation_dB[name] for row in rows])) for name in bands}
    most = sorted(bands, key=lambda name: -spread[name])[:3]
    return [name for name in bands if name in most]


def _reach(limit_Hz: float, top_Hz: float) -> str:
    return quantity(min(limit_Hz, top_Hz), "Hz", 3) + " or more" * (limit_Hz > top_Hz)
