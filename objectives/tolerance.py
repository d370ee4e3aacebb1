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

import difflib
import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from scipy.stats import qmc

from objectives.batch import BoolArray, FloatArray
from objectives.corners import Port, corner_frequency, level_dB, swept_level_dB
from objectives.device import Device
from objectives.nearby import operating_point_near
from objectives.network import flatten
from objectives.operating_point import OperatingPoint
from objectives.scores import BAND_POINTS, REGISTRY, Assessment, greatest, score
from objectives.spreads import Spread, SpreadDevice, quantities, spread_batch
from objectives.stage import Stage

__all__ = [
    "DrawnScores",
    "HardestWindow",
    "ResponseBand",
    "SensitivityIndex",
    "SlowBands",
    "Swing",
    "ToleranceSetup",
    "ToleranceStudy",
    "WorstCase",
    "batch_shape",
    "build",
    "draw_batch",
    "draw_factors",
    "draw_scores",
    "draw_units",
    "flat",
    "judged_excesses",
    "response_band_dB",
    "swings",
    "worst_cases",
]

_YIELD = "tolerance_yield_percent"
_CHUNK = 4096
_MOST_VERTEX_PARTS = 12


@dataclass(frozen=True)
class ToleranceSetup:
    """What spreads, and what a built stage must keep to be good.

    Attributes
    ----------
    spreads : at most one a quantity
    windows : for each score that a built stage must keep, the least and the greatest value allowed
        (unit of the score, ends included; -inf and inf are no limit)
    draws : stages built for each candidate when the yield is a score of the search
    seed : of the draws
    ratings : whether a built stage that exceeds a rating is bad. A rating of a part's own value
        (unit ohm: the largest grid leak) is kept by the nominal part and not judged on draws.
    unjudged : scores that the brief limits and that are not judged on draws either: each takes a
        solution in time

    Raises
    ------
    ValueError
        If a quantity has two spreads, a window names no score or is empty, or ``draws`` is not
        positive.
    """

    spreads: tuple[Spread, ...]
    windows: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    draws: int = 256
    seed: int = 1
    ratings: bool = True
    unjudged: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        quantities(self.spreads)
        for name, (low, high) in self.windows.items():
            _require_score(name, "tolerance.windows")
            if not low <= high:
                raise ValueError(
                    f"tolerance.windows.{name}: {low!r} to {high!r}: the least value allowed must "
                    "not be above the greatest"
                )
        if self.draws < 1:
            raise ValueError(f"tolerance.draws: {self.draws!r}: must be 1 or more")


def _require_score(name: str, where: str) -> None:
    allowed = [known for known, s in REGISTRY.items() if not s.of_stock and known != _YIELD]
    if name not in allowed:
        close = difflib.get_close_matches(name, allowed, n=1)
        hint = f"; did you mean {close[0]}?" if close else ""
        raise ValueError(
            f"{where}: {name!r}: must be a score of a built stage: {', '.join(allowed)}{hint}"
        )


# -- draws ---------------------------------------------------------------------------------


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


# -- scores of draws -------------------------------------------------------------------------------


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


def batch_shape(nominal: Assessment) -> tuple[int, ...]:
    """Return the shape of the candidates, a follower's fields included; at least one axis."""
    follower = () if nominal.follower is None else nominal.follower[0].shape
    return np.broadcast_shapes(nominal.stage.shape, follower) or (1,)


def flat(nominal: Assessment) -> Assessment:
    """Return the assessment with one flat axis of candidates and targets fit for draws."""
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
class _Built(Assessment):
    """Built stages, solved from what is known of the nominal ones: same results, sooner.

    ``nominal`` is the flat batch of candidates; the rows ``rows`` of it were built.
    """

    nominal: Assessment | None = None
    rows: slice = field(default_factory=lambda: slice(None))

    @cached_property
    def point(self) -> OperatingPoint:
        if self.nominal is None or self.follower is not None:
            return super().point
        near = self.nominal.point.grid_cathode_V[self.rows, np.newaxis]
        return operating_point_near(self.stage, self.device.law, near)

    @cached_property
    def input_corner_Hz(self) -> FloatArray:
        if self.nominal is None:
            return super().input_corner_Hz
        near = self.nominal.input_corner_Hz
        return self._corner("grid", near, upper=True)

    @cached_property
    def output_corners_Hz(self) -> tuple[FloatArray, FloatArray]:
        if self.nominal is None:
            return super().output_corners_Hz
        low, high = self.nominal.output_corners_Hz
        return self._corner("output", low, upper=False), self._corner("output", high, upper=True)

    @cached_property
    def radio_margins_dB(self) -> dict[str, FloatArray]:
        bands = self.targets.radio_bands
        if not bands:
            return {}
        at_reference = level_dB(self.reference, "grid")
        return {
            band.name: at_reference
            - swept_level_dB(
                self.loaded,
                self.linear,
                np.geomspace(band.low_Hz, band.high_Hz, BAND_POINTS),
                "grid",
            ).max(axis=-1)
            - band.attenuation_dB
            for band in bands
        }

    def _corner(self, port: Port, near_Hz: FloatArray, *, upper: bool) -> FloatArray:
        return corner_frequency(
            self.loaded,
            self.linear,
            port,
            self.targets.reference_Hz,
            upper=upper,
            near_Hz=near_Hz[self.rows, np.newaxis],
        )


def build(
    base: Assessment, rows: slice, spreads: Sequence[Spread], factors: FloatArray
) -> Assessment:
    """Return the stages built from some candidates, shape (rows, draws).

    Parameters
    ----------
    base :
        The candidates, as of :func:`flat`.
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
        # The draws raise the supply themselves.
        targets = replace(targets, supply_rise=0.0)
    follower = base.follower
    if follower is not None:
        # It stands on the same supply; its own parts and valve are taken as nominal.
        own = follower[0].at(rows).expand()
        rise = stage.supply_V / np.asarray(base.stage.supply_V)[rows, np.newaxis]
        follower = replace(own, supply_V=np.asarray(own.supply_V) * rise), follower[1]
    return _Built(stage, device, targets, follower, base, rows)


def judged_excesses(built: Assessment) -> list[FloatArray]:
    """Return how far each rating that draws are judged by is exceeded, as a fraction.

    A rating of a part's own value (unit ohm) is kept by the nominal part and left out.
    """
    return [rating.excess for rating in built.ratings if rating.unit != "ohm"]


def _worst_excess(built: Assessment) -> FloatArray:
    none = np.full(built.point.plate_current_A.shape, -np.inf)
    return greatest([none, *judged_excesses(built)])


@score(
    _YIELD, "%", "maximise",
    "share of the stages built from spread parts that keep every window and rating",
    source="scrambled Sobol draws, the same for every candidate",
    requires=("tolerance",),
    costly=True,
)  # fmt: skip
def _yield_percent(a: Assessment) -> FloatArray:
    setup = a.targets.tolerance
    if setup is None:
        raise ValueError("targets.tolerance: not given: tolerance_yield_percent needs it")
    units = draw_units(setup.spreads, setup.draws, setup.seed)
    drawn = draw_scores(a, setup.spreads, units, tuple(setup.windows), ratings=setup.ratings)
    good = drawn.good(setup.windows).mean(axis=-1)
    return np.asarray(100.0 * good.reshape(batch_shape(a)))


# -- worst cases -----------------------------------------------------------------------------------


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
    by_sign : least and greatest as each quantity's own swing predicts them
    checked : quantities of which every combination of ends was tried
    corners : number of corners tried for this score
    """

    score: str
    least: float
    greatest: float
    least_at: Mapping[str, float]
    greatest_at: Mapping[str, float]
    by_sign: tuple[float, float]
    checked: tuple[str, ...]
    corners: int


def swings(
    nominal: Assessment, spreads: Sequence[Spread], names: Sequence[str]
) -> tuple[Swing, ...]:
    """Return what each quantity alone, from its low to its high end, does to each score.

    ``nominal`` is a batch of one.
    """
    _require_single(nominal)
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
    nominal: Assessment,
    spreads: Sequence[Spread],
    names: Sequence[str],
    *,
    vertex_parts: int = 8,
) -> tuple[WorstCase, ...]:
    """Return the least and greatest value of each score over the corners of the tolerance box.

    Each quantity's swing tells which of its ends raises a score. If the score is monotone in each
    quantity wherever the others stand, the corner made of those ends is the greatest value and
    the opposite corner the least. As a check of that, every combination of ends of the
    ``vertex_parts`` quantities with the largest swing is tried too, with the rest at the corner
    that raises and at the corner that lowers the score.

    Parameters
    ----------
    nominal :
        A batch of one.
    vertex_parts :
        0 to 12; 2 to that power corners are tried, twice, for each score.

    Raises
    ------
    ValueError
        If ``vertex_parts`` is out of range or the batch is not one stage.
    """
    if not 0 <= vertex_parts <= _MOST_VERTEX_PARTS:
        raise ValueError(f"vertex_parts: {vertex_parts!r}: must be 0 to {_MOST_VERTEX_PARTS}")
    found = []
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
        corners = np.concatenate(
            [np.tile(lowered, (len(ends), 1)), np.tile(raised, (len(ends), 1))]
        )
        corners[:, chosen] = np.where(np.tile(ends, (2, 1)), high[chosen], low[chosen])
        corners = np.concatenate([lowered[np.newaxis], raised[np.newaxis], corners])
        value = _at_factors(nominal, spreads, corners, [name])[name]
        least, greatest = int(np.nanargmin(value)), int(np.nanargmax(value))
        found.append(
            WorstCase(
                score=name,
                least=float(value[least]),
                greatest=float(value[greatest]),
                least_at=_deviations(spreads, corners[least]),
                greatest_at=_deviations(spreads, corners[greatest]),
                by_sign=(float(value[0]), float(value[1])),
                checked=tuple(parts[i] for i in chosen),
                corners=len(corners),
            )
        )
    return tuple(found)


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
        _require_score(name, "scores")
    base = flat(nominal)
    parts = []
    for start in range(0, len(factors), _CHUNK):
        built = build(base, slice(0, 1), spreads, factors[start : start + _CHUNK])
        parts.append({name: np.asarray(built[name])[0] for name in names})
    return {name: np.concatenate([part[name] for part in parts]) for name in names}


def _require_single(nominal: Assessment) -> None:
    size = math.prod(batch_shape(nominal))
    if size != 1:
        raise ValueError(f"stage: a batch of {size}: must be one stage")


# -- response --------------------------------------------------------------------------------------


def response_band_dB(
    nominal: Assessment,
    spreads: Sequence[Spread],
    units: FloatArray,
    frequency_Hz: FloatArray,
    port: Port,
    *,
    percentiles: Sequence[float] = (5, 50, 95),
) -> FloatArray:
    """Return percentiles of the level |V(port)/V(source)| in dB, shape (percentiles, frequencies).

    The percentiles are taken frequency by frequency: a band, not a curve of any one stage.
    ``nominal`` is a batch of one; ``units`` as of :func:`draw_units`.
    """
    _require_single(nominal)
    base = flat(nominal)
    factors = draw_factors(spreads, units)
    level = np.empty((len(units), len(frequency_Hz)))

    for start in range(0, len(units), _CHUNK):
        rows = slice(start, start + _CHUNK)
        built = build(base, slice(0, 1), spreads, factors[rows])
        level[rows] = swept_level_dB(built.loaded, built.linear, frequency_Hz, port)[0]
    return np.asarray(np.percentile(level, percentiles, axis=0))


# -- a study of a front ----------------------------------------------------------------------------


@dataclass(frozen=True)
class SensitivityIndex:
    """Share of a score's variance that one quantity brings about.

    Attributes
    ----------
    first : alone (Sobol's first-order index), ``first_margin`` its 95 % half-width
    total : alone and together with others (total index), ``total_margin`` its 95 % half-width
    """

    score: str
    quantity: str
    first: float
    first_margin: float
    total: float
    total_margin: float


@dataclass(frozen=True)
class ResponseBand:
    """Percentiles of a response, each of shape (frequencies,)."""

    port: Port
    frequency_Hz: FloatArray
    nominal_dB: FloatArray
    low_dB: FloatArray
    middle_dB: FloatArray
    high_dB: FloatArray


@dataclass(frozen=True)
class HardestWindow:
    """The window that most built stages of one design miss, and the quantity that moves it most.

    ``share`` is the quantity's first-order index (share of the score's variance).
    """

    score: str
    kept: float
    quantity: str
    share: float


@dataclass(frozen=True)
class SlowBands:
    """Bands of the pick's scores that take a solution in time, from fewer built stages.

    Attributes
    ----------
    draws : built stages
    nominal : by score
    bands : by score, shape (percentiles,)
    """

    draws: int
    nominal: Mapping[str, float]
    bands: Mapping[str, FloatArray]


@dataclass(frozen=True)
class ToleranceStudy:
    """What tolerances do to every design shown and, in detail, to the pick.

    Arrays named by design have shape (designs,), bands (percentiles, designs); fractions are 0..1.
    """

    setup: ToleranceSetup
    candidates: tuple[str, ...]
    """Designs, in the order of the arrays."""
    scores: tuple[str, ...]
    draws: int
    """Built stages of each design."""
    percentiles: tuple[float, float, float]
    nominal: Mapping[str, FloatArray]
    bands: Mapping[str, FloatArray]
    good: FloatArray
    """Yield: fraction of built stages that keep every window and rating."""
    good_low: FloatArray
    good_high: FloatArray
    """95 % confidence interval of the yield (Wilson), as if the draws were independent."""
    kept: Mapping[str, FloatArray]
    """For each window the fraction that keeps it."""
    ratings_kept: FloatArray
    """Fraction that exceeds no rating; 1 where ratings were not asked for."""
    hardest: tuple[HardestWindow | None, ...]
    """None where every built stage keeps every window."""
    pick: int
    """Row of the pick; what follows is of the pick alone."""
    responses: tuple[ResponseBand, ...]
    indices: tuple[SensitivityIndex, ...]
    index_samples: int
    """Base sample of the indices; each takes that times (quantities + 2) built stages."""
    swings: tuple[Swing, ...]
    worst: tuple[WorstCase, ...]
    drawn: Mapping[str, tuple[float, float]]
    """Least and greatest value of each score among the draws of the pick."""
    evaluations: int
    seconds: float
    slow: SlowBands | None = None
    """None where no such score is asked for."""
