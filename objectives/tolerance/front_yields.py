"""Tolerances of the designs of a front, most of them predicted by response surfaces."""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from objectives.arrays import BoolArray, FloatArray, IntArray
from objectives.assessment import Assessment
from objectives.checks import InputError
from objectives.tolerance.builds import (
    PERCENTILES,
    BuiltScores,
    built_scores,
    one_axis,
)
from objectives.tolerance.response_surface import (
    MOST_MISFIT,
    MOST_PERCENTILE_ERROR,
    MOST_WRONG,
    ResponseSurface,
    SurfaceScores,
    draws_to_solve_through_point,
)
from objectives.tolerance.results import ToleranceStudy
from objectives.tolerance.setup import ToleranceSetup
from objectives.tolerance.spreads import draw_units

DRAWS = 2048
"""Built stages of each design. Independent ones would leave a yield uncertain by 2.2 points (95 %
confidence), at most; Sobol points do better, and in percentiles this is far less than a step."""

_ROWS = 16
"""Designs worked on at a time: as many as keep all their draws in some tens of megabytes."""

_ROWS_THROUGH_POINT = 8
"""The same where each has a surface of its own."""


@dataclass
class FrontYields:
    """What tolerances do to designs of a front, most of it predicted by surfaces.

    Arrays named by design have shape (designs,), bands (percentiles, designs); fractions are 0..1.
    """

    rows: IntArray
    """Rows of the front that the designs stand in, ascending."""
    percentiles: tuple[float, ...]
    good: FloatArray
    """Yield: fraction of built stages that keep every window and rating."""
    kept: Mapping[str, FloatArray]
    """For each window the fraction that keeps it."""
    ratings_kept: FloatArray
    bands: Mapping[str, FloatArray]
    draws: IntArray
    """Built stages that the numbers of each design are based on."""
    solved: IntArray
    """How many of these were solved; the rest were predicted by the design's surface."""
    refused: BoolArray
    """Designs that no surface follows closely enough, of those on which it was tried."""
    through_point: BoolArray
    """Designs that a surface serves which takes in the operating point, solved for every draw."""
    wanted: int
    """Built stages of a design that is not taken over from a study of more."""
    misfit: dict[str, float]
    """The largest r.m.s. error of a surface over spreads alone in use, by score, as a share of the
    score's spread."""
    percentile_error: float = 0.0
    """The largest error of a percentile, over the check draws, of a surface through the operating
    point in use, as a share of the score's spread."""
    checked: int = 0
    """Built stages, of all designs that a surface serves, that it was held against."""
    wrongly_good: int = 0
    wrongly_bad: int = 0
    """Those that it puts on the wrong side: called good and are bad, and the reverse."""
    seconds: float = 0.0
    within_steps: float = 0.0
    """How far, in noticeable steps of a free score, a design of the front is from one of these."""

    @classmethod
    def blank(
        cls, rows: IntArray, draws: int, names: Sequence[str], windows: Sequence[str]
    ) -> FrontYields:
        """Return the record of some rows of the front with nothing entered yet."""
        designs = len(rows)
        return cls(
            rows=rows,
            percentiles=PERCENTILES,
            good=np.empty(designs),
            kept={name: np.empty(designs) for name in windows},
            ratings_kept=np.empty(designs),
            bands={name: np.empty((len(PERCENTILES), designs)) for name in names},
            draws=np.full(designs, draws),
            solved=np.full(designs, draws),
            refused=np.zeros(designs, dtype=bool),
            through_point=np.zeros(designs, dtype=bool),
            wanted=draws,
            misfit=dict.fromkeys(names, 0.0),
        )

    def enter(self, at: IntArray, group: FrontYields) -> None:
        """Enter the results of a group of designs, worked out on their own."""
        for name in ("good", "ratings_kept", "draws", "solved", "refused", "through_point"):
            getattr(self, name)[at] = getattr(group, name)
        for name, kept in self.kept.items():
            kept[at] = group.kept[name]
        for name, band in self.bands.items():
            band[:, at] = group.bands[name]
        for name, misfit in group.misfit.items():
            self.misfit[name] = max(self.misfit[name], misfit)
        self.percentile_error = max(self.percentile_error, group.percentile_error)
        for name in ("checked", "wrongly_good", "wrongly_bad", "seconds"):
            setattr(self, name, getattr(self, name) + getattr(group, name))

    def take_over(self, at: IntArray, study: ToleranceStudy) -> None:
        """Enter designs that a study of the same spreads and seed has worked out.

        Raises
        ------
        InputError
            If it is of other scores, or of fewer draws.
        """
        if study.scores != tuple(self.bands) or study.draws < self.wanted:
            raise InputError("study", study.draws, "must be of the same scores, and as many draws")
        self.draws[at], self.solved[at] = study.draws, study.solved
        through = draws_to_solve_through_point(len(study.setup.spreads))
        self.through_point[at] = study.solved == through
        self.good[at], self.ratings_kept[at] = study.good, study.ratings_kept
        for name, kept in self.kept.items():
            kept[at] = study.kept[name]
        for name, band in self.bands.items():
            band[:, at] = study.bands[name]

    @property
    def by_surface(self) -> BoolArray:
        """Which designs a surface serves, shape (designs,)."""
        return np.asarray(self.solved < self.draws)


def front_yields(
    front: Assessment,
    setup: ToleranceSetup,
    scores: Sequence[str],
    *,
    draws: int = DRAWS,
) -> FrontYields:
    """Build every design of a front many times.

    A design is solved for some hundred of the draws, a response surface fitted to most of these and
    held against the rest of them; where it holds, it predicts the other draws. Where it does not (a
    transistor that some draws drive out of saturation), a surface through the operating point of
    every draw is tried. Where that does not hold either, every draw is solved.

    Parameters
    ----------
    front :
        The designs, all with one device, a batch of one axis.
    setup, scores :
        As of :func:`tolerance_study`.
    draws :
        Built stages of each design.
    """
    begun = time.perf_counter()
    names = tuple(dict.fromkeys((*scores, *setup.windows)))
    work = _FrontStudy(front, setup, names, draws)
    rows = work.yields.rows
    left = [work.by_surface(rows[at : at + _ROWS]) for at in range(0, len(rows), _ROWS)]
    rows = np.concatenate(left)
    for at in range(0, len(rows), _ROWS_THROUGH_POINT):
        work.through_point(rows[at : at + _ROWS_THROUGH_POINT])
    work.yields.seconds = time.perf_counter() - begun
    return work.yields


class _FrontStudy:
    """Works out the designs of a front, a few rows at a time, and enters them into the yields."""

    def __init__(
        self,
        front: Assessment,
        setup: ToleranceSetup,
        names: tuple[str, ...],
        draws: int,
    ) -> None:
        self.front, self.setup, self.names = one_axis(front), setup, names
        for name in names:
            self.front[name]  # what built stages start from, of all designs at once
        self.units = draw_units(setup.spreads, draws, setup.seed)
        self.surface = ResponseSurface(setup.spreads, self.units)
        rows = np.arange(len(self.front.point.plate_current_A))
        self.yields = FrontYields.blank(rows, draws, names, tuple(setup.windows))

    def by_surface(self, rows: IntArray) -> IntArray:
        """Enter the designs that a surface over the spreads serves; return the others."""
        designs = self.front.at(rows)
        predicted = self.surface.scores(designs, self.names, ratings=self.setup.ratings)
        misfit = predicted.misfit()
        serves = self._enter_served(rows, predicted, _largest(misfit, len(rows)) <= MOST_MISFIT)
        largest = self.yields.misfit
        for name, value in misfit.items():
            largest[name] = max(largest[name], float(np.max(value[serves], initial=0.0)))
        return rows[~serves]

    def through_point(self, rows: IntArray) -> None:
        """Enter designs by a surface through the operating point, or else by solving them."""
        y, designs = self.yields, self.front.at(rows)
        predicted = self.surface.scores_through_point(
            designs, self.names, ratings=self.setup.ratings
        )
        moved = _largest(predicted.percentile_error(), len(rows))
        serves = self._enter_served(rows, predicted, moved <= MOST_PERCENTILE_ERROR)
        y.through_point[rows], y.refused[rows] = serves, ~serves
        y.percentile_error = max(y.percentile_error, float(np.max(moved[serves], initial=0.0)))
        for row in rows[~serves]:
            self._enter_solved(np.array([row]))

    def _enter_served(self, rows: IntArray, surface: SurfaceScores, close: BoolArray) -> BoolArray:
        """Enter the designs whose surface is close and on the right side; return which."""
        y = self.yields
        too_good, too_bad = surface.wrong_side(self.setup.windows)
        serves = close & (too_good + too_bad <= MOST_WRONG)
        self._enter(rows[serves], surface.built.at(serves))
        y.solved[rows] = surface.solved.rating_excess.shape[-1]
        y.checked += surface.predicted_checks.rating_excess[serves].size
        y.wrongly_good += int(too_good[serves].sum())
        y.wrongly_bad += int(too_bad[serves].sum())
        return serves

    def _enter_solved(self, row: IntArray) -> None:
        """Enter one design with every draw solved."""
        self.yields.solved[row] = self.yields.wanted
        one, setup = self.front.at(row), self.setup
        every = built_scores(one, setup.spreads, self.units, self.names, ratings=setup.ratings)
        self._enter(row, every)

    def _enter(self, rows: IntArray, built: BuiltScores) -> None:
        y = self.yields
        y.good[rows] = built.good(self.setup.windows).mean(axis=-1)
        y.ratings_kept[rows] = (built.rating_excess <= 0).mean(axis=-1)
        for name, inside in built.inside(self.setup.windows).items():
            y.kept[name][rows] = inside.mean(axis=-1)
        for name, band in built.bands().items():
            y.bands[name][:, rows] = band


def _largest(by_score: Mapping[str, FloatArray], designs: int) -> FloatArray:
    """Return the largest of each design's errors; nan where one is, 0 where there is none."""
    return np.asarray(np.max([np.zeros(designs), *by_score.values()], axis=0))
