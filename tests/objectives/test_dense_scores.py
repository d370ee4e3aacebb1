"""Scores of random stages against plain dense nodal solves, to 1e-9.

Of a frequency and of a power 1e-9 of itself; a score in decibels is taken as the power that it is
the level of.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import brentq

from closed_forms import dense_response
from fixture_types import MakeStages
from objectives.arrays import FloatArray
from objectives.assessment import Assessment
from objectives.circuit.corners import HIGHEST_HZ
from objectives.circuit.nodal import UNKNOWNS, descriptor
from objectives.circuit.noise import DBU_REFERENCE_V, _quadrature
from objectives.circuit.small_signal import SmallSignal
from objectives.devices.valve_table import valve
from objectives.elements import ELEMENTS, GROUND
from objectives.stage import Stage
from objectives.targets import RadioBand, Targets

TARGETS = Targets(
    radio_bands=(RadioBand("AM", 526.5e3, 1606.5e3, 0.0), RadioBand("FM", 87.5e6, 108e6, 0.0))
)
RTOL = 1e-9


@pytest.fixture(scope="module", params=[(71, False), (2711, False), (20261126, False), (27, True)])
def stages(request: pytest.FixtureRequest, random_stages: MakeStages) -> Assessment:
    """Return random stages with a valve, in which every kind of part may be absent.

    In one axis, or a few of them as an outer product with bypasses and stoppers.
    """
    seed, outer = request.param
    if not outer:
        return Assessment(random_stages(120, seed=seed)[0], valve("12AX7"), TARGETS)
    few = random_stages(12, seed=seed)[0].map(lambda a: a[..., np.newaxis, np.newaxis])
    bypasses, stoppers = np.ix_([0.0, 330e-9, 22e-6, np.inf], [0.0, 15e3, 100e3])
    return Assessment(
        replace(few, bypass_F=bypasses, stopper_ohm=stoppers), valve("12AX7"), TARGETS
    )


def dense_power(stage: Stage, device: SmallSignal, frequency_Hz: float, node: str) -> FloatArray:
    """Return |V(node)|^2."""
    return np.asarray(np.abs(dense_response(stage, device, frequency_Hz)[node]) ** 2)


@pytest.mark.parametrize(
    ("score", "node"),
    [("input_corner_Hz", "g"), ("lower_corner_Hz", "o"), ("upper_corner_Hz", "o")],
)
def test_corners(stages: Assessment, score: str, node: str) -> None:
    there = np.argwhere((stages[score] > 0) & (stages[score] < HIGHEST_HZ))
    assert len(there) > 80
    for row in map(tuple, there):
        stage, linear = stages.stage.at(row), stages.linear.at(row)
        sought = dense_power(stage, linear, TARGETS.reference_Hz, node) / 2

        def excess(log2_f: float, stage: Stage = stage, linear: SmallSignal = linear,
                   sought: FloatArray = sought) -> float:  # fmt: skip
            return float(dense_power(stage, linear, 2.0**log2_f, node) / sought) - 1

        found = stages[score][row]
        exact = 2.0 ** brentq(excess, np.log2(found) - 1e-6, np.log2(found) + 1e-6, xtol=1e-14)
        assert found == pytest.approx(exact, rel=RTOL), row


def dense_noise(a: Assessment, frequency_Hz: float) -> FloatArray:
    """Return the density (V^2/Hz) at the output: each origin as an EMF or a current of its own.

    A branch with a current of its own takes its EMF in its equation, any other as EMF/R.
    """
    stage, at = a.stage, UNKNOWNS.index
    system = descriptor(stage, a.linear)
    matrix = 2j * np.pi * frequency_Hz * system.E + system.A
    keys = {element.key: element for element in ELEMENTS.values() if element.kind == "resistor"}
    total = np.zeros(stage.shape)
    for origin, (white, flicker) in a.noise.densities.items():
        right = np.zeros((*stage.shape, len(UNKNOWNS)))
        currents: list[tuple[str, str, FloatArray]] = []
        if origin == "device":
            currents = [("p", "k", a.linear.transconductance_S)]
        elif origin == "grid_current":
            currents = [("g", "k", np.ones(stage.shape))]
        elif origin == "grid_leak":
            behind = stage.leak_at_grid / stage.grid_leak_ohm
            ahead = (1 - stage.leak_at_grid) / stage.grid_leak_ohm
            currents = [("a", GROUND, ahead), ("x", GROUND, behind)]
        elif keys[origin].in_series:
            # What bypasses a grounded cathode carries nothing.
            heard = stage.cathode_resistor_ohm > 0 if origin == "bypass_series" else True
            right[..., at(f"i_{origin}")] = heard
        else:
            ohm = getattr(stage, keys[origin].name)
            # One of 0 ohm has no noise.
            per_volt = np.divide(1.0, ohm, out=np.zeros(stage.shape), where=ohm > 0)
            currents = [(*keys[origin].between, per_volt)]
        for into, out_of, current in currents:
            for node, sign in ((into, -1.0), (out_of, 1.0)):
                if node != GROUND:
                    right[..., at(node)] += sign * current
        scale = 1.0 / np.abs(matrix).max(axis=-1, keepdims=True)
        x = np.linalg.solve(matrix * scale, right[..., np.newaxis] * scale)[..., at("o"), 0]
        total += np.abs(x) ** 2 * (white + flicker / frequency_Hz)
    return total


def test_noise(stages: Assessment) -> None:
    """Over the gain at the reference, with the frequencies and weights of the score itself."""
    f, df = _quadrature(TARGETS.noise_band_Hz, True)
    power = sum(df[at] * dense_noise(stages, f[at]) for at in range(f.size))
    expected = power / dense_power(stages.stage, stages.linear, TARGETS.reference_Hz, "o")
    found = (DBU_REFERENCE_V * 10 ** (stages["noise_dBu"] / 20)) ** 2
    np.testing.assert_allclose(found, expected, rtol=RTOL)


def test_gain(stages: Assessment) -> None:
    expected = dense_power(stages.stage, stages.linear, TARGETS.reference_Hz, "o")
    np.testing.assert_allclose(10 ** (stages["gain_dB"] / 10), expected, rtol=RTOL)


def test_radio_margin(stages: Assessment) -> None:
    """A carrier at the jack drives the stage from 50 ohm, in place of source and cable."""
    jack = replace(stages.stage, source_ohm=50.0, cable_F=0.0, source_ratio=1.0)
    f = np.concatenate([band.frequencies_Hz for band in TARGETS.radio_bands])
    loudest = np.abs(dense_response(jack, stages.linear, f)["g"]).max(axis=-1)
    np.testing.assert_allclose(10 ** (-stages["rf_margin_dB"] / 10), loudest**2, rtol=RTOL)
