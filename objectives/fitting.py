"""Fitting a triode law: to a user's measured curves, and to the published points of the table.

Both fits are robust least squares (SciPy) on the logarithm of the ratio of the law to the datum, so
that a microampere near cut-off and a milliampere near zero bias count alike in per cent.

* :func:`fit_law` takes measured curves. It refuses data that cannot carry the fit, and says why.
* :func:`refit` takes a table entry and its published points, which are too few to fix every
  parameter; what they leave open is held near values typical of small triodes.

``python -m objectives.fitting refit [TABLE]`` redoes the fits of a valve table;
``python -m objectives.fitting measured CSV --name NAME --like VALVE --into TABLE`` fits a user's
own measurements and writes them as a table entry.
"""

from __future__ import annotations

import argparse
import contextlib
import csv
import os
import sys
import tempfile
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from importlib import resources
from pathlib import Path
from typing import Any, Literal, cast

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from objectives.operating_point import operating_point
from objectives.stage import Stage, parallel
from objectives.triodes import LAWS, GridCurrent
from objectives.valves import (
    CurveReadings,
    FitPoint,
    FitRecord,
    Law,
    Valve,
    format_valves,
    load_valves,
    read_valves,
    valve,
)

__all__ = [
    "Fit",
    "Measurements",
    "fit_law",
    "fit_published",
    "law_values",
    "main",
    "read_measurements",
    "refit",
    "valve_entry_toml",
    "write_valves",
]

FloatArray = NDArray[np.float64]
Equation = Literal["koren", "child-langmuir", "dempwolf-zolzer"]


# ---------------------------------------------------------------------------------------------
# Parameters and how the fit moves them


@dataclass(frozen=True)
class _Knob:
    """One parameter of a law as the solver sees it.

    ``log``: the solver moves ln(value - floor), so the value stays above the floor.
    ``typical`` and ``width`` (in the solver's own unit) are what a fit to a few published points
    is held near where they leave the parameter open; a width of None leaves it free.
    """

    name: str
    typical: float
    width: float | None
    log: bool = True
    floor: float = 0.0

    def inward(self, value: float) -> float:
        return float(np.log(value - self.floor)) if self.log else float(value)

    def outward(self, x: float) -> float:
        return float(np.exp(x) + self.floor) if self.log else float(x)

    @property
    def bounds(self) -> tuple[float, float]:
        """Bounds in the solver's unit, far outside any triode; they only keep it from overflow."""
        if not self.log:
            return -10.0, 10.0
        centre = self.inward(self.typical)
        # An exponent from 1.005 to 4, everything else within a factor of e^6 of typical.
        return (centre - 4.4, centre + 2.0) if self.floor else (centre - 6.0, centre + 6.0)


def _knobs(equation: str, mu: float) -> tuple[_Knob, ...]:
    """Return the parameters of a law with their typical values (common practice, no source)."""
    if equation == "koren":
        return (
            _Knob("mu", mu, 0.1),
            _Knob("ex", 1.4, 0.3, floor=1.0),
            _Knob("kg1", 1500.0, None),
            # Published sets of this form have sharpness of roughly four to ten times mu.
            _Knob("kp", 6.0 * mu, 1.0),
            _Knob("kvb", 300.0, 1.0),
            _Knob("grid_offset_V", 0.0, 0.3, log=False),
            _Knob("grid_smear_V", 0.1, 1.0),
        )
    if equation == "child-langmuir":
        return (
            _Knob("mu", mu, 0.1),
            _Knob("perveance", 1.5e-3, None),
            _Knob("grid_offset_V", 0.0, 0.3, log=False),
            _Knob("knee_V", 5.0, 0.5),
        )
    if equation == "dempwolf-zolzer":
        return (
            _Knob("mu", mu, 0.1),
            _Knob("perveance", 2e-3, None),
            _Knob("exponent", 1.3, 0.5, floor=1.0),
            _Knob("sharpness", 350.0 / mu, 1.0),
            _Knob("knee_V", 5.0, 0.5),
        )
    raise ValueError(f"law: {equation!r}: must be one of {', '.join(LAWS)}")


# What a fit to measured curves holds unless it is told otherwise.
HELD: Mapping[str, Mapping[str, float]] = {
    "koren": {"grid_smear_V": 0.0},
    "child-langmuir": {"knee_V": 5.0},
    "dempwolf-zolzer": {"knee_V": 5.0},
}


def _build(
    equation: str, knobs: Sequence[_Knob], x: Sequence[float] | FloatArray,
    held: Mapping[str, float], grid: GridCurrent | None,
) -> Law:  # fmt: skip
    values = {knob.name: knob.outward(float(v)) for knob, v in zip(knobs, x, strict=True)}
    return LAWS[equation](**values, **held, grid=grid)


def _rounded(law: Law) -> Law:
    """Return the law with its fitted parameters at six figures, as the table holds them."""
    names = [knob.name for knob in _knobs(_equation(law), 1.0)]
    figures: dict[str, Any] = {name: float(f"{getattr(law, name):.6g}") for name in names}
    return replace(law, **figures)


def _equation(law: Law) -> Equation:
    return cast(Equation, next(name for name, kind in LAWS.items() if type(law) is kind))


# ---------------------------------------------------------------------------------------------
# Measured curves


@dataclass(frozen=True)
class Measurements:
    """Measured plate curves of one valve; three arrays of equal length, SI units.

    Voltages are relative to the cathode. ``source`` says where they come from.
    """

    grid_voltage_V: FloatArray
    plate_voltage_V: FloatArray
    plate_current_A: FloatArray
    source: str = "measured by the user"

    def __post_init__(self) -> None:
        for name in _COLUMNS:
            values = np.asarray(getattr(self, name), float)
            if values.ndim != 1 or values.shape != np.shape(self.grid_voltage_V):
                raise ValueError(
                    f"{name}: shape {values.shape}: must be one-dimensional and as long as "
                    "grid_voltage_V"
                )
            low, high, allowed = _COLUMNS[name]
            for i, value in enumerate(values.tolist()):
                # A comparison that nan fails.
                if not (low < value <= high):
                    raise ValueError(f"{name}[{i}]: {value!r}: must be {allowed}")
            object.__setattr__(self, name, values)

    def __len__(self) -> int:
        return int(self.grid_voltage_V.size)

    def where(self, kept: NDArray[np.bool_]) -> Measurements:
        """Return the points where ``kept`` is true."""
        return replace(self, **{name: getattr(self, name)[kept] for name in _COLUMNS})


# Least (excluded), most (included) and what to say. Small receiving triodes stay well inside; a
# value outside is nearly always a wrong unit.
_COLUMNS: Mapping[str, tuple[float, float, str]] = {
    "grid_voltage_V": (-200.0, 50.0, "in volts relative to the cathode, from -200 to 50"),
    "plate_voltage_V": (0.0, 2000.0, "in volts relative to the cathode, more than 0, up to 2000"),
    "plate_current_A": (
        0.0,
        1.0,
        "in amperes, more than 0, up to 1 (a reading in milliamperes belongs in a column "
        "plate_current_mA)",
    ),
}


def read_measurements(path: str | Path) -> Measurements:
    """Read measured plate curves from a CSV file.

    Columns ``grid_voltage_V``, ``plate_voltage_V`` and either ``plate_current_A`` or
    ``plate_current_mA``, in any order and any case; further columns are ignored, as are empty
    lines and lines that start with ``#``.

    Raises
    ------
    ValueError
        If the file cannot be read, a column is missing or double, or a value is not a plausible
        number; the message names file, row, column, value and what is allowed.
    """
    path = Path(path)
    try:
        text = path.read_text("utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise ValueError(f"{path}: not readable as a UTF-8 text file: {error}") from error
    rows = [
        (number, row)
        for number, row in enumerate(csv.reader(text.splitlines()), start=1)
        if any(cell.strip() for cell in row) and not row[0].lstrip().startswith("#")
    ]
    if not rows:
        raise ValueError(f"{path}: empty: must have a header line and one line per reading")
    (_, header), body = rows[0], rows[1:]
    place = _columns(path, header)
    milli = "plate_current_ma" in place
    found: dict[str, list[float]] = {name: [] for name in _COLUMNS}
    for number, row in body:
        for name in _COLUMNS:
            column = "plate_current_mA" if milli and name == "plate_current_A" else name
            index = place[column.casefold()]
            cell = row[index].strip() if index < len(row) else ""
            low, high, allowed = _COLUMNS[name]
            if milli and name == "plate_current_A":
                high, allowed = 1000.0, "in milliamperes, more than 0, up to 1000"
            try:
                value = float(cell)
            except ValueError:
                value = float("nan")
            if not (low < value <= high):
                raise ValueError(f"{path}: row {number}: {column}: {cell!r}: must be {allowed}")
            found[name].append(value / 1000.0 if column != name else value)
    current = np.array(found["plate_current_A"])
    if current.size and np.max(current) < 1e-6:
        column = "plate_current_mA" if milli else "plate_current_A"
        raise ValueError(
            f"{path}: {column}: largest reading {np.max(current):.3g} A: must reach at least "
            "1 microampere; is the unit of the column right?"
        )
    return Measurements(
        np.array(found["grid_voltage_V"]),
        np.array(found["plate_voltage_V"]),
        current,
        source=path.name,
    )


def _columns(path: Path, header: Sequence[str]) -> dict[str, int]:
    """Return the place of each column by casefolded name."""
    place: dict[str, int] = {}
    for i, cell in enumerate(header):
        name = cell.strip().casefold()
        if name in place:
            raise ValueError(f"{path}: header: {cell.strip()!r}: must occur once")
        place[name] = i
    needed = "grid_voltage_V, plate_voltage_V and plate_current_A (or plate_current_mA)"
    have = ", ".join(cell.strip() for cell in header)
    for column in ("grid_voltage_V", "plate_voltage_V"):
        if column.casefold() not in place:
            raise ValueError(f"{path}: header: {have!r}: {column} is missing; must have {needed}")
    currents = [c for c in ("plate_current_a", "plate_current_ma") if c in place]
    if len(currents) != 1:
        which = "both units of plate_current" if currents else "no plate_current"
        raise ValueError(f"{path}: header: {have!r}: has {which}; must have {needed}")
    return place


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

    law: Law
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

    def bias_percent(self, data: Measurements | None = None) -> float:
        """Return the mean residual (per cent) of the readings above the resolution."""
        return float(np.mean(self._counted(data)))

    def worst_percent(self, data: Measurements | None = None) -> float:
        """Return the largest absolute residual (per cent) of the readings above the resolution."""
        return float(np.max(np.abs(self._counted(data))))

    def _counted(self, data: Measurements | None) -> FloatArray:
        data = self.fitted if data is None else data
        return self.residual_percent(data)[data.plate_current_A >= self.resolution_A]

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
    law :
        Equation to fit.
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
        raise ValueError(f"law: {law!r}: must be one of {', '.join(LAWS)}")
    if held is None and law == "koren":
        # What is wrong with the readings themselves the second attempt reports all the same.
        with contextlib.suppress(ValueError):
            return fit_law(
                measurements, law, held={}, grid=grid, hold_out_every=hold_out_every,
                resolution_A=resolution_A,
            )  # fmt: skip
    start_mu, start = _start(measurements)
    fixed = dict(HELD[law] if held is None else held)
    names = [knob.name for knob in _knobs(law, start_mu)]
    for name, value in fixed.items():
        if name not in names:
            raise ValueError(f"held: {name!r}: must be a parameter of {law}: {', '.join(names)}")
        if not np.isfinite(value):
            raise ValueError(f"held: {name}: {value!r}: must be a finite number")
    knobs = [knob for knob in _knobs(law, start_mu) if knob.name not in fixed]
    if not knobs:
        raise ValueError(f"held: {', '.join(fixed)}: must leave at least one parameter to fit")
    if resolution_A is None:
        largest = float(np.max(measurements.plate_current_A, initial=0.0))
        resolution_A = _FAINT[law] * largest
    elif not (0 < resolution_A < float("inf")):
        raise ValueError(f"resolution_A: {resolution_A!r}: must be a finite number above 0")
    used, tested = _split(measurements, hold_out_every)
    _require_carrying(used, len(knobs), resolution_A)

    vg, vp, measured = used.grid_voltage_V, used.plate_voltage_V, used.plate_current_A
    log_measured = np.log(measured)
    weight = 1.0 / np.hypot(_READING, resolution_A / measured)

    def misfit(x: FloatArray) -> FloatArray:
        model = _build(law, knobs, x, fixed, grid).plate_current(vg, vp)
        # The floor keeps the logarithm finite where the law is cut off and the valve is not.
        return np.asarray((np.log(np.maximum(model, 1e-6 * resolution_A)) - log_measured) * weight)

    guesses = [
        [_inside(knob, start.get(knob.name, knob.typical), factor) for knob in knobs]
        for factor in (1.0, 0.4, 2.5)
    ]
    best = min((_solve(misfit, knobs, guess) for guess in guesses), key=lambda s: float(s.cost))
    error = _standard_errors(best, knobs)
    fitted = _rounded(_build(law, knobs, best.x, fixed, grid))
    free = ", ".join(knob.name for knob in knobs)
    result = Fit(
        law=fitted,
        equation=law,
        fitted=used,
        tested=tested,
        standard_error=error,
        method=(
            f"least squares of ln(law/reading), soft-L1 loss at {100 * _READING:g} %, to "
            f"{len(used)} readings of plate current; free: {free}"
            + (f"; every reading number {hold_out_every} kept for the test" if tested else "")
        ),
        resolution_A=resolution_A,
    )
    # First whether the law fits at all: a misfit also blows up the standard errors.
    strong = used.where(measured >= 0.05 * np.max(measured))
    if result.rms_percent(strong) > _MOST_RMS_PERCENT:
        raise ValueError(
            f"measurements: r.m.s. residual {result.rms_percent(strong):.0f} % after the fit, of "
            "the readings above a twentieth of the largest: must be at most "
            f"{_MOST_RMS_PERCENT:g} %; these curves are not those of a triode that the "
            f"{law} law describes, or columns are swapped or in the wrong unit"
        )
    _require_determined(error, best, knobs, fixed)
    return result


_MOST_RMS_PERCENT = 25.0


def _inside(knob: _Knob, value: float, factor: float) -> float:
    low, high = knob.bounds
    # Other starts differ in sharpness only, the parameter that local minima hang on.
    scale = factor if knob.name in ("kp", "sharpness") else 1.0
    return float(np.clip(knob.inward(value * scale), low + 1e-3, high - 1e-3))


def _solve(
    misfit: Callable[[FloatArray], FloatArray], knobs: Sequence[_Knob], guess: Sequence[float]
) -> Any:
    low, high = zip(*(knob.bounds for knob in knobs), strict=True)
    return least_squares(
        misfit, guess, bounds=(low, high), loss="soft_l1", x_scale="jac", max_nfev=400,
        xtol=1e-10, ftol=1e-10, gtol=1e-10,
    )  # fmt: skip


def _split(
    measurements: Measurements, every: int | None
) -> tuple[Measurements, Measurements | None]:
    if every is None:
        return measurements, None
    if every < 2:
        raise ValueError(f"hold_out_every: {every!r}: must be 2 or more, or None")
    kept_back = np.arange(len(measurements)) % every == every - 1
    if not np.any(kept_back):
        raise ValueError(
            f"hold_out_every: {every!r}: must be at most {len(measurements)}, the number of "
            "readings"
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
    """Group nearly equal values: return the level of each group and each value's group.

    Settings of a supply repeat within a little; a gap of over 2 % of the span parts two levels.
    """
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
        raise ValueError(
            f"measurements: {len(data)} readings: must be at least {3 * free}, three for each of "
            f"the {free} free parameters; measure more or hold parameters"
        )
    current = data.plate_current_A
    if np.max(current) < 10e-6:
        raise ValueError(
            f"plate_current_A: largest {np.max(current):.3g}: must reach 1e-05; every reading is "
            "in cut-off"
        )
    levels, group = _levels(data.grid_voltage_V)
    if np.ptp(data.grid_voltage_V) < 0.02 or levels.size < 2:
        raise ValueError(
            f"grid_voltage_V: {data.grid_voltage_V[0]:g} only: must take two values or more; one "
            "curve does not tell the grid's effect from the plate's"
        )
    low, high = float(np.min(data.plate_voltage_V)), float(np.max(data.plate_voltage_V))
    if high < 1.5 * low:
        raise ValueError(
            f"plate_voltage_V: {low:g} to {high:g}: must span at least a factor of 1.5; the "
            "plate's effect is not to be seen"
        )
    counted = current[current >= resolution_A]
    if np.max(counted) < 5.0 * np.min(counted):
        raise ValueError(
            f"plate_current_A: {np.min(counted):.3g} to {np.max(counted):.3g}: must span at least "
            "a factor of 5; the curvature is not to be seen"
        )
    _require_rising(data, group, resolution_A)


def _require_rising(data: Measurements, group: NDArray[np.intp], resolution_A: float) -> None:
    """Raise where, at one grid voltage, the current falls while the plate voltage rises."""
    # By grid voltage, then by plate voltage: neighbours are then to be compared.
    order = np.lexsort((data.plate_voltage_V, group))
    vg, vp, current = (getattr(data, name)[order] for name in _COLUMNS)
    same = np.diff(group[order]) == 0
    # A tenth allows for reading error; anything more no triode does.
    falls = same & (current[1:] < 0.9 * current[:-1] - resolution_A) & (vp[1:] > vp[:-1])
    if np.any(falls):
        i = int(np.flatnonzero(falls)[0])
        raise ValueError(
            f"plate_current_A: at grid_voltage_V {vg[i]:g} it falls from {current[i]:.4g} at "
            f"{vp[i]:g} V to {current[i + 1]:.4g} at {vp[i + 1]:g} V: must rise with the plate "
            "voltage"
        )


def _standard_errors(solution: Any, knobs: Sequence[_Knob]) -> dict[str, float]:
    """Return the standard error of each parameter, relative, or in volts where it may be 0.

    From the Gauss-Newton covariance. The residuals are in units of the reading error; where they
    come out smaller (synthetic data) that error still stands, so that the answer does not depend
    on luck.
    """
    jacobian = np.asarray(solution.jac)
    spare = max(jacobian.shape[0] - jacobian.shape[1], 1)
    variance = max(2.0 * float(solution.cost) / spare, 1.0)
    _, singular, axes = np.linalg.svd(jacobian, full_matrices=False)
    # A direction without effect gets a large but finite error, so that the guilty can be named.
    singular = np.maximum(singular, 1e-9 * np.max(singular, initial=1e-300))
    spread = np.sqrt(variance * np.sum((axes.T / singular) ** 2, axis=1))
    error = {}
    for knob, x, s in zip(knobs, solution.x, spread, strict=True):
        value = knob.outward(float(x))
        # The solver's logarithm is that of what is above the floor.
        error[knob.name] = float(s) * (1.0 - knob.floor / value if knob.log else 1.0)
    return error


# A parameter known to no better than half its value, or an offset to half a volt, is not known.
_MOST_ERROR = 0.5


def _require_determined(
    error: Mapping[str, float], solution: Any, knobs: Sequence[_Knob], fixed: Mapping[str, float]
) -> None:
    worst = max(error, key=lambda name: error[name])
    at_bound = [
        knob.name
        for knob, x in zip(knobs, solution.x, strict=True)
        if min(x - knob.bounds[0], knob.bounds[1] - x) < 1e-3
    ]
    if error[worst] <= _MOST_ERROR and not at_bound:
        return
    name = worst if error[worst] > _MOST_ERROR else at_bound[0]
    knob = next(k for k in knobs if k.name == name)
    if name == worst and error[worst] > _MOST_ERROR:
        how = (
            f"standard error {100 * error[name]:.0f} %" if knob.log
            else f"standard error {error[name]:.2g} V"
        )  # fmt: skip
    else:
        how = "it ran to the end of its range"
    raise ValueError(
        f"{name}: not determined by these measurements ({how}): must be within 50 %, or 0.5 V; "
        f"{_ADVICE[name]}, or hold it: held={ {**fixed, name: round(knob.typical, 4)}!r}"
    )


_ADVICE: Mapping[str, str] = {
    "mu": "add readings at other grid and plate voltages",
    "ex": "add readings over a wider range of current",
    "exponent": "add readings over a wider range of current",
    "kg1": "add readings at higher current",
    "perveance": "add readings at higher current",
    "kp": "add readings near cut-off",
    "sharpness": "add readings near cut-off",
    "kvb": "add readings at low plate voltage and a grid near zero",
    "knee_V": "add readings at plate voltages of a few volts",
    "grid_offset_V": "add readings at other grid voltages",
    "grid_smear_V": "add readings near cut-off at low plate voltage",
}


# ---------------------------------------------------------------------------------------------
# Published points

# Relative weight of one published number: how far a typical sheet is rounded and how far such
# sheets contradict each other (common practice, no source).
_PUBLISHED_SIGMA: Mapping[str, float] = {
    "plate_current_A": 0.02,
    "transconductance_S": 0.02,
    "plate_resistance_ohm": 0.04,
    "amplification_factor": 0.03,
    "stage_gain": 0.02,
}

_STAGE_PARTS = ("supply_V", "plate_load_ohm", "cathode_resistor_ohm")


def law_values(law: Law, points: Sequence[FitPoint]) -> FloatArray:
    """Return what a law gives for each point, in the point's unit; shape ``(len(points),)``.

    A stage gain is that of the fully bypassed stage into ``next_leak_ohm`` (no load when absent)
    at its own operating point with the grid at ground: gm / (1/rp + 1/load + 1/leak).

    Raises
    ------
    ValueError
        If a point lacks a condition that its quantity needs.
    """
    found = np.empty(len(points))
    gains = [i for i, p in enumerate(points) if p.quantity == "stage_gain"]
    plain = [i for i, p in enumerate(points) if p.quantity != "stage_gain"]
    if plain:
        vg = _condition([points[i] for i in plain], "grid_V")
        vp = _condition([points[i] for i in plain], "plate_V")
        current, gm, gp = law.linearise(vg, vp)
        with np.errstate(divide="ignore", invalid="ignore"):
            table = {
                "plate_current_A": current,
                "transconductance_S": gm,
                "plate_resistance_ohm": 1.0 / gp,
                "amplification_factor": gm / gp,
            }
        for place, i in enumerate(plain):
            found[i] = table[points[i].quantity][place]
    if gains:
        rows = [points[i] for i in gains]
        supply, load, cathode = (_condition(rows, part) for part in _STAGE_PARTS)
        leak = np.array([p.conditions.get("next_leak_ohm", np.inf) for p in rows])
        # Grid current is left out: the charts bias at -1 V or below, where it is nanoamperes.
        bare = replace(law, grid=None)
        point = operating_point(
            Stage(supply_V=supply, plate_load_ohm=load, cathode_resistor_ohm=cathode), bare
        )
        outside = 1.0 / parallel(load, leak)
        found[gains] = point.transconductance_S / (point.plate_conductance_S + outside)
    return found


def _condition(points: Sequence[FitPoint], name: str) -> FloatArray:
    for p in points:
        if name not in p.conditions:
            raise ValueError(
                f"{p.quantity}: conditions {dict(p.conditions)!r}: must give {name} (source: "
                f"{p.source})"
            )
    return np.array([p.conditions[name] for p in points])


def fit_published(
    points: Sequence[FitPoint],
    law: Equation = "koren",
    *,
    curves: Sequence[CurveReadings] = (),
    grid: GridCurrent | None = None,
) -> tuple[Law, FitRecord]:
    """Fit a law to published points and curves; those marked ``tested`` only test it.

    A few points do not fix every parameter: each is also held, with a stated width, near a value
    typical of small triodes, the amplification factor near the published one.

    Returns
    -------
    law :
        Fitted law, parameters at six figures, carrying ``grid``.
    record :
        The points with what the law gives, and the method in words.

    Raises
    ------
    ValueError
        If no point is marked ``fitted``, or none of these tells the amplification factor.
    """
    fitted = [p for p in points if p.used == "fitted"]
    mu = _published_mu(fitted)
    knobs = _knobs(law, mu)
    published = np.array([p.published for p in fitted])
    sigma = np.array([_PUBLISHED_SIGMA[p.quantity] for p in fitted])
    centre = np.array([knob.inward(knob.typical) for knob in knobs])
    held_near = [i for i, knob in enumerate(knobs) if knob.width is not None]
    width = np.array([knobs[i].width for i in held_near], dtype=float)

    def misfit(x: FloatArray) -> FloatArray:
        model = law_values(_build(law, knobs, x, {}, None), fitted)
        return np.concatenate(
            [_log_ratio(model, published) / sigma, (x - centre)[held_near] / width]
        )

    solution = _solve(misfit, knobs, list(centre))
    read = [c for c in curves if c.used == "fitted"]
    if read:
        first = _build(law, knobs, solution.x, {}, None)
        vg, vp, current = (
            np.concatenate([c.column(name) for c in read])
            for name in ("grid_V", "plate_V", "plate_current_A")
        )
        curve_sigma = np.concatenate([_reading_sigma(c, first) for c in read])

        def with_curves(x: FloatArray) -> FloatArray:
            model = _build(law, knobs, x, {}, None).plate_current(vg, vp)
            return np.concatenate([misfit(x), _log_ratio(model, current) / curve_sigma])

        solution = _solve(with_curves, knobs, list(solution.x))
    result = _rounded(_build(law, knobs, solution.x, {}, grid))
    values = law_values(result, points)
    method = (
        "scipy.optimize.least_squares, soft-L1 loss, of ln(law/published); one sigma "
        + ", ".join(
            f"{100 * _PUBLISHED_SIGMA[q]:g} % {q}"
            for q in _PUBLISHED_SIGMA
            if any(p.quantity == q for p in fitted)
        )
        + (
            f"; {sum(len(c.readings) for c in read)} readings off curves, one sigma "
            f"{100 * _PUBLISHED_SIGMA['plate_current_A']:g} % and the errors of reading"
            if read
            else ""
        )
        + "; held near typical: "
        + ", ".join(
            f"{k.name} {k.typical:g} within "
            + (f"a factor {np.exp(k.width):.2g}" if k.log else f"{k.width:g} V")
            + (" (above 1)" if k.floor else "")
            for k in knobs
            if k.width is not None
        )
    )
    return result, FitRecord(
        method,
        tuple(replace(p, law=float(f"{v:.6g}")) for p, v in zip(points, values, strict=True)),
        tuple(_with_law(c, result) for c in curves),
    )


def _log_ratio(model: FloatArray, datum: FloatArray) -> FloatArray:
    # Bounds keep the logarithm finite where a trial law is cut off.
    return np.asarray(np.log(np.clip(np.nan_to_num(model / datum, nan=1e-9), 1e-9, 1e9)))


def _reading_sigma(curve: CurveReadings, law: Law) -> FloatArray:
    """Return one sigma of each reading's current, relative, shape ``(readings,)``."""
    current = curve.column("plate_current_A")
    _, _, slope_S = law.linearise(curve.column("grid_V"), curve.column("plate_V"))
    by_chart = np.hypot(curve.within_A, slope_S * curve.within_V) / current
    return np.asarray(np.hypot(_PUBLISHED_SIGMA["plate_current_A"], by_chart))


def _with_law(curve: CurveReadings, law: Law) -> CurveReadings:
    given = law.plate_current(curve.column("grid_V"), curve.column("plate_V"))
    return replace(
        curve,
        readings=tuple(
            replace(r, law_A=float(f"{v:.6g}")) for r, v in zip(curve.readings, given, strict=True)
        ),
    )


def _published_mu(points: Iterable[FitPoint]) -> float:
    """Return the amplification factor that the points state, or gm times rp of one condition."""
    by_condition: dict[tuple[tuple[str, float], ...], dict[str, float]] = {}
    for p in points:
        key = tuple(sorted(p.conditions.items()))
        by_condition.setdefault(key, {})[p.quantity] = p.published
    found = []
    for given in by_condition.values():
        if "amplification_factor" in given:
            found.append(given["amplification_factor"])
        elif {"transconductance_S", "plate_resistance_ohm"} <= given.keys():
            found.append(given["transconductance_S"] * given["plate_resistance_ohm"])
    if not found:
        raise ValueError(
            'points: must hold at least one marked "fitted" that states the amplification factor, '
            "or transconductance and plate resistance at one condition"
        )
    return float(np.median(found))


def refit(entry: Valve) -> Valve:
    """Return a table entry with its law fitted anew to the published points it records.

    Raises
    ------
    ValueError
        If the entry records no points, or they do not carry the fit.
    """
    if entry.fit is None or not entry.fit.points:
        raise ValueError(f"{entry.name}: fit: none: must record the points to fit")
    law, record = fit_published(
        entry.fit.points, _equation(entry.law), curves=entry.fit.curves, grid=entry.law.grid
    )
    return replace(entry, law=law, fit=record)


# ---------------------------------------------------------------------------------------------
# Table entries


def valve_entry_toml(
    name: str,
    fit: Fit,
    *,
    like: Valve | str | None = None,
    capacitances_F: tuple[float, float, float] | None = None,
    capacitance_source: str = "given by the user",
    aliases: Sequence[str] = (),
    description: str = "",
    into: str | Path | None = None,
) -> str:
    """Return a valve table entry for a fitted law and, on request, write it into a table file.

    Parameters
    ----------
    name :
        Name of the new entry.
    fit :
        What :func:`fit_law` gave.
    like :
        Valve (or its name) that capacitances, ratings, heater, noise and spread are taken from.
    capacitances_F :
        Grid-cathode, grid-plate and plate-cathode capacitance (F) instead of those.
    capacitance_source, aliases, description :
        Words for the entry.
    into :
        TOML file of valves; the entry replaces the one of its name or joins the others. The file
        is replaced as a whole, never left half written; comments in it are not kept.

    Raises
    ------
    ValueError
        If neither ``like`` nor ``capacitances_F`` is given, or ``into`` cannot be read as a
        table.
    """
    if not name.strip():
        raise ValueError(f"name: {name!r}: must not be empty")
    model = valve(like) if isinstance(like, str) else like
    given: dict[str, Any] = {
        "name": name.strip(),
        "aliases": tuple(aliases),
        "description": description,
        "law": fit.law,
        "law_source": f"fitted with stagefront to {fit.fitted.source}",
        "fit": fit.record,
    }
    if fit.law.grid is not None:
        given["grid_current_source"] = "not fitted: carried over by the user"
        if model is not None and model.law.grid == fit.law.grid:
            given["grid_current_source"] = f"as {model.name}: {model.grid_current_source}"
    if capacitances_F is not None:
        for field, value in zip(
            ("c_grid_cathode_F", "c_grid_plate_F", "c_plate_cathode_F"),
            capacitances_F,
            strict=True,
        ):
            if not (0 <= value < 1e-6):
                raise ValueError(f"{field}: {value!r}: must be in farads, from 0 to 1e-6")
            given[field] = float(value)
        given["capacitance_source"] = capacitance_source
        for field in ("c_grid_plate", "c_grid_cathode", "c_plate_cathode"):
            given[f"{field}_shielded_F"] = None
    elif model is None:
        raise ValueError("capacitances_F: None: must be given, or a valve to take them from (like)")
    else:
        given["capacitance_source"] = f"as {model.name}: {model.capacitance_source}"
    entry = Valve(**given) if model is None else replace(model, **given)
    if into is not None:
        path = Path(into)
        others = load_valves(path) if path.exists() else ()
        kept = [v for v in others if v.name.casefold() != entry.name.casefold()]
        write_valves(path, [*kept, entry])
    return format_valves([entry])


def write_valves(path: str | Path, entries: Iterable[Valve], header: str = "") -> None:
    """Write a valve table, all of it or nothing: a temporary file beside it, then a rename.

    Raises
    ------
    ValueError
        If the entries do not read back (two of one name), before anything is written.
    OSError
        If the folder cannot be written to.
    """
    path = Path(path)
    text = format_valves(entries, header)
    read_valves(text, str(path))
    handle, temporary = tempfile.mkstemp(prefix=f".{path.name}.", suffix=".tmp", dir=path.parent)
    try:
        with os.fdopen(handle, "w", encoding="utf-8", newline="\n") as stream:
            stream.write(text)
            stream.flush()
            os.fsync(stream.fileno())
        # mkstemp makes the file private; a table is an ordinary file.
        Path(temporary).chmod(path.stat().st_mode if path.exists() else 0o644)
        Path(temporary).replace(path)
    except BaseException:
        Path(temporary).unlink(missing_ok=True)
        raise


TABLE_HEADER = """\
Valve table of stagefront: one [[valve]] per type, one section of it.

Each law is fitted by us; [valve.fit] lists every published number with what the law gives for it
and whether the fit has used it ("fitted") or not ("tested"). "from memory" marks a value that was
not checked against the document it names. Refit and rewrite the whole file:
python -m objectives.fitting refit objectives/data/valves.toml --write"""


def _report(entry: Valve) -> str:
    lines = [f"{entry.name}: {entry.law}"]
    for p in entry.fit.points if entry.fit else ():
        at = ", ".join(f"{k} {v:g}" for k, v in p.conditions.items())
        lines.append(
            f"  {p.used:7} {p.quantity:21} {p.published:10.4g} {p.law:10.4g} "
            f"{p.residual_percent:+6.1f} %  {at}"
        )
    for c in entry.fit.curves if entry.fit else ():
        off = c.plate_error_V(entry.law)
        lines.append(
            f"  {c.used:7} {len(c.readings)} readings off curves: {np.sqrt(np.mean(off**2)):.1f} V "
            f"r.m.s. along the plate voltage, at most {np.max(np.abs(off)):.1f} V  ({c.source})"
        )
    return "\n".join(lines)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run ``python -m objectives.fitting``; return the exit status."""
    parser = argparse.ArgumentParser(
        prog="python -m objectives.fitting", description="Refit the laws of a valve table."
    )
    commands = parser.add_subparsers(dest="command", required=True)
    again = commands.add_parser("refit", help="fit every valve of a table anew to its points")
    again.add_argument("table", nargs="?", help="TOML file; the built-in table when absent")
    again.add_argument("--write", action="store_true", help="replace the table by the result")
    given = parser.parse_args(arguments)
    try:
        _refit_table(given.table, given.write)
    except (ValueError, OSError) as error:
        print(f"error: {error}", file=sys.stderr)
        return 1
    return 0


def _refit_table(table: str | None, write: bool) -> None:
    with resources.as_file(resources.files("objectives") / "data" / "valves.toml") as built_in:
        path = built_in if table is None else Path(table)
        entries = [refit(v) if v.fit and v.fit.points else v for v in load_valves(path)]
        for entry in entries:
            print(_report(entry))
        if write:
            write_valves(path, entries, TABLE_HEADER)


if __name__ == "__main__":
    raise SystemExit(main())
