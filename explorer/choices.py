"""What may vary of a stage: the values of each part, drawn at random or gone through."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from objectives.arrays import FloatArray


@dataclass(frozen=True)
class Choice:
    """One part that varies: the values it may take, or a continuous range."""

    part: str
    """An element by its name: a field of Stage, or of what drives it."""
    values: FloatArray = field(default_factory=lambda: np.empty(0))
    low: float = np.nan
    high: float = np.nan
    origin: str = ""
    """In words, where the values come from: 'E12, 10 kΩ to 470 kΩ'."""
    names: tuple[str, ...] = ()
    """What the values stand for, where they only count: the devices to choose from."""

    @property
    def continuous(self) -> bool:
        """Whether the part may take any value from ``low`` to ``high``."""
        return len(self.values) == 0

    @property
    def size(self) -> float:
        """How many values there are; inf for a continuous range."""
        return np.inf if self.continuous else float(len(self.values))

    def draw(self, count: int, rng: np.random.Generator) -> FloatArray:
        """Return ``count`` random values, each value of the part as often as any other.

        Such a sample sees every value (of up to ``count``), which a plain random one need not. A
        continuous part is spread evenly in the logarithm, one in each of ``count`` equal steps.
        """
        if not self.continuous:
            # Shuffled first, so that the last, unfinished round differs from seed to seed.
            return rng.permuted(np.resize(rng.permuted(self.values), count))
        share = (rng.permutation(count) + rng.random(count)) / count
        return np.asarray(self.low * (self.high / self.low) ** share)

    def shown(self, values: FloatArray) -> Sequence[float | str]:
        """Return values as tables hold them: numbers, or the names that they stand for."""
        return [self.names[int(value)] for value in values] if self.names else values.tolist()
