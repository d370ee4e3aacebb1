"""What N candidates came to: their parts, scores, losses, and how they stand to the limits."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np

from objectives.arrays import BoolArray, FloatArray, IntArray

Parts = Mapping[str, FloatArray]
Limits = Literal["exact", "told", "first"]
"""How limits are worked out: exactly; so far that what is told by them is exact, who keeps them and
how much room there is; or that, and before all else."""


@dataclass(frozen=True)
class Evaluation:
    """Scores, losses and limits of N candidates."""

    parts: Parts
    scores: Mapping[str, FloatArray]
    losses: FloatArray
    """Shape (N, free scores); smaller is better."""
    excess: Mapping[str, FloatArray]
    """For each limit how far it is broken; 0 or less where it is kept."""
    room: FloatArray
    """Shape (N, rooms): the more, the farther from each limit that no free score tells of."""

    @property
    def broken(self) -> FloatArray:
        """Sum of what is broken, shape (N,); 0 where the candidate is feasible."""
        return np.asarray(np.sum([np.maximum(e, 0.0) for e in self.excess.values()], axis=0))

    @property
    def feasible(self) -> BoolArray:
        """Which candidates keep every limit."""
        return np.asarray(self.broken <= 0.0)

    def __len__(self) -> int:
        """Return the number of candidates."""
        return len(self.losses)

    def take(self, rows: IntArray | BoolArray) -> Evaluation:
        """Return the candidates at ``rows``."""
        return Evaluation(
            {name: a[rows] for name, a in self.parts.items()},
            {name: a[rows] for name, a in self.scores.items()},
            self.losses[rows],
            {name: a[rows] for name, a in self.excess.items()},
            self.room[rows],
        )

    @staticmethod
    def join(pieces: list[Evaluation]) -> Evaluation:
        """Return the pieces one after the other; at least one piece.

        What is rated for some devices only is no limit to the others.
        """
        first = pieces[0]
        limits = dict.fromkeys(name for piece in pieces for name in piece.excess)
        return Evaluation(
            {n: np.concatenate([p.parts[n] for p in pieces]) for n in first.parts},
            {n: np.concatenate([p.scores[n] for p in pieces]) for n in first.scores},
            np.concatenate([p.losses for p in pieces]),
            {
                n: np.concatenate([p.excess.get(n, np.full(len(p), -np.inf)) for p in pieces])
                for n in limits
            },
            np.concatenate([p.room for p in pieces]),
        )
