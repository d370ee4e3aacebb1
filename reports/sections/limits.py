"""Every rating and every limit of the brief, and the margin that the pick leaves to it."""

from __future__ import annotations

import math
from dataclasses import replace

import pandas as pd

from objectives.format import allowed_words, percent, quantity
from reports.layout import Block, Prose, Section, Slot, Table
from reports.model import LimitRow, StageData
from reports.sections.limit_words import limit_label


def limits_section(data: StageData) -> Section | None:
    """Return the limits and where the design stands; None where there are none."""
    return Section("limits", "Limits and margins", [limits_slot(data)]) if data.limits else None


def limits_slot(data: StageData) -> Slot:
    """Return the limits and where a design stands, at least one."""
    broken = {at: "broken" for at, row in enumerate(data.limits) if not row.kept}
    frame = limit_frame(data)
    frame["kept"] = ["yes" if kept else "no" for kept in frame["kept"]]
    table = Table(frame, "Every rating and every limit of the brief.", broken)
    return Slot("limits", numbered_sources(table))


def limit_frame(data: StageData) -> pd.DataFrame:
    """Return one row a limit: what it is, value and margin of the pick, whether it is kept."""
    return pd.DataFrame(
        [
            {
                "limit": limit_label(row.kind, row.name, data.terms),
                "value": quantity(row.value, row.unit),
                "allowed": allowed_words(row.at_least, row.at_most, row.unit),
                "margin": _margin(row),
                "kept": row.kept,
                "source": row.source,
            }
            for row in data.limits
        ]
    )


def broken_sentences(data: StageData) -> list[str]:
    """Return each limit that is broken: ``plate current 2.3 mA: over 2 mA``."""
    return [
        f"{limit_label(row.kind, row.name, data.terms)} {quantity(row.value, row.unit)}: "
        + (
            f"over {quantity(row.at_most, row.unit)}"
            if row.value > row.at_most
            else f"under {quantity(row.at_least, row.unit)}"
        )
        for row in data.limits
        if not row.kept
    ]


def _margin(row: LimitRow) -> str:
    if row.kind == "rating":
        return percent(1 - row.value / row.at_most)
    # Negative where the limit is broken; nothing where neither end is one.
    margin = min(row.value - row.at_least, row.at_most - row.value)
    return quantity(margin, row.unit) if math.isfinite(margin) else "—"


def numbered_sources(table: Table, longest: int = 30) -> list[Block]:
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
