"""The tolerance study: every design built some ten thousand times, the pick in detail."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
from SALib.analyze import rbd_fast
from SALib.analyze import sobol as sobol_analyze
from SALib.sample import sobol as sobol_sample
from scipy.stats import binomtest

from objectives.batch import BoolArray, FloatArray, IntArray
from objectives.corners import Port, swept_level_dB
from objectives.network import flatten
from objectives.response_surface import FrontYields, ResponseSurface, SurfaceScores
from objectives.scores import Assessment
from objectives.spreads import Spread
from objectives.tolerance import (
    DrawnScores,
    HardestWindow,
    ResponseBand,
    SensitivityIndex,
    SlowBands,
    ToleranceSetup,
    ToleranceStudy,
    batch_shape,
    draw_scores,
    draw_units,
    response_band_dB,
    swings,
    worst_cases,
)

__all__ = [
    "DRAWS",
    "YIELD",
    "front_yields",
    "sensitivity",
    "sobol_indices",
    "tolerance_study",
    "yield_columns",
]

DRAWS = 10_240
"""Built stages of each design: ten times 1024, so that every spread is sampled evenly."""
SLOW_DRAWS = 1024
"""Built stages of the pick that are solved in time: some milliseconds each."""
YIELD = "tolerance_yield_percent"
"""The name under which good or bad of a built stage is one more score of the indices."""
_INDEX_SAMPLES = 1024
_RANKED_DRAWS = 2048
_PERCENTILES = (5.0, 50.0, 95.0)
_PORTS: tuple[Port, ...] = ("grid", "output")


def tolerance_study(
    front: Assessment,
    candidates: Sequence[object],
    setup: ToleranceSetup,
    scores: Sequence[str],
    *,
    pick: int = 0,
    draws: int = DRAWS,
    index_samples: int = _INDEX_SAMPLES,
    frequency_Hz: FloatArray | None = None,
    slow: Sequence[str] = (),
    slow_draws: int = SLOW_DRAWS,
) -> ToleranceStudy:
    """Build every design of a front many times and the pick in every way.

    Parameters
    ----------
    front :
        The designs shown, a batch of one axis.
    candidates :
        Their names or numbers.
    setup :
        Spreads and windows; its ``draws`` is for the search and not used here.
    scores :
        Scores to give bands of; those with a window are added.
    pick :
        Row of the design that is worked out in detail.
    draws :
        Built stages of each design.
    index_samples :
        Base sample of the sensitivity indices of the pick, a power of two.
    frequency_Hz :
        Where the response of the pick is given; by default 20 points a decade, 1 Hz to 100 MHz.
    slow :
        Scores that take a solution in time: bands of the pick alone, from ``slow_draws`` stages.

    Raises
    ------
    ValueError
        If the names do not match the designs, the pick is not among them, a count is not positive
        or a score is unknown.
    """
    size = math.prod(batch_shape(front))
    if len(candidates) != size:
        raise ValueError(f"candidates: {len(candidates)} names: must be {size}, one a design")
    if not 0 <= pick < size:
        raise ValueError(f"pick: {pick!r}: must be a row of the front, 0 to {size - 1}")
    if draws < 1:
        raise ValueError(f"draws: {draws!r}: must be 1 or more")
    begun = time.perf_counter()
    names = tuple(dict.fromkeys((*scores, *setup.windows)))
    spreads = setup.spreads
    units = draw_units(spreads, draws, setup.seed)
    drawn = draw_scores(front, spreads, units, names, ratings=setup.ratings)
    good = drawn.good(setup.windows)
    intervals = [binomtest(int(row.sum()), draws).proportion_ci(method="wilson") for row in good]
    one = _rows(front, np.array([pick]))
    if frequency_Hz is None:
        frequency_Hz = np.geomspace(1.0, 100e6, 161)
    in_time = None
    if slow:
        few = draw_scores(one, spreads, units[:slow_draws], slow, ratings=False)
        in_time = SlowBands(
            len(units[:slow_draws]),
            {name: float(np.ravel(one[name])[0]) for name in slow},
            {name: band[:, 0] for name, band in few.bands(_PERCENTILES).items()},
        )
    indices, built = sensitivity(one, setup, names, samples=index_samples)
    worst = worst_cases(one, spreads, names)
    return ToleranceStudy(
        setup=setup,
        candidates=tuple(str(name) for name in candidates),
        scores=names,
        draws=draws,
        percentiles=_PERCENTILES,
        nominal={name: np.asarray(front[name]).reshape(size) for name in names},
        bands=drawn.bands(_PERCENTILES),
        good=good.mean(axis=-1),
        good_low=np.array([interval.low for interval in intervals]),
        good_high=np.array([interval.high for interval in intervals]),
        kept={name: kept.mean(axis=-1) for name, kept in drawn.inside(setup.windows).items()},
        ratings_kept=(drawn.rating_excess <= 0).mean(axis=-1),
        hardest=_hardest(drawn, setup, units),
        pick=pick,
        responses=tuple(
            _response(one, spreads, units, np.asarray(frequency_Hz), port) for port in _PORTS
        ),
        indices=indices,
        index_samples=index_samples,
        swings=swings(one, spreads, names),
        worst=worst,
        drawn={
            name: (float(np.nanmin(value[pick])), float(np.nanmax(value[pick])))
            for name, value in drawn.values.items()
        },
        evaluations=size * draws
        + built
        + len(_PORTS) * draws
        + sum(case.corners for case in worst)
        + 2 * (2 * len(spreads) + 1),
        seconds=time.perf_counter() - begun,
        slow=in_time,
    )


def _rows(front: Assessment, rows: IntArray) -> Assessment:
    """Return some designs as a batch of one axis."""
    shape = batch_shape(front)
    stage = flatten(front.stage, shape).at(rows)
    follower = front.follower
    if follower is not None:
        follower = flatten(follower[0], shape).at(rows), follower[1]
    return replace(front, stage=stage, follower=follower)


def _response(
    one: Assessment,
    spreads: Sequence[Spread],
    units: FloatArray,
    frequency_Hz: FloatArray,
    port: Port,
) -> ResponseBand:
    low, middle, high = response_band_dB(
        one, spreads, units, frequency_Hz, port, percentiles=_PERCENTILES
    )
    nominal = swept_level_dB(one.loaded, one.linear, frequency_Hz, port).reshape(-1)
    return ResponseBand(port, frequency_Hz, nominal, low, middle, high)


# -- a whole front ---------------------------------------------------------------------------------

_ROWS = 16
"""Designs worked on at a time: as many as keep all their draws in some tens of megabytes."""
_ROWS_THROUGH_POINT = 4
"""The same where each has a surface of its own."""
_MOST_MISFIT = 0.1
"""A surface serves a design when it is off by less than a tenth of each score's own spread (r.m.s.)
and puts at most ..."""
_MOST_WRONG = 1
"""... so many of the check draws on the wrong side of a limit."""
_MOST_PERCENTILE_ERROR = 0.25
"""One through the operating point serves where it moves no percentile of the check draws by more
than this share of the score's spread, and puts as few on the wrong side."""
MOST_SOLVED = 1_000_000
"""Built stages that are solved at most for designs that no surface serves."""


def front_yields(
    front: Assessment,
    setup: ToleranceSetup,
    scores: Sequence[str],
    *,
    draws: int = DRAWS,
    most_solved: int = MOST_SOLVED,
    known: tuple[IntArray, ToleranceStudy] | None = None,
    report: Callable[[int, int], None] | None = None,
) -> FrontYields:
    """Build every design of a whole front many times.

    A design is solved for some hundred of the draws, a response surface fitted to most of these
    and held against the rest of them; where it holds, the other draws are read off it. Where it
    does not (a transistor that some draws drive out of saturation), a surface through the operating
    point of every draw is tried. Where that does not hold either, every draw is solved, for as many
    designs as ``most_solved`` allows, from the first on; the others stand on the few.

    Parameters
    ----------
    front :
        The designs, a batch of one axis, those that matter most first.
    setup, scores, draws :
        As of :func:`tolerance_study`.
    most_solved :
        Built stages that may be solved for designs that no surface serves.
    known :
        Rows of the front, and a study of just these designs from the same draws and scores: its
        results are taken over.
    report :
        Called with the designs done and their number.
    """
    begun = time.perf_counter()
    size = math.prod(batch_shape(front))
    names = tuple(dict.fromkeys((*scores, *setup.windows)))
    units = draw_units(setup.spreads, draws, setup.seed)
    surface = ResponseSurface(setup.spreads, units)
    good, ratings_kept = np.empty(size), np.empty(size)
    kept = {name: np.empty(size) for name in setup.windows}
    bands = {name: np.empty((len(_PERCENTILES), size)) for name in names}
    counts, solved = np.full(size, draws), np.full(size, draws)
    refused, through_point = np.zeros(size, dtype=bool), np.zeros(size, dtype=bool)
    worst_percentile = 0.0
    misfit = dict.fromkeys(names, 0.0)
    checked = wrongly_good = wrongly_bad = 0

    def enter(rows: IntArray, drawn: DrawnScores) -> None:
        good[rows] = drawn.good(setup.windows).mean(axis=-1)
        ratings_kept[rows] = (drawn.rating_excess <= 0).mean(axis=-1)
        for name, inside in drawn.inside(setup.windows).items():
            kept[name][rows] = inside.mean(axis=-1)
        for name, band in drawn.bands(_PERCENTILES).items():
            bands[name][:, rows] = band

    def take(rows: IntArray, found: SurfaceScores, close: BoolArray) -> BoolArray:
        """Enter the designs whose surface is close and on the right side; return which."""
        nonlocal checked, wrongly_good, wrongly_bad
        too_good, too_bad = found.wrong_side(setup.windows)
        serves = close & (too_good + too_bad <= _MOST_WRONG)
        enter(rows[serves], found.drawn.at(serves))
        solved[rows] = found.fitted + found.checks
        checked += found.checks * int(np.count_nonzero(serves))
        wrongly_good += int(too_good[serves].sum())
        wrongly_bad += int(too_bad[serves].sum())
        return serves

    to_do = np.arange(size)
    if known is not None:
        at_rows, study = known
        if (study.draws, study.scores, study.setup.seed) != (draws, names, setup.seed):
            raise ValueError("known: must be of the same draws and scores")
        good[at_rows], ratings_kept[at_rows] = study.good, study.ratings_kept
        for name in kept:
            kept[name][at_rows] = study.kept[name]
        for name in names:
            bands[name][:, at_rows] = study.bands[name]
        to_do = np.setdiff1d(to_do, at_rows)

    for start in range(0, len(to_do), _ROWS):
        rows = to_do[start : start + _ROWS]
        some = _rows(front, rows)
        found = surface.scores(some, names, ratings=setup.ratings)
        off = found.misfit()
        serves = take(rows, found, _largest(off, len(rows)) <= _MOST_MISFIT)
        for name, value in off.items():
            misfit[name] = max(misfit[name], float(np.max(value[serves], initial=0.0)))
        left = np.flatnonzero(~serves)
        for few in np.split(left, range(_ROWS_THROUGH_POINT, len(left), _ROWS_THROUGH_POINT)):
            if not len(few):
                continue
            others = _rows(some, few)
            second = surface.scores_through_point(others, names, ratings=setup.ratings)
            moved = _largest(second.percentile_error(_PERCENTILES), len(few))
            own = rows[few]
            serves = take(own, second, moved <= _MOST_PERCENTILE_ERROR)
            through_point[own], refused[own] = serves, ~serves
            worst_percentile = max(worst_percentile, float(np.max(moved[serves], initial=0.0)))
            for at in np.flatnonzero(~serves):
                one = slice(at, at + 1)
                if most_solved >= draws:
                    most_solved -= draws
                    solved[own[at]] = draws
                    drawn = draw_scores(
                        _rows(others, np.array([at])), setup.spreads, units, names,
                        ratings=setup.ratings,
                    )  # fmt: skip
                else:
                    counts[own[at]] = solved[own[at]]
                    drawn = second.solved.at(one)
                enter(own[one], drawn)
        if report is not None:
            report(start + len(rows), len(to_do))
    return FrontYields(
        percentiles=_PERCENTILES,
        good=good,
        kept=kept,
        ratings_kept=ratings_kept,
        bands=bands,
        draws=counts,
        solved=solved,
        refused=refused,
        through_point=through_point,
        wanted=draws,
        checked=checked,
        wrongly_good=wrongly_good,
        wrongly_bad=wrongly_bad,
        misfit=misfit,
        percentile_error=worst_percentile,
        seconds=time.perf_counter() - begun,
    )


def _largest(by_score: dict[str, FloatArray], designs: int) -> FloatArray:
    """Return the largest of each design's errors; nan where one is, 0 where there is none."""
    return np.asarray(np.max([np.zeros(designs), *by_score.values()], axis=0))


def yield_columns(yields: FrontYields) -> pd.DataFrame:
    """Return yield, bands and built stages, one row a design, for a table of the front."""
    columns: dict[str, object] = {"built_yield_percent": 100.0 * yields.good}
    for name, band in yields.bands.items():
        for percentile, value in zip(yields.percentiles, band, strict=True):
            columns[f"built_{name}_p{percentile:g}"] = value
    columns |= {"built_stages": yields.draws, "built_stages_solved": yields.solved}
    return pd.DataFrame(columns)


# -- which part matters ----------------------------------------------------------------------------


def _problem(names: Sequence[str]) -> dict[str, Any]:
    # The indices are taken over the cumulative probabilities: each spread maps its own to factors.
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

    Returns
    -------
    For each output ``S1``, ``S1_conf``, ``ST`` and ``ST_conf``, each of shape (variables,); nan
    for an output that is not finite everywhere and 0 for one that does not vary.

    Source: A. Saltelli et al., Variance based sensitivity analysis of model output, Computer
    Physics Communications 181, 2010, as implemented in SALib (J. Herman, W. Usher, J. Open Source
    Software 2(9), 97, 2017).
    """
    if samples < 2 or samples & (samples - 1):
        raise ValueError(f"samples: {samples!r}: must be a power of two, 2 or more")
    points = sobol_sample.sample(problem, samples, calc_second_order=False, seed=seed)
    found = {}
    for name, output in model(points).items():
        value = np.asarray(output, float)
        if not np.all(np.isfinite(value)) or np.ptp(value) == 0:
            filler = 0.0 if np.all(np.isfinite(value)) else np.nan
            found[name] = {
                key: np.full(problem["num_vars"], filler)
                for key in ("S1", "S1_conf", "ST", "ST_conf")
            }
            continue
        result = sobol_analyze.analyze(problem, value, calc_second_order=False, seed=seed)
        found[name] = {
            key: np.asarray(result[key], float) for key in ("S1", "S1_conf", "ST", "ST_conf")
        }
    return found


def sensitivity(
    one: Assessment, setup: ToleranceSetup, scores: Sequence[str], *, samples: int
) -> tuple[tuple[SensitivityIndex, ...], int]:
    """Return first-order and total indices of every score of one design, and what they cost.

    Sobol's indices are chosen because total ones tell what would remain if a quantity alone were
    made exact, interactions included, and a built stage costs microseconds, so that the cheaper
    and cruder methods (derivative-based measures, FAST) buy nothing here. Good or bad of the
    built stage, 0 or 100, is one more score: :data:`YIELD`.

    Returns
    -------
    The indices, and the number of built stages.
    """
    spreads = setup.spreads
    if not spreads:
        return (), 0
    names = [spread.quantity for spread in spreads]

    def model(points: FloatArray) -> dict[str, FloatArray]:
        drawn = draw_scores(one, spreads, points, scores, ratings=setup.ratings)
        outputs = {name: value[0] for name, value in drawn.values.items()}
        if setup.windows:
            outputs[YIELD] = 100.0 * drawn.good(setup.windows)[0]
        return outputs

    found = sobol_indices(_problem(names), model, samples=samples, seed=setup.seed)
    indices = tuple(
        SensitivityIndex(
            score,
            quantity,
            float(result["S1"][at]),
            float(result["S1_conf"][at]),
            float(result["ST"][at]),
            float(result["ST_conf"][at]),
        )
        for score, result in found.items()
        for at, quantity in enumerate(names)
    )
    return indices, samples * (len(names) + 2)


def _hardest(
    drawn: DrawnScores, setup: ToleranceSetup, units: FloatArray
) -> tuple[HardestWindow | None, ...]:
    """Return for each design the window that most built stages miss and what moves it most.

    The draws of the yield serve again: RBD-FAST takes first-order indices from any sample (S.
    Tarantola et al., Reliability Engineering and System Safety 91, 2006, as in SALib).
    """
    inside = drawn.inside(setup.windows)
    if not inside or not setup.spreads:
        return tuple(None for _ in drawn.rating_excess)
    names = tuple(inside)
    kept = np.stack([inside[name].mean(axis=-1) for name in names])
    quantities = [spread.quantity for spread in setup.spreads]
    found: list[HardestWindow | None] = []
    few = units[:_RANKED_DRAWS]
    for row, worst in enumerate(np.argmin(kept, axis=0)):
        name = names[int(worst)]
        value = drawn.values[name][row, :_RANKED_DRAWS]
        missed = kept[worst, row] < 1
        if not missed or not np.all(np.isfinite(value)) or np.ptp(value) == 0 or len(value) < 64:
            found.append(None)
            continue
        result = rbd_fast.analyze(
            _problem(quantities), few, value, num_resamples=2, seed=setup.seed
        )
        share = np.asarray(result["S1"], float)
        leader = int(np.argmax(share))
        found.append(
            HardestWindow(name, float(kept[worst, row]), quantities[leader], float(share[leader]))
        )
    return tuple(found)
