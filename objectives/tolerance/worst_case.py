"""One-at-a-time swings, worst cases over the tolerance box, and bands of a response."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from objectives.arrays import FloatArray
from objectives.assessment import Assessment
from objectives.checks import InputError, require
from objectives.circuit.corners import Port, swept_level_dB
from objectives.tolerance.builds import CHUNK, PERCENTILES, batch_shape, built_stages, one_axis
from objectives.tolerance.setup import require_built_score
from objectives.tolerance.spreads import Spread, draw_factors, quantities

_MOST_VERTEX_PARTS = 12


@dataclass(frozen=True)
class Swing:
    """What one quantity alone does to one score.

    Attributes
    ----------
    nominal : the score with everything nominal (unit of the score)
    at_low, at_high : the score with this quantity alone at the low and at the high end
    """

    score: str
    quantity: str
    nominal: float
    at_low: float
    at_high: float

    @property
    def size(self) -> float:
        """Distance between the farthest two of the three values (unit of the score)."""
        values = (self.nominal, self.at_low, self.at_high)
        return max(values) - min(values)


@dataclass(frozen=True)
class WorstCase:
    """The least and the greatest value of one score over the corners of the tolerance box.

    Attributes
    ----------
    least, greatest : over all corners that were tried (unit of the score)
    least_at, greatest_at : the deviation (relative) of every quantity at those corners
    checked : quantities of which every combination of ends was tried
    corners : number of corners tried for this score
    """

    score: str
    least: float
    greatest: float
    least_at: Mapping[str, float]
    greatest_at: Mapping[str, float]
    checked: tuple[str, ...]
    corners: int


def swings(
    nominal: Assessment, spreads: Sequence[Spread], names: Sequence[str]
) -> tuple[Swing, ...]:
    """Return what each quantity alone, from its low to its high end, does to each score.

    ``nominal`` is a batch of one.
    """
    count = len(spreads)
    factors = np.ones((2 * count + 1, count))
    for at, spread in enumerate(spreads):
        factors[2 * at + 1, at], factors[2 * at + 2, at] = 1 + spread.low, 1 + spread.high
    values = _at_factors(nominal, spreads, factors, names)
    return tuple(
        Swing(
            name, spread.quantity,
            *(float(values[name][row]) for row in (0, 2 * at + 1, 2 * at + 2)),
        )
        for name in names
        for at, spread in enumerate(spreads)
    )  # fmt: skip


def worst_cases(
    nominal: Assessment, spreads: Sequence[Spread], names: Sequence[str], *, vertex_parts: int = 8
) -> tuple[WorstCase, ...]:
    """Return the least and greatest value of each score over the corners of the tolerance box.

    Each quantity's swing tells which of its ends raises a score. If the score is monotone in each
    quantity wherever the others stand, the corner made of those ends is the greatest value and
    the opposite corner the least. As a check of that, every combination of ends of the
    ``vertex_parts`` (0 to 12) quantities with the largest swing is tried too, with the rest at the
    corner that raises and at the corner that lowers the score.

    Raises
    ------
    InputError
        If ``vertex_parts`` is out of range or the batch is not one stage.
    """
    require(
        "vertex_parts", vertex_parts, 0 <= vertex_parts <= _MOST_VERTEX_PARTS,
        f"0 to {_MOST_VERTEX_PARTS}",
    )  # fmt: skip
    cases = []
    parts = quantities(spreads)
    low = np.array([1 + s.low for s in spreads])
    high = np.array([1 + s.high for s in spreads])
    by_score: dict[str, list[Swing]] = {}
    for swing in swings(nominal, spreads, names):
        by_score.setdefault(swing.score, []).append(swing)
    for name in names:
        own = by_score.get(name, [])
        rises = np.array([swing.at_high >= swing.at_low for swing in own], dtype=bool)
        order = np.argsort([-swing.size for swing in own], kind="stable")
        chosen = order[:vertex_parts]
        raised, lowered = np.where(rises, high, low), np.where(rises, low, high)
        ends = np.array(list(itertools.product((False, True), repeat=len(chosen))), dtype=bool)
        corners = np.repeat([lowered, raised], len(ends), axis=0)
        corners[:, chosen] = np.where(np.tile(ends, (2, 1)), high[chosen], low[chosen])
        corners = np.concatenate([lowered[np.newaxis], raised[np.newaxis], corners])
        value = _at_factors(nominal, spreads, corners, [name])[name]
        # A score that is no number at some corner has its extremes at the others.
        missing = np.isnan(value)
        least = int(np.argmin(np.where(missing, np.inf, value)))
        greatest = int(np.argmax(np.where(missing, -np.inf, value)))
        cases.append(
            WorstCase(
                score=name,
                least=float(value[least]),
                greatest=float(value[greatest]),
                least_at=_deviations(spreads, corners[least]),
                greatest_at=_deviations(spreads, corners[greatest]),
                checked=tuple(parts[i] for i in chosen),
                corners=len(corners),
            )
        )
    return tuple(cases)


def _deviations(spreads: Sequence[Spread], factors: FloatArray) -> dict[str, float]:
    """Return which end of each spread a corner stands at, as the relative deviation."""
    return {
        spread.quantity: spread.high if factor > 1 else spread.low
        for spread, factor in zip(spreads, factors, strict=True)
    }


def _at_factors(
    nominal: Assessment, spreads: Sequence[Spread], factors: FloatArray, names: Sequence[str]
) -> dict[str, FloatArray]:
    """Return scores of one stage at given factors (rows, spreads), each of shape (rows,)."""
    for name in names:
        require_built_score("scores", name)
    values = {name: np.empty(len(factors)) for name in names}
    for rows, built in _built(nominal, spreads, factors):
        for name in names:
            values[name][rows] = built[name][0]
    return values


def _built(
    nominal: Assessment, spreads: Sequence[Spread], factors: FloatArray
) -> Iterator[tuple[slice, Assessment]]:
    """Yield the stages built from one at factors (rows, spreads), some thousand rows at a time."""
    size = math.prod(batch_shape(nominal))
    if size != 1:
        raise InputError("stage", size, "the batch must be one stage")
    base = one_axis(nominal)
    for start in range(0, len(factors), CHUNK):
        rows = slice(start, start + CHUNK)
        yield rows, built_stages(base, slice(0, 1), spreads, factors[rows])


def response_band_dB(
    nominal: Assessment,
    spreads: Sequence[Spread],
    units: FloatArray,
    frequency_Hz: FloatArray,
    port: Port,
) -> FloatArray:
    """Return percentiles of the level |V(port)/V(source)| in dB, shape (percentiles, frequencies).

    The percentiles are taken frequency by frequency: a band, not a curve of any one stage.
    ``nominal`` is a batch of one; ``units`` as of :func:`draw_units`.
    """
    level = np.empty((len(units), len(frequency_Hz)))
    for rows, built in _built(nominal, spreads, draw_factors(spreads, units)):
        level[rows] = swept_level_dB(built.loaded, built.linear, frequency_Hz, port)[0]
    return np.asarray(np.percentile(level, PERCENTILES, axis=0))
