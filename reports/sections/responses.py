"""TODO reports.sections.responses."""

from __future__ import annotations

import numpy as np
import pandas as pd

from objectives.assessment import Assessment
from objectives.circuit.corners import HIGHEST_HZ
from objectives.format import first, fixed, quantity
from objectives.textbook import TextbookEstimate
from reports.charts.responses import response_chart, responses
from reports.model import Figure, Prose, Section, Table


def _responses(pick: Assessment, estimate: TextbookEstimate) -> Section:
    low, high = (first(f) for f in pick.output_corners_Hz)
    reference = quantity(pick.targets.reference_Hz, "Hz")
    lower = f"from {quantity(low, 'Hz')}" if low > 0 else "from direct current"
    upper = f"to {quantity(high, 'Hz')}" if high < HIGHEST_HZ else "to beyond 10 GHz"
    text = (
        f"From source to output the stage is within 3.01 dB of its level at {reference} "
        f"{lower} {upper}."
    )
    swept = responses(pick, estimate).levels
    decades = 10.0 ** np.arange(10)
    frame = pd.DataFrame({"frequency": [quantity(f, "Hz") for f in decades]})
    for port, name in (("grid_dB", "grid (dB)"), ("output_dB", "output (dB)")):
        levels = np.interp(np.log(decades), np.log(swept["frequency_Hz"]), swept[port])
        frame[name] = [fixed(float(v), 1) for v in levels]
    return Section(
        "responses",
        "Responses",
        [
            Prose([text]),
            Figure(
                "responses",
                response_chart(pick, estimate),
                f"Levels at the grid and at the output, each relative to itself at {reference}, "
                "by the exact network. The textbook curve is the one RC section of the estimate.",
            ),
            Table(frame, f"The same in numbers, relative to {reference}."),
        ],
    )
