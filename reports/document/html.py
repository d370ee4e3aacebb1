"""Sections as one HTML page that needs no network: style, script and charts stand inside it."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from functools import cache
from importlib import resources
from typing import Any, Final

import jinja2
import vl_convert
from markupsafe import Markup, escape

from objectives.json_text import json_text
from reports.document.blocks import (
    Notes,
    SetBlock,
    Specs,
    alternative_text,
    cell_text,
    row_style,
    subscripts,
    with_notes_joined,
)
from reports.model import Figure, Prose, Section, Steps, Svg, Table


@cache
def _environment() -> jinja2.Environment:
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("reports", "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
    )
    environment.filters["formula"] = lambda text: Markup(subscripts(str(escape(text))))
    return environment


@cache
def chart_script() -> str:
    """Return Vega, Vega-Lite and Vega-Embed as one script that may stand inside a page."""
    # "</script" inside a string of the library would end the element that it stands in.
    return str(vl_convert.javascript_bundle("window.vegaEmbed = vegaEmbed;")).replace(
        "</script", "<\\/script"
    )


def _asset(name: str) -> Markup:
    return Markup(resources.files("reports").joinpath("templates", name).read_text("utf-8"))


def html_page(title: str, sections: Sequence[Section], specs: Specs, bundle: str) -> str:
    """Return the sections as one page; ``bundle`` is what :func:`chart_script` gives."""
    return (
        _environment()
        .get_template("report.html.jinja")
        .render(
            title=title,
            sections=[
                {
                    "key": section.key,
                    "title": section.title,
                    "blocks": [_block(block, specs) for block in with_notes_joined(section.blocks)],
                }
                for section in sections
            ],
            charts=[
                {"name": name, "linked": _is_linked(spec), "spec": Markup(_script_json(spec))}
                for name, spec in specs.items()
            ],
            style=_asset("report.css"),
            script=_asset("report.js"),
            bundle=Markup(bundle),
        )
    )


def _is_linked(spec: Mapping[str, Any]) -> bool:
    """Return whether a chart chooses candidates and so belongs with the linked table."""
    chooses = any(parameter.get("name") == "chosen" for parameter in spec.get("params", ()))
    return chooses and "shown" in spec.get("datasets", {})


def _script_json(value: object) -> str:
    """Return JSON that may stand inside a script element."""
    text = json_text(value).replace("<", "\\u003c")
    return text.replace("\u2028", "\\u2028").replace("\u2029", "\\u2029")


def _block(block: SetBlock, specs: Specs) -> dict[str, Any]:
    """Return what the template needs to know of a block."""
    match block:
        case Prose():
            return {"kind": "list" if block.listed else "prose", "texts": list(block.paragraphs)}
        case Notes():
            return {"kind": "note", "style": block.kind, "word": block.word, "texts": block.texts}
        case Steps():
            return {"kind": "steps", "rows": list(block.rows)}
        case Figure():
            return {
                "kind": "figure",
                "name": block.name,
                "caption": block.caption,
                "words": alternative_text(block, specs),
            }
        case Svg():
            # A page may not hold the XML declaration of a file.
            markup = re.sub(r"^\s*<\?xml[^>]*\?>\s*", "", block.markup)
            return {
                "kind": "svg",
                "markup": Markup(markup),
                "words": block.words,
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
