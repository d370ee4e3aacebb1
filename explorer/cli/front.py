"""Prints a front."""

from __future__ import annotations

from pathlib import Path

from rich.markup import escape
from rich.table import Table

from explorer.cli.printing import CAUTION, out
from objectives.format import part_value, quantity, score_label, score_unit
from reports.model import ReportData
from reports.sections.infeasible import obstacle_sentences
from reports.sections.method import method_sentences
from reports.sections.pick import reason_sentences


def print_front(data: ReportData, report: Path) -> None:
    """Print how the front was found, why the pick is it, and the front's representatives.

    Parameters
    ----------
    data :
        What the report is made from.
    report :
        The HTML file.
    """
    console, terms = out(), data.terms
    console.print(f"[bold]{escape(data.title)}[/bold]")
    for text in (*method_sentences(data), *obstacle_sentences(data), *reason_sentences(data)):
        console.print(escape(text), highlight=False)
    free = [use for use in data.uses if use.free]
    table = Table(title="The front" if data.feasible else "The nearest candidates")
    table.add_column("no.", justify="right")
    for label in data.part_labels.values():
        table.add_column(label, justify="right")
    for use in free:
        table.add_column(score_label(use.name, terms), justify="right")
    table.add_column("mark")
    for at, row in enumerate(data.shown.to_dict("records")):
        table.add_row(
            str(row["candidate"]),
            *(part_value(part, row[part], space=" ") for part in data.part_labels),
            *(quantity(float(row[use.name]), use.unit) for use in free),
            row["marks"],
            style="bold" if data.feasible and at == 0 else None,
        )
    console.print(table)
    for name, value in data.constants.items():
        shown = quantity(value, score_unit(name))
        console.print(f"Same for all: {score_label(name, terms)} {shown}")
    console.print(f"\nReport: [bold]{escape(str(report))}[/bold]", soft_wrap=True)
    console.print(CAUTION, soft_wrap=True)
