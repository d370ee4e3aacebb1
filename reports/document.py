"""Writes a finished exploration as HTML, Markdown, CSV and JSON; all files or none."""

from __future__ import annotations

import json
import math
import re
import shutil
import tempfile
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict, dataclass, is_dataclass
from functools import cache
from importlib import resources
from itertools import groupby
from pathlib import Path
from typing import Any, Final, TypeAlias

import jinja2
import numpy as np
import pandas as pd
import vl_convert
from markupsafe import Markup, escape

from objectives.terms import terms_of
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
from reports.format import number
from reports.front_chart import thinned
from reports.look import spec_of, svg_of
from reports.sections import build_sections
from reports.spoken import spoken_chart, spoken_contents, spoken_section

__all__ = ["results", "write_report"]

_FIGURES: Final = "figures"
_BUNDLE: Final = "window.vegaEmbed = vegaEmbed;"
_NOTE_WORDS: Final = {"caution": "Caution"}
_ROLES: Final = {
    "report.html": "html",
    "report.md": "markdown",
    "front.csv": "front_csv",
    "readable.csv": "readable_csv",
    "results.json": "json",
}

_Specs: TypeAlias = Mapping[str, dict[str, Any]]


def write_report(contents: ReportContents, folder: str | Path) -> dict[str, Path]:
    """Write the report into a folder, which is made if need be.

    Everything is first worked out and written beside its place and only then moved in, so that a
    reader never meets half a file, and an error leaves an earlier report as it was.

    Returns
    -------
    dict
        ``html``, ``markdown``, ``front_csv``, ``readable_csv``, ``json`` and one ``figure_NAME``
        for each drawing, with the path of the file.

    Raises
    ------
    ValueError
        If two figures have one name, or a name does not serve as that of a file.
    OSError
        If the folder cannot be written.
    """
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    files = _render(contents)
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
    finally:
        shutil.rmtree(draft, ignore_errors=True)
    return {_ROLES.get(name) or f"figure_{Path(name).stem}": folder / name for name in files}


def _render(contents: ReportContents) -> dict[str, str]:
    """Return every file of the report by its path in the folder."""
    # The drawing library works outside Python's lock; while it starts and draws, the rest goes on.
    with ThreadPoolExecutor(max_workers=1) as aside:
        bundle = aside.submit(_bundle)
        terms = terms_of(contents.pick.device)
        sections = [spoken_section(section, terms) for section in build_sections(contents)]
        told = spoken_contents(contents, terms)
        blocks = [block for section in sections for block in section.blocks]
        _require_own_names(blocks)
        specs = {
            b.name: spoken_chart(spec_of(b.chart), terms) for b in blocks if isinstance(b, Figure)
        }
        drawn = {name: aside.submit(svg_of, thinned(spec)) for name, spec in specs.items()}
        files = {
            "report.md": _markdown(contents, sections, specs),
            "front.csv": told.front.to_csv(index=False),
            "readable.csv": told.readable.to_csv(index=False),
            "results.json": _json(results(told), indent=1) + "\n",
            "report.html": _html(contents, sections, specs, bundle.result()),
        }
        for name, svg in drawn.items():
            files[f"{_FIGURES}/{name}.svg"] = svg.result()
    for block in blocks:
        if isinstance(block, Svg):
            files[f"{_FIGURES}/{block.name}.svg"] = block.markup
    return files


def _require_own_names(blocks: Sequence[Block]) -> None:
    seen: set[str] = set()
    for block in blocks:
        if isinstance(block, Figure | Svg):
            if block.name in seen or not re.fullmatch(r"[A-Za-z0-9_-]+", block.name):
                raise ValueError(
                    f"figure: {block.name!r}: must be made of letters, digits, '-' and '_' and "
                    "occur once"
                )
            seen.add(block.name)


def _json(value: object, indent: int | None = None) -> str:
    separators = None if indent else (",", ":")
    return json.dumps(
        value, ensure_ascii=False, indent=indent, separators=separators, allow_nan=False
    )


# -- blocks, for either format ---------------------------------------------------------------------


@dataclass(frozen=True)
class _Notes:
    """Notes of one kind that follow each other, to be set in one frame."""

    kind: str
    texts: Sequence[str]

    @property
    def word(self) -> str:
        return _NOTE_WORDS.get(self.kind, "")


def _gathered(blocks: Sequence[Block]) -> list[Block | _Notes]:
    """Return the blocks with runs of notes of one kind put together."""
    found: list[Block | _Notes] = []
    for kind, run in groupby(blocks, key=lambda b: b.kind if isinstance(b, Note) else None):
        if kind is None:
            found += run
        else:
            found.append(_Notes(kind, [note.text for note in run if isinstance(note, Note)]))
    return found


def _alternative(figure: Figure, specs: _Specs) -> str:
    return str(specs[figure.name].get("description") or figure.caption or figure.name)


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


# -- HTML ------------------------------------------------------------------------------------------


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


# -- Markdown --------------------------------------------------------------------------------------


def _markdown(contents: ReportContents, sections: Sequence[Section], specs: _Specs) -> str:
    parts = [f"# {_md(contents.title)}"]
    for section in sections:
        parts.append(f"## {_md(section.title)}")
        parts += [_markdown_block(block, specs) for block in _gathered(section.blocks)]
    return "\n\n".join(part for part in parts if part) + "\n"


def _markdown_block(block: Block | _Notes, specs: _Specs) -> str:
    match block:
        case Prose():
            texts = [_md(text) for text in block.paragraphs]
            return "\n".join(f"- {t}" for t in texts) if block.listed else "\n\n".join(texts)
        case _Notes():
            lines = [f"**{block.word}**", ""] if block.word else []
            bullet = "" if len(block.texts) == 1 else "- "
            lines += [bullet + _md(text) for text in block.texts]
            return "\n".join(f"> {line}".rstrip() for line in lines)
        case Steps():
            rows = [
                (_md(what), _subscripts(_md(formula).replace(r"\_", "_")), _md(result))
                for what, formula, result in block.rows
            ]
            return _pipes(["what", "how", "result"], rows, escaped=True)
        case Figure():
            return _picture(block.name, _alternative(block, specs), block.caption)
        case Svg():
            return _picture(block.name, block.words, block.caption)
        case Table():
            return _markdown_table(block)
        case Note():
            raise AssertionError("notes are gathered before they are set")


def _markdown_table(block: Table) -> str:
    rows = []
    for at, values in enumerate(block.frame.itertuples(index=False, name=None)):
        texts = [_md(_cell(v)) for v in values]
        if _row_style(block.marked.get(at, "")) in ("pick", "broken"):
            texts = [f"**{text}**" if text else "" for text in texts]
        rows.append(texts)
    table = _pipes([str(name) for name in block.frame.columns], rows, escaped=True)
    return f"{_md(block.caption)}\n\n{table}" if block.caption else table


def _picture(name: str, words: str, caption: str) -> str:
    image = f"![{_md(words)}]({_FIGURES}/{name}.svg)"
    return f"{image}\n\n{_md(caption)}" if caption else image


def _pipes(names: Sequence[str], rows: Sequence[Sequence[str]], *, escaped: bool = False) -> str:
    lines = ["| " + " | ".join(map(_md, names)) + " |", "|" + " --- |" * len(names)]
    lines += ["| " + " | ".join(row if escaped else map(_md, row)) + " |" for row in rows]
    return "\n".join(lines)


def _md(text: str) -> str:
    """Return text with the characters that Markdown would take for markup made harmless."""
    return re.sub(r"([\\`|<*_\[\]])", r"\\\1", text).replace("\n", " ")


# -- JSON ------------------------------------------------------------------------------------------


def results(contents: ReportContents) -> dict[str, Any]:
    """Return everything of the exploration that a program may want, as plain JSON values.

    Infinite numbers are written ``"Infinity"`` and ``"-Infinity"`` (``float`` reads them back),
    missing ones ``null``.
    """
    readable, pick = contents.readable, contents.pick
    return {
        "title": contents.title,
        "scenario": contents.scenario,
        "job": list(contents.job),
        "feasible": contents.feasible,
        "blocking": list(contents.blocking),
        "method": list(contents.method),
        "uses": [_plain(use) for use in contents.uses],
        "constants": _plain(contents.constants),
        "part_labels": dict(contents.part_labels),
        "pick": {
            "candidate": _plain(readable.iloc[0].to_dict()) if len(readable) else None,
            "reasons": list(contents.pick_reasons),
            "device": pick.device.name,
            "stage": _first_of(pick.stage.numeric_fields()),
            "operating_point": _first_of(pick.point.numeric_fields()),
        },
        "parts": [_plain(line) for line in contents.parts],
        "limits": _records(contents.limits),
        "readable": _records(readable),
        "front": _records(contents.front),
        "search_trace": None if contents.search_trace is None else _records(contents.search_trace),
        "assumptions": list(contents.assumptions),
        "sources": list(contents.sources),
        "cautions": list(contents.cautions),
    }


def _first_of(fields: Mapping[str, Any]) -> dict[str, Any]:
    return {name: _plain(np.ravel(value)[0]) for name, value in fields.items()}


def _records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    names = [str(name) for name in frame.columns]
    return [
        {name: _plain(value) for name, value in zip(names, row, strict=True)}
        for row in frame.itertuples(index=False, name=None)
    ]


def _plain(value: object) -> Any:
    if value is None or isinstance(value, str):
        return value
    if isinstance(value, (bool, np.bool_)):
        return bool(value)
    if isinstance(value, (float, np.floating)):
        plain = float(value)
        if math.isnan(plain):
            return None
        return plain if math.isfinite(plain) else ("Infinity" if plain > 0 else "-Infinity")
    if isinstance(value, (int, np.integer)):
        return int(value)
    if is_dataclass(value) and not isinstance(value, type):
        return _plain(asdict(value))
    if isinstance(value, Mapping):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(v) for v in value]
    return str(value)
