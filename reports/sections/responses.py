"""The section on frequency: levels at the control electrode and at the output."""

from __future__ import annotations

from objectives.assessment import Assessment
from objectives.circuit.corners import HIGHEST_HZ
from objectives.format import first, quantity
from reports.charts.responses import corner_title, response_drawings, response_title
from reports.layout import Figure, Prose, Row, Slot


def responses_slot(pick: Assessment) -> Slot:
    """Return the responses of the first stage of a batch."""
    t, (whole, near) = pick.device.terms, response_drawings(pick)
    low, high = (first(f) for f in pick.output_corners_Hz)
    reference = quantity(pick.targets.reference_Hz, "Hz")
    lower = quantity(low, "Hz") if low > 0 else "direct current"
    upper = quantity(high, "Hz") if high < HIGHEST_HZ else f"beyond {quantity(HIGHEST_HZ, 'Hz')}"
    return Slot(
        "responses",
        [
            Prose(
                [
                    f"From {t.source} to output the stage is within 3.01 dB of its level at "
                    f"{reference} from {lower} to {upper}."
                ]
            ),
            Row(
                [
                    [
                        Figure(
                            "responses",
                            whole,
                            f"Levels at the {t.grid} and at the output, each relative to itself at "
                            f"{reference}, from the exact network.",
                            response_title(pick),
                        )
                    ],
                    [
                        Figure(
                            "input-corner",
                            near,
                            "The textbook curve is one RC section with the corner of the estimate.",
                            corner_title(pick),
                        )
                    ],
                ]
            ),
        ],
    )
