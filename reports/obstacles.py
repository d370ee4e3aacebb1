"""Records of why nothing fits, of what would have to give, and of what more choice would do."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True)
class BandAttenuation:
    """Attenuation of a radio band at the grid (dB): what there is, and what is asked."""

    band: str
    attenuation_dB: float
    asked_dB: float


@dataclass(frozen=True)
class MissedLimit:
    """A limit that is broken, and by how much."""

    kind: Literal["rating", "window", "finite"]
    """'finite': some score is not a number."""
    name: str
    """Of the score, or of the rating in words."""
    excess: float
    """As a share of the limit's scale."""
    value: float = math.nan
    """Of the score or of what is rated; nan where it is not known."""
    at_least: float = -math.inf
    at_most: float = math.inf
    enough: float = math.nan
    """The limit moved just so far, rounded, that the value keeps it."""
    unit: str = ""
    bands: Sequence[BandAttenuation] = ()
    """Of a radio margin: the bands attenuated too little."""
    part: str = ""
    """Element that a rating is of; empty where it is of the device."""
    part_value: float = math.nan


@dataclass(frozen=True)
class Relaxation:
    """Limits to be moved so that one candidate keeps them all."""

    moved: Sequence[MissedLimit]
    candidate: int
    steps: float
    """By how many noticeable steps in all."""


@dataclass(frozen=True)
class MoreChoice:
    """A part at the end of its range, and what a value beyond would do."""

    part: str
    largest: bool
    """Whether the end is the largest value, or the smallest."""
    end: float
    beyond: float
    """The value tried, one or two steps of its series beyond the end."""
    missed: Sequence[MissedLimit]
    """What is missed even then, limits and targets; empty where all are kept."""


@dataclass(frozen=True)
class Obstacles:
    """Why nothing is feasible."""

    evaluated: int
    never: Sequence[MissedLimit]
    """Limits that no candidate keeps, with the smallest miss."""
    shares: Sequence[tuple[MissedLimit, float]]
    """Limits, and the share of the candidates that break each; the most broken first."""
    nearest: Sequence[MissedLimit]
    """What the nearest candidate breaks."""
    alone: Sequence[Relaxation] = ()
    """Of one limit each, every other kept; the least first."""
    not_alone: Sequence[MissedLimit] = ()
    """Limits that the nearest candidate breaks, and of which no value alone suffices."""
    together: Relaxation | None = None
    """The least in noticeable steps, of one limit or several; None where some score is never a
    number."""
