"""Noise against 4kTRB by hand, the Nyquist theorem, and the A-weighting of IEC 61672-1."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy import constants, integrate

from closed_forms import thermal_noise_V
from fixture_types import MakeStages, ReadReference
from objectives.assessment import Assessment
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
from objectives.radio.tables import resistor_style
from objectives.stage import Stage
from objectives.targets import Targets

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


def test_excess_noise_is_its_index_in_each_decade() -> None:
    """IEC 60195: 0 dB is a microvolt in a decade of frequency for each volt across the resistor.

    In a stage that is flat, without weighting: the load's EMF over gain mu Ra/(rp + Ra), so
    rp/(rp + Ra) of it at the output, over two decades.
    """
    stage = Stage(
        supply_V=300, plate_load_ohm=100e3, cathode_resistor_ohm=0, grid_leak_ohm=np.inf,
    )  # fmt: skip
    device = SmallSignal(1.6e-3, 16e-6, 0.0, 0.0, 0.0)
    budget = noise_budget(
        stage, device, QUIET, excess_V={"plate_load": np.asarray(120 * 1e-6)}, temperature_K=0.0,
        reference_Hz=1000.0, band_Hz=(100.0, 10e3),
    )  # fmt: skip
    share = 62.5e3 / 162.5e3
    gain = 100 * 100e3 / 162.5e3
    expected = to_dBu(120e-6 * np.sqrt(2) * share / gain)
    assert float(budget.unweighted_total_dBu) == pytest.approx(float(expected), abs=1e-6)
    assert float(budget.total_dBu) == pytest.approx(float(budget.excess_dBu["plate_load"]))


def test_excess_noise_goes_by_the_direct_voltage() -> None:
    """Twice the drop across the load, 6 dB more; a divider's two resistors by hand."""
    per_V = {"plate_load_ohm": 1e-6, "cathode_resistor_ohm": 1e-6, "grid_leak_ohm": 1e-6}
    stage = Stage(
        supply_V=300, plate_load_ohm=100e3, cathode_resistor_ohm=[1.5e3, 22e3], bypass_F=0.0,
        grid_leak_ohm=100e3, grid_bias_ratio=[0.0, 0.1], input_coupling_F=22e-9, source_ohm=10e3,
    )  # fmt: skip
    a = Assessment(stage, valve("12AX7"), Targets(excess_noise_per_V=per_V))
    across = a.direct_voltages_V
    np.testing.assert_allclose(across["plate_load_ohm"], 300 - a.point.plate_V, rtol=1e-9)
    np.testing.assert_allclose(across["cathode_resistor_ohm"], a.point.cathode_V, rtol=1e-6)
    # 1 Mohm with 270 V and 111 kohm with 30 V: each EMF divides to a tenth and nine tenths.
    assert across["grid_leak_ohm"] == pytest.approx([0.0, np.hypot(270 * 0.1, 30 * 0.9)])
    plain = Assessment(stage, valve("12AX7"), Targets()).noise
    assert not plain.excess_dBu
    both = 10 ** (a.noise.total_dBu / 10)
    own = sum(10 ** (level / 10) for level in a.noise.excess_dBu.values())
    np.testing.assert_allclose(both - own, 10 ** (plain.total_dBu / 10), rtol=1e-9)


def test_styles_of_resistors_lie_within_the_published_ranges() -> None:
    """The Art of Electronics, 2nd ed., pp. 431-433, in microvolts a volt and decade."""
    published = {"carbon composition 1/2 W": (0.1, 3.0), "carbon film 1/4 W": (0.05, 0.3),
                 "metal film 1/2 W": (0.02, 0.2), "wirewound 3 W": (0.01, 0.2)}  # fmt: skip
    for name, (low, high) in published.items():
        style = resistor_style(name)
        assert style.excess_range_per_V == pytest.approx((low * 1e-6, high * 1e-6))
        assert low * 1e-6 < style.excess_noise_per_V < high * 1e-6
    # Two in series: half the voltage each, and powers that add.
    one, two = resistor_style("carbon film 1/4 W"), resistor_style("carbon film 1/4 W").in_series(2)
    assert two.excess_noise_per_V == pytest.approx(np.hypot(0.5, 0.5) * one.excess_noise_per_V)
