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
from objectives.circuit.operating_point import load_lines, operating_point, point_of
from objectives.devices.law import ConductionLaw
from objectives.devices.protocol import OperatingPoint
from objectives.scores.registry import greatest
from objectives.stage import Stage
from objectives.tolerance.setup import require_built_score
from objectives.tolerance.spreads import Spread, draw_factors
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
    """Return the assessment with one axis of candidates, and targets that built stages have.

    One that has is returned itself, with what is worked out of it.
    """
    shape = batch_shape(nominal)
    targets = replace(nominal.targets, tolerance=None, preferred={}, prices={})
    if targets == nominal.targets and nominal.stage.supply_V.shape == shape and len(shape) == 1:
        return nominal
    stage = flatten(nominal.stage, shape)
    # One field of the full shape makes the whole batch have it.
    stage = replace(
        stage, supply_V=np.broadcast_to(np.asarray(nominal.stage.supply_V, float), shape).ravel()
    )
    follower = nominal.follower
    if follower is not None:
        follower = flatten(follower[0], shape), follower[1]
    return replace(nominal, stage=stage, targets=targets, follower=follower)


_STEPS = 8

# The equation solved below divides by the cathode resistance; under this the general solver, which
# knows of a grounded cathode, takes over.
_LEAST_CATHODE_OHM = 1.0

# Steps smaller than this end the search; Newton's next error is of the order of its square.
_SMALL_STEP_V = 3e-6


def built_operating_point(
    stage: Stage, law: ConductionLaw, nominal_grid_cathode_V: FloatArray
) -> OperatingPoint:
    """Solve the quiescent point of every stage, starting from grid-cathode voltages close to it.

    The same equation as :func:`~objectives.circuit.operating_point.operating_point`, whose excess
    current rises with the grid-cathode voltage, by Newton's steps with the law's exact derivatives.
    Stages in which they do not settle are handed to that function.
    """
    shape = stage.shape
    bias_V, grid_ohm = stage.grid_return()
    supply, load, cathode = stage.supply_V, stage.plate_load_ohm, stage.cathode_total_ohm
    if np.any(cathode < _LEAST_CATHODE_OHM) or np.any(~(supply > 0)) or np.any(~(load >= 0)):
        return operating_point(stage, law)
    v = np.broadcast_to(nominal_grid_cathode_V, shape)
    settled = np.zeros(shape, dtype=bool)
    for left in reversed(range(_STEPS)):
        # As in the general solver, the grid current is taken at the supply voltage.
        grid, gg, _ = law.linearise_grid(v, supply)
        cathode_V, plate_A, plate_V = load_lines(v, grid, bias_V, grid_ohm, supply, load, cathode)
        given, gm, gp = law.linearise(v, plate_V - cathode_V)
        if left == 0 or np.all(settled):
            break
        by_v_cathode = -gg * grid_ohm - 1.0
        by_v_plate_A = by_v_cathode / cathode - gg
        slope = gm - gp * (by_v_plate_A * load + by_v_cathode) - by_v_plate_A
        # No stage moves more than a volt at a time: the law is steep where the grid conducts.
        step = np.clip((plate_A - given) / slope, -1.0, 1.0)
        settled = np.abs(step) < _SMALL_STEP_V
        v = v + step
    good: BoolArray = settled & (plate_A > 0)
    point = point_of(law, v, cathode_V, plate_V, plate_A, grid, (gm, gp))
    if np.all(good):
        return point
    rest = operating_point(stage.at(~good), law.at(~good))
    merged: dict[str, Any] = {}
    for name, value in point.numeric_fields().items():
        merged[name] = value.copy()
        merged[name][~good] = getattr(rest, name)
    return replace(point, **merged)


@dataclass(frozen=True)
class _BuiltStages(Assessment):
    """Stages built from ``rows`` of the nominal ones, solved from these: same results, sooner."""

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
    def lower_corner_Hz(self) -> FloatArray:
        if self.nominal is None:
            return super().lower_corner_Hz
        return self._corner("output", self.nominal.lower_corner_Hz, upper=False)

    @cached_property
    def upper_corner_Hz(self) -> FloatArray:
        if self.nominal is None:
            return super().upper_corner_Hz
        return self._corner("output", self.nominal.upper_corner_Hz, upper=True)

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

    ``base`` holds the candidates, as of :func:`one_axis`; ``factors``, shape (draws, spreads), are
    as of :func:`draw_factors`.
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

    @classmethod
    def joined(cls, blocks: Sequence[BuiltScores]) -> BuiltScores:
        """Return the candidates of some blocks one after the other."""
        values = {n: np.concatenate([b.values[n] for b in blocks]) for n in blocks[0].values}
        return cls(values, np.concatenate([block.rating_excess for block in blocks]))

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

    def put(self, rows: IntArray, other: BuiltScores) -> None:
        """Put the candidates of another in the place of rows."""
        for name, value in self.values.items():
            value[rows] = other.values[name]
        self.rating_excess[rows] = other.rating_excess

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
    """Return scores of built stages, and how far ratings are exceeded if these are asked for.

    Parameters
    ----------
    nominal :
        The candidates, any batch shape (flattened in the result).
    units :
        Cumulative probabilities, shape (draws, spreads), as of :func:`draw_units`.

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
