"""Prints a stage that was read, and another beside it: what ``assess`` does without a front."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from rich.console import Console
from rich.markup import escape
from rich.table import Table

from explorer.brief.loading import load_brief
from explorer.brief.model import Brief
from explorer.cli.answer import forget_answer
from explorer.cli.app import output_folder, writing
from explorer.cli.options import OutputFormat
from explorer.cli.printing import err, out, print_caution, print_entry, print_json, print_records
from explorer.cli.searching import working
from explorer.formulation import formulate
from explorer.report_data import stage_data
from objectives.checks import InputError
from objectives.reading.comparison import compare
from objectives.reading.purposes import Reading, read_stage
from objectives.reading.trust import untrusted_words
from reports.document.files import write_stage_report
from reports.document.results import stage_results
from reports.model import StageData, StageReport
from reports.sections.comparison import comparison_frame, interaction_sentences, swap_entries
from reports.sections.purposes import (
    guess_sentences,
    hand_words,
    part_entries,
    summary_entries,
)


def assess_stage(
    brief: Brief, others: Sequence[str], into: Path | None, form: OutputFormat, *, quiet: bool
) -> None:
    """Read the stage of a brief whose parts are all fixed; with a second brief compare the two.

    Raises
    ------
    InputError
        If there are several others, or the other leaves a part free.
    """
    if len(others) > 1 or any("=" in other for other in others):
        allowed = "must be the brief of one other stage: this one has every part fixed"
        raise InputError("stage", " ".join(others), allowed)
    stage = stage_data(formulate(brief))
    other = comparison = None
    if others:
        beside = load_brief(others[0])
        if beside.varied:
            allowed = "must be fixed, each part of it, to be compared with a stage"
            raise InputError(f"{others[0]}: parts", ", ".join(beside.varied), allowed)
        other = stage_data(formulate(beside))
        comparison = compare(stage.pick, other.pick)
    data = StageReport(stage, read_stage(stage.pick), other, comparison)
    report = None
    if into is not None:
        folder = output_folder(brief.source, into)
        with writing(folder), working(quiet) as show:
            show("writing the report")
            forget_answer(folder)
            report = write_stage_report(data, folder)["html"]
    if form is OutputFormat.json:
        print_json(stage_results(data))
    elif form is OutputFormat.csv:
        rows = swap_entries(data) if others else part_entries(data.reading)
        print_records([{"part": part, "effect": text} for part, text in rows], form)
    else:
        _print(data)
    if report is not None:
        err().print(f"Report: {escape(str(report))}", soft_wrap=True)


def _print(data: StageReport) -> None:
    console, device = out(), data.stage.pick.device
    heading = f"[bold]{escape(data.stage.title)}[/bold]"
    console.print(f"{heading} ({escape(device.name)}, {device.terms.stage})", highlight=False)
    for one in (data.stage, data.other):
        if one is not None and (doubt := untrusted_words(one.pick)):
            print_entry(console, "Doubt", doubt)
    if data.other is None:
        _print_reading(data.reading, console)
    else:
        _print_comparison(data, data.other, console)
    print_caution(console)


def _print_reading(reading: Reading, console: Console) -> None:
    for label, text in summary_entries(reading):
        print_entry(console, label, text)
    console.print("[bold]What each part is for[/bold]")
    for part, text in part_entries(reading):
        print_entry(console, "", f"{part}: {text}.")
    for at, text in enumerate(guess_sentences(reading)):
        print_entry(console, "Guess" if at == 0 else "", text)
    print_entry(console, "By hand", hand_words(reading))


def _print_comparison(data: StageReport, other: StageData, console: Console) -> None:
    table = Table(title=f"Beside it: {escape(other.title)}")
    frame = comparison_frame(data)
    # The numbers are not cut; what room is left is the names'.
    widths = [max(map(len, (name, *frame[name]))) for name in frame.columns[1:]]
    room = console.width - sum(widths) - 3 * len(frame.columns) - 1
    table.add_column("score", no_wrap=True, overflow="ellipsis", max_width=room)
    for name, width in zip(frame.columns[1:], widths, strict=True):
        table.add_column(name, justify="right", no_wrap=True, min_width=width)
    for row in frame.itertuples(index=False):
        table.add_row(*row)
    console.print(table)
    print_entry(console, "", "Of radio bands the attenuation.")
    console.print("[bold]Why they differ[/bold] (one part changed at a time)")
    for part, text in swap_entries(data):
        print_entry(console, "", f"{part}: {text}.")
    for at, text in enumerate(interaction_sentences(data)):
        print_entry(console, "Together" if at == 0 else "", text)
