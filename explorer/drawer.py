"""Preferred values (IEC 60063) and the drawer: the parts a user really has.

Source of the series: IEC 60063:2015, *Preferred number series for resistors and capacitors*; the
values come from the ``eseries`` library and are compared with the tables of the standard in
``tests/references/iec_60063.toml``.
"""

from __future__ import annotations

import csv
import difflib
import io
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from importlib.resources.abc import Traversable
from pathlib import Path
from types import MappingProxyType
from typing import Final

import numpy as np

from explorer.series import _SLACK, UNIT_OF_KIND, FloatArray, PartKind
from explorer.units import QuantityError, QuantityField

__all__ = ["Drawer", "DrawerError", "DrawerParts", "read_drawer"]


class DrawerError(ValueError):
    """A drawer file that cannot be used.

    Attributes:
        problems: one line each, ``line N, column: value: what is allowed``.
    """

    def __init__(self, source: str, problems: Iterable[str]) -> None:
        self.source = source
        self.problems = tuple(problems)
        super().__init__(source + ":\n" + "\n".join(f"  {problem}" for problem in self.problems))


@dataclass(frozen=True)
class DrawerParts:
    """The parts of one kind, one entry a line of the drawer, ascending in value.

    All arrays have shape (n,); a number the file leaves out is nan.
    """

    value: FloatArray
    """Ohm or farad."""
    quantity: FloatArray
    """Pieces in hand."""
    price: FloatArray
    """Price of one piece, in the file's own currency."""
    tolerance_percent: FloatArray
    style: tuple[str, ...]
    """For example carbon film, wirewound, polypropylene."""
    note: tuple[str, ...]

    def __len__(self) -> int:
        return int(self.value.size)

    def between(self, low: float = 0.0, high: float = math.inf) -> FloatArray:
        """Return the distinct values from ``low`` to ``high`` (included), ascending."""
        inside = (self.value >= low * (1 - _SLACK)) & (self.value <= high * (1 + _SLACK))
        return np.unique(self.value[inside])


@dataclass(frozen=True)
class Drawer:
    """The parts a user has, by kind."""

    resistors: DrawerParts
    capacitors: DrawerParts
    source: str = ""
    """File the drawer was read from."""

    def parts(self, kind: PartKind) -> DrawerParts:
        """Return the parts of one kind."""
        return self.resistors if kind == "resistor" else self.capacitors


@dataclass(frozen=True)
class _Line:
    kind: PartKind
    value: float
    quantity: float
    price: float
    tolerance_percent: float
    style: str
    note: str


_REQUIRED: Final = ("kind", "value")
_COLUMNS: Final = (*_REQUIRED, "quantity", "price", "tolerance_percent", "style", "note")
_NUMBERS: Final[Mapping[str, QuantityField]] = MappingProxyType(
    {
        "quantity": QuantityField("ratio", minimum=0),
        "price": QuantityField("ratio", minimum=0),
        "tolerance_percent": QuantityField("percent", above=0, maximum=100),
    }
)


def read_drawer(path: str | Path | Traversable) -> Drawer:
    """Read a drawer from a CSV file.

    The first line names the columns: ``kind`` (``resistor`` or ``capacitor``) and ``value`` are
    required; ``quantity``, ``price``, ``tolerance_percent``, ``style`` and ``note`` may follow in
    any order. Lines that start with ``#`` and empty lines are skipped; a line with quantity 0 is
    read but not offered.

    Raises:
        DrawerError: the file is missing or not text, or a line is wrong; every problem is listed.
    """
    source = Path(path) if isinstance(path, str) else path
    try:
        text = source.read_text(encoding="utf-8-sig")
    except OSError as error:
        reason = error.strerror or str(error)
        raise DrawerError(str(path), [f"file: {reason}: expected a readable CSV file"]) from None
    except UnicodeDecodeError:
        raise DrawerError(str(path), ["file: not UTF-8 text: expected a CSV file"]) from None
    return _parse_drawer(text, str(path))


def _parse_drawer(text: str, source: str) -> Drawer:
    reader = csv.reader(io.StringIO(text), skipinitialspace=True)
    rows = [
        (reader.line_num, [cell.strip() for cell in row])
        for row in reader
        if any(cell.strip() for cell in row) and not row[0].lstrip().startswith("#")
    ]
    if not rows:
        raise DrawerError(source, ["file: empty: expected a first line naming the columns"])
    header_line, header = rows[0]
    problems = _header_problems(header, header_line)
    if problems:
        raise DrawerError(source, problems)
    lines: list[_Line] = []
    for number, row in rows[1:]:
        if len(row) > len(header):
            problems.append(
                f"line {number}: {len(row)} cells: expected at most {len(header)}, one a column"
            )
            continue
        cells = dict(zip(header, row, strict=False))
        line = _read_line(cells, number, problems)
        if line is not None:
            lines.append(line)
    if not problems and not lines:
        problems.append("file: no parts: expected at least one line after the column names")
    if problems:
        raise DrawerError(source, problems)
    return Drawer(_collect(lines, "resistor"), _collect(lines, "capacitor"), source)


def _header_problems(header: list[str], number: int) -> list[str]:
    problems = []
    for column in header:
        if column not in _COLUMNS:
            close = difflib.get_close_matches(column.lower(), _COLUMNS, n=1)
            hint = f"; did you mean {close[0]!r}?" if close else ""
            problems.append(
                f"line {number}, column {column!r}: expected one of {', '.join(_COLUMNS)}{hint}"
            )
        elif header.count(column) > 1:
            problems.append(f"line {number}, column {column!r}: named twice: expected once")
    problems += [
        f"line {number}, column {column!r}: missing: this column is required"
        for column in _REQUIRED
        if column not in header
    ]
    return list(dict.fromkeys(problems))


def _read_line(cells: Mapping[str, str], number: int, problems: list[str]) -> _Line | None:
    before = len(problems)
    kind: PartKind
    match cells.get("kind", ""):
        case "resistor":
            kind = "resistor"
        case "capacitor":
            kind = "capacitor"
        case other:
            problems.append(f"line {number}, kind: {other!r}: expected 'resistor' or 'capacitor'")
            return None
    numbers = dict.fromkeys(_NUMBERS, math.nan)
    readers = {"value": QuantityField(UNIT_OF_KIND[kind], above=0), **_NUMBERS}
    for column, reader in readers.items():
        cell = cells.get(column, "")
        if not cell and column != "value":
            continue
        try:
            numbers[column] = reader.parse(cell)
        except QuantityError as error:
            problems.append(f"line {number}, {column}: {cell!r}: expected {error.allowed}")
    if len(problems) > before:
        return None
    return _Line(kind=kind, style=cells.get("style", ""), note=cells.get("note", ""), **numbers)


def _collect(lines: Iterable[_Line], kind: PartKind) -> DrawerParts:
    # A part counted as none left is not something the search may propose.
    chosen = sorted(
        (line for line in lines if line.kind == kind and line.quantity != 0),
        key=lambda line: line.value,
    )
    return DrawerParts(
        value=np.array([line.value for line in chosen], dtype=np.float64),
        quantity=np.array([line.quantity for line in chosen], dtype=np.float64),
        price=np.array([line.price for line in chosen], dtype=np.float64),
        tolerance_percent=np.array([line.tolerance_percent for line in chosen], dtype=np.float64),
        style=tuple(line.style for line in chosen),
        note=tuple(line.note for line in chosen),
    )
