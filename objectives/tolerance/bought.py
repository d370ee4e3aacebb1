"""Tolerances of parts as they are bought, whatever the series that their values come from."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from types import MappingProxyType
from typing import Final

import numpy as np

from objectives.arrays import FloatArray
from objectives.elements import CAPACITORS, ELEMENTS, RESISTORS
from objectives.marking import TOLERANCE_LETTERS
from objectives.radio.tables import ResistorStyle
from objectives.stage import Stage
from objectives.tolerance.spreads import MAINS_SUPPLY, Spread

FILM_RESISTOR: Final = 0.05
"""Film resistors are sold to 1 % and to 5 %: the wider of the two."""

FILM_CAPACITOR: Final = 0.10
"""Film capacitors are sold to 5 % and to 10 %: the wider of the two."""

ELECTROLYTIC_FROM_F: Final = 1e-6
"""From this capacitance up a capacitor is taken to be electrolytic where it may be."""

SERIES_TOLERANCE: Final[Mapping[str, float]] = MappingProxyType(
    {"E48": 0.02, "E96": 0.01, "E192": 0.005}
)
"""Values of these series are sold to this tolerance or closer (IEC 60063, from memory)."""


def as_sold(
    part: str, values: FloatArray, *, style: ResistorStyle | None = None, series: str | None = None
) -> Spread:
    """Return the spread of a part that is bought without a word on its tolerance.

    Parameters
    ----------
    part : field of Stage, a resistor or a capacitor
    values : that it may have (ohm or F), shape (n,): the widest counts
    style : of a resistor, where it is known
    series : IEC 60063 series that the values come from; the fine ones are made of closer parts
    """
    capacitor = ELEMENTS[part].kind == "capacitor"
    if capacitor and np.max(values) >= ELECTROLYTIC_FROM_F:
        source = "aluminium electrolytic as sold, code S of IEC 60062 (from memory)"
        return Spread(part, *TOLERANCE_LETTERS["S"], source=source)
    if capacitor:
        tolerance, source = (
            FILM_CAPACITOR,
            "film or ceramic capacitor as sold (common practice, no source)",
        )
    elif style is None:
        tolerance, source = FILM_RESISTOR, "film resistor as sold (common practice, no source)"
    else:
        tolerance, source = style.tolerance, f"{style.name} as sold (common practice, no source)"
    closest = SERIES_TOLERANCE.get(series or "", tolerance)
    if closest < tolerance:
        tolerance, source = closest, f"part of {series}, IEC 60063 (from memory)"
    return Spread.plus_minus(part, tolerance, source=source)


def default_spreads(
    stage: Stage,
    device: Sequence[Spread] = (),
    of_part: Callable[[str, FloatArray], Spread] = as_sold,
) -> tuple[Spread, ...]:
    """Return a spread for the supply, every part that is fitted, and the device.

    A part that none of the stages fits (0 or inf) gets none. ``of_part`` gives the spread of a part
    (a field of Stage) over the values that it has, shape (n,).
    """
    # First what the law itself depends on most, last what hardly counts: the order of the columns
    # of a low-discrepancy sequence.
    spreads = [*(spread for spread in device if spread.powers), MAINS_SUPPLY]
    for part in (*RESISTORS, *CAPACITORS):
        value = np.ravel(np.asarray(getattr(stage, part), float))
        fitted = value[np.isfinite(value) & (value > 0)]
        if fitted.size:
            spreads.append(of_part(part, fitted))
    return (*spreads, *(spread for spread in device if not spread.powers))
