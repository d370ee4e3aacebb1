"""Fitting a triode law to published points and curves: to few numbers for its parameters.

The fit is least squares (SciPy) on the logarithm of the ratio of the law to the datum. What
the published numbers leave open is held near values typical of small triodes.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

import numpy as np
from scipy.optimize import elementwise

from objectives.arrays import FloatArray
from objectives.checks import InputError, Written
from objectives.circuit.network import Network
from objectives.circuit.operating_point import operating_point
from objectives.circuit.small_signal import SmallSignal
from objectives.devices.fit_record import FAINT_A, QUANTITIES, CurveReadings, FitPoint, FitRecord
from objectives.devices.protocol import MET_WITHIN, OperatingPoint, TrustedRange
from objectives.devices.triodes import Equation, GridCurrent, TriodeLaw
from objectives.devices.valve import Valve
from objectives.fitting.measured import solve
from objectives.fitting.parameters import law_from, parameter_words, rounded, unknowns
from objectives.stage import Stage, parallel
from objectives.transient.headroom import headroom

# Relative weight of one published number: how far a typical sheet is rounded and how far such
# sheets contradict each other (common practice, no source). Gains come by the dozen, the rows of
# one chart with their errors in common, so that each counts for less.
_PUBLISHED_SIGMA: Mapping[str, float] = {
    "plate_current_A": 0.02,
    "transconductance_S": 0.015,
    "plate_resistance_ohm": 0.035,
    "amplification_factor": 0.03,
    "stage_gain": 0.04,
    "output_V_rms": 0.1,  # "about" so much distortion
}
# A grid voltage for next to no current is published as approximate: within a volt or so.
_FAINT_SIGMA = 0.3
_STAGE_PARTS = ("supply_V", "plate_load_ohm", "cathode_resistor_ohm")


def law_values(law: TriodeLaw, points: Sequence[FitPoint]) -> FloatArray:
    """Return what a law gives for each point, in the point's unit; shape ``(len(points),)``.

    A stage gain is that of the fully bypassed stage into ``next_leak_ohm`` (no load when absent)
    at its own operating point with the grid at ground: gm / (1/rp + 1/load + 1/leak). An output is
    that of the same stage at ``distortion_percent``. What is stated at a plate current instead of a
    grid voltage holds at the grid voltage of that current.

    Raises
    ------
    ValueError
        If a point lacks a condition that its quantity needs.
    """
    found = np.empty(len(points))
    of_stage = {name: [i for i, p in enumerate(points) if p.quantity == name] for name in _OF_STAGE}
    plain = [i for i, p in enumerate(points) if p.quantity not in _OF_STAGE]
    if plain:
        vp = _condition([points[i] for i in plain], "plate_V")
        vg = _grid_V([points[i] for i in plain], vp, law)
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
    for name, at in of_stage.items():
        if at:
            found[at] = _OF_STAGE[name](law, [points[i] for i in at])
    return found


def _at_rest(law: TriodeLaw, rows: Sequence[FitPoint]) -> tuple[Stage, OperatingPoint]:
    supply, load, cathode = (_condition(rows, part) for part in _STAGE_PARTS)
    stage = Stage(
        supply_V=supply,
        plate_load_ohm=load,
        cathode_resistor_ohm=cathode,
        load_ohm=np.array([p.conditions.get("next_leak_ohm", np.inf) for p in rows]),
    )
    # Grid current is left out: the charts bias at -1 V or below, where it is nanoamperes.
    return stage, operating_point(stage, replace(law, grid=None))


def _gain(law: TriodeLaw, rows: Sequence[FitPoint]) -> FloatArray:
    stage, point = _at_rest(law, rows)
    outside = 1.0 / parallel(stage.plate_load_ohm, stage.load_ohm)
    return np.asarray(point.transconductance_S / (point.plate_conductance_S + outside))


def _output_V_rms(law: TriodeLaw, rows: Sequence[FitPoint]) -> FloatArray:
    stage, point = _at_rest(law, rows)
    slopes = SmallSignal(point.transconductance_S, point.plate_conductance_S, 0.0, 0.0, 0.0)
    swing = headroom(replace(law, grid=None), point, Network(stage, slopes, 1e3))
    percent = _condition(rows, "distortion_percent")
    return np.asarray(sum((percent == p) * swing.output_V_rms(p) for p in set(percent.tolist())))


_OF_STAGE = {"stage_gain": _gain, "output_V_rms": _output_V_rms}


def trusted_range(
    law: TriodeLaw,
    points: Sequence[FitPoint],
    curves: Sequence[CurveReadings] = (),
    plate_voltage_max_V: float | None = None,
) -> TrustedRange | None:
    """Return the currents and voltages between which data were met within MET_WITHIN, seen or not.

    Currents below 0.1 mA do not count, unless the factor is known there, and no law is trusted
    beyond the rated plate voltage. None where no datum is met.
    """
    known = [*points, *(p for c in curves for p in c.points)]
    off = np.abs(law_values(law, known) / [p.published for p in known] - 1.0)
    met = [p for p, by in zip(known, off, strict=True) if by <= MET_WITHIN]
    met = [p for p in met if not p.faint]
    of_stage = [p for p in met if p.quantity in _OF_STAGE]
    plain = [p for p in met if p.quantity not in _OF_STAGE]
    if not met:
        return None
    current: list[float] = []
    plate: list[float] = []
    if of_stage:
        _, rest = _at_rest(law, of_stage)
        current, plate = rest.plate_current_A.tolist(), rest.plate_cathode_V.tolist()
    if plain:
        vp = _condition(plain, "plate_V")
        current += law.plate_current(_grid_V(plain, vp, law), vp).tolist()
        plate += vp.tolist()

    def ends(values: list[float]) -> tuple[float, float]:
        return float(f"{min(values):.3g}"), float(f"{max(values):.3g}")

    rated = np.inf if plate_voltage_max_V is None else plate_voltage_max_V
    return TrustedRange(ends(current), ends([min(voltage, rated) for voltage in plate]))


def _grid_V(points: Sequence[FitPoint], plate_V: FloatArray, law: TriodeLaw) -> FloatArray:
    """Return the grid voltage of each point, stated or that of the stated plate current."""
    grid = np.array([p.conditions.get("grid_V", np.nan) for p in points])
    of_current = np.isnan(grid)
    if np.any(of_current):
        rows = [p for p, wanted in zip(points, of_current, strict=True) if wanted]
        current, plate = _condition(rows, "plate_current_A"), plate_V[of_current]

        def excess(grid_V: FloatArray, plate_V: FloatArray, wanted_A: FloatArray) -> FloatArray:
            return np.asarray(law.plate_current(grid_V, plate_V) - wanted_A)

        ends = np.full(plate.shape, -100.0), np.full(plate.shape, 20.0)
        grid[of_current] = elementwise.find_root(excess, ends, args=(plate, current)).x
    return grid


def _condition(points: Sequence[FitPoint], name: str) -> FloatArray:
    for p in points:
        if name not in p.conditions:
            raise InputError(
                f"{p.quantity}",
                Written(f"conditions {dict(p.conditions)!r}"),
                f"must give {name} (source: {p.source})",
            )
    return np.array([p.conditions[name] for p in points])


def fit_published(
    points: Sequence[FitPoint],
    law: Equation = "koren",
    *,
    curves: Sequence[CurveReadings] = (),
    grid: GridCurrent | None = None,
) -> tuple[TriodeLaw, FitRecord]:
    """Fit a law to published points and curves; those marked ``tested`` only test it.

    A few points do not fix every parameter: each is also held, with a stated width, near a value
    typical of small triodes.

    Returns
    -------
    The law, parameters at six figures, carrying ``grid``; and the points with what the law gives,
    and the method in words.

    Raises
    ------
    ValueError
        If no point is marked ``fitted``, or none of these tells the amplification factor.
    """
    fitted = [p for p in points if p.used == "fitted"]
    mu = _published_mu(fitted)
    knobs = unknowns(law, mu)
    published = np.array([p.published for p in fitted])
    sigma = np.array([_sigma(p) for p in fitted])
    centre = np.array([knob.to_solver(knob.typical) for knob in knobs])
    held_near = [i for i, knob in enumerate(knobs) if knob.width is not None]
    width = np.array([knobs[i].width for i in held_near], dtype=float)

    def misfit(x: FloatArray) -> FloatArray:
        model = law_values(law_from(law, knobs, x, {}, None), fitted)
        return np.concatenate(
            [_log_ratio(model, published) / sigma, (x - centre)[held_near] / width]
        )

    # A sheet's few numbers all count in full.
    solution = solve(misfit, knobs, {}, "linear")
    read = [c for c in curves if c.used == "fitted"]
    if read:
        first = law_from(law, knobs, solution.x, {}, None)
        vg, vp, current = (
            np.concatenate([c.column(name) for c in read])
            for name in ("grid_V", "plate_V", "plate_current_A")
        )
        curve_sigma = np.concatenate([_reading_sigma(c, first) for c in read])

        def with_curves(x: FloatArray) -> FloatArray:
            model = law_from(law, knobs, x, {}, None).plate_current(vg, vp)
            off = _log_ratio(model, current) / curve_sigma
            return np.concatenate([misfit(x), _softened(off)])

        solution = solve(with_curves, knobs, {}, "linear")
    result = rounded(law_from(law, knobs, solution.x, {}, grid))
    values = law_values(result, points)
    method = (
        "least squares of the logarithm of law over published number; one sigma "
        + ", ".join(
            f"{100 * _PUBLISHED_SIGMA[q]:g} % of {QUANTITIES[q]}"
            for q in _PUBLISHED_SIGMA
            if any(p.quantity == q for p in fitted)
        )
        + (
            f", {100 * _FAINT_SIGMA:g} % of currents below {1e3 * FAINT_A:g} mA"
            if any(p.faint for p in fitted)
            else ""
        )
        + (
            f"; {sum(len(c.readings) for c in read)} readings off curves, soft-L1 loss, one sigma "
            f"{100 * _PUBLISHED_SIGMA['plate_current_A']:g} % and the errors of reading"
            if read
            else ""
        )
        + "; held near typical: "
        + ", ".join(
            f"{parameter_words(law, k.name)} {k.typical:g} within "
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


def _softened(off: FloatArray) -> FloatArray:
    """Return residuals whose squares are SciPy's soft-L1 loss: a wild reading counts less."""
    return np.asarray(np.sign(off) * np.sqrt(2.0 * (np.hypot(1.0, off) - 1.0)))


def _sigma(point: FitPoint) -> float:
    return _FAINT_SIGMA if point.faint else _PUBLISHED_SIGMA[point.quantity]


def _log_ratio(model: FloatArray, datum: FloatArray) -> FloatArray:
    # Bounds keep the logarithm finite where a trial law is cut off.
    return np.asarray(np.log(np.clip(np.nan_to_num(model / datum, nan=1e-9), 1e-9, 1e9)))


def _reading_sigma(curve: CurveReadings, law: TriodeLaw) -> FloatArray:
    """Return one sigma of each reading's current, relative, shape ``(readings,)``."""
    current = curve.column("plate_current_A")
    _, _, slope_S = law.linearise(curve.column("grid_V"), curve.column("plate_V"))
    by_chart = np.hypot(curve.within_A, slope_S * curve.within_V) / current
    return np.asarray(np.hypot(_PUBLISHED_SIGMA["plate_current_A"], by_chart))


def _with_law(curve: CurveReadings, law: TriodeLaw) -> CurveReadings:
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
        raise InputError(
            "points",
            Written("none"),
            'must hold at least one marked "fitted" that states the amplification factor, '
            "or transconductance and plate resistance at one condition",
        )
    return float(np.median(found))


def refit(entry: Valve) -> Valve:
    """Return a table entry with its law fitted anew to the published points that it records.

    Without any, or where they do not carry the fit, an InputError is raised.
    """
    if entry.fit is None or not entry.fit.points:
        raise InputError(f"{entry.name}", Written("fit"), "none: must record the points to fit")
    law, record = fit_published(
        entry.fit.points, entry.law.equation, curves=entry.fit.curves, grid=entry.law.grid
    )
    trusted = trusted_range(law, record.points, record.curves, entry.plate_voltage_max_V)
    return replace(entry, law=law, fit=record, trusted=trusted)
