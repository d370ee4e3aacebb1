"""TODO explorer.cli.fit."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Annotated

import typer
from rich.markup import escape

from explorer.cli.app import app, writing
from explorer.cli.options import FormatOption, OutputFormat
from explorer.cli.printing import out, print_json, print_records


@app.command()
def fit(
    readings: Annotated[
        Path,
        typer.Argument(
            metavar="CSV",
            help="Columns grid_voltage_V, plate_voltage_V, plate_current_A (or _mA).",
        ),
    ],
    name: Annotated[str, typer.Option("--name", help="Name of the new entry.")],
    like: Annotated[
        str | None,
        typer.Option(
            "--like", help="Valve that capacitances, ratings, noise and grid current come from."
        ),
    ] = None,
    law: Annotated[
        str, typer.Option("--law", help="koren, child-langmuir or dempwolf-zolzer.")
    ] = "koren",
    hold: Annotated[
        list[str] | None,
        typer.Option("--hold", metavar="PARAMETER=NUMBER", help="Hold a parameter; repeatable."),
    ] = None,
    test_every: Annotated[
        int | None,
        typer.Option("--test-every", min=2, help="Keep every so-manieth reading back as a test."),
    ] = None,
    into: Annotated[
        Path | None, typer.Option("--into", help="Valve table (TOML) to write the entry into.")
    ] = None,
    chart: Annotated[
        Path | None,
        typer.Option("--chart", help="Residual chart to write: .html, .svg or .png."),
    ] = None,
    form: FormatOption = OutputFormat.table,
) -> None:
    """Fit a law to your own measured plate curves and make a valve table entry of it.

    Readings that cannot carry a fit are refused, and why is said. A brief uses the entry by
    valve_table = "my-valves.toml".

    Examples:

      stagefront fit bench.csv --name bench-1 --like 12AX7 --into my-valves.toml

      stagefront fit bench.csv --name bench-1 --test-every 5 --chart residuals.html
    """
    from objectives.checks import InputError
    from objectives.devices.valve_table import valve
    from objectives.fitting.measured import fit_law
    from objectives.fitting.measurements import read_measurements
    from objectives.fitting.parameters import HELD
    from objectives.fitting.table import valve_entry_toml
    from reports.charts.residuals import chart_format, residual_chart, write_chart

    if law not in HELD:
        raise InputError("--law", law, f"must be one of {', '.join(HELD)}")
    if chart is not None:
        chart_format(chart)  # before the work rather than after it
    if into is not None and like is None:
        raise InputError("--like", like, "--into needs a valve to take capacitances from")
    model = valve(like) if like is not None else None
    found = fit_law(
        read_measurements(readings),
        law,  # type: ignore[arg-type]
        held=_held(hold, HELD[law]),
        grid=model.law.grid if model is not None else None,
        hold_out_every=test_every,
    )
    if into is not None:
        with writing(into):
            valve_entry_toml(name, found, like=model, into=into)
    if chart is not None:
        with writing(chart):
            write_chart(residual_chart(found), chart)
    record = {
        "name": name,
        "law": str(found.law),
        "standard_error": dict(found.standard_error),
        "fitted": len(found.fitted),
        "rms_percent": found.rms_percent(),
        "worst_percent": found.worst_percent(),
        "tested": 0 if found.tested is None else len(found.tested),
        "tested_rms_percent": None if found.tested is None else found.rms_percent(found.tested),
        "method": found.method,
    }
    if form is OutputFormat.json:
        print_json(record)
    elif form is OutputFormat.csv:
        print_records([{k: str(v) for k, v in record.items()}], form)
    else:
        for key, value in record.items():
            shown = f"{value:.3g}" if isinstance(value, float) else str(value)
            out().print(
                f"{key.replace('_', ' ')}: {escape(shown)}", highlight=False, soft_wrap=True
            )


def _held(given: list[str] | None, usual: Mapping[str, float]) -> dict[str, float] | None:
    """Return the parameters to hold; None leaves the choice to the fit."""
    if not given:
        return None
    from objectives.checks import InputError

    held = dict(usual)
    for text in given:
        name, _, value = text.partition("=")
        try:
            held[name.strip()] = float(value)
        except ValueError:
            raise InputError("--hold", text, "must be PARAMETER=NUMBER") from None
    return held
