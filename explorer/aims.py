"""What a brief asks of a score: a direction, a value to come near, or limits."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from objectives.arrays import FloatArray
from objectives.scores.registry import REGISTRY

WORST_LOSS = 1e9
"""Stands for a score that is not a number, so that such a candidate is never preferred."""


@dataclass(frozen=True)
class FreeScore:
    """A score that spans the front, and what is better in it."""

    name: str
    use: Literal["maximise", "minimise", "near"]
    target: float = np.nan

    def loss(self, value: FloatArray) -> FloatArray:
        """Return what is to be made small: the value, its negative, or the distance from target.

        The distance of a frequency is in octaves, since corners are judged by ratio; of anything
        else it is in the score's own unit.
        """
        if self.use == "maximise":
            return -value
        if self.use == "minimise":
            return value
        if REGISTRY[self.name].unit == "Hz":
            with np.errstate(divide="ignore"):
                return np.asarray(np.abs(np.log2(value / self.target)))
        return np.asarray(np.abs(value - self.target))


@dataclass(frozen=True)
class Window:
    """A limit on a score: at least, at most, or both."""

    name: str
    at_least: float = -np.inf
    at_most: float = np.inf

    def excess(self, value: FloatArray) -> FloatArray:
        """Return how far outside the window a value lies; 0 or less is inside.

        The step from broken to kept is in the score's unit, divided by a scale that makes limits on
        different scores comparable: 10 for decibels, else the limit itself (1 where that is 0).
        """
        excess = np.where(np.isnan(value), np.nan, -np.inf)
        # An open end is no limit, even for an infinite value (their difference is no number).
        if np.isfinite(self.at_least):
            excess = np.maximum(excess, (self.at_least - value) / self._scale(self.at_least))
        if np.isfinite(self.at_most):
            excess = np.maximum(excess, (value - self.at_most) / self._scale(self.at_most))
        return np.asarray(excess)

    def value_at(self, excess: float) -> float:
        """Return the value that lies so far outside.

        It is nan where either end could be meant, and where the value is no number at all.
        """
        if excess >= WORST_LOSS:
            return np.nan
        if np.isfinite(self.at_least) and not np.isfinite(self.at_most):
            return self.at_least - excess * self._scale(self.at_least)
        if np.isfinite(self.at_most) and not np.isfinite(self.at_least):
            return self.at_most + excess * self._scale(self.at_most)
        return np.nan

    def _scale(self, limit: float) -> float:
        if REGISTRY[self.name].unit in ("dB", "dBu"):
            return 10.0
        return abs(limit) or 1.0
