"""A response measured on the bench: its file, and the comparison with a design."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from explorer.brief.errors import BriefError
from explorer.designs import Design
from explorer.problem import Problem
from objectives.bench.fit import ResponseFit, fit_response
from objectives.bench.prediction import Prediction, Readings
from objectives.checks import InputError, Written
from objectives.circuit.corners import HIGHEST_HZ, Port
from objectives.user_files import csv_rows, read_text

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
    try:
        rows = csv_rows(read_text(path, "CSV"))
    except InputError as error:
        raise BriefError([error], source) from None
    if not rows:
        allowed = "expected a first line naming the columns"
        raise BriefError([InputError("file", Written("empty"), allowed)], source)
    (_, names), *lines = rows
    _raise_any([*_header_errors(names)], source)
    level = next(name for name in _LEVELS if name in names)
    ranges = {
        "frequency_Hz": (0.0, HIGHEST_HZ, f"expected hertz, more than 0, up to {HIGHEST_HZ:.0e}"),
        level: (-400.0, 400.0, "expected a level in decibels"),
        "sigma_dB": (0.0, 20.0, "expected a standard error in decibels, more than 0, up to 20"),
    }
    errors, readings = [], []
    for number, cells in lines:
        if len(cells) > len(names):
            allowed = f"{len(cells)} cells: expected at most {len(names)}, one a column"
            errors.append(InputError(f"line {number}", ",".join(cells), allowed))
            continue
        read = {"sigma_dB": str(READING_dB)} if "sigma_dB" not in names else {}
        read |= dict(zip(names, cells, strict=False))
        readings.append([_number(read.get(name, "")) for name in ranges])
        for value, (name, (low, high, words)) in zip(readings[-1], ranges.items(), strict=True):
            if not low < value <= high:  # which nan is not
                errors.append(InputError(f"line {number}, {name}", read.get(name, ""), words))
    _raise_any(errors, source)
    if len(readings) < _LEAST_READINGS:
        words = f"expected {_LEAST_READINGS} or more"
        raise BriefError([InputError("readings", len(readings), words)], source)
    table = np.array(readings)
    frequency, levels, sigma = table[np.argsort(table[:, 0], kind="stable")].T
    return Readings(frequency, levels, sigma, absolute=level == "gain_dB", port=port)


def _number(cell: str) -> float:
    try:
        return float(cell)
    except ValueError:
        return math.nan


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
