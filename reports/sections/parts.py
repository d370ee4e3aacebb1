"""The circuit and the parts list of a stage."""

from __future__ import annotations

import math

import pandas as pd

from objectives.elements import ELEMENTS
from objectives.format import part_value, quantity
from reports.charts.schematic import schematic
from reports.model import Block, PartLine, Prose, Section, StageData, Table


def parts_section(data: StageData) -> Section:
    """Return the schematic and the parts list."""
    pick, terms = data.pick, data.terms
    blocks: list[Block] = [schematic(pick.stage, pick.device, data.origins)]
    if pick.follower is not None:
        blocks.append(
            Prose([f"The output drives the {pick.follower[1].name} cathode follower, which is not "
                   "drawn."])
        )  # fmt: skip
    rows = [
        {
            "part": ELEMENTS[line.field].label_for(terms),
            "value": part_value(line.field, line.value),
            "marking (IEC 60062)": line.marking or "—",
            "origin": f"chosen from {line.origin}" if line.origin else "fixed by the brief",
            "stress": _stress(line),
            "note": line.note or "—",
        }
        for line in data.parts
    ]
    if rows:
        frame = pd.DataFrame(rows)
        if not any(line.note for line in data.parts):
            frame = frame.drop(columns="note")
        blocks.append(Table(frame, "Parts list."))
    return Section("parts", "Circuit and parts list", blocks)


def _stress(line: PartLine) -> str:
    if not line.when:
        return "—"
    if math.isnan(line.voltage_V):
        return f"the supply of the driving stage, {line.when}"
    power = "" if math.isnan(line.power_W) else f"{quantity(line.power_W, 'W', 3)}, "
    voltage = quantity(line.voltage_V, "V", 3)
    if line.when == "at switch-on":
        return f"the full supply, {voltage}, at switch-on"
    return f"{power}{voltage} {line.when}"
