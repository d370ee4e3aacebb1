"""Writes a sheet as a page and as Markdown; both or none."""

from __future__ import annotations

from pathlib import Path

from objectives.files import drafts
from reports.sheet.markdown import sheet_markdown
from reports.sheet.page import sheet_page
from reports.sheet.sheet import Sheet


def write_sheet(sheet: Sheet, folder: str | Path) -> dict[str, Path]:
    """Write ``sheet.html`` and ``sheet.md`` into a folder, which is made if need be.

    Returns
    -------
    dict
        ``html`` and ``markdown``, with the path of the file.

    Raises
    ------
    OSError
        If the folder cannot be written.
    """
    folder = Path(folder)
    texts = {"sheet.html": sheet_page(sheet), "sheet.md": sheet_markdown(sheet)}
    folder.mkdir(parents=True, exist_ok=True)
    with drafts(folder) as draft:
        for name, text in texts.items():
            (draft / name).write_text(text, "utf-8", newline="\n")
    return {"html": folder / "sheet.html", "markdown": folder / "sheet.md"}
