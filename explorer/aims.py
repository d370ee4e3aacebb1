"""What a brief asks of a score: a direction, a value to come near, a value to reach, or limits."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

import numpy as np

from objectives.arrays import FloatArray
from objectives.scores.registry import REGISTRY

WORST_LOSS = 1e9
"""Stands for a score that is not a number, so that such a candidate is never preferred."""

_CLOSE_STEPS = 2.0
"""A value is near its target within so many noticeable steps, unless the brief says otherwise."""

_CLOSE_FREQUENCY = 0.10
"""A frequency is near its target within this fraction of it, unless the brief says otherwise."""

_CUSTOMARY = {"rf_margin_dB": (6.0, 0.0)}
"""What is wanted and what is good enough where a brief does not say: 6 dB to spare allow for what
layout and wiring add (common practice, no source)."""


@dataclass(frozen=True)
class FreeScore:
    """A score that spans the front, and what is better in it.

    Attributes
    ----------
    name : of the score
    use : what is better; more than ``target`` is no better where it is to be reached
    target : value to come near or to reach
    within : how far from ``target`` is near enough: a fraction of a frequency, else in the unit of
        the score; nan: the customary distance
    wanted, good_enough : values between which the decision weighs what is achieved; nan: taken
        from the candidates
    weight : how much a shortfall counts in the decision
    """

    name: str
    use: Literal["maximise", "minimise", "near", "reach"]
    target: float = np.nan
    within: float = np.nan
    wanted: float = np.nan
    good_enough: float = np.nan
    weight: float = 1.0

    def loss(self, value: FloatArray) -> FloatArray:
        """Return what is to be made small: the value, its negative, or the distance from target.

        The distance of a frequency is in octaves, since corners are judged by ratio; of anything
        else it is in the score's own unit.
        """
        if self.use == "maximise":
            return -value
        if self.use == "minimise":
            return value
        if self.use == "reach":
            return np.maximum(self.target - value, 0.0)
        if REGISTRY[self.name].unit == "Hz":
            with np.errstate(divide="ignore"):
                return np.asarray(np.abs(np.log2(value / self.target)))
        return np.asarray(np.abs(value - self.target))

    def steps(self, value: FloatArray) -> FloatArray:
        """Return the loss counted in noticeable steps, from a zero of its own; smaller is better.

        What is not a number, or beyond all numbers, counts as very many steps.
        """
        step = REGISTRY[self.name].step
        count = step.count(np.asarray(value, float))
        if self.use == "maximise":
            count = -count
        elif self.use == "reach":
            count = np.maximum(step.count(np.asarray(self.target)) - count, 0.0)
        elif self.use == "near":
            count = np.abs(count - step.count(np.asarray(self.target)))
        return _finite(count, WORST_LOSS)

    def value_at(self, steps: float) -> float:
        """Return the value whose loss is so many steps; of two about a target the lower."""
        step = REGISTRY[self.name].step
        if self.use == "maximise":
            steps = -steps
        elif self.use == "near":
            return step.shift(self.target, -steps)
        elif self.use == "reach":
            return self.target  # more is no better, less is a target missed
        return float(np.exp(steps * np.log1p(step.size))) if step.relative else steps * step.size

    @property
    def ends(self) -> tuple[float, float]:
        """What is wanted and what is good enough, in steps of loss; nan where not stated."""
        wanted, good_enough = self.wanted, self.good_enough
        if self.use in ("near", "reach"):
            wanted = self.target if np.isnan(wanted) else wanted
            if self.use == "near" and np.isnan(good_enough):
                good_enough = self.window.at_most
        elif np.isnan(wanted) and np.isnan(good_enough):
            wanted, good_enough = _CUSTOMARY.get(self.name, (np.nan, np.nan))
        stated = np.array([wanted, good_enough])
        steps = self.steps(stated)
        return tuple(np.where(np.isnan(stated), np.nan, steps).tolist())

    @property
    def nears(self) -> bool:
        """Whether it counts the distance from a target."""
        return self.use == "near" or (self.use == "minimise" and self.wanted == 0.0)

    @property
    def window(self) -> Window:
        """Values that count as on target, for a value to come near or to reach."""
        if self.use == "reach":
            return Window(self.name, at_least=self.target)
        if REGISTRY[self.name].unit == "Hz":
            ratio = 1 + (_CLOSE_FREQUENCY if np.isnan(self.within) else self.within)
            return Window(self.name, self.target / ratio, self.target * ratio)
        step = REGISTRY[self.name].step
        size = abs(self.target) * step.size if step.relative else step.size
        within = _CLOSE_STEPS * size if np.isnan(self.within) else self.within
        return Window(self.name, self.target - within, self.target + within)


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

    def room(self, value: FloatArray) -> FloatArray:
        """Return how many noticeable steps a value lies inside; negative: so many outside."""
        count = REGISTRY[self.name].step.count
        value = np.asarray(value, float)
        room = np.full(value.shape, np.inf)
        for end, sign in ((self.at_least, 1.0), (self.at_most, -1.0)):
            if np.isfinite(end):
                room = np.minimum(room, sign * (count(value) - count(np.asarray(end))))
        return _finite(room, -WORST_LOSS)

    def bounds(self, steps: Iterable[float]) -> list[float]:
        """Return the values that lie so many noticeable steps inside its finite ends."""
        shift = REGISTRY[self.name].step.shift
        return [
            shift(end, sign * count)
            for end, sign in ((self.at_least, 1.0), (self.at_most, -1.0))
            if np.isfinite(end)
            for count in steps
        ]

    def __and__(self, other: Window) -> Window:
        """Return the window that keeps both."""
        return Window(
            self.name,
            max(self.at_least, other.at_least),
            min(self.at_most, other.at_most),
        )

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


def _finite(steps: FloatArray, nan: float) -> FloatArray:
    return np.asarray(np.nan_to_num(steps, nan=nan, posinf=WORST_LOSS, neginf=-WORST_LOSS))


def merged(windows: Iterable[Window], goals: Iterable[Window] = ()) -> tuple[Window, ...]:
    """Return one window a score, which keeps all that are given for it.

    A goal that lies outside the limits on its score is left out: it cannot be met.
    """
    by_name: dict[str, Window] = {}
    for window in windows:
        by_name[window.name] = by_name.get(window.name, window) & window
    for goal in goals:
        both = by_name.get(goal.name, goal) & goal
        if both.at_least <= both.at_most:
            by_name[goal.name] = both
    return tuple(by_name.values())
