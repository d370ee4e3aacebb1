"""Prints and draws what ``vary`` works out."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

import numpy as np
from rich.table import Table

from explorer.cli.app import writing
from explorer.cli.options import OutputFormat
from explorer.cli.printing import out, print_caution, print_records, print_text
from explorer.cli.standing import is_off
from explorer.problem import Problem
from explorer.sweep import Sweep
from explorer.sweep_drawing import drawn_sweep, finding, names_of
from objectives.checks import one_of
from objectives.elements import ELEMENTS
from objectives.format import part_value, score_label, sentence, shown_name, stepped

CHART: Final = "vary.html"
_CORNER: Final = "input_corner_Hz"

_COLUMN, _ROOM = 15, 18
"""Columns of a score, and of the part and the remarks about it."""


def show_sweep(problem: Problem, moved: Sweep, into: Path | None, form: OutputFormat) -> None:
    """Print every score over the values of one part, and draw it into a folder if one is given."""
    names = names_of(problem, moved)
    if form is OutputFormat.table:
        _print_one(problem, moved, names)
    else:
        _print_rows(problem, [moved], form)
    if into is not None:
        _write(drawn_sweep(problem, moved), into)


def show_two(
    problem: Problem,
    second: Sweep,
    firsts: Sequence[Sweep],
    score: str,
    into: Path | None,
    form: OutputFormat,
) -> None:
    """Print one score over the values of two parts, and draw it into a folder if one is given."""
    one_of("score", score, second.stages.scores)
    terms, first = problem.device.terms, firsts[second.present]
    across, down = (ELEMENTS[moved.part].label_for(terms) for moved in (first, second))
    told = f"{sentence(score_label(score, terms))} over {across} (across) and {down} (down)"
    if form is OutputFormat.table:
        _print_two(second, firsts, score, told)
    else:
        _print_rows(problem, firsts, form, (second.part, second.values))
    if into is not None:
        from reports.charts.sweep import sweep_two_chart  # charts take a second to load

        chart = sweep_two_chart(
            (first.part, second.part),
            (first.values, second.values),
            score,
            np.stack([row.stages.scores[score] for row in firsts]),
            present=(first.present, second.present),
            broken=[[bool(b) for b in row.breaks] for row in firsts],
            finding=told,
            terms=terms,
        )
        _write(chart, into)


def default_score(problem: Problem) -> str:
    """Return the score to show over two parts where none is named; a corner in hertz."""
    return shown_name(problem.free[0].name) if problem.free else _CORNER


def _print_one(problem: Problem, moved: Sweep, names: Sequence[str]) -> None:
    console, terms = out(), problem.device.terms
    fits = max(2, (console.width - _ROOM) // _COLUMN)
    print_text(console, f"{finding(problem, moved)}.")
    table = Table(box=None, pad_edge=False)
    table.add_column(ELEMENTS[moved.part].label_for(terms), justify="right")
    for name in names[:fits]:
        table.add_column(score_label(name, terms), justify="right")
    table.add_column("")
    for row, value in enumerate(moved.values):
        here, breaks = row == moved.present, moved.breaks[row]
        cells = (
            stepped(float(moved.stages.scores[n][row]), n) + (" ×" if is_off(n, breaks) else "  ")
            for n in names[:fits]
        )
        more = [n for n in breaks if not any(is_off(shown, [n]) for shown in names[:fits])]
        table.add_row(
            ("> " if here else "") + part_value(moved.part, value),
            *cells,
            _remark(problem, more) or ("" if moved.trusted[row] else "law doubtful"),
            style="bold" if here else None,
        )
    console.print(table)
    console.print("× a limit is broken or a target missed", highlight=False)
    if names[fits:]:
        rest = ", ".join(score_label(name, terms) for name in names[fits:])
        console.print(f"Not shown: {rest} (--form csv has all).", highlight=False)
    print_caution(console)


def _print_two(second: Sweep, firsts: Sequence[Sweep], score: str, told: str) -> None:
    console, first = out(), firsts[second.present]
    fits = max(2, (console.width - 12) // 10)
    nearest = np.argsort(np.abs(np.arange(len(first.values)) - first.present), kind="stable")
    columns = np.sort(nearest[:fits])
    print_text(console, f"{told}.")
    table = Table(box=None, pad_edge=False)
    table.add_column("", justify="right")
    for at in columns:
        table.add_column(part_value(first.part, first.values[at]), justify="right")
    for row, value in enumerate(second.values):
        moved = firsts[row]
        cells = (
            stepped(float(moved.stages.scores[score][at]), score)
            + ("×" if moved.breaks[at] else " ")
            for at in columns
        )
        style = "bold" if row == second.present else None
        table.add_row(part_value(second.part, value), *cells, style=style)
    console.print(table)
    console.print("× a limit is broken or a target missed", highlight=False)
    print_caution(console)


def _remark(problem: Problem, breaks: Sequence[str]) -> str:
    """Return the first thing that a value breaks or misses, and how many more there are."""
    if not breaks:
        return ""
    first = breaks[0]
    goal = first in {goal.name for goal in problem.goals}
    label = score_label(shown_name(first), problem.device.terms)
    more = f" +{len(breaks) - 1}" if len(breaks) > 1 else ""
    return f"{'misses' if goal else 'breaks'} {label}{more}"


def _print_rows(
    problem: Problem,
    sweeps: Sequence[Sweep],
    form: OutputFormat,
    over: tuple[str, Sequence[float] | np.ndarray] | None = None,
) -> None:
    print_records(
        [
            {
                **({} if over is None else {over[0]: float(over[1][at])}),
                moved.part: float(value),
                **{name: float(column[row]) for name, column in moved.stages.scores.items()},
                "breaks": ", ".join(moved.breaks[row]),
                "law_trusted": moved.trusted[row],
                "present": row == moved.present,
            }
            for at, moved in enumerate(sweeps)
            for row, value in enumerate(moved.values)
        ],
        form,
    )


def _write(chart: Any, into: Path) -> None:
    from reports.charts.residuals import write_chart

    with writing(into):
        into.mkdir(parents=True, exist_ok=True)
        write_chart(chart, into / CHART)
    out().print(f"Chart: {into / CHART}", highlight=False, soft_wrap=True)
