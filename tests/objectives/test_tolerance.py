"""Tolerance against closed forms, cumulative distributions and the same numbers by another way."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import platformdirs
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import ArrayLike
from scipy import constants, stats

from fixture_types import MakeStages
from objectives.arrays import FloatArray
from objectives.assessment import Assessment
from objectives.circuit.corners import Port, corner_frequency, level_dB, swept_level_dB
from objectives.circuit.follower import CathodeFollower
from objectives.circuit.network import Network
from objectives.circuit.noise import a_weighting_dB, noise_budget
from objectives.circuit.operating_point import operating_point
from objectives.devices.protocol import Device, OperatingPoint
from objectives.devices.triodes import GridCurrent, Koren
from objectives.devices.valve_table import usual_spreads
from objectives.scores.registry import REGISTRY
from objectives.stage import Stage
from objectives.targets import PartRating, RadioBand, Targets
from objectives.tolerance.bought import default_spreads
from objectives.tolerance.builds import built_operating_point, built_scores
from objectives.tolerance.setup import ToleranceSetup
from objectives.tolerance.spreads import (
    Distribution,
    Spread,
    draw_factors,
    draw_units,
)
from objectives.tolerance.study import StudySize
from objectives.tolerance.varied_device import spread_batch
from objectives.tolerance.worst_case import response_band_dB, swings, worst_cases
from stand_in import StandIn

KOREN = Koren(
    mu=100.0, ex=1.4, kg1=1060.0, kp=600.0, kvb=300.0, grid=GridCurrent(6e-4, 1.3, 9.9, 1e-8)
)
"""Published set for the 12AX7 with an invented grid current."""
DRAWS = 4096


STAGE = Stage(
    supply_V=300.0, plate_load_ohm=100e3, cathode_resistor_ohm=1.5e3, stopper_ohm=68e3,
    bypass_F=22e-6, source_ohm=10e3, cable_F=300e-12, grid_leak_ohm=1e6, stopper_shunt_F=0.3e-12,
    output_coupling_F=22e-9, load_ohm=1e6, load_F=100e-12, stray_grid_plate_F=0.7e-12,
)  # fmt: skip
TARGETS = Targets(
    input_corner_Hz=20e3,
    radio_bands=(RadioBand("medium wave", 0.5e6, 1.6e6, 20.0), RadioBand("short", 3e6, 30e6, 20)),
)
STOPPER_F = 100e-12


def whole(**changes: Any) -> Assessment:
    return Assessment(replace(STAGE, **changes).broadcast(), StandIn(KOREN), TARGETS)


def low_pass(stopper: ArrayLike = 68e3, device: Device | None = None) -> Assessment:
    """Return a stage whose input corner is that of its stopper and grid capacitor alone."""
    stage = Stage(
        supply_V=300.0, plate_load_ohm=100e3, cathode_resistor_ohm=1.5e3, bypass_F=0.0,
        stopper_ohm=stopper, grid_capacitor_F=STOPPER_F, grid_leak_ohm=1e6,
    ).broadcast()  # fmt: skip
    law = replace(KOREN, grid=None)
    return Assessment(
        stage, device or StandIn(law, (1e-18, 1e-18, 1e-18)), Targets(reference_Hz=1.0)
    )


def built_batch(
    stage: Stage,
    device: Device,
    spreads: Sequence[Spread],
    draws: int,
    seed: int,
    point: OperatingPoint | None = None,
) -> tuple[Stage, Device]:
    """Return stages and device with a trailing axis of draws, as the plain way has them."""
    factors = draw_factors(spreads, draw_units(spreads, draws, seed))
    return spread_batch(stage, device, spreads, factors, point=point)


def corners_of(
    nominal: Assessment, spreads: Sequence[Spread], draws: int = DRAWS, seed: int = 1
) -> FloatArray:
    units = draw_units(spreads, draws, seed)
    return built_scores(nominal, spreads, units, ["input_corner_Hz"]).values["input_corner_Hz"]


# -- against closed forms --------------------------------------------------------------------------


def log_moments(low: float, high: float) -> tuple[float, float]:
    """Return mean and variance of ln X for X uniform on low..high."""
    first = [x * np.log(x) - x for x in (low, high)]
    second = [x * (np.log(x) ** 2 - 2 * np.log(x) + 2) for x in (low, high)]
    mean = (first[1] - first[0]) / (high - low)
    return mean, (second[1] - second[0]) / (high - low) - mean**2


def test_corner_of_rc_with_uniform_parts_has_the_closed_form_moments() -> None:
    spreads = [
        Spread.plus_minus("stopper_ohm", 0.2),
        Spread("grid_capacitor_F", -0.2, 0.5),
    ]
    drawn = np.log(corners_of(low_pass(), spreads)[0])
    moments = [log_moments(0.8, 1.2), log_moments(0.8, 1.5)]
    mean = -np.log(2 * np.pi * 68e3 * STOPPER_F) - sum(m for m, _ in moments)
    assert drawn.mean() == pytest.approx(mean, abs=2e-4)
    assert drawn.var() == pytest.approx(sum(v for _, v in moments), rel=5e-3)


@pytest.mark.parametrize(
    ("shape", "survival"),
    [
        ("uniform", lambda d: stats.uniform(-0.1, 0.2).sf(d)),
        ("normal", lambda d: stats.truncnorm(-3, 3, scale=0.1 / 3).sf(d)),
        ("rounded", lambda d: stats.beta(2, 2, -0.1, 0.2).sf(d)),
    ],
)
@pytest.mark.parametrize("at", [-0.05, 0.01, 0.04])
def test_yield_of_one_sided_window_is_the_cumulative_distribution(
    shape: Distribution, survival: Callable[[float], float], at: float
) -> None:
    # The corner is at most f where the stopper is at least 1/(2 pi f C).
    most = 1 / (2 * np.pi * 68e3 * (1 + at) * STOPPER_F)
    setup = ToleranceSetup(
        (Spread.plus_minus("stopper_ohm", 0.1, shape),), {"input_corner_Hz": (-np.inf, most)}, 2048
    )
    a = replace(low_pass(), targets=replace(low_pass().targets, tolerance=setup))
    share = float(a["tolerance_yield_percent"][0]) / 100
    expected = float(survival(at))
    assert abs(share - expected) < 3 * np.sqrt(expected * (1 - expected) / 2048)
    # Scrambled Sobol points do far better than that in one dimension.
    assert share == pytest.approx(expected, abs=2e-3)


def test_worst_corner_of_a_divider_is_the_closed_form() -> None:
    stage = Stage(
        supply_V=300.0, plate_load_ohm=100e3, cathode_resistor_ohm=1.5e3, source_ohm=100e3,
        grid_leak_ohm=220e3,
    )  # fmt: skip
    law = replace(KOREN, grid=None)
    a = Assessment(stage, StandIn(law, (1e-18, 1e-18, 1e-18)), Targets())
    spreads = [Spread.plus_minus("source_ohm", 0.1), Spread("grid_leak_ohm", -0.05, 0.2)]
    (case,) = worst_cases(a, spreads, ["gain_dB"])

    def loss(source: float, leak: float) -> float:
        return float(20 * np.log10(leak / (leak + source)))

    nominal = a["gain_dB"].item() - loss(100e3, 220e3)
    assert case.least == pytest.approx(nominal + loss(110e3, 209e3), abs=1e-6)
    assert case.greatest == pytest.approx(nominal + loss(90e3, 264e3), abs=1e-6)
    assert case.least_at == {"source_ohm": 0.1, "grid_leak_ohm": -0.05}
    assert case.greatest_at == {"source_ohm": -0.1, "grid_leak_ohm": 0.2}


def test_response_band_of_rc_is_its_response_at_the_percentiles_of_the_part() -> None:
    spread = Spread.plus_minus("stopper_ohm", 0.2)
    f = np.geomspace(100.0, 1e6, 9)
    band = response_band_dB(low_pass(), [spread], draw_units([spread], DRAWS, 1), f, "grid")
    # The level falls as the stopper grows.
    for row, factor in zip(band, (1.18, 1.0, 0.82), strict=True):
        exact = -10 * np.log10(1 + (2 * np.pi * f * 68e3 * factor * STOPPER_F) ** 2)
        np.testing.assert_allclose(row, exact, atol=3e-3)


def test_a_band_of_a_fifth_of_the_draws_is_that_of_all() -> None:
    a = Assessment(STAGE, StandIn(), Targets())
    spreads = default_spreads(STAGE, usual_spreads())
    size, f = StudySize(), np.geomspace(1.0, 100e6, 17)
    units = draw_units(spreads, size.draws, 1)
    few, every = (
        response_band_dB(a, spreads, some, f, "output")
        for some in (units[: size.response_draws], units)
    )
    assert np.ptp(every, axis=0).max() > 1.0
    np.testing.assert_allclose(few, every, atol=0.05)


# -- yields ----------------------------------------------------------------------------------------


def with_setup(a: Assessment, setup: ToleranceSetup) -> Assessment:
    return replace(a, targets=replace(a.targets, tolerance=setup))


def test_without_tolerance_the_yield_is_whole_or_nothing() -> None:
    a = whole(stopper_ohm=np.array([68e3, 10e3]))
    spreads = tuple(
        replace(s, low=0.0, high=0.0) for s in default_spreads(a.stage, usual_spreads())
    )
    corner = a["input_corner_Hz"]
    setup = ToleranceSetup(spreads, {"input_corner_Hz": (corner[0] * 0.999, corner[0] * 1.001)}, 64)
    np.testing.assert_array_equal(with_setup(a, setup)["tolerance_yield_percent"], [100.0, 0.0])


def test_yield_of_a_batch_is_that_of_each_alone_in_any_order() -> None:
    a = whole(stopper_ohm=np.array([[47e3, 68e3, 82e3], [90e3, 68e3, 33e3]]))
    corner = float(whole()["input_corner_Hz"][0])
    setup = ToleranceSetup(
        default_spreads(a.stage, usual_spreads()),
        {"input_corner_Hz": (corner * 0.97, corner * 1.05), "gain_dB": (34.5, 37.0)},
    )
    together = with_setup(a, setup)["tolerance_yield_percent"]
    alone = [
        float(with_setup(whole(stopper_ohm=r), setup)["tolerance_yield_percent"][0])
        for r in np.ravel(a.stage.stopper_ohm)
    ]
    np.testing.assert_array_equal(together.ravel(), alone)
    assert together.shape == (2, 3)
    assert 0 < together[0, 1] < 100


def test_draws_repeat_by_seed_and_a_longer_run_starts_with_a_shorter() -> None:
    spreads = default_spreads(STAGE, usual_spreads())
    first = draw_units(spreads, 300, 7)
    np.testing.assert_array_equal(first, draw_units(spreads, 300, 7))
    np.testing.assert_array_equal(first[:100], draw_units(spreads, 100, 7))
    assert not np.any(np.all(first == draw_units(spreads, 300, 8), axis=0))
    a = whole()
    np.testing.assert_array_equal(corners_of(a, spreads, 200), corners_of(a, spreads, 200))


def test_draws_that_are_kept_are_those_of_the_library(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(platformdirs, "user_cache_path", lambda *_, **__: tmp_path)
    spreads = [Spread(name, -0.1, 0.1) for name in ("supply_V", "plate_load_ohm", "stopper_ohm")]
    for draws, seed in ((1, 0), (100, 1), (1024, 77)):
        sequence = stats.qmc.Sobol(3, scramble=True, rng=np.random.default_rng(seed))
        known = sequence.random(1024)[:draws]
        for _ in ("made", "kept"):
            np.testing.assert_array_equal(draw_units(spreads, draws, seed), known)
    assert len(list(tmp_path.iterdir())) == 3


@pytest.mark.slow
@settings(max_examples=30, deadline=None)
@given(
    narrow=st.floats(0.001, 0.4),
    wider=st.floats(1.0, 2.0),
    window=st.floats(0.001, 0.5),
    shape=st.sampled_from(["uniform", "normal", "rounded", "selected out"]),
)
def test_wider_tolerance_never_raises_a_centred_yield(
    narrow: float, wider: float, window: float, shape: Distribution
) -> None:
    low, high = (1 / (2 * np.pi * 68e3 * STOPPER_F * (1 + w)) for w in (window, -window))
    yields = []
    for tolerance in (narrow, narrow * wider):
        spread = Spread.plus_minus("stopper_ohm", tolerance, shape)
        setup = ToleranceSetup((spread,), {"input_corner_Hz": (low, high)}, 128)
        yields.append(float(with_setup(low_pass(), setup)["tolerance_yield_percent"][0]))
    assert yields[1] <= yields[0]
    if narrow * wider < window * 0.999:
        assert yields == [100.0, 100.0]


def test_a_rating_at_the_nominal_value_is_broken_by_half_the_draws() -> None:
    # The voltage across the load rises with the supply and with nothing else that spreads here.
    a = whole()
    across = float(a.point.supply_current_A[0]) * 100e3
    targets = replace(
        TARGETS, part_ratings={"plate_load_ohm": PartRating(voltage_V=across)}, supply_rise=0.1
    )
    setup = ToleranceSetup((Spread.plus_minus("supply_V", 0.1),), {}, 1024)
    rated = replace(a, targets=targets)
    assert with_setup(rated, setup)["tolerance_yield_percent"] == pytest.approx(50.0, abs=0.2)
    without = replace(setup, ratings=False)
    assert with_setup(rated, without)["tolerance_yield_percent"] == 100.0


def test_the_rating_of_a_parts_own_value_is_not_judged_on_draws() -> None:
    rated = [("grid leak", lambda stage, point: stage.grid_leak_ohm, 1e6, "ohm")]
    setup = ToleranceSetup((Spread.plus_minus("grid_leak_ohm", 0.05),), {}, 64)
    a = replace(whole(), device=StandIn(KOREN, rated=rated))
    assert with_setup(a, setup)["tolerance_yield_percent"] == 100.0


def test_yield_needs_a_setup() -> None:
    with pytest.raises(ValueError, match=r"targets\.tolerance: not given"):
        whole()["tolerance_yield_percent"]


SPREADS = (Spread.plus_minus("stopper_ohm", 0.05),)


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"windows": {"gain_db": (0, 1)}}, "did you mean gain_dB"),
        (
            {"windows": {"gain_dB": (2, 1)}},
            r"gain_dB: 1: must be at least the lowest, 2",
        ),
        ({"windows": {"tolerance_yield_percent": (0, 1)}}, "must be one of "),
        ({"windows": {"series_departure_percent": (0, 1)}}, "must be one of "),
        ({"draws": 0}, r"tolerance\.draws: 0: must be 1 or more"),
        ({"spreads": SPREADS * 2}, "'stopper_ohm' twice"),
    ],
)
def test_bad_setups_are_refused(fields: dict[str, Any], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        ToleranceSetup(**({"spreads": SPREADS} | fields))


def test_units_that_do_not_fit_the_spreads_are_refused() -> None:
    with pytest.raises(ValueError, match=r"units: \(4, 2\): must have one column a spread, 1"):
        built_scores(whole(), SPREADS, np.zeros((4, 2)), ["gain_dB"])


# -- the quick way against the plain way -----------------------------------------------------------


@pytest.mark.slow
def test_scores_of_draws_are_those_of_the_drawn_stages() -> None:
    a = whole(
        stopper_ohm=np.array([22e3, 68e3, 150e3]),
        bypass_F=np.array([22e-6, 0.0, np.inf]),
        cathode_resistor_ohm=np.array([1.5e3, 820.0, 0.0]),
        grid_bias_V=np.array([0.0, 0.0, -1.5]),
        output_coupling_F=np.array([22e-9, np.inf, 4.7e-9]),
    )
    spreads = default_spreads(STAGE, usual_spreads())
    names = [
        name
        for name, entry in REGISTRY.items()
        if entry.requires <= {"input_corner_Hz", "radio_bands"} and not entry.of_bought_parts
    ]
    assert {"noise_dBu", "rf_margin_dB", "lower_corner_Hz", "gain_dB"} <= set(names)
    quick = built_scores(a, spreads, draw_units(spreads, 50, 3), names)
    stage, device = built_batch(a.stage, a.device, spreads, 50, 3)
    plain = Assessment(stage, device, TARGETS)
    for name in names:
        np.testing.assert_allclose(
            quick.values[name], plain[name], rtol=1e-7, atol=2e-9, err_msg=name
        )


def test_a_bias_from_the_supply_strays_with_it_and_a_fixed_one_does_not() -> None:
    spreads = (Spread.plus_minus("supply_V", 0.1),)
    parts = {"cathode_resistor_ohm": 22e3, "grid_leak_ohm": 30e3, "input_coupling_F": 22e-9}
    supply = float(np.ravel(STAGE.supply_V)[0])
    for own in ({"grid_bias_V": 20.0}, {"grid_bias_ratio": 20.0 / supply}):
        a = whole(**parts, **own)
        drawn = built_scores(a, spreads, np.array([[0.0], [1.0]]), ["plate_current_A"])
        for at, factor in enumerate((0.9, 1.1)):
            bias = 20.0 * factor if "grid_bias_ratio" in own else 20.0
            by_hand = whole(**parts, grid_bias_V=bias, supply_V=factor * supply)
            assert drawn.values["plate_current_A"][0, at] == pytest.approx(
                float(np.ravel(by_hand["plate_current_A"])[0]), rel=1e-7
            )


@pytest.mark.slow
def test_a_follower_is_solved_with_every_draw() -> None:
    follower = CathodeFollower(300.0, np.array([100e3, 47e3, 100e3]), load_ohm=1e6)
    bare = replace(STAGE, output_coupling_F=np.inf, load_ohm=np.inf, load_F=0.0).broadcast()
    valve = StandIn(KOREN)
    a = Assessment(bare, valve, TARGETS, (follower, valve))
    spreads = default_spreads(bare, usual_spreads())
    names = ["gain_dB", "plate_current_A", "upper_corner_Hz", "noise_dBu"]
    quick = built_scores(a, spreads, draw_units(spreads, 20, 3), names)
    stage, device = built_batch(a.stage, valve, spreads, 20, 3, point=a.point)
    follows = replace(
        follower,
        supply_V=np.asarray(stage.supply_V),
        cathode_resistor_ohm=np.asarray(follower.cathode_resistor_ohm)[:, np.newaxis],
    )
    plain = Assessment(stage, device, TARGETS, (follows, valve))
    for name in names:
        np.testing.assert_allclose(quick.values[name], plain[name], rtol=1e-7, err_msg=name)
    assert quick.values["gain_dB"].shape == (3, 20)


def test_chunks_do_not_show(monkeypatch: pytest.MonkeyPatch) -> None:
    a = whole(stopper_ohm=np.array([22e3, 68e3, 150e3]))
    spreads = default_spreads(STAGE, usual_spreads())
    units = draw_units(spreads, 40, 3)
    names = ["gain_dB", "noise_dBu", "input_corner_Hz"]
    at_once = built_scores(a, spreads, units, names)
    monkeypatch.setattr("objectives.tolerance.builds.CHUNK", 16)
    in_chunks = built_scores(a, spreads, units, names)
    for name in names:
        np.testing.assert_allclose(in_chunks.values[name], at_once.values[name], rtol=1e-9)


@pytest.mark.parametrize("start", [-1.5, 0.0, -6.0])
def test_operating_point_of_built_stages_is_that_of_the_general_solver(start: float) -> None:
    rng = np.random.default_rng(2)
    count = 200
    stage = Stage(
        supply_V=rng.uniform(80, 400, count), plate_load_ohm=rng.uniform(2e4, 5e5, count),
        cathode_resistor_ohm=rng.uniform(50, 8e3, count), grid_leak_ohm=1e6,
        grid_bias_V=rng.uniform(-1, 4, count), input_coupling_F=1e-8,
    )  # fmt: skip
    general = operating_point(stage, KOREN)
    near = built_operating_point(stage, KOREN, np.asarray(start))
    for name, value in general.numeric_fields().items():
        # The general solver brackets the root to a few units in the last place of its volts.
        np.testing.assert_allclose(getattr(near, name), value, rtol=1e-7, atol=1e-14, err_msg=name)


def test_operating_point_of_built_stages_knows_a_grounded_cathode() -> None:
    stage = replace(STAGE, cathode_resistor_ohm=0.0, grid_bias_V=-1.2, input_coupling_F=1e-8)
    general, near = (
        operating_point(stage, KOREN),
        built_operating_point(stage, KOREN, np.asarray(-1.0)),
    )
    assert near.plate_current_A == pytest.approx(general.plate_current_A, rel=1e-12)


@pytest.mark.parametrize("port", ["grid", "output"])
@pytest.mark.parametrize("upper", [True, False])
@pytest.mark.parametrize("off", [1.0, 1.15, 8.0])
def test_corner_sought_nearby_is_the_same(
    random_stages: MakeStages, port: Port, upper: bool, off: float
) -> None:
    stage, device = random_stages(300, 11)
    plain = corner_frequency(stage, device, port, 1000.0, upper=upper)
    near = corner_frequency(stage, device, port, 1000.0, upper=upper, near_Hz=plain * off)
    finite = np.isfinite(plain) & (plain > 0)
    np.testing.assert_array_equal(near[~finite], plain[~finite])
    if off < 2:
        np.testing.assert_allclose(near[finite], plain[finite], rtol=3e-8)
    else:
        # A response may have another crossing three octaves off; it is a crossing all the same.
        levels = (
            level_dB(Network(stage, device, np.where(finite, near, 1e3)), port)
            - level_dB(Network(stage, device, 1e3), port)
        )  # fmt: skip
        np.testing.assert_allclose(levels[finite], -10 * np.log10(2), atol=1e-6)
        assert np.mean(np.isclose(near[finite], plain[finite], rtol=1e-7)) > 0.9


def test_sweep_in_blocks_is_the_sweep(
    random_stages: MakeStages, monkeypatch: pytest.MonkeyPatch
) -> None:
    stage, device = random_stages(57, 4)
    f = np.geomspace(1.0, 1e9, 31)
    whole_sweep = level_dB(Network(stage.expand(), device.expand(), f), "output")
    monkeypatch.setattr("objectives.circuit.network.FLAT_BLOCK", 200)
    np.testing.assert_allclose(
        swept_level_dB(stage, device, f, "output"), whole_sweep, rtol=1e-10, atol=1e-10
    )


# -- worst cases -----------------------------------------------------------------------------------


def test_worst_cases_are_those_of_all_corners() -> None:
    a = whole()
    spreads = default_spreads(a.stage, usual_spreads())[:7]
    names = ["gain_dB", "input_corner_error_octaves", "noise_dBu"]
    found = {case.score: case for case in worst_cases(a, spreads, names, vertex_parts=7)}
    # The same corners as stages of their own: no valve quantity is among these seven.
    assert all(hasattr(a.stage, s.quantity) for s in spreads)
    ends = list(itertools.product(*((1 + s.low, 1 + s.high) for s in spreads)))
    changed = {
        s.quantity: getattr(a.stage, s.quantity) * np.array(ends)[:, at]
        for at, s in enumerate(spreads)
    }
    brute = Assessment(replace(a.stage, **changed), a.device, TARGETS)
    for name in names:
        assert found[name].least == pytest.approx(brute[name].min(), rel=1e-7, abs=1e-9)
        assert found[name].greatest == pytest.approx(brute[name].max(), rel=1e-7)
        assert found[name].corners == 2 + 2 * 2**7
        assert set(found[name].checked) == {s.quantity for s in spreads}


def test_vertices_find_what_signs_miss() -> None:
    # The distance from a target in the middle of the spread falls and rises again.
    a = low_pass()
    a = replace(a, targets=replace(a.targets, input_corner_Hz=float(a["input_corner_Hz"][0])))
    spreads = [Spread.plus_minus(name, 0.1) for name in ("stopper_ohm", "grid_capacitor_F")]
    (case,) = worst_cases(a, spreads, ["input_corner_error_octaves"])
    assert case.greatest == pytest.approx(-2 * np.log2(0.9), rel=1e-6)
    assert case.least == pytest.approx(-np.log2(0.9 * 1.1), abs=1e-6)
    (by_sign,) = worst_cases(a, spreads, ["input_corner_error_octaves"], vertex_parts=0)
    assert by_sign.greatest <= case.greatest + 1e-12
    assert by_sign.least > case.least
    with pytest.raises(ValueError, match="vertex_parts: 13: must be 0 to 12"):
        worst_cases(a, spreads, ["gain_dB"], vertex_parts=13)


def test_swings_are_one_part_at_a_time() -> None:
    a = whole()
    found = swings(
        a, default_spreads(a.stage, usual_spreads()), ["input_corner_Hz", "plate_current_A"]
    )
    by = {(s.score, s.quantity): s for s in found}
    stopper = by["input_corner_Hz", "stopper_ohm"]
    for value, factor in ((stopper.at_low, 0.95), (stopper.nominal, 1.0), (stopper.at_high, 1.05)):
        expected = float(whole(stopper_ohm=68e3 * factor)["input_corner_Hz"][0])
        assert value == pytest.approx(expected, rel=1e-7)
    assert by["plate_current_A", "stopper_ohm"].size < 1e-7  # what leaks through it
    assert by["plate_current_A", "supply_V"].size > 1e-4
    with pytest.raises(ValueError, match="stage: 2: the batch must be one stage"):
        swings(whole(stopper_ohm=np.array([1e3, 2e3])), SPREADS, ["gain_dB"])


# -- noise -----------------------------------------------------------------------------------------


@pytest.mark.slow
@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 10_000), source=st.floats(10, 1e6), stopper=st.floats(0, 1e6))
def test_noise_is_never_below_the_thermal_noise_of_the_source(
    seed: int, source: float, stopper: float
) -> None:
    nominal = replace(STAGE, source_ohm=source, stopper_ohm=stopper)
    stage, device = built_batch(
        nominal, StandIn(KOREN), default_spreads(nominal, usual_spreads()), 4, seed
    )
    a = Assessment(stage, device, TARGETS)
    budget = noise_budget(
        stage, a.linear, device.noise(a.point, 300.0), reference_Hz=1000.0, temperature_K=300.0
    )
    # Nyquist's formula through the exact response, by the trapezoidal rule.
    f = np.geomspace(20.0, 20e3, 600)
    response = np.abs(Network(stage.expand(), a.linear.expand(), f).output) ** 2
    gain = np.abs(Network(stage, a.linear, 1000.0).output) ** 2
    weight = 10 ** (a_weighting_dB(f) / 10)
    power = np.trapezoid(4 * constants.k * 300.0 * source * response * weight, f, axis=-1) / gain
    own_dBu = 10 * np.log10(power / 0.6)
    np.testing.assert_allclose(budget.by_origin_dBu["source"], own_dBu, atol=0.01)
    assert np.all(budget.total_dBu >= own_dBu - 1e-3)
