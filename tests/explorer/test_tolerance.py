"""The tolerance study, against closed forms and solved draws."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpy.typing import ArrayLike

from explorer.report_data import yield_columns
from objectives.arrays import FloatArray
from objectives.assessment import Assessment
from objectives.devices.lookup import device
from objectives.devices.valve_table import usual_spreads
from objectives.scores.registry import REGISTRY
from objectives.stage import Stage
from objectives.targets import Targets
from objectives.tolerance.bought import default_spreads
from objectives.tolerance.builds import built_scores
from objectives.tolerance.front_yields import FrontYields, front_yields
from objectives.tolerance.reading import read_off
from objectives.tolerance.setup import YIELD, ToleranceSetup
from objectives.tolerance.spreads import Spread, draw_units
from objectives.tolerance.study import StudySize, sobol_indices, tolerance_study
from stand_in import StandIn


def front(stoppers: ArrayLike = (47e3, 68e3, 100e3)) -> Assessment:
    stage = Stage(
        supply_V=300.0, plate_load_ohm=100e3, cathode_resistor_ohm=1.5e3, bypass_F=22e-6,
        stopper_ohm=np.array(stoppers), source_ohm=10e3, output_coupling_F=22e-9, load_ohm=1e6,
    )  # fmt: skip
    return Assessment(stage, StandIn(), Targets())


def low_pass() -> Assessment:
    """Return a stage whose input corner is that of stopper and grid capacitor alone."""
    stage = Stage(
        supply_V=300.0, plate_load_ohm=100e3, cathode_resistor_ohm=1.5e3, bypass_F=0.0,
        stopper_ohm=68e3, grid_capacitor_F=100e-12,
    )  # fmt: skip
    return Assessment(stage.broadcast(), StandIn(farads=(1e-18,) * 3), Targets(reference_Hz=1.0))


QUICK = StudySize(draws=256, index_samples=64, frequency_Hz=np.geomspace(10, 1e6, 11))


@pytest.mark.filterwarnings("error")
def test_indices_of_the_ishigami_function() -> None:
    """Exact indices: T. Ishigami, T. Homma, ISUMA '90, 1990, with a = 7, b = 0.1.

    The library's own documentation gives, for its estimate, S1 0.317, 0.444, 0.012 and ST 0.556,
    0.442, 0.245 (SALib, "Basics").
    """
    a, b, pi4 = 7.0, 0.1, np.pi**4
    first = [0.5 * (1 + b * pi4 / 5) ** 2, a**2 / 8, 0.0]
    both = b**2 * pi4**2 * 8 / 225
    variance = sum(first) + both
    problem = {"num_vars": 3, "names": ["x", "y", "z"], "bounds": [[-np.pi, np.pi]] * 3}

    def model(points: FloatArray) -> dict[str, FloatArray]:
        x, y, z = points.T
        value = np.sin(x) + a * np.sin(y) ** 2 + b * z**4 * np.sin(x)
        once = 100.0 * (np.arange(len(x)) == 7)
        broken = np.where(x > 0, np.nan, x)
        return {"ishigami": value, "constant": 0 * x, "once": once, "broken": broken}

    found = sobol_indices(problem, model, samples=2048, seed=1)
    np.testing.assert_allclose(found["ishigami"]["S1"], np.array(first) / variance, atol=0.02)
    total = np.add(first, [both, 0, both]) / variance
    np.testing.assert_allclose(found["ishigami"]["ST"], total, atol=0.02)
    np.testing.assert_array_equal(found["constant"]["ST"], 0.0)
    assert np.all(np.isnan(found["broken"]["S1"]))
    with pytest.raises(ValueError, match="samples: 100: must be a power of two"):
        sobol_indices(problem, model, samples=100, seed=1)


def test_indices_of_an_rc_corner_have_the_closed_form() -> None:
    # f is 1/(RC): with 1/X of mean m and mean square s, the variance of the product is
    # s1 s2 - m1^2 m2^2 and a factor alone brings about (s1 - m1^2) m2^2 of it.
    tolerances = {"stopper_ohm": 0.3, "grid_capacitor_F": 0.15}
    setup = ToleranceSetup(tuple(Spread.plus_minus(k, v) for k, v in tolerances.items()))
    study = tolerance_study(
        low_pass(),
        ["only"],
        setup,
        ["input_corner_Hz"],
        size=replace(QUICK, index_samples=2048),
    )
    moments = [(np.log((1 + t) / (1 - t)) / (2 * t), 1 / (1 - t**2)) for t in tolerances.values()]
    (m1, s1), (m2, s2) = moments
    variance = s1 * s2 - m1**2 * m2**2
    first = [(s1 - m1**2) * m2**2 / variance, (s2 - m2**2) * m1**2 / variance]
    total = [(s1 - m1**2) * s2 / variance, (s2 - m2**2) * s1 / variance]
    assert [index.quantity for index in study.indices] == list(tolerances)
    np.testing.assert_allclose([index.first for index in study.indices], first, atol=0.01)
    np.testing.assert_allclose([index.total for index in study.indices], total, atol=0.01)


@pytest.mark.slow
def test_study_says_what_is_asked_of_it() -> None:
    a = front()
    corner = a["input_corner_Hz"]
    windows = {"input_corner_Hz": (0.95 * corner[1], 1.05 * corner[1]), "gain_dB": (0.0, np.inf)}
    setup = ToleranceSetup(default_spreads(a.stage, usual_spreads()), windows)
    size = replace(QUICK, draws=2048, index_samples=512)
    study = tolerance_study(a, [7, 11, 13], setup, ["noise_dBu", "gain_dB"], pick=1, size=size)
    assert study.candidates == ("7", "11", "13")
    assert study.scores == ("noise_dBu", "gain_dB", "input_corner_Hz")
    assert study.good[1] > study.good[0] == study.good[2] == 0
    np.testing.assert_array_equal(study.kept["gain_dB"], 1.0)
    np.testing.assert_array_equal(study.kept["input_corner_Hz"], study.good)
    np.testing.assert_array_equal(study.ratings_kept, 1.0)
    for name in study.scores:
        low, middle, high = study.bands[name]
        assert np.all(low < middle)
        assert np.all(middle < high)
        np.testing.assert_allclose(study.nominal[name], a[name])
    # Wilson's interval at z = 1.96, written out.
    p, n, z2 = study.good[1], 2048, 1.959964**2
    centre = (p + z2 / (2 * n)) / (1 + z2 / n)
    half = np.sqrt(z2) / (1 + z2 / n) * np.sqrt(p * (1 - p) / n + z2 / (4 * n * n))
    assert study.good_low[1] == pytest.approx(centre - half, rel=1e-5)
    assert study.good_high[1] == pytest.approx(centre + half, rel=1e-5)
    # Nothing moves the input corner of this stage as much as the capacitance that Miller lifts.
    hardest = study.hardest[1]
    assert hardest is not None
    assert (hardest.score, hardest.quantity) == ("input_corner_Hz", "valve_grid_plate_F")
    assert hardest.kept == study.good[1]
    shares = {i.quantity: i for i in study.indices if i.score == "input_corner_Hz"}
    assert max(shares, key=lambda q: shares[q].total) == "valve_grid_plate_F"
    assert hardest.share == pytest.approx(shares["valve_grid_plate_F"].first, abs=0.1)
    assert {i.score for i in study.indices} == {*study.scores, YIELD}
    for case in study.worst:
        assert case.least <= study.extremes[case.score][0] + 1e-9
        assert case.greatest >= study.extremes[case.score][1] - 1e-9
    assert [band.port for band in study.responses] == ["grid", "output"]
    for band in study.responses:
        assert np.all(band.low_dB <= band.nominal_dB)
        assert np.all(band.nominal_dB <= band.high_dB)
    assert study.evaluations > 3 * 2048
    assert study.seconds > 0


def test_study_repeats_by_seed() -> None:
    setup = ToleranceSetup(
        default_spreads(front().stage, usual_spreads()), {"gain_dB": (34.0, 35.0)}
    )
    first, again = (tolerance_study(front(), "abc", setup, [], size=QUICK) for _ in range(2))
    np.testing.assert_array_equal(first.good, again.good)
    assert first.indices == again.indices
    other = tolerance_study(front(), "abc", replace(setup, seed=2), [], size=QUICK)
    assert other.indices != first.indices


def test_study_without_spreads_or_windows_is_plain() -> None:
    study = tolerance_study(front(), "abc", ToleranceSetup(()), ["gain_dB"], size=QUICK)
    assert study.indices == ()
    assert study.hardest == (None, None, None)
    np.testing.assert_array_equal(study.good, 1.0)
    np.testing.assert_allclose(study.bands["gain_dB"][0], study.nominal["gain_dB"])
    case = study.worst[0]
    assert case.least == case.greatest == pytest.approx(study.nominal["gain_dB"][0])


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"candidates": "ab"}, "candidates: 2: must be 3, one a design"),
        ({"pick": 3}, "pick: 3: must be a row of the front, 0 to 2"),
        ({"scores": ["gain"]}, "scores: 'gain': .* did you mean gain_dB"),
    ],
)
def test_bad_requests_are_refused(changed: dict[str, Any], words: str) -> None:
    setup = ToleranceSetup((Spread.plus_minus("stopper_ohm", 0.1),))
    given: dict[str, Any] = {
        "candidates": "abc",
        "setup": setup,
        "scores": ["gain_dB"],
        "size": QUICK,
    } | changed
    with pytest.raises(ValueError, match=words):
        tolerance_study(front(), **given)


def test_a_study_without_draws_is_refused() -> None:
    with pytest.raises(ValueError, match="draws: 0: must be 1 or more"):
        replace(QUICK, draws=0)


# -- the whole front -------------------------------------------------------------------------------


@pytest.mark.slow
def test_yields_of_a_front_are_those_of_solved_draws() -> None:
    a = front(np.geomspace(33e3, 150e3, 21))
    corner = a["input_corner_Hz"]
    windows = {"input_corner_Hz": (0.9 * corner[10], 1.1 * corner[10]), "gain_dB": (35.0, np.inf)}
    setup = ToleranceSetup(default_spreads(a.stage, usual_spreads()), windows, seed=3)
    found = front_yields(a, setup, ["noise_dBu"], draws=4096)
    names = ("noise_dBu", *windows)
    units = draw_units(setup.spreads, 4096, 3)
    drawn = built_scores(a, setup.spreads, units, names)
    assert np.all(found.by_surface)
    assert not np.any(found.refused)
    np.testing.assert_allclose(found.good, drawn.good(windows).mean(axis=-1), atol=3e-3)
    assert np.ptp(found.good) > 0.5
    for name, inside in drawn.inside(windows).items():
        np.testing.assert_allclose(found.kept[name], inside.mean(axis=-1), atol=3e-3)
    for name, band in drawn.bands().items():
        error = np.abs(found.bands[name] - band) / drawn.values[name].std(axis=-1)
        assert error.max() < 0.03, name
        assert 0 < found.misfit[name] < 0.1
    assert found.checked == 21 * 64
    assert found.wrongly_good + found.wrongly_bad <= 0.005 * found.checked
    frame = yield_columns(found)
    np.testing.assert_array_equal(frame["built_yield_percent"], 100 * found.good)
    np.testing.assert_array_equal(frame["built_gain_dB_p95"], found.bands["gain_dB"][2])
    assert np.all(frame["built_stages"] == 4096)
    assert np.all(frame["built_stages_solved"] == found.solved)


@pytest.mark.slow
def test_a_design_that_no_surface_follows_is_solved() -> None:
    # A score in steps of half a decibel, which no polynomial follows.
    stage = Stage(
        supply_V=250.0, plate_load_ohm=100e3, cathode_resistor_ohm=np.array([1.5e3, 150.0, 180.0]),
        stopper_ohm=68e3, source_ohm=10e3, load_ohm=1e6,
    )  # fmt: skip
    a = Assessment(stage, StandIn(), Targets())
    bent = REGISTRY["gain_dB"]
    steps = replace(bent, facets=lambda x: (np.floor(2 * bent.compute(x)),))
    setup = ToleranceSetup(default_spreads(stage, usual_spreads()), {"gain_dB": (60.0, np.inf)})
    with pytest.MonkeyPatch.context() as patch:
        patch.setitem(REGISTRY, "gain_dB", steps)
        found = front_yields(a, setup, [], draws=1024)
        exact = built_scores(a, setup.spreads, draw_units(setup.spreads, 1024, 1), ["gain_dB"])
    assert found.refused.tolist() == [True, True, True]
    assert found.draws.tolist() == found.solved.tolist() == [1024, 1024, 1024]
    np.testing.assert_array_equal(found.good, exact.good(setup.windows).mean(axis=-1))
    assert found.checked == 0


def test_a_design_with_a_score_that_is_no_number_is_solved() -> None:
    a = front()
    plain = REGISTRY["gain_dB"]

    def sometimes(x: Assessment) -> tuple[FloatArray]:
        gain = plain.compute(x)
        return (np.where(np.asarray(x.stage.stopper_ohm) > 110e3, -np.inf, gain),)

    # Of the last design alone, 100 kohm, some draws have a stopper above 110 kohm.
    spreads = (Spread.plus_minus("stopper_ohm", 0.2), Spread.plus_minus("supply_V", 0.1))
    setup = ToleranceSetup(spreads, {"gain_dB": (30.0, np.inf)})
    with pytest.MonkeyPatch.context() as patch:
        patch.setitem(REGISTRY, "gain_dB", replace(plain, facets=sometimes))
        found = front_yields(a, setup, [], draws=512)
    assert found.refused.tolist() == [False, False, True]
    assert found.solved.tolist()[2] == 512
    # From 80 to 120 kohm a quarter lies above 110.
    np.testing.assert_allclose(found.good, [1.0, 1.0, 0.75], atol=0.01)


def test_a_transistor_driven_out_of_saturation_is_followed_through_its_operating_point() -> None:
    # The cut-off spreads from three eighths to nearly twice: some draws leave saturation.
    stage = Stage(
        supply_V=9.0, plate_load_ohm=np.array([47e3, 56e3]), cathode_resistor_ohm=3.3e3,
        bypass_F=100e-6, stopper_ohm=33e3, grid_leak_ohm=1e6, input_coupling_F=100e-9,
        source_ohm=8e3, output_coupling_F=1e-6, load_ohm=47e3, load_F=300e-12,
    )  # fmt: skip
    a = Assessment(stage, device("J201"), Targets())
    spreads = default_spreads(stage, [s for s in a.device.spreads if s.powers])
    windows = {"plate_cathode_voltage_V": (2.0, 7.0), "gain_dB": (15.0, np.inf)}
    setup = ToleranceSetup(spreads, windows)
    scores = ["noise_dBu", "input_corner_Hz", *windows]
    found = front_yields(a, setup, scores, draws=2048)
    assert found.through_point.tolist() == [True, True]
    assert not np.any(found.refused)
    assert found.percentile_error < 0.25
    units = draw_units(spreads, 2048, 1)
    drawn = built_scores(a, spreads, units, scores)
    # A study, the first of whose designs is solved, reads the other off so.
    study = tolerance_study(a, "ab", setup, scores, size=replace(QUICK, draws=2048))
    taken = FrontYields.blank(np.arange(2), 2048, scores, tuple(windows))
    taken.take_over(np.arange(2), study)
    assert taken.through_point.tolist() == [False, True]
    assert taken.good[1] == found.good[1]
    read, solved = read_off(a, setup, units, scores)
    assert np.all(solved == found.solved)
    assert np.all(solved < 2048)
    np.testing.assert_array_equal(read.good(windows).mean(axis=-1), found.good)
    for name, band in read.bands().items():
        np.testing.assert_array_equal(band, found.bands[name])
    # Far below the gain in saturation: there are such draws, and they count in the bands.
    assert np.all(np.ptp(drawn.values["gain_dB"], axis=-1) > 10)
    np.testing.assert_allclose(found.good, drawn.good(windows).mean(axis=-1), atol=3e-3)
    for name, band in drawn.bands().items():
        error = np.abs(found.bands[name] - band) / drawn.values[name].std(axis=-1)
        assert error.max() < 0.15, name


def test_a_study_of_some_designs_is_taken_over() -> None:
    a = front()
    setup = ToleranceSetup(default_spreads(a.stage, usual_spreads()), {"gain_dB": (35.0, np.inf)})
    one = replace(a, stage=a.stage.at(slice(1, 2)))
    study = tolerance_study(one, ["2"], setup, ["gain_dB"], size=replace(QUICK, draws=512))
    found = front_yields(a, setup, ["gain_dB"], draws=512)
    found.take_over(np.array([1]), study)
    assert found.good[1] == study.good[0]
    assert found.solved.tolist()[1] == 512
    assert found.by_surface.tolist() == [True, False, True]
    np.testing.assert_array_equal(found.bands["gain_dB"][:, 1], study.bands["gain_dB"][:, 0])
    more = front_yields(a, setup, ["gain_dB"], draws=1024)
    with pytest.raises(ValueError, match="study: 512: must be of the same scores"):
        more.take_over(np.array([1]), study)


def test_scores_that_take_a_solution_in_time_get_bands_of_the_pick_alone() -> None:
    a = front()
    setup = ToleranceSetup(default_spreads(a.stage, usual_spreads()))
    study = tolerance_study(
        a,
        "abc",
        setup,
        ["gain_dB"],
        pick=1,
        slow=["headroom_V"],
        size=replace(QUICK, slow_draws=100),
    )
    assert study.slow is not None
    assert study.slow.draws == 100
    units = draw_units(setup.spreads, 256, setup.seed)[:100]
    drawn = built_scores(a, setup.spreads, units, ["headroom_V"]).values["headroom_V"][1]
    np.testing.assert_allclose(
        study.slow.bands["headroom_V"], np.percentile(drawn, [5, 50, 95]), rtol=1e-9
    )
    assert study.slow.nominal["headroom_V"] == pytest.approx(float(a["headroom_V"][1]))
    assert tolerance_study(a, "abc", setup, ["gain_dB"], size=QUICK).slow is None
