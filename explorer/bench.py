"""A response measured on the bench: its file, and the comparison with a design."""

from __future__ import annotations

import io
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from explorer.brief.errors import BriefError
from explorer.brief.reading import read_text
from explorer.designs import Design
from explorer.problem import Problem
from objectives.bench.fit import ResponseFit, fit_response
from objectives.bench.prediction import Prediction, Readings
from objectives.checks import InputError, Written
from objectives.circuit.corners import HIGHEST_HZ, Port

READING_dB = 0.2
"""Standard error of a reading whose line gives none: about 2 %, a careful reading of a meter
(common practice, no source)."""

_LEAST_READINGS = 6
_MOST_NAMED = 10
_LEVELS = ("level_dB", "gain_dB")


@dataclass(frozen=True)
class BenchComparison:
    """A measured response beside what the design should show."""

    prediction: Prediction
    fit: ResponseFit


def compare_with_bench(problem: Problem, design: Design, readings: Readings) -> BenchComparison:
    """Compare a design with its measured response, and fit its least certain values."""
    parts = design.batch()
    setup = problem.tolerance_of(parts)
    assert setup is not None  # every brief has spreads
    prediction = Prediction(problem.assess(parts), setup, readings)
    return BenchComparison(prediction, fit_response(prediction))


def read_response(path: str | Path, port: Port = "output") -> Readings:
    """Read a measured response from a CSV file.

    Columns, in any order: ``frequency_Hz``; ``level_dB``, relative to any reference, or
    ``gain_dB``, the level over the EMF of the source; and if wanted ``sigma_dB``, the standard
    error of each reading. Lines may be in any order, a frequency may be read several times, and
    empty lines and lines that start with ``#`` are skipped.

    Raises
    ------
    BriefError
        If the file is missing or not text, a line is wrong, or there are fewer than six readings;
        lines are named by their number.
    """
    source = str(path)
    lines = [
        "" if line.lstrip().startswith("#") else line
        for line in read_text(Path(path), "CSV").splitlines()
    ]
    header = next((number for number, line in enumerate(lines) if line.strip()), None)
    if header is None:
        allowed = "expected a first line naming the columns"
        raise BriefError([InputError("file", Written("empty"), allowed)], source)
    names = [name.strip() for name in lines[header].split(",")]
    errors = [*_header_errors(names)]
    for number, line in enumerate(lines[header + 1 :], header + 2):
        cells = line.count(",") + 1
        if cells > len(names):
            allowed = f"{cells} cells: expected at most {len(names)}, one a column"
            errors.append(InputError(f"line {number}", line, allowed))
    _raise_any(errors, source)
    table = pd.read_csv(
        io.StringIO("\n".join(lines[header:])),
        names=names, header=0, dtype=str, skip_blank_lines=False, quoting=3,
        keep_default_na=False,
    ).fillna("")  # fmt: skip
    table.index += header + 2  # the number of each line
    table = table.loc[[bool(lines[number - 1].strip()) for number in table.index]]
    level = next(name for name in _LEVELS if name in names)
    if "sigma_dB" not in names:
        table["sigma_dB"] = str(READING_dB)
    ranges = {
        "frequency_Hz": (0.0, HIGHEST_HZ, f"expected hertz, more than 0, up to {HIGHEST_HZ:.0e}"),
        level: (-400.0, 400.0, "expected a level in decibels"),
        "sigma_dB": (0.0, 20.0, "expected a standard error in decibels, more than 0, up to 20"),
    }
    numbers = table[[*ranges]].apply(pd.to_numeric, errors="coerce")
    for name, (low, high, words) in ranges.items():
        good = (numbers[name] > low) & (numbers[name] <= high)  # which nan is not
        errors += [
            InputError(f"line {number}, {name}", cell.strip(), words)
            for number, cell in table.loc[~good, name].items()
        ]
    _raise_any(errors, source)
    if len(numbers) < _LEAST_READINGS:
        words = f"expected {_LEAST_READINGS} or more"
        raise BriefError([InputError("readings", len(numbers), words)], source)
    numbers = numbers.sort_values("frequency_Hz", kind="stable")
    frequency, levels, sigma = (numbers[name].to_numpy(float) for name in ranges)
    return Readings(frequency, levels, sigma, absolute=level == "gain_dB", port=port)


def _header_errors(names: list[str]) -> Iterator[InputError]:
    known = ("frequency_Hz", *_LEVELS, "sigma_dB")
    for name in dict.fromkeys(names):
        if name in known and names.count(name) > 1:
            yield InputError("column", name, "named twice: expected once")
    if "frequency_Hz" not in names or not set(_LEVELS) & set(names):
        allowed = "expected frequency_Hz and level_dB (or gain_dB), with commas between"
        yield InputError("columns", ",".join(names), allowed)
    elif set(_LEVELS) <= set(names):
        yield InputError("columns", ",".join(names), "expected level_dB or gain_dB, not both")


def _raise_any(errors: list[InputError], source: str) -> None:
    """Raise the mistakes, if there are any; the first of many."""
    more = len(errors) - _MOST_NAMED
    if more > 0:
        rest = InputError("lines", Written(f"{more} more"), "are wrong as well")
        errors = [*errors[:_MOST_NAMED], rest]
    if errors:
        raise BriefError(errors, source)
