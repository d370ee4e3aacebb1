"""TODO reports.sections.parts."""

from __future__ import annotations

import pandas as pd

from objectives.devices.terms import AsIs
from reports.model import Block, Prose, ReportContents, Section, Table
from reports.schematic import schematic


def _parts(contents: ReportContents) -> Section:
    pick = contents.pick
    blocks: list[Block] = [schematic(pick.stage, pick.device, contents.part_labels)]
    if pick.follower is not None:
        after = pick.follower[1].name
        words = f"At the output hangs the grid of the {after} cathode follower, which is not drawn."
        blocks.append(Prose([AsIs(words)]))
    if contents.parts:
        frame = pd.DataFrame(
            [
                (p.label, p.value, p.marking or "—", p.chosen, p.stress or "—")
                for p in contents.parts
            ],
            columns=["part", "value", "marking (IEC 60062)", "how it came about", "must stand"],
        )
        blocks.append(Table(frame, "Parts list."))
    return Section("parts", "Circuit and parts list", blocks)
