"""TODO reports.document.html."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from functools import cache
from importlib import resources
from typing import Any, Final

import jinja2
import numpy as np
import vl_convert
from markupsafe import Markup, escape

from reports.document.gathered import _alternative, _gathered, _Notes, _Specs
from reports.document.results import _json
from reports.format import number
from reports.model import Block, Figure, Note, Prose, ReportContents, Section, Steps, Svg, Table

_BUNDLE: Final = "window.vegaEmbed = vegaEmbed;"
_ROLES: Final = {
    "report.html": "html",
    "report.md": "markdown",
    "front.csv": "front_csv",
    "readable.csv": "readable_csv",
    "results.json": "json",
}


def _row_style(mark: str) -> str:
    """Return how a row is set: the pick and broken limits stand out, other marks a little."""
    for word in ("pick", "broken"):
        if word in mark.split(", "):
            return word
    return "marked" if mark else ""


def _cell(value: object) -> str:
    if isinstance(value, (float, np.floating)):
        return number(float(value))
    return "—" if value is None else str(value)


@cache
def _environment() -> jinja2.Environment:
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("reports", "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
    )
    environment.filters["formula"] = lambda text: Markup(_subscripts(str(escape(text))))
    return environment


def _subscripts(text: str) -> str:
    """Return a formula with what follows an underscore set low: ``V_gk``, ``r_p``."""
    return re.sub(r"(?<=\w)_([A-Za-z]+)", r"<sub>\1</sub>", text)


@cache
def _bundle() -> str:
    """Return Vega, Vega-Lite and Vega-Embed as one script that may stand inside a page."""
    # "</script" inside a string of the library would end the element that it stands in.
    return str(vl_convert.javascript_bundle(_BUNDLE)).replace("</script", "<\\/script")


def _asset(name: str) -> Markup:
    return Markup(resources.files("reports").joinpath("templates", name).read_text("utf-8"))


def _html(contents: ReportContents, sections: Sequence[Section], specs: _Specs, bundle: str) -> str:
    shown = [
        {
            "key": section.key,
            "title": section.title,
            "blocks": [_html_block(block, specs) for block in _gathered(section.blocks)],
        }
        for section in sections
    ]
    charts = [
        {"name": name, "linked": _is_linked(spec), "spec": Markup(_script_json(spec))}
        for name, spec in specs.items()
    ]
    template = _environment().get_template("report.html.jinja")
    return template.render(
        title=contents.title,
        sections=shown,
        charts=charts,
        style=_asset("report.css"),
        script=_asset("report.js"),
        bundle=Markup(bundle),
    )


def _is_linked(spec: Mapping[str, Any]) -> bool:
    """Return whether a chart chooses candidates and so belongs with the linked table."""
    chooses = any(parameter.get("name") == "chosen" for parameter in spec.get("params", ()))
    return chooses and "shown" in spec.get("datasets", {})


def _script_json(value: object) -> str:
    """Return JSON that may stand inside a script element."""
    text = _json(value).replace("<", "\\u003c")
    return text.replace("\u2028", "\\u2028").replace("\u2029", "\\u2029")


def _html_block(block: Block | _Notes, specs: _Specs) -> dict[str, Any]:
    """Return what the template needs to know of a block."""
    match block:
        case Prose():
            return {"kind": "list" if block.listed else "prose", "texts": list(block.paragraphs)}
        case _Notes():
            return {"kind": "note", "style": block.kind, "word": block.word, "texts": block.texts}
        case Steps():
            return {"kind": "steps", "rows": list(block.rows)}
        case Figure():
            return {
                "kind": "figure",
                "name": block.name,
                "caption": block.caption,
                "words": _alternative(block, specs),
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
            return _html_table(block)
        case Note():
            raise AssertionError("notes are gathered before they are set")


def _html_table(block: Table) -> dict[str, Any]:
    frame = block.frame
    texts = [[_cell(v) for v in values] for values in frame.itertuples(index=False, name=None)]
    styles = [
        "mark" if block.linked and name == "mark" else _column_style([row[at] for row in texts])
        for at, name in enumerate(frame.columns)
    ]
    rows = [
        {
            "id": str(frame["candidate"].iloc[at]) if block.linked else "",
            "style": _row_style(block.marked.get(at, "")),
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
