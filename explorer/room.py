"""Who keeps the limits, and with how much room, as far as levels tell it without the scores."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Final

import numpy as np

from explorer.aims import Window
from objectives.arrays import BoolArray, FloatArray
from objectives.assessment import CORNERS, Assessment
from objectives.scores.registry import REGISTRY

_ENOUGH: Final = 31.0
"""More noticeable steps of room to a limit than this make no design more robust."""

FEW: Final = 0.2
"""Share of candidates under which it pays to work them out in rows, each of which takes three times
as long as in an outer product."""

_ORDER: Final = {**dict.fromkeys(CORNERS, 0), "input_corner_error_octaves": 0, "rf_margin_dB": 2}
"""In which order limits are looked at; those of other scores come between."""

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
    windows: Sequence[Window], assessment: Assessment, kept: BoolArray
) -> BoolArray:
    """Return which of the stages that are kept so far may keep the limits too.

    Corners come first, told by levels, and radio last, told by the edges of the bands. Where few
    stages are left the other limits are not looked at: those few are worked out sooner than a score
    of all.
    """
    for window in sorted(windows, key=lambda window: _ORDER.get(window.name, 1)):
        if kept.mean() < FEW:
            break
        if window.name == "rf_margin_dB":
            kept = kept & (assessment.radio_margin_at_most_dB >= window.at_least)
        elif not REGISTRY[window.name].slow:
            kept = kept & assessment.within(window.name, window.at_least, window.at_most)
    return kept
