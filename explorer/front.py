"""The front: who is on it, what it is worth, who represents it.

Everything here works on *losses*: one column per free score, smaller is better.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterable
from dataclasses import dataclass

import moocore
import numpy as np

from objectives.arrays import BoolArray, FloatArray, IntArray

MAX_REPRESENTATIVES = 40
"""The most candidates that a report or a terminal shows."""

_REFERENCE = 1.1
"""Hypervolume reference point on the scale where the front spans 0..1 in every score."""


_DIGITS = 10
"""Decimal digits to which losses are compared: the order of sums moves the last of sixteen."""


def non_dominated(losses: FloatArray) -> BoolArray:
    """Return which rows (N, scores) no other row beats; of equal rows the first is kept."""
    if len(losses) == 0:
        return np.zeros(0, dtype=bool)
    mantissa, exponent = np.frexp(losses)
    losses = np.ldexp(np.round(mantissa, _DIGITS), exponent)
    if losses.shape[1] == 1:
        # The library starts at two objectives; with one, the front is the first best row.
        mask = np.zeros(len(losses), dtype=bool)
        mask[np.argmin(losses[:, 0])] = True
        return mask
    return np.asarray(moocore.is_nondominated(losses), dtype=bool)


@dataclass(frozen=True)
class Scale:
    """Maps losses to a scale on which the front that made it spans 0 (best) to 1 (worst)."""

    best: FloatArray
    worst: FloatArray

    @classmethod
    def of(cls, front: FloatArray) -> Scale:
        """Return the scale of a front (N, scores), N at least 1."""
        return cls(front.min(axis=0), front.max(axis=0))

    def __call__(self, losses: FloatArray) -> FloatArray:
        """Return the losses on the scale; a score that does not vary maps to 0."""
        span = self.worst - self.best
        safe = np.where(span > 0, span, 1.0)
        return np.asarray(np.where(span > 0, (losses - self.best) / safe, losses - self.best))

    def hypervolume(self, losses: FloatArray) -> float:
        """Return the hypervolume on the scale, as a share of the box up to the reference point."""
        inside = self(losses)
        inside = inside[np.all(inside < _REFERENCE, axis=1)]
        if len(inside) == 0:
            return 0.0
        if inside.shape[1] == 1:
            volume = _REFERENCE - float(inside.min())
        else:
            volume = moocore.hypervolume(inside, ref=np.full(inside.shape[1], _REFERENCE))
        return float(volume) / float(_REFERENCE ** inside.shape[1])


def extremes(losses: FloatArray) -> IntArray:
    """Return for each score the row that is best in it; ties go to the smaller sum of losses."""
    scaled = Scale.of(losses)(losses)
    total = scaled.sum(axis=1)
    return np.array(
        [np.lexsort((total, scaled[:, j]))[0] for j in range(losses.shape[1])], dtype=np.intp
    )


def represent(losses: FloatArray, size: int, always: Iterable[int] = ()) -> IntArray:
    """Return at most ``size`` rows that represent the front, the rows ``always`` among them.

    Hypervolume subset selection: starting from the rows that must be shown, the row that adds most
    hypervolume is added until the set is full. Since what a row adds can only shrink as the set
    grows, old additions bound new ones and few rows need a new look each time (lazy greedy; the
    result is within 1 - 1/e of the best set of that size).

    Source: A. P. Guerreiro, C. M. Fonseca, L. Paquete, Greedy hypervolume subset selection in low
    dimensions, Evolutionary Computation 24(3), 2016; M. Minoux's lazy evaluation, 1978 (both from
    memory).
    """
    chosen = list(dict.fromkeys(int(i) for i in always))[:size]
    if len(losses) <= size:
        return np.arange(len(losses))
    scale = Scale.of(losses)
    value = scale.hypervolume(losses[chosen]) if chosen else 0.0
    scaled = np.clip(scale(losses), 0, None)
    alone = np.prod(_REFERENCE - scaled, axis=1) / _REFERENCE ** losses.shape[1]
    taken = set(chosen)
    queue = [(-float(alone[i]), i, -1) for i in range(len(losses)) if i not in taken]
    heapq.heapify(queue)
    while queue and len(chosen) < size:
        gain, row, seen_at = heapq.heappop(queue)
        if seen_at == len(chosen):
            chosen.append(row)
            value -= gain
        else:
            fresh = scale.hypervolume(losses[[*chosen, row]]) - value
            heapq.heappush(queue, (-fresh, row, len(chosen)))
    return np.array(chosen, dtype=np.intp)
