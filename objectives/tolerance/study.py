"""The tolerance study: every design built some ten thousand times, the pick in detail."""

from __future__ import annotations

import math
import time
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from SALib.analyze import rbd_fast
from scipy.stats import binomtest

from objectives.arrays import FloatArray, IntArray, flatten
from objectives.assessment import Assessment
from objectives.circuit.corners import Port, swept_level_dB
from objectives.tolerance.builds import batch_shape
from objectives.tolerance.draws import DrawnScores, draw_scores, draw_units
from objectives.tolerance.results import HardestWindow, ResponseBand, SlowBands, ToleranceStudy
from objectives.tolerance.sensitivity import _INDEX_SAMPLES, _RANKED_DRAWS, _problem, sensitivity
from objectives.tolerance.setup import ToleranceSetup
from objectives.tolerance.spreads import Spread
from objectives.tolerance.worst_case import response_band_dB, swings, worst_cases

__all__ = ["DRAWS", "tolerance_study"]

DRAWS = 10_240
"""Built stages of each design: ten times 1024, so that every spread is sampled evenly."""


SLOW_DRAWS = 1024
"""Built stages of the pick that are solved in time: some milliseconds each."""


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
