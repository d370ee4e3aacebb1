"""Who keeps the limits, and with how much room, as far as levels tell it without the scores."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Final

import numpy as np

from explorer.aims import Window
from objectives.arrays import BoolArray, FloatArray
from objectives.assessment import CORNERS, Assessment
from objectives.scores.registry import REGISTRY

_ENOUGH: Final = 31.0
"""More noticeable steps of room to a limit than this make no design more robust."""

_CHANGES: Final = (0.0, 1.0, 3.0, 7.0, 15.0, _ENOUGH)
"""Noticeable steps at which the room to a limit changes."""


def room(steps: FloatArray) -> FloatArray:
    """Return the room of noticeable steps to a limit: 0, 1, 2 … from 0, 1, 3 … steps on."""
    return np.floor(np.log2(1 + np.clip(steps, 0, _ENOUGH)))


def told_corners(windows: Iterable[Window], assessment: Assessment) -> dict[str, FloatArray]:
    """Return corners that decide by some windows alone, as far as these tell of them.

    They keep the same windows as the corners themselves, with the same :func:`room`.
    """
    bounds: dict[str, list[float]] = {}
    for window in windows:
        if window.name in CORNERS:
            bounds.setdefault(window.name, []).extend(window.bounds(_CHANGES))
    return {name: assessment.among(name, own) for name, own in bounds.items()}


def may_be_feasible(
    windows: Iterable[Window], assessment: Assessment, told: Mapping[str, FloatArray]
) -> BoolArray:
    """Return which stages keep the limits that take little to tell, shape of the batch."""
    kept = np.ones(assessment.shape, bool)
    for window in windows:
        if window.name in told:
            kept &= window.excess(told[window.name]) <= 0
        elif not REGISTRY[window.name].slow:
            kept &= assessment.within(window.name, window.at_least, window.at_most)
    return kept
