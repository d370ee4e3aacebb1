"""The tables and short texts of a sheet, for page and Markdown alike."""

from __future__ import annotations

import math
from collections.abc import Sequence

from objectives.format import first, quantity, signed_percent
from objectives.reading.trust import untrusted_words
from reports.sheet.model import SWITCHES, Case, Study

Rows = Sequence[Sequence[str]]


def corner(value_Hz: float) -> str:
    """Return a corner as it is told: to three figures; ``none`` where there is no resistance."""
    return quantity(value_Hz, "Hz", 3) if math.isfinite(value_Hz) else "none"


def error(value: float, truth: float) -> str:
    """Return by how much a value is off; a dash where neither is finite."""
    return signed_percent(100 * (value / truth - 1))


def answers(case: Case, study: Study) -> dict[str, str]:
    """Return what a page shows of one set of assumptions, by what it is."""
    return {
        "hand": corner(case.hand_Hz),
        "error": error(case.hand_Hz, study.exact_Hz),
        "network": corner(case.network_Hz),
        "counting": error(case.hand_Hz, case.counted_Hz),
        "formula": error(case.counted_Hz, case.network_Hz),
        "assumptions": error(case.network_Hz, study.exact_Hz),
    }


def error_labels(study: Study) -> list[tuple[str, str]]:
    """Return the three factors that the error is made of: key and words."""
    reference = quantity(study.reference_Hz, "Hz", 3)
    return [
        ("counting", f"counted from low frequencies, not from the level at {reference}"),
        ("formula", "one formula in place of the network"),
        ("assumptions", "what is assumed, in the network itself"),
    ]


def alone_rows(study: Study) -> tuple[Sequence[str], Rows]:
    """Return each assumption made alone in the network: what it leaves out and costs."""
    heads = ("assumed", "leaves out", "exact corner then", "error")
    rows = [
        (
            study.terms.write(switch.label),
            switch.leaves_out(study.whole),
            corner(study.cases[1 << n].network_Hz),
            error(study.cases[1 << n].network_Hz, study.exact_Hz),
        )
        for n, switch in enumerate(SWITCHES)
    ]
    return heads, rows


def lead_words(study: Study) -> str:
    """Return what stage this is and what the sheet finds of it."""
    a, t = study.whole, study.terms
    hand = a.textbook.corner_Hz
    doubt = untrusted_words(a)
    return (
        f"{a.device.name}, {t.stage}. By hand its input corner is at {corner(first(hand))}, in the "
        f"whole network at {corner(study.exact_Hz)}: an error of "
        f"{error(first(hand), study.exact_Hz)}." + (f" {doubt}" if doubt else "")
    )
