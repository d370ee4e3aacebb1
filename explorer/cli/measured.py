"""What ``assess`` does with a response from the bench: prints, in words, and draws."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import Any, Final

from rich.table import Table

from explorer.bench import BenchComparison, compare_with_bench, read_response
from explorer.cli.app import writing
from explorer.cli.options import OutputFormat
from explorer.cli.printing import DANGER, out, print_json, print_records
from explorer.designs import Design
from explorer.problem import Problem
from objectives.bench.fit import FittedValue
from objectives.bench.prediction import Departure
from objectives.circuit.corners import Port
from objectives.devices.terms import Terms
from objectives.format import first, listed, number, percent, quantity
from reports.charts.measured_response import measured_response_chart
from reports.charts.residuals import write_chart

CHART = "measured-response.html"

_UNITS: Final = {"source_ohm": "ohm", "grid_plate_F": "F", "transconductance_S": "S"}
_LABELS: Final = {
    "source_ohm": "{source} resistance",
    "grid_plate_F": "{grid}–{plate} capacitance",
    "transconductance_S": "transconductance",
}
_TOLD: Final = {"alone": "yes", "together": "only with others", "not": "no"}
_USUAL: Final = {
    ("low", False): "a coupling capacitor, a leak or the {cathode} bypass smaller than stated",
    ("low", True): "a coupling capacitor, a leak or the {cathode} bypass larger than stated, or "
    "hum in the reading",
    ("high", False): "more capacitance than stated at the {grid} or across the output (cable, "
    "meter), or a larger {grid} stopper",
    ("high", True): "less capacitance than stated at the {grid} or the output, a smaller {grid} "
    "stopper, or signal that passes round it",
    ("both", False): "an open {cathode} bypass, a weak {kind}, a smaller {plate} load or a lower "
    "load resistance",
    ("both", True): "a larger {plate} load, a higher load resistance, or a {cathode} bypass that "
    "the brief does not state",
}
"""What a departure usually means, by its region and whether it is above: common practice, no
source."""


def assess_measured(
    problem: Problem,
    design: Design,
    measured: Path,
    port: Port,
    into: Path | None,
    form: OutputFormat,
) -> None:
    """Compare a design with a measured response; the chart goes into a folder, if one is given."""
    comparison = compare_with_bench(problem, design, read_response(measured, port))
    terms = problem.device.terms
    if into is not None:
        chart = measured_response_chart(comparison.prediction, comparison.fit, finding(comparison))
        with writing(into):
            into.mkdir(parents=True, exist_ok=True)
            write_chart(chart, into / CHART)
    if form is OutputFormat.json:
        print_json(_record(comparison, terms))
    elif form is OutputFormat.csv:
        print_records(_rows(comparison), form)
    else:
        _print(comparison, terms)
        if into is not None:
            _say(f"Chart: {into / CHART}")


def _rows(comparison: BenchComparison) -> list[dict[str, float]]:
    prediction, (low, _, high) = comparison.prediction, comparison.prediction.band_dB
    columns = {
        "frequency_Hz": prediction.readings.frequency_Hz,
        "measured_dB": prediction.measured_dB,
        "nominal_dB": prediction.nominal_dB,
        "low_dB": low,
        "high_dB": high,
        "fitted_dB": comparison.fit.fitted_dB,
    }
    return [
        dict(zip(columns, map(float, row), strict=True))
        for row in zip(*columns.values(), strict=True)
    ]


def _record(comparison: BenchComparison, terms: Terms) -> dict[str, Any]:
    prediction, fit = comparison.prediction, comparison.fit
    return {
        "finding": finding(comparison),
        "words": [*_words(comparison, terms)],
        "levels": "gains" if prediction.readings.absolute else "relative",
        "port": prediction.readings.port,
        "offset_dB": prediction.offset_dB,
        "agrees": fit.agrees,
        "explained": fit.explained,
        "departures": [asdict(part) for part in prediction.departures()],
        "values": [asdict(value) for value in fit.values],
        "tied": fit.tied,
        "correlation": fit.correlation,
        "response": _rows(comparison),
    }


def finding(comparison: BenchComparison) -> str:
    """Return in one line how many readings leave the band, and where most."""
    parts = comparison.prediction.departures()
    count, outside = len(comparison.prediction.measured_dB), sum(part.readings for part in parts)
    if not outside:
        return f"All {count} readings lie in the predicted band"
    worst = max(parts, key=lambda part: abs(part.worst_dB))
    return f"{outside} of {count} readings leave the predicted band, most {_where(worst)}"


def _where(part: Departure) -> str:
    at, end = (quantity(f, "Hz", 3) for f in (part.low_Hz, part.high_Hz))
    place = f"at {at}" if part.readings == 1 else f"from {at} to {end}"
    side = "above" if part.worst_dB > 0 else "below"
    return f"{place}: {number(abs(part.worst_dB), 2)} dB {side}"


def _print(comparison: BenchComparison, terms: Terms) -> None:
    prediction, fit = comparison.prediction, comparison.fit
    _say(f"{finding(comparison)}.")
    for part in prediction.departures():
        readings = "1 reading" if part.readings == 1 else f"{part.readings} readings"
        _say(f"  {_where(part)} ({readings})")
    table = Table(title="Values fitted to the response")
    for title in ("value", "nominal", "spread", "fitted", "error", "told"):
        table.add_column(title, justify="left" if title in ("value", "told") else "right")
    for value in fit.values:
        unit = _UNITS[value.quantity]
        table.add_row(
            terms.write(_LABELS[value.quantity]),
            quantity(value.nominal, unit, 3),
            f"±{percent(value.spread)}",
            *(
                (quantity(value.value, unit, 3), f"±{percent(value.error)}", _TOLD[value.told])
                if fit.explained
                else ("—", "—", "—")
            ),
        )
    out().print(table)
    for text in _words(comparison, terms):
        _say(text)
    _say(DANGER)


def _words(comparison: BenchComparison, terms: Terms) -> Iterator[str]:
    """Yield what agrees, what does not, what would explain it, and what was taken for granted."""
    fit, prediction = comparison.fit, comparison.prediction
    explaining = [value for value in fit.values if value.explains]
    if fit.agrees:
        yield (
            "The response agrees with the values stated: tolerances of the parts and errors of "
            "reading account for the rest."
        )
    elif explaining:
        listed = "; ".join(_alone(value, terms) for value in explaining)
        tail = " Any one of them is enough." if len(explaining) > 1 else ""
        yield f"One value alone would explain the difference: {listed}.{tail}"
    elif fit.explained:
        yield "No single value explains the difference; the fitted values together do."
    else:
        yield (
            "None of these values, alone or together, explains the difference within its spread: "
            "something else is not as stated."
        )
        for part in _usual(prediction.departures()):
            meaning = terms.write(_USUAL[part.region, part.worst_dB > 0])
            yield f"Levels {_where(part)} the band: this usually means {meaning}."
    if fit.explained:
        yield from _told(comparison, terms)
    sigma = prediction.readings.sigma_dB
    alike = f", ±{quantity(sigma[0], 'dB', 2)}" if sigma.min() == sigma.max() else ""
    yield f"A reading is outside where it is beyond the band by twice its own error{alike}."
    if prediction.readings.absolute:
        yield "Levels are taken as gains from the EMF of the source."
    else:
        off = quantity(prediction.offset_dB, "dB", 3)
        yield (
            f"Levels are taken as relative: {off} are taken off, and only the shape is compared. "
            "Gains from the EMF of the source belong in a column gain_dB."
        )


def _usual(parts: tuple[Departure, ...]) -> list[Departure]:
    """Return the worst departure of each region and side."""
    worst: dict[tuple[str, bool], Departure] = {}
    for part in sorted(parts, key=lambda part: abs(part.worst_dB)):
        worst[part.region, part.worst_dB > 0] = part
    return [*worst.values()]


def _alone(value: FittedValue, terms: Terms) -> str:
    unit, away = _UNITS[value.quantity], f"{value.alone_spreads:+.1f}".replace("-", "−")
    return (
        f"{terms.write(_LABELS[value.quantity])} {quantity(value.alone, unit, 3)} instead of "
        f"{quantity(value.nominal, unit, 3)} ({away} of its spread)"
    )


def _told(comparison: BenchComparison, terms: Terms) -> Iterator[str]:
    """Yield what the response tells of the values, and what to measure where it does not."""
    fit, prediction = comparison.fit, comparison.prediction
    labels = {value.quantity: terms.write(_LABELS[value.quantity]) for value in fit.values}
    known = [value for value in fit.values if value.told == "alone"]
    if not known:
        yield "This response cannot tell these values apart."
    for names in fit.tied:
        told = listed([labels[name] for name in names])
        yield f"It tells {told} only taken together: one can stand in for another."
    silent = [labels[value.quantity] for value in fit.values if value.told == "not"]
    if silent:
        yield f"It says little of {listed(silent)}: what is printed is mostly what was assumed."
    upper = first(prediction.nominal.output_corners_Hz[1])
    highest = prediction.readings.frequency_Hz[-1]
    if len(known) < len(fit.values) and highest < 2 * upper < float("inf"):
        yield (
            f"Readings up to {quantity(3 * upper, 'Hz', 2)}, beyond the upper corner at "
            f"{quantity(upper, 'Hz', 3)}, would tell more."
        )


def _say(text: str) -> None:
    """Print a paragraph of at most 80 columns."""
    lines = textwrap.fill(text, 80, subsequent_indent="  " if text.startswith(" ") else "")
    out().print(lines, highlight=False, soft_wrap=True, markup=False)
