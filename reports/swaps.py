"""Records of the same stage with another device in its place."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

Rewiring = Literal["present", "worn", "none", "heater", "pins", "unknown"]
"""What must be rewired: nothing, the heater, the pins (another socket); or no other device."""


@dataclass(frozen=True)
class Swap:
    """One stage with one device; parts, supply and surroundings are the same in all."""

    device: str
    rewiring: Rewiring
    scores: Mapping[str, float]
    """Every score that a device has a part in, but for slow ones that the brief does not name."""
    off: Sequence[str]
    """Scores that break a limit or miss a target."""
    exceeded: Sequence[str]
    """Ratings that are exceeded."""
    trusted: bool
    """Whether published numbers bear out the law of the device where it works."""
    good: float
    """Share of builds that keep every target and limit; nan where nothing spreads."""
