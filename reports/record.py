"""Records of what a decision rests on: each value beside its neighbours, and the run itself."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

from objectives.reading.differences import Difference
from reports.obstacles import MissedLimit

Verdict = Literal["breaks", "misses", "builds", "alike", "less", "little", "better"]
"""What speaks against a neighbour, the weightiest first: it breaks a limit; it misses a target; too
few of its builds are good; nothing differs by a noticeable step; it achieves less; it achieves
more, but by no noticeable step; nothing does."""


@dataclass(frozen=True)
class Neighbour:
    """The pick with one part at another of its values."""

    value: float | str
    """In SI units; the name of a device."""
    differences: Sequence[Difference]
    """In each score that is weighed, from the pick to the neighbour."""
    gains: Mapping[str, float]
    """Noticeable steps by which each of these scores is better than the pick's."""
    broken: Sequence[MissedLimit]
    missed: Sequence[str]
    """Scores in which it misses a target."""
    shortfall: float
    """From what is wanted (0) to what is good enough (1), weighted."""
    worst: str
    """Score that falls short most."""
    good: float
    """Share of builds that keep targets and limits; nan where it was not worked out."""
    verdict: Verdict


@dataclass(frozen=True)
class Slope:
    """How fast a score moves with a part, the others as they are."""

    score: str
    per_percent: float
    """For 1 % more of the part: in the unit of the score, or in per cent if judged by ratio."""
    steps_per_percent: float


@dataclass(frozen=True)
class PartReason:
    """What speaks for the value of one part that varies."""

    part: str
    value: float | str
    neighbours: Sequence[Neighbour]
    """With the next value below and above, or with each other device or position."""
    slopes: Sequence[Slope] = ()
    """Of the scores that are weighed and vary smoothly; empty where the value is no quantity."""
    alike: tuple[float, float] | None = None
    """Ends of the values about its own with which no such score moves by a noticeable step, and
    limits and targets are kept in enough builds; None where not all values were gone through."""


@dataclass(frozen=True)
class Reasons:
    """What speaks for the values of the pick."""

    parts: Sequence[PartReason]
    shortfall: float
    """Of the pick, as of :class:`Neighbour`."""
    worst: str
    draws: int
    """Builds of each neighbour; 0 where none was built."""
    unsmooth: Sequence[str]
    """Scores that are weighed and have no slopes."""


@dataclass(frozen=True)
class Run:
    """What must be the same for a run to come to the same numbers."""

    command: str
    """That repeats it."""
    brief: str
    """Name of the file or of the shipped brief; empty where it was no file."""
    brief_text: str
    fingerprints: Mapping[str, str] = field(default_factory=dict)
    """SHA-256 of each text that was read, by the name of its file."""
    versions: Mapping[str, str] = field(default_factory=dict)
    seed: int = 1
    """Of the search."""
    shared: bool = False
    """Whether the search was kept where others may have added to it."""
