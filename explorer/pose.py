"""From a brief to the problem it poses: devices, surroundings worked out, choices, targets."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from explorer.brief import PARTS, Brief, BriefError, Continuous, check_names
from explorer.problem import Choice, FreeScore, Problem, Window
from explorer.units import format_quantity
from objectives.batch import FloatArray
from objectives.device import Device
from objectives.scores import REGISTRY, PartRating, RadioBand, Targets
from objectives.stage import Stage
from objectives.surroundings import CathodeFollower, Driver, NextLoad, driver_of, next_stage_load
from objectives.valve_device import ValveDevice
from objectives.valves import Valve, load_valves, valve, valves

__all__ = ["Posed", "pose", "valve_table"]


@dataclass(frozen=True)
class Posed:
    """The problem, and what was worked out of the surroundings on the way."""

    problem: Problem
    brief: Brief
    driver: Driver | None
    """The earlier stage that drives, when the brief gives one."""
    next_stage: NextLoad | None
    """The next stage, when the brief gives one."""
    source_ohm: float
    """Thevenin resistance of what drives the stage."""
    divider_ratio: float
    """Share of the source voltage that is left behind the level control."""


def valve_table(brief: Brief) -> tuple[Valve, ...]:
    """Return the valves that a brief may name: its own table first, then the built-in one."""
    own = load_valves(brief.valve_table_path) if brief.valve_table_path is not None else ()
    taken = {name.casefold() for entry in own for name in entry.names}
    return own + tuple(v for v in valves() if not taken & {n.casefold() for n in v.names})


def _device(brief: Brief, name: str, field: str) -> Device:
    try:
        entry = valve(name, valve_table(brief))
    except ValueError as error:
        raise BriefError([f"{field}: {error}"], brief.source) from None
    if brief.strays.shielded and entry.c_grid_plate_shielded_F is None:
        raise BriefError(
            [
                f"strays.shielded: true: the table has no capacitances of the {entry.name} with "
                "shield; expected false"
            ],
            brief.source,
        )
    return ValveDevice(entry, brief.strays.shielded, brief.supply.heater_elevation)


def pose(brief: Brief) -> Posed:
    """Return the problem that a brief poses.

    Raises
    ------
    BriefError
        If a name is unknown, or the surroundings cannot be worked out.
    """
    check_names(brief, REGISTRY)
    device = _device(brief, brief.valve, "valve")
    reference = brief.reference.frequency
    driver, source_ohm, ratio = _source(brief, reference)
    load, next_stage, extras = _load(brief, reference)
    choices, fixed_parts = _choices(brief)
    strays = brief.strays
    fixed = Stage(
        supply_V=brief.supply.voltage,
        grid_bias_V=brief.supply.grid_bias,
        source_ohm=source_ohm,
        source_ratio=ratio,
        cable_F=brief.driver.cable_capacitance + _driver_F(driver),
        stray_grid_plate_F=strays.grid_to_plate,
        stray_grid_cathode_F=strays.grid_to_cathode,
        stray_plate_cathode_F=strays.plate_to_cathode,
        stray_grid_ground_F=strays.grid_to_ground,
        stray_plate_ground_F=strays.plate_to_ground,
        stopper_shunt_F=strays.stopper_shunt,
        stopper_lead_H=strays.stopper_lead_inductance,
        grid_lead_H=strays.grid_lead_inductance,
        plate_lead_H=strays.plate_lead_inductance,
        cathode_lead_H=strays.cathode_lead_inductance,
        **load,
        **fixed_parts,
    )
    free = tuple(
        FreeScore(s.name, s.use, s.near if s.near is not None else np.nan)  # type: ignore[arg-type]
        for s in brief.free_scores
    )
    problem = Problem(
        device=device,
        targets=_targets(brief, choices),
        fixed=fixed,
        choices=choices,
        free=free,
        windows=_windows(brief),
        shown=tuple(s.name for s in brief.scores.values() if s.use == "show"),
        ratings_hold=brief.limits.ratings,
        identity=_identity(brief, choices),
        extras=extras,
    )
    return Posed(problem, brief, driver, next_stage, source_ohm, ratio)


def _source(brief: Brief, reference_Hz: float) -> tuple[Driver | None, float, float]:
    """Return the driver, the Thevenin resistance (ohm) and the divider's voltage ratio."""
    given = brief.driver
    if given.stage is None:
        ohm, ratio = given.after_divider(float(given.resistance or 0.0))
        return None, ohm, ratio
    earlier = given.stage
    try:
        driver = driver_of(
            Stage(
                supply_V=earlier.supply,
                plate_load_ohm=earlier.plate_load,
                cathode_resistor_ohm=earlier.cathode_resistor,
                cathode_unbypassed_ohm=earlier.cathode_unbypassed,
                bypass_F=earlier.bypass,
                grid_bias_V=earlier.grid_bias,
                source_ohm=earlier.source_resistance,
            ),
            _device(brief, earlier.valve, "driver.stage.valve"),
            reference_Hz,
            divider_series_ohm=given.divider_series_resistance,
            divider_shunt_ohm=given.divider_shunt_resistance or np.inf,
            level_fraction=given.level_fraction,
        )
    except BriefError:
        raise
    except ValueError as error:
        raise BriefError([f"driver.{error}"], brief.source) from None
    passed = np.ravel(np.abs(driver.thevenin_gain / driver.open_circuit_gain))
    return driver, float(np.ravel(driver.source_ohm)[0]), float(passed[0])


def _driver_F(driver: Driver | None) -> float:
    """Return the capacitance (F) that the driver itself puts across the cable.

    Behind a divider it lies ahead of most of the resistance and does little; there it is left out
    rather than counted at full weight.
    """
    if driver is None or float(np.ravel(driver.divider_loss_dB)[0]) > 0.1:
        return 0.0
    return max(float(np.ravel(driver.output_F)[0]), 0.0)


def _load(
    brief: Brief, reference_Hz: float
) -> tuple[dict[str, float], NextLoad | None, dict[str, Any]]:
    """Return the fields of Stage that state the load, and what more the assessment needs."""
    load = brief.load
    if load.resistance is not None:
        return {"load_ohm": load.resistance, "load_F": load.capacitance}, None, {}
    if load.stage is not None:
        later = load.stage
        found = next_stage_load(
            Stage(
                supply_V=later.supply,
                plate_load_ohm=later.plate_load,
                cathode_resistor_ohm=later.cathode_resistor,
                cathode_unbypassed_ohm=later.cathode_unbypassed,
                bypass_F=later.bypass,
                stopper_ohm=later.stopper,
                grid_leak_ohm=later.grid_leak,
                grid_bias_V=later.grid_bias,
            ),
            _device(brief, later.valve, "load.stage.valve"),
            reference_Hz,
        )
        return (
            {
                "load_ohm": float(np.ravel(found.resistance_ohm)[0]),
                "load_F": float(np.ravel(found.capacitance_F)[0]) + load.capacitance,
            },
            found,
            {},
        )
    follower = load.cathode_follower
    assert follower is not None  # the brief has exactly one form of load
    coupled = CathodeFollower(
        supply_V=follower.supply,
        cathode_resistor_ohm=follower.cathode_resistor,
        load_ohm=follower.load_resistance,
    )
    device = _device(brief, follower.valve, "load.cathode_follower.valve")
    return {"load_F": load.capacitance}, None, {"follower": (coupled, device)}


def _choices(brief: Brief) -> tuple[tuple[Choice, ...], dict[str, float]]:
    """Return the parts that vary, and the value of each that does not, by field of Stage."""
    varied: list[Choice] = []
    fixed: dict[str, float] = {}
    for name, choice in brief.parts.items():
        info = PARTS[name]
        unit = "ohm" if info.kind == "resistor" else "F"
        values = choice.values()
        if isinstance(values, Continuous):
            origin = _range_in_words("any value", values.low, values.high, unit)
            varied.append(
                Choice(info.stage_field, info.label, low=values.low, high=values.high,
                       origin=origin)
            )  # fmt: skip
        elif values.size > 1:
            if choice.series is not None:
                word: str = choice.series
            elif choice.drawer is not None:
                word = "the drawer"
            else:
                word = f"{values.size} listed values"
            origin = _range_in_words(word, float(values[0]), float(values[-1]), unit)
            varied.append(Choice(info.stage_field, info.label, values, origin=origin))
        else:
            fixed[info.stage_field] = float(values[0])
    positions = brief.parts.grid_leak.positions()
    if positions.size > 1:
        varied.append(
            Choice("leak_at_grid", "grid leak position", positions, origin="either position")
        )
    else:
        fixed["leak_at_grid"] = float(positions[0])
    # Stage has no default for these three; a varied one is overwritten candidate by candidate.
    for free in varied:
        fixed.setdefault(free.part, free.low if free.continuous else float(free.values[0]))
    return tuple(varied), fixed


def _range_in_words(what: str, low: float, high: float, unit: str) -> str:
    words = {0.0: "none", np.inf: "full" if unit == "F" else "none"}
    ends = [words.get(v) or format_quantity(v, unit) for v in (low, high)]
    return f"{what}, {ends[0]} to {ends[1]}"


def _targets(brief: Brief, choices: tuple[Choice, ...]) -> Targets:
    limits = brief.limits
    return Targets(
        reference_Hz=brief.reference.frequency,
        temperature_K=brief.reference.temperature,
        noise_band_Hz=brief.reference.band,
        input_corner_Hz=brief.targets.input_corner,
        radio_bands=tuple(
            RadioBand(b.name, b.low, b.high, b.attenuation) for b in brief.targets.radio_bands
        ),
        preferred=_preferred(brief, choices),
        part_ratings={
            f"{name}_ohm": PartRating(
                getattr(limits.resistor_power, name) or np.inf,
                getattr(limits.resistor_voltage, name) or np.inf,
            )
            for name in ("plate_load", "cathode_resistor", "cathode_unbypassed")
        },
        derating=limits.derating,
        supply_rise=limits.supply_tolerance / 100,
    )


def _preferred(brief: Brief, choices: tuple[Choice, ...]) -> dict[str, np.ndarray]:
    """Return for each varied part the values that series departure is measured against."""
    kinds = {info.stage_field: info.kind for info in PARTS.values()}
    found = {}
    for choice in choices:
        if choice.part not in kinds:
            continue  # a position is no value
        ends = (
            np.array([choice.low, choice.high])
            if choice.continuous
            else choice.values[np.isfinite(choice.values) & (choice.values > 0)]
        )
        if ends.size:
            found[choice.part] = brief.stock.preferred(
                kinds[choice.part], float(ends.min()), float(ends.max())
            )
    return found


def _windows(brief: Brief) -> tuple[Window, ...]:
    """Return every window of [limits] and of [scores], those on one number joined."""
    found: dict[str, tuple[float, float]] = {}
    stated = [(w.name, w.at_least, w.at_most) for w in brief.limits.windows.values()]
    stated += [(s.name, s.at_least, s.at_most) for s in brief.scores.values()]
    for name, at_least, at_most in stated:
        if at_least is None and at_most is None:
            continue
        low, high = found.get(name, (-np.inf, np.inf))
        found[name] = (
            low if at_least is None else max(low, at_least),
            high if at_most is None else min(high, at_most),
        )
    return tuple(Window(name, low, high) for name, (low, high) in found.items())


def _identity(brief: Brief, choices: tuple[Choice, ...]) -> Mapping[str, Any]:
    """Return what a stored search must agree on: all of the brief but its words and budget.

    Only what was read is taken, nothing that was worked out: workers on other machines, whose
    arithmetic may differ in the last digit, must come to the same.
    """
    stated = brief.model_dump(mode="json", by_alias=True)
    for key in ("title", "scenario", "valve_table"):
        stated.pop(key, None)
    for key in ("evaluations", "storage", "exact_up_to", "seed", "sampler"):
        stated["search"].pop(key, None)
    # A table with another valve of that name, or another drawer, scores candidates anew.
    table = valve_table(brief)
    others = (brief.driver.stage, brief.load.stage, brief.load.cathode_follower)
    names = [brief.valve, *(other.valve for other in others if other is not None)]
    values: list[Mapping[str, FloatArray | Continuous]] = [
        brief.choices(),
        _preferred(brief, choices),
    ]
    return {
        "brief": stated,
        "valves": [repr(replace(valve(name, table), fit=None)) for name in names],
        "values": [{part: _listed(found) for part, found in of.items()} for of in values],
    }


def _listed(values: FloatArray | Continuous) -> Any:
    return repr(values) if isinstance(values, Continuous) else values.tolist()
