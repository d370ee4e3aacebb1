"""Response surfaces: the scores of thousands of built stages from some hundred that are solved.

Within the tolerances of parts, valve and supply, what a score is made of (its facets) bends little:
a polynomial of second order in all spreads together follows it. Its coefficients come by least
squares from some of the draws, others check it, and the rest are read off it. A score with a kink
(the least margin of several bands) is put together from its facets after they are read.

Source: G. E. P. Box, K. B. Wilson, On the experimental attainment of optimum conditions, J. Royal
Statistical Society B 13(1), 1951 (from memory).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from objectives.batch import BoolArray, FloatArray, IntArray
from objectives.scores import REGISTRY, Assessment, Combine, greatest
from objectives.spreads import Spread
from objectives.tolerance import DrawnScores, build, draw_factors, flat

__all__ = ["CHECKS", "FrontYields", "ResponseSurface", "SurfaceScores", "builds_to_fit"]

CHECKS = 64
"""Draws that a surface has not seen and is held against."""
_FIT_TIMES = 1.5
"""Draws a coefficient is fitted to."""


def builds_to_fit(spreads: int) -> int:
    """Return how many solved builds the surface over so many spreads is fitted to."""
    return int(np.ceil(_FIT_TIMES * (spreads + 1) * (spreads + 2) / 2))


@dataclass(frozen=True)
class SurfaceScores:
    """Scores of built stages, the first of them solved, the rest read off a surface.

    Attributes
    ----------
    drawn : scores of every draw, shape (candidates, draws); the first ``fitted + checks`` solved
    fitted : draws that the surface was fitted to
    read_checks : what the surface gives for the ``checks`` draws that follow
    checks : how many these are
    """

    drawn: DrawnScores
    fitted: int
    read_checks: DrawnScores
    checks: int

    @property
    def solved(self) -> DrawnScores:
        """The draws that were solved."""
        return self._draws(slice(0, self.fitted + self.checks))

    def misfit(self) -> dict[str, FloatArray]:
        """Return the r.m.s. error of the surface by score, as a share of the score's own spread.

        Over the check draws; the spread is the standard deviation over the solved draws. Shape
        (candidates,); nan where a score is not finite in every solved draw.
        """
        found = {}
        for name, read in self.read_checks.values.items():
            solved = self.drawn.values[name][:, : self.fitted + self.checks]
            with np.errstate(invalid="ignore"):
                error = np.sqrt(np.mean((read - solved[:, self.fitted :]) ** 2, axis=-1))
                # A score that does not move is followed as well as its last digits allow.
                floor = 1e-9 * np.max(np.abs(solved), axis=-1)
                found[name] = error / np.maximum(np.std(solved, axis=-1), np.maximum(floor, 1e-300))
        return found

    def wrong_side(self, windows: Mapping[str, tuple[float, float]]) -> tuple[FloatArray, ...]:
        """Return how many check draws the surface calls good and are bad, and the reverse.

        Each of shape (candidates,).
        """
        read = self.read_checks.good(windows)
        solved = self._draws(slice(self.fitted, self.fitted + self.checks)).good(windows)
        return tuple(
            np.asarray(np.count_nonzero(wrong, axis=-1), float)
            for wrong in (read & ~solved, solved & ~read)
        )

    def _draws(self, which: slice) -> DrawnScores:
        return DrawnScores(
            {name: value[:, which] for name, value in self.drawn.values.items()},
            self.drawn.rating_excess[:, which],
        )


class ResponseSurface:
    """What every candidate shares: the draws, and the least squares over them.

    Parameters
    ----------
    spreads :
        What spreads, and how.
    units :
        Cumulative probabilities, shape (draws, spreads), as of :func:`draw_units`; more draws than
        the surface needs to be fitted and checked.
    checks :
        Draws kept from the fit and held against it.

    Raises
    ------
    ValueError
        If there are too few draws.
    """

    def __init__(
        self, spreads: Sequence[Spread], units: FloatArray, *, checks: int = CHECKS
    ) -> None:
        self.spreads = tuple(spreads)
        self.fitted = builds_to_fit(len(spreads))
        self.checks = checks
        if len(units) <= self.solved:
            raise ValueError(
                f"units: {len(units)} draws: must be more than the {self.solved} that "
                f"{len(spreads)} spreads need to fit and check a surface"
            )
        self._factors = draw_factors(self.spreads, units)
        basis = _second_order(self.spreads, self._factors)
        self._to_coefficients = np.linalg.pinv(basis[: self.fitted]).T
        self._to_draws = np.ascontiguousarray(basis[self.fitted :].T)

    @property
    def solved(self) -> int:
        """Draws of each candidate that are solved."""
        return self.fitted + self.checks

    def scores(
        self, nominal: Assessment, names: Sequence[str], *, ratings: bool = True
    ) -> SurfaceScores:
        """Return scores of stages built from spread parts, most of them read off the surface.

        Parameters
        ----------
        nominal :
            The candidates, any batch shape (flattened in the result); some dozens at a time keep
            the memory small, as every draw of every candidate is returned.
        names, ratings :
            As of :func:`draw_scores`.
        """
        built = build(flat(nominal), slice(None), self.spreads, self._factors[: self.solved])
        facets, groups = _facets(built, names, ratings)
        # What is not finite (a stage cut off) gives a surface that is nowhere a number.
        with np.errstate(invalid="ignore"):
            coefficients = facets[..., : self.fitted] @ self._to_coefficients
            # One large product is several times as fast as one for each candidate.
            read = (coefficients.reshape(-1, coefficients.shape[-1]) @ self._to_draws).reshape(
                *coefficients.shape[:-1], -1
            )
        first = _combined(facets, groups)
        rest = _combined(read[..., self.checks :], groups)
        return SurfaceScores(
            DrawnScores(
                {
                    name: np.concatenate([value, rest.values[name]], axis=-1)
                    for name, value in first.values.items()
                },
                np.concatenate([first.rating_excess, rest.rating_excess], axis=-1),
            ),
            self.fitted,
            _combined(read[..., : self.checks], groups),
            self.checks,
        )


_RATINGS = "ratings"
_Group = tuple[str, slice, Combine]


def _facets(
    built: Assessment, names: Sequence[str], ratings: bool
) -> tuple[FloatArray, list[_Group]]:
    """Return what all scores are made of, shape (candidates, facets, draws), and whose it is."""
    shape = built.point.plate_current_A.shape
    found: list[FloatArray] = []
    groups: list[_Group] = []
    parts = {name: (REGISTRY[name].facets(built), REGISTRY[name].combine) for name in names}
    if ratings:
        worst = [rating.excess for rating in built.ratings if rating.unit != "ohm"]
        parts[_RATINGS] = (worst or [np.full(shape, -1.0)], greatest)
    for name, (own, combine) in parts.items():
        groups.append((name, slice(len(found), len(found) + len(own)), combine))
        found += [np.broadcast_to(facet, shape) for facet in own]
    return np.stack(found, axis=1), groups


def _combined(facets: FloatArray, groups: Sequence[_Group]) -> DrawnScores:
    values = {
        name: np.asarray(combine([facets[:, at] for at in range(own.start, own.stop)]))
        for name, own, combine in groups
    }
    excess = values.pop(_RATINGS, None)
    if excess is None:
        excess = np.full((len(facets), facets.shape[-1]), -np.inf)
    return DrawnScores(values, excess)


def _second_order(spreads: Sequence[Spread], factors: FloatArray) -> FloatArray:
    """Return 1, every spread, every product of two; shape (draws, coefficients).

    Each spread is counted from the middle of its range in halves of it, so that all are of one
    size and the least squares are well conditioned.
    """
    middle = np.array([1 + (s.high + s.low) / 2 for s in spreads])
    half = np.array([(s.high - s.low) / 2 for s in spreads])
    at = (factors - middle) / np.where(half > 0, half, 1.0)
    first, second = np.triu_indices(len(spreads))
    return np.concatenate([np.ones((len(at), 1)), at, at[:, first] * at[:, second]], axis=1)


# -- a whole front ---------------------------------------------------------------------------------


@dataclass(frozen=True)
class FrontYields:
    """What tolerances do to every design of a front, most of it read off surfaces.

    Arrays named by design have shape (designs,), bands (percentiles, designs); fractions are 0..1.
    """

    windows: Mapping[str, tuple[float, float]]
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
    wanted: int
    """Built stages of a design where time did not run short."""
    checked: int
    """Built stages, of all designs that a surface serves, that it was held against."""
    wrongly_good: int
    wrongly_bad: int
    """Those that it puts on the wrong side: called good and are bad, and the reverse."""
    misfit: Mapping[str, float]
    """The largest r.m.s. error of a surface in use, by score, as a share of the score's spread."""
    seconds: float

    @property
    def by_surface(self) -> BoolArray:
        """Which designs a surface serves, shape (designs,)."""
        return np.asarray(self.solved < self.draws)

    @property
    def short(self) -> BoolArray:
        """Which designs stand on fewer built stages than wanted, shape (designs,)."""
        return np.asarray(self.draws < self.wanted)
