"""TODO reports.sections.pick."""

from __future__ import annotations

import pandas as pd

from objectives.format import part_value, quantity, score_label
from reports.model import Note, ReportContents, Section, Table, _listed


def _pick(contents: ReportContents) -> Section:
    if not len(contents.readable):
        return Section("pick", "The pick and why", [])
    row = contents.readable.iloc[0]
    parts = [
        f"{label} {part_value(part, float(row[part]))}"
        for part, label in contents.part_labels.items()
    ]
    kind = "The pick is candidate" if contents.feasible else "Nearest is candidate"
    frame = pd.DataFrame(
        [
            (score_label(use.name), quantity(float(row[use.name]), use.unit), use.use)
            for use in contents.uses
            if use.name in contents.readable.columns
        ],
        columns=["score", "value", "the brief asks"],
    )
    return Section(
        "pick",
        "The pick and why" if contents.feasible else "The nearest candidate",
        [
            Note(f"{kind} {row['candidate']}: {', '.join(parts)}.", "finding"),
            _listed(contents.pick_reasons),
            Table(frame, "Its scores."),
        ],
    )
