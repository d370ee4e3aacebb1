"""Response surfaces: the scores of thousands of built stages from some hundred that are solved.

Within the tolerances of parts, valve and supply, what a score is made of (its facets) bends little:
a polynomial of second order in all spreads together follows it. Its coefficients come from some of
the draws, fewer than there are coefficients: most products of two spreads matter little, and those
that the draws leave open are held near 0. Other draws check the surface. It is then fitted to these
too, and the rest are read off it. A score with a kink (the least margin of several bands) is put
together from its facets after they are predicted.

Where draws drive a device through a bend of its own (a transistor out of saturation) the bend comes
in through the operating point alone. That is cheap to solve, so
:meth:`ResponseSurface.scores_through_point` solves it for every draw and takes the surface over
spreads and operating point together.

Source: G. E. P. Box, K. B. Wilson, On the experimental attainment of optimum conditions, J. Royal
Statistical Society B 13(1), 1951; what holds coefficients near 0, ridge regression: A. E. Hoerl, R.
W. Kennard, Technometrics 12, 1970, p. 55 (both from memory).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from objectives.arrays import BoolArray, FloatArray
from objectives.assessment import Assessment
from objectives.checks import require
from objectives.scores.registry import REGISTRY, Combine, greatest
from objectives.stage import parallel
from objectives.tolerance.builds import BuiltScores, built_stages, judged_excesses, one_axis
from objectives.tolerance.spreads import Spread, draw_factors

CHECKS = 64
"""Draws that a surface has not seen and is held against."""

MOST_MISFIT = 0.15
"""A surface serves a design when it is off by no more than this share of each score's own spread
(r.m.s.), by which a band is 1 % wider or narrower, and puts at most ..."""

MOST_WRONG = 1
"""... so many of the check draws on the wrong side of a limit."""

MOST_PERCENTILE_ERROR = 0.25
"""One through the operating point serves where it moves no percentile of the check draws by more
than this share of the score's spread, and puts as few on the wrong side."""

_FIT_SHARE = 0.6
"""Draws that are solved for each coefficient: more hardly lower the misfit, fewer raise it."""

_FEW, _FIT_SHARE_OF_FEW = 48, 1.5
"""Where that is less than so many draws, which are cheap: as many as this for a coefficient."""

_FIT_SHARE_THROUGH_POINT = 1.0
"""The same for a surface through the operating point, whose draws are less evenly spread."""

_BEYOND = 0.2
"""A surface may leave the range of what it was fitted to by this share of it, and no farther."""

_CONSTANT, _LINEAR, _SQUARE, _PRODUCT = 100.0, 1.0, 0.3, 0.1
"""How large coefficients are expected to be, against those of single spreads."""

_RIDGE = 1e-6
"""What of a score, against what single spreads move it by, is left to terms of higher order."""

_OF_POINT = 4
"""Variables of the operating point that a surface through it is over."""

_LEAST_HZ = 1e-9
"""Corner that keeps the logarithm finite of a stage that has none."""

_LEAST_S = 1e-12
"""Transconductance that keeps the logarithm of a device cut off finite."""


def builds_to_fit(variables: int, share: float = _FIT_SHARE) -> int:
    """Return how many solved builds the surface over so many variables is fitted to."""
    coefficients = (variables + 1) * (variables + 2) // 2
    few = min(_FEW, math.ceil(_FIT_SHARE_OF_FEW * coefficients))
    return max(math.ceil(share * coefficients), few)


def draws_to_solve(spreads: int) -> int:
    """Return how many draws are solved to fit and check a surface over so many spreads."""
    return builds_to_fit(spreads) + CHECKS


def draws_to_solve_through_point(spreads: int) -> int:
    """Return the same for a surface over spreads and operating point."""
    return builds_to_fit(spreads + _OF_POINT, _FIT_SHARE_THROUGH_POINT) + CHECKS


@dataclass(frozen=True)
class SurfaceScores:
    """Scores of built stages, the first of them solved, the rest predicted by a surface.

    Attributes
    ----------
    built : scores of every built stage, shape (candidates, draws); the first ``fitted + CHECKS``
        are solved
    fitted : built stages that the surface was fitted to before it was checked
    predicted_checks : what it then gave for the :data:`CHECKS` built stages that follow
    """

    built: BuiltScores
    fitted: int
    predicted_checks: BuiltScores

    @property
    def solved(self) -> BuiltScores:
        """The built stages that were solved."""
        return self.built.at(np.s_[:, : self.fitted + CHECKS])

    def misfit(self) -> dict[str, FloatArray]:
        """Return the r.m.s. error of the surface by score, as a share of the score's own spread.

        Over the check draws; the spread is the standard deviation over the solved draws. Shape
        (candidates,); nan where a score is not finite in every solved draw.
        """
        solved, predicted = self._solved_checks.values, self.predicted_checks.values
        with np.errstate(invalid="ignore"):
            return {
                name: np.sqrt(np.mean((predicted[name] - value) ** 2, axis=-1)) / self._spread(name)
                for name, value in solved.items()
            }

    def serves(self, windows: Mapping[str, tuple[float, float]]) -> BoolArray:
        """Return which candidates the surface follows closely enough, shape (candidates,)."""
        too_good, too_bad = self.wrong_side(windows)
        off = greatest([np.zeros(too_good.shape), *self.misfit().values()])
        return np.asarray((off <= MOST_MISFIT) & (too_good + too_bad <= MOST_WRONG))

    def serves_percentiles(self, windows: Mapping[str, tuple[float, float]]) -> BoolArray:
        """Return which candidates' percentiles and yield it gives closely enough, (candidates,)."""
        too_good, too_bad = self.wrong_side(windows)
        off = greatest([np.zeros(too_good.shape), *self.percentile_error().values()])
        return np.asarray((off <= MOST_PERCENTILE_ERROR) & (too_good + too_bad <= MOST_WRONG))

    def percentile_error(self) -> dict[str, FloatArray]:
        """Return by how much the surface moves a score's percentiles, as a share of its spread.

        The largest over the percentiles of the check draws; shape (candidates,), nan where a score
        is not finite in every solved draw.
        """
        predicted, solved = self.predicted_checks.bands(), self._solved_checks.bands()
        with np.errstate(invalid="ignore"):
            return {
                name: np.max(np.abs(predicted[name] - band), axis=0) / self._spread(name)
                for name, band in solved.items()
            }

    def _spread(self, name: str) -> FloatArray:
        """Return the standard deviation of a score over the solved draws, shape (candidates,)."""
        solved = self.solved.values[name]
        # A score that does not move is followed as well as its last digits allow.
        floor = np.maximum(1e-9 * np.max(np.abs(solved), axis=-1), 1e-300)
        return np.asarray(np.maximum(np.std(solved, axis=-1), floor))

    def wrong_side(self, windows: Mapping[str, tuple[float, float]]) -> tuple[FloatArray, ...]:
        """Return how many check draws the surface calls good and are bad, and the reverse.

        Each of shape (candidates,).
        """
        predicted = self.predicted_checks.good(windows)
        solved = self._solved_checks.good(windows)
        return tuple(
            np.asarray(np.count_nonzero(wrong, axis=-1), float)
            for wrong in (predicted & ~solved, solved & ~predicted)
        )

    @property
    def _solved_checks(self) -> BuiltScores:
        return self.built.at(np.s_[:, self.fitted : self.fitted + CHECKS])


class ResponseSurface:
    """What every candidate shares: the draws, and the least squares over them.

    ``units`` are cumulative probabilities, shape (draws, spreads), as of :func:`draw_units`: more
    draws than the surface needs to be fitted and checked, or an InputError is raised.
    """

    def __init__(self, spreads: Sequence[Spread], units: FloatArray) -> None:
        self.spreads = tuple(spreads)
        self.fitted = builds_to_fit(len(spreads))
        _require_draws(len(units), self.fitted, f"{len(spreads)} spreads")
        self._factors = draw_factors(self.spreads, units)
        self._centred = _centred(self.spreads, self._factors)
        basis = _second_order(self._centred)
        before = basis[: self.fitted]
        self._to_checks = _fitted(before, np.eye(self.fitted)) @ basis[self.fitted : self.solved].T
        self._to_coefficients = _fitted(basis[: self.solved], np.eye(self.solved))
        self._to_draws = np.ascontiguousarray(basis[self.solved :].T)

    @property
    def solved(self) -> int:
        """Draws of each candidate that are solved."""
        return draws_to_solve(len(self.spreads))

    def scores(
        self, nominal: Assessment, names: Sequence[str], *, ratings: bool = True
    ) -> SurfaceScores:
        """Return scores of built stages, most of them predicted by the surface.

        ``nominal`` holds the candidates, any batch shape (flattened in the result); some dozens at
        a time keep the memory small, as every draw of every candidate is returned. ``names`` and
        ``ratings`` are as of :func:`built_scores`.
        """
        built = built_stages(
            one_axis(nominal), slice(None), self.spreads, self._factors[: self.solved]
        )
        facets, groups = _facets(built, names, ratings)
        # What is not finite (a stage cut off) gives a surface that is nowhere a number.
        with np.errstate(invalid="ignore"):
            checks = facets[..., : self.fitted] @ self._to_checks
            coefficients = facets @ self._to_coefficients
            # One large product is several times as fast as one for each candidate.
            predicted = (coefficients.reshape(-1, coefficients.shape[-1]) @ self._to_draws).reshape(
                *coefficients.shape[:-1], -1
            )
        return _assembled(facets, checks, predicted, groups)

    def scores_through_point(
        self, nominal: Assessment, names: Sequence[str], *, ratings: bool = True
    ) -> SurfaceScores:
        """Return scores predicted by surfaces over spreads and operating point together.

        The operating point of every draw is solved; each candidate has a surface of its own, which
        fills some ten megabytes. Parameters as of :meth:`scores`; too few draws are an InputError.
        """
        base, draws = one_axis(nominal), len(self._factors)
        points = _of_point(built_stages(base, slice(None), self.spreads, self._factors))
        own = np.broadcast_to(self._centred, (len(points), *self._centred.shape))
        variables = np.concatenate([own, points], axis=-1)
        fitted = builds_to_fit(variables.shape[-1], _FIT_SHARE_THROUGH_POINT)
        _require_draws(draws, fitted, f"{variables.shape[-1]} variables")
        built = built_stages(base, slice(None), self.spreads, self._factors[: fitted + CHECKS])
        facets, groups = _facets(built, names, ratings)
        basis = _second_order(variables)
        with np.errstate(invalid="ignore"):
            across, solved = np.swapaxes(basis, -1, -2), fitted + CHECKS
            before = _fitted(basis[:, :fitted], facets[..., :fitted])
            checks = before @ across[..., fitted:solved]
            predicted = _fitted(basis[:, :solved], facets) @ across[..., solved:]
        return _assembled(facets, checks, predicted, groups)


def _fitted(basis: FloatArray, facets: FloatArray) -> FloatArray:
    """Return the coefficients of facets, shape (..., facets, coefficients).

    ``basis`` is of shape (..., draws, coefficients), ``facets`` of (..., facets, draws). Each
    coefficient is held near 0 as hard as it is expected to be small; with fewer draws than
    coefficients the equations are as many as draws.
    """
    draws, coefficients = basis.shape[-2:]
    variables = round((np.sqrt(8 * coefficients + 1) - 3) / 2)
    first, second = np.triu_indices(variables)
    expected = np.concatenate(
        [[_CONSTANT], np.full(variables, _LINEAR), np.where(first == second, _SQUARE, _PRODUCT)]
    )
    weighed = basis * expected
    gram = weighed @ np.swapaxes(weighed, -1, -2)
    np.einsum("...ii->...i", gram)[...] += _RIDGE * draws
    solved = np.linalg.solve(gram, np.swapaxes(facets, -1, -2))
    return np.asarray(np.swapaxes(solved, -1, -2) @ (weighed * expected))


def _require_draws(draws: int, fitted: int, variables: str) -> None:
    needed = fitted + CHECKS
    require(
        "units", draws, draws > needed,
        f"more draws than the {needed} that {variables} need to fit and check a surface",
    )  # fmt: skip


def _of_point(built: Assessment) -> FloatArray:
    """Return what of the operating point scores hang on, shape (candidates, draws, variables).

    Transconductance and the conductance of the whole plate circuit as logarithms, in which gain is
    all but linear; current and voltage as they are. Each is scaled over the draws.
    """
    point, stage = built.point, built.stage
    load_S = 1.0 / parallel(stage.plate_load_ohm, stage.load_ohm)
    columns = (
        np.log(np.maximum(point.transconductance_S, _LEAST_S)),
        np.log(point.plate_conductance_S + load_S),
        point.plate_current_A,
        point.plate_cathode_V,
    )
    values = np.stack([np.broadcast_to(column, point.shape) for column in columns], axis=-1)
    spread = np.std(values, axis=-2, keepdims=True)
    centre = np.mean(values, axis=-2, keepdims=True)
    return np.asarray((values - centre) / np.where(spread > 0, spread, 1.0))


def _assembled(
    facets: FloatArray, checks: FloatArray, predicted: FloatArray, groups: Sequence[_Group]
) -> SurfaceScores:
    """Return the scores of solved built stages, and of those predicted."""
    fitted = facets.shape[-1] - CHECKS

    def inside(predicted: FloatArray, known: FloatArray) -> FloatArray:
        least = np.min(known, axis=-1, keepdims=True)
        most = np.max(known, axis=-1, keepdims=True)
        beyond = _BEYOND * (most - least)
        return np.clip(predicted, least - beyond, most + beyond)

    with np.errstate(invalid="ignore"):
        checks = inside(checks, facets[..., :fitted])
        every = np.concatenate([facets, inside(predicted, facets)], axis=-1)
    return SurfaceScores(_combined(every, groups), fitted, _combined(checks, groups))


_RATINGS = "ratings"
_Group = tuple[str, slice, Combine]


def _facets(
    built: Assessment, names: Sequence[str], ratings: bool
) -> tuple[FloatArray, list[_Group]]:
    """Return what all scores are made of, shape (candidates, facets, draws), and whose it is."""
    shape = built.point.plate_current_A.shape
    facets: list[FloatArray] = []
    groups: list[_Group] = []
    parts = {name: (REGISTRY[name].facets(built), REGISTRY[name].combine) for name in names}
    if ratings:
        parts[_RATINGS] = (judged_excesses(built) or [np.full(shape, -1.0)], greatest)
    for name, (own, combine) in parts.items():
        if name in REGISTRY and REGISTRY[name].unit == "Hz":
            # Corners are products and quotients of what spreads: their logarithms bend less.
            own = [np.log(np.maximum(facet, _LEAST_HZ)) for facet in own]
            combine = _exponential
        groups.append((name, slice(len(facets), len(facets) + len(own)), combine))
        facets += [np.broadcast_to(facet, shape) for facet in own]
    return np.stack(facets, axis=1), groups


def _exponential(parts: Sequence[FloatArray]) -> FloatArray:
    return np.exp(parts[0])


def _combined(facets: FloatArray, groups: Sequence[_Group]) -> BuiltScores:
    values = {
        name: np.asarray(combine([facets[:, at] for at in range(own.start, own.stop)]))
        for name, own, combine in groups
    }
    excess = values.pop(_RATINGS, None)
    if excess is None:
        excess = np.full((len(facets), facets.shape[-1]), -np.inf)
    return BuiltScores(values, excess)


def _centred(spreads: Sequence[Spread], factors: FloatArray) -> FloatArray:
    """Return each spread counted from the middle of its range in halves of it: well conditioned."""
    middle = np.array([1 + (s.high + s.low) / 2 for s in spreads])
    half = np.array([(s.high - s.low) / 2 for s in spreads])
    return np.asarray((factors - middle) / np.where(half > 0, half, 1.0))


def _second_order(variables: FloatArray) -> FloatArray:
    """Return 1, every variable, every product of two; shape (..., draws, coefficients)."""
    # One term after another, each for all draws: so the terms of a product lie together.
    rows = np.ascontiguousarray(np.swapaxes(variables, -1, -2))
    count = rows.shape[-2]
    terms = np.empty((*rows.shape[:-2], (count + 1) * (count + 2) // 2, rows.shape[-1]))
    terms[..., 0, :], terms[..., 1 : count + 1, :] = 1.0, rows
    at = count + 1
    for first in range(count):
        after = at + count - first
        np.multiply(rows[..., first, None, :], rows[..., first:, :], out=terms[..., at:after, :])
        at = after
    return np.swapaxes(terms, -1, -2)
