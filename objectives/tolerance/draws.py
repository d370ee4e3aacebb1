"""Tolerance: what parts, valve and supply that spread do to the scores of a stage.

A *spread* says how far one quantity strays from its nominal value and how it is distributed. A
*draw* is one stage built from parts taken at random. All designs share the same draws (common
random numbers), so two designs differ by what they are and not by their luck, and a yield is a
repeatable function of the parts that a search can climb.

Draws are points of a scrambled Sobol sequence: I. M. Sobol, USSR Comput. Math. Math. Phys. 7(4),
1967; A. B. Owen, Scrambled net variance for integrals of smooth functions, Ann. Statist. 25(4),
1997 (both from memory). Their error in a yield falls faster than that of independent draws.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.stats import qmc

from objectives.arrays import BoolArray, FloatArray
from objectives.assessment import Assessment
from objectives.devices.protocol import Device, OperatingPoint
from objectives.stage import Stage
from objectives.tolerance.builds import _worst_excess, build, flat
from objectives.tolerance.setup import _require_score
from objectives.tolerance.spreads import Spread
from objectives.tolerance.varied_device import SpreadDevice, spread_batch

__all__ = ["DrawnScores", "draw_batch", "draw_factors", "draw_scores", "draw_units"]

_CHUNK = 4096


def draw_units(spreads: Sequence[Spread], draws: int, seed: int) -> FloatArray:
    """Return cumulative probabilities, shape (draws, spreads): a scrambled Sobol sequence.

    The same seed gives the same numbers; a longer run starts with those of a shorter one.
    """
    if not spreads:
        return np.empty((draws, 0))
    sequence = qmc.Sobol(len(spreads), scramble=True, rng=np.random.default_rng(seed))
    return np.asarray(sequence.random_base2(max(math.ceil(math.log2(draws)), 0))[:draws])


def draw_batch(
    stage: Stage,
    device: Device,
    spreads: Sequence[Spread],
    draws: int,
    seed: int,
    *,
    point: OperatingPoint | None = None,
) -> tuple[Stage, SpreadDevice]:
    """Return stages and device with a trailing axis of draws, shape (*batch, draws).

    Parameters are those of :func:`spread_batch`; all stages share the draws.
    """
    factors = draw_factors(spreads, draw_units(spreads, draws, seed))
    return spread_batch(stage, device, spreads, factors, point=point)


def draw_factors(spreads: Sequence[Spread], units: FloatArray) -> FloatArray:
    """Return what each quantity is multiplied by, shape (draws, spreads) as ``units``.

    Raises
    ------
    ValueError
        If ``units`` has not one column a spread.
    """
    if units.shape[1:] != (len(spreads),):
        raise ValueError(
            f"units: shape {units.shape}: must have one column a spread, {len(spreads)}"
        )
    factors = np.empty(units.shape)
    for at, spread in enumerate(spreads):
        factors[:, at] = spread.factor(units[:, at])
    return factors


@dataclass(frozen=True)
class DrawnScores:
    """Scores of every built stage.

    Attributes
    ----------
    values : by score, shape (candidates, draws)
    rating_excess : how far the worst rating is exceeded, as a fraction (negative: inside), shape
        (candidates, draws); -inf where ratings were not asked for
    """

    values: Mapping[str, FloatArray]
    rating_excess: FloatArray

    def inside(self, windows: Mapping[str, tuple[float, float]]) -> dict[str, BoolArray]:
        """Return for each window which built stages keep it, shape (candidates, draws)."""
        return {
            name: (self.values[name] >= low) & (self.values[name] <= high)
            for name, (low, high) in windows.items()
        }

    def good(self, windows: Mapping[str, tuple[float, float]]) -> BoolArray:
        """Return which built stages keep every window and every rating."""
        kept = self.rating_excess <= 0
        for inside in self.inside(windows).values():
            kept = kept & inside
        return np.asarray(kept)

    def at(self, candidates: slice | BoolArray) -> DrawnScores:
        """Return some of the candidates."""
        return DrawnScores(
            {name: value[candidates] for name, value in self.values.items()},
            self.rating_excess[candidates],
        )

    def bands(self, percentiles: Sequence[float] = (5, 50, 95)) -> dict[str, FloatArray]:
        """Return percentiles of every score, shape (percentiles, candidates)."""
        # Between two infinite values of a score (a stage cut off) there is no number.
        with np.errstate(invalid="ignore"):
            return {
                name: np.asarray(np.percentile(value, percentiles, axis=-1))
                for name, value in self.values.items()
            }


def draw_scores(
    nominal: Assessment,
    spreads: Sequence[Spread],
    units: FloatArray,
    names: Sequence[str],
    *,
    ratings: bool = True,
) -> DrawnScores:
    """Return scores of stages built from spread parts.

    Parameters
    ----------
    nominal :
        The candidates, any batch shape (flattened in the result).
    units :
        Cumulative probabilities, shape (draws, spreads), as of :func:`draw_units`.
    names :
        Scores to work out.
    ratings :
        Whether to work out the ratings too.

    Raises
    ------
    ValueError
        If a name is no score of a built stage.
    """
    for name in names:
        _require_score(name, "scores")
    base = flat(nominal)
    size, draws = base.stage.shape[0], len(units)
    factors = draw_factors(spreads, units)
    values = {name: np.empty((size, draws)) for name in names}
    excess = np.full((size, draws), -np.inf)
    # A chunk is as many built stages as stay in the processor's cache.
    wide = min(draws, _CHUNK)
    tall = max(1, _CHUNK // max(wide, 1))

    for row, column in itertools.product(range(0, size, tall), range(0, draws, wide)):
        rows, columns = slice(row, row + tall), slice(column, column + wide)
        built = build(base, rows, spreads, factors[columns])
        for name in names:
            values[name][rows, columns] = built[name]
        if ratings:
            excess[rows, columns] = _worst_excess(built)
    return DrawnScores(values, excess)
