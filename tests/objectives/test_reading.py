"""A stage that is read: what each part is for, and why two stages differ."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from closed_forms import dense_response
from fixture_types import ReadReference
from objectives.assessment import Assessment, assess
from objectives.circuit.follower import CathodeFollower
from objectives.circuit.operating_point import operating_point
from objectives.circuit.small_signal import small_signal
from objectives.devices.protocol import Device
from objectives.devices.triodes import Koren
from objectives.devices.valve_table import valve
from objectives.reading.comparison import STRAYS, compare
from objectives.reading.differences import RADIO, Aspect
from objectives.reading.purposes import Purpose, Reading, read_stage
from objectives.scores.registry import REGISTRY
from objectives.stage import Stage
from objectives.targets import BAND_POINTS

STAGE = Stage(
    supply_V=330.0, plate_load_ohm=100e3, cathode_resistor_ohm=1500.0, stopper_ohm=68e3,
    bypass_F=22e-6, source_ohm=10e3, cable_F=100e-12, input_coupling_F=22e-9,
    output_coupling_F=22e-9, load_ohm=470e3, load_F=20e-12, stopper_shunt_F=0.3e-12,
    stray_grid_ground_F=2e-12,
)  # fmt: skip
BUSY = replace(
    STAGE, cathode_unbypassed_ohm=470.0, bypass_series_ohm=100.0, plate_capacitor_F=220e-12,
    plate_capacitor_series_ohm=4700.0, grid_capacitor_F=22e-12, leak_at_grid=1.0,
)  # fmt: skip


@pytest.fixture(scope="module")
def published(reference: ReadReference) -> Device:
    """Return a 12AX7 with the published set of Koren's equation."""
    return replace(valve("12AX7"), law=Koren(**reference("koren_1996")["parameters"]))


def purpose(reading: Reading, part: str, kind: str) -> Purpose:
    return next(p for p in reading.purposes if (p.part, p.kind) == (part, kind))


def dense(stage: Stage, device: Device, frequency_Hz: Any) -> tuple[np.ndarray, ...]:
    """Return grid, plate and output of one stage from the dense nodal system."""
    linear = small_signal(stage, device, operating_point(stage, device.law))
    solved = dense_response(stage, linear, frequency_Hz)
    return tuple(np.abs(solved[node]) for node in ("g", "p", "o"))


def test_reads_the_published_example(published: Device, reference: ReadReference) -> None:
    """D. A. Steck, Analog and Digital Electronics, ch. 6: 330 V, 100 kΩ, 1.5 kΩ, a 12AX7."""
    example = reference("koren_1996")
    reading = read_stage(assess(STAGE, published))

    def told(score: str) -> float:
        return reading.figures[Aspect(score)]

    # The example rounds to three figures.
    assert told("plate_current_A") == pytest.approx(example["plate_current_A"], rel=0.007)
    assert told("plate_cathode_voltage_V") == pytest.approx(example["plate_cathode_V"], rel=0.003)
    assert told("grid_cathode_voltage_V") == pytest.approx(example["grid_cathode_V"], rel=0.004)
    gm = reading.assessment.point.transconductance_S
    assert gm == pytest.approx(example["transconductance_S"], rel=0.005)


def test_an_unbypassed_cathode_costs_what_the_closed_formula_says(published: Device) -> None:
    """The gain falls by 1 + (gm + gp) Rk/(1 + gp R), the textbook's 1 + gm' Rk."""
    bare = Stage(supply_V=330.0, plate_load_ohm=100e3, cathode_resistor_ohm=1500.0)
    reading = read_stage(assess(bare, published))
    point = reading.assessment.point
    gm, gp = float(point.transconductance_S), 1 / float(point.plate_resistance_ohm)
    falls = 20 * math.log10(1 + (gm + gp) * 1500.0 / (1 + gp * 100e3))
    gain = purpose(reading, "bypass_F", "without").of("gain_dB")
    # The valve's own picofarads do next to nothing at 1 kHz.
    assert gain.value - gain.changed == pytest.approx(falls, abs=0.005)
    assert gain.steps == pytest.approx((gain.changed - gain.value) / REGISTRY["gain_dB"].step.size)
    full = 20 * math.log10(gm * 100e3 / (1 + gp * 100e3))
    assert gain.value == pytest.approx(full, abs=0.005)


CHANGES: dict[tuple[str, str], dict[str, float]] = {
    ("stopper_ohm", "without"): {"stopper_ohm": 0.0},
    ("grid_leak_ohm", "moved"): {"leak_at_grid": 0.0},
    ("grid_leak_ohm", "larger"): {"grid_leak_ohm": 10e6},
    ("bypass_F", "without"): {"bypass_F": 0.0},
    ("bypass_F", "full"): {"bypass_F": math.inf},
    ("bypass_series_ohm", "without"): {"bypass_series_ohm": 0.0},
    ("cathode_unbypassed_ohm", "bypassed"): {
        "cathode_resistor_ohm": 1970.0,
        "cathode_unbypassed_ohm": 0.0,
    },
    ("plate_capacitor_F", "without"): {"plate_capacitor_F": 0.0},
    ("plate_capacitor_series_ohm", "without"): {"plate_capacitor_series_ohm": 0.0},
    ("grid_capacitor_F", "without"): {"grid_capacitor_F": 0.0},
    ("input_coupling_F", "larger"): {"input_coupling_F": 220e-9},
    ("output_coupling_F", "larger"): {"output_coupling_F": 220e-9},
    ("source_ohm", "perfect"): {"source_ohm": 0.0, "cable_F": 0.0},
    ("cable_F", "without"): {"cable_F": 0.0},
    ("load_ohm", "without"): {"load_ohm": math.inf, "load_F": 0.0},
}
"""What each change is: written here once more, from the words for it."""


@pytest.mark.slow
def test_every_change_of_a_part_equals_the_dense_solution_of_the_changed_stage() -> None:
    device = valve("12AX7")
    reading = read_stage(assess(BUSY, device))
    assert {(p.part, p.kind) for p in reading.purposes} == set(CHANGES)
    half_power = 10 * math.log10(2)
    bands = reading.assessment.targets.scored_bands
    for (part, kind), change in CHANGES.items():
        told = purpose(reading, part, kind)
        stage = replace(BUSY, **change)
        grid, plate, out = dense(stage, device, 1000.0)
        gain, own = 20 * np.log10(out), 20 * np.log10(plate / grid)
        assert told.of("gain_dB").changed == pytest.approx(float(gain), abs=1e-6), (part, kind)
        assert told.of("plate_gain_dB").changed == pytest.approx(float(own), abs=1e-6), (part, kind)
        corner = told.of("input_corner_Hz").changed
        fallen = 20 * np.log10(grid / dense(stage, device, corner)[0])
        assert float(fallen) == pytest.approx(half_power, abs=1e-4), (part, kind)
        for score in ("lower_corner_Hz", "upper_corner_Hz"):
            fallen = 20 * np.log10(out / dense(stage, device, told.of(score).changed)[2])
            assert float(fallen) == pytest.approx(half_power, abs=1e-4), (part, kind, score)
        for band in bands:
            f = np.geomspace(band.low_Hz, band.high_Hz, BAND_POINTS)
            # From the jack a carrier drives the stage from 50 ohm, in place of source and cable.
            from_jack = replace(stage, source_ohm=50.0, cable_F=0.0)
            least = float(np.min(-20 * np.log10(dense(from_jack, device, f)[0])))
            at = next(d for d in told.differences if d.aspect == Aspect(RADIO, band.name))
            assert at.changed == pytest.approx(least, abs=1e-6), (part, kind, band.name)


def test_differences_below_a_step_are_not_noticeable() -> None:
    told = purpose(read_stage(assess(STAGE, "12AX7")), "stopper_ohm", "without")
    step = REGISTRY["gain_dB"].step.size
    gain = told.of("gain_dB")
    assert gain in told.differences
    assert (gain in told.noticeable) == (abs(gain.changed - gain.value) >= step)
    corner = told.of("input_corner_Hz")
    assert corner in told.noticeable
    # A twentieth of an octave is a step of a frequency.
    assert corner.steps == pytest.approx(20 * math.log2(corner.changed / corner.value))


def test_a_part_that_is_not_there_has_no_purpose() -> None:
    bare = Stage(
        supply_V=300.0, plate_load_ohm=100e3, cathode_resistor_ohm=1500.0, grid_leak_ohm=np.inf
    )
    parts = [(p.part, p.kind) for p in read_stage(assess(bare, "12AX7")).purposes]
    assert parts == [("bypass_F", "without")]


@pytest.mark.parametrize(
    ("change", "corner", "part", "aim"),
    [
        # One RC section, by the closed formula: 22 nF into 100 kΩ and 38 kΩ, near 52 Hz.
        (
            {"output_coupling_F": 22e-9, "load_ohm": 100e3},
            "lower_corner_Hz",
            "output_coupling_F",
            "bass_cut",
        ),
        ({"stopper_ohm": 470e3}, "input_corner_Hz", "stopper_ohm", "treble_cut"),
        ({"grid_capacitor_F": 2.2e-9}, "input_corner_Hz", "grid_capacitor_F", "treble_cut"),
        ({"plate_capacitor_F": 1e-9}, "upper_corner_Hz", "plate_capacitor_F", "treble_cut"),
        ({"bypass_F": 680e-9}, "lower_corner_Hz", "bypass_F", "bass_cut"),
    ],
)
def test_a_corner_inside_the_audio_band_is_put_down_to_its_part(
    change: dict[str, float], corner: str, part: str, aim: str
) -> None:
    wide = replace(STAGE, stopper_ohm=1e3, output_coupling_F=1e-6, input_coupling_F=1e-6)
    reading = read_stage(assess(replace(wide, **change), "12AX7"))
    there = next(c for c in reading.corners if c.score == corner)
    assert there.place == "inside"
    assert there.part == part
    assert aim in {guess.aim for guess in reading.guesses}
    assert "wide_band" in {g.aim for g in read_stage(assess(wide, "12AX7")).guesses}


def test_leads_are_assumed_only_where_none_is_stated() -> None:
    """Rosa 1908: 30 mm of 0.6 mm wire, 2e-7 l (ln(4 l/d) - 1), is 26 nH."""
    plain, wired = (
        read_stage(assess(stage, "12AT7"))
        for stage in (replace(STAGE, stopper_ohm=0.0), replace(STAGE, grid_lead_H=80e-9))
    )
    assert plain.lead_H == pytest.approx(2e-7 * 0.03 * (math.log(200) - 1))
    assert wired.lead_H == 0.0
    # Without inductance nothing resonates; the leads assumed do, and a stopper damps them.
    fitted = read_stage(assess(replace(STAGE, stopper_ohm=1e3), "12AT7"))
    told = purpose(fitted, "stopper_ohm", "without").of("least_damping_ratio")
    assert told.changed == pytest.approx(plain.figures[Aspect("least_damping_ratio")])
    assert told.changed <= told.value


def test_what_is_swapped_alone_explains_all() -> None:
    one, other = assess(STAGE, "12AX7"), assess(replace(STAGE, stopper_ohm=10e3), "12AX7")
    found = compare(one, other)
    assert [swap.part for swap in found.swaps] == ["stopper_ohm"]
    assert found.swaps[0].values == (68e3, 10e3)
    for total in found.totals:
        assert total.interaction_steps == pytest.approx(0.0, abs=1e-9)
    assert compare(one, one).swaps == ()


def test_swaps_are_the_first_stage_with_one_part_of_the_second() -> None:
    other = replace(
        STAGE, plate_load_ohm=220e3, bypass_F=0.0, source_ohm=68e3, cable_F=0.0,
        stray_grid_plate_F=1e-12, grid_lead_H=10e-9,
    )  # fmt: skip
    found = compare(assess(STAGE, "12AX7"), assess(other, "12AT7"))
    by_part = {swap.part: swap for swap in found.swaps}
    assert set(by_part) == {"device", "plate_load_ohm", "bypass_F", "source_ohm", STRAYS}
    changed = {
        "device": (STAGE, "12AT7"),
        "plate_load_ohm": (replace(STAGE, plate_load_ohm=220e3), "12AX7"),
        "source_ohm": (replace(STAGE, source_ohm=68e3, cable_F=0.0), "12AX7"),
    }
    for part, (stage, name) in changed.items():
        gain = next(d for d in by_part[part].differences if d.aspect.score == "gain_dB")
        out = dense(stage, valve(name), 1000.0)[2]
        assert gain.changed == pytest.approx(float(20 * np.log10(out)), abs=1e-6)
    # A load acts on the gain by its ratio to the plate resistance, which other parts change.
    total = next(t for t in found.totals if t.difference.aspect.score == "gain_dB")
    assert total.difference.changed == pytest.approx(float(assess(other, "12AT7")["gain_dB"]))
    apart = sum(d.steps for s in found.swaps for d in s.differences if d.aspect.score == "gain_dB")
    assert total.interaction_steps == pytest.approx(total.difference.steps - apart)


@pytest.mark.slow
def test_a_follower_and_a_floating_grid_are_swapped_whole() -> None:
    follower = CathodeFollower(supply_V=330.0, cathode_resistor_ohm=100e3)
    direct = replace(STAGE, output_coupling_F=np.inf, load_ohm=np.inf, load_F=0.0)
    followed = Assessment(direct, valve("12AX7"), assess(STAGE, "12AX7").targets,
                          follower=(follower, valve("12AX7")))  # fmt: skip
    for pair in ((assess(STAGE, "12AX7"), followed), (followed, assess(STAGE, "12AX7"))):
        assert [swap.part for swap in compare(*pair).swaps] == ["load_ohm"]
    assert purpose(read_stage(followed), "load_ohm", "without").differences
    floating = replace(STAGE, grid_leak_ohm=np.inf, input_coupling_F=np.inf)
    found = compare(assess(STAGE, "12AX7"), assess(floating, "12AX7"))
    assert [swap.part for swap in found.swaps] == ["grid_leak_ohm"]
