"""Writes a finished exploration as HTML, Markdown, CSV and JSON; all files or none."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Final

from joblib import Parallel, delayed

from objectives.files import drafts
from objectives.json_text import json_text
from reports.document.blocks import FIGURES, all_blocks, drawings, specs_of
from reports.document.html import html_page
from reports.document.markdown import markdown_text
from reports.document.record import record_text
from reports.document.results import results, run_values, stage_results
from reports.drawing import chart_script, svg_text
from reports.layout import Document, Figure, Svg
from reports.model import ReportData, StageReport
from reports.sections.build import document, stage_document
from reports.theme import drawable, in_light

_ROLES: Final = {
    "report.html": "html",
    "report.md": "markdown",
    "record.md": "record",
    "front.csv": "front_csv",
    "readable.csv": "readable_csv",
    "results.json": "json",
    "run.json": "run",
}


def write_report(data: ReportData, folder: str | Path) -> dict[str, Path]:
    """Write the report into a folder, which is made if need be.

    Everything is first worked out and written beside its place and only then moved in, so that a
    reader never meets half a file, and an error leaves an earlier report as it was. Of an
    unfinished report text and drawings are left out, and the text of an earlier one is taken away;
    its drawings stay until there are new ones.

    Returns
    -------
    dict
        ``html``, ``markdown``, ``record``, ``front_csv``, ``readable_csv``, ``json``, ``run`` and
        one ``figure_NAME`` for each drawing, with the path of the file. Of the same exploration
        each has the same bytes, but for ``run``, which holds times and dates.

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
    files = _write(_render(data), Path(folder))
    if data.unfinished:
        (Path(folder) / "report.md").unlink(missing_ok=True)
    return files


def write_stage_report(data: StageReport, folder: str | Path) -> dict[str, Path]:
    """Write the report of a stage that was read, as :func:`write_report` does; without a front."""

    def others() -> dict[str, str]:
        return {"results.json": json_text(stage_results(data), indent=1) + "\n"}

    return _write(_pages(stage_document(data), others), Path(folder))


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

    def others() -> dict[str, str]:
        return {
            "record.md": record_text(data),
            "front.csv": data.front.to_csv(index=False),
            "readable.csv": data.shown.to_csv(index=False),
            "results.json": json_text(results(data), indent=1) + "\n",
            "run.json": json_text(run_values(data), indent=1) + "\n",
        }

    return _pages(document(data), others, text=not data.unfinished)


def _pages(
    document: Document, others: Callable[[], dict[str, str]], *, text: bool = True
) -> dict[str, str]:
    """Return the page and other files and, if asked for, text and drawings by their paths."""
    drawn = list(drawings(all_blocks(document)))
    _require_own_names(drawn)
    figures = [each for each in drawn if isinstance(each, Figure)] if text else []
    # Where the caller lets other processes work, they draw each as soon as it is specified, and the
    # last ones while the rest is made.
    draw = Parallel(return_as="generator", batch_size=1, pre_dispatch="all")
    own = (delayed(svg_text)(drawable(figure.spec, figure.title)) for figure in figures)
    svgs = draw(own) if figures else ()
    specs = specs_of(drawn)
    beside = {key: specs_of(drawings(slots)) for key, slots in document.beside.items()}
    files = {"report.html": html_page(document, specs, beside, chart_script()), **others()}
    if not text:
        return files
    files["report.md"] = markdown_text(document, specs)
    files |= {
        f"{FIGURES}/{figure.name}.svg": svg for figure, svg in zip(figures, svgs, strict=True)
    }
    return files | {
        f"{FIGURES}/{svg.name}.svg": in_light(svg.markup) for svg in drawn if isinstance(svg, Svg)
    }


def _require_own_names(drawn: Iterable[Figure | Svg]) -> None:
    seen: set[str] = set()
    for each in drawn:
        if each.name in seen or not re.fullmatch(r"[A-Za-z0-9_-]+", each.name):
            raise ValueError(
                f"figure: {each.name!r}: must be made of letters, digits, '-' and '_' and occur "
                "once"
            )
        seen.add(each.name)
