"""The time-domain solution against an independent stiff solver, the exact network and itself."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from objectives.arrays import FloatArray
from objectives.circuit.network import Network
from objectives.circuit.operating_point import operating_point
from objectives.circuit.small_signal import SmallSignal
from objectives.devices.triodes import ChildLangmuir, DempwolfZolzer, GridCurrent, Koren
from objectives.stage import Stage
from objectives.transient.cascade import FULL_BYPASS_F, Cascade, CascadeStage
from objectives.transient.excitation import Emf, clipped_sine, sampled, sine
from objectives.transient.integrator import SolverState, Stepper, Waveforms
from objectives.transient.long_run import simulate_long
from objectives.transient.spectrum import harmonics
from objectives.transient.steady_state import periodic
from objectives.transient.systems import jacobian, solve_small

# A published plate current law and a published grid current (N. Koren, Glass Audio 8(5), 1996;
# K. Dempwolf, U. Zölzer, DAFx-11, 2011; both from memory): the pair is invented, any will do here.
GRID = GridCurrent(perveance=6.177e-4, exponent=1.314, sharpness=9.901)
TRIODE = Koren(mu=100, ex=1.4, kg1=1060, kp=600, kvb=300, grid=GRID)
CAPACITANCES = {"grid_cathode_F": 2e-12, "grid_plate_F": 2.3e-12, "plate_cathode_F": 0.6e-12}
PLACES = ((0, "plate"), (1, "grid"), (1, "cathode"), (1, "output"))

# Invented parts.
CLIPPER = Stage(
    supply_V=300.0, plate_load_ohm=100e3, cathode_resistor_ohm=10e3, bypass_F=0.0,
    source_ohm=10e3, grid_leak_ohm=1e6, stopper_ohm=10e3, stray_plate_ground_F=5e-12,
)  # fmt: skip
STAGE = Stage(
    supply_V=300.0, plate_load_ohm=100e3, cathode_resistor_ohm=1.5e3, bypass_F=1e-6,
    input_coupling_F=4.7e-9, grid_leak_ohm=470e3, stopper_ohm=68e3, stopper_shunt_F=0.3e-12,
    stray_grid_ground_F=3e-12, output_coupling_F=22e-9, load_ohm=1e6, load_F=50e-12,
)  # fmt: skip


def cascade_of(
    stage: Stage = STAGE, clipper: Stage | None = CLIPPER, law: Koren = TRIODE
) -> Cascade:
    stages = [CascadeStage(stage, law, **CAPACITANCES)]
    if clipper is not None:
        stages.insert(0, CascadeStage(clipper, TRIODE, **CAPACITANCES))
    return Cascade(tuple(stages))


def simulate(
    cascade: Cascade, emf: Emf, step_s: float, steps: int, places: tuple[tuple[int, str], ...]
) -> Waveforms:
    """Solve every candidate from rest, one step after the other: the plainest use of the solver."""
    system = cascade.state_space
    stepper, state = Stepper(system, step_s, places), SolverState.at_rest(system, system.size)
    out, _ = stepper.run(state, stepper.samples(emf, 0.0, steps))
    recorded = np.moveaxis(out, (0, 1, 2), (2, 0, 1))
    return Waveforms.of(cascade, places, step_s, recorded, ~state.bad)


def largest(difference: FloatArray) -> float:
    return float(np.max(np.abs(difference)))


# -- against an independent solver -----------------------------------------------------------------


def two_stage_ode(emf: Emf) -> tuple[Callable[[float, FloatArray], FloatArray], FloatArray]:
    """The two stages as an ODE in the capacitors' voltages, written out by hand.

    Unknown node voltages are found from the capacitor currents: state vector
    (g1, k1-p1-capacitances as node voltages g1, k1, p1), (vc coupling, g2, k2, p2, a, o).
    """
    c, s, cap = CLIPPER, STAGE, CAPACITANCES
    cgk, cgp, cpk = cap["grid_cathode_F"], cap["grid_plate_F"], cap["plate_cathode_F"]
    # Node order: g1, k1, p1, a, g2, k2, p2, o.
    C = np.zeros((8, 8))

    def between(i: int, j: int | None, value: float) -> None:
        C[i, i] += value
        if j is not None:
            C[j, j] += value
            C[i, j] -= value
            C[j, i] -= value

    for g, k, p in ((0, 1, 2), (4, 5, 6)):
        between(g, k, cgk)
        between(g, p, cgp)
        between(p, k, cpk)
    between(2, None, float(c.stray_plate_ground_F))
    between(2, 3, float(s.input_coupling_F))
    between(3, 4, float(s.stopper_shunt_F))
    between(4, None, float(s.stray_grid_ground_F))
    between(5, None, float(s.bypass_F))
    between(6, 7, float(s.output_coupling_F))
    between(7, None, float(s.load_F))
    inverse = np.linalg.inv(C)

    def currents(t: float, x: FloatArray) -> FloatArray:
        g1, k1, p1, a, g2, k2, p2, o = x
        i = np.zeros(8)
        # Clipper: source and stopper in series meet the leak between them.
        e, rs, rg, leak = emf(np.asarray(t)), c.source_ohm, c.stopper_ohm, c.grid_leak_ohm
        joint = (e / rs + g1 / rg) / (1 / rs + 1 / rg + 1 / leak)
        ip1 = TRIODE.plate_current(g1 - k1, p1 - k1)
        ig1 = TRIODE.grid_current(g1 - k1, p1 - k1)
        ip2 = TRIODE.plate_current(g2 - k2, p2 - k2)
        ig2 = TRIODE.grid_current(g2 - k2, p2 - k2)
        i[0] = (joint - g1) / rg - ig1
        i[1] = ip1 + ig1 - k1 / c.cathode_resistor_ohm
        i[2] = (c.supply_V - p1) / c.plate_load_ohm - ip1
        i[3] = -a / s.grid_leak_ohm + (g2 - a) / s.stopper_ohm
        i[4] = (a - g2) / s.stopper_ohm - ig2
        i[5] = ip2 + ig2 - k2 / s.cathode_resistor_ohm
        i[6] = (s.supply_V - p2) / s.plate_load_ohm - ip2
        i[7] = -o / s.load_ohm
        return inverse @ i

    first, second = operating_point(c, TRIODE), operating_point(s, TRIODE)
    start = [
        first.grid_V, first.cathode_V, first.plate_V, 0.0,
        second.grid_V, second.cathode_V, second.plate_V, 0.0,
    ]  # fmt: skip
    return currents, np.array(start, float)


@pytest.mark.slow
def test_agrees_with_a_stiff_solver_through_overload() -> None:
    emf, seconds, step = sine(8.0, 1000.0), 1e-3, 1 / 1536e3
    ode, start = two_stage_ode(emf)
    steps = round(seconds / step)
    times = step * np.arange(1, steps + 1)
    exact = solve_ivp(
        ode, (0, seconds), start, method="Radau", t_eval=times, rtol=1e-7, atol=1e-7, max_step=2e-6
    )  # fmt: skip
    ours = simulate(cascade_of(), emf, step, steps, PLACES)
    assert ours.settled.all()
    # The clipper runs from cut-off to grid conduction; the grid behind the stopper is held.
    assert ours[0, "plate"].max() > 285
    assert ours.grid_cathode_V(1).max() > 0.1
    for place, row in zip(PLACES, (2, 4, 5, 7), strict=True):
        swing = np.ptp(exact.y[row])
        assert largest(ours[place] - exact.y[row]) < 3e-4 * swing, place


@pytest.mark.slow
def test_second_order_in_the_step() -> None:
    cascade, f = cascade_of(), 440.0
    counts = (100, 200, 400, 1600)
    runs = {n: simulate(cascade, sine(3.0, f), 1 / f / n, n, PLACES) for n in counts}
    for place in PLACES:
        # At the times that all runs share.
        shared = {n: run[place][n // 50 - 1 :: n // 50] for n, run in runs.items()}
        errors = [np.linalg.norm(shared[n] - shared[1600]) for n in (100, 200, 400)]
        order = np.log2(errors[0] / errors[2]) / 2
        assert 1.8 < order < 2.6, (place, errors)


# -- against the exact small-signal network --------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("frequency", [110.0, 2500.0])
@pytest.mark.parametrize("bypass", [0.0, 1e-6, np.inf])
def test_small_signals_meet_the_network(frequency: float, bypass: float) -> None:
    meets_the_network(replace(STAGE, bypass_F=bypass, source_ohm=38e3, leak_at_grid=1.0), frequency)


@pytest.mark.slow
def test_small_signals_meet_the_network_through_a_damped_treble_cut() -> None:
    damped = replace(STAGE, plate_capacitor_F=2.2e-9, plate_capacitor_series_ohm=22e3)
    meets_the_network(damped, 2500.0)


def meets_the_network(stage: Stage, frequency: float) -> None:
    """Assert that a small sine in the cascade gives the levels and phases of the network."""
    point = operating_point(stage, TRIODE)
    linear = SmallSignal(
        point.transconductance_S, point.plate_conductance_S,
        grid_conductance_S=point.grid_conductance_S, **CAPACITANCES,
    )  # fmt: skip
    network = Network(stage, linear, frequency)
    # What stands for a full bypass leaves some microvolts a volt there.
    at_cathode = Network(
        replace(stage, bypass_F=np.minimum(stage.bypass_F, FULL_BYPASS_F)), linear, frequency
    )
    level = 1e-4
    run = periodic(
        cascade_of(stage, clipper=None), sine(level, frequency), 1 / frequency, 500,
        ((0, "grid"), (0, "cathode"), (0, "plate"), (0, "output")),
    )  # fmt: skip
    assert run.settled.all()
    for place in run.voltage_V:
        # A sine of phase 0 is a cosine of phase -90 degrees; the first sample is one step late.
        turn = np.exp(-2j * np.pi / 500) / (-1j)
        found = harmonics(run[place])[1] * turn / level
        expected = complex(getattr(network if place[1] != "cathode" else at_cathode, place[1]))
        assert abs(found - expected) <= 1e-3 * abs(expected) + 1e-9, place


@pytest.mark.slow
def test_small_signals_pass_two_stages_and_a_divider() -> None:
    clipper, f, level = replace(CLIPPER, output_coupling_F=22e-9), 1000.0, 1e-5
    series, shunt = 100e3, 150e3
    cascade = replace(cascade_of(clipper=clipper), series_ohm=series, shunt_ohm=shunt)
    run = periodic(cascade, sine(level, f), 1 / f, 500, ((1, "output"), (1, "input")))
    found = abs(harmonics(run[1, "output"])[1]) / level

    def linear(stage: Stage) -> SmallSignal:
        point = operating_point(stage, TRIODE)
        return SmallSignal(
            point.transconductance_S, point.plate_conductance_S,
            grid_conductance_S=point.grid_conductance_S, **CAPACITANCES,
        )  # fmt: skip

    # The stage as the load of the driver, behind the divider: 1/(Y_in) measured with a perfect
    # source whose resistance is known.
    stage = replace(STAGE, source_ohm=1.0)
    reached = Network(stage, linear(STAGE), f)
    probe = Network(replace(STAGE, source_ohm=1e6), linear(STAGE), f)
    z_in = 1e6 / (reached.grid / probe.grid - 1)  # grid voltage falls by z/(z + R)
    below = 1 / (1 / shunt + 1 / z_in)
    loaded = series + below
    # The driver sees the divider as a load resistance; complex, so through its output impedance.
    free = Network(replace(clipper, load_ohm=np.inf), linear(clipper), f)
    known = Network(replace(clipper, load_ohm=1e6), linear(clipper), f)
    z_out = 1e6 * (free.output / known.output - 1)
    expected = free.output * loaded / (loaded + z_out) * below / loaded * reached.output
    assert found == pytest.approx(abs(complex(expected)), rel=1e-3)


# -- blocking --------------------------------------------------------------------------------------


@pytest.mark.slow
def test_overload_shifts_the_bias_and_the_coupling_capacitor_recovers() -> None:
    """With the clipper at rest the capacitor discharges through leak and plate circuit alone."""
    f, step = 500.0, 1 / 64e3
    loud, quiet = 0.05, 0.012
    stage = replace(STAGE, bypass_F=np.inf, stray_grid_ground_F=0.0)
    # No capacitances in the second valve: Miller's would add to the coupling capacitor.
    cascade = Cascade((CascadeStage(CLIPPER, TRIODE, **CAPACITANCES), CascadeStage(stage, TRIODE)))

    def emf(t: FloatArray) -> FloatArray:
        return np.where(t < loud, sine(8.0, f)(t), 0.0)

    (run,) = simulate_long(cascade, [(emf, round((loud + quiet) / step))], step, PLACES)
    assert bool(run.settled)
    bias = np.asarray(run.grid_cathode_V(1) - run.grid_cathode_rest_V(1))
    period = round(1 / f / step)
    whole = bias[: bias.size // period * period].reshape(-1, period).mean(axis=1)
    assert whole[:2].max() < 0.0
    assert whole[20] < whole[2] < -1.0
    # Far enough from the overload for the clipper to be at rest, not so far that nothing is left.
    after = run.time_s - loud
    tail = (after > 3e-3) & (after < 0.011)
    slope = np.polyfit(after[tail], np.log(-bias[tail]), 1)[0]
    point = operating_point(CLIPPER, TRIODE)
    gm, gp = float(point.transconductance_S), float(point.plate_conductance_S)
    rk = float(CLIPPER.cathode_resistor_ohm)
    from_plate = (1 + (gm + gp) * rk) / gp
    z_out = 1 / (1 / 100e3 + 1 / from_plate)
    tau = float(STAGE.input_coupling_F) * (z_out + float(STAGE.grid_leak_ohm))
    assert -1 / slope == pytest.approx(tau, rel=0.01)


@pytest.mark.slow
def test_grid_current_is_what_shifts_the_bias() -> None:
    f = 500.0
    places = ((0, "grid"), (0, "cathode"))
    stage = replace(STAGE, source_ohm=38e3, bypass_F=np.inf)

    def shift(law: Koren) -> float:
        run = periodic(cascade_of(stage, None, law), sine(20.0, f), 1 / f, 400, places)
        assert run.settled.all()
        # At the grid: the mean plate current moves the cathode of either.
        return float(np.mean(run[0, "grid"]) - run.rest_V[0, "grid"])

    assert shift(TRIODE) < -9.0
    assert abs(shift(replace(TRIODE, grid=None))) < 1e-3


# -- energy ----------------------------------------------------------------------------------------


@pytest.mark.slow
def test_energy_is_conserved_over_a_period() -> None:
    """What the supplies and the source deliver over a period is what resistors and valve burn."""
    f, n, level = 1000.0, 600, 6.0
    stage = replace(STAGE, source_ohm=38e3, stopper_shunt_F=0.0)
    cascade = cascade_of(stage, None)
    names = ("input", "grid", "cathode", "plate", "output")
    run = periodic(cascade, sine(level, f), 1 / f, n, tuple((0, name) for name in names))
    c, g, k, p, o = (run[0, name] for name in names)
    e = sine(level, f)(run.time_s)
    ig, ip = TRIODE.grid_current(g - k, p - k), TRIODE.plate_current(g - k, p - k)
    feed = (300.0 - p) / 100e3
    source = (e - c) / 38e3
    # The capacitances' current is the derivative over the period, exact for the harmonics kept.
    rate = np.fft.irfft(np.fft.rfft(g) * 2j * np.pi * f * np.arange(n // 2 + 1), n)
    plate_rate = np.fft.irfft(np.fft.rfft(p) * 2j * np.pi * f * np.arange(n // 2 + 1), n)
    cathode_rate = np.fft.irfft(np.fft.rfft(k) * 2j * np.pi * f * np.arange(n // 2 + 1), n)
    into_grid = (
        ig + 3e-12 * rate + 2e-12 * (rate - cathode_rate) + 2.3e-12 * (rate - plate_rate)
    )  # fmt: skip
    a = g + 68e3 * into_grid
    delivered = np.mean(300.0 * feed + e * source)
    burnt = np.mean(
        (300.0 - p) ** 2 / 100e3 + 38e3 * source**2 + a**2 / 470e3 + 68e3 * into_grid**2
        + ip * (p - k) + ig * (g - k) + k**2 / 1.5e3 + o**2 / 1e6
    )  # fmt: skip
    assert delivered == pytest.approx(burnt, rel=1e-3)
    assert np.mean(e * source) > 0


# -- batches and joints ----------------------------------------------------------------------------


@pytest.mark.slow
def test_a_batch_is_its_candidates_one_by_one() -> None:
    stoppers = np.array([[1e3, 33e3], [120e3, 470e3]])
    f, n = 220.0, 64
    batch = replace(STAGE, stopper_ohm=stoppers, bypass_F=np.array([0.0, np.inf]))
    together = periodic(cascade_of(batch), sine(3.0, f), 1 / f, n, PLACES)
    assert together[PLACES[0]].shape == (2, 2, n)
    for at in ((0, 1),):
        one = replace(batch, stopper_ohm=stoppers[at], bypass_F=[0.0, np.inf][at[1]])
        alone = periodic(cascade_of(one), sine(3.0, f), 1 / f, n, PLACES)
        for place in PLACES:
            assert largest(together[place][at] - alone[place]) < 2e-4


@pytest.mark.slow
def test_valves_may_differ_from_candidate_to_candidate() -> None:
    f, n = 220.0, 64
    mu = np.array([90.0, 100.0, 110.0])
    stage = replace(STAGE, stopper_ohm=np.full(3, 68e3))
    together = periodic(
        cascade_of(stage, law=replace(TRIODE, mu=mu)), sine(3.0, f), 1 / f, n, PLACES
    )
    for at in (2,):
        alone = periodic(
            cascade_of(law=replace(TRIODE, mu=mu[at])), sine(3.0, f), 1 / f, n, PLACES
        )  # fmt: skip
        assert largest(together[1, "output"][at] - alone[1, "output"]) < 2e-4


@pytest.mark.slow
def test_the_periodic_steady_state_is_the_one_settled_into() -> None:
    # Of so many samples, hardly anything is left at half their rate, where the spectrum ends.
    f, n = 2000.0, 256
    stage = replace(STAGE, input_coupling_F=0.47e-9, bypass_F=0.22e-6, output_coupling_F=0.47e-9)
    balanced = periodic(cascade_of(stage), sine(4.0, f), 1 / f, n, PLACES)
    settled = simulate(cascade_of(stage), sine(4.0, f), 1 / f / n, 20 * n, PLACES)
    for place in PLACES:
        assert largest(settled[place][-n:] - balanced[place]) < 2e-3 * np.ptp(balanced[place])


@pytest.mark.slow
def test_hard_cases_settle() -> None:
    """Found by trying parts at random: each of these once defeated a solver of the steady state."""
    places = ((1, "grid"), (1, "output"))
    # A period short beside the memory of a large stopper, with a bypass that matters.
    short = replace(
        STAGE, supply_V=163.0, plate_load_ohm=395e3, cathode_resistor_ohm=2.7e3, bypass_F=0.22e-6,
        input_coupling_F=22e-9, grid_leak_ohm=790e3, stopper_ohm=100e3, output_coupling_F=2.2e-9,
    )  # fmt: skip
    # An open output that takes seconds to lose its direct voltage.
    open_ = replace(
        STAGE, supply_V=380.0, plate_load_ohm=440e3, bypass_F=0.0, input_coupling_F=100e-9,
        leak_at_grid=1.0, stopper_ohm=470e3, output_coupling_F=2.2e-9, load_ohm=np.inf,
    )  # fmt: skip
    # A driver whose grid is forced far positive by a stiff source: its plate voltage goes to zero.
    forced = replace(CLIPPER, plate_load_ohm=180e3, cathode_resistor_ohm=640.0, source_ohm=123.0,
                     stopper_ohm=0.0)  # fmt: skip
    for stage, clipper, level, f in (
        (short, CLIPPER, 0.65, 1628.0), (open_, CLIPPER, 3.1, 55.0), (STAGE, forced, 80.0, 1173.0),
    ):  # fmt: skip
        run = periodic(cascade_of(stage, clipper), sine(level, f), 1 / f, 128, places)
        assert run.settled.all()
        # In a steady state no direct current flows through the output capacitor.
        assert abs(float(np.mean(run[1, "output"]))) < 1e-3 * float(np.ptp(run[1, "output"]))


@pytest.mark.slow
def test_segments_side_by_side_are_the_plain_run() -> None:
    rate = 64e3
    samples = 6.0 * np.random.default_rng(3).normal(size=100)
    emf = sampled(samples, 6e3)  # 17 ms of noise below 3 kHz
    steps = 640
    # Beside another signal, which is not in step with the segments.
    signals = [(sine(2.0, 900.0), 333), (emf, steps)]
    short, joined = simulate_long(cascade_of(), signals, 1 / rate, PLACES, segment_s=2e-3)
    for run, (own, count) in zip((short, joined), signals, strict=True):
        assert bool(run.settled)
        assert run[PLACES[0]].shape[-1] >= count
        plain = simulate(cascade_of(), own, 1 / rate, count, PLACES)
        for place in PLACES:
            assert largest(run[place][:count] - plain[place]) < 1e-3 * np.ptp(plain[place])


def test_other_laws_and_a_direct_coupled_pair_find_their_rest() -> None:
    laws = (
        ChildLangmuir(mu=20, perveance=1e-5, grid=GRID),
        DempwolfZolzer(mu=103.2, perveance=2.242e-3, exponent=1.26, sharpness=3.40, grid=GRID),
    )
    for law in laws:
        run = simulate(
            Cascade((CascadeStage(STAGE, law),)), sine(0.0, 100.0), 1e-5, 50, ((0, "plate"),)
        )
        assert largest(run.swing((0, "plate"))) < 1e-6
        assert float(run.rest_V[0, "plate"]) == pytest.approx(
            float(operating_point(STAGE, law).plate_V), abs=1e-3
        )
    direct = replace(STAGE, input_coupling_F=np.inf, stopper_ohm=0.0)
    cascade = cascade_of(direct, replace(CLIPPER, output_coupling_F=22e-9))
    run = simulate(cascade, sine(0.0, 100.0), 1e-5, 50, ((1, "grid"), (1, "plate")))
    assert largest(run.swing((1, "plate"))) < 1e-6


# -- parts of the solver ---------------------------------------------------------------------------


@pytest.mark.parametrize("size", [1, 30])
def test_small_systems_are_solved_as_the_dense_solver_does(size: int) -> None:
    rng = np.random.default_rng(5)
    root = rng.normal(size=(4, 4, size))
    K = -np.einsum("ikn,jkn->ijn", root, root)
    by_grid, by_plate = rng.uniform(0, 2, size=(2, 4, size))
    J = jacobian(K, by_grid, by_plate)
    D = np.zeros((4, 4, size))
    for port in range(4):
        D[port, port - port % 2], D[port, port - port % 2 + 1] = by_grid[port], by_plate[port]
    dense = np.eye(4)[..., None] - np.einsum("ikn,kjn->ijn", K, D)
    np.testing.assert_allclose(J, dense, rtol=1e-12, atol=1e-12)
    right = rng.normal(size=(4, 3, size))
    found = solve_small(J.copy(), right.copy())
    assert found.shape == right.shape
    product = np.einsum("ijn,jcn->icn", dense, found)
    np.testing.assert_allclose(product, right, rtol=1e-8, atol=1e-8)


def test_signals() -> None:
    t = np.linspace(0, 1e-3, 1001)
    assert largest(clipped_sine(5.0, 1000.0, 2.0)(t)) == 2.0
    samples = np.sin(2 * np.pi * 500.0 * np.arange(200) / 20e3)
    assert largest(sampled(samples, 20e3)(t) - np.sin(2 * np.pi * 500.0 * t)) < 1e-4
    assert sampled(samples, 20e3)(np.array([1.0])) == pytest.approx(samples[-1])


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: periodic(cascade_of(), sine(1.0, 1.0), 0.0, 10, PLACES), r"period_s: 0\.0: must"),
        (
            lambda: simulate_long(cascade_of(), [(sine(1.0, 1.0), 0)], 1.0, PLACES),
            "steps: 0: must be",
        ),
        (lambda: simulate(cascade_of(), sine(1.0, 1.0), 1e-5, 9, ((2, "grid"),)), "place: .*input"),
        (lambda: Cascade(()), "stages: 0: there must be one or two"),
        (
            lambda: Cascade((CascadeStage(STAGE, TRIODE),), series_ohm=-1.0),
            r"series_ohm: -1\.0: must be 0",
        ),
        (
            lambda: Cascade((CascadeStage(replace(STAGE, plate_load_ohm=0.0), TRIODE),)),
            r"stages\[0\]\.plate_load_ohm: 0\.0: must be more than 0",
        ),
        (lambda: sampled([1.0, 2.0], 48e3), r"samples_V: array of shape \(2,\): must be at least"),
        (lambda: clipped_sine(1.0, 100.0, 0.0), r"clip_V: 0\.0: must be more than 0"),
        (
            lambda: simulate_long(
                cascade_of(replace(STAGE, stopper_ohm=np.ones(2))),
                [(sine(1.0, 9.0), 9)],
                1e-5,
                PLACES,
            ),
            "cascade: 2: there must be one candidate",
        ),
    ],
)
def test_bad_input_is_named(call: object, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        call()  # type: ignore[operator]
