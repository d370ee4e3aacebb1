"""Which of the least certain values of a stage explain a response that was measured.

Least squares with the spreads as priors (maximum a posteriori): the logarithm of each value is
normal round its nominal one. What the spreads of all other values do to the response counts as
error, correlated over frequency, beside the error of the readings. From memory: A. Tarantola,
Inverse Problem Theory, SIAM 2005, chapter 3.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, Literal

import numpy as np
from scipy.linalg import cholesky, solve_triangular
from scipy.optimize import least_squares
from scipy.stats import chi2

from objectives.arrays import FloatArray
from objectives.bench.prediction import Prediction
from objectives.circuit.corners import swept_level_dB
from objectives.format import first

Quantity = Literal["source_ohm", "grid_plate_F", "transconductance_S"]

SOURCE_SPREAD = 0.2
"""Of a source resistance, one sigma, where the tolerances state none: common practice, no
source."""

WIRING_SPREAD, WIRING_LEAST_F = 0.5, 0.3e-12
"""Of the wiring from grid to plate, one sigma: half of it, at least 0.3 pF; common practice, no
source."""

_AGREES_FROM = 0.01
"""A misfit that chance gives less often than this is none of chance."""

_TOLD_AT = 0.5
"""A value is told when its standard error is at most this share of its spread."""

_DIRECTION_TOLD_AT = 1 / _TOLD_AT**2 - 1
"""Information (in units of the spreads) that halves the error of a combination of values."""

_TAKES_PART = 0.3
"""Least component of a value in a combination that it belongs to."""

_MOST_SPREADS = 4.0


@dataclass(frozen=True)
class FittedValue:
    """One value, with what the response says of it.

    Attributes
    ----------
    spread : one sigma of the logarithm, before the response was known
    value : with all values fitted together (SI)
    error : standard error of its logarithm
    alone : the value that fits best with all others nominal (SI)
    alone_spreads : how far that is from nominal, in spreads
    explains : whether it alone, so changed, makes the stage agree with the response
    told : by the response, ``"together"`` with others only, or ``"not"`` at all
    """

    quantity: Quantity
    nominal: float
    spread: float
    value: float
    error: float
    alone: float
    alone_spreads: float
    explains: bool
    told: Literal["alone", "together", "not"]


@dataclass(frozen=True)
class ResponseFit:
    """Values fitted to a measured response.

    Attributes
    ----------
    fitted_dB : response with these values, on the scale of the nominal one, shape (readings,)
    agrees : whether the stage with nominal values shows such a response
    explained : whether it does with the fitted values; if not, they mean nothing
    tied : each, values of which the response tells only a combination
    correlation : of the errors, shape (values, values)
    """

    values: tuple[FittedValue, ...]
    fitted_dB: FloatArray
    agrees: bool
    explained: bool
    tied: tuple[tuple[Quantity, ...], ...]
    correlation: FloatArray


def fit_response(prediction: Prediction) -> ResponseFit:
    """Fit source resistance, capacitance from grid to plate, and transconductance.

    The plate resistance moves with the transconductance at constant amplification factor. A value
    that is 0 is not fitted.
    """
    fit = _Fit(prediction)
    every = tuple(range(len(fit.quantities)))
    nominal, together = fit.solve(()), fit.solve(every)
    information = fit.information(together)
    # In units of the spreads, where the prior is 1 in every direction.
    posterior = np.linalg.inv(np.eye(len(every)) + information)
    ratio = np.sqrt(np.diag(posterior))
    tied = fit.tied(information, ratio)
    values = []
    for at, quantity in enumerate(fit.quantities):
        alone = fit.solve((at,))
        told: Literal["alone", "together", "not"] = "not"
        if ratio[at] <= _TOLD_AT:
            told = "alone"
        elif any(quantity in names for names in tied):
            told = "together"
        nominal_value, spread = float(fit.nominal[at]), float(fit.spread[at])
        values.append(
            FittedValue(
                quantity,
                nominal_value,
                spread,
                value=nominal_value * float(np.exp(together.x[at])),
                error=spread * float(ratio[at]),
                alone=nominal_value * float(np.exp(alone.x[0])),
                alone_spreads=float(alone.x[0]) / spread,
                explains=fit.agrees(alone, together, len(every) - 1),
                told=told,
            )
        )
    return ResponseFit(
        tuple(values),
        fit.level(together.x[: len(every)]),
        agrees=fit.agrees(nominal, together, len(every)),
        explained=fit.agrees(together, together, 0),
        tied=tied,
        correlation=posterior / np.outer(ratio, ratio),
    )


class _Fit:
    """The least-squares problem: unknown are logarithms of the values, and an offset."""

    def __init__(self, prediction: Prediction) -> None:
        self.prediction = prediction
        stage, linear = prediction.base.stage, prediction.base.linear
        built = prediction.builds
        wiring = max(WIRING_SPREAD * first(stage.stray_grid_plate_F), WIRING_LEAST_F)
        valve = float(np.std(built.linear.grid_plate_F))
        capacitance = first(linear.grid_plate_F)
        source_ohm = np.ravel(built.stage.source_ohm)
        of: dict[Quantity, tuple[float, float]] = {
            "source_ohm": (first(stage.source_ohm), float(np.std(np.log(source_ohm)))
                           if np.all(source_ohm > 0) else 0.0),
            "grid_plate_F": (capacitance, np.hypot(wiring, valve) / capacitance
                             if capacitance > 0 else 0.0),
            "transconductance_S": (first(linear.transconductance_S),
                                   float(np.std(np.log(built.linear.transconductance_S)))),
        }  # fmt: skip
        if of["source_ohm"][1] == 0:
            of["source_ohm"] = of["source_ohm"][0], SOURCE_SPREAD
        fitted = {q: pair for q, pair in of.items() if pair[0] > 0 and pair[1] > 0}
        self.quantities = tuple(fitted)
        self.nominal, self.spread = np.array([*fitted.values()]).T

    @cached_property
    def root(self) -> FloatArray:
        """Lower triangular root of the covariance of readings, other values' spreads included."""
        error = np.diag(self.prediction.readings.sigma_dB**2) + self.prediction.rest_dB2
        return np.asarray(cholesky(error, lower=True))

    def level(self, logs: FloatArray) -> FloatArray:
        """Return the response (dB) with values off by these logarithms, shape (readings,)."""
        base, readings = self.prediction.base, self.prediction.readings
        factor = dict.fromkeys(("source_ohm", "grid_plate_F", "transconductance_S"), 1.0)
        factor |= dict(zip(self.quantities, np.exp(logs).tolist(), strict=True))
        linear, loaded = base.linear, base.loaded
        linear = replace(
            linear,
            grid_plate_F=linear.grid_plate_F * factor["grid_plate_F"],
            transconductance_S=linear.transconductance_S * factor["transconductance_S"],
            plate_conductance_S=linear.plate_conductance_S * factor["transconductance_S"],
        )
        loaded = replace(loaded, source_ohm=loaded.source_ohm * factor["source_ohm"])
        level = swept_level_dB(loaded, linear, readings.frequency_Hz, readings.port)
        return np.asarray(level[0])

    def solve(self, free: tuple[int, ...]) -> Any:
        """Return SciPy's solution with these values free: their logarithms, then the offset."""
        readings, columns, count = self.prediction.readings, list(free), len(free)
        offsets = 0 if readings.absolute else 1

        def misfit(x: FloatArray) -> FloatArray:
            logs = np.zeros(len(self.quantities))
            logs[columns] = x[:count]
            error = readings.level_dB - self.level(logs) - x[count:].sum()
            whitened = solve_triangular(self.root, error, lower=True)
            return np.concatenate([whitened, x[:count] / self.spread[columns]])

        start = np.array([0.0] * count + [self.prediction.offset_dB] * offsets)
        reach = np.append(_MOST_SPREADS * self.spread[columns], [np.inf] * offsets)
        if start.size == 0:
            # SciPy wants at least one unknown: an offset that may not move.
            start, reach = np.zeros(1), np.array([1e-12])
        return least_squares(misfit, start, bounds=(-reach, reach), jac="3-point")

    def agrees(self, solution: Any, best: Any, held: int) -> bool:
        """Return whether a solution is as good as chance allows.

        Its misfit (departures from nominal counted) must be no more than that of noise, and what
        freeing the ``held`` values takes off it no more than noise gives.
        """
        readings = self.prediction.readings
        degrees = readings.level_dB.size - (0 if readings.absolute else 1)
        plain = chi2.sf(2 * solution.cost, degrees) >= _AGREES_FROM
        gained = 2 * (solution.cost - best.cost)
        return bool(plain and (held == 0 or chi2.sf(gained, held) >= _AGREES_FROM))

    def information(self, solution: Any) -> FloatArray:
        """Return what the readings alone say of the values, in units of the spreads.

        The offset's share is taken out of it.
        """
        count = len(self.quantities)
        jacobian = solution.jac[: self.prediction.readings.level_dB.size]
        own, offset = jacobian[:, :count], jacobian[:, count:]
        if offset.size:
            own = own - offset @ (offset.T @ own) / np.sum(offset**2)
        scaled = own * self.spread
        return np.asarray(scaled.T @ scaled)

    def tied(self, information: FloatArray, ratio: FloatArray) -> tuple[tuple[Quantity, ...], ...]:
        """Return the values of each combination that is told while they are not, one by one."""
        known, directions = np.linalg.eigh(information)
        combinations = [
            tuple(
                quantity
                for at, quantity in enumerate(self.quantities)
                if abs(direction[at]) >= _TAKES_PART and ratio[at] > _TOLD_AT
            )
            for direction in directions.T[known >= _DIRECTION_TOLD_AT]
        ]
        return tuple(names for names in combinations if len(names) > 1)
