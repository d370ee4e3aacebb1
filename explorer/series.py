"""Preferred values: the series of IEC 60063.

Source: IEC 60063:2015, *Preferred number series for resistors and capacitors*; the values come
from the ``eseries`` library and are compared with the tables of the standard in
``tests/references/iec_60063.toml``.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from types import MappingProxyType
from typing import Final, Literal

import numpy as np
from eseries import eseries

from objectives.arrays import FloatArray
from objectives.checks import InputError, one_of

PartKind = Literal["resistor", "capacitor"]
SERIES: Final[tuple[str, ...]] = ("E3", "E6", "E12", "E24", "E48", "E96", "E192")
"""Names of the series of IEC 60063, coarsest first."""


UNIT_OF_KIND: Final[Mapping[PartKind, str]] = MappingProxyType(
    {"resistor": "ohm", "capacitor": "F"}
)
"""Unit key of each kind of part."""


# Range ends come from arithmetic (4.7 * 1e3) as often as from text; one part in 1e9 is far
# inside the finest step of E192 (1.2 %) and far outside float noise.
SLACK: Final = 1e-9


def series_values(name: str, low: float, high: float) -> FloatArray:
    """Return the preferred values of a series from ``low`` to ``high``, both included.

    Parameters
    ----------
    name :
        One of :data:`SERIES`.
    low, high :
        Ends of the range in SI units, above 0, finite; float noise is tolerated.

    Returns
    -------
    Ascending values, shape (n,), each the float nearest to its decimal value; may be empty.

    Raises
    ------
    InputError
        If the series is unknown, or the range is not 0 < low <= high < inf.
    """
    one_of("series", name, SERIES)
    if not (0 < low <= high < math.inf):
        raise InputError("range", (low, high), "expected 0 < low <= high, both finite")
    key = eseries.series_key_from_name(name)
    found = eseries.erange(key, low * (1 - SLACK), high * (1 + SLACK))
    return np.array(list(found), dtype=np.float64)


def rarity(values: FloatArray) -> FloatArray:
    """Return how rare part values are: 0 in E3, 1 in E6 … 6 in E192, 7 beyond; no part is 0."""
    values = np.asarray(values, float)
    rare = np.zeros(values.shape)
    for at in np.ndindex(values.shape):
        value = float(values[at])
        if 0 < value < math.inf:
            near = (value * (1 - SLACK * 10), value * (1 + SLACK * 10))
            names = (at for at, name in enumerate(SERIES) if series_values(name, *near).size)
            rare[at] = next(names, len(SERIES))
    return rare
