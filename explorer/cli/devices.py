"""The command that lists the valves and transistors, or shows one."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.markup import escape
from rich.table import Table

from explorer.cli.app import app
from explorer.cli.options import FormatOption, OutputFormat
from explorer.cli.printing import out, print_json, print_records


@app.command()
def devices(
    name: Annotated[
        str | None, typer.Argument(metavar="[NAME]", help="Show this one, with its fit.")
    ] = None,
    table: Annotated[
        Path | None, typer.Option("--table", help="Look in your own valve table (TOML).")
    ] = None,
    form: FormatOption = OutputFormat.table,
) -> None:
    """List the valves and transistors, or show one: law, ratings, residuals and sources.

    As CSV one device is its residuals, or its data where no fit is recorded.

    Examples:

      stagefront devices

      stagefront devices ECC83

      stagefront devices J201 --form json
    """
    from explorer.device_records import device_list, device_record
    from objectives.devices.lookup import device
    from objectives.devices.lookup import devices as built_in
    from objectives.devices.valve_table import load_valves

    known = load_valves(table) if table is not None else built_in()
    if name is None:
        rows = device_list(known)
        if form is not OutputFormat.table:
            print_records(rows, form)
            return
        # What does not fit into 80 columns is in the other forms.
        left_out = ("what it is", "kind", "max (W)")
        _print_table(
            "Devices", [{k: v for k, v in row.items() if k not in left_out} for row in rows]
        )
        out().print(
            "Trusted: between which plate currents and voltages published numbers bear the law "
            "out. Worst: its largest error at numbers that its fit has used (fitted) or not "
            "(tested); makers contradict each other too. Cut-off: what it passes where a sheet "
            "states next to nothing, over what that is. stagefront devices NAME shows every "
            "number.",
            highlight=False,
        )
        return
    entry = device(name, known)
    if form is OutputFormat.json:
        print_json(device_record(entry))
    else:
        _print_one(entry, form)


def _print_one(device: Any, form: OutputFormat) -> None:
    from explorer.device_records import device_heading
    from reports.sections.device import (
        curve_table,
        device_table,
        error_table,
        residual_table,
    )

    data, residuals, curves = (
        table(device).to_dict("records") for table in (device_table, residual_table, curve_table)
    )
    if form is OutputFormat.csv:
        print_records(residuals or data, form)
        return
    console = out()

    def line(text: str) -> None:
        console.print(text, highlight=False, soft_wrap=True)

    for label, value in device_heading(device).items():
        if value:
            line(f"[bold]{label}[/bold]: {escape(value)}")
    for row in data:
        line(f"[bold]{escape(row['data'])}[/bold]")
        line(f"  {escape(row['values'])}")
        line(f"  source: {escape(row['source'])}")
    if device.fit is not None:
        line(f"[bold]fit[/bold]: {escape(device.fit.method)}")
    _print_table("Largest errors, the worst first", error_table(device).to_dict("records"))
    _print_table("Published values against the law", residuals)
    _print_table("Readings off published plate curves (each one: --form json)", curves)


def _print_table(title: str, rows: Sequence[Mapping[Any, Any]]) -> None:
    if not rows:
        return
    table = Table(title=title)
    for column in map(str, rows[0]):
        right = column.endswith(")")
        table.add_column(column, justify="right" if right else "left", no_wrap=column == "device")
    for row in rows:
        table.add_row(*(escape(str(cell)) for cell in row.values()))
    out().print(table)
