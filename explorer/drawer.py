"""The drawer: a CSV list of the parts that a user has."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Any, Final, get_args

import numpy as np
from numpy.typing import ArrayLike

from explorer.brief.errors import BriefError, Mistakes
from explorer.series import SLACK, UNIT_OF_KIND, PartKind
from explorer.tolerance_field import SPELLINGS, ToleranceField
from explorer.units import QuantityError, QuantityField
from objectives.arrays import FloatArray, IntArray
from objectives.checks import InputError, Written, did_you_mean
from objectives.radio.tables import ResistorStyle, capacitor_styles, resistor_styles
from objectives.user_files import csv_rows, read_text


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
    """Least and greatest deviation, per cent, shape (n, 2)."""
    style: tuple[str, ...]
    """For example carbon film 1/2 W, polypropylene."""
    note: tuple[str, ...]

    def __len__(self) -> int:
        return int(self.value.size)

    def within(self, low: float, high: float) -> DrawerParts:
        """Return the parts from ``low`` to ``high``, both included."""
        rows = np.flatnonzero(
            (self.value >= low * (1 - SLACK)) & (self.value <= high * (1 + SLACK))
        )
        return DrawerParts(
            self.value[rows],
            self.quantity[rows],
            self.price[rows],
            self.tolerance_percent[rows],
            tuple(self.style[row] for row in rows),
            tuple(self.note[row] for row in rows),
        )

    def row_of(self, value: ArrayLike) -> IntArray:
        """Return the row of each value, the first of several in the file; -1 where there is none.

        ``value`` may have any shape, and so has what is returned.
        """
        values = np.asarray(value, float)
        if len(self) == 0:
            return np.full(values.shape, -1, np.intp)
        rows = np.searchsorted(self.value, values * (1 - SLACK)).clip(max=len(self) - 1)
        with np.errstate(invalid="ignore"):
            there = np.abs(self.value[rows] - values) <= SLACK * self.value[rows]
        return np.where(there, rows, -1)

    def rows_of(self, value: float) -> IntArray:
        """Return every row of a value."""
        return np.flatnonzero(np.isclose(self.value, value, rtol=SLACK, atol=0))

    def styles(self) -> tuple[ResistorStyle | None, ...]:
        """Return the style of each line by the table of resistor styles; None where not in it."""
        known = {style.name.casefold(): style for style in resistor_styles()}
        return tuple(known.get(name.casefold()) for name in self.style)

    def styled_fields(self, part: str) -> dict[str, FloatArray]:
        """Return what the style of each line says beside the value, by field of Stage.

        ``part`` is the stopper or the capacitor from grid to ground, as a field of Stage; nan where
        a line names no style of the table of its kind.
        """
        if part == "stopper_ohm":
            styles = self.styles()
            return {
                "stopper_shunt_F": np.array([s.shunt_F if s else math.nan for s in styles]),
                "stopper_lead_H": np.array([s.lead_H if s else math.nan for s in styles]),
            }
        leads = {style.name.casefold(): style.lead_H for style in capacitor_styles()}
        return {
            "grid_capacitor_lead_H": np.array(
                [leads.get(name.casefold(), math.nan) for name in self.style]
            )
        }


@dataclass(frozen=True)
class Drawer:
    """The parts a user has, by kind."""

    resistors: DrawerParts
    capacitors: DrawerParts

    def parts(self, kind: str) -> DrawerParts:
        """Return the parts of one kind."""
        return self.resistors if kind == "resistor" else self.capacitors


@dataclass(frozen=True)
class _Row:
    kind: PartKind
    value: float
    quantity: float
    price: float
    tolerance_percent: tuple[float, float]
    style: str
    note: str


@dataclass(frozen=True)
class DrawerColumn:
    """A column of a drawer: what it says, one cell, and how numbers in it are read."""

    name: str
    meaning: str
    example: str
    quantity: QuantityField | None = None
    required: bool = False


DRAWER_COLUMNS: Final = (
    DrawerColumn("kind", "resistor or capacitor", "resistor", required=True),
    DrawerColumn("value", "resistance (ohm) or capacitance (F)", "68k", required=True),
    DrawerColumn(
        "quantity", "pieces in hand; a part of which there are 0 is not offered", "12",
        QuantityField("ratio", minimum=0),
    ),
    DrawerColumn(
        "price", "of one piece, in any one currency: parts_price_sum adds prices up", "0.05",
        QuantityField("ratio", minimum=0),
    ),
    DrawerColumn(
        "tolerance_percent", f"tolerance of a part that is taken from the drawer: {SPELLINGS}",
        "5", ToleranceField(above=0),
    ),
    DrawerColumn(
        "style", "what it is made of; a style of the table gives a stopper its capacitance and "
        "lead inductance, a capacitor from grid to ground its inductance, and a resistor under "
        "direct voltage its excess noise",
        "metal film 1/2 W",
    ),
    DrawerColumn("note", "anything; repeated in the parts list", "bin 3"),
)  # fmt: skip
"""The columns that a drawer may have."""

_REQUIRED: Final = tuple(column.name for column in DRAWER_COLUMNS if column.required)
_NUMBERS: Final = {c.name: c.quantity for c in DRAWER_COLUMNS if c.quantity is not None}
_COLUMNS: Final = tuple(column.name for column in DRAWER_COLUMNS)


def read_drawer(path: str | Path | Traversable) -> Drawer:
    """Read a drawer from a CSV file.

    The first line names the columns, in any order; :data:`DRAWER_COLUMNS` says which there are.
    Lines that start with ``#`` and empty lines are skipped.

    Raises
    ------
    BriefError
        If the file is missing or not text, or a line is wrong; every problem is listed.
    """
    try:
        return _parse(csv_rows(read_text(path, "CSV")))
    except InputError as error:
        raise BriefError([error], str(path)) from None
    except Mistakes as mistakes:
        raise BriefError(mistakes.errors, str(path)) from None


def _parse(rows: list[tuple[int, list[str]]]) -> Drawer:
    if not rows:
        raise Mistakes(
            [InputError("file", Written("empty"), "expected a first line naming the columns")]
        )
    number, header = rows[0]
    Mistakes.raise_any(_header_errors(header, number))
    errors: list[InputError] = []
    parts: list[_Row] = []
    for number, row in rows[1:]:
        if len(row) > len(header):
            allowed = f"{len(row)} cells: expected at most {len(header)}, one a column"
            errors.append(InputError(f"line {number}", ",".join(row), allowed))
            continue
        try:
            parts.append(_read_row(dict(zip(header, row, strict=False)), number))
        except Mistakes as mistakes:
            errors += mistakes.errors
    if not errors and not parts:
        allowed = "expected at least one line after the column names"
        errors.append(InputError("file", Written("no parts"), allowed))
    Mistakes.raise_any(errors)
    return Drawer(_collect(parts, "resistor"), _collect(parts, "capacitor"))


def _header_errors(header: list[str], number: int) -> Iterator[InputError]:
    field = f"line {number}, column"
    if not set(header) & set(_REQUIRED):
        # A brief may name any file, and be another's: what is no drawer is not repeated.
        listed = f"expected a first line naming columns, among them {' and '.join(_REQUIRED)}"
        yield InputError(f"line {number}", Written("no drawer"), listed)
        return
    for column in dict.fromkeys(header):
        if column not in _COLUMNS:
            hint = did_you_mean(column, _COLUMNS)
            yield InputError(field, column, f"expected one of {', '.join(_COLUMNS)}{hint}")
        elif header.count(column) > 1:
            yield InputError(field, column, "named twice: expected once")
    for column in _REQUIRED:
        if column not in header:
            yield InputError(field, column, "missing: this column is required")


def _read_row(cells: Mapping[str, str], number: int) -> _Row:
    kind = next((known for known in get_args(PartKind) if known == cells.get("kind")), None)
    if kind is None:
        allowed = "expected 'resistor' or 'capacitor'"
        raise Mistakes([InputError(f"line {number}, kind", cells.get("kind", ""), allowed)])
    errors = []
    numbers: dict[str, Any] = dict.fromkeys(("value", *_NUMBERS), math.nan)
    numbers["tolerance_percent"] = (math.nan, math.nan)
    for column, reader in {"value": QuantityField(UNIT_OF_KIND[kind], above=0), **_NUMBERS}.items():
        cell = cells.get(column, "")
        if cell or column == "value":
            try:
                numbers[column] = reader.parse(cell)
            except QuantityError as error:
                errors.append(InputError(f"line {number}, {column}", cell, error.allowed))
    Mistakes.raise_any(errors)
    return _Row(kind=kind, style=cells.get("style", ""), note=cells.get("note", ""), **numbers)


def _collect(rows: Iterable[_Row], kind: PartKind) -> DrawerParts:
    # A part counted as none left is not something the search may propose.
    chosen = sorted(
        (row for row in rows if row.kind == kind and row.quantity != 0), key=lambda row: row.value
    )
    return DrawerParts(
        value=np.array([row.value for row in chosen]),
        quantity=np.array([row.quantity for row in chosen]),
        price=np.array([row.price for row in chosen]),
        tolerance_percent=np.reshape([row.tolerance_percent for row in chosen], (-1, 2)),
        style=tuple(row.style for row in chosen),
        note=tuple(row.note for row in chosen),
    )
