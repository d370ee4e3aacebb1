"""The answer of an exploration: printed, and kept beside its report to be shown again at once.

It is shown again where all that it came from is the same: the version, every file that was read and
how the search was asked for.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Final

from rich.markup import escape

from explorer.brief.model import Brief
from explorer.cli.options import OutputFormat
from explorer.cli.printing import err, out, print_caution, print_entry, print_json, print_plain
from explorer.identity import program
from objectives.files import drafts

_PAGE: Final = "report.html"
_NAME: Final = "answer.json"
_FILES: Final = (_PAGE, "report.md", "record.md", "front.csv", "readable.csv", "results.json")


@dataclass(frozen=True)
class Answer:
    """A decision as a terminal shows it: what it is of, how it came, labels and texts."""

    title: str
    how: str
    entries: Sequence[tuple[str, str]]

    def print(self) -> None:
        """Print it, about ten lines at 80 columns."""
        console = out()
        console.print(f"[bold]{escape(self.title)}[/bold] ({escape(self.how)})", highlight=False)
        for label, text in self.entries:
            print_entry(console, label, text)


def print_place(page: Path, form: OutputFormat) -> None:
    """Print where the report is; below a decision also the caution that ends what is printed."""
    if form is not OutputFormat.table:
        err().print(f"Report: {escape(str(page))}", soft_wrap=True)
        return
    console = out()
    # A path is not broken: it is there to be copied.
    console.print(f"{'Report':<10}{page}", markup=False, highlight=False, soft_wrap=True)
    print_caution(console)


def made_from(brief: Brief, *options: object) -> str:
    """Return a short hash of all that an exploration with these options comes from."""
    text = json.dumps([program(), *brief.read.values(), *map(str, options)])
    return hashlib.sha256(text.encode()).hexdigest()


def keep_answer(answer: Answer, key: str, folder: Path) -> None:
    """Write an answer beside its report, once that is whole.

    Raises
    ------
    OSError
        If the folder cannot be written.
    """
    text = json.dumps({"made_from": key, **asdict(answer)}, ensure_ascii=False, indent=1)
    with drafts(folder) as draft:
        (draft / _NAME).write_text(text + "\n", "utf-8")


def kept_answer(key: str, folder: Path) -> Answer | None:
    """Return the answer that came from the same; None without one, or where a file is gone."""
    if not all((folder / name).is_file() for name in _FILES):
        return None
    try:
        kept = json.loads((folder / _NAME).read_text("utf-8"))
        return Answer(**kept) if kept.pop("made_from") == key else None
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return None


def forget_answer(folder: Path) -> None:
    """Take away the answer that a folder keeps, before the report beside it is replaced."""
    (folder / _NAME).unlink(missing_ok=True)


def show_again(answer: Answer, folder: Path, form: OutputFormat) -> None:
    """Print what an exploration has found, as it did then."""
    if form is OutputFormat.table:
        answer.print()
    print_place(folder / _PAGE, form)
    if form is OutputFormat.json:
        print_json(json.loads((folder / "results.json").read_text("utf-8"))["readable"])
    elif form is OutputFormat.csv:
        print_plain((folder / "readable.csv").read_text("utf-8"))
