"""The section on the operating point: curves and load lines, and where each voltage comes from."""

from __future__ import annotations

import pandas as pd

from objectives.assessment import Assessment
from objectives.format import quantity, sentence
from objectives.reading.trust import untrusted_words
from reports.calculation import operating_point_steps
from reports.charts.load_lines import load_line_drawing, load_line_title, load_lines
from reports.layout import Block, Figure, Note, Row, Slot, Table


def operating_point_slot(pick: Assessment) -> Slot:
    """Return the operating point of the first stage of a batch."""
    lines, t = load_lines(pick), pick.device.terms
    reference = quantity(pick.targets.reference_Hz, "Hz")
    caption = (
        f"{sentence(t.plate_curves)} of the {pick.device.name}, each with its {t.grid} voltage. "
        f"The AC load line is that of {quantity(lines.alternating_ohm, 'ohm', 3)}, what the "
        f"{t.kind} works into at {reference}. On the {t.bias_line} the current through the "
        f"{t.cathode} resistor makes just the bias that it needs."
    )
    if lines.dissipation_W is not None and lines.dissipation_W / lines.reach_V > lines.top_A:
        watts = quantity(lines.dissipation_W, "W")
        caption += f" The greatest {t.plate} dissipation, {watts}, lies above the chart."
    small = pd.DataFrame(
        [
            ("transconductance", quantity(pick.point.transconductance_S, "S")),
            (t.plate_resistance, quantity(pick.point.plate_resistance_ohm, "ohm")),
            (t.amplification_factor, quantity(pick.point.amplification_factor, "")),
            (
                f"input capacitance at the {t.grid}, Miller effect included",
                quantity(pick["input_capacitance_F"], "F"),
            ),
            ("output resistance", quantity(pick["output_resistance_ohm"], "ohm")),
        ],
        columns=["at the operating point", "value"],
    )
    untrusted = untrusted_words(pick)
    blocks: list[Block] = [Note(untrusted, "caution")] if untrusted else []
    blocks += [
        Figure("load_lines", load_line_drawing(pick, lines), caption, load_line_title(pick)),
        Row(
            [
                [operating_point_steps(pick)],
                [Table(small, f"The stage for small signals, at {reference}.")],
            ]
        ),
    ]
    return Slot("point", blocks)
