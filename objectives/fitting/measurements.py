"""Measured plate curves of one valve, and reading them from a CSV file."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from objectives.arrays import FloatArray
from objectives.checks import InputError, Written
from objectives.user_files import csv_rows, read_text


@dataclass(frozen=True)
class Measurements:
    """Measured plate curves of one valve; three arrays of equal length, SI units.

    Voltages are relative to the cathode. ``source`` says where they come from.
    """

    grid_voltage_V: FloatArray
    plate_voltage_V: FloatArray
    plate_current_A: FloatArray
    source: str = "measured by the user"

    def __post_init__(self) -> None:
        for name in COLUMNS:
            values = np.asarray(getattr(self, name), float)
            if values.ndim != 1 or values.shape != np.shape(self.grid_voltage_V):
                raise InputError(
                    name,
                    Written(f"shape {values.shape}"),
                    "must be one-dimensional and as long as grid_voltage_V",
                )
            low, high, allowed = COLUMNS[name]
            for i, value in enumerate(values.tolist()):
                # A comparison that nan fails.
                if not (low < value <= high):
                    raise InputError(f"{name}[{i}]", value, f"must be {allowed}")
            object.__setattr__(self, name, values)

    def __len__(self) -> int:
        return int(self.grid_voltage_V.size)

    def where(self, kept: NDArray[np.bool_]) -> Measurements:
        """Return the points where ``kept`` is true."""
        return replace(self, **{name: getattr(self, name)[kept] for name in COLUMNS})


# Least (excluded), most (included) and what to say. Small receiving triodes stay well inside; a
# value outside is nearly always a wrong unit.
COLUMNS: Mapping[str, tuple[float, float, str]] = {
    "grid_voltage_V": (-200.0, 50.0, "in volts relative to the cathode, from -200 to 50"),
    "plate_voltage_V": (0.0, 2000.0, "in volts relative to the cathode, more than 0, up to 2000"),
    "plate_current_A": (
        0.0,
        1.0,
        "in amperes, more than 0, up to 1 (a reading in milliamperes belongs in a column "
        "plate_current_mA)",
    ),
}


def read_measurements(path: str | Path) -> Measurements:
    """Read measured plate curves from a CSV file.

    Columns ``grid_voltage_V``, ``plate_voltage_V`` and either ``plate_current_A`` or
    ``plate_current_mA``, in any order and any case; further columns are ignored, as are empty
    lines and lines that start with ``#``.

    Raises
    ------
    ValueError
        If the file cannot be read, a column is missing or double, or a value is not a plausible
        number; the message names file, row, column, value and what is allowed.
    """
    path = Path(path)
    rows = csv_rows(read_text(path, "CSV"))
    if not rows:
        raise InputError(
            str(path), Written("empty"), "must have a header line and one line per reading"
        )
    (_, header), body = rows[0], rows[1:]
    place = _columns(path, header)
    milli = "plate_current_ma" in place
    found: dict[str, list[float]] = {name: [] for name in COLUMNS}
    for number, row in body:
        for name in COLUMNS:
            column = "plate_current_mA" if milli and name == "plate_current_A" else name
            index = place[column.casefold()]
            cell = row[index] if index < len(row) else ""
            low, high, allowed = COLUMNS[name]
            if milli and name == "plate_current_A":
                high, allowed = 1000.0, "in milliamperes, more than 0, up to 1000"
            try:
                value = float(cell)
            except ValueError:
                value = float("nan")
            if not (low < value <= high):
                raise InputError(
                    str(path), Written(f"row {number}"), f"{column}: {cell!r}: must be {allowed}"
                )
            found[name].append(value / 1000.0 if column != name else value)
    current = np.array(found["plate_current_A"])
    if current.size and np.max(current) < 1e-6:
        column = "plate_current_mA" if milli else "plate_current_A"
        raise InputError(
            str(path),
            Written(column),
            f"largest reading {np.max(current):.3g} A: must reach at least 1 microampere; is the "
            "unit of the column right?",
        )
    return Measurements(
        np.array(found["grid_voltage_V"]),
        np.array(found["plate_voltage_V"]),
        current,
        source=path.name,
    )


def _columns(path: Path, header: Sequence[str]) -> dict[str, int]:
    """Return the place of each column by casefolded name."""
    place: dict[str, int] = {}
    for i, cell in enumerate(header):
        name = cell.strip().casefold()
        if name in place:
            raise InputError(str(path), Written("header"), f"{cell.strip()!r}: must occur once")
        place[name] = i
    needed = "grid_voltage_V, plate_voltage_V and plate_current_A (or plate_current_mA)"
    have = ", ".join(cell.strip() for cell in header)
    for column in ("grid_voltage_V", "plate_voltage_V"):
        if column.casefold() not in place:
            raise InputError(
                str(path), Written("header"), f"{have!r}: {column} is missing; must have {needed}"
            )
    currents = [c for c in ("plate_current_a", "plate_current_ma") if c in place]
    if len(currents) != 1:
        which = "both units of plate_current" if currents else "no plate_current"
        raise InputError(str(path), Written("header"), f"{have!r}: has {which}; must have {needed}")
    return place
