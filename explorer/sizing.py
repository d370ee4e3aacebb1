"""Values of parts that suit a valve in class A, worked out from its own law."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from explorer.series import series_values
from objectives.arrays import FloatArray, IntArray
from objectives.assessment import assess
from objectives.circuit.operating_point import operating_point
from objectives.devices.valve import Valve
from objectives.format import first
from objectives.roots import bracketed_roots
from objectives.stage import Stage, parallel

# Common practice, no source, all of these: plate loads in plate resistances, how far a cathode
# resistor may lie from the middle one, what couplings and bypass pass, a grid leak.
_LOADS: Final = (1.5, 4.0)
_ABOUT: Final = 1.5
_LOWEST_HZ: Final = 10.0
_LEAK_OHM: Final = 1e6
# The stopper: the least, how far from the one that makes the corner, what helps against radio, and
# from where a capacitor from grid to ground does more than a larger one.
_LEAST_OHM: Final = 1e3
_SPREAD: Final = 3.0
_AGAINST_RADIO_OHM: Final = (2.2e3, 68e3)
_AGAINST_RADIO_F: Final = (0.0, 100e-12)
_NOISY_OHM: Final = 220e3


@dataclass(frozen=True)
class Sizes:
    """Values of parts (SI units); pairs are the ends of a range, or one value twice."""

    plate_load_ohm: tuple[float, float]
    cathode_resistor_ohm: tuple[float, float]
    stopper_ohm: tuple[float, float]
    grid_leak_ohm: float
    bypass_F: float
    input_coupling_F: float
    output_coupling_F: float
    grid_capacitors_F: tuple[float, ...]
    """Capacitors from grid to ground to choose from, 0 for none; empty where none is needed."""
    least_current_A: float
    """A third of what suits the largest plate load."""


@dataclass(frozen=True)
class _Points:
    """Class-A working points of a valve, one for each plate load, shape (loads,)."""

    load_ohm: FloatArray
    current_A: FloatArray
    cathode_ohm: FloatArray
    plate_resistance_ohm: FloatArray


def sizes(
    valve: Valve,
    supply_V: float,
    source_ohm: float,
    load_ohm: float,
    *,
    corner_Hz: float | None = None,
    radio: bool = False,
    derating: float = 1.0,
    stray_grid_plate_F: float = 0.0,
) -> Sizes:
    """Return values that suit a valve, for a corner of the input and against radio where asked.

    Parameters
    ----------
    valve, supply_V, source_ohm, load_ohm :
        What amplifies, what supplies and what drives the stage, and what it drives.
    corner_Hz :
        Where the input is to be 3 dB down; None where that is not asked.
    radio :
        Whether the stopper is to keep radio out.
    derating :
        Share of the ratings that may be used.
    stray_grid_plate_F :
        Wiring from grid to plate.
    """
    points = _class_a(valve, supply_V, derating)
    middle = points.load_ohm.size // 2
    rated = valve.grid_leak_cathode_bias_max_ohm or np.inf
    leak = float(series_values("E6", 1e3, min(derating * rated, _LEAK_OHM))[-1])
    stage = Stage(
        supply_V=supply_V,
        plate_load_ohm=points.load_ohm[middle],
        cathode_resistor_ohm=points.cathode_ohm[middle],
        source_ohm=source_ohm,
        grid_leak_ohm=leak,
        load_ohm=load_ohm,
        stray_grid_plate_F=stray_grid_plate_F,
    )
    assessment = assess(stage, valve)
    stopper: tuple[float, float] = (_LEAST_OHM, _LEAST_OHM)
    capacitors: tuple[float, ...] = ()
    if corner_Hz is not None:
        ahead = first(parallel(source_ohm, leak))
        stopper, capacitors = _for_corner(
            corner_Hz, first(assessment["input_capacitance_F"]), ahead
        )
    elif radio:
        stopper, capacitors = _AGAINST_RADIO_OHM, _AGAINST_RADIO_F
    # The bypass works against the resistor beside what the valve shows at its cathode.
    shown = (points.plate_resistance_ohm + points.load_ohm)[middle] / (
        1 + first(assessment["amplification_factor_ratio"])
    )
    return Sizes(
        plate_load_ohm=(float(points.load_ohm.min()), float(points.load_ohm.max())),
        cathode_resistor_ohm=(
            _nearest("E12", float(points.cathode_ohm.min()) / _ABOUT),
            _nearest("E12", float(points.cathode_ohm.max()) * _ABOUT),
        ),
        stopper_ohm=stopper,
        grid_leak_ohm=leak,
        bypass_F=_passing("E3", first(parallel(points.cathode_ohm[middle], shown))),
        input_coupling_F=_passing("E6", leak),
        output_coupling_F=_passing("E6", load_ohm),
        grid_capacitors_F=capacitors,
        least_current_A=float(points.current_A.min()) / 3,
    )


def _class_a(valve: Valve, supply_V: float, derating: float) -> _Points:
    """Return the working points at half the current that flows without bias.

    The plate loads are those of E12 that are a few times the plate resistance there and draw a
    current at which the law can be trusted; where fewer than two are, the two that come nearest.
    """
    law, load = valve.law, series_values("E12", 1e3, 470e3)
    unbiased = Stage(supply_V=supply_V, plate_load_ohm=load, cathode_resistor_ohm=0.0)
    current = 0.5 * operating_point(unbiased, law).plate_current_A
    across = supply_V - load * current

    def excess(grid_V: FloatArray, at: IntArray) -> FloatArray:
        return np.asarray(law.plate_current(grid_V, across[at] + grid_V) - current[at])

    grid_V = bracketed_roots(excess, -across, np.zeros_like(across)).x
    _, _, conductance = law.linearise(grid_V, across + grid_V)
    ratio = load * conductance
    rated = derating * (valve.plate_dissipation_max_W or np.inf)
    suits = (ratio >= _LOADS[0]) & (ratio <= _LOADS[1]) & (current * across <= rated)
    if valve.trusted is not None:
        least, most = valve.trusted.plate_current_A
        suits &= (least <= current) & (current <= most)
    if np.count_nonzero(suits) < 2:
        suits = np.isin(np.arange(load.size), np.argsort(np.abs(np.log(ratio / _LOADS[0])))[:2])
    return _Points(load[suits], current[suits], (-grid_V / current)[suits], 1 / conductance[suits])


def _for_corner(
    corner_Hz: float, input_F: float, ahead_ohm: float
) -> tuple[tuple[float, float], tuple[float, ...]]:
    """Return a range of stoppers, and capacitors at the grid, that make a corner."""
    needed = 1 / (2 * np.pi * corner_Hz * input_F) - ahead_ohm
    if needed <= _NOISY_OHM:
        low = max(needed / _SPREAD, _LEAST_OHM)
        return (_nearest("E12", low), _nearest("E12", max(needed, low) * _SPREAD)), ()
    stoppers = np.array([_NOISY_OHM, _NOISY_OHM / _SPREAD, _NOISY_OHM / _SPREAD**2])
    capacitors = 1 / (2 * np.pi * corner_Hz * (stoppers + ahead_ohm)) - input_F
    values = dict.fromkeys(_nearest("E6", float(c)) for c in capacitors if c > 0)
    return (_nearest("E12", float(stoppers[-1])), _nearest("E12", float(stoppers[0]))), (*values,)


def _nearest(series: str, value: float) -> float:
    near = series_values(series, value / 3, value * 3)
    return float(near[np.argmin(np.abs(np.log(near / value)))])


def _passing(series: str, ohm: float) -> float:
    """Return the least capacitor of a series that passes the lowest frequency into a resistance."""
    least = 1 / (2 * np.pi * _LOWEST_HZ * ohm)
    return float(series_values(series, least, least * 10)[0])
