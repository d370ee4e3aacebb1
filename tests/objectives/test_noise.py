"""Noise against 4kTRB by hand, the Nyquist theorem, and the A-weighting of IEC 61672-1."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy import constants, integrate

from closed_forms import thermal_noise_V
from fixture_types import MakeStages, ReadReference
from objectives.circuit.network import Network
from objectives.circuit.noise import (
    DBU_REFERENCE_V,
    a_weighting_dB,
    noise_budget,
    to_dBu,
)
from objectives.circuit.operating_point import operating_point
from objectives.circuit.small_signal import SmallSignal, small_signal
from objectives.devices.protocol import DeviceNoise
from objectives.devices.valve_table import valve
from objectives.stage import Stage

QUIET = DeviceNoise(np.asarray(0.0), np.asarray(0.0), np.asarray(0.0))


def test_thermal_noise_by_hand() -> None:
    """4kTRB: 1.380649e-23 J/K * 4 * 290 K * 1 Mohm * 20 kHz = 3.2031e-10 V^2, 17.90 microvolt."""
    assert thermal_noise_V(1e6, 290.0, 20e3) == pytest.approx(17.897e-6, rel=1e-4)
    assert pytest.approx(0.774597, rel=1e-6) == DBU_REFERENCE_V  # 1 mW in 600 ohm
    assert to_dBu(0.774597) == pytest.approx(0.0, abs=1e-4)


def test_a_weighting_against_the_standard(reference: ReadReference) -> None:
    table = reference("iec_61672_1")["a_weighting_dB"]
    exact = 1000 * 10 ** (np.array(table["n"]) / 10)
    # The table is rounded to 0.1 dB.
    np.testing.assert_allclose(a_weighting_dB(exact), table["value"], atol=0.051)
    assert a_weighting_dB(1000.0) == 0


def _line(**changes: Any) -> tuple[Stage, SmallSignal]:
    stage = Stage(
        supply_V=300, plate_load_ohm=100e3, cathode_resistor_ohm=1500, bypass_F=22e-6,
        stopper_ohm=68e3, source_ohm=38e3, stopper_shunt_F=0.3e-12, load_ohm=1e6, load_F=100e-12,
        output_coupling_F=22e-9, input_coupling_F=22e-9,
    )  # fmt: skip
    return replace(stage, **changes), SmallSignal(1.6e-3, 16e-6, 1.8e-12, 1.7e-12, 0.5e-12)


def test_budget_equals_brute_force_integration() -> None:
    """SciPy's adaptive quadrature of 4kTR |H(f)/H0|^2 A(f)^2 for the stopper alone."""
    stage, device = _line()
    budget = noise_budget(stage, device, QUIET, reference_Hz=1000.0, temperature_K=290.0)
    reference = np.abs(Network(stage, device, 1000.0).output) ** 2

    def density(log_f: float) -> float:
        f = np.exp(log_f)
        transfer = np.abs(Network(stage, device, f).output_of("stopper")) ** 2 / reference
        return float(transfer * 10 ** (a_weighting_dB(f) / 10) * f)

    power, _ = integrate.quad(density, np.log(20), np.log(20e3), epsrel=1e-9)
    expected = to_dBu(np.sqrt(4 * constants.k * 290 * 68e3 * power))
    assert float(budget.by_origin_dBu["stopper"]) == pytest.approx(float(expected), abs=1e-3)


def test_flat_gain_gives_4ktrb() -> None:
    """A stage flat over the band has, unweighted, 4kTRB of its source resistor at its input.

    Here the grid takes no current and there are no capacitances, so nothing shapes the spectrum.
    """
    stage = Stage(
        supply_V=300, plate_load_ohm=100e3, cathode_resistor_ohm=0, source_ohm=100e3,
        grid_leak_ohm=np.inf,
    )  # fmt: skip
    device = SmallSignal(1.6e-3, 16e-6, 0.0, 0.0, 0.0)
    budget = noise_budget(stage, device, QUIET, reference_Hz=1000.0, temperature_K=290.0)
    source = thermal_noise_V(100e3, 290.0, 20e3 - 20.0)
    load = thermal_noise_V(100e3, 290.0, 20e3 - 20.0) * (1 / 1.6e-3 / 100e3)
    expected = to_dBu(np.hypot(source, load))
    assert float(budget.unweighted_total_dBu) == pytest.approx(float(expected), abs=1e-6)


def test_a_network_without_a_device_obeys_nyquist(random_stages: MakeStages) -> None:
    """All resistors at one temperature and gm = 0: the output has 4kT Re(Z), whatever the network.

    Source: H. Nyquist, Phys. Rev. 32, 1928: the noise of a passive one-port depends on the real
    part of its impedance alone. The impedance is measured with a source at the output.
    """
    stages, devices = random_stages(60, seed=9)
    stages = replace(stages, load_ohm=np.minimum(np.asarray(stages.load_ohm), 1e7))
    passive = replace(
        devices, transconductance_S=0.0, plate_conductance_S=0.0, grid_conductance_S=0.0,
        grid_plate_conductance_S=0.0,
    )  # fmt: skip
    f = 3456.0
    network = Network(stages, passive, f)
    resistors = {
        "source": stages.source_ohm, "grid_leak": stages.grid_leak_ohm,
        "stopper": stages.stopper_ohm,
        "cathode_resistor": stages.cathode_resistor_ohm, "plate_load": stages.plate_load_ohm,
        "cathode_unbypassed": stages.cathode_unbypassed_ohm, "load": stages.load_ohm,
        "bypass_series": stages.bypass_series_ohm,
    }  # fmt: skip
    total = sum(
        np.asarray(r) * np.abs(network.output_of(name)) ** 2 for name, r in resistors.items()
    )
    # A volt in series with the load gives V(o) = Zrest/(Rl + Zrest), so Z = Rl || Zrest = Rl V(o).
    impedance = network.output_of("load") * stages.load_ohm
    np.testing.assert_allclose(total, impedance.real, rtol=1e-9)


def test_valve_noise_is_its_equivalent_resistance() -> None:
    """12AX7 at gm = 1.6 mS: R_eq = 2.5/gm = 1.56 kohm (Radiotron Designer's Handbook, from memory).

    With every resistor silent (0 K) and the flicker corner at 0, the input has 4 k 290 R_eq B.
    """
    device = valve("12AX7")
    stage = Stage(supply_V=300, plate_load_ohm=100e3, cathode_resistor_ohm=1500)
    point = operating_point(stage, device.law)
    linear = small_signal(stage, device, point)
    white = replace(device.noise(point, 300.0), flicker_corner_Hz=np.asarray(0.0))
    budget = noise_budget(stage, linear, white, reference_Hz=1000.0, temperature_K=0.0)
    gm = float(point.transconductance_S)
    expected = to_dBu(thermal_noise_V(2.5 / gm, 290.0, 20e3 - 20.0))
    own = {k: v for k, v in budget.by_origin_dBu.items() if k == "device"}
    assert float(own["device"]) < float(expected)  # A-weighting takes some
    shot = float(budget.by_origin_dBu["grid_current"])
    power = 10 ** (float(budget.unweighted_total_dBu) / 10)
    assert power > 10 ** (float(expected) / 10) * 0.999
    assert float(budget.unweighted_total_dBu) == pytest.approx(float(expected), abs=0.02)
    assert shot < -150


def test_noise_never_below_that_of_the_source_alone(random_stages: MakeStages) -> None:
    stages, devices = random_stages(80, seed=21)
    stages = replace(stages, source_ohm=np.maximum(np.asarray(stages.source_ohm), 1.0))
    budget = noise_budget(stages, devices, QUIET, reference_Hz=1000.0)
    assert np.all(budget.total_dBu >= budget.by_origin_dBu["source"] - 1e-9)
