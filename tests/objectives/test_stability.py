"""Poles, damping, margin and stopper against closed forms, dense references and each other."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import linalg

from objectives.assessment import Assessment
from objectives.circuit.arrival import QUASI_STATIC_HZ
from objectives.circuit.network import Network
from objectives.circuit.nodal import descriptor
from objectives.circuit.poles import (
    damping_ratio,
    descriptor_poles,
    least_damping,
    network_poles,
    resonances,
)
from objectives.circuit.small_signal import SmallSignal
from objectives.circuit.stability import (
    COMMON_STOPPER_OHM,
    MARGIN_CAP_DB,
    negative_input_resistance,
    smallest_stopper,
    transconductance_margin_dB,
)
from objectives.devices.triodes import Koren
from objectives.scores.registry import REGISTRY
from objectives.stage import Stage
from objectives.targets import Targets
from stand_in import StandIn

EVERYWHERE = np.inf
NO_VALVE = SmallSignal(0.0, 1e-9, 0.0, 0.0, 0.0)
GROUND_F = 1.0  # a farad is a short at every frequency of these tests


def usual(**changes: Any) -> Stage:
    """A stage with everything in it, leads of a few centimetres included."""
    values: dict[str, Any] = {
        "supply_V": 300.0, "plate_load_ohm": 100e3, "cathode_resistor_ohm": 1500.0,
        "stopper_ohm": 4.7e3, "bypass_F": 22e-6, "cathode_unbypassed_ohm": 47.0,
        "source_ohm": 10e3, "cable_F": 100e-12, "input_coupling_F": 22e-9,
        "stopper_shunt_F": 0.3e-12, "stopper_lead_H": 14e-9, "grid_lead_H": 20e-9,
        "plate_lead_H": 40e-9, "cathode_lead_H": 15e-9, "plate_capacitor_F": 10e-12,
        "output_coupling_F": 22e-9, "load_ohm": 1e6, "load_F": 50e-12,
        "stray_grid_ground_F": 2e-12, "stray_plate_ground_F": 3e-12,
    }  # fmt: skip
    return Stage(**(values | changes))


LIVELY = SmallSignal(12e-3, 1 / 3e3, 3e-12, 1.7e-12, 0.9e-12)
"""Invented: steep and of low plate resistance, so that it oscillates readily."""


def touchy(**changes: Any) -> Stage:
    """A direct-driven stage with a long plate lead and no stopper: an oscillator."""
    values: dict[str, Any] = {
        "source_ohm": 50.0, "stopper_ohm": 0.0, "plate_lead_H": 100e-9, "load_F": 200e-12,
        "grid_lead_H": 60e-9, "cathode_unbypassed_ohm": 0.0, "cable_F": 1e-9, "stopper_lead_H": 0.0,
    }  # fmt: skip
    return usual(**(values | changes))


def reference_poles(stage: Stage, device: SmallSignal) -> np.ndarray:
    """Poles of one stage by SciPy's generalised eigenvalues of the full, scaled pencil."""
    system = descriptor(stage, device)
    E, A = (np.squeeze(m) for m in (system.E, system.A))
    rows = 1.0 / np.maximum(np.abs(E) * 1e8, np.abs(A)).max(axis=-1, keepdims=True)
    with np.errstate(invalid="ignore", divide="ignore"):
        found = 1e8 * linalg.eigvals(-A * rows, E * rows * 1e8)
    return np.asarray(found[np.isfinite(found) & (np.abs(found) < 1e13)])


def finite(poles: np.ndarray) -> np.ndarray:
    return np.asarray(poles[np.isfinite(poles)])


# -- closed forms ----------------------------------------------------------------------------------


def test_series_resonant_circuit() -> None:
    r, inductance, c = 30.0, 2e-6, 50e-12
    stage = Stage(
        supply_V=300.0, plate_load_ohm=1e3, cathode_resistor_ohm=1e3, source_ohm=r,
        stopper_lead_H=inductance, grid_capacitor_F=c, grid_leak_ohm=np.inf,
    )  # fmt: skip
    poles = finite(network_poles(stage, NO_VALVE))
    expected = np.roots([inductance * c, r * c, 1.0])
    np.testing.assert_allclose(np.sort_complex(poles), np.sort_complex(expected), rtol=1e-9)
    damping = r / 2 * np.sqrt(c / inductance)
    assert float(least_damping(stage, NO_VALVE, highest_Hz=EVERYWHERE)) == pytest.approx(damping)


def hartley(tap: float, gm: float = 2e-3, gp: float = 1e-4, c: float = 20e-12) -> Any:
    """Grid coil 1 µH, plate coil ``tap`` times that, coupled by C_gp alone."""
    stage = Stage(
        supply_V=300.0, plate_load_ohm=1e3, cathode_resistor_ohm=0.0, grid_lead_H=1e-6,
        plate_lead_H=tap * 1e-6, plate_capacitor_F=GROUND_F, grid_leak_ohm=np.inf,
    )  # fmt: skip
    return stage, SmallSignal(gm, gp, 0.0, c, 0.0)


def test_two_coils_and_the_grid_plate_capacitance() -> None:
    # Nodal equations of grid and plate, multiplied out:
    # s^3 L1 L2 C (gm + gp) + s^2 C (L1 + L2) + s L2 gp + 1 = 0.
    gm, gp, c, l1 = 2e-3, 1e-4, 20e-12, 1e-6
    for tap in (3.0, 15.0, 25.0, 60.0):
        stage, device = hartley(tap)
        l2 = tap * l1
        expected = np.roots([l1 * l2 * c * (gm + gp), c * (l1 + l2), l2 * gp, 1.0])
        poles = finite(network_poles(stage, device))
        for s in expected:
            assert np.abs(poles - s).min() < 1e-6 * abs(s)


def test_such_a_stage_oscillates_when_mu_exceeds_the_ratio_of_the_coils() -> None:
    # Routh on the cubic: stable exactly when gp L2 > gm L1.
    mu = 20.0
    below, at_edge, above = (
        float(least_damping(*hartley(tap), highest_Hz=EVERYWHERE)) for tap in (19.9, mu, 20.1)
    )
    assert below < 0 < above
    assert abs(at_edge) < 1e-8
    for tap in (3.0, 12.0, 40.0, 200.0):
        margin = float(transconductance_margin_dB(*hartley(tap), highest_Hz=EVERYWHERE))
        assert margin == pytest.approx(20 * np.log10(tap / mu), abs=1e-6)


def capacitive_cathode(stopper: float = 0.0, coil: float = 1e-6) -> Any:
    """A coil at the grid, C1 from grid to cathode, C2 from cathode to ground, plate grounded."""
    stage = Stage(
        supply_V=300.0, plate_load_ohm=1.0, plate_capacitor_F=GROUND_F, grid_lead_H=coil,
        cathode_resistor_ohm=2e3, bypass_F=30e-12, stopper_ohm=stopper, grid_leak_ohm=np.inf,
    )  # fmt: skip
    return stage, SmallSignal(4e-3, 5e-5, 10e-12, 0.0, 0.0)


def test_smallest_stopper_of_a_stage_with_a_capacitive_cathode() -> None:
    # With the stopper R in series with the coil: s^3 L C1 C2 + s^2 (L C1 g + R C1 C2)
    # + s (C1 + C2 + R C1 g) + gm + g = 0, g = gp + 1/Rk; Routh gives a quadratic in R.
    gm, c1, c2, coil = 4e-3, 10e-12, 30e-12, 1e-6
    g = 5e-5 + 1 / 2e3
    expected = np.roots([
        c1 * c2 * c1 * g,
        c1 * c2 * (c1 + c2) + coil * c1 * g * c1 * g,
        coil * c1 * g * (c1 + c2) - coil * c1 * c2 * (gm + g),
    ]).max()  # fmt: skip
    found = float(smallest_stopper(*capacitive_cathode(), damping=0.0, highest_Hz=EVERYWHERE))
    assert expected < found < 1.002 * expected
    cubic = np.roots([
        coil * c1 * c2, coil * c1 * g + 100 * c1 * c2, c1 + c2 + 100 * c1 * g, gm + g
    ])  # fmt: skip
    poles = finite(network_poles(*capacitive_cathode(100.0)))
    for s in cubic:
        assert np.abs(poles - s).min() < 1e-6 * abs(s)


def test_negative_input_resistance_of_a_capacitive_cathode() -> None:
    # Z = 1/(s C1) + (1 + gm/(s C1))/(g + s C2): its real part tends to the textbook's
    # -gm/(w^2 C1 C2), the more so the higher the frequency.
    gm, c1, c2, g = 4e-3, 10e-12, 30e-12, 5e-5 + 1 / 2e3
    stage, device = capacitive_cathode(coil=0.0)
    found = negative_input_resistance(stage, device, lowest_Hz=20e6, highest_Hz=200e6)
    f = np.geomspace(20e6, 200e6, 101)
    s = 2j * np.pi * f
    exact = (1 / (s * c1) + (1 + gm / (s * c1)) / (g + s * c2)).real
    assert float(found.resistance_ohm) == pytest.approx(exact.min(), rel=1e-5)
    assert float(found.frequency_Hz) == pytest.approx(f[exact.argmin()])
    textbook = gm / ((2 * np.pi * 20e6) ** 2 * c1 * c2)
    assert -float(found.resistance_ohm) == pytest.approx(textbook, rel=0.1)


def test_inductive_plate_load_makes_the_input_conductance_negative() -> None:
    # Miller: Y_in = s C_gp (1 + gm Z') with Z' the load; below its resonance the tank is inductive.
    stage = Stage(
        supply_V=300.0, plate_load_ohm=1.0, plate_capacitor_F=GROUND_F, plate_lead_H=1e-6,
        cathode_resistor_ohm=0.0, grid_leak_ohm=np.inf,
    )  # fmt: skip
    device = SmallSignal(2e-3, 1e-4, 2e-12, 1.5e-12, 20e-12)
    tuned = 1 / (2 * np.pi * np.sqrt(1e-6 * 21.5e-12))
    below, above = (
        Network(stage, device, f).input_admittance_S.real for f in (0.9 * tuned, 1.1 * tuned)
    )
    assert float(below) < 0 < float(above)
    assert float(negative_input_resistance(stage, device).frequency_Hz) < tuned


# -- against the full pencil and the frequency response --------------------------------------------


def a_batch(count: int, seed: int = 3) -> tuple[Stage, SmallSignal]:
    """Random stages; every reactance that may be absent is so now and then."""
    rng = np.random.default_rng(seed)

    def spread(low: float, high: float, absent: float | None = None) -> np.ndarray:
        values = np.exp(rng.uniform(np.log(low), np.log(high), count))
        return values if absent is None else np.where(rng.random(count) < 0.25, absent, values)

    stage = Stage(
        supply_V=300.0,
        plate_load_ohm=spread(10e3, 300e3),
        cathode_resistor_ohm=spread(100, 5e3),
        stopper_ohm=spread(10, 200e3, 0.0),
        bypass_F=np.where(rng.random(count) < 0.3, np.inf, spread(1e-9, 1e-4, 0.0)),
        cathode_unbypassed_ohm=spread(10, 1e3, 0.0),
        bypass_series_ohm=spread(10, 1e3, 0.0),
        source_ohm=spread(10, 1e5, 0.0),
        cable_F=spread(1e-11, 1e-9, 0.0),
        input_coupling_F=spread(1e-9, 1e-6, np.inf),
        grid_leak_ohm=spread(1e5, 1e7, np.inf),
        leak_at_grid=np.round(rng.random(count)),
        stopper_shunt_F=spread(1e-13, 2e-12, 0.0),
        stopper_lead_H=spread(1e-9, 1e-7, 0.0),
        grid_capacitor_F=spread(1e-11, 1e-9, 0.0),
        plate_capacitor_F=spread(1e-11, 1e-9, 0.0),
        output_coupling_F=spread(1e-9, 1e-6, np.inf),
        load_ohm=spread(1e4, 1e7, np.inf),
        load_F=spread(1e-11, 1e-9, 0.0),
        stray_plate_ground_F=spread(1e-12, 1e-11, 0.0),
        grid_lead_H=spread(1e-9, 1e-6, 0.0),
        plate_lead_H=spread(1e-9, 1e-6, 0.0),
        cathode_lead_H=spread(1e-9, 1e-6, 0.0),
    )
    device = SmallSignal(
        transconductance_S=spread(1e-4, 2e-2),
        plate_conductance_S=spread(1e-5, 1e-3),
        grid_cathode_F=spread(1e-12, 2e-11),
        grid_plate_F=spread(1e-12, 1e-11),
        plate_cathode_F=spread(3e-13, 5e-12),
    )
    return stage, device


def test_poles_are_those_of_the_full_pencil() -> None:
    count = 60
    stages, devices = a_batch(count)
    poles = network_poles(stages, devices)
    checked = 0
    for at in range(count):
        mine = finite(poles[at])
        reference = reference_poles(stages.at([at]), devices.at([at]))
        # QZ works to an absolute error set by the fastest poles; slow real ones are checked
        # against the response below.
        reference = reference[np.abs(reference) > 1e5]
        mine = mine[np.abs(mine) > 1e5]
        assert len(mine) == len(reference)
        for s in reference:
            assert np.abs(mine - s).min() < 1e-6 * abs(s)
            checked += 1
    assert checked > 200


def test_every_pole_makes_the_pencil_singular() -> None:
    stages, devices = a_batch(40, seed=5)
    system = descriptor(stages, devices)
    poles = network_poles(stages, devices)
    rows, columns = np.nonzero(np.isfinite(poles) & (np.abs(poles) > 1.0))
    s = poles[rows, columns]
    matrix = s[:, None, None] * system.E[rows] + system.A[rows]
    for _ in range(4):  # equilibrate both ways: singularity in units that all mean the same
        matrix /= np.abs(matrix).max(axis=-1, keepdims=True)
        matrix /= np.abs(matrix).max(axis=-2, keepdims=True)
    values = np.linalg.svd(matrix, compute_uv=False)
    assert len(s) > 200
    assert np.all(values[:, -1] < 1e-6)


def test_a_lightly_damped_pair_is_the_peak_of_the_response() -> None:
    # Near its resonance the response is one pair over a slow background.
    stopper = smallest_stopper(touchy(), LIVELY, damping=0.004, highest_Hz=EVERYWHERE)
    light = touchy(stopper_ohm=float(stopper))
    poles = finite(network_poles(light, LIVELY))
    s = min(poles[poles.imag > 0], key=damping_ratio)
    assert float(damping_ratio(s)) == pytest.approx(0.004, rel=0.05)
    f0, width = s.imag / (2 * np.pi), -2 * s.real / (2 * np.pi)
    f = np.linspace(f0 - 3 * width, f0 + 3 * width, 4001)
    power = np.abs(Network(light.expand(), LIVELY.expand(), f).grid) ** 2
    power = power.ravel()
    assert f[power.argmax()] == pytest.approx(f0, rel=width / f0 * 0.05)
    above = f[power > power.max() / 2]
    assert np.ptp(above) == pytest.approx(width, rel=0.02)


# -- laws ------------------------------------------------------------------------------------------


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10_000), st.floats(0.2, 5.0), st.floats(0.2, 5.0))
def test_scaling_time_and_impedance(seed: int, slower: float, higher: float) -> None:
    """Reactances times ``slower`` divide the poles by it; impedances times anything leave them."""
    stage, device = a_batch(4, seed)
    times = {"ohm": higher, "F": slower / higher, "H": slower * higher}
    scaled = replace(
        stage,
        **{
            name: value * times.get(name.rsplit("_", 1)[-1], 1.0)
            for name, value in stage.numeric_fields().items()
        },
    )
    scaled_device = SmallSignal(**{
        name: value * (1 / higher if name.endswith("_S") else slower / higher)
        for name, value in device.numeric_fields().items()
    })  # fmt: skip
    before, after = network_poles(stage, device), network_poles(scaled, scaled_device)
    for first, second in zip(before, after, strict=True):
        first, second = finite(first) / slower, finite(second)
        first = first[(np.abs(first) > 1e3) & (np.abs(first) < 1e12)]
        for s in first:
            assert np.abs(second - s).min() < 1e-5 * abs(s)
    np.testing.assert_allclose(
        least_damping(stage, device, highest_Hz=1e11),
        least_damping(scaled, scaled_device, highest_Hz=1e11 / slower),
        atol=1e-6,
    )


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10_000))
def test_without_a_valve_every_pole_decays(seed: int) -> None:
    stage, device = a_batch(20, seed)
    cold = replace(device, transconductance_S=0.0)
    assert np.all(damping_ratio(network_poles(stage, cold)) > -1e-7)
    assert np.all(transconductance_margin_dB(stage, cold) == MARGIN_CAP_DB)


@pytest.mark.slow
@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10_000))
def test_at_the_critical_transconductance_a_pole_is_on_the_axis(seed: int) -> None:
    stage, device = a_batch(30, seed)
    margin = transconductance_margin_dB(stage, device, highest_Hz=1e11)
    found = np.abs(margin) < MARGIN_CAP_DB - 1
    critical = np.asarray(device.transconductance_S) * 10 ** (margin / 20)

    def damping(factor: float) -> np.ndarray:
        changed = replace(device, transconductance_S=critical * factor)
        return least_damping(stage, changed, highest_Hz=2e11)[found]

    assert np.all(np.abs(damping(1.0)) < 1e-6)
    assert np.all(damping(0.999) > 0)
    assert np.all(damping(1.001) < 0)
    growing = damping_ratio(network_poles(stage, device)).min(axis=-1) < -1e-9
    assert np.all(margin[growing] < 0)


@settings(max_examples=25, deadline=None)
@given(
    st.floats(-3, 3), st.floats(-10, -6), st.floats(-13, -9), st.floats(-12, -10), st.floats(1, 5)
)
def test_a_stopper_over_the_negative_resistance_defeats_any_wiring(
    log_r: float, log_l: float, log_c: float, log_stray: float, above: float
) -> None:
    """Whatever stands before it, provided the stage with its grid open does not oscillate."""
    stage = touchy(cathode_lead_H=0.0, leak_at_grid=1.0)
    port = negative_input_resistance(stage, LIVELY, lowest_Hz=1e3, highest_Hz=20e9)
    assert float(port.resistance_ohm) < 0
    opened = replace(stage, stopper_ohm=1e12)
    assert float(least_damping(opened, LIVELY, highest_Hz=EVERYWHERE)) >= 0
    wired = replace(
        stage,
        stopper_ohm=-float(port.resistance_ohm) * (1 + above / 100),
        source_ohm=10**log_r,
        stopper_lead_H=10**log_l,
        cable_F=10**log_c,
        input_coupling_F=10**log_stray,
    )
    assert float(least_damping(wired, LIVELY, highest_Hz=EVERYWHERE)) > 0


# -- the stopper -----------------------------------------------------------------------------------


def test_smallest_stopper_is_enough_and_the_smallest() -> None:
    lead = np.array([20e-9, 60e-9, 150e-9, 400e-9])
    stage = touchy(grid_lead_H=lead)
    for damping in (0.02, 0.1):
        stopper = smallest_stopper(stage, LIVELY, damping=damping)
        at = np.isfinite(stopper) & (stopper > 0)
        assert at.sum() >= 3
        enough = least_damping(replace(stage, stopper_ohm=np.nan_to_num(stopper)), LIVELY)
        less = least_damping(replace(stage, stopper_ohm=0.99 * np.nan_to_num(stopper)), LIVELY)
        assert np.all(enough[at] >= damping)
        assert np.all(less[at] < damping)
    # Here at least the customary range begins where it should.
    assert np.nanmax(stopper) < COMMON_STOPPER_OHM[1]


def test_stopper_for_a_margin_as_well() -> None:
    stage = touchy()
    plain = float(smallest_stopper(stage, LIVELY, damping=0.0))
    wide = float(smallest_stopper(stage, LIVELY, damping=0.0, margin_dB=12.0))
    assert wide > plain
    enough, less = (
        float(transconductance_margin_dB(replace(stage, stopper_ohm=r), LIVELY))
        for r in (wide, 0.99 * wide)
    )
    assert less < 12.0 <= enough


def test_no_stopper_needed_and_none_that_serves() -> None:
    short = usual(grid_lead_H=0.0, plate_lead_H=0.0, cathode_lead_H=0.0, stopper_lead_H=0.0)
    assert float(smallest_stopper(short, LIVELY)) == 0.0
    # Without C_gp a plate coil of high quality rings whatever stands at the grid.
    ringing = usual(
        plate_lead_H=2e-6, cathode_lead_H=0.0, cathode_resistor_ohm=0.0, cathode_unbypassed_ohm=0.0
    )
    neutral = replace(LIVELY, plate_conductance_S=1e-6, grid_plate_F=0.0)
    assert np.isnan(smallest_stopper(ringing, neutral))


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"damping": 1.0}, "damping: 1.0"),
        ({"range_ohm": (100.0, 10.0)}, "range_ohm"),
        ({"range_ohm": (0.0, 10.0)}, "range_ohm"),
    ],
)
def test_bad_stopper_arguments(arguments: dict[str, Any], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        smallest_stopper(touchy(), LIVELY, **arguments)


# -- shape, scores, errors -------------------------------------------------------------------------


def test_a_batch_gives_what_its_members_give() -> None:
    stage, device = a_batch(12, seed=8)
    functions = (
        least_damping,
        transconductance_margin_dB,
        smallest_stopper,
        lambda s, d: negative_input_resistance(s, d).resistance_ohm,
    )
    for function in functions:
        together = function(stage, device)
        assert together.shape == (12,)
        alone = np.array(
            [float(np.squeeze(function(stage.at(i), device.at(i)))) for i in range(12)]
        )
        np.testing.assert_allclose(together, alone, rtol=1e-6, atol=1e-9)


def test_shapes_and_chunks() -> None:
    stage = usual(stopper_ohm=np.geomspace(1e2, 1e5, 3 * 1500).reshape(3, 1500))
    damping = least_damping(stage, LIVELY, highest_Hz=EVERYWHERE)
    assert damping.shape == (3, 1500)
    some = usual(stopper_ohm=np.asarray(stage.stopper_ohm)[2, 1400:1410])
    np.testing.assert_allclose(
        damping[2, 1400:1410], least_damping(some, LIVELY, highest_Hz=EVERYWHERE), rtol=1e-9
    )
    assert least_damping(usual(), LIVELY).shape == ()


def test_poles_beyond_the_valve_are_found_but_not_counted() -> None:
    stage = usual(plate_lead_H=20e-9, cathode_unbypassed_ohm=0.0, stopper_ohm=68e3)
    found = resonances(stage, LIVELY)
    assert [r.frequency_Hz for r in found] == sorted(r.frequency_Hz for r in found)
    for r in found:
        assert r.counted == (r.frequency_Hz <= QUASI_STATIC_HZ)
    assert any(not r.counted for r in found)
    counted = [r.damping for r in found if r.counted]
    assert float(least_damping(stage, LIVELY)) == pytest.approx(min([1.0, *counted]))
    everywhere = float(least_damping(stage, LIVELY, highest_Hz=EVERYWHERE))
    assert everywhere == pytest.approx(min(r.damping for r in found))


def test_the_valve_takes_damping_from_a_stage_that_oscillates() -> None:
    worst = min(resonances(touchy(), LIVELY), key=lambda r: r.damping)
    assert worst.damping < 0 < worst.damping_without_valve


def test_damping_of_plain_poles() -> None:
    poles = np.array([-5.0 + 0j, -3 + 4j, 3 - 4j, 7.0, 0.0, -np.inf])
    np.testing.assert_allclose(damping_ratio(poles), [1, 0.6, -0.6, -1, 1, 1])


def test_a_descriptor_without_reactances_has_no_poles() -> None:
    system = descriptor(Stage(300.0, 1e5, 1e3), NO_VALVE)
    assert np.all(np.isneginf(descriptor_poles(system).real))


@pytest.mark.parametrize(
    ("field", "value"),
    [("plate_lead_H", -1e-9), ("cable_F", np.inf), ("load_F", np.nan)],
)
def test_unusable_reactances_are_named(field: str, value: float) -> None:
    with pytest.raises(ValueError, match=rf"{field}: .*must be finite and 0 or more"):
        least_damping(usual(**{field: value}), LIVELY)


def test_resonances_are_of_one_stage() -> None:
    with pytest.raises(ValueError, match="batch of 2: must be one stage"):
        resonances(usual(stopper_ohm=np.array([1.0, 2.0])), LIVELY)


# Published set for the 12AT7 (N. Koren, from memory).
LIVELY_TRIODE = Koren(mu=60.0, ex=1.35, kg1=460.0, kp=300.0, kvb=300.0)


def test_scores() -> None:
    stage = touchy(stopper_ohm=np.array([0.0, 470.0]), plate_load_ohm=10e3)
    assessment = Assessment(stage, StandIn(LIVELY_TRIODE, (2.5e-12, 1.6e-12, 0.5e-12)), Targets())
    damping, margin = assessment["least_damping_ratio"], assessment["stability_margin_dB"]
    np.testing.assert_allclose(damping, least_damping(stage, assessment.linear))
    assert damping[0] < 0 < damping[1]
    assert margin[0] < 0 < margin[1]
    for name in ("least_damping_ratio", "stability_margin_dB"):
        assert REGISTRY[name].direction == "maximise"
