"""Writes a finished exploration as HTML, Markdown, CSV and JSON; all files or none."""

from __future__ import annotations

import html
import json
import math
import re
import shutil
import tempfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, is_dataclass
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Any, Final

import jinja2
import numpy as np
import pandas as pd
import vl_convert
from markupsafe import Markup

from reports.contents import (
    Block,
    Figure,
    Note,
    Prose,
    ReportContents,
    Section,
    Steps,
    Svg,
    Table,
)
from reports.look import spec_of, svg_of
from reports.sections import build_sections

__all__ = ["results", "write_report"]

_FIGURES: Final = "figures"
_NOTE_WORDS: Final = {"caution": "Caution.", "finding": "", "remark": ""}


def write_report(contents: ReportContents, folder: str | Path) -> dict[str, Path]:
    """Write the report into a folder, which is made if need be.

    Everything is first written beside its place and then moved in, so that a reader never meets
    half a file, and an error leaves an earlier report as it was.

    Returns
    -------
    dict
        ``html``, ``markdown``, ``front_csv``, ``readable_csv``, ``json`` and one ``figure_NAME``
        for each drawing, with the path of the file.

    Raises
    ------
    OSError
        If the folder cannot be written.
    """
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    files = _render(contents)
    made: list[Path] = []
    draft = Path(tempfile.mkdtemp(prefix=".report-", dir=folder))
    try:
        for name, text in files.items():
            place = draft / name
            place.parent.mkdir(parents=True, exist_ok=True)
            place.write_text(text, "utf-8", newline="\n")
        for name in files:
            target = folder / name
            target.parent.mkdir(parents=True, exist_ok=True)
            (draft / name).replace(target)
            made.append(target)
    finally:
        shutil.rmtree(draft, ignore_errors=True)
    return {_role(name): folder / name for name in files}


def _role(name: str) -> str:
    roles = {
        "report.html": "html",
        "report.md": "markdown",
        "front.csv": "front_csv",
        "readable.csv": "readable_csv",
        "results.json": "json",
    }
    return roles.get(name) or f"figure_{Path(name).stem}"


def _render(contents: ReportContents) -> dict[str, str]:
    """Return every file of the report by its path in the folder."""
    sections = build_sections(contents)
    specs = {
        block.name: spec_of(block.chart)
        for section in sections
        for block in section.blocks
        if isinstance(block, Figure)
    }
    drawings = {
        block.name: block.markup
        for section in sections
        for block in section.blocks
        if isinstance(block, Svg)
    }
    figures = {f"{_FIGURES}/{name}.svg": svg_of(spec) for name, spec in specs.items()}
    figures |= {f"{_FIGURES}/{name}.svg": markup for name, markup in drawings.items()}
    return {
        "report.html": _html(contents, sections, specs),
        "report.md": _markdown(contents, sections, specs),
        "front.csv": contents.front.to_csv(index=False),
        "readable.csv": contents.readable.to_csv(index=False),
        "results.json": json.dumps(results(contents), ensure_ascii=False, indent=1, allow_nan=False)
        + "\n",
        **figures,
    }


# -- HTML ------------------------------------------------------------------------------------------


@cache
def _environment() -> jinja2.Environment:
    return jinja2.Environment(
        loader=jinja2.PackageLoader("reports", "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
    )


@cache
def _bundle() -> str:
    """Return Vega, Vega-Lite and Vega-Embed as one script that may stand inside a page."""
    # "</script" inside a string of the library would end the element that it stands in.
    return str(vl_convert.javascript_bundle()).replace("</script", "<\\/script")


def _asset(name: str) -> str:
    return resources.files("reports").joinpath("templates", name).read_text("utf-8")


def _html(
    contents: ReportContents, sections: Sequence[Section], specs: Mapping[str, dict[str, Any]]
) -> str:
    charts = [
        {"name": name, "linked": name == "front", "spec": Markup(_script_json(spec))}
        for name, spec in specs.items()
    ]
    return (
        _environment()
        .get_template("report.html.jinja")
        .render(
            title=contents.title,
            sections=[
                {
                    "key": s.key,
                    "title": s.title,
                    "blocks": [_html_block(b, specs) for b in s.blocks],
                }
                for s in sections
            ],
            charts=charts,
            style=Markup(_asset("report.css")),
            script=Markup(_asset("report.js")),
            bundle=Markup(_bundle()),
        )
        + "\n"
    )


def _script_json(value: object) -> str:
    """Return JSON that may stand inside a script element."""
    text = json.dumps(value, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    return text.replace("<", "\\u003c").replace("\u2028", "\\u2028").replace("\u2029", "\\u2029")


def _html_block(block: Block, specs: Mapping[str, dict[str, Any]]) -> dict[str, Any]:
    if isinstance(block, Prose):
        return {"kind": "prose", "paragraphs": list(block.paragraphs)}
    if isinstance(block, Note):
        return {
            "kind": "note",
            "style": block.kind,
            "word": _NOTE_WORDS.get(block.kind, ""),
            "texts": [block.text],
        }
    if isinstance(block, Steps):
        return {"kind": "steps", "rows": list(block.rows)}
    if isinstance(block, Figure):
        words = str(specs[block.name].get("description") or block.caption or block.name)
        return {"kind": "figure", "name": block.name, "caption": block.caption, "words": words}
    if isinstance(block, Svg):
        return {
            "kind": "svg",
            "markup": Markup(_inline_svg(block.markup)),
            "words": block.words,
            "caption": block.caption,
        }
    return _html_table(block)


def _inline_svg(markup: str) -> str:
    """Return SVG text without the XML declaration, which a page may not hold."""
    return re.sub(r"^\s*<\?xml[^>]*\?>\s*", "", markup)


def _html_table(block: Table) -> dict[str, Any]:
    frame = block.frame
    styles = [_column_style(frame[name]) for name in frame.columns]
    rows = []
    for at, values in enumerate(frame.itertuples(index=False, name=None)):
        mark = block.marked.get(at, "")
        rows.append(
            {
                "id": str(frame["candidate"].iloc[at]) if block.linked else "",
                "style": "pick" if "pick" in mark.split(", ") else ("marked" if mark else ""),
                "cells": [(_cell(v), style) for v, style in zip(values, styles, strict=True)],
            }
        )
    return {
        "kind": "table",
        "caption": block.caption,
        "linked": block.linked,
        "columns": list(zip(map(str, frame.columns), styles, strict=True)),
        "rows": rows,
    }


_NUMBER_LIKE: Final = re.compile(r"[−-]?[\d∞][\d.,]*(\u00a0\S{1,4})?|—|none|full|direct|")


def _column_style(values: pd.Series) -> str:
    """Return ``number`` for columns of numbers or quantities, ``short`` for other brief ones."""
    texts = [_cell(v) for v in values]
    if any(t for t in texts) and all(_NUMBER_LIKE.fullmatch(t) for t in texts):
        return "number"
    return "short" if max((len(t) for t in texts), default=0) <= 24 else ""


def _cell(value: object) -> str:
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return "—"
    if isinstance(value, (float, np.floating)):
        return f"{float(value):.4g}".replace("-", "−")
    return str(value)


# -- Markdown --------------------------------------------------------------------------------------


def _markdown(
    contents: ReportContents, sections: Sequence[Section], specs: Mapping[str, dict[str, Any]]
) -> str:
    parts = [f"# {_md(contents.title)}"]
    for section in sections:
        parts.append(f"## {_md(section.title)}")
        parts += [_markdown_block(block, specs) for block in section.blocks]
    return "\n\n".join(parts) + "\n"


def _markdown_block(block: Block, specs: Mapping[str, dict[str, Any]]) -> str:
    if isinstance(block, Prose):
        return "\n\n".join(_md(p) for p in block.paragraphs)
    if isinstance(block, Note):
        word = _NOTE_WORDS.get(block.kind, "")
        return "> " + (f"**{word}** " if word else "") + _md(block.text)
    if isinstance(block, Steps):
        return _pipes(["what", "how", "result"], block.rows)
    if isinstance(block, Figure):
        words = str(specs[block.name].get("description") or block.caption or block.name)
        return _picture(block.name, words, block.caption)
    if isinstance(block, Svg):
        return _picture(block.name, block.words, block.caption)
    names = [f"**{n}**" if False else str(n) for n in block.frame.columns]
    rows = [
        [
            f"**{_cell(v)}**"
            if "pick" in block.marked.get(at, "").split(", ") and _cell(v)
            else _cell(v)
            for v in values
        ]
        for at, values in enumerate(block.frame.itertuples(index=False, name=None))
    ]
    table = _pipes(names, rows)
    return f"{_md(block.caption)}\n\n{table}" if block.caption else table


def _picture(name: str, words: str, caption: str) -> str:
    image = f"![{_md(words)}]({_FIGURES}/{name}.svg)"
    return f"{image}\n\n{_md(caption)}" if caption else image


def _pipes(names: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    lines = ["| " + " | ".join(_md(n) for n in names) + " |", "|" + " --- |" * len(names)]
    lines += ["| " + " | ".join(_md(str(v)) for v in row) + " |" for row in rows]
    return "\n".join(lines)


def _md(text: str) -> str:
    """Return text with the characters that Markdown would take for markup made harmless."""
    return re.sub(r"([\\`|<\[\]])", r"\\\1", html.unescape(text)).replace("\n", " ")


# -- JSON ------------------------------------------------------------------------------------------


def results(contents: ReportContents) -> dict[str, Any]:
    """Return everything of the exploration that a program may want, as plain JSON values.

    Infinite numbers are written ``"Infinity"`` and ``"-Infinity"`` (``float`` reads them back),
    missing ones ``null``.
    """
    readable = contents.readable
    plain: Callable[[object], Any] = _plain
    return {
        "title": contents.title,
        "scenario": contents.scenario,
        "job": list(contents.job),
        "feasible": contents.feasible,
        "blocking": list(contents.blocking),
        "method": list(contents.method),
        "uses": [plain(use) for use in contents.uses],
        "constants": plain(contents.constants),
        "part_labels": dict(contents.part_labels),
        "pick": {
            "candidate": plain(readable.iloc[0].to_dict()) if len(readable) else None,
            "reasons": list(contents.pick_reasons),
            "stage": plain(_stage_values(contents)),
            "operating_point": plain(
                {name: np.ravel(v)[0] for name, v in contents.pick.point.numeric_fields().items()}
            ),
        },
        "parts": [plain(line) for line in contents.parts],
        "limits": _records(contents.limits),
        "readable": _records(readable),
        "front": _records(contents.front),
        "search_trace": None if contents.search_trace is None else _records(contents.search_trace),
        "assumptions": list(contents.assumptions),
        "sources": list(contents.sources),
    }


def _stage_values(contents: ReportContents) -> dict[str, float]:
    fields = contents.pick.stage.numeric_fields()
    return {name: float(np.ravel(value)[0]) for name, value in fields.items()}


def _records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    return [
        {str(name): _plain(value) for name, value in zip(frame.columns, row, strict=True)}
        for row in frame.itertuples(index=False, name=None)
    ]


def _plain(value: object) -> Any:
    if is_dataclass(value) and not isinstance(value, type):
        return _plain(asdict(value))
    if isinstance(value, Mapping):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, (bool, np.bool_)):
        return bool(value)
    if isinstance(value, (int, np.integer)):
        return int(value)
    if isinstance(value, (float, np.floating)):
        value = float(value)
        if math.isnan(value):
            return None
        return value if math.isfinite(value) else ("Infinity" if value > 0 else "-Infinity")
    if isinstance(value, (list, tuple)):
        return [_plain(v) for v in value]
    return None if value is None else str(value)
