"""Standard output and standard error: tables, JSON, CSV."""

from __future__ import annotations

import os
import sys
import textwrap
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from rich.console import Console

from explorer.cli.streams import speaks_unicode

DANGER = "High voltage kills: building and probing are for people trained to do it."
CAUTION = f"{DANGER} All figures are calculated, not measured."


_LABEL = 10
"""Columns of the label of an entry."""


def out() -> Console:
    """Return a console on standard output, as wide as COLUMNS says or as the terminal is."""
    piped = sys.stdout is None or not sys.stdout.isatty()
    # A pipe has no width of its own; 80 columns would fold every table.
    return Console(width=160 if piped and "COLUMNS" not in os.environ else None, emoji=False)


def err() -> Console:
    """Return a console on standard error."""
    return Console(stderr=True, emoji=False)


def labelled(label: str, text: str, width: int, column: int) -> list[str]:
    """Return the lines of a text beside its label, which takes so many columns.

    A no-break space keeps a number with its unit.
    """
    room = max(width, 2 * column) - column
    lines = textwrap.wrap(text, room, break_long_words=False, break_on_hyphens=False) or [""]
    leads = [label, *[""] * len(lines)]
    return [f"{lead:<{column}}{line}".rstrip() for lead, line in zip(leads, lines, strict=False)]


def print_labelled(rows: Iterable[tuple[str, str]]) -> None:
    """Print texts beside their labels, indented, each text wrapped in its own column."""
    rows, console = tuple(rows), out()
    column = max((len(label) for label, _ in rows), default=0) + 3
    for label, text in rows:
        for line in labelled(f"  {label}", text, console.width, column):
            console.print(line, markup=False, highlight=False, soft_wrap=True)


def print_entry(console: Console, label: str, text: str) -> None:
    """Print a text beside a short label, as wide as the console."""
    for line in labelled(label, text, console.width, _LABEL):
        console.print(line, markup=False, highlight=False, soft_wrap=True)


def print_text(console: Console, text: str) -> None:
    """Print a text as wide as the console; no number is parted from its unit."""
    for line in labelled("", text, console.width, 0):
        console.print(line, markup=False, highlight=False, soft_wrap=True)


def print_caution(console: Console) -> None:
    """Print the caution that ends every command about a circuit."""
    for line in textwrap.wrap(CAUTION, console.width):
        console.print(line, style="bold red", soft_wrap=True)


def print_plain(text: str) -> None:
    """Print a text as it is."""
    sys.stdout.write(text)
    sys.stdout.flush()


def print_records(records: Sequence[Mapping[Any, Any]], form: str) -> None:
    """Print records as JSON, or as CSV with the keys of the first as header."""
    if form == "json":
        print_json(records)
        return
    import pandas as pd

    print_plain(pd.DataFrame(records).to_csv(index=False))


def print_json(value: Any) -> None:
    """Print a value as JSON."""
    from objectives.json_text import json_text  # it brings NumPy, which help does without

    print_plain(f"{json_text(value, indent=2, ascii=not speaks_unicode())}\n")
