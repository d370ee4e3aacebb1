"""Everything a report says, in the words of its own device.

Sections and charts are written for a valve. Here they are handed to
:meth:`~objectives.terms.Terms.say` block by block, once, on their way into a document; sources are
quoted as they are.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any, Final

import pandas as pd

from objectives.devices.terms import VALVE, Terms
from reports.model import (
    Block,
    Figure,
    Note,
    Prose,
    Section,
    Steps,
    Svg,
    Table,
)

__all__ = ["spoken_chart", "spoken_section"]

Say = Callable[[str], str]
_QUOTED: Final = frozenset({"source", "sources"})
"""Sections and columns that quote where something comes from."""


_CHART_TEXTS: Final = frozenset(
    {"title", "subtitle", "text", "description", "domain", "sort", "value", "values"}
)
"""Keys of a chart whose strings people read; all others name fields, marks and colours."""


def spoken_section(section: Section, terms: Terms) -> Section:
    """Return a section in the device's words; charts are for :func:`spoken_chart`."""
    if terms == VALVE or section.native or section.key in _QUOTED:
        return section
    blocks = [_block(block, terms.say) for block in section.blocks]
    return replace(section, title=terms.say(section.title), blocks=blocks)


def _block(block: Block, say: Say) -> Block:
    match block:
        case Prose():
            texts = [t if t.startswith("Sources: ") else say(t) for t in block.paragraphs]
            return replace(block, paragraphs=texts)
        case Note():
            return replace(block, text=say(block.text))
        case Steps():
            return Steps([(say(what), say(how), say(result)) for what, how, result in block.rows])
        case Table():
            marked = {row: say(mark) for row, mark in block.marked.items()}
            frame = _frame(block.frame, say)
            return replace(block, frame=frame, caption=say(block.caption), marked=marked)
        case Figure():
            return replace(block, caption=say(block.caption))
        case Svg():
            # A drawing is in its device's own words.
            return block


def _frame(frame: pd.DataFrame, say: Say) -> pd.DataFrame:
    """Return a table with its headings and its texts said, but for quoted sources."""
    columns = {
        name if name in _QUOTED else say(str(name)): column
        if name in _QUOTED
        else [say(value) if isinstance(value, str) else value for value in column]
        for name, column in frame.items()
    }
    return pd.DataFrame(columns, index=frame.index)


def spoken_chart(spec: dict[str, Any], terms: Terms) -> dict[str, Any]:
    """Return a chart's specification with everything that people read said in the device's words.

    The rows of its data are said too, so that they match the domains of the scales.
    """
    if terms == VALVE:
        return spec
    found = {key: _chart(value, key, terms.say) for key, value in spec.items() if key != "datasets"}
    if "datasets" in spec:
        found["datasets"] = {
            name: [_chart(row, "values", terms.say) for row in rows]
            for name, rows in spec["datasets"].items()
        }
    return found


def _chart(node: Any, key: str, say: Say) -> Any:
    if isinstance(node, str):
        return say(node) if key in _CHART_TEXTS else node
    if isinstance(node, list):
        return [_chart(item, key, say) for item in node]
    if not isinstance(node, dict):
        return node
    if key == "values":  # a row of data: every string in it is one
        return {name: say(v) if isinstance(v, str) else v for name, v in node.items()}
    return {name: _chart(value, name, say) for name, value in node.items()}
