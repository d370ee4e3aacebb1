"""Corner frequencies against closed forms."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from fixture_types import MakeStages
from objectives.arrays import FloatArray
from objectives.circuit.corners import (
    HALF_POWER_DB,
    HIGHEST_HZ,
    Port,
    corner_frequency,
    swept_level_dB,
)
from objectives.circuit.network import Network
from objectives.circuit.poles import LOWEST_HZ
from objectives.circuit.small_signal import SmallSignal
from objectives.stage import Stage

SILENT = SmallSignal(0.0, 0.0, 0.0, 0.0, 0.0)


def test_one_rc_section() -> None:
    """f = 1/(2 pi R C): 68 kohm into a 100 pF grid capacitor, 23.405 kHz."""
    stage = Stage(
        supply_V=300, plate_load_ohm=1e5, cathode_resistor_ohm=1e3, stopper_ohm=68e3,
        grid_capacitor_F=100e-12, grid_leak_ohm=np.inf,
    )  # fmt: skip
    found = corner_frequency(stage, SILENT, "grid", 100.0, upper=True)
    # -3.01 dB is taken against the level at 100 Hz, which lies (100/23405)^2 below that at 0 Hz.
    assert found == pytest.approx(1 / (2 * np.pi * 68e3 * 100e-12), rel=1e-4)


def test_lower_corner_of_a_coupling_capacitor() -> None:
    stage = Stage(
        supply_V=300, plate_load_ohm=1e5, cathode_resistor_ohm=1e3, source_ohm=50e3,
        input_coupling_F=10e-9, grid_leak_ohm=1e6,
    )  # fmt: skip
    found = corner_frequency(stage, SILENT, "grid", 10e3, upper=False)
    assert found == pytest.approx(1 / (2 * np.pi * 1.05e6 * 10e-9), rel=1e-4)


def test_no_corner_is_infinite_or_zero() -> None:
    stage = Stage(supply_V=300, plate_load_ohm=1e5, cathode_resistor_ohm=1e3)
    assert corner_frequency(stage, SILENT, "grid", 1e3, upper=True) == np.inf
    assert corner_frequency(stage, SILENT, "grid", 1e3, upper=False) == 0


@pytest.mark.parametrize("port", ["grid", "output"])
@pytest.mark.parametrize("upper", [True, False])
def test_level_at_the_corner_is_half_the_power(
    random_stages: MakeStages, port: Port, upper: bool
) -> None:
    stages, devices = random_stages(200, seed=13)
    found = corner_frequency(stages, devices, port, 1000.0, upper=upper)
    real = np.isfinite(found) & (found > 0)
    assert real.sum() > 40
    some, linear = stages.at(real), devices.at(real)
    here = np.abs(getattr(Network(some, linear, found[real]), port)) ** 2
    there = np.abs(getattr(Network(some, linear, 1000.0), port)) ** 2
    np.testing.assert_allclose(here / there, 0.5, rtol=1e-6)


@pytest.mark.slow
def test_a_batch_is_its_stages_one_by_one(random_stages: MakeStages) -> None:
    stages, devices = random_stages(30, seed=17)
    whole = corner_frequency(stages, devices, "output", 1000.0, upper=True)
    for row in range(30):
        alone = corner_frequency(stages.at(row), devices.at(row), "output", 1000.0, upper=True)
        assert alone == pytest.approx(whole[row], rel=1e-7)


@pytest.mark.slow
@pytest.mark.parametrize("port", ["grid", "output"])
@pytest.mark.parametrize("upper", [True, False])
def test_no_dip_is_skipped(random_stages: MakeStages, port: Port, upper: bool) -> None:
    """The first crossing of a sweep of 400 points a decade, in 4000 stages whose leads resonate.

    A dip may be narrower than the sweep's step too, so the corner may lie below what it sees; but
    then the level there is half the power, and it has not been lower before.
    """
    stages, devices = random_stages(4000, seed=2)
    found = corner_frequency(stages, devices, port, 1000.0, upper=upper)
    end = HIGHEST_HZ if upper else 1e-3
    f = np.geomspace(1000.0, end, int(400 * abs(np.log10(end / 1000.0))))
    level = swept_level_dB(stages, devices, f, port)
    below = level < level[:, :1] - HALF_POWER_DB
    swept = np.where(below.any(axis=-1), f[below.argmax(axis=-1)], np.inf if upper else 0.0)
    step = f[1] / f[0]
    within = (found <= swept) & (found * step >= swept) if upper else (
        (found >= swept) & (found * step <= swept)
    )  # fmt: skip
    narrow = np.flatnonzero(~within & (found != swept))
    assert narrow.size <= 4
    for row in narrow:
        assert (found[row] < swept[row]) if upper else (found[row] > swept[row])
        near = found[row] * np.geomspace(0.999, 1.001, 2001)
        dip = swept_level_dB(stages.at([row]), devices.at([row]), near, port)[0]
        assert dip.min() < level[row, 0] - HALF_POWER_DB


def _decoupled(make: MakeStages, seed: int) -> tuple[Stage, SmallSignal]:
    """4000 random stages, most with a supply that lifts their bass before it falls."""
    stages, devices = make(4000, seed)
    rng = np.random.default_rng(seed + 1000)
    ohm, farad = np.exp(rng.uniform(np.log([[1e2], [1e-8]]), np.log([[1e6], [1e-4]]), (2, 4000)))
    without = rng.random((2, 4000)) < 0.25
    supply = {
        "decoupling_ohm": np.where(without[0], 0.0, ohm),
        "decoupling_F": np.where(without[1], 0.0, farad),
    }
    return replace(stages, **supply), devices


def test_a_dip_that_just_reaches_the_level_is_seen(random_stages: MakeStages) -> None:
    """From 139 to 115 Hz this cathode lies below by up to 0.002 dB, and again from 0.9 Hz on."""
    stages, devices = random_stages(4000, seed=2)
    (row,) = np.flatnonzero(np.isclose(stages.plate_load_ohm, 460152.0307832))
    f = np.geomspace(1000.0, 1e-3, 24001)
    level = swept_level_dB(stages.at([row]), devices.at([row]), f, "cathode")[0]
    first = f[np.argmax(level < level[0] - HALF_POWER_DB)]
    assert first > 100
    found = corner_frequency(stages.at(row), devices.at(row), "cathode", 1000.0, upper=False)
    assert found == pytest.approx(first, rel=1e-3)


@pytest.mark.slow
@pytest.mark.parametrize("port", ["cathode", "plate", "output"])
@pytest.mark.parametrize("reference_Hz", [1e3, 20e3])
def test_no_crossing_is_missed_downwards(
    random_stages: MakeStages, port: Port, reference_Hz: float
) -> None:
    """The first crossing of a sweep of 400 points a decade, down to the end of what is told."""
    stages, devices = _decoupled(random_stages, seed=2)
    # A cathode that is grounded for signals has no level.
    heard = np.abs(Network(stages, devices, reference_Hz).cathode) > 0
    stages, devices = stages.at(heard), devices.at(heard)
    found = corner_frequency(stages, devices, port, reference_Hz, upper=False)
    f = np.geomspace(reference_Hz, LOWEST_HZ, int(400 * np.log10(reference_Hz / LOWEST_HZ)))
    level = swept_level_dB(stages, devices, f, port)
    below = level < level[:, :1] - HALF_POWER_DB
    swept = np.where(below.any(axis=-1), f[below.argmax(axis=-1)], 0.0)
    step = f[0] / f[1]
    assert np.all(found >= swept * (1 - 1e-9))
    assert np.all(found <= swept * step * (1 + 1e-9))


@pytest.mark.slow
@pytest.mark.parametrize("outer", [False, True])
@pytest.mark.parametrize("port", ["grid", "output"])
@pytest.mark.parametrize("upper", [True, False])
def test_the_level_is_where_it_is_sought_from_any_reference(
    random_stages: MakeStages, port: Port, upper: bool, outer: bool
) -> None:
    """Drops from 0.01 to 40 dB: by no more than rounding and 1e-9 octaves make of the level."""
    rng = np.random.default_rng(20261127)
    for drop_dB in (0.01, 0.3, HALF_POWER_DB, 12.0, 40.0):
        stages, devices = random_stages(600, seed=int(rng.integers(1 << 30)))
        reference = 10 ** rng.uniform(1, 5, 1 if outer else 600)
        if outer:
            stages = stages.broadcast().reshape((30, 20))
            devices = devices.broadcast().reshape((30, 20))
        found = corner_frequency(stages, devices, port, reference, upper=upper, drop_dB=drop_dB)
        real = (found > 0) & (found < HIGHEST_HZ)
        assert real.sum() > 100
        some, linear = stages.at(real), devices.at(real)
        start = np.broadcast_to(reference, found.shape)[real]
        log2_f = np.log2(found[real])

        def level(
            log2_f: FloatArray, some: Stage = some, linear: SmallSignal = linear
        ) -> FloatArray:
            return np.asarray(np.log2(Network(some, linear, 2.0**log2_f).power(port)))

        sought = level(np.log2(start)) - drop_dB * np.log2(10) / 10
        slope = (level(log2_f + 1e-5) - level(log2_f - 1e-5)) / 2e-5
        off = np.abs(level(log2_f) - sought)
        assert np.all(off <= 1e-9 * np.abs(slope) + 1e-11), (drop_dB, off.max())


@pytest.mark.parametrize(
    ("seed", "row", "port", "upper", "drop_dB"),
    [
        (3007, 1120, "grid", False, 0.01),
        (3015, 814, "output", True, HALF_POWER_DB),
        (3017, 486, "output", True, 0.01),
    ],
)
def test_points_in_one_place_are_not_taken_for_a_crossing(
    random_stages: MakeStages, seed: int, row: int, port: Port, upper: bool, drop_dB: float
) -> None:
    """Of 400,000 random corners the three that were found where two points met, at other levels."""
    stages, devices = random_stages(1500, seed=seed)
    reference = 10 ** np.random.default_rng(seed).uniform(1, 5)
    found = corner_frequency(stages, devices, port, reference, upper=upper, drop_dB=drop_dB)[row]
    stage, device = stages.at(row), devices.at(row)
    there = Network(stage, device, found).power(port)
    sought = Network(stage, device, reference).power(port) * 10 ** (-drop_dB / 10)
    np.testing.assert_allclose(there, sought, rtol=1e-6)
