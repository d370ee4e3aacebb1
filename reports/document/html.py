"""A document as one HTML page that needs no network: style, script and charts stand inside it."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any, Final

from markupsafe import Markup

from reports.document.blocks import (
    Notes,
    SetBlock,
    Specs,
    all_blocks,
    alternative_text,
    cell_text,
    drawings,
    row_style,
    specs_of,
    with_notes_joined,
)
from reports.document.templates import asset, base_style, environment, script_json
from reports.layout import (
    Block,
    Document,
    Figure,
    Gauges,
    Prose,
    Row,
    Section,
    Slot,
    Sounds,
    Steps,
    Svg,
    Table,
)
from reports.live import Live


def live_page(document: Document, live: Live) -> str:
    """Return a document as a page that is served: its scripts apart, with steppers."""
    return html_page(document, specs_of(drawings(all_blocks(document))), {}, "", live)


def html_page(
    document: Document,
    specs: Specs,
    specs_beside: Mapping[str, Specs],
    bundle: str,
    live: Live | None = None,
) -> str:
    """Return a document as one page.

    Parameters
    ----------
    document :
        What to lay out.
    specs, specs_beside :
        Specifications of its charts by name, and of those of each design beside the first.
    bundle :
        What :func:`reports.drawing.chart_script` gives.
    live :
        What a page knows that is served; None for a file.
    """
    beside = {slot.name for slots in document.beside.values() for slot in slots}

    def follows(block: Block) -> bool:
        return isinstance(block, Slot) and (live is not None or block.name in beside)

    def section(section: Section) -> dict[str, Any]:
        return {
            "key": section.key,
            "title": section.title,
            "blocks": [set_block(b, specs) for b in with_notes_joined(section.blocks)],
            "more": bool(section.appendix),
            "fixed": (bool(document.beside) or live is not None)
            and not any(follows(block) for block in section.blocks)
            and section.key not in _OF_ALL,
        }

    answer = document.answer
    return (
        environment()
        .get_template("report.html.jinja" if live is None else "live.html.jinja")
        .render(
            live=live,
            kept=script_json({} if live is None else asdict(live)),
            title=document.title,
            answer={
                **{
                    name: getattr(answer, name)
                    for name in ("lead", "badge", "danger", "cautions", "build_title", "cards")
                },
                "notes": [set_block(note, specs) for note in with_notes_joined(answer.notes)],
                "build": set_block(answer.build, specs),
                "does": set_block(answer.does, specs),
                "chart": None if answer.chart is None else set_block(answer.chart, specs),
            },
            sections=[section(s) for s in document.sections],
            appendix=[section(s) for s in document.appendix],
            beside=[
                (key, [set_block(slot, specs_beside[key]) for slot in slots])
                for key, slots in document.beside.items()
            ],
            style=base_style() + asset("report.css"),
            script=asset("draw.js") + asset("report.js"),
            bundle=Markup(bundle),
        )
    )


_OF_ALL: Final = {"front", "job", "method", "assumptions", "sources", "valve", "front-more"}
"""Sections that are about no design in particular."""


def _is_linked(spec: Mapping[str, Any]) -> bool:
    """Return whether a chart chooses candidates and so belongs with the linked table."""
    chooses = any(parameter.get("name") == "chosen" for parameter in spec.get("params", ()))
    return chooses and "shown" in spec.get("datasets", {})


def set_block(block: SetBlock, specs: Specs) -> dict[str, Any]:
    """Return what the template needs to know of a block."""
    match block:
        case Prose():
            kind = "list" if block.listed else "prose"
            return {"kind": kind, "texts": list(block.paragraphs), "style": block.style}
        case Notes():
            return {"kind": "note", "style": block.kind, "texts": block.texts}
        case Gauges():
            return {"kind": "gauges", "rows": list(block.rows)}
        case Sounds():
            return {
                "kind": "sounds",
                "folder": block.folder,
                "rows": list(block.rows),
                "caption": block.caption,
            }
        case Slot():
            blocks = [set_block(inner, specs) for inner in with_notes_joined(block.blocks)]
            return {"kind": "slot", "name": block.name, "blocks": blocks}
        case Row():
            columns = [[set_block(b, specs) for b in with_notes_joined(c)] for c in block.columns]
            return {"kind": "row", "columns": columns}
        case Steps():
            return {"kind": "steps", "rows": list(block.rows)}
        case Figure():
            spec = specs[block.name]
            return {
                "kind": "figure",
                "name": block.name,
                "title": block.title,
                "caption": block.caption,
                "words": alternative_text(block, specs),
                "linked": _is_linked(spec),
                "spec": script_json(spec),
            }
        case Svg():
            return {
                "kind": "svg",
                "markup": Markup(block.markup),
                "narrow": Markup(block.narrow),
                "caption": block.caption,
            }
        case Table():
            return _table(block)


def _table(block: Table) -> dict[str, Any]:
    frame = block.frame
    texts = [[cell_text(v) for v in values] for values in frame.itertuples(index=False, name=None)]
    styles = [
        "mark" if block.linked and name == "mark" else _column_style([row[at] for row in texts])
        for at, name in enumerate(frame.columns)
    ]
    rows = [
        {
            "id": str(frame["candidate"].iloc[at]) if block.linked else "",
            "style": row_style(block.marked.get(at, "")),
            "cells": list(zip(row, styles, strict=True)),
        }
        for at, row in enumerate(texts)
    ]
    return {
        "kind": "table",
        "caption": block.caption,
        "title": block.title,
        "stack": len(frame.columns) > 3 and not block.linked,
        "linked": block.linked,
        "columns": list(zip(map(str, frame.columns), styles, strict=True)),
        "rows": rows,
    }


_NUMBER_LIKE: Final = re.compile(r"([−+<-] ?)?[\d∞][\d.,]*(\u00a0\S{1,7})?|—|none|full|direct|")


def _column_style(texts: Sequence[str]) -> str:
    """Return ``number`` for columns of numbers or quantities, ``short`` for other brief ones."""
    if any(texts) and all(_NUMBER_LIKE.fullmatch(text) for text in texts):
        return "number"
    return "short" if max(map(len, texts), default=0) <= 20 else ""
