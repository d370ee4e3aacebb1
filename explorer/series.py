"""TODO explorer.series."""

from __future__ import annotations

import math
from collections.abc import Mapping
from types import MappingProxyType
from typing import Final, Literal

import numpy as np
from eseries import eseries
from numpy.typing import ArrayLike, NDArray

__all__ = [
    "SERIES",
    "UNIT_OF_KIND",
    "FloatArray",
    "PartKind",
    "nearest_in",
    "nearest_preferred",
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
