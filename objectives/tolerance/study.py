"""The tolerance study: every design built some ten thousand times, the pick in detail."""

from __future__ import annotations

import math
import time
import warnings
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import scipy

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
_HARMONICS = 10
"""As many as SALib takes unless told otherwise."""
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
    intervals = [
        scipy.stats.binomtest(int(row.sum()), draws).proportion_ci(method="wilson") for row in good
    ]
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
        good_low=np.array([interval.low for interval in intervals]),
        good_high=np.array([interval.high for interval in intervals]),
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

    The draws of the yield serve again: RBD-FAST takes first-order indices from any sample (S.
    Tarantola et al., Reliability Engineering and System Safety 91, 2006, as in SALib).
    """
    inside = built.inside(setup.windows)
    if not inside or not setup.spreads:
        return tuple(None for _ in built.rating_excess)
    from SALib.analyze import rbd_fast  # SALib takes more than a second to load

    names = tuple(inside)
    kept = np.stack([inside[name].mean(axis=-1) for name in names])
    hardest: list[HardestWindow | None] = []
    few = units[:_RANKED_DRAWS]
    too_few = len(few) < _LEAST_RANKED_DRAWS
    for row, worst in enumerate(np.argmin(kept, axis=0)):
        name = names[int(worst)]
        value = built.values[name][row, :_RANKED_DRAWS]
        missed = kept[worst, row] < 1
        if not missed or not np.all(np.isfinite(value)) or np.ptp(value) == 0 or too_few:
            hardest.append(None)
            continue
        # Not by way of its analyze(), which takes as long again for intervals that nobody reads.
        first = (
            rbd_fast.compute_first_order(rbd_fast.permute_outputs(unit, value), _HARMONICS)
            for unit in few.T
        )
        share = np.array([rbd_fast.unskew_S1(s, _HARMONICS, len(few)) for s in first])
        leader = int(np.argmax(share))
        quantity = setup.spreads[leader].quantity
        hardest.append(HardestWindow(name, float(kept[worst, row]), quantity, float(share[leader])))
    return tuple(hardest)


_KEYS = ("S1", "ST", "ST_conf")


def salib_problem(names: Sequence[str]) -> dict[str, Any]:
    """Return the problem as SALib wants it: cumulative probabilities, mapped to factors later."""
    return {"num_vars": len(names), "names": list(names), "bounds": [[0.0, 1.0]] * len(names)}


def sobol_indices(
    problem: dict[str, Any],
    model: Callable[[FloatArray], dict[str, FloatArray]],
    *,
    samples: int,
    seed: int,
) -> dict[str, dict[str, FloatArray]]:
    """Return Sobol indices of every output of a model, by Saltelli's scheme as in SALib.

    Parameters
    ----------
    problem :
        SALib's: ``num_vars``, ``names``, ``bounds``.
    model :
        Takes points of shape (rows, variables), gives outputs of shape (rows,) by name.
    samples :
        Base sample, a power of two; the model sees samples * (variables + 2) points.

    For each output there are ``S1``, ``ST`` and ``ST_conf``, each of shape (variables,); nan for an
    output that is not finite everywhere and 0 for one that does not vary.

    Source: A. Saltelli et al., Variance based sensitivity analysis of model output, Computer
    Physics Communications 181, 2010, as in SALib (J. Herman, W. Usher, J. Open Source Software
    2(9), 97, 2017).
    """
    from SALib.analyze import sobol as sobol_analyze  # more than a second to load
    from SALib.sample import sobol as sobol_sample

    power_of_two = samples > 1 and not samples & (samples - 1)
    require("samples", samples, power_of_two, "a power of two, 2 or more")
    points = sobol_sample.sample(problem, samples, calc_second_order=False, seed=seed)
    indices = {}
    for name, value in model(points).items():
        if not np.all(np.isfinite(value)):
            indices[name] = {key: np.full(problem["num_vars"], np.nan) for key in _KEYS}
        elif np.ptp(value) == 0:
            indices[name] = {key: np.zeros(problem["num_vars"]) for key in _KEYS}
        else:
            with warnings.catch_warnings():
                # Of an output that seldom varies, some of SALib's resamples for ST_conf do not.
                warnings.filterwarnings("ignore", "Constant values encountered")
                result = sobol_analyze.analyze(problem, value, calc_second_order=False, seed=seed)
            indices[name] = {key: np.asarray(result[key], float) for key in _KEYS}
    return indices


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

    by_score = sobol_indices(salib_problem(names), model, samples=samples, seed=setup.seed)
    indices = tuple(
        SensitivityIndex(score, quantity, *(float(result[key][at]) for key in _KEYS))
        for score, result in by_score.items()
        for at, quantity in enumerate(names)
    )
    return indices, samples * (len(names) + 2)
