"""Markings of resistors and capacitors.

Source: IEC 60062:2016, *Marking codes for resistors and capacitors*.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

TOLERANCE_LETTERS: Final[Mapping[str, tuple[float, float]]] = MappingProxyType(
    {
        "D": (-0.005, 0.005),
        "F": (-0.01, 0.01),
        "G": (-0.02, 0.02),
        "J": (-0.05, 0.05),
        "K": (-0.1, 0.1),
        "M": (-0.2, 0.2),
        "N": (-0.3, 0.3),
        "Q": (-0.1, 0.3),
        "S": (-0.2, 0.5),
        "T": (-0.1, 0.5),
        "Z": (-0.2, 0.8),
    }
)
"""Least and greatest relative deviation by the letter of a marking: 68K with a J is ±5 %.

Source: IEC 60062, tables of letter codes for tolerances (from memory). On capacitors below 10 pF
the letters D, F and G mean picofarads: state a percentage there.
"""


def iec_60062_code(value: float, unit: str, digits: int = 4) -> str:
    """Return the IEC 60062 marking of a resistance or capacitance: ``"4K7"``, ``"R47"``, ``"1n5"``.

    The letter stands where the decimal point would; at least two figures are shown, so 1 kΩ is
    ``"1K0"``, a value below 1 Ω or 1 pF starts with its letter, and 0 ohm is ``"0R0"``. ``unit`` is
    ``"ohm"`` or ``"F"``; a value with more than ``digits`` significant figures is rounded.

    Raises
    ------
    ValueError
        Another unit, or a value that has no marking: negative, not finite, 0 F.
    """
    steps = {
        "ohm": ((1.0, "R"), (1e3, "K"), (1e6, "M"), (1e9, "G"), (1e12, "T")),
        "F": ((1e-12, "p"), (1e-9, "n"), (1e-6, "µ"), (1e-3, "m"), (1.0, "F")),
    }.get(unit)
    if steps is None:
        raise ValueError(f"unit: {unit!r}: only 'ohm' and 'F' have IEC 60062 markings")
    value = float(value)
    if not math.isfinite(value) or value < 0 or (value == 0 and unit == "F"):
        raise ValueError(f"value: {value!r} {unit}: no IEC 60062 marking; expected above 0, finite")
    if value == 0:
        return "0R0"
    # Round first: 999.96 at four figures is 1K0, not 1000R.
    rounded = float(f"{value:.{digits - 1}e}")
    scale, letter = next(
        (step for step in reversed(steps) if rounded >= step[0] * (1 - 1e-12)), steps[0]
    )
    decimals = max(0, digits - 1 - math.floor(math.log10(rounded / scale) + 1e-12))
    whole, _, part = f"{rounded / scale:.{decimals}f}".partition(".")
    part = part.rstrip("0")
    whole = "" if whole == "0" else whole
    if len(whole) + len(part) < 2:
        part = part.ljust(2 - len(whole), "0")
    return whole + letter + part
