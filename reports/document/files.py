"""Writes a finished exploration as HTML, Markdown, CSV and JSON; all files or none."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Final

from objectives.files import drafts
from objectives.json_text import json_text
from reports.charts.front import thinned
from reports.document.blocks import FIGURES
from reports.document.html import chart_script, html_page
from reports.document.markdown import markdown_text
from reports.document.results import results, stage_results
from reports.model import Block, Figure, ReportData, Section, StageReport, Svg
from reports.sections.build import build_sections, build_stage_sections
from reports.theme import spec_of, svg_of

_ROLES: Final = {
    "report.html": "html",
    "report.md": "markdown",
    "front.csv": "front_csv",
    "readable.csv": "readable_csv",
    "results.json": "json",
}


def write_report(data: ReportData, folder: str | Path) -> dict[str, Path]:
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

    Examples
    --------
    >>> import explorer, reports, tempfile
    >>> report = explorer.report(explorer.explore("battery-preamp"))
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     files = reports.write_report(report, folder)
    >>> files["html"].name
    'report.html'
    """
    return _write(_render(data), Path(folder))


def write_stage_report(data: StageReport, folder: str | Path) -> dict[str, Path]:
    """Write the report of a stage that was read, as :func:`write_report` does; without a front."""
    files = _pages(data.stage.title, lambda: build_stage_sections(data))
    files["results.json"] = json_text(stage_results(data), indent=1) + "\n"
    return _write(files, Path(folder))


def _write(files: Mapping[str, str], folder: Path) -> dict[str, Path]:
    folder.mkdir(parents=True, exist_ok=True)
    with drafts(folder) as draft:
        for name, text in files.items():
            place = draft / name
            place.parent.mkdir(parents=True, exist_ok=True)
            place.write_text(text, "utf-8", newline="\n")
    return {_ROLES.get(name) or f"figure_{Path(name).stem}": folder / name for name in files}


def _render(data: ReportData) -> dict[str, str]:
    """Return every file of the report by its path in the folder."""
    return _pages(data.title, lambda: build_sections(data)) | {
        "front.csv": data.front.to_csv(index=False),
        "readable.csv": data.shown.to_csv(index=False),
        "results.json": json_text(results(data), indent=1) + "\n",
    }


def _pages(title: str, build: Callable[[], list[Section]]) -> dict[str, str]:
    """Return page, text and drawings by their paths in the folder."""
    # The drawing library works outside Python's lock; while it starts and draws, the rest goes on.
    with ThreadPoolExecutor(max_workers=1) as aside:
        bundle = aside.submit(chart_script)
        sections = build()
        blocks = [block for section in sections for block in section.blocks]
        _require_own_names(blocks)
        specs = {b.name: spec_of(b.chart) for b in blocks if isinstance(b, Figure)}
        drawn = {name: aside.submit(svg_of, thinned(spec)) for name, spec in specs.items()}
        files = {
            "report.md": markdown_text(title, sections, specs),
            "report.html": html_page(title, sections, specs, bundle.result()),
        }
        for name, svg in drawn.items():
            files[f"{FIGURES}/{name}.svg"] = svg.result()
    for block in blocks:
        if isinstance(block, Svg):
            files[f"{FIGURES}/{block.name}.svg"] = block.markup
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
