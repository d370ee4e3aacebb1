"""TODO explorer.cli.printing."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from enum import StrEnum
from typing import Any

import pandas as pd
import typer
from rich.console import Console
from rich.markup import escape
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

from explorer.brief.errors import BriefError
from explorer.search import Progress as SearchProgress
from explorer.search import Report
from objectives.json_text import json_text

DEFAULT_BRIEF = "treble-cut"
OK, BAD_INPUT, NOTHING_FEASIBLE, INTERRUPTED = 0, 2, 3, 130

# Piped output has no width of its own; 80 columns would fold every table.
out = Console(width=None if sys.stdout.isatty() else 160)
err = Console(stderr=True)


class Form(StrEnum):
    """How results are printed."""

    table = "table"
    json = "json"
    csv = "csv"


class How(StrEnum):
    """How the front is found."""

    auto = "auto"
    search = "search"
    exact = "exact"


@contextmanager
def _plain_errors() -> Iterator[None]:
    """Turn bad input into one clear message and exit code 2."""
    try:
        yield
    except BriefError as error:
        err.print(escape(str(error)), style="red", highlight=False, soft_wrap=True)
        raise typer.Exit(BAD_INPUT) from None
    except (ValueError, OSError) as error:
        err.print(escape(f"error: {error}"), style="red", highlight=False, soft_wrap=True)
        raise typer.Exit(BAD_INPUT) from None


@contextmanager
def _progress(quiet: bool) -> Iterator[Report | None]:
    """Show evaluations, their rate and the hypervolume while the search runs."""
    if quiet:
        yield None
        return
    with Progress(
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        TextColumn("{task.fields[rate]:,.0f} evaluations/s"),
        TextColumn("hypervolume {task.fields[volume]:.4f}"),
        TimeElapsedColumn(),
        console=err,
    ) as bar:
        tasks: dict[str, Any] = {}

        def report(p: SearchProgress) -> None:
            if p.kind not in tasks:
                tasks[p.kind] = bar.add_task(p.kind, total=p.total, rate=0.0, volume=0.0)
            bar.update(tasks[p.kind], completed=p.done, rate=p.per_second, volume=p.hypervolume)

        yield report


@contextmanager
def _working(quiet: bool) -> Iterator[Callable[[str], None]]:
    """Show what is being worked on after the search."""
    if quiet:
        yield lambda _: None
        return
    with err.status("working") as status:
        yield lambda what: status.update(f"working out {what}" if what != "report" else "report")


def _print_frame(frame: pd.DataFrame, form: Form) -> None:
    """Print a frame as JSON records or CSV on standard output."""
    if form is Form.csv:
        sys.stdout.write(frame.to_csv(index=False))
    else:
        _print_json(frame.to_dict("records"))


def _print_json(value: Any) -> None:
    sys.stdout.write(json_text(value, indent=2) + "\n")


def _signed(value: float) -> str:
    return "0" if abs(value) < 1e-12 else f"{value:+.3g}".replace("-", "−")
