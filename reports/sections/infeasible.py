"""Why no candidate keeps every limit."""

from __future__ import annotations

import math

from objectives.devices.terms import Terms
from objectives.format import counted, percent, quantity, score_unit
from reports.model import MissedLimit, Note, Prose, ReportData, Section
from reports.sections.limits import allowed_words, limit_label


def infeasible_section(data: ReportData) -> Section | None:
    """Return which limits block; None where some candidate keeps them all."""
    if data.feasible:
        return None
    finding = Note(
        "Nothing in the design space keeps every limit of the brief. The candidates below come "
        "nearest; each of them breaks at least one limit, and none should be built as it stands.",
        "finding",
    )
    sentences = Prose(obstacle_sentences(data), listed=True)
    return Section("blocked", "No candidate keeps every limit", [finding, sentences])


def obstacle_sentences(data: ReportData) -> list[str]:
    """Return which limits block, one sentence an item."""
    found, terms = data.obstacles, data.terms
    if found is None:
        return []
    total = counted(found.evaluated)
    sentences = [
        f"{limit_label(missed.kind, missed.name, terms)}: none of the {total} candidates evaluated "
        f"keeps it; the best misses it{_by(missed)}."
        for missed in found.never
    ]
    if not found.never:
        shares = ", ".join(
            f"{limit_label(missed.kind, missed.name, terms)} ({percent(share)})"
            for missed, share in found.shares
        )
        sentences.append(
            "Each limit is kept by some candidate, but none keeps them all. Share of the "
            f"{total} candidates evaluated that break each: {shares}."
        )
    if found.nearest:
        broken = " and ".join(missed_words(missed, terms) for missed in found.nearest)
        sentences.append(f"The nearest candidate breaks {broken}.")
    return sentences


def missed_words(missed: MissedLimit, terms: Terms) -> str:
    """Return a broken limit in words: ``gain (31.2 dB, at least 40 dB)``."""
    return limit_label(missed.kind, missed.name, terms) + _by(missed)


def _by(missed: MissedLimit) -> str:
    if missed.kind == "rating":
        return f" by {percent(missed.excess, 1)}"
    if missed.kind == "finite":
        return ""
    unit = score_unit(missed.name)
    value = f"{quantity(missed.value, unit)}, " if math.isfinite(missed.value) else ""
    return f" ({value}{allowed_words(missed.at_least, missed.at_most, unit)})"
