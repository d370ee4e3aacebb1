"""TODO reports.sections.job."""

from __future__ import annotations

import pandas as pd

from objectives.format import quantity, score_label, score_unit
from reports.model import Block, Note, Prose, ReportContents, Section, Table, _listed


def _blocked(contents: ReportContents) -> Section:
    blocks: list[Block] = []
    if not contents.feasible:
        blocks = [
            Note(
                "Nothing in the design space keeps every limit of the brief. What follows are the "
                "nearest candidates; each of them breaks at least one limit, and none should be "
                "built as it stands.",
                "finding",
            ),
            _listed(contents.blocking),
        ]
    return Section("blocked", "No candidate keeps every limit", blocks)


def _job(contents: ReportContents) -> Section:
    blocks: list[Block] = [Prose([t for t in (contents.scenario,) if t]), _listed(contents.job)]
    if contents.uses:
        frame = pd.DataFrame(
            [(score_label(u.name), u.use, u.meaning, u.source) for u in contents.uses],
            columns=["score", "the brief asks", "what it is", "source"],
        )
        blocks.append(Table(frame, "What is scored, and how the brief uses it."))
    if contents.constants:
        same = [
            f"{score_label(name)} {quantity(value, score_unit(name))}"
            for name, value in contents.constants.items()
        ]
        blocks.append(Prose([f"The same for every candidate: {', '.join(same)}."]))
    return Section("job", "The job", blocks)
