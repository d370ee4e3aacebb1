"""Places and paths of the response curves, on a plot whose size the page decides."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import numpy as np

from objectives.arrays import FloatArray
from objectives.format import number, quantity
from reports.sheet.model import Study

WIDTH, HEIGHT = 2000, 2000
"""The drawing's own units; the page stretches them, letters stand beside it."""

TOP_DB: Final = 3.0
BOTTOM_DB: Final = -21.0
LEVELS_DB: Final = np.array([0.0, -3.0, -6.0, -12.0, -18.0])


def across(study: Study, frequency_Hz: float) -> float:
    """Return the place of a frequency, as a share of the width; 2 where it lies far outside."""
    low, high = np.log10(study.frequency_Hz[[0, -1]])
    with np.errstate(divide="ignore"):
        return float(min((np.log10(frequency_Hz) - low) / (high - low), 2.0))


def down(level_dB: FloatArray) -> FloatArray:
    """Return the places of levels, as shares of the height."""
    return (TOP_DB - level_dB) / (TOP_DB - BOTTOM_DB)


def path(level_dB: FloatArray) -> str:
    """Return a curve as the path of an SVG drawing."""
    x = np.linspace(0, WIDTH, level_dB.size).round().astype(int)
    y = np.clip(down(level_dB), -1, 2) * HEIGHT
    return "M" + "L".join(f"{a} {b}" for a, b in zip(x, y.round().astype(int), strict=True))


def frequency_ticks(study: Study) -> Sequence[tuple[float, str]]:
    """Return place and label of each tick; those between decades have no label."""
    low, high = study.frequency_Hz[[0, -1]]
    decades = range(math.floor(math.log10(low)), math.ceil(math.log10(high)))
    # Few enough to be read on a telephone.
    shown = (1, 2, 5) if high < 300 * low else (1,)
    return [
        (across(study, f), quantity(f, "Hz") if digit in shown else "")
        for decade in decades
        for digit in range(1, 10)
        for f in [digit * 10.0**decade]
        if low <= f <= high
    ]


def level_ticks() -> Sequence[tuple[float, str]]:
    """Return place and label of each level."""
    return [(float(down(level)), number(level)) for level in LEVELS_DB]
