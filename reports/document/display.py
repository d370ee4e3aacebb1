"""What a notebook shows: blocks of a report that need no script, and a stage to step."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import cache

import vl_convert
from markupsafe import Markup

from reports.document.blocks import alternative_text, with_notes_joined
from reports.document.html import set_block
from reports.document.templates import asset, base_style, environment
from reports.layout import Block, Figure, Row, Slot, Svg, Table
from reports.live import Stepper
from reports.theme import in_light, svg_of


def display_html(title: str, blocks: Sequence[Block]) -> str:
    """Return blocks with the report's style, which reaches no further than they do."""
    drawn = with_notes_joined([_at_rest(block) for block in blocks])
    return (
        environment()
        .get_template("display.html.jinja")
        .render(title=title, blocks=[set_block(b, {}) for b in drawn], style=_style("report.css"))
    )


def widget_html(
    title: str, danger: str, steppers: Sequence[Stepper], slots: Mapping[str, str]
) -> str:
    """Return what the widget of a stage begins with: its steppers, its circuit, its gauges.

    Parameters
    ----------
    slots :
        HTML by name of the slot: ``build`` and ``does``.
    """
    return (
        environment()
        .get_template("widget.html.jinja")
        .render(
            title=title,
            danger=danger,
            made=steppers,
            slots={name: Markup(html) for name, html in slots.items()},
            style=_style("report.css", "live.css"),
        )
    )


@cache
def widget_script() -> str:
    """Return the script of the widget as a module that needs no network: Vega is part of it."""
    own = "".join(asset(name) for name in ("draw.js", "step.js", "widget.js"))
    return str(vl_convert.javascript_bundle(own))


def _style(*names: str) -> Markup:
    """Return the report's style for one element: page and body are that element."""
    whole = base_style() + "".join(asset(name) for name in names)
    return Markup(re.sub(r":root|\bbody\b", "&", whole))


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
