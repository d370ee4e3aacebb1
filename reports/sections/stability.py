"""The section on stability: resonances of the leads, their damping, the stopper they ask for."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
import pandas as pd

from objectives.assessment import Assessment
from objectives.circuit.poles import QUASI_STATIC_HZ, Resonance, least_damping, resonances
from objectives.circuit.small_signal import SmallSignal
from objectives.circuit.stability import (
    COMMON_STOPPER_OHM,
    MARGIN_CAP_DB,
    WELL_DAMPED,
    negative_input_resistance,
    smallest_stopper,
    transconductance_margin_dB,
)
from objectives.format import number, part_value, quantity
from objectives.radio.tables import wire_inductance_H
from objectives.stage import Stage
from reports.charts.damping import _MARGIN_DB, damping_chart, damping_sweep
from reports.model import Block, Figure, Note, Prose, Section, Steps, Table

__all__ = ["lead_table", "stability_section"]

_WIRE_MM: Final = 0.6
"""Diameter of the wire in the table of lead lengths."""


_LENGTHS_MM: Final = (10.0, 30.0, 100.0, 300.0)


def stability_section(assessment: Assessment, *, damping: float = WELL_DAMPED) -> Section:
    """Return the section on the stability of one stage (a batch of one).

    Parameters
    ----------
    assessment :
        The pick.
    damping :
        Least damping ratio that counts as well damped.

    Raises
    ------
    ValueError
        If the assessment is not of one stage, or ``damping`` is not below 1.
    """
    one = assessment.single()
    stage, device = one.loaded, one.linear
    found = resonances(stage, device)
    least = float(least_damping(stage, device))
    margin = float(transconductance_margin_dB(stage, device))
    stopper = float(smallest_stopper(stage, device, damping=damping))
    blocks: list[Block] = [
        Prose(_opening(stage, found)),
        Note(_verdict(least, margin, damping), "finding" if least >= damping else "caution"),
    ]
    if found:
        blocks.append(_resonance_table(found))
    blocks += [
        Steps(_steps(stage, device, damping, stopper)),
        *_chart(stage, device, damping),
        lead_table(stage, device, damping=damping),
        Note(
            "The network has no transit time and no loss in leads, pins and mica, so above "
            f"{quantity(QUASI_STATIC_HZ, 'Hz')} it shows the valve livelier than it is; resonances "
            "up there are listed and not counted. Below it the loss of real wire adds some "
            "thousandths to every damping ratio (a quality factor near 100: common practice, no "
            "source), so one within a hundredth of 0 may go either way. A stopper works at the "
            "pin, with as little wire as can be between it and the grid; one that is far larger "
            "than needed lets the grid float, and the plate and cathode leads may then resonate "
            "round it."
        ),
    ]
    if assessment.follower is not None:
        blocks.append(
            Note(
                "The cathode follower on the plate counts with its input capacitance and what its "
                "grid takes, as they are well below its own corner; its leads are not in it, and "
                "what it does of itself with a long cable is a question of its own."
            )
        )
    return Section("stability", "Stability at very high frequencies", blocks)


_CAPTION: Final = (
    "Least damping ratio over the resonances up to 300 MHz as the stopper varies, everything else "
    "as it is. Shaded: grid stoppers as commonly fitted (common practice, no source)."
)


def _chart(stage: Stage, device: SmallSignal, damping: float) -> list[Block]:
    """Return the chart, or in words that there is nothing to see in it."""
    if damping_sweep(stage, device)["damping"].min() < 1:
        return [Figure("damping", damping_chart(stage, device, damping), _CAPTION)]
    return [
        Prose(
            [
                "Whatever the stopper, 1 Ω to 1 MΩ, with the valve or with it cold: no resonance "
                "lies below 300 MHz, so there is no curve of damping to draw."
            ]
        )
    ]


def _opening(stage: Stage, found: list[Resonance]) -> list[str]:
    leads = [
        f"{label} {part_value(name, float(value))}"
        for name, label in (
            ("stopper_lead_H", "stopper"),
            ("grid_lead_H", "grid lead"),
            ("plate_lead_H", "plate lead"),
            ("cathode_lead_H", "cathode lead"),
        )
        if (value := np.asarray(getattr(stage, name))) > 0
    ]
    texts = [
        "With the inductance of its leads a stage is two tuned circuits, one at the grid and one "
        "at the plate, coupled by the grid–plate capacitance: the circuit of an oscillator. The "
        "poles of the whole network say whether it is one.",
    ]
    if leads:
        texts.append(f"Inductances in this stage: {', '.join(leads)}.")
    else:
        texts.append(
            "No lead inductance is stated for this stage, so nothing can resonate in it; the table "
            "of lead lengths below shows what wiring would bring."
        )
    if leads and not found:
        texts.append("All poles are real: nothing resonates.")
    return texts


def _verdict(least: float, margin: float, damping: float) -> str:
    if least < 0:
        return (
            "The stage oscillates: a resonance below 300 MHz grows instead of dying away "
            f"(damping ratio {number(least, 2)})."
        )
    state = "well damped" if least >= damping else "stable but lightly damped"
    reach = "more than " if margin >= MARGIN_CAP_DB else ""
    room = (
        f"transconductance could rise by {reach}{quantity(margin, 'dB', 3)} before it oscillated"
        if margin > 0
        else "it would oscillate while warming up, at a lower transconductance than it ends with"
    )
    return (
        f"The stage is {state} up to 300 MHz: least damping ratio {number(least, 2)}, where "
        f"{number(damping, 2)} is asked; {room}."
    )


def _resonance_table(found: list[Resonance]) -> Table:
    frame = pd.DataFrame(
        {
            "resonance": [quantity(r.frequency_Hz, "Hz", 3) for r in found],
            "damping ratio": [number(round(r.damping, 4), 3) for r in found],
            "valve cold": [number(round(r.damping_without_valve, 4), 3) for r in found],
            "the valve": [
                "feeds it" if r.damping < r.damping_without_valve else "damps it" for r in found
            ],
            "counted": ["yes" if r.counted else "no, too high" for r in found],
        }
    )
    marked = {at: "broken" for at, r in enumerate(found) if r.counted and r.damping < 0}
    return Table(
        frame,
        "Resonances of the stage, and the nearest one of the same parts with the valve cold.",
        marked,
    )


def _steps(
    stage: Stage, device: SmallSignal, damping: float, stopper: float
) -> list[tuple[str, str, str]]:
    bare = replace(stage, stopper_ohm=0.0)
    port = negative_input_resistance(stage, device)
    worst = float(port.resistance_ohm)
    wide = float(smallest_stopper(stage, device, damping=damping, margin_dB=_MARGIN_DB))
    low, high = COMMON_STOPPER_OHM
    return [
        ("stopper as it is", "", part_value("stopper_ohm", float(np.asarray(stage.stopper_ohm)))),
        (
            "without a stopper",
            "least damping ratio of the poles of (s E + A) x = 0, up to 300 MHz",
            number(round(float(least_damping(bare, device)), 4), 3),
        ),
        (
            "smallest stopper that damps well",
            f"least R with damping ratio ≥ {number(damping, 2)}",
            _stopper_words(stopper),
        ),
        (
            "the same with room for a livelier valve",
            f"and {number(_MARGIN_DB, 3)} dB of transconductance to spare",
            _stopper_words(wide),
        ),
        (
            "hand estimate: most negative resistance the stopper looks into",
            f"min Re 1/Y from 1 to 300 MHz, at {quantity(float(port.frequency_Hz), 'Hz', 3)} "
            "(Miller 1920)",
            quantity(worst, "ohm", 3) if worst < 0 else "none is negative: no stopper needed",
        ),
        (
            "commonly fitted",
            "at the pin; common practice, no source",
            f"{quantity(low, 'ohm')} to {quantity(high, 'ohm')}",
        ),
    ]


def _stopper_words(stopper_ohm: float) -> str:
    if np.isnan(stopper_ohm):
        return "none does: the resonance is out of the grid's reach"
    return "no stopper needed" if stopper_ohm == 0 else quantity(stopper_ohm, "ohm", 3)


def lead_table(stage: Stage, device: SmallSignal, *, damping: float = WELL_DAMPED) -> Table:
    """Return what longer grid and plate leads ask of the stopper; wire of 0.6 mm.

    The length stands for both leads. Inductances by :func:`objectives.radio.wire_inductance_H`.
    """
    length = np.array(_LENGTHS_MM)
    lead = wire_inductance_H(length * 1e-3, _WIRE_MM * 1e-3)
    wired = replace(stage, grid_lead_H=lead, plate_lead_H=lead)
    without = least_damping(replace(wired, stopper_ohm=0.0), device)
    fitted = least_damping(wired, device)
    stopper = smallest_stopper(wired, device, damping=damping)
    frame = pd.DataFrame(
        {
            "leads": [f"{number(mm)} mm" for mm in length],
            "inductance of each": [quantity(float(value), "H", 3) for value in lead],
            "damping without stopper": [number(round(float(z), 4), 3) for z in without],
            "damping as it is": [number(round(float(z), 4), 3) for z in fitted],
            "smallest stopper": [_stopper_words(float(r)) for r in stopper],
        }
    )
    return Table(
        frame,
        f"What lead length asks of the stopper: grid and plate leads of {number(_WIRE_MM)} mm "
        f"wire, everything else as it is, damping ratio {number(damping, 2)} asked.",
        {at: "broken" for at, z in enumerate(fitted) if z < 0},
    )
