"""From a brief to its problem: devices, driver and load worked out, choices, targets."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from explorer.aims import Window, merged
from explorer.brief.errors import BriefError
from explorer.brief.model import Brief
from explorer.brief.parts import Continuous, nominal
from explorer.choices import Choice
from explorer.drawer import DrawerParts
from explorer.driving import Driving
from explorer.identity import identity_of
from explorer.problem import Problem
from explorer.tolerances import PartTolerances
from objectives.arrays import FloatArray
from objectives.checks import InputError
from objectives.circuit.neighbours import Driver, NextLoad, next_stage_load
from objectives.devices.names import find
from objectives.devices.parallel import ParallelSections
from objectives.devices.protocol import Device
from objectives.devices.valve import Valve
from objectives.devices.valve_table import valve
from objectives.elements import DRIVER, ELEMENTS
from objectives.format import first
from objectives.radio.tables import resistor_style
from objectives.scores.registry import REGISTRY
from objectives.stage import Stage
from objectives.targets import Ripple, Targets
from objectives.tolerance.bought import default_spreads
from objectives.tolerance.setup import YIELD, ToleranceSetup
from objectives.tolerance.spreads import Spread
from objectives.transient.drive_signal import DriveSignal


@dataclass(frozen=True)
class Formulation:
    """The problem, and what was worked out of driver and load on the way."""

    problem: Problem
    brief: Brief
    next_stage: NextLoad | None
    """The next stage, when the brief gives one."""

    @property
    def driver(self) -> Driver | None:
        """The earlier stage that drives, when the brief gives one."""
        return self.problem.driving.driver

    @property
    def source_ohm(self) -> float:
        """Thevenin resistance of what drives the stage."""
        return first(self.problem.fixed.source_ohm)

    @property
    def divider_ratio(self) -> float:
        """Share of the source voltage that is left behind the attenuator."""
        return first(self.problem.fixed.source_ratio)

    @property
    def neighbours(self) -> tuple[tuple[str, Device], ...]:
        """The devices of the stages before and behind, with what each is there."""
        brief = self.brief
        named = (
            ("earlier stage", brief.driver.stage),
            ("next stage", brief.load.stage),
            ("cathode follower", brief.load.cathode_follower),
        )
        return tuple((role, _valve(brief, s.valve)) for role, s in named if s is not None)


def formulate(brief: Brief) -> Formulation:
    """Return the problem that a brief states.

    Raises
    ------
    BriefError
        If the driver or the load cannot be worked out.
    """
    device, *others = _devices(brief)
    driving = _driving(brief)
    try:
        source = driving.fields()
    except InputError as error:
        wrong = InputError(f"driver.{error.field}", error.value, error.allowed)
        raise BriefError([wrong], brief.source) from None
    load, next_stage, extras = _load(brief)
    choices, fixed_parts = _choices(brief)
    strays = brief.strays
    fixed = Stage(
        supply_V=nominal(brief.supply.voltage),
        grid_bias_V=brief.supply.grid_bias,
        grid_bias_ratio=brief.supply.bias_share,
        decoupling_ohm=brief.supply.decoupling_resistor,
        decoupling_F=brief.supply.decoupling_capacitor,
        stray_grid_plate_F=strays.total_F("grid to plate"),
        stray_grid_cathode_F=strays.total_F("grid to cathode"),
        stray_plate_cathode_F=strays.total_F("plate to cathode"),
        stray_grid_ground_F=strays.total_F("grid to ground"),
        stray_plate_ground_F=strays.total_F("plate to ground"),
        stopper_shunt_F=strays.stopper_shunt,
        stopper_lead_H=strays.stopper_lead_inductance,
        grid_capacitor_lead_H=strays.grid_capacitor_inductance,
        grid_lead_H=strays.grid_lead_inductance,
        plate_lead_H=strays.plate_lead_inductance,
        cathode_lead_H=strays.cathode_lead_inductance,
        **{name: first(value) for name, value in source.items()},
        **load,
        **fixed_parts,
    )
    stocks = {c.element.name: c.stock for c in brief.all_choices() if c.stock is not None}
    tolerances = _part_tolerances(brief, stocks)
    windows = _windows(brief)
    kept = merged(windows, brief.goals)
    targets = _targets(brief, choices, driving)

    def tolerance(one: Device) -> ToleranceSetup:
        return _tolerance(brief, one, fixed, choices, tolerances, kept)

    problem = Problem(
        device=device,
        targets=replace(targets, tolerance=tolerance(device)),
        fixed=fixed,
        choices=choices,
        free=brief.free_scores,
        windows=windows,
        goals=brief.goals,
        yield_asked=brief.decision.yield_at_least / 100,
        shown=_shown(brief),
        ratings_hold=brief.limits.ratings,
        identity=identity_of(brief, device, targets.preferred),
        extras=extras,
        driving=driving,
        stocks=stocks,
        tolerances=tolerances,
        others=tuple((other, tolerance(other)) for other in others),
        # What the brief says of a part goes before what the drawer says.
        styled=tuple(
            part
            for part, keys in (
                ("stopper_ohm", {"stopper_style", "stopper_shunt"}),
                ("grid_capacitor_F", {"grid_capacitor_style", "grid_capacitor_inductance"}),
            )
            if not keys & strays.model_fields_set
        ),
    )
    return Formulation(problem, brief, next_stage)


def _valve(brief: Brief, name: str) -> Valve:
    entry = valve(name, brief.valves)
    return replace(
        entry,
        shielded=brief.strays.shielded,
        heater_elevation_V=brief.supply.heater_elevation,
    )


def _devices(brief: Brief) -> tuple[Device, ...]:
    """Return the valves to choose from, the one valve, or a transistor in its place."""
    if brief.transistor is not None:
        from objectives.devices.transistor_table import transistors  # valves do without it

        return (find(brief.transistor, transistors(), "transistor"),)
    valves = tuple(_valve(brief, name) for name in brief.devices)
    number = brief.sections_in_parallel
    if number == 1:
        return valves
    return tuple(ParallelSections.of(valve, sections=number) for valve in valves)


def _driving(brief: Brief) -> Driving:
    """Return what drives the stage; where that is chosen, with the first value of each choice."""
    given, earlier = brief.driver, brief.driver.stage
    return Driving(
        brief.reference.frequency,
        brief.reference.temperature,
        resistance_ohm=given.resistance or 0.0,
        stage=earlier.record() if earlier is not None else None,
        device=_valve(brief, earlier.valve) if earlier is not None else None,
        cable_F=given.cable_F,
        **given.divider,
    )


def _load(brief: Brief) -> tuple[dict[str, float], NextLoad | None, dict[str, Any]]:
    """Return the fields of Stage that state the load, and what more the assessment needs."""
    load = brief.load
    if load.cathode_follower is not None:
        follower = (load.cathode_follower.record(), _valve(brief, load.cathode_follower.valve))
        return {"load_F": load.capacitance}, None, {"follower": follower}
    if load.stage is None:
        assert load.resistance is not None  # the brief has exactly one form of load
        return {"load_ohm": load.resistance, "load_F": load.capacitance}, None, {}
    later = next_stage_load(
        load.stage.record(), _valve(brief, load.stage.valve), brief.reference.frequency
    )
    fields = {
        "load_ohm": float(np.ravel(later.resistance_ohm)[0]),
        "load_F": float(np.ravel(later.capacitance_F)[0]) + load.capacitance,
    }
    return fields, later, {}


def _shown(brief: Brief) -> tuple[str, ...]:
    """Return the scores to show: as listed, and the corner in hertz where it has a target."""
    shown = [name for name, use in brief.scores.items() if use == "show"]
    corner = ["input_corner_Hz"] if brief.targets.input_corner is not None else []
    return tuple(dict.fromkeys([*corner, *shown]))


def _choices(brief: Brief) -> tuple[tuple[Choice, ...], dict[str, float]]:
    """Return what varies, and a value of each part by field of Stage.

    The value of a part that varies only fills its field, and is overwritten for each candidate.
    """
    varied: list[Choice] = []
    fixed: dict[str, float] = {}
    if len(brief.devices) > 1:
        numbers = np.arange(len(brief.devices), dtype=float)
        origin = " or ".join(brief.devices)
        varied.append(Choice("device", numbers, origin=origin, names=brief.devices))
    for choice in brief.all_choices():
        name, values, origin = choice.element.name, choice.values(), choice.origin()
        if choice.element.part:
            fixed[name] = choice.ends()[0]
        if isinstance(values, Continuous):
            varied.append(Choice(name, low=values.low, high=values.high, origin=origin))
        elif values.size > 1:
            varied.append(Choice(name, values, origin=origin))
    positions = brief.parts.leak.positions()
    fixed["leak_at_grid"] = float(positions[0])
    if positions.size > 1:
        varied.append(Choice("leak_at_grid", positions, origin="either position"))
    return tuple(varied), fixed


def _preferred(brief: Brief, choices: tuple[Choice, ...]) -> dict[str, FloatArray]:
    """Return for each varied part the values that series departure is measured against."""
    preferred = {}
    for choice in choices:
        if not ELEMENTS[choice.part].part:
            continue  # a position is no value
        ends = np.array([choice.low, choice.high]) if choice.continuous else choice.values
        ends = ends[np.isfinite(ends) & (ends > 0)]
        if ends.size:
            kind = ELEMENTS[choice.part].kind
            preferred[choice.part] = brief.stock.preferred(
                kind, float(ends.min()), float(ends.max())
            )
    return preferred


def _targets(brief: Brief, choices: tuple[Choice, ...], driving: Driving) -> Targets:
    """Return what the brief asks for, but for tolerances."""
    limits, drawer = brief.limits, brief.stock.parts
    stocks = {
        choice.part: drawer.parts(ELEMENTS[choice.part].kind)
        for choice in choices
        if drawer is not None and ELEMENTS[choice.part].part
    }
    preferred = _preferred(brief, choices)
    ripple_V = brief.supply.ripple
    chosen = {c.element.name: c.stock for c in brief.all_choices() if c.stock is not None}
    kinds = sorted({ELEMENTS[part].kind for part in preferred}, reverse=True)  # resistors first
    return Targets(
        drive=_drive(brief, driving, choices),
        carrier=brief.carrier.record(brief.driver.cable_m, brief.driver.cable_F),
        ripple=None if ripple_V is None else Ripple(ripple_V, brief.supply.ripple_frequency),
        reference_Hz=brief.reference.frequency,
        temperature_K=brief.reference.temperature,
        noise_band_Hz=brief.reference.band,
        input_corner_Hz=brief.targets.input_corner,
        radio_bands=tuple(band.record() for band in brief.targets.radio_bands),
        preferred=preferred,
        stock=brief.stock.words_for(kinds or ("resistor",)),
        prices={part: (stock.value, stock.price) for part, stock in stocks.items()},
        part_ratings=limits.part_ratings(),
        excess_noise_per_V=brief.stock.excess_noise_per_V(chosen),
        derating=limits.derating,
        supply_rise=limits.supply_tolerance / 100,
    )


def _drive(brief: Brief, driving: Driving, choices: tuple[Choice, ...]) -> DriveSignal | None:
    """Return the large-signal drive; its driver is the brief's earlier stage, where it has one.

    Raises
    ------
    BriefError
        If a score needs a driver that clips, and this one does not: told before the search.
    """
    stated = brief.drive
    if stated is None:
        return None
    clip_V = np.inf if stated.clip is None or driving.stage is not None else stated.clip
    try:
        drive = driving.signal(
            DriveSignal(stated.level, stated.note, stated.harmonics_above, clip_V=clip_V)
        )
        chosen = any(choice.part.startswith(DRIVER) for choice in choices)
        if not chosen and "harmonic_fall_dB" in {*brief.scores, *brief.limits.windows}:
            _ = drive.open_circuit_high_dB
    except InputError as error:
        field = f"drive.{error.field.removeprefix('drive.')}"
        raise BriefError([InputError(field, error.value, error.allowed)], brief.source) from None
    return drive


def _part_tolerances(brief: Brief, stocks: Mapping[str, DrawerParts]) -> PartTolerances:
    """Return what brief and drawer say of the tolerance of each part."""
    parts = {choice.element.name: choice for _, choice in brief.parts.items()}
    style = brief.strays.stopper_style
    return PartTolerances(
        of_part={name: c.tolerance for name, c in parts.items() if c.tolerance is not None},
        of_kind={"ohm": brief.tolerance.resistors, "F": brief.tolerance.capacitors},
        stocks=stocks,
        styles={} if style is None else {"stopper_ohm": resistor_style(style)},
        series={name: c.series for name, c in parts.items() if c.series is not None},
    )


def _tolerance(
    brief: Brief,
    device: Device,
    fixed: Stage,
    choices: tuple[Choice, ...],
    tolerances: PartTolerances,
    windows: tuple[Window, ...],
) -> ToleranceSetup:
    """Return what spreads and by how much, with the brief's windows as what must be kept."""
    stated = brief.tolerance
    varied = {
        c.part: np.array([c.low, c.high]) if c.continuous else c.values
        for c in choices
        if ELEMENTS[c.part].part
    }
    of_valve = {
        "valve_transconductance": stated.valve_transconductance,
        "valve_amplification_factor": stated.valve_amplification_factor,
        "valve_grid_cathode_F": stated.valve_capacitance,
        "valve_grid_plate_F": stated.valve_capacitance,
        "valve_plate_cathode_F": stated.valve_capacitance,
    }
    of_brief = {
        name: Spread.plus_minus(name, percent / 100, "normal", "the brief")
        for name, percent in of_valve.items()
        if percent is not None
    }
    if stated.supply is not None:
        of_brief["supply_V"] = Spread.plus_minus(
            "supply_V", stated.supply / 100, source="the brief"
        )

    def of_part(part: str, value: FloatArray) -> Spread:
        values = varied.get(part, value)
        return tolerances.spread(part, values[np.isfinite(values) & (values > 0)])

    # A part that only some candidates fit has its place among the spreads all the same.
    fitted = {
        part: np.max(values[np.isfinite(values)], initial=0.0) for part, values in varied.items()
    }
    spreads = default_spreads(replace(fixed, **fitted), device.spreads, of_part)
    kept = {w.name: w for w in windows if w.name != YIELD and not REGISTRY[w.name].of_bought_parts}
    return ToleranceSetup(
        tuple(of_brief.get(spread.quantity, spread) for spread in spreads),
        {n: (w.at_least, w.at_most) for n, w in kept.items() if not REGISTRY[n].slow},
        draws=stated.draws,
        seed=brief.search.seed,
        ratings=brief.limits.ratings,
        unjudged=tuple(name for name in kept if REGISTRY[name].slow),
    )


def _windows(brief: Brief) -> tuple[Window, ...]:
    """Return every window of [limits] and of [scores], those on one number joined."""
    uses = (*brief.limits.windows.values(), *brief.scores.values())
    return merged(use for use in uses if isinstance(use, Window))
