"""An outer product of part values: the same scores as its stages one by one, from fewer numbers."""

from __future__ import annotations

from dataclasses import fields, replace
from functools import cache

import numpy as np
import pytest

from closed_forms import dense_response
from fixture_types import MakeStages
from objectives.assessment import Assessment
from objectives.circuit.corners import (
    HALF_POWER_DB,
    bounds_crossed,
    corner_frequency,
    swept_level_dB,
)
from objectives.circuit.crossings import WALKED_HZ
from objectives.circuit.follower import CathodeFollower
from objectives.circuit.network import Port
from objectives.circuit.noise import _quadrature, noise_budget
from objectives.circuit.poles import damping_ratio, network_poles
from objectives.devices.protocol import DeviceNoise
from objectives.devices.triodes import TriodeLaw
from objectives.devices.valve_table import valve
from objectives.stage import Stage
from objectives.targets import RadioBand, Targets

DEVICE = valve("12AX7")
TARGETS = Targets(
    input_corner_Hz=6e3,
    radio_bands=(RadioBand("AM", 526.5e3, 1606.5e3, 20.0), RadioBand("FM", 87.5e6, 108e6, 20.0)),
)
SCORES = (
    "plate_current_A", "gain_dB", "input_corner_Hz", "lower_corner_Hz", "upper_corner_Hz",
    "rf_margin_dB", "noise_dBu", "plate_dissipation_W", "input_capacitance_F",
)  # fmt: skip
PARTS = {
    "plate_load_ohm": [68e3, 150e3],
    "cathode_resistor_ohm": [1e3, 2.2e3, 4.7e3],
    "bypass_F": [0.0, 1e-6, 47e-6, np.inf],
    "leak_at_grid": [0.0, 1.0],
    "grid_leak_ohm": [470e3, 1e6],
    "stopper_ohm": [10e3, 68e3, 220e3, 680e3],
}


def product() -> Stage:
    """Return every combination of the parts, one axis each."""
    axes = np.ix_(*PARTS.values())
    return Stage(
        supply_V=300.0, source_ohm=10e3, source_ratio=0.5, stopper_shunt_F=0.25e-12, load_ohm=1e6,
        load_F=1e-10, input_coupling_F=22e-9, output_coupling_F=22e-9, stray_grid_plate_F=0.7e-12,
        grid_lead_H=20e-9, **dict(zip(PARTS, axes, strict=True)),
    )  # fmt: skip


@cache
def assessed() -> tuple[Assessment, Assessment]:
    """Return the outer product, and the same stages along one axis."""
    stage = product()
    return Assessment(stage, DEVICE, TARGETS), Assessment(
        stage.broadcast().reshape((-1,)), DEVICE, TARGETS
    )


@pytest.mark.parametrize("name", SCORES)
def test_scores_are_those_of_the_stages_in_one_axis(name: str) -> None:
    outer, flat = assessed()
    assert outer[name].shape == outer.stage.shape == (2, 3, 4, 2, 2, 4)
    tolerance = 1e-7 if name.endswith("corner_Hz") else 1e-9
    np.testing.assert_allclose(outer[name].ravel(), flat[name], rtol=tolerance, atol=1e-9)


def test_levels_are_those_of_the_dense_nodal_system() -> None:
    outer, flat = assessed()
    dense = dense_response(flat.stage, flat.linear, TARGETS.reference_Hz)
    for node, value in (("g", outer.reference.grid), ("o", outer.reference.output)):
        whole = np.broadcast_to(value, outer.shape).ravel()
        np.testing.assert_allclose(whole, dense[node], rtol=1e-9)


class _Counting(type(DEVICE.law)):  # type: ignore[misc]
    """The valve's law, which counts for how many points it was asked."""

    asked = 0

    def linearise(self, grid_V, plate_V):  # type: ignore[no-untyped-def]
        """See the law."""
        type(self).asked = max(type(self).asked, np.size(grid_V))
        return super().linearise(grid_V, plate_V)


def counting() -> TriodeLaw:
    """Return the valve's law as one that counts."""
    own = {field.name: getattr(DEVICE.law, field.name) for field in fields(DEVICE.law)}
    law: TriodeLaw = _Counting(**own)
    return law


@pytest.mark.parametrize(("which", "points"), [(0, 2 * 3 * 16), (1, 2 * 3 * 10)])
def test_a_point_is_solved_once_for_stages_that_share_it(which: int, points: int) -> None:
    law = counting()
    a = replace(assessed()[which], device=replace(DEVICE, law=law))
    _Counting.asked = 0
    assert a.point.plate_current_A.size == 384
    # Loads by cathode resistors by what the grid returns through; a bypass makes no difference, nor
    # does a stopper ahead of the leak. Of 16 returns 10 are distinct, too many to sort out.
    assert _Counting.asked == points


def test_some_of_the_stages_keep_their_points() -> None:
    outer, flat = assessed()
    mask = np.random.default_rng(1).random(outer.shape) < 0.2
    some = outer.at(mask)
    assert some.shape == (mask.sum(),)
    for name in SCORES:
        expected = flat[name][mask.ravel()]
        tolerance = 1e-7 if name.endswith("corner_Hz") else 1e-9
        np.testing.assert_allclose(some[name], expected, rtol=tolerance, atol=1e-9)
    law = counting()
    a = replace(outer, device=replace(DEVICE, law=law))
    _ = a.point
    _Counting.asked = 0
    _ = a.at(mask)["gain_dB"]
    assert _Counting.asked == 0


def test_a_block_of_the_stages_keeps_its_points() -> None:
    outer, flat = assessed()
    block = (slice(1, 2), slice(0, 2), slice(1, 4), slice(0, 2), slice(1, 2), slice(0, 3))
    law = counting()
    a = replace(outer, device=replace(DEVICE, law=law))
    _ = a.point, a.input_corner_Hz
    _Counting.asked = 0
    some = a.cut(block)
    assert some.shape == (1, 2, 3, 2, 1, 3)
    for name in SCORES:
        expected = flat[name].reshape(outer.shape)[block]
        tolerance = 1e-7 if name.endswith("corner_Hz") else 1e-9
        np.testing.assert_allclose(some[name], expected, rtol=tolerance, atol=1e-9)
    assert _Counting.asked == 0
    assert a.cut((slice(None),) * 6) is a


def test_some_of_the_stages_keep_their_followers() -> None:
    stage = replace(product(), output_coupling_F=np.inf)
    follower = CathodeFollower(supply_V=300.0, cathode_resistor_ohm=56e3, load_ohm=100e3)
    a = Assessment(stage, DEVICE, TARGETS, (follower, DEVICE))
    rows = np.array([3, 77, 201])
    block = (slice(0, 1), slice(1, 3), *(slice(0, 2),) * 4)
    alone = Assessment(stage.take(rows, stage.shape), DEVICE, TARGETS, (follower, DEVICE))
    for name in ("plate_voltage_V", "gain_dB", "noise_dBu"):
        np.testing.assert_allclose(a.at(rows)[name], alone[name], rtol=1e-9)
        np.testing.assert_allclose(a[name].ravel()[rows], alone[name], rtol=1e-9)
        np.testing.assert_allclose(a.cut(block)[name], a[name][block], rtol=1e-9)


@pytest.mark.parametrize(
    ("name", "low", "high"),
    [
        ("input_corner_Hz", 3e3, 20e3),
        ("input_corner_Hz", 9e3, np.inf),
        ("input_corner_error_octaves", -np.inf, 0.5),
        ("lower_corner_Hz", 8.0, 60.0),
        ("lower_corner_Hz", -np.inf, 20.0),
        ("upper_corner_Hz", 5e3, 5e4),
        ("gain_dB", 28.0, 32.0),
    ],
)
def test_within_is_the_score_between_two_numbers(name: str, low: float, high: float) -> None:
    outer, _ = assessed()
    value = outer[name]
    expected = (low <= value) & (value <= high)
    assert 0 < expected.sum() < expected.size
    np.testing.assert_array_equal(outer.within(name, low, high), expected)


@pytest.mark.slow
@pytest.mark.parametrize("port", ["grid", "output"])
@pytest.mark.parametrize("upper", [True, False])
def test_a_corner_is_crossed_where_a_fine_sweep_has_been_below(
    random_stages: MakeStages, port: Port, upper: bool
) -> None:
    """Random stages and bounds against all of 400 points a decade from the reference to there."""
    stages, devices = random_stages(400, seed=21)
    rng = np.random.default_rng(5)
    bounds = 10 ** (rng.uniform(3, 7, 12) if upper else rng.uniform(-2, 3, 12))
    for bound in bounds:
        f = np.geomspace(1e3, bound, 2 + int(400 * abs(np.log10(bound / 1e3))))
        level = swept_level_dB(stages, devices, f, port)
        below = (level < level[:, :1] - HALF_POWER_DB).any(axis=-1)
        crossed = bounds_crossed(stages, devices, port, 1e3, [bound], upper=upper) > 0
        wrong = np.flatnonzero(crossed != below)
        # A dip narrower than the steps of the walk is one that a corner does not see either.
        found = corner_frequency(stages.at(wrong), devices.at(wrong), port, 1e3, upper=upper)
        by_corner = found <= bound if upper else found >= bound
        np.testing.assert_array_equal(crossed[wrong], by_corner)
        assert wrong.size <= 1


def test_no_radio_margin_is_more_than_the_bound_from_the_edges(random_stages: MakeStages) -> None:
    """Rejection may be least inside a band: leads resonate."""
    a = Assessment(random_stages(1500, seed=31)[0], DEVICE, TARGETS)
    for some in (a, assessed()[0]):
        assert some.radio_margin_at_most_dB.shape == some.shape
        assert np.all(some["rf_margin_dB"] <= some.radio_margin_at_most_dB)
    assert 0.9 < np.isclose(a["rf_margin_dB"], a.radio_margin_at_most_dB).mean() < 1


def test_a_bound_beyond_the_walk_is_refused() -> None:
    stage = product()
    with pytest.raises(ValueError, match="bounds_Hz"):
        bounds_crossed(stage, assessed()[0].linear, "grid", 1e3, [2 * WALKED_HZ], upper=True)


@pytest.mark.slow
def test_noise_takes_no_more_frequencies(
    random_stages: MakeStages, monkeypatch: pytest.MonkeyPatch
) -> None:
    """0.01 dB against ten times as many, wherever no pole rings in the band."""
    count = 3000
    stages, devices = random_stages(count, seed=3)
    poles = network_poles(stages, devices)
    near = np.abs(poles) < 2 * np.pi * 50e3
    calm = np.where(near, damping_ratio(poles), 1.0).min(axis=-1) > 0.7
    assert calm.mean() > 0.9
    rng = np.random.default_rng(4)
    noise = DeviceNoise(
        10 ** rng.uniform(-18, -15, count), 10 ** rng.uniform(1, 5, count),
        10 ** rng.uniform(-12, -7, count),
    )  # fmt: skip
    few = noise_budget(stages, devices, noise, reference_Hz=1e3)
    levels = few.total_dBu[calm], few.unweighted_total_dBu[calm]
    monkeypatch.setattr("objectives.circuit.noise._POINTS", 120)
    monkeypatch.setattr("objectives.circuit.noise._UNWEIGHTED_POINTS", 140)
    monkeypatch.setattr("objectives.circuit.noise._quadrature", _quadrature.__wrapped__)
    many = noise_budget(stages, devices, noise, reference_Hz=1e3)
    np.testing.assert_allclose(levels[0], many.total_dBu[calm], atol=0.01)
    np.testing.assert_allclose(levels[1], many.unweighted_total_dBu[calm], atol=0.01)
