"""TODO objectives.tolerance.front_yields."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from objectives.arrays import BoolArray, FloatArray, IntArray
from objectives.assessment import Assessment
from objectives.tolerance.builds import batch_shape
from objectives.tolerance.draws import DrawnScores, draw_scores, draw_units
from objectives.tolerance.response_surface import ResponseSurface, SurfaceScores
from objectives.tolerance.results import ToleranceStudy
from objectives.tolerance.setup import ToleranceSetup
from objectives.tolerance.study import _PERCENTILES, DRAWS, _rows

__all__ = ["FrontYields", "front_yields"]

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


@dataclass(frozen=True)
class FrontYields:
    """What tolerances do to every design of a front, most of it read off surfaces.

    Arrays named by design have shape (designs,), bands (percentiles, designs); fractions are 0..1.
    """

    percentiles: tuple[float, ...]
    good: FloatArray
    """Yield: fraction of built stages that keep every window and rating."""
    kept: Mapping[str, FloatArray]
    """For each window the fraction that keeps it."""
    ratings_kept: FloatArray
    bands: Mapping[str, FloatArray]
    draws: IntArray
    """Built stages that the numbers of each design stand on."""
    solved: IntArray
    """How many of these were solved; the rest were read off the design's surface."""
    refused: BoolArray
    """Designs that no surface follows closely enough, of those on which it was tried."""
    through_point: BoolArray
    """Designs that a surface serves which takes in the operating point, solved for every draw."""
    wanted: int
    """Built stages of a design where time did not run short."""
    checked: int
    """Built stages, of all designs that a surface serves, that it was held against."""
    wrongly_good: int
    wrongly_bad: int
    """Those that it puts on the wrong side: called good and are bad, and the reverse."""
    misfit: Mapping[str, float]
    """The largest r.m.s. error of a surface over spreads alone in use, by score, as a share of the
    score's spread."""
    percentile_error: float
    """The largest error of a percentile, over the check draws, of a surface through the operating
    point in use, as a share of the score's spread."""
    seconds: float

    @property
    def by_surface(self) -> BoolArray:
        """Which designs a surface serves, shape (designs,)."""
        return np.asarray(self.solved < self.draws)

    @property
    def short(self) -> BoolArray:
        """Which designs stand on fewer built stages than wanted, shape (designs,)."""
        return np.asarray(self.draws < self.wanted)
