"""Who keeps the limits, and with how much room, as far as levels tell it without the scores."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Final

import numpy as np

from explorer.aims import Window
from objectives.arrays import BoolArray, FloatArray, around
from objectives.assessment import CORNERS, Assessment
from objectives.devices.protocol import Rating
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


def may_be_feasible(
    windows: Iterable[Window],
    ratings: Iterable[Rating],
    assessment: Assessment,
    shape: tuple[int, ...],
) -> tuple[BoolArray, dict[str, FloatArray]]:
    """Return which of the stages may keep limits, in a shape that they broadcast to.

    And the scores that were worked out for it, by name.

    Corners come first, told by levels, and radio last, told by the edges of the bands. Where few
    stages are left the other limits are not looked at: those few are worked out sooner than a score
    of all.
    """
    kept, found = np.ones(shape, bool), {}
    for rating in ratings:
        kept &= ~(rating.excess > 0)
    for window in sorted(windows, key=lambda window: _ORDER.get(window.name, 1)):
        if kept.mean() < FEW:
            break
        if window.name == "rf_margin_dB":
            kept &= assessment.radio_margin_at_most_dB >= window.at_least
        elif window.name in _ORDER:
            kept &= assessment.within(window.name, window.at_least, window.at_most)
        elif not REGISTRY[window.name].slow:
            value = found[window.name] = assessment[window.name]
            kept &= window.excess(value) <= 0
    return kept, found


def narrowed(
    windows: Sequence[Window],
    decide: Sequence[Window],
    ratings: Iterable[Rating],
    assessment: Assessment,
    shape: tuple[int, ...],
) -> tuple[tuple[slice, ...], Assessment, dict[str, FloatArray]]:
    """Return a block that holds all stages that may keep limits, and scores of it known so far.

    Values at both ends of an axis are left out with which all stages break a limit: first of scores
    other than corners, then of corners that decide by windows alone, those of ``decide``. Levels
    tell of these: they keep the same windows as the corners themselves, with the same :func:`room`.

    Returns
    -------
    block :
        Of the shape that stages broadcast to.
    assessment :
        Of the stages in it.
    scores :
        Of these, by name: the corners that levels tell of, and what was worked out for the limits.
    """
    others = [window for window in windows if window.name not in CORNERS]
    kept, found = may_be_feasible(others, ratings, assessment, shape)
    outer = around(kept)
    assessment = assessment.cut(outer)
    bounds: dict[str, list[float]] = {}
    for window in decide:
        if window.name in CORNERS:
            bounds.setdefault(window.name, []).extend(window.bounds(_CHANGES))
    told = {name: assessment.among(name, own) for name, own in bounds.items()}
    kept = np.ones(assessment.shape, bool)
    for window in windows:
        if window.name in told:
            kept &= window.excess(told[window.name]) <= 0
    inner = around(kept)
    pairs = zip(outer, inner, strict=True)
    block = tuple(slice(a.start + b.start, a.start + b.stop) for a, b in pairs)
    scores = {name: value[block] for name, value in found.items()}
    scores |= {name: value[inner] for name, value in told.items()}
    return block, assessment.cut(inner), scores
