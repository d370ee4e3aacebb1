"""From a brief to the problem it poses: devices, surroundings worked out, choices, targets."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from explorer.brief.errors import BriefError
from explorer.brief.loading import check_names
from explorer.brief.model import Brief
from explorer.brief.parts import PARTS, Continuous
from explorer.devices import _device, _own_device
from explorer.identity import _identity
from explorer.problem import Choice, FreeScore, Problem, Window
from explorer.stock import _preferred, _prices
from explorer.units import format_quantity
from objectives.circuit.driver import Driver, driver_of
from objectives.circuit.follower import CathodeFollower
from objectives.circuit.next_stage import NextLoad, next_stage_load
from objectives.devices.protocol import Device
from objectives.devices.valve import ValveDevice
from objectives.radio.detection import Carrier
from objectives.scores.registry import REGISTRY
from objectives.stage import Stage
from objectives.targets import PartRating, RadioBand, Targets
from objectives.tolerance.setup import ToleranceSetup
from objectives.tolerance.spreads import Spread, default_spreads, published_spreads
from objectives.transient.drive_signal import DriveSignal

__all__ = ["Posed", "pose"]

_MAINS_PERCENT = 10.0


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

    @property
    def neighbours(self) -> tuple[tuple[str, Device], ...]:
        """The devices of the stages before and behind, with what each is there."""
        brief, follower = self.brief, self.problem.extras.get("follower")
        found: list[tuple[str, Device]] = []
        if brief.driver.stage is not None:
            name = brief.driver.stage.valve
            found.append(("earlier stage", _device(brief, name, "driver.stage.valve")))
        if brief.load.stage is not None:
            name = brief.load.stage.valve
            found.append(("next stage", _device(brief, name, "load.stage.valve")))
        if follower is not None:
            found.append(("cathode follower", follower[1]))
        return tuple(found)


def pose(brief: Brief) -> Posed:
    """Return the problem that a brief poses.

    Raises
    ------
    BriefError
        If a name is unknown, or the surroundings cannot be worked out.
    """
    check_names(brief, REGISTRY)
    device = _own_device(brief)
    reference = brief.reference.frequency
    driver, source_ohm, ratio = _source(brief, reference)
    load, next_stage, extras = _load(brief, reference)
    choices, fixed_parts = _choices(brief)
    strays = brief.strays
    fixed = Stage(
        supply_V=brief.supply.voltage,
        grid_bias_V=brief.supply.grid_bias,
        grid_bias_ratio=brief.supply.grid_bias_ratio,
        source_ohm=source_ohm,
        source_ratio=ratio,
        cable_F=brief.driver.cable_F + _driver_F(driver),
        stray_grid_plate_F=strays.total_F("grid to plate"),
        stray_grid_cathode_F=strays.total_F("grid to cathode"),
        stray_plate_cathode_F=strays.total_F("plate to cathode"),
        stray_grid_ground_F=strays.total_F("grid to ground"),
        stray_plate_ground_F=strays.total_F("plate to ground"),
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
        targets=_targets(brief, device, fixed, choices),
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
            _driver_stage(brief),
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


def _driver_stage(brief: Brief) -> Stage:
    """Return the earlier stage that the brief gives as the driver."""
    earlier = brief.driver.stage
    assert earlier is not None
    return Stage(
        supply_V=earlier.supply,
        plate_load_ohm=earlier.plate_load,
        cathode_resistor_ohm=earlier.cathode_resistor,
        cathode_unbypassed_ohm=earlier.cathode_unbypassed,
        bypass_F=earlier.bypass,
        grid_bias_V=earlier.grid_bias,
        source_ohm=earlier.source_resistance,
        input_coupling_F=_coupled(earlier.grid_bias),
    )


def _coupled(grid_bias_V: float) -> float:
    """Return the input coupling of a neighbouring stage, of which a brief states none.

    Direct, save where a fixed bias would be shorted by the source: then large enough to be a short
    for every signal.
    """
    return 1.0 if grid_bias_V != 0 else np.inf


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
                input_coupling_F=_coupled(later.grid_bias),
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


def _targets(brief: Brief, device: Device, fixed: Stage, choices: tuple[Choice, ...]) -> Targets:
    limits = brief.limits
    try:
        drive = _drive(brief)
        if drive is not None and {"harmonic_fall_dB"} & {*brief.scores, *brief.limits.windows}:
            # Asked here, it fails before the search rather than after it.
            _ = drive.open_circuit_high_dB
    except ValueError as error:
        text = str(error)
        line = text if text.startswith("drive.") else f"drive.{text}"
        raise BriefError([line], brief.source) from None
    return Targets(
        drive=drive,
        carrier=Carrier(brief.carrier.level, brief.carrier.modulation / 100),
        tolerance=_tolerance(brief, device, fixed, choices),
        reference_Hz=brief.reference.frequency,
        temperature_K=brief.reference.temperature,
        noise_band_Hz=brief.reference.band,
        input_corner_Hz=brief.targets.input_corner,
        radio_bands=tuple(
            RadioBand(b.name, b.low, b.high, b.attenuation) for b in brief.targets.radio_bands
        ),
        preferred=_preferred(brief, choices),
        prices=_prices(brief, choices),
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


def _drive(brief: Brief) -> DriveSignal | None:
    """Return the large-signal drive; its driver is the brief's earlier stage, where it has one."""
    stated, between = brief.drive, brief.driver
    if stated is None:
        return None
    if between.stage is None:
        return DriveSignal(
            stated.level,
            stated.note,
            stated.harmonics_above,
            clip_V=stated.clip or np.inf,
        )
    return DriveSignal(
        stated.level,
        stated.note,
        stated.harmonics_above,
        stage=_driver_stage(brief),
        device=_device(brief, between.stage.valve, "driver.stage.valve"),
        divider_series_ohm=between.divider_series_resistance,
        divider_shunt_ohm=between.divider_shunt_resistance or np.inf,
        level_fraction=between.level_fraction,
        cable_F=between.cable_F,
    )


def _tolerance(
    brief: Brief, device: Device, fixed: Stage, choices: tuple[Choice, ...]
) -> ToleranceSetup:
    """Return what spreads and by how much, with the brief's windows as what must be kept."""
    stated = brief.tolerance
    varied = {c.part: c.values for c in choices if not c.continuous}
    series = {
        PARTS[name].stage_field: choice.series
        for name, choice in brief.parts.items()
        if choice.series is not None
    }
    own_of_valves = {"valve_transconductance", "valve_amplification_factor"}
    spreads = list(published_spreads(device))
    for spread in default_spreads(
        replace(fixed, **{part: values.max() for part, values in varied.items()}),
        series=series,
        valve=(
            stated.valve_transconductance / 100,
            stated.valve_amplification_factor / 100,
            stated.valve_capacitance / 100,
        ),
    ):
        if spread.quantity in own_of_valves and not isinstance(device, ValveDevice):
            continue
        own = {"_ohm": stated.resistors, "_F": stated.capacitors, "_V": stated.supply}
        if not spread.quantity.startswith("valve_"):
            suffix = spread.quantity[spread.quantity.rindex("_") :]
            given = own.get(suffix)
            default = suffix == "_V" and given == _MAINS_PERCENT
            if given is not None and not default:
                spread = Spread.plus_minus(spread.quantity, given / 100, source="brief")
        spreads.append(spread)
    windows = {w.name: (w.at_least, w.at_most) for w in _windows(brief)}
    drawn = [n for n in windows if n != "tolerance_yield_percent" and not REGISTRY[n].of_stock]
    return ToleranceSetup(
        tuple(spreads),
        {name: windows[name] for name in drawn if not REGISTRY[name].costly},
        draws=stated.draws,
        seed=brief.search.seed,
        ratings=brief.limits.ratings,
        unjudged=tuple(name for name in drawn if REGISTRY[name].costly),
    )


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
