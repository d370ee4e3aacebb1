"""TODO reports.sections.operating_point."""

from __future__ import annotations

import pandas as pd

from objectives.assessment import Assessment
from objectives.format import quantity
from reports.calculation import operating_point_steps
from reports.charts.load_lines import load_line_chart, load_lines
from reports.model import Figure, Section, Table


def _point(pick: Assessment) -> Section:
    lines = load_lines(pick)
    reference = quantity(pick.targets.reference_Hz, "Hz")
    caption = (
        f"Plate curves of the {pick.device.name} for the grid voltages written at their ends. The "
        f"AC load line stands for {quantity(lines.alternating_ohm, 'ohm', 3)}, what the valve "
        f"works into at {reference}; the cathode-bias line is where the current through the "
        "cathode resistor makes just the bias that the current needs."
    )
    if lines.dissipation_W is not None and lines.dissipation_W / lines.reach_V > lines.top_A:
        watts = quantity(lines.dissipation_W, "W")
        caption += f" The greatest plate dissipation, {watts}, lies above everything drawn here."
    small = pd.DataFrame(
        [
            ("transconductance", quantity(pick.point.transconductance_S, "S")),
            ("plate resistance", quantity(pick.point.plate_resistance_ohm, "ohm")),
            ("amplification factor", quantity(pick.point.amplification_factor, "")),
            ("input capacitance at the grid, Miller effect included",
             quantity(pick["input_capacitance_F"], "F")),
            ("output resistance", quantity(pick["output_resistance_ohm"], "ohm")),
        ],
        columns=["at the operating point", "value"],
    )  # fmt: skip
    return Section(
        "point",
        "Operating point and load lines",
        [
            Figure("load_lines", load_line_chart(pick), caption),
            operating_point_steps(pick),
            Table(small, f"What the stage is for small signals, at {reference}."),
        ],
    )
