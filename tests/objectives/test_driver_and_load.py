"""Drivers, next stages and cathode followers against closed forms and an independent solver."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import root

from closed_forms import dense_response
from objectives.arrays import FloatArray
from objectives.assessment import Assessment
from objectives.circuit.follower import (
    CathodeFollower,
    coupled_operating_point,
    follower_point,
    with_follower,
)
from objectives.circuit.neighbours import driver_of, next_stage_load
from objectives.circuit.network import Network
from objectives.circuit.operating_point import operating_point
from objectives.circuit.small_signal import small_signal
from objectives.devices.triodes import GridCurrent, Koren
from objectives.stage import Stage
from objectives.targets import Targets
from stand_in import Rated, StandIn

GRID = GridCurrent(perveance=6e-4, exponent=1.4, sharpness=9.0)
LAW = Koren(mu=100.0, ex=1.4, kg1=1060.0, kp=600.0, kvb=300.0)
LEAKY = replace(LAW, grid=GRID)
OTHER = Koren(mu=21.5, ex=1.3, kg1=1180.0, kp=84.0, kvb=300.0, grid=GRID)


RATED: tuple[Rated, ...] = (
    ("plate voltage", lambda stage, point: point.plate_cathode_V, 330.0, "V"),
    ("grid leak", lambda stage, point: stage.grid_leak_ohm, 1e6, "ohm"),
)


def triode(law: Koren, farads: tuple[float, float, float] = (1.7e-12, 1.6e-12, 0.5e-12)) -> StandIn:
    """Return the least device that a stage can hold: a law and three capacitances (F)."""
    return StandIn(law, farads, RATED, name="invented triode")


DRIVER = Stage(
    supply_V=300.0, plate_load_ohm=100e3, cathode_resistor_ohm=1500.0, output_coupling_F=22e-9
)
DIRECT = replace(DRIVER, output_coupling_F=np.inf)

# -- driver --------------------------------------------------------------------------------------


def test_output_resistance_has_its_closed_form_bypassed_and_not() -> None:
    # With next to no capacitance the exact impedance must be R_L || (r_p + (1 + mu) R_k).
    device = triode(LAW, (1e-21, 1e-21, 1e-21))
    stage = replace(DRIVER, bypass_F=np.array([0.0, np.inf]), output_coupling_F=np.inf)
    found = driver_of(stage, device, 1000.0)
    rp, mu = found.point.plate_resistance_ohm, found.point.amplification_factor
    inside = rp + (1 + mu) * np.array([1500.0, 0.0])
    output = found.output_impedance_ohm
    np.testing.assert_allclose(output.real, 1e5 * inside / (1e5 + inside), 1e-9)
    np.testing.assert_allclose(output, output.real, 1e-8)
    assert output.real[0] > 1.4 * output.real[1]


@pytest.mark.parametrize("divided", [False, True])
def test_a_drivers_noise_has_its_closed_form(divided: bool) -> None:
    """Noise of a bypassed stage without capacitances: A^2 (R_source + 2.5/gm) + R_L (r_p share)^2.

    The stand-in's white noise is that of 2.5/gm (B. J. Thompson et al., RCA Review, 1940, from
    memory). A divider adds the thermal noise of its own resistors: the real part of the impedance
    behind it, less what of it is the stage's (Nyquist, 1928).
    """
    device = triode(LAW, (1e-21, 1e-21, 1e-21))
    stage = replace(DIRECT, source_ohm=20e3, grid_leak_ohm=np.inf)
    divider = {"divider_series_ohm": 220e3, "divider_shunt_ohm": 47e3} if divided else {}
    found = driver_of(stage, device, 1000.0, **divider)
    rp, gm = found.point.plate_resistance_ohm, found.point.transconductance_S
    loaded = 1e5 * rp / (1e5 + rp)
    own = (gm * loaded) ** 2 * (20e3 + 2.5 / gm) + 1e5 * (rp / (1e5 + rp)) ** 2
    share = 47e3 / (loaded + 220e3 + 47e3) if divided else 1.0
    parallel = 1 / (1 / 47e3 + 1 / (loaded + 220e3)) if divided else loaded
    np.testing.assert_allclose(found.noise_ohm, share**2 * (own - loaded) + parallel, rtol=1e-8)
    # The flicker corner is the device's, as far as its white noise is heard.
    of_device = share**2 * (gm * loaded) ** 2 * 2.5 / gm
    np.testing.assert_allclose(found.flicker_Hz, 1e3 * of_device / found.noise_ohm, rtol=1e-8)


def test_the_noise_of_the_driver_replaces_that_of_its_resistance() -> None:
    device = triode(LAW, (1e-21, 1e-21, 1e-21))
    plain = replace(DIRECT, source_ohm=40e3)
    heard = [
        Assessment(replace(plain, driver_noise_ohm=ohm), device, Targets()).noise
        for ohm in (0.0, 40e3, 4e6)
    ]
    by_source = [noise.by_origin_dBu["source"] for noise in heard]
    assert by_source[1] == pytest.approx(by_source[0])
    assert by_source[2] - by_source[0] == pytest.approx(20.0)  # a hundred times the power
    assert heard[2].by_origin_dBu["device"] == pytest.approx(heard[0].by_origin_dBu["device"])


def test_output_impedance_agrees_with_the_dense_nodal_system() -> None:
    # Two loads on the dense reference give the impedance from the ratio of output voltages.
    device = triode(LAW)
    stage = replace(DRIVER, bypass_F=1e-6, source_ohm=68e3, plate_capacitor_F=1e-10)
    found = driver_of(stage, device, 5000.0)
    linear = small_signal(stage, device, found.point)
    opened, loaded = (
        dense_response(replace(stage, load_ohm=r), linear, 5000.0)["o"] for r in (np.inf, 50e3)
    )
    np.testing.assert_allclose(found.output_impedance_ohm, 50e3 * (opened / loaded - 1), 1e-8)
    np.testing.assert_allclose(found.open_circuit_gain, opened, 1e-9)


def test_divider_is_that_of_the_dense_nodal_system() -> None:
    # The level control as plain resistors: what the driver's output sees is series + shunt, and
    # the tap takes its share; the impedance from the voltage that a known load leaves.
    stage = replace(DRIVER, bypass_F=np.inf)
    series, shunt, level = 47e3, 1e6, np.array([0.1, 0.5, 1.0])
    found = driver_of(
        stage, triode(LAW), 1000.0,
        divider_series_ohm=series, divider_shunt_ohm=shunt, level_fraction=level,
    )  # fmt: skip
    linear = small_signal(stage, triode(LAW), found.point)
    into = dense_response(replace(stage, load_ohm=series + shunt), linear, 1000.0)["o"]
    np.testing.assert_allclose(found.thevenin_gain, into * level * shunt / (series + shunt), 1e-9)
    np.testing.assert_allclose(
        found.divider_loss_dB, -20 * np.log10(np.abs(found.thevenin_gain / found.open_circuit_gain))
    )
    # A 200 kilohm load on the tap is 200k in parallel with the lower part of the control.
    lower = 1 / (1 / (level * shunt) + 1 / 200e3)
    upper = series + (1 - level) * shunt
    full = dense_response(replace(stage, load_ohm=upper + lower), linear, 1000.0)["o"]
    loaded = full * lower / (upper + lower)
    np.testing.assert_allclose(
        found.thevenin_impedance_ohm, 200e3 * (found.thevenin_gain / loaded - 1), 1e-8
    )
    assert found.drive(DRIVER).source_ohm is not None
    np.testing.assert_array_equal(found.drive(DRIVER).source_ohm, found.thevenin_impedance_ohm.real)


def test_without_a_divider_the_driver_is_handed_on_as_it_is() -> None:
    found = driver_of(DRIVER, triode(LAW), 1000.0, divider_series_ohm=10e3)
    assert found.divider_loss_dB == 0
    np.testing.assert_allclose(found.thevenin_impedance_ohm, found.output_impedance_ohm + 10e3)
    assert found.thevenin_gain == found.open_circuit_gain


def test_output_capacitance_of_a_driver_fed_from_no_resistance() -> None:
    # With the grid held still C_gp and C_pk hang straight from the plate (bypassed cathode).
    found = driver_of(replace(DRIVER, stray_plate_ground_F=3e-12), triode(LAW), 1000.0)
    np.testing.assert_allclose(found.output_F, 1.6e-12 + 0.5e-12 + 3e-12, 1e-6)


@pytest.mark.parametrize(
    ("given_", "words"),
    [
        ({"divider_series_ohm": -1.0}, "divider_series_ohm: -1.0: must be 0 or more"),
        ({"divider_shunt_ohm": 0.0}, "divider_shunt_ohm: 0.0: must be more than 0"),
        ({"divider_shunt_ohm": 1e6, "level_fraction": 1.5}, "level_fraction: 1.5: must be"),
        ({"level_fraction": 0.5}, "level_fraction: 0.5: must be 1 where divider_shunt_ohm is inf"),
    ],
)
def test_a_bad_divider_is_named(given_: dict[str, Any], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        driver_of(DRIVER, triode(LAW), 1000.0, **given_)


# -- next stage ----------------------------------------------------------------------------------


def test_next_stage_presents_its_leak_and_the_miller_capacitance_of_its_own_gain() -> None:
    stage = Stage(supply_V=300.0, plate_load_ohm=100e3, cathode_resistor_ohm=1500.0)
    found = next_stage_load(stage, triode(LAW), 1000.0)
    gm = found.point.transconductance_S
    gain = gm / (found.point.plate_conductance_S + 1e-5)
    np.testing.assert_allclose(-found.gain.real, gain, 1e-5)
    textbook_F = 1.7e-12 + 1.6e-12 * (1 + gain)
    # Bypassed, at 1 kHz and with no stopper the textbook is right to the phase of the gain.
    np.testing.assert_allclose(found.capacitance_F, textbook_F, 1e-5)
    np.testing.assert_allclose(found.resistance_ohm, 1e6, 1e-3)
    np.testing.assert_array_equal(found.load(DRIVER).load_F, found.capacitance_F)


@pytest.mark.parametrize("at_grid", [0.0, 1.0])
def test_next_stage_loads_as_the_dense_nodal_system_says(at_grid: float) -> None:
    stage = Stage(
        supply_V=300.0, plate_load_ohm=100e3, cathode_resistor_ohm=2200.0, bypass_F=0.0,
        stopper_ohm=150e3, stopper_shunt_F=3e-13, leak_at_grid=at_grid, grid_leak_ohm=470e3,
        grid_capacitor_F=2e-11, cable_F=4e-11, load_ohm=1e6, load_F=5e-11,
    )  # fmt: skip
    device, f = triode(LEAKY), 3000.0
    found = next_stage_load(stage, device, f)
    linear = small_signal(stage, device, found.point)
    # Through a known source resistance the voltage at node c tells the admittance beyond it.
    at_input = dense_response(replace(stage, source_ohm=1e5), linear, f)["c"]
    admittance = (1 / at_input - 1) / 1e5
    np.testing.assert_allclose(1 / found.resistance_ohm, admittance.real, 1e-8)
    np.testing.assert_allclose(found.capacitance_F, admittance.imag / (2 * np.pi * f), 1e-8)
    # An unbypassed cathode takes gain away, so the grounded-cathode textbook is too high.
    gain = linear.transconductance_S / (linear.plate_conductance_S + 1 / 100e3 + 1 / 1e6)
    textbook_F = 1.7e-12 + 1.6e-12 * (1 + gain) + 6e-11
    assert textbook_F > 1.2 * found.capacitance_F


# -- follower ------------------------------------------------------------------------------------

RANDOM = np.random.default_rng(20)


def _batch(n: int) -> tuple[Stage, CathodeFollower]:
    stage = Stage(
        supply_V=RANDOM.uniform(100, 400, n),
        plate_load_ohm=10 ** RANDOM.uniform(4.3, 5.7, n),
        cathode_resistor_ohm=10 ** RANDOM.uniform(2.0, 4.0, n),
        grid_bias_V=RANDOM.uniform(-1, 1, n),
        stopper_ohm=68e3,
    )
    follower = CathodeFollower(
        supply_V=RANDOM.uniform(80, 450, n), cathode_resistor_ohm=10 ** RANDOM.uniform(2, 5.3, n)
    )
    return stage, follower


@pytest.mark.slow
def test_coupled_point_satisfies_kirchhoff_at_every_node() -> None:
    stage, follower = _batch(400)
    law = replace(LEAKY, kg1=RANDOM.uniform(700, 1500, 400))
    point, after = coupled_operating_point(stage, law, follower, OTHER)
    supply = (stage.supply_V - point.plate_V) / stage.plate_load_ohm
    scale = supply + 1e-9
    np.testing.assert_allclose(supply, point.supply_current_A, 1e-9, 1e-15)
    plate = law.plate_current(point.grid_cathode_V, point.plate_cathode_V)
    assert np.max(np.abs(supply - plate - after.point.grid_current_A) / scale) < 1e-9
    cathode = point.cathode_V / stage.cathode_resistor_ohm
    assert np.max(np.abs(cathode - plate - point.grid_current_A) / scale) < 1e-9
    np.testing.assert_array_equal(after.point.grid_V, point.plate_V)
    current = OTHER.plate_current(after.point.grid_cathode_V, after.point.plate_cathode_V)
    below = after.point.cathode_V / follower.cathode_resistor_ohm
    assert np.max(np.abs(below - current - GRID.current(after.point.grid_cathode_V))) < 1e-12
    # The batch holds both followers that bias themselves and followers driven into the grid.
    assert np.min(after.point.grid_current_A) < 1e-9
    assert np.max(after.point.grid_current_A) > 1e-4


@pytest.mark.slow
def test_coupled_point_agrees_with_a_simultaneous_newton_solution() -> None:
    stage, follower = _batch(60)
    point, after = coupled_operating_point(stage, LEAKY, follower, OTHER)
    bias, ohm = (np.broadcast_to(a, 60) for a in stage.grid_return())
    for i in range(60):
        s, f = stage.at(i), follower.at(i)

        def residual(x: FloatArray, s: Stage = s, f: CathodeFollower = f, i: int = i) -> FloatArray:
            vg, vk, vp, vk2 = x * 100
            grid, grid2 = GRID.current(vg - vk), GRID.current(vp - vk2)
            plate = LAW.plate_current(vg - vk, vp - vk)
            plate2 = OTHER.plate_current(vp - vk2, f.supply_V - vk2)
            return 1e3 * np.array(
                [
                    (vg - bias[i]) / ohm[i] + grid,
                    vk / s.cathode_resistor_ohm - plate - grid,
                    (vp - s.supply_V) / s.plate_load_ohm + plate + grid2,
                    vk2 / f.cathode_resistor_ohm - plate2 - grid2,
                ]
            )

        ours = np.array(
            [point.grid_V[i], point.cathode_V[i], point.plate_V[i], after.point.cathode_V[i]]
        )
        # Started well away from our answer, so that agreement is not the start value's doing.
        start = ours * RANDOM.uniform(0.9, 1.1, 4) + RANDOM.uniform(-0.2, 0.2, 4)
        found = root(residual, start / 100, method="hybr", tol=1e-13)
        if np.max(np.abs(residual(found.x))) > 1e-8:  # Newton is not sure to converge; ours is
            found = root(residual, ours / 100, method="hybr", tol=1e-13)
        np.testing.assert_allclose(ours, found.x * 100, 1e-6, 1e-6)


def test_follower_without_grid_current_leaves_the_stage_alone() -> None:
    stage, follower = _batch(50)
    point, after = coupled_operating_point(stage, LEAKY, follower, replace(OTHER, grid=None))
    alone = operating_point(stage, LEAKY)
    np.testing.assert_array_equal(point.plate_V, alone.plate_V)
    np.testing.assert_array_equal(point.transconductance_S, alone.transconductance_S)
    assert np.all(after.input_conductance_S == 0)
    assert np.all(np.isinf(after.input_ohm))


@pytest.mark.slow
@pytest.mark.parametrize("offset_A", [-3e-8, 8e-8])
def test_grid_current_of_either_sign_is_solved(offset_A: float) -> None:
    law = replace(OTHER, grid=replace(GRID, offset_A=offset_A))
    stage, follower = _batch(50)
    point, after = coupled_operating_point(stage, LEAKY, follower, law)
    left = (stage.supply_V - point.plate_V) / stage.plate_load_ohm - point.plate_current_A
    np.testing.assert_allclose(left, after.point.grid_current_A, 1e-6, 1e-13)
    assert np.any(np.sign(after.point.grid_current_A) == np.sign(offset_A))


def test_follower_gain_and_output_resistance_have_their_closed_forms() -> None:
    follower = CathodeFollower(250.0, np.array([10e3, 47e3, 220e3]), load_ohm=100e3)
    found = follower_point(follower, replace(OTHER, grid=None), 120.0)
    mu, rp = found.point.amplification_factor, found.point.plate_resistance_ohm
    load = 1 / (1 / np.asarray(follower.cathode_resistor_ohm) + 1e-5)
    np.testing.assert_allclose(found.gain, mu / (mu + 1 + rp / load), 1e-12)
    device = rp / (mu + 1)
    np.testing.assert_allclose(
        found.output_resistance_ohm, 1 / (1 / device + 1 / follower.cathode_resistor_ohm), 1e-12
    )


def test_follower_gain_and_input_are_the_slopes_of_its_operating_points() -> None:
    # Differences of the large-signal solution, with grid current flowing: an independent check
    # of gain and bootstrapped input conductance.
    follower, step = CathodeFollower(200.0, np.array([200.0, 1e3, 33e3])), 1e-3
    low, mid, high = (follower_point(follower, OTHER, 150.0 + d) for d in (-step, 0.0, step))
    slope = (high.point.cathode_V - low.point.cathode_V) / (2 * step)
    np.testing.assert_allclose(mid.gain, slope, 1e-6)
    drawn = (high.point.grid_current_A - low.point.grid_current_A) / (2 * step)
    np.testing.assert_allclose(mid.input_conductance_S, drawn, 1e-5, 1e-12)
    assert mid.point.grid_current_A[0] > 1e-4


def test_without_grid_current_the_plate_sees_the_handbooks_capacitance() -> None:
    follower = CathodeFollower(300.0, 100e3, load_ohm=47e3, stray_grid_plate_F=1e-12)
    law = replace(OTHER, grid=None)
    _, after = coupled_operating_point(DIRECT, LEAKY, follower, law)
    loaded = with_follower(DIRECT, follower, triode(law), after)
    np.testing.assert_allclose(loaded.load_F, 2.6e-12 + 1.7e-12 * (1 - after.gain), 1e-12)
    assert np.isinf(loaded.load_ohm)


@pytest.mark.parametrize("load_F", [0.0, 1e-9])
def test_plate_sees_the_followers_input_as_the_exact_network_has_it(load_F: float) -> None:
    # The follower itself as a network, in whose cathode the load's capacitance is a bypass; a
    # plate load too small to matter.
    follower = CathodeFollower(300.0, 3.3e3, load_ohm=47e3, load_F=load_F, stray_grid_plate_F=1e-12)
    device = triode(OTHER)
    _, after = coupled_operating_point(DIRECT, LEAKY, follower, OTHER)
    loaded = with_follower(DIRECT, follower, device, after)
    as_stage = replace(
        follower.as_stage(), cathode_resistor_ohm=follower.signal_load_ohm, plate_load_ohm=1e-6,
        grid_leak_ohm=np.inf, bypass_F=load_F,
    )  # fmt: skip
    linear = small_signal(follower.as_stage(), device, after.point)
    grid = Network(as_stage, linear, 1000.0).input_admittance_S
    np.testing.assert_allclose(loaded.load_F, grid.imag / (2e3 * np.pi), 1e-5)
    np.testing.assert_allclose(1 / loaded.load_ohm, grid.real, 1e-4)


@pytest.mark.slow
def test_assessment_uses_the_coupled_point_and_the_followers_load() -> None:
    stage = replace(DIRECT, source_ohm=10e3, stopper_ohm=np.array([68e3]))
    pair = (CathodeFollower(300.0, 3.3e3), triode(OTHER))
    plain = Assessment(stage, triode(LEAKY), Targets())
    coupled = Assessment(stage, triode(LEAKY), Targets(supply_rise=0.1), follower=pair)
    assert coupled.coupled is not None
    np.testing.assert_allclose(coupled.point.plate_V, coupled.coupled[1].point.grid_V)
    drop = plain.point.plate_V - coupled.point.plate_V
    assert drop > 0
    by_hand = 20 * np.log10(np.abs(Network(coupled.loaded, coupled.linear, 1000.0).output))
    np.testing.assert_allclose(coupled["gain_dB"], by_hand)
    # A follower that draws no current changes nothing but the capacitance at the plate.
    idle = replace(coupled, follower=(CathodeFollower(300.0, 100e3), triode(LAW)))
    as_load = replace(stage, load_F=idle.loaded.load_F)
    expected = Assessment(as_load, triode(LEAKY), Targets())
    for name in ("gain_dB", "upper_corner_Hz", "noise_dBu", "input_capacitance_F"):
        np.testing.assert_allclose(idle[name], expected[name], 1e-9)
    assert idle["upper_corner_Hz"] < plain["upper_corner_Hz"]
    names = {r.name: r for r in coupled.ratings}
    # Both supplies are raised by the tenth that the targets ask for.
    raised, after = coupled_operating_point(
        replace(stage, supply_V=330.0), LEAKY, replace(pair[0], supply_V=330.0), OTHER
    )
    np.testing.assert_allclose(names["plate voltage"].value, raised.plate_cathode_V)
    np.testing.assert_allclose(names["follower plate voltage"].value, after.point.plate_cathode_V)


def test_a_follower_behind_a_coupling_capacitor_is_refused() -> None:
    _, after = coupled_operating_point(DRIVER, LAW, CathodeFollower(300.0, 1e5), LAW)
    with pytest.raises(ValueError, match=r"output_coupling_F: 2\.2e-08: must be inf"):
        with_follower(DRIVER, CathodeFollower(300.0, 1e5), triode(LAW), after)


@pytest.mark.parametrize(
    ("follower", "words"),
    [
        (CathodeFollower(0.0, 1e5), "follower.supply_V: 0.0: must be more than 0"),
        (
            CathodeFollower(300.0, np.array([1e5, -1.0])),
            "follower.cathode_resistor_ohm: -1.0: must be more than 0",
        ),
    ],
)
def test_a_bad_follower_is_named(follower: CathodeFollower, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        coupled_operating_point(DRIVER, LAW, follower, LAW)


def test_law_parameters_of_another_shape_are_refused() -> None:
    law = replace(LAW, kg1=np.array([1000.0, 1100.0]))
    follower = CathodeFollower(300.0, np.array([1e5, 2e5, 3e5]))
    with pytest.raises(ValueError, match=r"law: parameters of shape \(2,\)|broadcast"):
        coupled_operating_point(DRIVER, law, follower, LAW)


def test_an_empty_batch_has_an_empty_answer() -> None:
    stage = replace(DRIVER, plate_load_ohm=np.zeros(0))
    point, after = coupled_operating_point(stage, LEAKY, CathodeFollower(300.0, 1e5), LEAKY)
    assert point.plate_V.shape == after.gain.shape == (0,)


_POSITIVE = {
    "supply": st.floats(20, 500),
    "load": st.floats(1e3, 2e6),
    "cathode": st.floats(10, 5e4),
    "bias": st.floats(-20, 20),
    "follower_supply": st.floats(20, 500),
    "follower_cathode": st.floats(10, 1e6),
}


@pytest.mark.slow
@settings(max_examples=25, deadline=None)
@given(st.lists(st.fixed_dictionaries(_POSITIVE), min_size=1, max_size=4))
def test_any_batch_converges_and_equals_its_candidates_alone(rows: list[dict[str, float]]) -> None:
    columns = {name: np.array([row[name] for row in rows]) for name in _POSITIVE}
    stage = Stage(
        columns["supply"], columns["load"], columns["cathode"], grid_bias_V=columns["bias"]
    )
    follower = CathodeFollower(columns["follower_supply"], columns["follower_cathode"])
    point, after = coupled_operating_point(stage, LEAKY, follower, OTHER)
    # Where the plate is pulled below ground no current flows and the grid's is what is drawn.
    left = (stage.supply_V - point.plate_V) / stage.plate_load_ohm - point.plate_current_A
    np.testing.assert_allclose(left, after.point.grid_current_A, 1e-6, 1e-12)
    for i in range(min(len(rows), 2)):
        alone, alone_after = coupled_operating_point(stage.at(i), LEAKY, follower.at(i), OTHER)
        assert alone.plate_V.shape == ()
        np.testing.assert_allclose(alone.plate_V, point.plate_V[i], 1e-9, 1e-9)
        np.testing.assert_allclose(alone_after.gain, after.gain[i], 1e-7, 1e-12)


@settings(max_examples=40, deadline=None)
@given(st.floats(-300, 600), st.floats(20, 500), st.floats(10, 1e6))
def test_follower_rises_with_its_grid_and_never_faster(
    grid_V: float, supply_V: float, resistor_ohm: float
) -> None:
    # What the coupled solve rests on: the grid current must not fall as the grid rises.
    follower = CathodeFollower(supply_V, resistor_ohm)
    found = follower_point(follower, OTHER, np.array([grid_V, grid_V + 1.0]))
    rise = np.diff(found.point.cathode_V)[0]
    assert -1e-9 <= rise <= 1 + 1e-9
    assert np.diff(found.point.grid_current_A)[0] >= -1e-15
