"""Fitting a triode law to a user's measured plate curves.

The fit is robust least squares (SciPy) on the logarithm of the ratio of the law to the reading, so
that a microampere near cut-off and a milliampere near zero bias count alike in per cent. Data that
cannot carry the fit are refused, with the reason. On the command line: ``stagefront fit``.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from objectives.arrays import FloatArray
from objectives.checks import InputError, Written
from objectives.devices.fit_record import FitPoint, FitRecord
from objectives.devices.triodes import LAWS, Equation, GridCurrent, TriodeLaw
from objectives.fitting.measurements import COLUMNS, Measurements
from objectives.fitting.parameters import (
    HELD,
    Unknown,
    first_guess,
    law_from,
    parameter_words,
    require_determined,
    rounded,
    standard_errors,
    unknowns,
)


@dataclass(frozen=True)
class Fit:
    """A law fitted to measured curves.

    Attributes
    ----------
    law : the fitted law, parameters at six figures
    equation : its name in the table
    fitted : the measurements the fit has used
    tested : those it has not, or None
    standard_error : by parameter; relative, but in volts for ``grid_offset_V``
    method : the fit in words
    resolution_A : current below which readings hardly counted
    """

    law: TriodeLaw
    equation: str
    fitted: Measurements
    tested: Measurements | None
    standard_error: Mapping[str, float]
    method: str
    resolution_A: float

    def residual_percent(self, data: Measurements | None = None) -> FloatArray:
        """Return the departure of the law from each reading (per cent of the reading).

        ``data`` defaults to what the fit has used; shape ``(len(data),)``.
        """
        data = self.fitted if data is None else data
        model = self.law.plate_current(data.grid_voltage_V, data.plate_voltage_V)
        return np.asarray(100.0 * (model / data.plate_current_A - 1.0))

    def rms_percent(self, data: Measurements | None = None) -> float:
        """Return the r.m.s. residual (per cent) of the readings above the resolution."""
        return float(np.sqrt(np.mean(self._counted(data) ** 2)))

    def worst_percent(self, data: Measurements | None = None) -> float:
        """Return the largest absolute residual (per cent) of the readings above the resolution."""
        return float(np.max(np.abs(self._counted(data))))

    def _counted(self, data: Measurements | None) -> FloatArray:
        data = self.fitted if data is None else data
        return np.asarray(self.residual_percent(data)[data.plate_current_A >= self.resolution_A])

    @property
    def record(self) -> FitRecord:
        """The fit as a valve table holds it: every reading with what the law gives."""
        points: list[FitPoint] = []
        for used, data in (("fitted", self.fitted), ("tested", self.tested)):
            if data is None:
                continue
            model = self.law.plate_current(data.grid_voltage_V, data.plate_voltage_V)
            points += [
                FitPoint(
                    "plate_current_A",
                    {"grid_V": float(vg), "plate_V": float(vp)},
                    float(current),
                    float(f"{given:.6g}"),
                    used,
                    data.source,
                )
                for vg, vp, current, given in zip(
                    data.grid_voltage_V,
                    data.plate_voltage_V,
                    data.plate_current_A,
                    model,
                    strict=True,
                )
            ]
        return FitRecord(self.method, tuple(points))


# Share of the largest reading below which a law is not expected to follow a valve.
_FAINT: Mapping[str, float] = {"koren": 1e-3, "dempwolf-zolzer": 1e-2, "child-langmuir": 1 / 30}

# Relative error that a careful reading of a pointer or a digital meter and its supply voltages
# leaves (common practice, no source). It scales the robust loss and the standard errors.
_READING = 0.02


def fit_law(
    measurements: Measurements,
    law: Equation = "koren",
    *,
    held: Mapping[str, float] | None = None,
    grid: GridCurrent | None = None,
    hold_out_every: int | None = None,
    resolution_A: float | None = None,
) -> Fit:
    """Fit a law to measured plate curves, or refuse and say why the data cannot carry it.

    Parameters
    ----------
    measurements :
        At least three readings per free parameter, at two grid voltages or more.
    held :
        Parameters that are not fitted, by name. None holds ``knee_V`` at 5 V; of Koren's law it
        frees all, but takes the smear as 0, as the published form does, where the readings do not
        determine it.
    grid :
        Grid current that the law is to carry; plate curves do not determine it.
    hold_out_every :
        Keep every n-th reading (n at least 2) from the fit and test the law on it.
    resolution_A :
        Current that the meter can just tell from zero; readings well below it hardly count. None
        takes a share of the largest reading: a thousandth, but a hundredth for
        ``dempwolf-zolzer`` and a thirtieth for ``child-langmuir``, which are not meant to follow
        a valve into cut-off.

    Raises
    ------
    ValueError
        If there are too few readings, one grid voltage only, no span of plate voltage, too small
        a range of current, currents that fall where voltage rises, nothing but cut-off, a
        parameter that the data leave undetermined, or a law that does not describe them.
    """
    if law not in LAWS:
        raise InputError("law", law, f"must be one of {', '.join(LAWS)}")
    if held is None and law == "koren":
        # What is wrong with the readings themselves the second attempt reports all the same.
        with contextlib.suppress(InputError):
            return fit_law(
                measurements, law, held={}, grid=grid, hold_out_every=hold_out_every,
                resolution_A=resolution_A,
            )  # fmt: skip
    start_mu, start = _start(measurements)
    fixed = dict(HELD[law] if held is None else held)
    names = [knob.name for knob in unknowns(law, start_mu)]
    for name, value in fixed.items():
        if name not in names:
            raise InputError("held", name, f"must be a parameter of {law}: {', '.join(names)}")
        if not np.isfinite(value):
            raise InputError("held", Written(name), f"{value!r}: must be a finite number")
    knobs = [knob for knob in unknowns(law, start_mu) if knob.name not in fixed]
    if not knobs:
        raise InputError(
            "held", Written(", ".join(fixed)), "must leave at least one parameter to fit"
        )
    if resolution_A is None:
        largest = float(np.max(measurements.plate_current_A, initial=0.0))
        resolution_A = _FAINT[law] * largest
    elif not (0 < resolution_A < float("inf")):
        raise InputError("resolution_A", resolution_A, "must be a finite number above 0")
    used, tested = _split(measurements, hold_out_every)
    _require_carrying(used, len(knobs), resolution_A)

    vg, vp, measured = used.grid_voltage_V, used.plate_voltage_V, used.plate_current_A
    log_measured = np.log(measured)
    weight = 1.0 / np.hypot(_READING, resolution_A / measured)

    def misfit(x: FloatArray) -> FloatArray:
        model = law_from(law, knobs, x, fixed, grid).plate_current(vg, vp)
        # The floor keeps the logarithm finite where the law is cut off and the valve is not.
        return np.asarray((np.log(np.maximum(model, 1e-6 * resolution_A)) - log_measured) * weight)

    best = solve(misfit, knobs, start)
    error = standard_errors(best, knobs)
    fitted = rounded(law_from(law, knobs, best.x, fixed, grid))
    free = ", ".join(parameter_words(law, knob.name) for knob in knobs)
    result = Fit(
        law=fitted,
        equation=law,
        fitted=used,
        tested=tested,
        standard_error=error,
        method=(
            "least squares of the logarithm of law over reading, soft-L1 loss at "
            f"{100 * _READING:g} %, to {len(used)} readings of plate current; free: {free}"
            + (f"; every reading number {hold_out_every} kept for the test" if tested else "")
        ),
        resolution_A=resolution_A,
    )
    # First whether the law fits at all: a misfit also blows up the standard errors.
    strong = used.where(measured >= 0.05 * np.max(measured))
    if result.rms_percent(strong) > _MOST_RMS_PERCENT:
        raise InputError(
            "measurements",
            Written(
                f"r.m.s. residual {result.rms_percent(strong):.0f} % after the fit, of the "
                "readings above a twentieth of the largest"
            ),
            f"must be at most {_MOST_RMS_PERCENT:g} %; these curves are not those of a triode "
            f"that the {law} law describes, or columns are swapped or in the wrong unit",
        )
    require_determined(error, best, knobs, fixed)
    return result


_MOST_RMS_PERCENT = 25.0


def solve(
    misfit: Callable[[FloatArray], FloatArray],
    knobs: Sequence[Unknown],
    start: Mapping[str, float],
    loss: Literal["soft_l1", "linear"] = "soft_l1",
) -> Any:
    """Return SciPy's best solution of a least-squares problem, robust unless told otherwise.

    It is the best from three starts; a parameter that ``start`` does not name starts at its typical
    value.
    """
    low, high = zip(*(knob.bounds for knob in knobs), strict=True)
    guesses = [
        [first_guess(knob, start.get(knob.name, knob.typical), factor) for knob in knobs]
        for factor in (1.0, 0.4, 2.5)
    ]
    solutions = (
        least_squares(
            misfit, guess, bounds=(low, high), loss=loss, x_scale="jac", max_nfev=400,
            xtol=1e-10, ftol=1e-10, gtol=1e-10,
        )
        for guess in guesses
    )  # fmt: skip
    return min(solutions, key=lambda solution: float(solution.cost))


def _split(
    measurements: Measurements, every: int | None
) -> tuple[Measurements, Measurements | None]:
    if every is None:
        return measurements, None
    if every < 2:
        raise InputError("hold_out_every", every, "must be 2 or more, or None")
    kept_back = np.arange(len(measurements)) % every == every - 1
    if not np.any(kept_back):
        raise InputError(
            "hold_out_every", every, f"must be at most {len(measurements)}, the number of readings"
        )
    return measurements.where(~kept_back), measurements.where(kept_back)


def _start(measurements: Measurements) -> tuple[float, dict[str, float]]:
    """Return a first guess from the three-halves law: I^(2/3) is linear in both voltages."""
    vg, vp = measurements.grid_voltage_V, measurements.plate_voltage_V
    current = measurements.plate_current_A
    on = current > 0.05 * np.max(current, initial=0.0)
    plain = (20.0, {"perveance": 2e-3})
    if np.count_nonzero(on) < 3:
        return plain
    matrix = np.column_stack([vg[on], vp[on], np.ones(np.count_nonzero(on))])
    by_grid, by_plate, rest = np.linalg.lstsq(matrix, current[on] ** (2 / 3), rcond=None)[0]
    if not (by_grid > 0 and by_plate > 0):
        return plain
    mu = float(np.clip(by_grid / by_plate, 2.0, 300.0))
    perveance = float(by_grid**1.5)
    return mu, {
        "mu": mu,
        "perveance": perveance,
        # 2 E^1.5 / kg1 with E the drive at the grid.
        "kg1": 2.0 / perveance,
        "grid_offset_V": float(np.clip(rest / by_grid, -1.0, 1.0)),
    }


def _levels(values: FloatArray) -> tuple[FloatArray, NDArray[np.intp]]:
    """Return the level of each group of values within 2 % of the span, and each value's group."""
    order = np.argsort(values, kind="stable")
    ordered = values[order]
    gap = 0.02 * float(np.ptp(values)) if values.size else 0.0
    group_of_ordered = np.concatenate([[0], np.cumsum(np.diff(ordered) > gap)])
    group = np.empty(values.size, dtype=np.intp)
    group[order] = group_of_ordered
    count = np.bincount(group)
    return np.bincount(group, weights=values) / count, group


def _require_carrying(data: Measurements, free: int, resolution_A: float) -> None:
    """Raise unless the readings can carry a fit of so many free parameters."""
    if len(data) < 3 * free:
        raise InputError(
            "measurements",
            Written(f"{len(data)} readings"),
            f"must be at least {3 * free}, three for each of the {free} free parameters; measure "
            "more or hold parameters",
        )
    current = data.plate_current_A
    if np.max(current) < 10e-6:
        raise InputError(
            "plate_current_A",
            Written(f"largest {np.max(current):.3g}"),
            "must reach 1e-05; every reading is in cut-off",
        )
    levels, group = _levels(data.grid_voltage_V)
    if np.ptp(data.grid_voltage_V) < 0.02 or levels.size < 2:
        raise InputError(
            "grid_voltage_V",
            Written(f"{data.grid_voltage_V[0]:g} only"),
            "must take two values or more; one curve does not tell the grid's effect from the "
            "plate's",
        )
    low, high = float(np.min(data.plate_voltage_V)), float(np.max(data.plate_voltage_V))
    if high < 1.5 * low:
        raise InputError(
            "plate_voltage_V",
            Written(f"{low:g} to {high:g}"),
            "must span at least a factor of 1.5; the effect of the plate cannot be resolved",
        )
    counted = current[current >= resolution_A]
    if np.max(counted) < 5.0 * np.min(counted):
        raise InputError(
            "plate_current_A",
            Written(f"{np.min(counted):.3g} to {np.max(counted):.3g}"),
            "must span at least a factor of 5; the curvature cannot be resolved",
        )
    _require_rising(data, group, resolution_A)


def _require_rising(data: Measurements, group: NDArray[np.intp], resolution_A: float) -> None:
    """Raise where, at one grid voltage, the current falls while the plate voltage rises."""
    # By grid voltage, then by plate voltage: neighbours are then to be compared.
    order = np.lexsort((data.plate_voltage_V, group))
    vg, vp, current = (getattr(data, name)[order] for name in COLUMNS)
    same = np.diff(group[order]) == 0
    # A tenth allows for reading error; anything more no triode does.
    falls = same & (current[1:] < 0.9 * current[:-1] - resolution_A) & (vp[1:] > vp[:-1])
    if np.any(falls):
        i = int(np.flatnonzero(falls)[0])
        raise InputError(
            "plate_current_A",
            Written(
                f"at grid_voltage_V {vg[i]:g} it falls from {current[i]:.4g} at {vp[i]:g} V to "
                f"{current[i + 1]:.4g} at {vp[i + 1]:g} V"
            ),
            "must rise with the plate voltage",
        )
