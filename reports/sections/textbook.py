"""The section on the hand calculation: every step, and the error of each simplification."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd

from objectives.assessment import Assessment
from objectives.elements import ELEMENTS
from objectives.format import first, part_value, quantity, signed_percent
from reports.calculation import simplification_frame, textbook_steps
from reports.model import Prose, Section, Table

_LEFT_OUT: Final = (
    "stray_grid_ground_F",
    "stopper_shunt_F",
    "stopper_lead_H",
    "grid_capacitor_lead_H",
    "plate_capacitor_F",
    "load_F",
    "stray_plate_ground_F",
)
"""What shapes the corner and has no place in the estimate."""


def textbook_section(pick: Assessment) -> Section:
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
        f"gain, the resistance that the {t.grid} looks back into, one corner. Below it stands the "
        "corner of the whole network."
    ]
    texts += left_out_sentences(pick)
    errors = frame["error_percent"].to_numpy()[1:-2]
    if np.isfinite(errors).any():
        worst = 1 + int(np.nanargmax(np.abs(errors)))
        texts.append(
            f"Of the single simplifications “{shown['simplification'][worst]}” has the largest "
            f"error: {shown['error'][worst]}."
        )
    return Section(
        "textbook",
        "Textbook estimate against the exact answer",
        [
            Prose(texts),
            textbook_steps(pick),
            Table(
                shown,
                "The input corner with each simplification made alone, everything else exact.",
                {0: "exact"},
            ),
        ],
    )


def left_out_sentences(pick: Assessment) -> list[str]:
    """Return what of the stage has no place in the estimate, in a sentence; empty if nothing."""
    left_out = [
        f"{ELEMENTS[name].label_for(pick.device.terms)} {part_value(name, value)}"
        for name in _LEFT_OUT
        if 0 < (value := first(getattr(pick.loaded, name))) < np.inf
    ]
    text = f"The estimate leaves out: {', '.join(left_out)}; part of the difference is theirs."
    return [text] if left_out else []
