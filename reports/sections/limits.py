"""TODO reports.sections.limits."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from reports.model import Block, Prose, ReportContents, Section, Table


def _limits(contents: ReportContents) -> Section:
    limits = contents.limits
    if not len(limits):
        return Section("limits", "Limits and room left", [])
    shown = limits.copy()
    broken: dict[int, str] = {}
    for name in shown.columns:
        if shown[name].dtype == bool:
            broken |= {at: "broken" for at, kept in enumerate(shown[name]) if not kept}
            shown[name] = np.where(shown[name], "yes", "no")
    return Section(
        "limits",
        "Limits and room left",
        _sourced(
            Table(shown, "Every rating and every must-have of the brief, at the pick.", broken)
        ),
    )


def _sourced(table: Table, longest: int = 30) -> list[Block]:
    """Return the table with long sources that repeat as numbers, and what the numbers mean."""
    frame = table.frame
    if "source" not in frame.columns or frame["source"].map(len).max() <= longest:
        return [table]
    numbers = {text: f"({at})" for at, text in enumerate(dict.fromkeys(frame["source"]), start=1)}
    keyed = frame.assign(source=frame["source"].map(numbers))
    return [
        replace(table, frame=keyed),
        Prose(["Sources: " + "; ".join(f"{n} {text}" for text, n in numbers.items()) + "."]),
    ]
