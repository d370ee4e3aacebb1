"""The section on stability: resonances of the leads, their damping, the stopper they ask for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np
import pandas as pd

from objectives.assessment import Assessment
from objectives.circuit.arrival import QUASI_STATIC_HZ
from objectives.circuit.poles import Resonance, least_damping, resonances
from objectives.circuit.small_signal import SmallSignal
from objectives.circuit.stability import (
    COMMON_STOPPER_OHM,
    MARGIN_CAP_DB,
    WELL_DAMPED,
    negative_input_resistance,
    smallest_stopper,
    transconductance_margin_dB,
)
from objectives.devices.terms import VALVE, Terms
from objectives.format import first, number, part_value, quantity
from objectives.radio.tables import wire_inductance_H
from objectives.stage import Stage
from reports.charts.damping import damping_chart, damping_sweep, damping_title
from reports.layout import Block, Figure, Note, Prose, Section, Steps, Table

_MARGIN_DB: Final = 12.0
"""Room for a device with a higher transconductance."""

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
    one, t = assessment.single(), assessment.device.terms
    stage, device = one.loaded, one.linear
    found = resonances(stage, device)
    least = first(least_damping(stage, device))
    margin = first(transconductance_margin_dB(stage, device))
    verdict = Note(_verdict(least, margin, damping), "finding" if least >= damping else "caution")
    blocks: list[Block] = [Prose(_opening(stage, found, t))]
    if found:
        blocks.append(_resonance_table(found, t))
    blocks += [
        _steps(stage, device, damping, t),
        _chart(stage, device, damping, t),
        lead_table(stage, device, damping=damping, terms=t),
        Note(
            f"The network has no transit time and no loss in {t.leads}, so above "
            f"{quantity(QUASI_STATIC_HZ, 'Hz')} it overrates the gain of the {t.kind}; resonances "
            "up there are listed and not counted. Below it the loss of real wire adds some "
            "thousandths to every damping ratio (a quality factor near 100: common practice, no "
            "source), so one within a hundredth of 0 is undecided. A stopper works at the pin, "
            f"with the shortest possible wire between it and the {t.grid}. One that is far larger "
            f"than needed lets the {t.grid} float, and the {t.plate} and {t.cathode} leads may "
            "then resonate round it."
        ),
    ]
    if assessment.follower is not None:
        taken = assessment.follower[1].terms.grid
        blocks.append(
            Note(
                f"The cathode follower on the {t.plate} counts with its input capacitance and what "
                f"its {taken} takes, as they are well below its own corner. Its leads are left "
                "out, and so is the stability of the follower itself on a long cable."
            )
        )
    return Section("stability", "Stability", [verdict], blocks)


def _chart(stage: Stage, device: SmallSignal, damping: float, t: Terms) -> Block:
    """Return the chart, or a sentence where there is no resonance to draw."""
    if damping_sweep(stage, device)["damping"].min() < 1:
        return Figure(
            "damping",
            damping_chart(stage, device, damping, t),
            "Least damping ratio over the resonances up to 300 MHz as the stopper varies, "
            f"everything else as it is. Shaded: {t.grid} stoppers as commonly fitted (common "
            "practice, no source).",
            damping_title(stage, device, damping),
        )
    return Prose(
        [
            f"Whatever the stopper, 1 Ω to 1 MΩ, and with or without the gain of the {t.kind}, no "
            "resonance lies below 300 MHz, so there is no curve of damping to draw."
        ]
    )


def _opening(stage: Stage, found: Sequence[Resonance], t: Terms) -> list[str]:
    leads = [
        f"{label} {part_value(name, value)}"
        for name, label in (
            ("stopper_lead_H", "stopper"),
            ("grid_capacitor_lead_H", f"{t.grid} capacitor"),
            ("grid_lead_H", f"{t.grid} lead"),
            ("plate_lead_H", f"{t.plate} lead"),
            ("cathode_lead_H", f"{t.cathode} lead"),
        )
        if (value := first(getattr(stage, name))) > 0
    ]
    texts = [
        f"With the inductance of its leads a stage is two tuned circuits, one at the {t.grid} and "
        f"one at the {t.plate}, coupled by the {t.grid}–{t.plate} capacitance: the circuit of an "
        "oscillator. The poles of the whole network say whether it is one.",
    ]
    if not leads:
        texts.append(
            "No lead inductance is stated for this stage, so nothing can resonate in it; the table "
            "of lead lengths below shows what wiring would bring."
        )
        return texts
    texts.append(f"Inductances in this stage: {', '.join(leads)}.")
    if not found:
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
        else "at a lower transconductance it oscillates, so it may do so as it is switched on"
    )
    return (
        f"The stage is {state} up to 300 MHz: least damping ratio {number(least, 2)}, where "
        f"{number(damping, 2)} is required; {room}."
    )


def _damping(ratio: float) -> str:
    return number(round(ratio, 4), 3)


def _resonance_table(found: Sequence[Resonance], t: Terms) -> Table:
    frame = pd.DataFrame(
        {
            "resonance": [quantity(r.frequency_Hz, "Hz", 3) for r in found],
            "damping ratio": [_damping(r.damping) for r in found],
            f"without the {t.kind}'s gain": [_damping(r.damping_without_valve) for r in found],
            f"the {t.kind}": [
                "feeds it" if r.damping < r.damping_without_valve else "damps it" for r in found
            ],
            "counted": ["yes" if r.counted else "no, too high" for r in found],
        }
    )
    return Table(
        frame,
        "Resonances of the stage, each beside the nearest one of the same parts at a "
        "transconductance of 0.",
        {at: "broken" for at, r in enumerate(found) if r.counted and r.damping < 0},
    )


def _steps(stage: Stage, device: SmallSignal, damping: float, t: Terms) -> Steps:
    bare = replace(stage, stopper_ohm=0.0)
    port = negative_input_resistance(stage, device)
    worst = first(port.resistance_ohm)
    wide = smallest_stopper(stage, device, damping=damping, margin_dB=_MARGIN_DB)
    low, high = (quantity(r, "ohm") for r in COMMON_STOPPER_OHM)
    rows = [
        ("stopper as it is", "", part_value("stopper_ohm", first(stage.stopper_ohm))),
        (
            "without a stopper",
            "least damping ratio of the poles of (s E + A) x = 0, up to 300 MHz",
            _damping(first(least_damping(bare, device))),
        ),
        (
            "smallest stopper that damps well",
            f"least R with damping ratio ≥ {number(damping, 2)}",
            _stopper_words(first(smallest_stopper(stage, device, damping=damping)), t),
        ),
        (
            f"the same with room for a {t.kind} of more gain",
            f"and {number(_MARGIN_DB, 3)} dB of transconductance to spare",
            _stopper_words(first(wide), t),
        ),
        (
            "hand estimate: most negative resistance that the stopper sees",
            f"min Re 1/Y from 1 to 300 MHz, at {quantity(port.frequency_Hz, 'Hz', 3)} "
            "(Miller 1920)",
            quantity(worst, "ohm", 3) if worst < 0 else "none is negative: no stopper needed",
        ),
        ("commonly fitted", "at the pin; common practice, no source", f"{low} to {high}"),
    ]
    return Steps(rows)


def _stopper_words(stopper_ohm: float, t: Terms) -> str:
    if np.isnan(stopper_ohm):
        return f"none: no resistance at the {t.grid} damps it"
    return "no stopper needed" if stopper_ohm == 0 else quantity(stopper_ohm, "ohm", 3)


def lead_table(
    stage: Stage, device: SmallSignal, *, damping: float = WELL_DAMPED, terms: Terms = VALVE
) -> Table:
    """Return what longer grid and plate leads ask of the stopper; wire of 0.6 mm.

    The length stands for both leads. Inductances by
    :func:`objectives.radio.tables.wire_inductance_H`.
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
            "inductance of each": [quantity(value, "H", 3) for value in lead],
            "damping without stopper": [_damping(z) for z in without],
            "damping as it is": [_damping(z) for z in fitted],
            "smallest stopper": [_stopper_words(r, terms) for r in stopper],
        }
    )
    return Table(
        frame,
        f"What lead length asks of the stopper: {terms.grid} and {terms.plate} leads of "
        f"{number(_WIRE_MM)} mm wire, everything else as it is, damping ratio "
        f"{number(damping, 2)} required.",
        {at: "broken" for at, z in enumerate(fitted) if z < 0},
    )
