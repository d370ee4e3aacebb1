"""Harmonic balance: its network against the dense nodal solve, its equations, and more points."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from objectives.arrays import ComplexArray
from objectives.devices.triodes import GridCurrent, Koren
from objectives.stage import Stage
from objectives.transient.cascade import Cascade, CascadeStage
from objectives.transient.excitation import sine
from objectives.transient.integrator import Waveforms
from objectives.transient.modes import Modes
from objectives.transient.spectrum import harmonics
from objectives.transient.steady_state import periodic
from objectives.transient.systems import device_currents

# Published equations (N. Koren 1996, Dempwolf and Zölzer 2011, from memory), an invented mix.
LAW = Koren(
    mu=100, ex=1.4, kg1=1060, kp=600, kvb=300,
    grid=GridCurrent(perveance=6.177e-4, exponent=1.314, sharpness=9.901),
)  # fmt: skip
# Invented parts; the bypasses are none, one that matters and a full one.
STAGE = Stage(
    supply_V=300.0, plate_load_ohm=220e3, cathode_resistor_ohm=1.5e3, source_ohm=38e3,
    bypass_F=np.array([0.0, 0.22e-6, np.inf]), stopper_ohm=np.array([0.0, 100e3, 470e3]),
    input_coupling_F=22e-9, grid_leak_ohm=1e6, output_coupling_F=22e-9, load_ohm=1e6,
)  # fmt: skip
PAIR = Cascade(
    (
        CascadeStage(replace(STAGE, bypass_F=0.0, stopper_ohm=68e3), LAW, 2e-12, 2.3e-12, 1e-12),
        CascadeStage(STAGE, LAW, 2e-12, 2.3e-12, 1e-12),
    ),
    series_ohm=100e3, shunt_ohm=100e3,
)  # fmt: skip
PORTS = ((0, "grid"), (0, "plate"), (0, "cathode"), (1, "grid"), (1, "plate"), (1, "cathode"))
F, LEVEL = 220.0, 4.0


def dense(cascade: Cascade, s: complex) -> ComplexArray:
    """Return x by EMF, direct sources and port currents, from the nodal system as it stands."""
    system = cascade.state_space
    sources = [system.source[..., None], system.constant[..., None]]
    ports = np.broadcast_to(-system.Q.T, (system.size, *system.Q.T.shape))
    right = np.concatenate([*sources, ports], axis=-1) + 0j
    return np.asarray(np.linalg.solve(s * system.E + system.A, right))


def test_the_modes_are_the_nodal_network() -> None:
    system = PAIR.state_space
    frequency = np.array([20.0, 1e3, 20e3, 100e3])
    response = Modes.of(system, ((1, "output"),), 1e-6).response(2j * np.pi * frequency)
    for at, f in enumerate(frequency):
        x = dense(PAIR, 2j * np.pi * f)
        expected = np.concatenate([system.Q @ x, x[:, [system.row((1, "output"))]]], axis=1)
        largest = np.abs(expected).max(axis=1, keepdims=True)
        assert np.all(np.abs(response[:, at] - expected) <= 1e-8 * largest)


def test_the_modes_of_full_bypasses_are_the_nodal_network() -> None:
    """Time constants of hours beside those of picoseconds: of the shortest, rounding leaves none.

    Two to the batch have other parts, so that the rest have nodes without a capacitor.
    """
    rng, count = np.random.default_rng(0), 300

    def spread(low: float, high: float) -> np.ndarray:
        return np.exp(rng.uniform(np.log(low), np.log(high), count))

    whole = np.arange(count) < 2
    stage = Stage(
        supply_V=300.0, plate_load_ohm=spread(2e4, 5e5), cathode_resistor_ohm=spread(5e3, 1e4),
        stopper_ohm=spread(1e3, 1e5), bypass_F=np.where(whole, 1e-6, np.inf),
        source_ohm=spread(100, 1e3), input_coupling_F=0.1e-6, grid_leak_ohm=1e6,
        grid_capacitor_F=np.where(whole, 47e-12, 0.0), plate_capacitor_F=spread(1e-12, 5e-12),
        output_coupling_F=0.1e-6, load_ohm=1e6,
    )  # fmt: skip
    last = replace(stage, plate_load_ohm=spread(2e4, 5e5), cathode_resistor_ohm=spread(1e3, 1e4))
    stages = [CascadeStage(one, LAW, 2e-12, 2.3e-12, 1e-12) for one in (stage, last)]
    cascade = Cascade((stages[0], stages[1]), series_ohm=100e3, shunt_ohm=1e6)
    frequency = np.array([20.0, 1e3, 20e3])
    response = Modes.of(cascade.state_space, (), 1e-5).response(2j * np.pi * frequency)
    for at, f in enumerate(frequency):
        expected = cascade.state_space.Q @ dense(cascade, 2j * np.pi * f)
        largest = np.abs(expected).max(axis=1, keepdims=True)
        # 0.01 dB
        assert np.all(np.abs(response[:, at] - expected) <= 1e-3 * largest)


@pytest.mark.slow
def test_every_harmonic_meets_the_nodal_network() -> None:
    """Kirchhoff's laws at the ports: the currents make the voltages that make them."""
    n = 1024
    run = periodic(PAIR, sine(LEVEL, F), 1 / F, n, PORTS)
    assert run.settled.all()
    system = PAIR.state_space
    v = np.stack([run[a, name] - run[a, "cathode"] for a in (0, 1) for name in ("grid", "plate")])
    i = harmonics(np.moveaxis(device_currents(system.laws, np.moveaxis(v, -1, 1))[0], 1, -1))
    e, volts = harmonics(sine(LEVEL, F)(run.time_s)), harmonics(v)
    for order in (1, 2, 3, 10, 30):
        ways = system.Q @ dense(PAIR, 2j * np.pi * order * F)
        made = ways[..., 0] * e[order] + np.einsum("cij,jc->ci", ways[..., 2:], i[..., order])
        assert np.abs(made.T - volts[..., order]).max() < 1e-5 * np.abs(volts[..., 1]).max()


@pytest.mark.slow
def test_twice_the_points_change_nothing() -> None:
    """The spectrum from 128 points on is that from 1024, as far as its own points reach."""
    few, many = (periodic(PAIR, sine(LEVEL, F), 1 / F, n, PORTS) for n in (128, 1024))
    for place in PORTS:
        turn = np.exp(2j * np.pi * np.arange(60) * (1 / 1024 - 1 / 128))
        a, b = harmonics(few[place])[:, :60] * turn, harmonics(many[place])[:, :60]
        assert np.abs(a - b).max() < 1e-3 * np.abs(b[:, 1:]).max()


@pytest.mark.slow
def test_a_stage_that_the_first_one_leads_astray_is_solved_as_alone() -> None:
    """Each starts from where the first comes to under its drive, and the second is another kind."""
    first = Stage(
        supply_V=300.0, plate_load_ohm=np.array([22e3, 470e3]), stopper_ohm=0.0, bypass_F=0.0,
        cathode_resistor_ohm=np.array([470.0, 3.9e3]), source_ohm=1e3, grid_leak_ohm=470e3,
        input_coupling_F=np.array([117e-12, 10.4e-9]),
        output_coupling_F=np.array([84.3e-9, 562e-9]), load_ohm=np.array([1.14e6, 133e3]),
    )  # fmt: skip
    last = replace(
        first, plate_load_ohm=np.array([150e3, 470e3]), stopper_ohm=np.array([0.0, 100e3]),
        cathode_resistor_ohm=np.array([330.0, 3.9e3]), bypass_F=np.array([4.7e-6, 0.47e-6]),
    )  # fmt: skip

    def solved(rows: list[int]) -> Waveforms:
        stages = [
            CascadeStage(one.take(np.array(rows), (2,)), LAW, 2e-12, 2.3e-12, 1e-12)
            for one in (first, last)
        ]
        cascade = Cascade((stages[0], stages[1]), series_ohm=100e3, shunt_ohm=1e6)
        return periodic(cascade, sine(27.0, 705.0), 1 / 705, 256, PORTS)

    both, alone = solved([0, 1]), solved([1])
    assert both.settled.all()
    assert alone.settled.all()
    for place in PORTS:
        np.testing.assert_allclose(both[place][1], alone[place][0], atol=1e-3)
