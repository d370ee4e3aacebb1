"""Blocks of a report as a notebook shows them: HTML that needs no script and no network."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace

from markupsafe import Markup

from reports.document.blocks import alternative_text, with_notes_joined
from reports.document.html import set_block
from reports.document.templates import asset, base_style, environment
from reports.layout import Block, Figure, Row, Slot, Svg, Table
from reports.theme import in_light, svg_of


def display_html(title: str, blocks: Sequence[Block]) -> str:
    """Return blocks with the report's style, which reaches no further than they do."""
    drawn = with_notes_joined([_at_rest(block) for block in blocks])
    # Inside a rule of the element that holds them, page and body are that element.
    style = re.sub(r":root|\bbody\b", "&", base_style() + asset("report.css"))
    return (
        environment()
        .get_template("display.html.jinja")
        .render(title=title, blocks=[set_block(b, {}) for b in drawn], style=Markup(style))
    )


def _at_rest(block: Block) -> Block:
    """Return a block without what a script would do: charts drawn, tables that choose nothing."""
    match block:
        case Figure():
            spec = block.spec
            words = alternative_text(block, {block.name: spec})
            # A chart is as high as it is drawn, and a caption of one to click at says how.
            drawn = svg_of(spec, block.title).replace("<svg", '<svg style="max-height: none"', 1)
            return Svg(block.name, drawn, words, "" if "params" in spec else block.caption)
        case Svg():
            return replace(block, markup=in_light(block.markup), narrow="")
        case Table():
            return replace(block, linked=False)
        case Slot():
            return replace(block, blocks=[_at_rest(inner) for inner in block.blocks])
        case Row():
            columns = [[_at_rest(inner) for inner in column] for column in block.columns]
            return replace(block, columns=columns)
    return block
