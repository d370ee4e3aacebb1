"""The section on frequency: levels at the control electrode and at the output."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from objectives.assessment import Assessment
from objectives.circuit.corners import HIGHEST_HZ
from objectives.format import first, fixed, quantity
from reports.charts.responses import response_chart, responses
from reports.model import Figure, Prose, Section, Table


def responses_section(pick: Assessment) -> Section:
    """Return the responses of the first stage of a batch."""
    t = pick.device.terms
    low, high = (first(f) for f in pick.output_corners_Hz)
    reference = quantity(pick.targets.reference_Hz, "Hz")
    lower = quantity(low, "Hz") if low > 0 else "direct current"
    upper = quantity(high, "Hz") if high < HIGHEST_HZ else f"beyond {quantity(HIGHEST_HZ, 'Hz')}"
    levels = responses(pick).levels
    decades = 10.0 ** np.arange(math.floor(math.log10(pick.targets.trusted_Hz)) + 1)
    frame = pd.DataFrame({"frequency": [quantity(f, "Hz") for f in decades]})
    for column, name in (("grid_dB", t.grid), ("output_dB", "output")):
        at = np.interp(np.log(decades), np.log(levels["frequency_Hz"]), levels[column])
        frame[f"{name} (dB)"] = [fixed(level, 1) for level in at]
    return Section(
        "responses",
        "Responses",
        [
            Prose(
                [
                    f"From {t.source} to output the stage is within 3.01 dB of its level at "
                    f"{reference} from {lower} to {upper}."
                ]
            ),
            Figure(
                "responses",
                response_chart(pick),
                f"Levels at the {t.grid} and at the output, each relative to itself at "
                f"{reference}, from the exact network. The textbook curve is one RC section "
                "with the corner of the estimate.",
            ),
            Table(frame, f"The same in numbers, relative to {reference}."),
        ],
    )
