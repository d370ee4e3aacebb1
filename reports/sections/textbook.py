"""TODO reports.sections.textbook."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd

from objectives.assessment import Assessment
from objectives.format import field_label, first, part_value, quantity, signed_percent
from objectives.textbook import TextbookEstimate
from reports.calculation import simplification_frame, textbook_steps
from reports.model import Prose, Section, Table


def _textbook(pick: Assessment, estimate: TextbookEstimate) -> Section:
    frame = simplification_frame(pick, estimate)
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
        "gain, the resistance that the grid looks back into, one RC corner. Below it the same "
        "corner from the whole network."
    ]
    left_out = [
        f"{field_label(name)} {part_value(name, value)}"
        for name in _LEFT_OUT
        if 0 < (value := first(getattr(pick.loaded, name))) < np.inf
    ]
    if left_out:
        texts.append(f"The estimate knows nothing of: {', '.join(left_out)}.")
    errors = frame["error_percent"].to_numpy()[1:-2]
    if np.isfinite(errors).any():
        worst = frame.iloc[1 + int(np.nanargmax(np.abs(errors)))]
        texts.append(
            f"Of the single simplifications the dearest is “{worst['simplification']}”: it moves "
            f"the corner by {signed_percent(float(worst['error_percent']))}."
        )
    return Section(
        "textbook",
        "Textbook estimate against the exact answer",
        [
            Prose(texts),
            textbook_steps(pick, estimate),
            Table(
                shown,
                "Each simplification made alone, everything else exact: what it does to the "
                "input corner.",
                {0: "exact"},
            ),
        ],
    )


_LEFT_OUT: Final = (
    "cable_F",
    "stray_grid_ground_F",
    "stopper_shunt_F",
    "stopper_lead_H",
    "plate_capacitor_F",
    "load_F",
    "stray_plate_ground_F",
)
"""What shapes the corner and has no place in the estimate."""
