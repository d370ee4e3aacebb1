"""What HTML and Markdown share: notes put together, and the texts of cells, rows and figures."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Any, Final, TypeAlias

import numpy as np

from objectives.format import number
from reports.layout import (
    Block,
    Document,
    Figure,
    Gauges,
    Note,
    Prose,
    Row,
    Slot,
    Sounds,
    Steps,
    Svg,
    Table,
)

FIGURES: Final = "figures"
"""Folder of the drawings, beside the report."""

Specs: TypeAlias = Mapping[str, dict[str, Any]]
"""Vega-Lite specification of each chart by the name of its figure."""


@dataclass(frozen=True)
class Notes:
    """Notes of one kind that follow each other, to be set in one frame."""

    kind: str
    texts: Sequence[str]


SetBlock: TypeAlias = Prose | Notes | Steps | Table | Figure | Svg | Gauges | Sounds | Slot | Row
"""A block as a document sets it."""


def with_notes_joined(blocks: Sequence[Block]) -> list[SetBlock]:
    """Return the blocks with runs of notes of one kind put together."""
    joined: list[SetBlock] = []
    for kind, run in groupby(blocks, key=lambda b: b.kind if isinstance(b, Note) else None):
        if kind is None:
            joined += [block for block in run if not isinstance(block, Note)]
        else:
            joined.append(Notes(kind, [note.text for note in run if isinstance(note, Note)]))
    return joined


def drawings(blocks: Iterable[Block]) -> Iterator[Figure | Svg]:
    """Yield every chart and drawing among blocks, those inside slots too."""
    for block in blocks:
        if isinstance(block, Figure | Svg):
            yield block
        elif isinstance(block, Slot):
            yield from drawings(block.blocks)
        elif isinstance(block, Row):
            for column in block.columns:
                yield from drawings(column)


def specs_of(drawn: Iterable[Figure | Svg]) -> dict[str, dict[str, Any]]:
    """Return the specification of each chart by its name."""
    return {each.name: each.spec for each in drawn if isinstance(each, Figure)}


def all_blocks(document: Document) -> list[Block]:
    """Return the blocks of a document in reading order, without those of designs beside."""
    answer = document.answer
    first: list[Block] = [*answer.notes, answer.build, answer.does]
    if answer.chart is not None:
        first.append(answer.chart)
    return first + [b for s in [*document.sections, *document.appendix] for b in s.blocks]


def alternative_text(figure: Figure, specs: Specs) -> str:
    """Return what a chart shows, in words, for those who do not see it."""
    return str(specs[figure.name].get("description") or figure.caption or figure.name)


def row_style(mark: str) -> str:
    """Return how a row is set: the pick and broken limits stand out, other marks a little."""
    for word in ("pick", "broken"):
        if word in mark.split(", "):
            return word
    return "marked" if mark else ""


def cell_text(value: object) -> str:
    """Return the text of a table cell; a missing value is ``—``."""
    if isinstance(value, float | np.floating):
        return number(float(value))
    return "—" if value is None else str(value)


def subscripts(text: str) -> str:
    """Return a formula with what follows an underscore set low: ``V_gk``, ``r_p``."""
    return re.sub(r"(?<=\w)_([A-Za-z]+)", r"<sub>\1</sub>", text)
