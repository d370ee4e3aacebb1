"""TODO explorer.cli.devices."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Annotated

import typer
from rich.markup import escape
from rich.table import Table

from explorer.cli.app import app
from explorer.cli.options import FormatOption, OutputFormat
from explorer.cli.printing import out, print_json, print_records


@app.command()
def valves(
    name: Annotated[
        str | None, typer.Argument(metavar="[NAME]", help="Show this one, with its fit.")
    ] = None,
    table: Annotated[
        Path | None, typer.Option("--table", help="A valve table of your own (TOML) to look in.")
    ] = None,
    form: FormatOption = OutputFormat.table,
) -> None:
    """List the valves, or show one: law, capacitances, ratings, residuals and sources.

    Examples:

      stagefront valves

      stagefront valves ECC83

      stagefront valves 6SN7 --form json
    """
    from explorer.valve_words import valve_frame, valve_record
    from objectives.devices.valve_table import load_valves, valve
    from objectives.devices.valve_table import valves as built_in

    known = load_valves(table) if table is not None else built_in()
    if name is None:
        frame = valve_frame(known)
        if form is not OutputFormat.table:
            print_records(frame.to_dict("records"), form)
            return
        listing = Table(title="Valves")
        frame = frame.drop(columns="what it is")
        for column in frame.columns:
            listing.add_column(column, justify="left" if column in _LEFT else "right")
        for row in frame.itertuples(index=False):
            listing.add_row(*(str(cell) for cell in row))
        out().print(listing)
        return
    entry = valve(name, known)
    record = valve_record(entry)
    if form is OutputFormat.json:
        print_json(record)
        return
    if form is OutputFormat.csv:
        print_records(record["residuals"], form)
        return
    for key, value in record.items():
        if key in ("residuals", "curves"):
            continue
        if isinstance(value, Mapping):
            out().print(f"[bold]{key}[/bold]")
            for inner, shown in value.items():
                out().print(f"  {inner}: {escape(str(shown))}", highlight=False, soft_wrap=True)
        else:
            out().print(
                f"[bold]{key}[/bold]: {escape(str(value))}", highlight=False, soft_wrap=True
            )
    residuals = Table(title="Published values against the law")
    for column in ("quantity", "conditions", "published", "law", "error", "used", "source"):
        residuals.add_column(column)
    for point in record["residuals"]:
        residuals.add_row(*(escape(str(point[c])) for c in
                            ("quantity", "conditions", "published", "law", "error", "used",
                             "source")))  # fmt: skip
    out().print(residuals)
    if not record["curves"]:
        return
    columns = [name for name in record["curves"][0] if name != "each"]
    curves = Table(title="Readings off published plate curves (each one: --form json)")
    for column in columns:
        curves.add_column(column)
    for curve in record["curves"]:
        curves.add_row(*(escape(str(curve[c])) for c in columns))
    out().print(curves)


_LEFT = ("valve", "also")
