"""Built stages: candidates with parts, valve and supply off by the factors of the draws."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np

from objectives.arrays import BoolArray, FloatArray, IntArray, flatten
from objectives.assessment import Assessment
from objectives.circuit.corners import Port, corner_frequency
from objectives.devices.protocol import OperatingPoint
from objectives.scores.registry import greatest
from objectives.tolerance.draws import draw_factors
from objectives.tolerance.operating_point import built_operating_point
from objectives.tolerance.setup import require_built_score
from objectives.tolerance.spreads import Spread
from objectives.tolerance.varied_device import spread_batch

CHUNK = 4096
"""Built stages worked on at once: as many as stay in the processor's cache."""

PERCENTILES = (5.0, 50.0, 95.0)
"""Percentiles of the bands of a score."""


def batch_shape(nominal: Assessment) -> tuple[int, ...]:
    """Return the shape of the candidates, a follower's fields included; at least one axis."""
    follower = () if nominal.follower is None else nominal.follower[0].shape
    return np.broadcast_shapes(nominal.stage.shape, follower) or (1,)


def designs_at(front: Assessment, rows: IntArray) -> Assessment:
    """Return some of the candidates as a batch of one axis."""
    shape, follower = batch_shape(front), front.follower
    if follower is not None:
        follower = flatten(follower[0], shape).at(rows), follower[1]
    return replace(front, stage=flatten(front.stage, shape).at(rows), follower=follower)


def one_axis(nominal: Assessment) -> Assessment:
    """Return the assessment with one axis of candidates, and targets that built stages have."""
    shape = batch_shape(nominal)
    stage = flatten(nominal.stage, shape)
    # One field of the full shape makes the whole batch have it.
    stage = replace(
        stage, supply_V=np.broadcast_to(np.asarray(nominal.stage.supply_V, float), shape).ravel()
    )
    follower = nominal.follower
    if follower is not None:
        follower = flatten(follower[0], shape), follower[1]
    targets = replace(nominal.targets, tolerance=None, preferred={}, prices={})
    return replace(nominal, stage=stage, targets=targets, follower=follower)


@dataclass(frozen=True)
class _BuiltStages(Assessment):
    """Built stages, solved from what is known of the nominal ones: same results, sooner.

    ``nominal`` is the batch of candidates on one axis; ``rows`` of it were built.
    """

    nominal: Assessment | None = None
    rows: slice = field(default_factory=lambda: slice(None))

    @cached_property
    def point(self) -> OperatingPoint:
        if self.nominal is None or self.follower is not None:
            return super().point
        near = self.nominal.point.grid_cathode_V[self.rows, np.newaxis]
        return built_operating_point(self.stage, self.device.law, near)

    @cached_property
    def input_corner_Hz(self) -> FloatArray:
        if self.nominal is None:
            return super().input_corner_Hz
        return self._corner("grid", self.nominal.input_corner_Hz, upper=True)

    @cached_property
    def output_corners_Hz(self) -> tuple[FloatArray, FloatArray]:
        if self.nominal is None:
            return super().output_corners_Hz
        low, high = self.nominal.output_corners_Hz
        return self._corner("output", low, upper=False), self._corner("output", high, upper=True)

    def _corner(self, port: Port, near_Hz: FloatArray, *, upper: bool) -> FloatArray:
        return corner_frequency(
            self.loaded,
            self.linear,
            port,
            self.targets.reference_Hz,
            upper=upper,
            near_Hz=near_Hz[self.rows, np.newaxis],
        )


def built_stages(
    base: Assessment, rows: slice, spreads: Sequence[Spread], factors: FloatArray
) -> Assessment:
    """Return the stages built from some candidates, shape (rows, draws).

    Parameters
    ----------
    base :
        The candidates, as of :func:`one_axis`.
    rows :
        Which of them are built.
    factors :
        Shape (draws, spreads), as of :func:`draw_factors`.
    """
    stage, device = spread_batch(
        base.stage.at(rows), base.device, spreads, factors, point=base.point.at(rows)
    )
    targets = base.targets
    if any(spread.quantity == "supply_V" for spread in spreads):
        # The draws raise the supply as it is.
        targets = replace(targets, supply_rise=0.0)
    follower = base.follower
    if follower is not None:
        # It stands on the same supply; its own parts and valve are taken as nominal.
        own = follower[0].at(rows).expand()
        rise = stage.supply_V / np.asarray(base.stage.supply_V)[rows, np.newaxis]
        follower = replace(own, supply_V=np.asarray(own.supply_V) * rise), follower[1]
    return _BuiltStages(stage, device, targets, follower, base, rows)


def judged_excesses(built: Assessment) -> list[FloatArray]:
    """Return how far each rating that built stages are judged by is exceeded, as a fraction.

    A rating of a part's own value (unit ohm) is kept by the nominal part and left out.
    """
    return [rating.excess for rating in built.ratings if rating.unit != "ohm"]


@dataclass(frozen=True)
class BuiltScores:
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

    def at(self, index: Any) -> BuiltScores:
        """Return some of the candidates, or of their built stages."""
        values = {name: value[index] for name, value in self.values.items()}
        return BuiltScores(values, self.rating_excess[index])

    def bands(self) -> dict[str, FloatArray]:
        """Return the percentiles of every score, shape (percentiles, candidates)."""
        # Between two infinite values of a score (a stage cut off) there is no number.
        with np.errstate(invalid="ignore"):
            return {
                name: np.asarray(np.percentile(value, PERCENTILES, axis=-1))
                for name, value in self.values.items()
            }


def built_scores(
    nominal: Assessment,
    spreads: Sequence[Spread],
    units: FloatArray,
    names: Sequence[str],
    *,
    ratings: bool = True,
) -> BuiltScores:
    """Return scores of built stages.

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
    InputError
        If a name is no score of a built stage.
    """
    for name in names:
        require_built_score("scores", name)
    base = one_axis(nominal)
    size, draws = base.stage.shape[0], len(units)
    factors = draw_factors(spreads, units)
    values = {name: np.empty((size, draws)) for name in names}
    excess = np.full((size, draws), -np.inf)
    wide = min(draws, CHUNK)
    tall = max(1, CHUNK // max(wide, 1))
    for row, column in itertools.product(range(0, size, tall), range(0, draws, wide)):
        rows, columns = slice(row, row + tall), slice(column, column + wide)
        built = built_stages(base, rows, spreads, factors[columns])
        for name in names:
            values[name][rows, columns] = built[name]
        if ratings:
            none = np.full(built.point.shape, -np.inf)
            excess[rows, columns] = greatest([none, *judged_excesses(built)])
    return BuiltScores(values, excess)
