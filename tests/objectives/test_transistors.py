"""Transistor laws and stages against closed forms, data sheets and the dense nodal system."""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import constants
from scipy.optimize import brentq
from scipy.special import lambertw

from closed_forms import dense_response
from objectives.arrays import FloatArray
from objectives.assessment import Assessment
from objectives.circuit.follower import CathodeFollower, coupled_operating_point
from objectives.circuit.neighbours import driver_of
from objectives.circuit.network import Network
from objectives.circuit.operating_point import operating_point
from objectives.circuit.small_signal import small_signal
from objectives.devices.bipolar import Bipolar, BipolarTransistor
from objectives.devices.field_effect import JunctionFet, SquareLawFet
from objectives.devices.junctions import depletion_capacitance_F, thermal_V
from objectives.devices.law import ConductionLaw
from objectives.devices.lookup import device, devices
from objectives.devices.protocol import Device, OperatingPoint
from objectives.devices.transistor_table import (
    load_transistors,
    read_transistors,
    transistors,
)
from objectives.stage import Stage, parallel
from objectives.targets import RadioBand, Targets
from objectives.textbook import miller_capacitance_F
from stand_in import bipolar

V_T = float(thermal_V(298.15))
FET = SquareLawFet(
    idss_A=3e-3, cutoff_V=-2.5, channel_modulation_per_V=0.004,
    gate_saturation_A=5e-16, gate_leakage_A=1e-11,
)  # fmt: skip
NPN = Bipolar(saturation_A=5e-14, forward_gain=290.0, early_V=60.0, leakage_A=3e-12)
LAWS = (FET, NPN)
SHEETS = Path(__file__).parents[1] / "references" / "transistor_sheets.toml"
POINTS = tomllib.loads(SHEETS.read_text("utf-8"))["point"]

# -- laws ----------------------------------------------------------------------------------------

_GRID = st.floats(-400, 400)
_PLATE = st.floats(-400, 400)


@pytest.mark.parametrize("law", LAWS, ids=("fet", "bipolar"))
@settings(max_examples=150, deadline=None)
@given(vg=_GRID, near=st.floats(-3, 1), vp=_PLATE, step=st.floats(1e-6, 100))
def test_currents_are_finite_and_never_fall(
    law: SquareLawFet | Bipolar, vg: float, near: float, vp: float, step: float
) -> None:
    # What the bracketed solve of the operating point rests on, far out and where devices work.
    for v in (vg, near):
        for plate in (vp, min(abs(vp), 2.0)):
            here = law.plate_current(v, plate)
            assert np.isfinite(here)
            assert here >= 0
            assert law.plate_current(v + step, plate) >= here
            assert law.plate_current(v, plate + step) >= here * (1 - 1e-14)
            grid, slope, by_plate = law.linearise_grid(v, plate)
            assert np.isfinite(grid)
            assert slope >= 0
            assert by_plate == 0
            assert law.grid_current(v + step, plate) >= grid


@pytest.mark.parametrize("law", LAWS, ids=("fet", "bipolar"))
def test_no_current_without_plate_voltage_and_none_jumps_there(law: SquareLawFet | Bipolar) -> None:
    grid = np.linspace(-3, 0.6, 37)
    assert np.all(law.plate_current(grid, 0.0) == 0)
    assert np.all(law.plate_current(grid, -10.0) == 0)
    current, _, conductance = law.linearise(grid, -1e-9)
    assert np.all(current == 0)
    assert np.all(conductance == 0)
    a_little = law.plate_current(grid, 1e-12)
    assert np.all(a_little <= 1e-12 * 10 * np.maximum(law.linearise(grid, 1e-12)[2], 1e-12))


@pytest.mark.parametrize(
    ("law", "grid", "plate"),
    [
        (FET, np.linspace(-2.4, 0.5, 12), np.array([0.05, 0.7, 2.4, 3.3, 15.0])[:, None]),
        (NPN, np.linspace(-0.2, 0.75, 12), np.array([0.01, 0.06, 0.3, 5.0, 40.0])[:, None]),
        (NPN, np.array([2.5, 40.0]), np.array([[5.0]])),
    ],
)
def test_derivatives_are_those_of_the_currents(
    law: SquareLawFet | Bipolar, grid: FloatArray, plate: FloatArray
) -> None:
    h = 1e-6
    _, gm, gp = law.linearise(grid, plate)
    by_grid = (law.plate_current(grid + h, plate) - law.plate_current(grid - h, plate)) / (2 * h)
    by_plate = (law.plate_current(grid, plate + h) - law.plate_current(grid, plate - h)) / (2 * h)
    np.testing.assert_allclose(gm, by_grid, rtol=1e-5, atol=1e-9)
    np.testing.assert_allclose(gp, by_plate, rtol=1e-5, atol=1e-9)
    _, gg, _ = law.linearise_grid(grid, plate)
    difference = (law.grid_current(grid + h, plate) - law.grid_current(grid - h, plate)) / (2 * h)
    np.testing.assert_allclose(gg, difference, rtol=1e-5, atol=1e-14)


def test_fet_derivatives_are_continuous_where_its_regions_meet() -> None:
    grid = np.array([-2.0, -1.0, 0.0])
    edge = grid + 2.5
    for below, above in zip(
        FET.linearise(grid, edge - 1e-9), FET.linearise(grid, edge + 1e-9), strict=True
    ):
        np.testing.assert_allclose(below, above, rtol=1e-6, atol=1e-11)
    for below, above in zip(
        FET.linearise(-2.5 - 1e-9, 10.0), FET.linearise(-2.5 + 1e-9, 10.0), strict=True
    ):
        np.testing.assert_allclose(below, above, atol=1e-10)


def test_laws_have_their_published_closed_forms() -> None:
    np.testing.assert_allclose(FET.plate_current(0.0, 10.0), 3e-3 * 1.04, 1e-12)
    np.testing.assert_allclose(FET.plate_current(-1.25, 10.0), 3e-3 / 4 * 1.04, 1e-12)
    # In the triode region at a small drain voltage the channel is a resistor of 1/(2 beta u).
    np.testing.assert_allclose(FET.plate_current(0.0, 1e-6), 2 * 3e-3 / 2.5 * 1e-6, 1e-5)
    current, gm, go = NPN.linearise(0.62, 5.0)
    np.testing.assert_allclose(gm, current / V_T, 1e-12)
    np.testing.assert_allclose(go, current / 65.0, 1e-12)
    ideal = replace(NPN, leakage_A=0.0)
    base, g_pi, _ = ideal.linearise_grid(0.62, 5.0)
    np.testing.assert_allclose(current / base, 290.0 * (1 + 5 / 60), 1e-12)
    np.testing.assert_allclose(g_pi, base / V_T, 1e-12)


def test_thermal_voltage_at_three_hundred_kelvin() -> None:
    np.testing.assert_allclose(thermal_V(300.0), 25.852e-3, rtol=2e-5)


def test_a_law_is_indexed_and_varied_as_a_batch() -> None:
    law = replace(NPN, saturation_A=np.array([1e-14, 2e-14, 3e-14]))
    np.testing.assert_array_equal(
        law.at(np.array([2, 0])).plate_current(0.6, 5.0), law.plate_current(0.6, 5.0)[[2, 0]]
    )
    np.testing.assert_allclose(
        NPN.varied(current=1.25).plate_current(0.6, 5.0), 1.25 * NPN.plate_current(0.6, 5.0)
    )
    np.testing.assert_allclose(NPN.varied(current=1.25).grid_current(0.6, 5.0),
                               NPN.grid_current(0.6, 5.0))  # fmt: skip
    laws: tuple[tuple[ConductionLaw, float], ...] = ((FET, -1.0), (NPN, 0.6))
    for each_law, grid in laws:
        (_, gm, gp), (_, gm2, gp2) = (
            each.linearise(grid, 5.0) for each in (each_law, each_law.varied(mu=1.1))
        )
        # The 5 V that stand beside the Early voltage or 1/lambda do not grow along.
        np.testing.assert_allclose(gm2 / gp2 / (gm / gp), 1.1, rtol=0.01)


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: SquareLawFet(idss_A=0.0, cutoff_V=-1.0), "idss_A: 0.0: must be finite and more"),
        (lambda: SquareLawFet(idss_A=1e-3, cutoff_V=1.0), "cutoff_V: 1.0: must be finite and less"),
        (
            lambda: replace(FET, gate_leakage_A=-1e-9),
            "gate_leakage_A: -1e-09: must be finite and not less than 0",
        ),
        (lambda: replace(NPN, early_V=0.0), "early_V: 0.0: must be more than 0"),
        (lambda: replace(NPN, forward_gain=np.nan), "forward_gain: nan: must be finite and more"),
    ],
)
def test_a_bad_parameter_is_named(make: Callable[[], object], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        make()


def test_depletion_capacitance() -> None:
    c = depletion_capacitance_F(np.array([-10.0, 0.0, 0.3]), 6e-12, 0.75, 1 / 3)
    np.testing.assert_allclose(
        c, 6e-12 / (1 - np.array([-10.0, 0.0, 0.3]) / 0.75) ** (1 / 3), 1e-12
    )
    # Straight from half the built-in potential on, where the formula would run to infinity.
    below, at, above = depletion_capacitance_F(0.375 + np.array([-1e-6, 0, 1e-6]), 6e-12, 0.75, 0.5)
    np.testing.assert_allclose(at - below, above - at, rtol=1e-5)
    far = depletion_capacitance_F(np.array([1.0, 2.0, 3.0]), 6e-12, 0.75, 0.5)
    np.testing.assert_allclose(np.diff(far, n=2), 0, atol=1e-22)


# -- operating points ----------------------------------------------------------------------------


@pytest.mark.parametrize("resistor", [270.0, 1000.0, 4700.0])
def test_self_biased_fet_has_the_root_of_its_quadratic(resistor: float) -> None:
    law = SquareLawFet(idss_A=3e-3, cutoff_V=-2.5)
    stage = Stage(supply_V=24.0, plate_load_ohm=2200.0, cathode_resistor_ohm=resistor)
    point = operating_point(stage, law)
    # I = beta (|V_off| - I R)^2, the root that leaves the gate above cut-off.
    beta = 3e-3 / 2.5**2
    a, b, c = beta * resistor**2, -(2 * beta * 2.5 * resistor + 1), beta * 2.5**2
    current = (-b - np.sqrt(b * b - 4 * a * c)) / (2 * a)
    np.testing.assert_allclose(point.plate_current_A, current, 1e-12)
    np.testing.assert_allclose(point.plate_V, 24.0 - 2200.0 * current, 1e-12)
    np.testing.assert_allclose(point.transconductance_S, 2 * np.sqrt(beta * current), 1e-12)
    assert point.plate_cathode_V > 2.5 - resistor * current  # saturation, as the closed form asks


def _divider(upper: float, lower: float, supply: float) -> tuple[float, float]:
    return supply * lower / (upper + lower), upper * lower / (upper + lower)


@pytest.mark.parametrize("emitter_ohm", [100.0, 1000.0, 10e3])
@pytest.mark.parametrize("gain", [50.0, 400.0])
def test_degenerated_bipolar_stage_has_its_lambert_solution(
    emitter_ohm: float, gain: float
) -> None:
    # V_th - v = I_c R_eq with R_eq = R_th/beta + (1 + 1/beta) R_e and I_c = I_s exp(v/V_t).
    law = Bipolar(saturation_A=5e-14, forward_gain=gain)
    bias, leak = _divider(100e3, 15e3, 30.0)
    stage = Stage(
        supply_V=30.0, plate_load_ohm=1e3, cathode_resistor_ohm=emitter_ohm,
        grid_bias_V=bias, grid_leak_ohm=leak, input_coupling_F=10e-6,
    )  # fmt: skip
    point = operating_point(stage, law)
    r_eq = leak / gain + (1 + 1 / gain) * emitter_ohm
    current = V_T / r_eq * lambertw(5e-14 * r_eq / V_T * np.exp(bias / V_T)).real
    np.testing.assert_allclose(point.plate_current_A, current, 1e-9)
    np.testing.assert_allclose(point.grid_current_A, current / gain, 1e-9)
    np.testing.assert_allclose(point.grid_V, bias - leak * current / gain, 1e-9)
    np.testing.assert_allclose(point.transconductance_S, current / V_T, 1e-9)
    assert point.plate_cathode_V > 1.0


def test_bipolar_stage_with_a_grounded_emitter() -> None:
    # Fed through 1 megohm: I_b = (V - v)/R, solved here by itself as one equation.
    stage = Stage(
        supply_V=12.0, plate_load_ohm=2200.0, cathode_resistor_ohm=0.0,
        grid_bias_V=12.0, grid_leak_ohm=1e6, input_coupling_F=1e-6,
    )  # fmt: skip
    point = operating_point(stage, NPN)
    v = brentq(lambda v: float(NPN.grid_current(v, 5.0)) * 1e6 - (12.0 - v), 0.3, 0.9, xtol=1e-15)
    collector = brentq(
        lambda c: c - 12.0 + 2200.0 * float(NPN.plate_current(v, c)), 0, 12, xtol=1e-14
    )
    np.testing.assert_allclose(point.grid_cathode_V, v, rtol=1e-6)
    np.testing.assert_allclose(point.plate_V, collector, rtol=1e-5)


def test_a_saturated_bipolar_stage_is_recognised() -> None:
    stage = Stage(
        supply_V=12.0, plate_load_ohm=100e3, cathode_resistor_ohm=100.0,
        grid_bias_V=6.0, grid_leak_ohm=10e3, input_coupling_F=1e-6,
    )  # fmt: skip
    point = operating_point(stage, NPN)
    assert 0 < point.plate_cathode_V < 0.2
    np.testing.assert_allclose(
        point.plate_current_A, NPN.plate_current(point.grid_cathode_V, point.plate_cathode_V), 1e-6
    )


def test_a_fet_that_is_cut_off_and_leaks_is_solved() -> None:
    # The leakage alone flows, out of the gate, down the leak and the source resistor.
    stage = Stage(
        supply_V=20.0, plate_load_ohm=10e3, cathode_resistor_ohm=10.0, grid_bias_V=-10.0,
        grid_leak_ohm=1e6, input_coupling_F=1e-8,
    )  # fmt: skip
    point = operating_point(stage, replace(FET, gate_leakage_A=1e-9))
    assert point.plate_current_A < 1e-15
    np.testing.assert_allclose(point.grid_current_A, -1e-9, 1e-6)
    np.testing.assert_allclose(point.grid_V, -10.0 + 1e-3, 1e-9)


_STAGES = {
    "supply": st.floats(5, 60),
    "load": st.floats(10, 1e6),
    "cathode": st.floats(1, 1e5),
    "bias": st.floats(-10, 40),
    "leak": st.floats(1e2, 1e7),
}


@pytest.mark.parametrize("law", LAWS, ids=("fet", "bipolar"))
@settings(max_examples=40, deadline=None)
@given(row=st.fixed_dictionaries(_STAGES))
def test_every_stage_has_a_point_that_satisfies_kirchhoff(
    law: SquareLawFet | Bipolar, row: dict[str, float]
) -> None:
    stage = Stage(
        row["supply"], row["load"], row["cathode"], grid_bias_V=row["bias"],
        grid_leak_ohm=row["leak"], input_coupling_F=1e-6,
    )  # fmt: skip
    point = operating_point(stage, law)
    scale = abs(point.cathode_current_A) + 1e-9
    v, vp = point.grid_cathode_V, point.plate_cathode_V
    # What rounding of the voltages comes to: grid current and the cathode's resistor make current
    # of it, which the plate load turns into volts, which a saturated device turns into current.
    passed = 1 + point.grid_conductance_S * (row["leak"] + row["cathode"])
    gain = 1 + row["load"] / row["cathode"] * passed
    rounding_V = 1e-15 * (row["supply"] + abs(row["bias"])) * gain
    _, gm, gp = law.linearise(v, np.maximum(vp, 1e-12))
    slack = 1e-6 * scale + rounding_V * (gm + gp)
    assert abs(law.plate_current(v, vp) - point.plate_current_A) <= slack
    assert abs(point.cathode_V / row["cathode"] - point.cathode_current_A) <= 1e-6 * scale
    drop = row["supply"] - point.plate_V
    assert abs(drop / row["load"] - point.plate_current_A) <= 1e-9 * scale + 1e-12
    base = (row["bias"] - point.grid_V) / row["leak"]
    assert abs(base - point.grid_current_A) <= 1e-6 * scale + 1e-14


def test_batch_equals_its_candidates_alone() -> None:
    rng = np.random.default_rng(3)
    stage = Stage(
        supply_V=rng.uniform(9, 40, 30), plate_load_ohm=rng.uniform(1e3, 2e4, 30),
        cathode_resistor_ohm=rng.uniform(100, 3e3, 30), grid_bias_V=rng.uniform(0.5, 4, 30),
        grid_leak_ohm=20e3, input_coupling_F=1e-6,
    )  # fmt: skip
    law = replace(NPN, forward_gain=rng.uniform(100, 500, 30))
    batch = operating_point(stage, law)
    for i in range(30):
        alone = operating_point(stage.at(i), law.at(i))
        np.testing.assert_allclose(alone.plate_current_A, batch.plate_current_A[i], 1e-9)


# -- stages --------------------------------------------------------------------------------------

BASE_V, BASE_OHM = _divider(180e3, 27e3, 24.0)
COMMON_EMITTER = Stage(
    supply_V=24.0, plate_load_ohm=6.8e3, cathode_resistor_ohm=1.5e3, grid_bias_V=BASE_V,
    grid_leak_ohm=BASE_OHM, input_coupling_F=10e-6, source_ohm=np.array([600.0]), stopper_ohm=2.2e3,
    load_ohm=100e3, output_coupling_F=10e-6,
)  # fmt: skip
COMMON_SOURCE = Stage(
    supply_V=20.0, plate_load_ohm=4.7e3, cathode_resistor_ohm=820.0, source_ohm=np.array([10e3]),
    stopper_ohm=22e3, load_ohm=100e3, output_coupling_F=1e-6, input_coupling_F=100e-9,
)  # fmt: skip
STAGES = {"BC550B": COMMON_EMITTER, "2N5457": COMMON_SOURCE}


@pytest.mark.parametrize("name", STAGES)
def test_gain_and_miller_capacitance_have_their_closed_forms(name: str) -> None:
    stage, part = replace(STAGES[name], output_coupling_F=np.inf), device(name)
    point = operating_point(stage, part.law)
    linear = small_signal(stage, part, point)
    network = Network(stage, linear, 1000.0)
    load = parallel(parallel(stage.plate_load_ohm, stage.load_ohm), point.plate_resistance_ohm)
    gain = point.transconductance_S * load
    np.testing.assert_allclose((network.plate / network.grid).real, -gain, 1e-6)
    c_in, c_fb, _ = part.capacitances(point)
    expected = miller_capacitance_F(np.asarray(c_in), np.asarray(c_fb), gain)
    np.testing.assert_allclose(network.input_admittance_S.imag / (2e3 * np.pi), expected, rtol=1e-5)
    np.testing.assert_allclose(
        network.input_admittance_S.real, point.grid_conductance_S, rtol=1e-3, atol=1e-11
    )


def test_unbypassed_emitter_gain_is_the_ratio_of_resistors() -> None:
    # Degeneration: gain = -alpha R_c/(r_e + R_e) without Early effect, alpha = beta/(beta + 1).
    law = Bipolar(saturation_A=5e-14, forward_gain=300.0)
    part = replace(bipolar("BC550B"), law=law)
    stage = replace(COMMON_EMITTER, bypass_F=0.0, load_ohm=np.inf, output_coupling_F=np.inf)
    point = operating_point(stage, law)
    network = Network(stage, small_signal(stage, part, point), 1000.0)
    alpha = 300.0 / 301.0
    r_e = alpha / point.transconductance_S
    np.testing.assert_allclose(
        (network.plate / network.grid).real, -alpha * 6.8e3 / (r_e + 1.5e3), rtol=1e-5
    )
    np.testing.assert_allclose(
        1 / network.input_admittance_S.real, 301.0 * (r_e + 1.5e3), rtol=1e-3
    )


@pytest.mark.parametrize("name", STAGES)
def test_assessment_agrees_with_the_dense_nodal_system(name: str) -> None:
    stage, part = STAGES[name], device(name)
    targets = Targets(radio_bands=(RadioBand("medium wave", 0.5e6, 1.6e6, 6.0),))
    a = Assessment(stage, part, targets)
    f = np.array([20.0, 1e3, 1e6, 30e6])
    dense = dense_response(stage, a.linear, f)
    exact = Network(stage.expand(), a.linear.expand(), f)
    np.testing.assert_allclose(exact.output, dense["o"], 1e-8)
    np.testing.assert_allclose(exact.grid, dense["g"], 1e-8)
    np.testing.assert_allclose(a["gain_dB"], 20 * np.log10(np.abs(dense["o"][:, 1])), 1e-9)
    assert np.all(np.isfinite(a["noise_dBu"]))
    assert np.all(a["input_corner_Hz"] < a["upper_corner_Hz"] * 1e4)
    assert "device" in a.noise.by_origin_dBu
    if name == "BC550B":
        # A microampere of base current in tens of kilohms is heard; a gate's picoamperes are not.
        assert a.noise.by_origin_dBu["grid_current"] > a.noise.total_dBu - 20
    else:
        assert a.noise.by_origin_dBu["grid_current"] < a.noise.total_dBu - 40


def test_fet_noise_is_that_of_its_channel() -> None:
    part = device("2N5457")
    point = operating_point(COMMON_SOURCE, part.law)
    noise = part.noise(point, 300.0)
    np.testing.assert_allclose(
        noise.white_V2_per_Hz, 4 * constants.k * 300 * 2 / 3 / point.transconductance_S
    )
    np.testing.assert_allclose(noise.grid_current_A, np.abs(point.grid_current_A))


def test_bipolar_noise_is_shot_noise_and_base_resistance() -> None:
    part = bipolar("BC550B")
    point = operating_point(COMMON_EMITTER, part.law)
    noise = part.noise(point, 298.15)
    # 2 q I_c / gm^2 = 2 k T / gm, as a resistor of r_e/2.
    np.testing.assert_allclose(
        noise.white_V2_per_Hz,
        4 * constants.k * 298.15 * (0.5 / point.transconductance_S + part.base_ohm),
        rtol=1e-6,
    )


def test_ratings_bear_the_devices_own_names() -> None:
    stage = replace(COMMON_EMITTER, supply_V=np.array([24.0, 120.0]))
    part = device("BC550B")
    found = {r.name: r for r in part.ratings(stage, operating_point(stage, part.law))}
    assert set(found) == {
        "collector-emitter voltage", "collector-base voltage", "emitter-base voltage",
        "collector current", "dissipation",
    }  # fmt: skip
    assert found["collector-emitter voltage"].allowed == 45
    np.testing.assert_array_equal(found["collector-emitter voltage"].excess > 0, [False, True])
    fet = device("J201")
    names = {r.name for r in fet.ratings(COMMON_SOURCE, operating_point(COMMON_SOURCE, fet.law))}
    # The sheet rates no drain-source voltage, so none is checked.
    assert names == {
        "drain-gate voltage",
        "reverse gate-source voltage",
        "gate current",
        "dissipation",
    }


def test_an_emitter_follower_hangs_on_a_collector_as_a_cathode_follower_does() -> None:
    follower = CathodeFollower(supply_V=24.0, cathode_resistor_ohm=2.2e3)
    stage = replace(COMMON_EMITTER, output_coupling_F=np.inf)
    point, after = coupled_operating_point(stage, NPN, follower, NPN)
    drawn = (24.0 - point.plate_V) / 6.8e3 - point.plate_current_A
    np.testing.assert_allclose(drawn, after.point.grid_current_A, 1e-9)
    np.testing.assert_allclose(after.point.grid_cathode_V, 0.65, atol=0.05)
    assert 0.98 < after.gain < 1
    # Bootstrapped: about beta times the emitter resistor.
    hfe = after.point.transconductance_S / after.point.grid_conductance_S
    ohm = (1 + hfe) / (1 / 2.2e3 + after.point.plate_conductance_S)
    np.testing.assert_allclose(after.input_ohm, ohm + 1 / after.point.grid_conductance_S, 1e-9)
    assert isinstance(driver_of(stage, device("BC550B"), 1e3).point, OperatingPoint)


# -- table ---------------------------------------------------------------------------------------


def _point_at(law: ConductionLaw, grid_V: float, plate_V: float) -> OperatingPoint:
    """Return the point of a device whose source or emitter is grounded."""
    current, gm, gp = law.linearise(grid_V, plate_V)
    base, gg, ggp = law.linearise_grid(grid_V, plate_V)
    v = np.asarray(grid_V, float)
    return OperatingPoint(
        current, base, v, np.zeros_like(v), np.asarray(plate_V, float), gm, gp, gg, ggp, current
    )


def _measure(part: Device, at: dict[str, Any]) -> float:
    """Return what a data-sheet entry measures of a device of our table."""
    law, quantity = part.law, at["quantity"]
    if "current_A" in at:
        grid = brentq(
            lambda v: float(law.plate_current(v, at["plate_V"])) - at["current_A"], -10, 0.9,
            xtol=1e-14,
        )  # fmt: skip
    else:
        grid = at.get("grid_V", 0.0)
    if quantity in ("collector_base_F", "emitter_base_F"):
        assert isinstance(part, BipolarTransistor)
        zero = part.base_collector_0_F if quantity[0] == "c" else part.base_emitter_0_F
        return float(depletion_capacitance_F(-at["base_V"], zero, part.built_in_V, part.grading))
    point = _point_at(law, grid, at["plate_V"])
    c_in, c_fb, _ = (float(np.asarray(c)) for c in part.capacitances(point))
    if quantity == "noise_figure_dB":
        noise, rs = part.noise(point, 290.0), at["source_ohm"]
        own = noise.white_V2_per_Hz * (1 + noise.flicker_corner_Hz / 1e3)
        own = own + 2 * constants.e * noise.grid_current_A * rs**2
        return float(10 * np.log10(1 + own / (4 * constants.k * 290 * rs)))
    found: dict[str, Any] = {
        "drain_current_A": point.plate_current_A,
        "transconductance_S": point.transconductance_S,
        "output_conductance_S": point.plate_conductance_S,
        "gate_V_at_current": grid,
        "base_emitter_V": grid,
        "input_F": c_in + c_fb,
        "transfer_F": c_fb,
        "current_gain": point.plate_current_A / point.grid_current_A,
        "small_signal_current_gain": point.transconductance_S / point.grid_conductance_S,
        "input_resistance_ohm": 1 / point.grid_conductance_S + getattr(part, "base_ohm", 0.0),
        "transition_frequency_Hz": point.transconductance_S / (2 * np.pi * (c_in + c_fb)),
    }
    return float(found[quantity])


@pytest.mark.parametrize(
    "at", POINTS, ids=lambda p: f"{p['device']}-{p['quantity']}-{p.get('current_A', '')}"
)
@pytest.mark.filterwarnings("ignore:divide by zero")
def test_table_lies_where_the_data_sheet_says(at: dict[str, Any]) -> None:
    found = _measure(device(at["device"]), at)
    if "typical" in at:
        unit = 1.0 if at["quantity"] == "base_emitter_V" else abs(at["typical"])
        assert abs(found - at["typical"]) <= at["within"] * unit
    assert at.get("least", -np.inf) <= found <= at.get("most", np.inf)
    assert "typical" in at or "least" in at or "most" in at


def test_every_built_in_transistor_is_measured_and_marked() -> None:
    assert {at["device"] for at in POINTS} == {entry.name for entry in transistors()}
    for entry in transistors():
        own = entry.sources
        spread = (s.source for s in entry.spreads if s.powers)
        for text in (own.law, own.capacitance, own.noise, own.ratings, *spread):
            assert len(text) > 20


def test_devices_are_found_by_name_and_alias_across_kinds() -> None:
    assert device("bc550b").name == "BC550B"
    assert device(" sst201 ").name == "J201"
    assert device("ecc83").name == "12AX7"
    assert {"12AX7", "J201", "2N3904"} <= {entry.name for entry in devices()}
    with pytest.raises(ValueError, match=r"device: '2N5475': must be one of .*12AX7.*did you mean"):
        device("2N5475")
    # The closest of all kinds: B65 is an alias of a valve.
    with pytest.raises(ValueError, match=r"did you mean BC550B\?"):
        device("bc549")


_ENTRY = """
[[fet]]
name = "X1"
[fet.law]
idss_A = 1e-3
cutoff_V = -1.0
source = "invented"
[fet.capacitance]
gate_source_0_pF = 3
gate_drain_0_pF = 3.0
built_in_V = 0.8
grading = 0.5
source = "invented"
[fet.noise]
flicker_corner_Hz = 100.0
source = "invented"
[fet.ratings]
source = "invented"
"""


def test_a_users_table_is_read(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(_ENTRY, "utf-8")
    (mine,) = load_transistors(path)
    assert isinstance(mine, JunctionFet)
    assert mine.gate_source_0_F == pytest.approx(3e-12)
    assert device("x1", (mine,)).law.plate_current(0.0, 5.0) == 1e-3


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (
            ("cutoff_V = -1.0", "cutoff_V = 1.0"),
            r"mine: fet 1 \(X1\): law: cutoff_V: 1\.0: .*less than 0",
        ),
        (("idss_A = 1e-3\n", ""), r"mine: fet 1 \(X1\): law: idss_A: missing: must be given"),
        (("grading = 0.5", 'grading = "0.5"'), r"fet 1 \(X1\): capacitance: grading: '0\.5'"),
        (
            ("grading = 0.5", "grading = 0.5\nslope = 1"),
            r"fet 1 \(X1\): capacitance: slope: 1: no such field",
        ),
        ((_ENTRY, _ENTRY + _ENTRY), "X1: name or alias: 'X1': must be unique, but X1 has it too"),
        ((_ENTRY, ""), "mine: empty: must hold at least one"),
        ((_ENTRY, "[["), "mine: .*expected TOML"),
    ],
)
def test_a_bad_table_is_named(change: tuple[str, str], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        read_transistors(_ENTRY.replace(*change), "mine")


def test_a_missing_table_is_named(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match=r"none\.toml': no such file"):
        load_transistors(tmp_path / "none.toml")
