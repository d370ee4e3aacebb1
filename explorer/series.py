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
from typing import Final, Literal

import numpy as np
from eseries import eseries
from numpy.typing import ArrayLike, NDArray

from explorer.units import QuantityError, QuantityField

__all__ = [
    "SERIES",
    "UNIT_OF_KIND",
    "Drawer",
    "DrawerError",
    "DrawerParts",
    "FloatArray",
    "PartKind",
    "nearest_in",
    "nearest_preferred",
    "read_drawer",
    "series_values",
]

FloatArray = NDArray[np.float64]
PartKind = Literal["resistor", "capacitor"]

SERIES: Final[tuple[str, ...]] = ("E3", "E6", "E12", "E24", "E48", "E96", "E192")
"""Names of the series of IEC 60063, coarsest first."""

UNIT_OF_KIND: Final[Mapping[PartKind, str]] = MappingProxyType(
    {"resistor": "ohm", "capacitor": "F"}
)
"""Unit key of each kind of part."""

# Range ends come from arithmetic (4.7 * 1e3) as often as from text; one part in 1e9 is far
# inside the finest step of E192 (1.2 %) and far outside float noise.
_SLACK: Final = 1e-9


def _series_key(name: str) -> eseries.ESeries:
    if name not in SERIES:
        raise ValueError(f"series: {name!r}: expected one of {', '.join(SERIES)}")
    return eseries.series_key_from_name(name)


def series_values(name: str, low: float, high: float) -> FloatArray:
    """Return the preferred values of a series from ``low`` to ``high``, both included.

    Args:
        name: one of :data:`SERIES`.
        low, high: ends of the range in SI units, above 0, finite; float noise is tolerated.

    Returns:
        Ascending values, shape (n,), each the float nearest to its decimal value; may be empty.

    Raises:
        ValueError: unknown series, or a range that is not 0 < low <= high < inf.
    """
    key = _series_key(name)
    if not (0 < low <= high < math.inf):
        raise ValueError(f"range: {low!r} to {high!r}: expected 0 < low <= high, both finite")
    found = eseries.erange(key, low * (1 - _SLACK), high * (1 + _SLACK))
    return np.array(list(found), dtype=np.float64)


def nearest_preferred(value: ArrayLike, name: str) -> FloatArray:
    """Return the preferred value nearest in ratio to each value.

    Args:
        value: SI values of any shape; 0 and infinity (a part left out, a short) are returned
            as they are.
        name: one of :data:`SERIES`.

    Returns:
        Array of the shape of ``value``. Of two equally near values the lower is taken.

    Raises:
        ValueError: unknown series, or a negative or missing (nan) value.
    """
    values = np.asarray(value, dtype=np.float64)
    _series_key(name)
    if np.any(np.isnan(values) | (values < 0)):
        raise ValueError("value: expected values of 0 or more")
    finite = values[np.isfinite(values) & (values > 0)]
    if finite.size == 0:
        return values.copy()
    # One decade to either side always holds the neighbours of the extreme values.
    return nearest_in(values, series_values(name, finite.min() / 10, finite.max() * 10))


def nearest_in(value: ArrayLike, stock: ArrayLike) -> FloatArray:
    """Return the stock value nearest in ratio to each value; 0 and infinity are left as they are.

    Args:
        value: SI values of any shape, 0 or more.
        stock: ascending positive values, shape (n,), n at least 1.
    """
    values = np.asarray(value, dtype=np.float64)
    shelf = np.asarray(stock, dtype=np.float64)
    if shelf.ndim != 1 or shelf.size == 0:
        raise ValueError("stock: expected at least one value")
    inside = np.isfinite(values) & (values > 0)
    logs = np.log(np.where(inside, values, 1.0))
    midpoints = (np.log(shelf[1:]) + np.log(shelf[:-1])) / 2
    nearest = shelf[np.searchsorted(midpoints, logs, side="left")]
    return np.asarray(np.where(inside, nearest, values))


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
