"""The section on the hand calculation: every step, and the error of each simplification."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd

from objectives.assessment import Assessment
from objectives.circuit.network import Network
from objectives.elements import ELEMENTS
from objectives.format import first, number, part_value, quantity, signed_percent
from reports.calculation import simplification_frame, textbook_steps
from reports.layout import Prose, Row, Slot, Table
from reports.second_estimate import second_steps

_LEFT_OUT: Final = (
    "stopper_shunt_F",
    "stopper_lead_H",
    "grid_capacitor_lead_H",
    "plate_capacitor_series_ohm",
)
"""What shapes the corner and has no place in either estimate."""


def textbook_slot(pick: Assessment) -> Slot:
    """Return the textbook estimate of the first stage of a batch beside the exact answer."""
    frame, t = simplification_frame(pick), pick.device.terms
    shown = pd.DataFrame(
        {
            "simplification": frame["simplification"],
            "what it means": frame["meaning"],
            "input corner": [quantity(f, "Hz") for f in frame["corner_Hz"]],
            "error": [signed_percent(e) for e in frame["error_percent"]],
        }
    )
    texts = [
        "The hand calculation, with every number: gain at mid-band, Miller capacitance at that "
        f"gain, the resistance that the {t.grid} looks back into, one corner, and below it that of "
        f"the whole network. A second estimate, in the appendix, adds the time constant at the "
        f"{t.plate}."
    ]
    errors = frame["error_percent"].to_numpy()[1:-3]
    if np.isfinite(errors).any():
        worst = 1 + int(np.nanargmax(np.abs(errors)))
        texts.append(
            f"Of the single simplifications “{shown['simplification'][worst]}” has the largest "
            f"error: {shown['error'][worst]}."
        )
    return Slot(
        "worked",
        [
            Prose([" ".join(texts)]),
            Row(
                [
                    [textbook_steps(pick)],
                    [
                        Table(
                            shown,
                            "The input corner with each simplification made alone, everything "
                            "else exact.",
                            {0: "exact"},
                        )
                    ],
                ]
            ),
        ],
    )


def second_estimate_slot(pick: Assessment) -> Slot:
    """Return the second estimate, step by step."""
    texts = [*_why_it_differs(pick), *left_out_sentences(pick)]
    return Slot("second", [Prose(texts), second_steps(pick)])


def _why_it_differs(pick: Assessment) -> list[str]:
    """Return what the first estimate's two assumptions cost; nothing where there is no corner."""
    t, e = pick.device.terms, pick.textbook
    exact = first(e.exact_corner_Hz)
    if not np.isfinite(exact):
        return []
    (held,) = (s for s in e.simplifications if s.name == "constant gain")
    there = Network(pick.loaded, pick.linear, e.exact_corner_Hz)
    gain = np.abs(there.plate / there.grid)
    adding = 100 * (first(e.corner_Hz) / first(held.corner_Hz) - 1)
    return [
        f"The first estimate lies {signed_percent(first(e.error_percent))} from the exact corner, "
        f"the second {signed_percent(first(e.second_error_percent))}.",
        f"The first takes the gain as constant: {number(e.gain_magnitude, 3)} at mid-band, but "
        f"{number(gain, 3)} at the exact corner, where the {t.plate} has a corner of its own at "
        f"{quantity(1 / (2 * np.pi * e.second.plate_s), 'Hz', 3)}. With the gain held, the network "
        f"would have its input corner at {quantity(held.corner_Hz, 'Hz', 3)} "
        f"({signed_percent(first(held.error_percent))}).",
        "The first estimate also adds up time constants as though there were one pole, and leaves "
        f"small parts out: {signed_percent(adding)} against that.",
    ]


def left_out_sentences(pick: Assessment) -> list[str]:
    """Return what of the stage has no place in the estimate, in a sentence; empty if nothing."""
    left_out = [
        f"{ELEMENTS[name].label_for(pick.device.terms)} {part_value(name, value)}"
        for name in _LEFT_OUT
        if 0 < (value := first(getattr(pick.loaded, name))) < np.inf
    ]
    text = f"Both estimates leave out: {', '.join(left_out)}; part of the difference is theirs."
    return [text] if left_out else []
