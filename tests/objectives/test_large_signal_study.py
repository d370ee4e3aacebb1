"""The study of one driven stage: against the scores, and the burst against what it must do."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from objectives.assessment import Assessment
from objectives.devices.triodes import GridCurrent, Koren
from objectives.stage import Stage
from objectives.targets import Targets
from objectives.transient.drive_signal import DriveSignal
from objectives.transient.large_signal_study import Blocking, LargeSignalStudy, large_signal_study
from stand_in import StandIn

pytestmark = pytest.mark.slow

# Published equations (N. Koren 1996, Dempwolf and Zölzer 2011, from memory), an invented mix.
LAW = Koren(
    mu=100, ex=1.4, kg1=1060, kp=600, kvb=300,
    grid=GridCurrent(perveance=6.177e-4, exponent=1.314, sharpness=9.901),
)  # fmt: skip


# Invented parts: a clipper whose plate hits cut-off and whose driven stage draws grid current.
CLIPPER = Stage(
    supply_V=300.0, plate_load_ohm=100e3, cathode_resistor_ohm=10e3, bypass_F=0.0, source_ohm=68e3,
)  # fmt: skip
STAGE = Stage(
    supply_V=300.0, plate_load_ohm=100e3, cathode_resistor_ohm=1.5e3, bypass_F=np.inf,
    input_coupling_F=4.7e-9, grid_leak_ohm=470e3, stopper_ohm=100e3, stopper_shunt_F=0.3e-12,
    output_coupling_F=np.inf, load_ohm=1e6,
)  # fmt: skip
DRIVE = DriveSignal(
    level_V=30.0, note_Hz=880.0, harmonics_above_Hz=4e3, stage=CLIPPER, device=StandIn(LAW)
)


def assessed(drive: DriveSignal | None, **parts: Any) -> Assessment:
    return Assessment(replace(STAGE, **parts), StandIn(LAW), Targets(drive=drive))


@pytest.fixture(scope="module")
def study() -> LargeSignalStudy:
    return large_signal_study(assessed(DRIVE), loud_s=0.03, after_s=0.04)


def test_the_study_agrees_with_the_scores(study: LargeSignalStudy) -> None:
    a = assessed(DRIVE)
    assert study.settled
    assert study.fall_dB == pytest.approx(float(a["harmonic_fall_dB"]), abs=0.1)
    assert study.fall_across_stopper_dB == pytest.approx(
        float(a["harmonic_fall_across_stopper_dB"]), abs=0.1
    )
    assert study.bias_shift_V == pytest.approx(float(a["bias_shift_V"]), rel=2e-3)
    assert study.distortion_percent("output") == pytest.approx(
        float(a["driven_distortion_percent"]), rel=5e-3
    )
    assert float(np.ravel(study.headroom.smaller_V)[0]) == pytest.approx(float(a["headroom_V"]))


def test_the_driver_swings_from_cut_off_to_bottom(study: LargeSignalStudy) -> None:
    plate = study.waveform_V("driver") + float(np.ravel(study.steady.rest_V[0, "plate"])[0])
    assert 280 < plate.max() < 300
    assert 0 < plate.min() < 150
    # Grid conduction clips behind the stopper: the swing upward is far less than downward.
    grid = study.waveform_V("grid")
    assert grid.max() < 0.2 * -grid.min()
    assert 0.05 < study.conducting_share < 0.95
    assert study.bias_shift_V == study.bias_V - study.rest_bias_V < -5.0


def test_levels_are_those_of_the_amplitudes(study: LargeSignalStudy) -> None:
    f, level = study.levels_dB("grid")
    assert f[0] == 880.0
    assert f[-1] <= 20e3
    assert level[0] == 0.0
    share = np.abs(study.amplitudes_V["grid"][3]) / np.abs(study.amplitudes_V["grid"][1])
    assert level[2] == pytest.approx(20 * np.log10(share))
    counted = (f > 4e3) & (f <= 16e3)
    assert study.high_dB("grid") == pytest.approx(
        10 * np.log10(np.sum(10 ** (level[counted] / 10))), abs=1e-6
    )


def test_duty_is_the_share_above_mid_swing(study: LargeSignalStudy) -> None:
    wave = study.waveform_V("output")
    middle = (wave.max() + wave.min()) / 2
    assert study.duty("output") == pytest.approx(np.mean(wave > middle))
    clean = large_signal_study(
        assessed(replace(DRIVE, level_V=1e-3)), loud_s=0.005, after_s=0.005
    )  # fmt: skip
    assert clean.duty("output") == pytest.approx(0.5, abs=0.01)


def test_overload_blocks_the_quiet_note_until_the_capacitor_has_discharged() -> None:
    """Straight from a source: the charged capacitor holds the grid beyond cut-off, then lets go."""
    drive = DriveSignal(level_V=60.0, note_Hz=880.0, harmonics_above_Hz=4e3)
    silences = []
    for coupling in (22e-9, 47e-9):
        # Fixed bias: a cathode resistor's bypass would discharge as well.
        fixed = {"cathode_resistor_ohm": 0.0, "grid_bias_V": -1.2}
        parts = {"source_ohm": 38e3, "input_coupling_F": coupling, **fixed}
        found = large_signal_study(assessed(drive, **parts), loud_s=0.05, after_s=0.15).blocking
        loud = (found.time_s > found.loud_from_s) & (found.time_s < found.loud_to_s)
        assert loud.sum() == round(0.05 * 880)
        assert np.isnan(found.output_dB[loud]).all()
        assert found.shift_V < -20.0
        after = found.time_s > found.loud_to_s
        assert found.output_dB[after][0] < -40.0
        assert found.output_dB[-1] == pytest.approx(0.0, abs=0.5)
        before = found.time_s < found.loud_from_s
        np.testing.assert_allclose(found.output_dB[before][3:], 0.0, atol=0.05)
        # With the grid far below the cathode only leak and source discharge the capacitor.
        free = np.flatnonzero(after)[2:12]
        off = found.before_V - found.grid_cathode_V[free]
        slope = np.polyfit(found.time_s[free], np.log(off), 1)[0]
        assert -1 / slope == pytest.approx(coupling * (38e3 + 470e3), rel=2e-3)
        silences.append(found.silence_s)
    assert silences[1] / silences[0] == pytest.approx(47 / 22, rel=0.06)


def test_the_burst_starts_and_ends_where_the_steady_state_is(study: LargeSignalStudy) -> None:
    found = study.blocking
    assert found.before_V == pytest.approx(study.rest_bias_V, abs=0.01)
    # Thirty periods of overload are many time constants of grid conduction.
    assert found.overloaded_V == pytest.approx(study.bias_V, rel=0.02)


def test_recovery_is_read_between_periods() -> None:
    found = Blocking(
        time_s=np.array([0.5, 1.5, 2.5, 3.5, 4.5]),
        grid_cathode_V=np.array([-1.0, -11.0, -3.0, -1.5, -1.0]),
        output_dB=np.array([0.0, 5.0, -9.0, -1.0, 0.0]),
        loud_from_s=1.0, loud_to_s=2.0, before_V=-1.0, overloaded_V=-11.0,
    )  # fmt: skip
    assert found.shift_V == -10.0
    # A tenth is 1 V: from 2 V off at 0.5 s to 0.5 V off at 1.5 s.
    assert found.recovery_s == pytest.approx(0.5 + 2 / 3)
    assert found.silence_s == pytest.approx(0.5 + 6 / 8)
    assert np.isinf(replace(found, output_dB=np.full(5, -9.0)).silence_s)
    assert replace(found, output_dB=np.zeros(5)).silence_s == 0.0


def test_a_source_without_a_driver() -> None:
    drive = DriveSignal(level_V=2.0, note_Hz=1000.0, harmonics_above_Hz=5e3, clip_V=0.5)
    found = large_signal_study(assessed(drive, source_ohm=38e3), loud_s=0.01, after_s=0.01)
    assert found.points == ("input", "grid", "output")
    assert found.fall_dB > 0.5
    with pytest.raises(ValueError, match="point: 'driver': must be one of input, grid, output"):
        found.waveform_V("driver")


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"drive": None}, r"targets\.drive: not given"),
        ({"loud_s": 0.0}, r"loud_s: 0\.0: must be more than 0"),
        ({"after_s": 60.0}, r"after_s: 60\.0: must be more than 0, at most 10"),
    ],
)
def test_bad_input_is_named(arguments: dict[str, Any], message: str) -> None:
    drive = arguments.pop("drive", DRIVE)
    with pytest.raises(ValueError, match=message):
        large_signal_study(assessed(drive), **arguments)


def test_more_than_one_stage_is_refused() -> None:
    with pytest.raises(ValueError, match="assessment: 2: there must be one stage"):
        large_signal_study(assessed(DRIVE, stopper_ohm=np.array([1e3, 1e5])))
