"""Scores of the small-signal network: gain, corners, input capacitance, output resistance."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from objectives.arrays import FloatArray
from objectives.assessment import Assessment
from objectives.circuit.corners import HIGHEST_HZ, level_dB
from objectives.circuit.network import Network
from objectives.scores.registry import magnitude, score


@score(
    "gain_dB", "dB", "maximise", "{source} to output, at the reference frequency",
    superlative="most gain",
)  # fmt: skip
def _gain(a: Assessment) -> FloatArray:
    return level_dB(a.reference, "output")


@score(
    "plate_gain_dB", "dB", "maximise", "{grid} to {plate}, at the reference frequency",
    label="{plate} gain",
)  # fmt: skip
def _plate_gain(a: Assessment) -> FloatArray:
    return level_dB(a.reference, "plate") - level_dB(a.reference, "grid")


@score(
    "input_corner_Hz", "Hz", "neither",
    "where the voltage at the {grid} is 3.01 dB under its reference level",
)  # fmt: skip
def _input_corner(a: Assessment) -> FloatArray:
    return np.minimum(a.input_corner_Hz, HIGHEST_HZ)


@score(
    "input_corner_error_octaves", "octaves", "minimise",
    "distance of the input corner from its target, |log2(f/target)|",
    combine=magnitude,
    requires=("input_corner_Hz",),
    shown_as="input_corner_Hz",
)  # fmt: skip
def _input_corner_error(a: Assessment) -> Sequence[FloatArray]:
    target = a.targets.input_corner_Hz
    if target is None:
        raise ValueError("targets.input_corner: not given: input_corner_error_octaves needs it")
    return (np.log2(_input_corner(a) / target),)


@score(
    "lower_corner_Hz", "Hz", "minimise", "lower -3.01 dB frequency, {source} to output",
    superlative="deepest bass",
)  # fmt: skip
def _lower_corner(a: Assessment) -> FloatArray:
    return a.lower_corner_Hz


@score(
    "upper_corner_Hz", "Hz", "maximise", "upper -3.01 dB frequency, {source} to output",
    superlative="widest",
)  # fmt: skip
def _upper_corner(a: Assessment) -> FloatArray:
    return np.minimum(a.upper_corner_Hz, HIGHEST_HZ)


@score(
    "input_capacitance_F", "F", "minimise",
    "capacitance looking into the {grid} at the reference frequency, Miller effect included",
)  # fmt: skip
def _input_capacitance(a: Assessment) -> FloatArray:
    return a.reference.input_admittance_S.imag / (2 * np.pi * a.targets.reference_Hz)


@score(
    "output_resistance_ohm", "ohm", "minimise",
    "magnitude of the impedance that the load looks back into, at the reference frequency",
)  # fmt: skip
def _output_resistance(a: Assessment) -> FloatArray:
    # A volt in series with a load resistor R gives V(o) = Zrest/(R + Zrest) with the capacitance
    # of the load counted in the rest; measured with a large R that does not load the stage.
    probe = 1e12
    network = Network(replace(a.loaded, load_ohm=probe), a.linear, a.targets.reference_Hz)
    return np.abs(network.output_of("load")) * probe
