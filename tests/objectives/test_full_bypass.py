"""A full bypass under drive: the limit of a large capacitor, closed forms, and harmonic fall."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import ive

from objectives.arrays import ComplexArray, FloatArray
from objectives.assessment import Assessment
from objectives.devices.bipolar import Bipolar
from objectives.devices.field_effect import SquareLawFet
from objectives.devices.junctions import thermal_V
from objectives.devices.law import ConductionLaw
from objectives.devices.lookup import device
from objectives.devices.protocol import Device
from objectives.devices.triodes import GridCurrent, Koren
from objectives.stage import Stage
from objectives.targets import Targets
from objectives.transient.cascade import Cascade, CascadeStage
from objectives.transient.drive_signal import DriveSignal
from objectives.transient.excitation import sine
from objectives.transient.integrator import Waveforms
from objectives.transient.spectrum import harmonics
from objectives.transient.steady_state import periodic
from objectives.transient.systems import device_currents
from stand_in import StandIn

# Published equations (N. Koren 1996, Dempwolf and Zölzer 2011, from memory), an invented mix.
LAW = Koren(
    mu=100, ex=1.4, kg1=1060, kp=600, kvb=300,
    grid=GridCurrent(perveance=6.177e-4, exponent=1.314, sharpness=9.901),
)  # fmt: skip
# Invented parts: a cold-biased driver that clips, and stages whose bypass is across 1 kohm.
CLIPPER = Stage(
    supply_V=300.0, plate_load_ohm=100e3, cathode_resistor_ohm=10e3, bypass_F=0.0, source_ohm=68e3,
)  # fmt: skip
TRIODE = Stage(
    supply_V=300.0, plate_load_ohm=220e3, cathode_resistor_ohm=1e3, stopper_ohm=270e3,
    input_coupling_F=22e-9, grid_leak_ohm=1e6, output_coupling_F=22e-9, load_ohm=1e6,
)  # fmt: skip
BIPOLAR = Stage(
    supply_V=12.0, grid_bias_V=2.164, grid_leak_ohm=18.03e3, plate_load_ohm=3.3e3,
    cathode_resistor_ohm=1e3, source_ohm=10e3, input_coupling_F=1e-6, output_coupling_F=1e-6,
    load_ohm=10e3,
)  # fmt: skip
FET = replace(
    BIPOLAR, supply_V=24.0, grid_bias_V=0.0, grid_leak_ohm=1e6, input_coupling_F=22e-9,
    cathode_unbypassed_ohm=100.0,
)  # fmt: skip
BEHIND_CLIPPER = DriveSignal(
    level_V=20.0, note_Hz=220.0, harmonics_above_Hz=5e3, stage=CLIPPER, device=StandIn(LAW),
    divider_series_ohm=470e3, divider_shunt_ohm=10e3,
)  # fmt: skip


# -- the limit of a finite capacitor ---------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize(
    ("stage", "entry", "drive"),
    [
        (TRIODE, StandIn(LAW), BEHIND_CLIPPER),
        (BIPOLAR, device("BC550B"), DriveSignal(level_V=0.3, note_Hz=1e3, clip_V=0.2)),
        (FET, device("2N5457"), DriveSignal(level_V=1.5, note_Hz=1e3, clip_V=1.0)),
    ],
    ids=["triode", "bipolar", "field-effect"],
)
def test_a_full_bypass_is_the_limit_of_a_large_capacitor(
    stage: Stage, entry: Device, drive: DriveSignal
) -> None:
    farads = np.array([1e-3, 10e-3, 100e-3, np.inf])
    a = Assessment(replace(stage, bypass_F=farads), entry, Targets(drive=drive))
    cascade = drive.cascade(a.in_cascade)
    last = cascade.last
    run = periodic(
        cascade, drive.emf, 1 / drive.note_Hz, drive.steps, ((last, "grid"), (last, "output"))
    )  # fmt: skip
    assert run.settled.all()
    bias_V = a["bias_shift_V"]
    assert abs(bias_V[-1]) > 5e-3
    # Harmonics at the output relative to the note: the whole spectrum up to the tenth.
    size = np.abs(harmonics(run[last, "output"]))[:, 1:11]
    for values, floor in (
        (bias_V[:, None], 1e-6),
        (size / size[:, :1], 1e-6),
        (a["harmonic_fall_dB"][:, None], 1e-4),
    ):
        off = np.abs(values - values[-1]).max(axis=1)
        assert off[0] < 0.05 * np.abs(values[-1]).max()
        # What the capacitor leaves goes with its reactance.
        assert off[1] < 0.12 * off[0] + floor
        assert off[2] < 0.012 * off[0] + floor


def run_of(law: ConductionLaw, parts: Stage, level_V: float, f: float, steps: int) -> Waveforms:
    """Return the steady state of a stage without capacitances under a sine."""
    places = tuple((0, name) for name in ("grid", "cathode", "plate", "output"))
    run = periodic(Cascade((CascadeStage(parts, law),)), sine(level_V, f), 1 / f, steps, places)
    assert run.settled.all()
    return run


# -- closed forms: the mean current under a sine --------------------------------------------------


@pytest.mark.slow
def test_a_square_law_meets_its_closed_form() -> None:
    """``i = b (w + a sin)^2`` has the mean ``b (w^2 + a^2/2)`` and the harmonics 2 w a, a^2/2."""
    beta, cutoff, ohm, level = 1e-3, -3.0, 1.5e3, np.array([0.2, 0.5, 0.8])
    law = SquareLawFet(idss_A=beta * cutoff**2, cutoff_V=cutoff)
    stage = Stage(
        supply_V=40.0, plate_load_ohm=2e3, cathode_resistor_ohm=ohm, input_coupling_F=1e-3
    )
    for amplitude in level:
        run = run_of(law, stage, amplitude, 1e3, 512)
        # -cutoff - w = ohm beta (w^2 + a^2/2), with w the mean grid-cathode voltage above cut-off.
        k = ohm * beta
        w = (-1 + np.sqrt(1 + 4 * k * (-cutoff - k * amplitude**2 / 2))) / (2 * k)
        assert w > amplitude
        assert float(run.grid_cathode_V(0).mean()) == pytest.approx(w + cutoff, abs=2e-5)
        size = np.abs(harmonics(run[0, "plate"]))
        assert size[2] / size[1] == pytest.approx(amplitude / (4 * w), rel=1e-3)
        assert size[3] / size[1] < 1e-4


@pytest.mark.slow
def test_an_exponential_law_meets_its_closed_form() -> None:
    """``exp(x sin)`` has the mean I0(x) and the harmonics 2 I_n(x), modified Bessel functions.

    Source: M. Abramowitz, I. A. Stegun, Handbook of Mathematical Functions, 9.6.34 (from memory).
    """
    law = Bipolar(saturation_A=1e-14, forward_gain=1e12)
    ohm, bias, v_t = 1e3, 1.6, float(thermal_V(298.15))
    stage = Stage(
        supply_V=60.0, plate_load_ohm=2e3, cathode_resistor_ohm=ohm, grid_bias_V=bias,
        grid_leak_ohm=1e5, input_coupling_F=1e-3,
    )  # fmt: skip
    for x in (0.5, 2.0, 4.0):
        run = run_of(law, stage, x * v_t, 1e3, 512)
        # The mean current, ohm I_s exp(V_be/V_t) I0(x), makes the mean voltage bias - V_be.
        base = bias - 0.6
        for _ in range(60):
            current = base / ohm
            v_be = v_t * (np.log(current / 1e-14) - np.log(ive(0, x)) - x)
            base = 0.5 * (base + bias - v_be)
        assert float(run.grid_cathode_V(0).mean()) == pytest.approx(v_be, abs=2e-5)
        size = np.abs(harmonics(run[0, "plate"]))[1:5]
        expected = ive([1, 2, 3, 4], x)
        np.testing.assert_allclose(size / size[0], expected / expected[0], rtol=2e-3, atol=1e-4)


@pytest.mark.slow
def test_a_full_bypass_carries_no_direct_current() -> None:
    """The mean voltage across the cathode resistor is what the mean cathode current makes of it."""
    stage = CascadeStage(replace(TRIODE, source_ohm=38e3), LAW)
    places = ((0, "grid"), (0, "cathode"), (0, "plate"))
    run = periodic(Cascade((stage,)), sine(8.0, 220.0), 1 / 220.0, 2000, places)
    k = run[0, "cathode"]
    volts = run[0, "grid"] - k, run[0, "plate"] - k
    mean_A = float(np.mean(LAW.plate_current(*volts) + LAW.grid_current(*volts)))
    assert float(k.mean()) == pytest.approx(1e3 * mean_A, rel=1e-4)
    assert abs(float(k.mean()) - float(run.rest_V[0, "cathode"])) > 0.05
    # Half a milliampere at 220 Hz leaves about a microvolt across 1 F.
    assert float(np.ptp(k)) < 5e-6


# -- harmonic fall over the bypass -----------------------------------------------------------------


def high_parts(stage: Stage, law: ConductionLaw, **farads: float) -> ComplexArray:
    """Return what makes the unwanted harmonics at the grid, (3, bypasses, harmonics), as phasors.

    Passed from the driver, made by the grid current, made by the plate current. Relative to the
    note; every current of the steady state goes through the linear network, one harmonic at a time.
    """
    drive, steps = BEHIND_CLIPPER, 4 * BEHIND_CLIPPER.steps
    cascade = drive.cascade(CascadeStage(stage, law, **farads).flat())
    places = [(at, name) for at in (0, 1) for name in ("grid", "plate", "cathode")]
    run = periodic(cascade, drive.emf, 1 / drive.note_Hz, steps, places)
    assert run.settled.all()
    ports = np.stack(
        [run[at, name] - run[at, "cathode"] for at in (0, 1) for name in ("grid", "plate")]
    )
    system = cascade.state_space
    currents = np.stack(
        [device_currents(system.laws, ports[..., at].copy())[0] for at in range(steps)], axis=-1
    )
    wanted = np.arange(1, int(4 * drive.harmonics_above_Hz / drive.note_Hz) + 1)
    high = wanted * drive.note_Hz > drive.harmonics_above_Hz
    i, e, g = (
        2 * np.fft.rfft(a)[..., wanted] / steps
        for a in (currents, drive.emf(run.time_s), run[1, "grid"])
    )
    made = []
    for at, n in enumerate(wanted):
        matrix = 2j * np.pi * n * drive.note_Hz * system.E + system.A
        ways = np.linalg.solve(
            matrix,
            np.concatenate([system.source[..., None], 0 * system.E[..., :4] - system.Q.T], -1),
        )[:, system.row((1, "grid"))]
        own = ways[:, 1:] * i[..., at].T
        made.append([ways[:, 0] * e[at] + own[:, 0] + own[:, 1], own[:, 2], own[:, 3]])
    parts = np.moveaxis(np.array(made), 0, -1)
    assert np.abs(parts.sum(axis=0) - g)[:, high].max() < 2e-3 * np.abs(g[:, high]).max()
    return np.asarray((parts / g[:, :1])[..., high])


@pytest.mark.slow
def test_phase_is_why_harmonic_fall_has_no_one_way_over_the_bypass() -> None:
    """What passes the stopper stays; what grid and plate make there adds or cancels by phase."""
    farads = np.array([1e-7, 2.2e-7, 6.8e-7, 1.5e-6, 4.7e-6, np.inf])
    stage = replace(TRIODE, bypass_F=farads)
    capacitances = {"grid_cathode_F": 2e-12, "grid_plate_F": 2.4e-12, "plate_cathode_F": 1e-12}
    parts = high_parts(stage, LAW, **capacitances)

    def level_dB(phasors: ComplexArray) -> FloatArray:
        return np.asarray(10 * np.log10(np.sum(np.abs(phasors) ** 2, axis=-1)))

    total = parts.sum(axis=0)
    level = level_dB(total)
    # Neither up nor down all the way, by decibels, while what passes the stopper all but stays.
    assert np.ptp(level) > 6.0
    assert np.unique(np.sign(np.diff(level))).size == 2
    assert np.ptp(level_dB(parts[0])) < 0.5
    # The harmonics of the grid current are as strong as the sum, against it at first, then with it.
    share = np.sum(parts[1] * total.conj(), axis=-1).real / np.sum(np.abs(total) ** 2, axis=-1)
    assert share[0] < -0.5
    assert share[-1] > 0.5
    # Without grid current and capacitances nothing of the bypass reaches the grid.
    alone = high_parts(stage, replace(LAW, grid=None)).sum(axis=0)
    assert np.ptp(level_dB(alone)) < 1e-3
