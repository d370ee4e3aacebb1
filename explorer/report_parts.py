"""The parts list of a design: what to order for each part, and real parts for idealised ones."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from explorer.brief.parts import PART_ELEMENTS
from explorer.evaluation import Parts
from explorer.problem import Problem
from explorer.series import series_values
from objectives.assessment import Assessment
from objectives.elements import BIAS_LOWER, BIAS_UPPER, DRIVER, ELEMENTS
from objectives.format import first
from objectives.marking import iec_60062_code
from objectives.ordering import (
    SIGNALS_ONLY,
    order,
    signal_stresses,
    stresses,
    sufficient_capacitor_F,
    supply_rise,
)
from reports.model import DriverSummary, PartLine

_CAPACITORS_F = (100e-12, 0.1)
"""Smallest and largest capacitor that takes the place of an ideal one."""

_RESISTOR, _POTENTIOMETER = (-0.05, 0.05), (-0.2, 0.2)
"""Tolerances of an attenuator's resistors and of a level control (common practice, no source)."""

_SERIES, _TRACK = f"{DRIVER}divider_series_ohm", f"{DRIVER}divider_shunt_ohm"


def lowest_wanted_Hz(problem: Problem) -> float:
    """Return the lowest frequency that a brief wants: its limit on the lower corner, or its band's.

    That is what a capacitor that stands in for an ideal one is chosen for.
    """
    for window in problem.windows:
        if window.name == "lower_corner_Hz" and math.isfinite(window.at_most):
            return window.at_most
    return problem.targets.noise_band_Hz[0]


def real_parts(problem: Problem, capacitor_series: str, pick: Assessment) -> dict[str, float]:
    """Return the capacitor (F) that does the work of each ideal one of a design, by element.

    A ``full`` bypass, and an output coupling left ``direct`` into a resistance: a plate is at a
    direct voltage. Each is the smallest of the series that
    :func:`~objectives.ordering.sufficient_capacitor_F` allows; nan where none is large enough.
    """
    stage = pick.stage
    values = series_values(capacitor_series, *_CAPACITORS_F)
    ideal = {
        "bypass_F": first(stage.cathode_resistor_ohm) > 0,
        "output_coupling_F": pick.follower is None and math.isfinite(first(stage.load_ohm)),
    }
    return {
        part: first(sufficient_capacitor_F(pick, part, values, lowest_wanted_Hz(problem)))
        for part, needed in ideal.items()
        if needed and math.isinf(first(getattr(stage, part)))
    }


def part_lines(
    problem: Problem, capacitor_series: str, pick: Assessment, own: Parts, driver: DriverSummary
) -> list[PartLine]:
    """Return the parts list of a stage by the order of elements, its decoupling and its driver.

    Parameters
    ----------
    capacitor_series :
        From which capacitors are taken that stand in for ideal ones.
    pick, own, driver :
        The stage, the parts that it states itself, and what drives it.
    """
    stage = pick.stage.numeric_fields()
    origins = {c.part: c.origin for c in problem.choices}
    setup = problem.tolerance_of(own)
    spreads = {s.quantity: s for s in (() if setup is None else setup.spreads)}
    borne = stresses(pick, driver.supply_V)
    real = real_parts(problem, capacitor_series, pick)
    attenuator = (driver.series_ohm, driver.shunt_ohm)
    if not math.isnan(driver.supply_V) and math.isfinite(driver.shunt_ohm):
        of_signal = signal_stresses(attenuator, driver.supply_V * (1 + supply_rise(pick)))
        borne |= dict(zip((_SERIES, _TRACK), of_signal, strict=True))

    def tolerance(field: str, value: float) -> tuple[float, float]:
        if field == _TRACK and driver.level < 1:
            return _POTENTIOMETER
        name = "grid_leak_ohm" if field in (BIAS_UPPER, BIAS_LOWER) else field
        if name not in spreads and name in stage:
            spreads[name] = problem.tolerances.spread(name, np.array([value]))
        return (spreads[name].low, spreads[name].high) if name in spreads else _RESISTOR

    def line(field: str, value: float, bought: float) -> PartLine:
        element, stress = ELEMENTS[field], borne.get(field, SIGNALS_ONLY)
        down_to = lowest_wanted_Hz(problem) if field in real else math.nan
        made = PartLine(field, value, "", origins.get(field, ""), bought, down_to, stress)
        if not math.isfinite(bought):
            return made
        ordered = order(
            bought if element.kind == "capacitor" else None,
            stress,
            tolerance(field, bought),
            pick.targets.derating,
            pick.targets.part_ratings.get(field),
        )
        marking, note = iec_60062_code(bought, element.unit), problem.note(field, value)
        return replace(made, marking=marking, note=note, order=ordered)

    bias = dict(zip((BIAS_UPPER, BIAS_LOWER), map(first, pick.stage.bias_divider_ohm), strict=True))
    lines = []
    for element in PART_ELEMENTS.values():
        field, value = element.name, first(stage[element.name])
        fitted = 0 < value < np.inf and not (element.needs and first(stage[element.needs]) == 0)
        if field == "grid_leak_ohm" and math.isfinite(bias[BIAS_UPPER]):
            lines += [line(part, ohm, ohm) for part, ohm in bias.items()]
        elif fitted or field in real:
            lines.append(line(field, value, real.get(field, value)))
        elif field in origins:
            lines.append(PartLine(field, value, origin=origins[field]))
        if field == "grid_leak_ohm" and (fitted or field in origins):
            place = first(stage["leak_at_grid"])
            lines.append(PartLine("leak_at_grid", place, origin=origins.get("leak_at_grid", "")))
    for field in ("decoupling_ohm", "decoupling_F"):
        if stage[field] > 0:
            lines.append(line(field, first(stage[field]), first(stage[field])))
    for field, ohm in zip((_SERIES, _TRACK), attenuator, strict=True):
        if 0 < ohm < np.inf:
            lines.append(line(field, ohm, ohm))
    listed = {made.field for made in lines}
    around = (c for c in problem.choices if c.part not in listed)
    return lines + [PartLine(c.part, c.shown(own[c.part])[0], "", c.origin) for c in around]
