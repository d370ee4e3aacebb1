"""The tolerance study: every design built some ten thousand times, the pick in detail."""

from __future__ import annotations

import math
import time
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from objectives.arrays import FloatArray
from objectives.assessment import Assessment
from objectives.checks import InputError, require
from objectives.circuit.corners import Port, swept_level_dB
from objectives.tolerance.builds import (
    PERCENTILES,
    BuiltScores,
    batch_shape,
    built_scores,
    designs_at,
)
from objectives.tolerance.indices import INTERVAL_95, first_order, sobol_indices
from objectives.tolerance.reading import WORTH_SURFACE, read_off
from objectives.tolerance.response_surface import ResponseSurface, draws_to_solve_through_point
from objectives.tolerance.results import (
    HardestWindow,
    ResponseBand,
    SensitivityIndex,
    SlowBands,
    ToleranceStudy,
)
from objectives.tolerance.setup import YIELD, ToleranceSetup
from objectives.tolerance.spreads import Spread, draw_units
from objectives.tolerance.worst_case import response_band_dB, swings, worst_cases

DRAWS = 10_240
"""Built stages of each design: ten times 1024, so that every spread is sampled evenly."""

_RANKED_DRAWS = 2048
_LEAST_RANKED_DRAWS = 64
_PORTS: tuple[Port, ...] = ("grid", "output")


@dataclass(frozen=True)
class StudySize:
    """How much a tolerance study works out.

    Attributes
    ----------
    draws : built stages of each design
    index_samples : base sample of the sensitivity indices of the pick, a power of two
    slow_draws : built stages of the pick under its drive, of which a surface gives most: some
        milliseconds each
    response_draws : built stages of the pick whose response is followed over all frequencies. With
        2,048 the band's ends move by 0.03 dB at most where it is 1 to 4 dB wide
    frequency_Hz : where the response of the pick is given
    """

    draws: int = DRAWS
    index_samples: int = 1024
    slow_draws: int = 1024
    response_draws: int = 2048
    frequency_Hz: FloatArray = field(default_factory=lambda: np.geomspace(1.0, 100e6, 161))

    def __post_init__(self) -> None:
        require("draws", self.draws, self.draws >= 1, "1 or more")


def tolerance_study(
    front: Assessment,
    candidates: Sequence[object],
    setup: ToleranceSetup,
    scores: Sequence[str],
    *,
    pick: int = 0,
    slow: Sequence[str] = (),
    size: StudySize | None = None,
) -> ToleranceStudy:
    """Build every design of a front many times and the pick in every way.

    Every built stage of the pick is solved, of the others where no response surface serves.

    Parameters
    ----------
    front, candidates :
        The designs shown, all with one device, a batch of one axis; and their names or numbers.
    setup :
        Spreads and windows; its ``draws`` is for the search and not used here.
    scores :
        Scores to give bands of; those with a window are added.
    pick :
        Row of the design that is worked out in detail.
    slow :
        Scores that take a solution in time: bands of the pick alone.

    Raises
    ------
    InputError
        If the names do not match the designs, the pick is not among them, or a score is unknown.
    """
    begun = time.perf_counter()
    size = StudySize() if size is None else size
    designs = math.prod(batch_shape(front))
    if len(candidates) != designs:
        raise InputError("candidates", len(candidates), f"must be {designs}, one a design")
    require("pick", pick, 0 <= pick < designs, f"a row of the front, 0 to {designs - 1}")
    names = tuple(dict.fromkeys((*scores, *setup.windows)))
    spreads, draws = setup.spreads, size.draws
    units = draw_units(spreads, draws, setup.seed)
    one = designs_at(front, np.array([pick]))
    others = np.delete(np.arange(designs), pick)
    built = built_scores(one, spreads, units, names, ratings=setup.ratings)
    solved = np.full(designs, draws)
    if others.size:
        beside, solved[others] = read_off(designs_at(front, others), setup, units, names)
        rows = np.argsort(np.concatenate([[pick], others]))
        built = BuiltScores.joined([built, beside]).at(rows)
    good = built.good(setup.windows)
    low, high = _wilson(good.mean(axis=-1), draws)
    indices, index_builds = sensitivity(one, setup, names, samples=size.index_samples)
    worst, few = worst_cases(one, spreads, names), units[: size.response_draws]
    return ToleranceStudy(
        setup=setup,
        candidates=tuple(str(name) for name in candidates),
        scores=names,
        draws=draws,
        solved=solved,
        percentiles=PERCENTILES,
        nominal={name: front[name].reshape(designs) for name in names},
        bands=built.bands(),
        good=good.mean(axis=-1),
        good_low=low,
        good_high=high,
        kept={name: kept.mean(axis=-1) for name, kept in built.inside(setup.windows).items()},
        ratings_kept=(built.rating_excess <= 0).mean(axis=-1),
        hardest=_hardest(built, setup, units),
        pick=pick,
        responses=tuple(_response(one, spreads, few, size.frequency_Hz, p) for p in _PORTS),
        indices=indices,
        index_samples=size.index_samples,
        swings=swings(one, spreads, names),
        worst=worst,
        extremes={
            name: (float(np.fmin.reduce(value[pick])), float(np.fmax.reduce(value[pick])))
            for name, value in built.values.items()
        },
        evaluations=int(solved.sum())
        + index_builds
        + len(_PORTS) * len(few)
        + sum(case.corners for case in worst)
        + 2 * (2 * len(spreads) + 1),
        slow=_slow_bands(one, spreads, units[: size.slow_draws], slow) if slow else None,
        seconds=time.perf_counter() - begun,
    )


def _wilson(share: FloatArray, draws: int) -> tuple[FloatArray, FloatArray]:
    """Return the 95 % interval of shares of independent draws.

    Source: E. B. Wilson, J. American Statistical Association 22, 1927, p. 209.
    """
    square = INTERVAL_95**2 / draws
    half = np.sqrt(square * share * (1 - share) + square**2 / 4)
    low, high = (np.clip((share + square / 2 + s * half) / (1 + square), 0, 1) for s in (-1, 1))
    return low, high


def _slow_bands(
    one: Assessment, spreads: Sequence[Spread], units: FloatArray, names: Sequence[str]
) -> SlowBands:
    # Where a stage is driven through bends of its device, these lie as the operating point does.
    solved, built = draws_to_solve_through_point(len(spreads)), None
    if len(units) >= WORTH_SURFACE * solved:
        surface = ResponseSurface(spreads, units)
        predicted = surface.scores_through_point(one, names, ratings=False)
        built = predicted.built if predicted.serves({})[0] else None
    if built is None:
        solved, built = len(units), built_scores(one, spreads, units, names, ratings=False)
    return SlowBands(
        len(units),
        solved,
        {name: float(np.ravel(one[name])[0]) for name in names},
        {name: band[:, 0] for name, band in built.bands().items()},
    )


def _response(
    one: Assessment,
    spreads: Sequence[Spread],
    units: FloatArray,
    frequency_Hz: FloatArray,
    port: Port,
) -> ResponseBand:
    low, middle, high = response_band_dB(one, spreads, units, frequency_Hz, port)
    nominal = swept_level_dB(one.loaded, one.linear, frequency_Hz, port).reshape(-1)
    return ResponseBand(port, len(units), frequency_Hz, nominal, low, middle, high)


def _hardest(
    built: BuiltScores, setup: ToleranceSetup, units: FloatArray
) -> tuple[HardestWindow | None, ...]:
    """Return for each design the window that most built stages miss and what moves it most.

    The draws of the yield serve again.
    """
    inside = built.inside(setup.windows)
    if not inside or not setup.spreads:
        return tuple(None for _ in built.rating_excess)
    names, few = tuple(inside), units[:_RANKED_DRAWS]
    kept = np.stack([inside[name].mean(axis=-1) for name in names])
    worst = np.argmin(kept, axis=0)
    hardest: list[HardestWindow | None] = [None] * len(worst)
    value = np.stack([built.values[names[w]][row, :_RANKED_DRAWS] for row, w in enumerate(worst)])
    with np.errstate(invalid="ignore"):
        moves = np.isfinite(value).all(axis=1) & (np.ptp(value, axis=1) > 0)
    ranked = np.flatnonzero(moves & (kept.min(axis=0) < 1) & (len(few) >= _LEAST_RANKED_DRAWS))
    for row, share in zip(ranked.tolist(), first_order(few, value[ranked]), strict=True):
        leader = int(np.argmax(share))
        hardest[row] = HardestWindow(
            names[worst[row]], float(kept[worst[row], row]), setup.spreads[leader].quantity,
            float(share[leader]),
        )  # fmt: skip
    return tuple(hardest)


def sensitivity(
    one: Assessment, setup: ToleranceSetup, scores: Sequence[str], *, samples: int
) -> tuple[tuple[SensitivityIndex, ...], int]:
    """Return first-order and total indices of every score of one design, and the number of builds.

    Sobol's indices are chosen because total ones tell what would remain if a quantity alone were
    made exact, interactions included, and a built stage costs microseconds, so that the cheaper
    and cruder methods (derivative-based measures, FAST) buy nothing here. Good or bad of the
    built stage, 0 or 100, is one more score: :data:`YIELD`.
    """
    spreads = setup.spreads
    if not spreads:
        return (), 0
    names = [spread.quantity for spread in spreads]

    def model(points: FloatArray) -> dict[str, FloatArray]:
        built = built_scores(one, spreads, points, scores, ratings=setup.ratings)
        outputs = {name: value[0] for name, value in built.values.items()}
        if setup.windows:
            outputs[YIELD] = 100.0 * built.good(setup.windows)[0]
        return outputs

    by_score = sobol_indices(model, len(names), samples=samples, seed=setup.seed)
    indices = tuple(
        SensitivityIndex(score, quantity, *map(float, own))
        for score, result in by_score.items()
        for quantity, *own in zip(names, *result, strict=True)
    )
    return indices, samples * (len(names) + 2)
