"""What limits are called, and by how much one is broken, in words."""

from __future__ import annotations

import math
from typing import Literal

from objectives.devices.terms import Terms
from objectives.format import allowed_words, percent, quantity, score_label, score_unit
from reports.obstacles import MissedLimit


def limit_label(kind: Literal["rating", "window", "finite"], name: str, terms: Terms) -> str:
    """Return the name of a limit: ``plate voltage rating``, ``gain``."""
    return score_label(name, terms) if kind == "window" else name


def missed_words(missed: MissedLimit, terms: Terms) -> str:
    """Return a broken limit in words: ``gain (31.2 dB, at least 40 dB)``."""
    return limit_label(missed.kind, missed.name, terms) + miss_words(missed)


def miss_words(missed: MissedLimit) -> str:
    """Return by how much a limit is broken: `` by 3 %``, `` (31.2 dB, at least 40 dB)``."""
    if missed.kind == "rating":
        return f" by {percent(missed.excess, 1)}"
    if missed.kind == "finite":
        return ""
    unit = score_unit(missed.name)
    value = f"{quantity(missed.value, unit)}, " if math.isfinite(missed.value) else ""
    return f" ({value}{allowed_words(missed.at_least, missed.at_most, unit)})"
