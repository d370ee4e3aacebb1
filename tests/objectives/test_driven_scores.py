"""Scores of driven stages against the exact network, closed forms and the stage one by one."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from closed_forms import clipped_sine_harmonics
from objectives.assessment import Assessment
from objectives.circuit.network import Network
from objectives.devices.triodes import GridCurrent, Koren
from objectives.scores.registry import REGISTRY
from objectives.stage import Stage
from objectives.targets import Targets
from objectives.tolerance.spreads import Spread
from objectives.tolerance.varied_device import spread_batch
from objectives.transient.drive_signal import DriveSignal
from objectives.transient.spectrum import harmonics
from objectives.transient.steady_state import periodic
from stand_in import StandIn, bipolar

# Published equations (N. Koren 1996, Dempwolf and Zölzer 2011, from memory), an invented mix.
LAW = Koren(
    mu=100, ex=1.4, kg1=1060, kp=600, kvb=300,
    grid=GridCurrent(perveance=6.177e-4, exponent=1.314, sharpness=9.901),
)  # fmt: skip


VALVE = StandIn(LAW)
# Invented parts.
CLIPPER = Stage(
    supply_V=300.0, plate_load_ohm=100e3, cathode_resistor_ohm=10e3, bypass_F=0.0,
    source_ohm=68e3, stray_plate_ground_F=10e-12,
)  # fmt: skip
STAGE = Stage(
    supply_V=300.0, plate_load_ohm=100e3, cathode_resistor_ohm=1.5e3, bypass_F=1e-6,
    source_ohm=68e3, input_coupling_F=22e-9, grid_leak_ohm=1e6, stopper_ohm=150e3,
    stopper_shunt_F=0.3e-12, output_coupling_F=22e-9, load_ohm=1e6,
)  # fmt: skip
BEHIND_CLIPPER = DriveSignal(
    level_V=30.0, note_Hz=880.0, harmonics_above_Hz=4e3, stage=CLIPPER, device=VALVE,
    divider_series_ohm=470e3, divider_shunt_ohm=100e3, level_fraction=0.5, cable_F=20e-12,
)  # fmt: skip


def assessed(drive: DriveSignal | None, **parts: Any) -> Assessment:
    return Assessment(replace(STAGE, **parts), VALVE, Targets(drive=drive))


def test_the_scores_are_registered() -> None:
    for name in (
        "harmonic_fall_dB", "harmonic_fall_across_stopper_dB", "bias_shift_V",
        "driven_distortion_percent",
    ):  # fmt: skip
        assert REGISTRY[name].requires == {"drive"}
    for name in (
        "headroom_V", "headroom_asymmetry_ratio", "undistorted_output_V", "output_at_5_percent_V"
    ):  # fmt: skip
        assert REGISTRY[name].requires == frozenset()


@pytest.mark.slow
def test_a_small_clipped_sine_falls_as_the_network_says() -> None:
    """Harmonics from the Fourier series in closed form, each through the exact network."""
    note, limit = 500.0, 4e3
    drive = DriveSignal(level_V=2e-3, note_Hz=note, harmonics_above_Hz=limit, clip_V=5e-4)
    stoppers = np.array([10e3, 150e3, 470e3])
    a = assessed(drive, stopper_ohm=stoppers)
    count = int(4 * limit / note)
    b = clipped_sine_harmonics(2e-3, 5e-4, count)
    f = note * np.arange(1, count + 1)
    through = np.abs(Network(a.stage.expand(), a.linear.expand(), f).grid)
    chosen = f > limit
    before = np.sum(b[chosen] ** 2) / b[0] ** 2
    after = np.sum((b * through)[:, chosen] ** 2, axis=-1) / (b[0] * through[:, 0]) ** 2
    expected = 10 * np.log10(before / after)
    assert expected[2] > 6
    # 128 samples sharpen no corner of the clipped sine: their own error is about a tenth of a dB.
    np.testing.assert_allclose(a["harmonic_fall_dB"], expected, atol=0.15)
    assert drive.open_circuit_high_dB == pytest.approx(10 * np.log10(before), abs=0.15)
    assert np.all(np.abs(a["bias_shift_V"]) < 1e-4)


@pytest.mark.slow
def test_driven_batch_is_its_candidates_one_by_one() -> None:
    stoppers = np.array([[22e3, 68e3], [150e3, 330e3]])
    together = assessed(BEHIND_CLIPPER, stopper_ohm=stoppers)
    assert together["harmonic_fall_dB"].shape == (2, 2)
    for at in ((0, 1),):
        alone = assessed(BEHIND_CLIPPER, stopper_ohm=stoppers[at])
        for name in ("harmonic_fall_dB", "harmonic_fall_across_stopper_dB", "bias_shift_V"):
            assert together[name][at] == pytest.approx(float(alone[name]), abs=2e-3), name
    assert together.driven is together.driven
    assert together.headroom is together.headroom
    assert together.driven.settled.all()


@pytest.mark.slow
def test_steps_are_enough_for_a_hundredth_of_a_decibel_or_so() -> None:
    """Four times the steps change next to nothing."""
    a = assessed(BEHIND_CLIPPER)
    fine = periodic(
        BEHIND_CLIPPER.cascade(a.in_cascade),
        BEHIND_CLIPPER.emf, 1 / 880.0, 512,
        ((1, "grid"),),
    )  # fmt: skip
    expected = BEHIND_CLIPPER.high_harmonics_dB(harmonics(fine[1, "grid"]))
    assert float(a.driven.high_at_grid_dB) == pytest.approx(float(expected), abs=0.1)


@pytest.mark.slow
def test_a_larger_stopper_takes_more_away_while_the_grid_does_not_conduct() -> None:
    gentle = replace(BEHIND_CLIPPER, level_fraction=0.05)
    a = assessed(gentle, stopper_ohm=np.array([1e3, 100e3, 470e3]))
    fall = a["harmonic_fall_across_stopper_dB"]
    assert np.all(np.diff(fall) > 0.5)
    assert abs(fall[0]) < 0.2
    assert np.all(np.abs(a["bias_shift_V"]) < 0.5)


@pytest.mark.slow
def test_the_divider_is_the_same_as_its_two_resistances() -> None:
    other = replace(
        BEHIND_CLIPPER, divider_series_ohm=470e3 + 50e3, divider_shunt_ohm=50e3, level_fraction=1.0
    )
    assert float(assessed(other)["harmonic_fall_dB"]) == pytest.approx(
        float(assessed(BEHIND_CLIPPER)["harmonic_fall_dB"]), abs=1e-6
    )


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"level_V": 0.0}, r"level_V: 0\.0: must be more than 0"),
        ({"note_Hz": np.nan}, "note_Hz: nan: must be more than 0"),
        ({"harmonics_above_Hz": 500.0}, r"harmonics_above_Hz: 500\.0: must be more than the note"),
        ({"device": None}, "device: None: must be given"),
        (
            {"stage": replace(CLIPPER, source_ohm=np.ones(2))},
            r"stage: \(2,\): the batch must be one driver",
        ),
        ({"level_fraction": 1.5}, r"level_fraction: 1\.5: must be more than 0, at most 1"),
        ({"divider_shunt_ohm": 0.0}, r"divider_shunt_ohm: 0\.0: must be more than 0"),
        ({"cable_F": -1e-12}, "cable_F: -1e-12: must be 0 or more"),
    ],
)
def test_bad_drive_is_named(change: dict[str, Any], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        replace(BEHIND_CLIPPER, **change)


@pytest.mark.slow
def test_a_missing_drive_and_one_that_does_not_clip_are_named() -> None:
    with pytest.raises(ValueError, match=r"targets\.drive: not given"):
        assessed(None)["harmonic_fall_dB"]
    clean = DriveSignal(level_V=1e-3, note_Hz=880.0, harmonics_above_Hz=4e3)
    with pytest.raises(ValueError, match=r"drive\.level_V: 0\.001: must be more than clip_V"):
        assessed(clean)["harmonic_fall_dB"]
    quiet = replace(BEHIND_CLIPPER, level_V=1e-3)
    with pytest.raises(ValueError, match=r"drive\.level_V: 0\.001: must be high enough to make"):
        assessed(quiet)["harmonic_fall_dB"]


@pytest.mark.slow
def test_every_built_bipolar_stage_is_solved_in_time_with_its_own_current_gain() -> None:
    """A current gain that spreads is a parameter of the base current alone."""
    npn = bipolar("BC550B")
    stage = Stage(
        supply_V=12.0, grid_bias_V=2.164, grid_leak_ohm=18.03e3, plate_load_ohm=3.3e3,
        cathode_resistor_ohm=1e3, cathode_unbypassed_ohm=47.0, bypass_F=100e-6, source_ohm=10e3,
        input_coupling_F=1e-6, output_coupling_F=1e-6, load_ohm=10e3,
    )  # fmt: skip
    drive = DriveSignal(level_V=1.0, note_Hz=1000.0, harmonics_above_Hz=5e3)
    nominal = Assessment(stage.broadcast(), npn, Targets(drive=drive))
    gain = Spread("transistor_current_gain", -0.3, 0.5)
    factors = np.array([[0.7], [1.0], [1.5]])
    built = Assessment(*spread_batch(nominal.stage, npn, [gain], factors), nominal.targets)
    distortion = built["driven_distortion_percent"]
    assert built.driven.settled.all()
    assert distortion[0, 1] == pytest.approx(float(nominal["driven_distortion_percent"][0]))
    own = npn.law
    law = replace(own, forward_gain=0.7 * own.forward_gain, leakage_A=own.leakage_A / 0.7)
    alone = Assessment(stage, replace(npn, law=law), nominal.targets)
    assert distortion[0, 0] == pytest.approx(float(alone["driven_distortion_percent"]), rel=1e-4)
    assert np.ptp(distortion) > 0.01
