"""The same stage with other devices in its place, as a table."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Final

import pandas as pd

from objectives.devices.terms import Terms
from objectives.format import percent, score_label, stepped
from objectives.tolerance.spreads import END_OF_LIFE
from reports.layout import Block, Prose, Section, Table
from reports.model import ReportData
from reports.swaps import Rewiring, Swap

OFF: Final = "×"

_REWIRING: Final[Mapping[Rewiring, str]] = {
    "present": "as built",
    "worn": "as built",
    "none": "nothing",
    "heater": "the heater",
    "pins": "the socket",
    "unknown": "not known",
}


def swaps_section(data: ReportData) -> Section | None:
    """Return what other devices would do in the pick; None where that was not worked out."""
    if data.studies is None or len(data.studies.swaps) < 2:
        return None
    swaps, kind = data.studies.swaps, data.terms.kind
    names = [name for name in swaps[0].scores if name in {use.name for use in data.uses}]
    blocks: list[Block] = [
        Prose(swap_sentences(swaps, data.terms)),
        Table(swap_frame(swaps, names, data.terms), f"The pick with each {kind} in its place."),
    ]
    return Section("swaps", f"Other {kind}s in this stage", blocks)


def swap_frame(swaps: Sequence[Swap], names: Sequence[str], terms: Terms) -> pd.DataFrame:
    """Return a column a device, a row a score; then what must be rewired, and the yield."""
    return pd.DataFrame(
        {
            "": [
                *(score_label(name, terms) for name in names),
                "ratings exceeded",
                "law borne out there",
                "builds that keep all",
                "to rewire",
            ],
            **{
                swap.device: [
                    *(
                        stepped(swap.scores[name], name) + f" {OFF}" * (name in swap.off)
                        for name in names
                    ),
                    OFF if swap.exceeded else "none",
                    "yes" if swap.trusted else "no",
                    "—" if math.isnan(swap.good) else percent(swap.good),
                    _REWIRING[swap.rewiring],
                ]
                for swap in swaps
            },
        }
    )


def swap_sentences(swaps: Sequence[Swap], terms: Terms) -> list[str]:
    """Return what is the same in all columns, and what the marks and the worn valve mean."""
    sentences = [
        f"Same parts, same supply, another {terms.kind}; {OFF} marks a limit that is broken or a "
        "target that is missed."
    ]
    if any(swap.rewiring == "worn" for swap in swaps):
        sentences.append(
            "When a valve is worn out, its current and transconductance at given voltages have "
            f"fallen to {percent(END_OF_LIFE)} of the published ones (common practice, no source); "
            "the amplification factor hardly changes."
        )
    sentences += [
        f"{swap.device}: over its {' and its '.join(swap.exceeded)}."
        for swap in swaps
        if swap.exceeded
    ]
    return sentences
