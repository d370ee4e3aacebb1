"""Prints the same stage with other devices in its place."""

from __future__ import annotations

from dataclasses import asdict

from rich.table import Table

from explorer.brief.model import Brief
from explorer.cli.options import OutputFormat
from explorer.cli.printing import out, print_caution, print_json, print_records, print_text
from explorer.designs import Design
from explorer.problem import Problem
from explorer.report_swaps import swaps
from reports.sections.swaps import swap_frame, swap_sentences


def show_swaps(brief: Brief, problem: Problem, design: Design, form: OutputFormat) -> None:
    """Print every score and the yield of a design with each device, a column each."""
    found = swaps(brief, problem, design.batch(), slow=True)
    if form is OutputFormat.json:
        print_json([asdict(swap) for swap in found])
        return
    frame = swap_frame(found, list(found[0].scores), problem.terms)
    if form is OutputFormat.csv:
        print_records(frame.to_dict("records"), form)
        return
    console, labels = out(), frame[""]
    rest = frame.drop(columns="")
    # As many devices beside each other as fit, no number cut.
    room = max(1, (console.width - labels.str.len().max()) // (rest.map(len).max().max() + 2))
    for start in range(0, len(rest.columns), room):
        table = Table(box=None, pad_edge=False)
        table.add_column("", no_wrap=True)
        some = rest.iloc[:, start : start + room]
        for name in some.columns:
            table.add_column(name, justify="right", no_wrap=True)
        for label, *cells in zip(labels, *(some[name] for name in some), strict=True):
            table.add_row(label, *cells)
        console.print(table)
    for sentence in swap_sentences(found, problem.terms):
        print_text(console, sentence)
    print_caution(console)
