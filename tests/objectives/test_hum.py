"""Ripple of the supply at the output: divider formulas of the trade and the dense nodal system."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from closed_forms import dense_response
from fixture_types import MakeStages
from objectives.arrays import ComplexArray, FloatArray
from objectives.assessment import Assessment
from objectives.circuit.corners import corner_frequency
from objectives.circuit.network import Network
from objectives.circuit.nodal import UNKNOWNS, descriptor
from objectives.circuit.noise import to_dBu
from objectives.circuit.small_signal import SmallSignal
from objectives.devices.valve_table import valve
from objectives.stage import Stage
from objectives.targets import Ripple, Targets

SILENT = {"grid_cathode_F": 0.0, "grid_plate_F": 0.0, "plate_cathode_F": 0.0}


def _share(stage: Stage, device: SmallSignal, frequency_Hz: float = 100.0) -> FloatArray:
    return np.abs(Network(stage, device, frequency_Hz).output_of("decoupling"))


def test_a_triode_divides_its_supply() -> None:
    """rp/(rp + Ra): a 6DJ8 of 3 kohm under 9 kohm lets 25 % of the supply's noise through.

    Source: J. Broskie, Tube CAD Journal, March 1999, p. 3; half of it where an unbypassed cathode
    resistor makes rp + (mu + 1) Rk equal to Ra: April 1999, p. 6.
    """
    device = SmallSignal(33 / 3e3, 1 / 3e3, **SILENT)
    stage = Stage(supply_V=200, plate_load_ohm=9e3, cathode_resistor_ohm=200)
    assert _share(stage, device) == pytest.approx(0.25)
    equal = replace(stage, cathode_resistor_ohm=(9e3 - 3e3) / 34, bypass_F=0.0)
    assert _share(equal, device) == pytest.approx(0.5)


def test_decoupling_is_one_rc_section_where_it_is_small_beside_the_load() -> None:
    device = SmallSignal(1.6e-3, 16e-6, **SILENT)
    stage = Stage(supply_V=300, plate_load_ohm=100e3, cathode_resistor_ohm=1.5e3)
    decoupled = replace(stage, decoupling_ohm=10e3, decoupling_F=22e-6)
    section = 1 / np.hypot(1.0, 2 * np.pi * 100 * 10e3 * 22e-6)
    # At 100 Hz the capacitor's 72 ohm is all that the load sees.
    assert _share(decoupled, device) == pytest.approx(_share(stage, device) * section, rel=1e-3)


def test_a_bias_divider_takes_the_ripple_to_the_grid() -> None:
    """rp/(rp + Ra) less gain times what source and leak leave of the divider's share."""
    device = SmallSignal(1.6e-3, 16e-6, **SILENT)
    stage = Stage(
        supply_V=300, plate_load_ohm=100e3, cathode_resistor_ohm=22e3, source_ohm=50e3,
        grid_leak_ohm=31e3, grid_bias_ratio=0.07, input_coupling_F=1.0,
    )  # fmt: skip
    rp, gain = 62.5e3, 100 * 100e3 / 162.5e3
    expected = rp / (rp + 100e3) - gain * 0.07 * 50 / 81
    assert _share(stage, device) == pytest.approx(abs(expected), rel=1e-6)


def _dense(stage: Stage, device: SmallSignal, frequency_Hz: float) -> ComplexArray:
    """Output for 1 V of the supply, by the dense system with the divider's upper arm put in."""
    system = descriptor(stage, device)
    at = {name: number for number, name in enumerate(UNKNOWNS)}
    matrix = 2j * np.pi * frequency_Hz * system.E + system.A
    leak, ratio = stage.grid_leak_ohm, stage.grid_bias_ratio
    matrix[..., at["a"], at["t"]] -= ratio * (1 - stage.leak_at_grid) / leak
    matrix[..., at["x"], at["t"]] -= ratio * stage.leak_at_grid / leak
    emf = np.zeros(matrix.shape[-1], complex)
    emf[at["i_decoupling"]] = 1.0
    rows = 1.0 / np.abs(matrix).max(axis=-1)
    solved = np.linalg.solve(matrix * rows[..., None], (emf * rows)[..., None])
    voltage: ComplexArray = solved[..., at["o"], 0]
    return voltage


@pytest.mark.parametrize(("ratio", "decoupled"), [(0.0, False), (0.0, True), (0.1, False)])
def test_equals_the_dense_nodal_system(
    random_stages: MakeStages, ratio: float, decoupled: bool
) -> None:
    stages, devices = random_stages(200, seed=31)
    ohm = np.geomspace(10, 1e5, 200) if decoupled else 0.0
    farad = np.where(np.arange(200) % 3, np.geomspace(1e-8, 1e-4, 200), 0.0) if decoupled else 0.0
    series = np.where(np.arange(200) % 2, 4.7e3, 0.0)
    stages = replace(
        stages, grid_bias_ratio=ratio, decoupling_ohm=ohm, decoupling_F=farad,
        plate_capacitor_series_ohm=series,
    ).broadcast()  # fmt: skip
    for frequency in (10.0, 100.0, 3e3, 1e5):
        network = Network(stages, devices, frequency)
        dense = _dense(stages, devices, frequency)
        np.testing.assert_allclose(network.output_of("decoupling"), dense, rtol=1e-8, atol=1e-12)
        if ratio == 0.0:  # the signal's own way through supply and divider is left out
            signal = dense_response(stages, devices, frequency)
            np.testing.assert_allclose(network.output, signal["o"], rtol=1e-9, atol=1e-14)
            np.testing.assert_allclose(network.grid, signal["g"], rtol=1e-9, atol=1e-14)


def test_a_decoupling_resistor_lifts_the_bass() -> None:
    """Below 1/(2 pi R C) the load is Ra + R: gain mu (Ra + R)/(rp + Ra + R), by hand."""
    device = SmallSignal(1.6e-3, 16e-6, **SILENT)
    stage = Stage(supply_V=300, plate_load_ohm=100e3, cathode_resistor_ohm=0.0,
                  decoupling_ohm=22e3, decoupling_F=1e-6)  # fmt: skip
    low, high = (np.abs(Network(stage, device, f).output) for f in (1e-3, 1e5))
    assert low == pytest.approx(100 * 122e3 / 184.5e3, rel=1e-6)
    assert high == pytest.approx(100 * 100e3 / 162.5e3, rel=1e-4)
    # The lower corner moves with it: with a coupling capacitor the bass reaches lower.
    coupled = replace(stage, output_coupling_F=22e-9, load_ohm=220e3)
    stiff = replace(coupled, decoupling_ohm=0.0)
    corners = (corner_frequency(s, device, "output", 1e3, upper=False) for s in (coupled, stiff))
    assert next(corners) < next(corners)


def test_hum_is_referred_to_the_source_by_the_gain() -> None:
    stage = Stage(
        supply_V=300, plate_load_ohm=[100e3, 220e3], cathode_resistor_ohm=1.5e3, load_ohm=1e6,
        source_ratio=0.5,
    )  # fmt: skip
    a = Assessment(stage, valve("12AX7"), Targets(ripple=Ripple(20e-3, 120.0)))
    rp = a.point.plate_resistance_ohm
    load = 1 / (1 / stage.plate_load_ohm + 1 / 1e6)
    below = 1 / (1 / rp + 1 / 1e6)
    assert a["output_hum_V"] == pytest.approx(
        20e-3 * below / (below + stage.plate_load_ohm), rel=1e-4
    )
    gain = 0.5 * a.point.amplification_factor * load / (rp + load)
    assert a["hum_dBu"] == pytest.approx(to_dBu(a["output_hum_V"] / gain), abs=1e-3)
    with pytest.raises(ValueError, match=r"targets\.ripple"):
        Assessment(stage, valve("12AX7"), Targets())["hum_dBu"]
