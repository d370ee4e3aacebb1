"""The command that fits a law to measured plate curves."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Annotated, Any

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
        typer.Option("--test-every", min=2, help="Hold back every n-th reading as a test."),
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

    Readings that cannot carry a fit are rejected, with the reason. A brief uses the entry by
    valve_table = "my-valves.toml".

    Examples:

      stagefront fit bench.csv --name bench-1 --like 12AX7 --into my-valves.toml

      stagefront fit bench.csv --name bench-1 --test-every 5 --chart residuals.html
    """
    from objectives.checks import InputError, Written
    from objectives.devices.terms import VALVE
    from objectives.devices.valve_table import valve
    from objectives.fitting.measured import fit_law
    from objectives.fitting.measurements import read_measurements
    from objectives.fitting.parameters import HELD
    from objectives.fitting.table import valve_entry_toml
    from reports.charts.residuals import chart_format, residual_chart, residual_title, write_chart

    if law not in HELD:
        raise InputError("--law", law, f"must be one of {', '.join(HELD)}")
    if chart is not None:
        chart_format(chart)  # before the work rather than after it
    if into is not None and like is None:
        raise InputError(
            "--like", Written("not given"), "--into needs a valve to take capacitances from"
        )
    model = valve(like) if like is not None else None
    measured = read_measurements(readings)
    grid = model.law.grid if model is not None else None
    how: dict[str, Any] = {"grid": grid, "hold_out_every": test_every}
    try:
        found = fit_law(measured, law, held=_held(hold, HELD[law]), **how)  # type: ignore[arg-type]
    except InputError as error:
        simpler = law == "koren" and _fits(lambda: fit_law(measured, "child-langmuir", **how))
        if not simpler:
            raise
        hint = "the three-halves law fits these readings: --law child-langmuir"
        raise InputError(error.field, error.value, f"{error.allowed}; {hint}") from error
    if into is not None:
        with writing(into):
            valve_entry_toml(name, found, like=model, into=into)
    if chart is not None:
        with writing(chart):
            title = residual_title(found.fitted.source, found.record)
            write_chart(residual_chart(found.fitted.source, found.record), chart, title)
    record = {
        "name": name,
        "law": found.law.title,
        "parameters": {VALVE.write(p.label): p.value.item() for p in found.law.parameters()},
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
            if isinstance(value, Mapping):
                value = ", ".join(f"{name} {number:.4g}" for name, number in value.items())
            shown = f"{value:.3g}" if isinstance(value, float) else str(value)
            out().print(
                f"{key.replace('_', ' ')}: {escape(shown)}", highlight=False, soft_wrap=True
            )


def _fits(fit_it: Callable[[], object]) -> bool:
    from objectives.checks import InputError

    with contextlib.suppress(InputError):
        fit_it()
        return True
    return False


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
