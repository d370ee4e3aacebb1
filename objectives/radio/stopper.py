"""Radio frequencies at the grid: bands, real resistors, and what the valve detects.

A stopper keeps radio off the grid as long as it is a resistor. Its own capacitance bridges it from
some frequency on; :func:`stopper_limits` says from where, :func:`alternatives` what a smaller body
or a capacitor at the grid would do instead. What gets through is made audible by the curvature of
the valve's own law; :func:`detection` says how loud.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from objectives.arrays import ComplexArray, FloatArray, IntArray, flatten
from objectives.assessment import Assessment
from objectives.circuit.arrival import Arrival
from objectives.circuit.corners import HALF_POWER_DB, level_dB
from objectives.circuit.network import Network
from objectives.circuit.small_signal import SmallSignal
from objectives.format import first
from objectives.radio.attenuation import attenuation_dB
from objectives.radio.tables import (
    CapacitorStyle,
    ResistorStyle,
    capacitor_styles,
    resistor_style,
    resistor_styles,
)
from objectives.roots import bracketed_roots
from objectives.stage import Stage

GRID_CAPACITORS_F = (10e-12, 22e-12, 47e-12, 100e-12, 220e-12)
"""Capacitors from grid to ground that :func:`alternatives` tries."""

STYLED_F = 100e-12
"""The capacitor that it tries in every style where none is fitted."""

LOWEST_SWEPT_HZ = 1e3
_POINTS_PER_DECADE = 24
_CHUNK = 256


def swept_Hz(arrival: Arrival, points_per_decade: int) -> FloatArray:
    """Return frequencies (Hz) from 1 kHz to where the network is trusted, even in the logarithm."""
    top = arrival.trust.highest_Hz
    count = 1 + math.ceil(points_per_decade * math.log10(top / LOWEST_SWEPT_HZ))
    return np.geomspace(LOWEST_SWEPT_HZ, top, count)


def stopper_impedance_ohm(stage: Stage, frequency_Hz: ArrayLike) -> ComplexArray:
    """Return the stopper's impedance (ohm) with its own capacitance and inductance."""
    s = 2j * np.pi * np.asarray(frequency_Hz, float)
    r = stage.stopper_ohm
    return r / (1 + s * r * stage.stopper_shunt_F) + s * stage.stopper_lead_H


@dataclass(frozen=True)
class StopperLimits:
    """Up to where the stopper works, shape of the stage; inf: beyond what the network tells."""

    impedance_Hz: FloatArray
    """Where its impedance is 3.01 dB off its resistance, by its capacitance or its inductance."""
    rejection_Hz: FloatArray
    """Where the attenuation at the grid is 3.01 dB off that of an ideal resistor in its place.

    Off either way: past a lead resonance the real part may for a while attenuate more.
    """
    greatest_dB: FloatArray
    """The most attenuation at any frequency that the network is trusted at."""
    greatest_Hz: FloatArray
    """Where that is: from here on the attenuation has stopped rising."""


def stopper_limits(stage: Stage, device: SmallSignal, arrival: Arrival) -> StopperLimits:
    """Find up to where the stopper is a resistor, and where the attenuation stops rising.

    Swept 24 times a decade from 1 kHz to where the network is trusted, the first crossing refined
    by root finding. A stage without a stopper has limits of inf.
    """
    shape = np.broadcast_shapes(stage.shape, device.shape)
    stages, devices = flatten(stage, shape), flatten(device, shape)
    count = math.prod(shape)
    f = swept_Hz(arrival, _POINTS_PER_DECADE)

    def impedance_off(log2_f: FloatArray, which: IntArray) -> FloatArray:
        own = stages.at(which)
        r = own.stopper_ohm
        z = np.abs(stopper_impedance_ohm(own, 2.0**log2_f))
        ratio = np.where(r > 0, z / np.where(r > 0, r, 1.0), 1.0)
        return np.asarray(np.abs(20 * np.log10(ratio)))

    def rejection_off(log2_f: FloatArray, which: IntArray) -> FloatArray:
        own, valve, here = stages.at(which), devices.at(which), 2.0**log2_f
        ideal = replace(own, stopper_shunt_F=0.0, stopper_lead_H=0.0)
        real_dB = level_dB(Network(own, valve, here, arrival), "grid")
        off = real_dB - level_dB(Network(ideal, valve, here, arrival), "grid")
        return np.where(own.stopper_ohm > 0, np.abs(off), 0.0)

    attenuation = attenuation_dB(stage, device, f, arrival)
    return StopperLimits(
        impedance_Hz=_first_crossing_Hz(impedance_off, f, count).reshape(shape),
        rejection_Hz=_first_crossing_Hz(rejection_off, f, count).reshape(shape),
        greatest_dB=attenuation.max(axis=-1),
        greatest_Hz=f[attenuation.argmax(axis=-1)],
    )


def _first_crossing_Hz(
    off_dB: Callable[[FloatArray, IntArray], FloatArray], f: FloatArray, count: int
) -> FloatArray:
    """Return where each of ``count`` stages is first off by half a power; inf if nowhere."""
    log2_f = np.log2(f)
    result = np.full(count, np.inf)

    def excess(x: FloatArray, which: IntArray) -> FloatArray:
        off = off_dB(x, which) - HALF_POWER_DB
        return np.broadcast_to(off, np.broadcast_shapes(x.shape, which.shape))

    # Sweep some hundreds of stages at a time: each takes a few kB an array.
    for start in range(0, count, _CHUNK):
        which = np.arange(start, min(start + _CHUNK, count))
        over = excess(log2_f, which[:, None]) > 0
        result[which[over[:, 0]]] = f[0]
        first = over.argmax(axis=-1)
        at = np.flatnonzero(first > 0)
        if at.size:
            ends = log2_f[first[at] - 1], log2_f[first[at]]
            root = bracketed_roots(excess, *ends, which[at], tolerance=(1e-9, 0.0))
            result[which[at]] = 2.0**root.x
    return result


@dataclass(frozen=True)
class Alternative:
    """One other way to keep radio off the grid of one stage, and what it costs."""

    style: str
    """Style of the stopper; empty where it stays as it is."""
    capacitor_style: str
    """Style of the capacitor from grid to ground; empty where it has the leads of the stage's."""
    added_F: float
    """What is added from grid to ground; 0 where nothing is."""
    stopper_shunt_F: float
    stopper_lead_H: float
    grid_capacitor_F: float
    grid_capacitor_lead_H: float
    input_corner_Hz: float
    upper_corner_Hz: float
    stopper_limit_Hz: float
    worst_margin_dB: float
    """Over the targets' bands; nan without any."""
    worst_band: str
    attenuation_dB: Mapping[str, float]
    """Least over each of the targets' bands, by the band's name."""
    detected_dBu: float
    """Audio left by the carrier in the worst band; nan without any."""


def alternatives(
    assessment: Assessment,
    *,
    styles: Sequence[ResistorStyle] | None = None,
    grid_capacitors_F: Sequence[float] = GRID_CAPACITORS_F,
    capacitors: Sequence[CapacitorStyle] | None = None,
) -> list[Alternative]:
    """Try other stopper styles and capacitors at the grid on one stage, resistance unchanged.

    The first row is the stage as it is (ValueError if more than one); then the styles of the table
    (two quarter-watt parts in series among them), then more capacitance from grid to ground, behind
    the leads that the stage states for it, then every style of the capacitor that is fitted (of
    :data:`STYLED_F` where none is). All are worked out as one batch.
    """
    one = assessment.single()
    stage = one.stage
    if styles is None:
        styles = (*resistor_styles(), resistor_style("carbon film 1/4 W").in_series(2))
    rows: list[tuple[str, str, float, dict[str, float]]] = [("", "", 0.0, {})]
    if first(stage.stopper_ohm) > 0:
        rows += [
            (style.name, "", 0.0,
             {"stopper_shunt_F": style.shunt_F, "stopper_lead_H": style.lead_H})
            for style in styles
        ]  # fmt: skip
    fitted_F = first(stage.grid_capacitor_F)
    rows += [
        ("", "", added_F, {"grid_capacitor_F": fitted_F + added_F}) for added_F in grid_capacitors_F
    ]
    styled_F = fitted_F or STYLED_F
    rows += [
        ("", style.name, styled_F - fitted_F,
         {"grid_capacitor_F": styled_F, "grid_capacitor_lead_H": style.lead_H})
        for style in (capacitor_styles() if capacitors is None else capacitors)
    ]  # fmt: skip
    names = ("stopper_shunt_F", "stopper_lead_H", "grid_capacitor_F", "grid_capacitor_lead_H")
    varied = {
        name: np.array([change.get(name, getattr(stage, name)) for *_, change in rows], float)
        for name in names
    }
    batch = replace(one, stage=replace(stage, **varied))
    limits = stopper_limits(batch.loaded, batch.linear, batch.targets.carrier.arrival)
    margins = batch.radio_margins_dB
    bands = list(margins)
    table = np.array([margins[name] for name in bands]) if bands else np.zeros((0, len(rows)))
    detected = batch["detected_radio_dBu"] if bands else np.full(len(rows), np.nan)
    upper, inputs = batch["upper_corner_Hz"], batch["input_corner_Hz"]
    return [
        Alternative(
            style=style,
            capacitor_style=capacitor,
            added_F=added_F,
            **{name: float(varied[name][at]) for name in names},
            input_corner_Hz=float(inputs[at]),
            upper_corner_Hz=float(upper[at]),
            stopper_limit_Hz=float(limits.rejection_Hz[at]),
            worst_margin_dB=float(table[:, at].min()) if bands else float("nan"),
            worst_band=bands[int(table[:, at].argmin())] if bands else "",
            attenuation_dB={
                band.name: float(margins[band.name][at]) + band.attenuation_dB
                for band in batch.targets.scored_bands
            },
            detected_dBu=float(detected[at]),
        )
        for at, (style, capacitor, added_F, _) in enumerate(rows)
    ]
