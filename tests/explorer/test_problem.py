"""The problem of a brief: choices, losses, windows, batches, and what makes it itself."""

from __future__ import annotations

import itertools
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from closed_forms import dense_response
from explorer.aims import FreeScore, Window
from explorer.brief.errors import BriefError
from explorer.brief.loading import parse_brief
from explorer.choices import Choice
from explorer.evaluation import Evaluation
from explorer.formulation import formulate
from explorer.problem import ALL_FINITE, CHUNK, Problem
from fixture_types import MakeBriefText, MakeFormulation
from objectives.assessment import Assessment
from objectives.devices.valve_table import valve
from objectives.devices.valve_writing import format_valves
from objectives.radio.tables import resistor_style
from objectives.scores.registry import REGISTRY, Score
from objectives.stage import Stage
from objectives.tolerance.setup import YIELD, ToleranceSetup

# --- losses and windows, by hand -----------------------------------------------------------------


def test_a_loss_is_less_where_the_score_is_better() -> None:
    values = np.array([1.0, -3.0])
    assert FreeScore("gain_dB", "maximise").loss(values).tolist() == [-1.0, 3.0]
    assert FreeScore("noise_dBu", "minimise").loss(values).tolist() == [1.0, -3.0]
    assert FreeScore("gain_dB", "near", 2.0).loss(values).tolist() == [1.0, 5.0]


def test_a_frequency_is_near_by_octaves() -> None:
    near = FreeScore("input_corner_Hz", "near", 4000.0)
    assert near.loss(np.array([1000.0, 4000.0, 16000.0])).tolist() == [2.0, 0.0, 2.0]
    assert near.loss(np.array([0.0])).tolist() == [np.inf]


@pytest.mark.parametrize(
    ("window", "value", "excess"),
    [
        # Decibels are counted in tens, anything else as a share of the limit itself.
        (Window("gain_dB", at_least=30.0), 25.0, 0.5),
        (Window("gain_dB", at_least=30.0), 30.0, 0.0),
        (Window("gain_dB", at_most=30.0), 45.0, 1.5),
        (Window("noise_dBu", at_most=-110.0), -108.0, 0.2),
        (Window("input_corner_Hz", at_least=20e3), 15e3, 0.25),
        (Window("input_corner_Hz", at_most=20e3), 30e3, 0.5),
        (Window("plate_current_A", 1e-3, 2e-3), 1.5e-3, -0.25),
        (Window("plate_current_A", 1e-3, 2e-3), 0.0, 1.0),
        (Window("plate_current_A", 1e-3, 2e-3), 3e-3, 0.5),
        (Window("grid_cathode_voltage_V", at_most=-1.0), -0.5, 0.5),
        (Window("grid_cathode_voltage_V", at_most=0.0), 0.5, 0.5),
        # An open end is no limit, whatever the value.
        (Window("upper_corner_Hz", at_least=20e3), np.inf, -np.inf),
        (Window("upper_corner_Hz", at_most=20e3), np.inf, np.inf),
        (Window("gain_dB", at_most=20.0), -np.inf, -np.inf),
    ],
)
def test_a_window_counts_how_far_outside_a_value_is(
    window: Window, value: float, excess: float
) -> None:
    assert window.excess(np.array([value])) == pytest.approx([excess], abs=1e-12)


def test_no_number_is_inside_no_window() -> None:
    assert np.isnan(Window("gain_dB", at_least=1.0).excess(np.array([np.nan])))
    assert np.isnan(Window("gain_dB", at_most=1.0).excess(np.array([np.nan])))


def evaluation(excess: dict[str, list[float]]) -> Evaluation:
    count = len(next(iter(excess.values())))
    return Evaluation(
        {"stopper_ohm": np.arange(count, dtype=float) * 1e3},
        {"gain_dB": np.arange(count, dtype=float) * 10.0},
        np.arange(count, dtype=float)[:, None],
        {name: np.array(e) for name, e in excess.items()},
        np.zeros((count, 0)),
    )


def test_what_is_broken_is_summed_and_what_is_kept_is_no_credit() -> None:
    found = evaluation({"a": [-5.0, 0.25, 0.0], "b": [-0.1, 0.5, -3.0]})
    assert found.broken.tolist() == [0.0, 0.75, 0.0]
    assert found.feasible.tolist() == [True, False, True]
    assert len(found) == 3


def test_candidates_are_taken_and_joined() -> None:
    found = evaluation({"a": [-1.0, 2.0, 3.0]})
    by_mask = found.take(np.array([True, False, True]))
    by_row = found.take(np.array([2, 0]))
    assert by_mask.parts["stopper_ohm"].tolist() == [0.0, 2e3]
    assert by_row.scores["gain_dB"].tolist() == [20.0, 0.0]
    both = Evaluation.join([by_mask, by_row])
    assert both.losses[:, 0].tolist() == [0.0, 2.0, 2.0, 0.0]
    assert both.excess["a"].tolist() == [-1.0, 3.0, 3.0, -1.0]
    assert Evaluation.join([found]).broken.tolist() == found.broken.tolist()


# --- a batch -------------------------------------------------------------------------------------


def whole(problem: Problem) -> dict[str, np.ndarray]:
    """Return every candidate, by the standard library's product."""
    rows = np.array(list(itertools.product(*(c.values for c in problem.choices))))
    return {c.part: rows[:, at] for at, c in enumerate(problem.choices)}


def same(first: Evaluation, second: Evaluation, rel: float = 0.0) -> None:
    for name, value in first.parts.items():
        assert np.array_equal(value, second.parts[name])
    assert first.scores.keys() == second.scores.keys()
    for name, value in first.scores.items():
        np.testing.assert_allclose(value, second.scores[name], rtol=rel, err_msg=name)
    np.testing.assert_allclose(first.losses, second.losses, rtol=rel)
    assert first.excess.keys() == second.excess.keys()
    for name, value in first.excess.items():
        np.testing.assert_allclose(value, second.excess[name], rtol=rel, atol=rel, err_msg=name)


@pytest.mark.slow
def test_a_batch_is_its_candidates_one_by_one(formulated: MakeFormulation) -> None:
    problem = formulated().problem
    parts = whole(problem)
    rows = np.arange(0, len(parts["bypass_F"]), 7)
    batch = problem.evaluate({n: a[rows] for n, a in parts.items()})
    alone = [problem.evaluate({n: a[[row]] for n, a in parts.items()}) for row in rows]
    same(batch, Evaluation.join(alone), rel=1e-9)
    assert len(batch) == len(rows) > 20


def test_chunks_do_not_show(formulated: MakeFormulation) -> None:
    problem = formulated().problem
    parts = problem.draw(CHUNK + 100, np.random.default_rng(1))
    together = problem.evaluate(parts)
    assert len(together) == CHUNK + 100
    edge = slice(CHUNK - 50, CHUNK + 50)
    same(
        together.take(np.arange(CHUNK - 50, CHUNK + 50)),
        problem.evaluate({n: a[edge] for n, a in parts.items()}),
        rel=1e-9,
    )


def test_scores_are_those_of_the_stage_built_by_hand(formulated: MakeFormulation) -> None:
    problem = formulated().problem
    parts = {
        "stopper_ohm": np.array([68e3]),
        "plate_load_ohm": np.array([100e3]),
        "cathode_resistor_ohm": np.array([1.5e3]),
        "bypass_F": np.array([22e-6]),
    }
    stage = Stage(
        supply_V=250.0, plate_load_ohm=100e3, cathode_resistor_ohm=1.5e3, stopper_ohm=68e3,
        bypass_F=22e-6, source_ohm=47e3, grid_leak_ohm=1e6, output_coupling_F=22e-9,
        load_ohm=470e3, load_F=50e-12, stray_grid_plate_F=0.5e-12, stopper_shunt_F=0.3e-12,
        grid_capacitor_lead_H=10.8e-9,  # of a ceramic disc, where one were fitted
    ).broadcast()  # fmt: skip
    built = problem.stages(parts)
    for name, value in stage.numeric_fields().items():
        assert np.array_equal(built.numeric_fields()[name], value), name
    # Gain from the dense nodal equations of that stage, which share no code with the scores.
    a = Assessment(stage, problem.device, problem.targets)
    at = dense_response(stage, a.linear, 1000.0)
    gain = 20 * np.log10(np.abs(np.ravel(at["o"])[0]))
    found = problem.evaluate(parts)
    assert found.scores["gain_dB"][0] == pytest.approx(gain, abs=1e-6)
    assert found.losses[0, 0] == -found.scores["gain_dB"][0]
    # Excess over a rating is the share above it: the sheet's 1 W for the 12AX7.
    watts = float(a.point.plate_dissipation_W[0])
    assert found.excess["plate dissipation rating"][0] == pytest.approx(watts / 1.0 - 1)
    amps = float(a.point.plate_current_A[0])
    inside = max((0.6e-3 - amps) / 0.6e-3, (amps - 0.9e-3) / 0.9e-3)
    assert found.excess["plate_current_A"][0] == pytest.approx(inside, rel=1e-9)


def test_without_ratings_only_the_windows_limit(formulated: MakeFormulation) -> None:
    problem = replace(formulated().problem, ratings_hold=False)
    found = problem.evaluate(problem.draw(4, np.random.default_rng(0)))
    assert set(found.excess) == {"plate_current_A", ALL_FINITE}


def test_a_candidate_whose_score_is_no_number_is_never_feasible(
    formulated: MakeFormulation, monkeypatch: pytest.MonkeyPatch
) -> None:
    def odd(a: Assessment) -> np.ndarray:
        return np.where(np.asarray(a.stage.stopper_ohm) > 1e5, np.nan, 1.0)

    entry = Score("odd_ratio", "", "minimise", "invented for this test", "none", lambda a: [odd(a)])
    monkeypatch.setitem(REGISTRY, "odd_ratio", entry)
    problem = formulated().problem
    problem = replace(problem, free=(*problem.free, FreeScore("odd_ratio", "minimise")), windows=())
    found = problem.evaluate(whole(problem))
    missing = found.parts["stopper_ohm"] > 1e5
    assert missing.any()
    assert np.isfinite(found.losses).all()
    assert not found.feasible[missing].any()
    assert found.feasible[~missing].any()
    # A limit on such a score is broken by the candidate too.
    limited = replace(problem, free=problem.free[:1], windows=(Window("odd_ratio", at_most=2.0),))
    found = limited.evaluate(whole(limited))
    assert np.array_equal(found.excess["odd_ratio"] > 0, missing)


# --- the space -----------------------------------------------------------------------------------


def test_a_draw_holds_every_value_equally_often_and_repeats_with_its_seed(
    formulated: MakeFormulation,
) -> None:
    problem = formulated().problem
    drawn = problem.draw(100, np.random.default_rng(3))
    for choice in problem.choices:
        values, counts = np.unique(drawn[choice.part], return_counts=True)
        assert np.array_equal(values, choice.values)
        assert np.ptp(counts) <= 1
    again = problem.draw(100, np.random.default_rng(3))
    other = problem.draw(100, np.random.default_rng(4))
    assert all(np.array_equal(drawn[n], again[n]) for n in drawn)
    assert any(not np.array_equal(drawn[n], other[n]) for n in drawn)
    # Parts are drawn independently of each other: no two columns run together.
    loads, stoppers = drawn["plate_load_ohm"], drawn["stopper_ohm"]
    assert len(set(zip(loads, stoppers, strict=True))) > 20


def test_a_continuous_part_is_drawn_evenly_in_ratio(
    formulated: MakeFormulation, continuous: tuple[str, str]
) -> None:
    problem = formulated(continuous).problem
    assert problem.size == np.inf
    drawn = problem.draw(200, np.random.default_rng(5))["stopper_ohm"]
    share = np.sort(np.log(drawn / 10e3) / np.log(22.0))
    steps = np.arange(200) / 200
    assert (share >= steps - 1e-12).all()
    assert (share <= steps + 1 / 200 + 1e-12).all()


def test_choices_say_where_their_values_come_from(
    formulated: MakeFormulation, continuous: tuple[str, str]
) -> None:
    origins = {c.part: c.origin for c in formulated().problem.choices}
    assert origins == {
        "stopper_ohm": "E6, 10 kΩ to 220 kΩ",
        "plate_load_ohm": "3 listed values, 100 kΩ to 220 kΩ",
        "cathode_resistor_ohm": "3 listed values, 1 kΩ to 2.2 kΩ",
        "bypass_F": "2 listed values, none to 22 µF",
    }
    assert formulated(continuous).problem.choices[0].origin == "any value, 10 kΩ to 220 kΩ"
    assert Choice("stopper_ohm", low=1.0, high=2.0).continuous


def test_the_leak_position_is_a_choice_like_a_part(formulated: MakeFormulation) -> None:
    problem = formulated(
        ("[parts.plate_load]", '[parts.grid_leak]\nvalue = "1M"\nposition = "either"\n\n'
         "[parts.plate_load]"),
    ).problem  # fmt: skip
    choice = next(c for c in problem.choices if c.part == "leak_at_grid")
    assert choice.values.tolist() == [0.0, 1.0]
    assert "leak_at_grid" not in problem.targets.preferred


def test_drawer_parts_are_the_drawers(formulated: MakeFormulation, tmp_path: Path) -> None:
    (tmp_path / "d.csv").write_text(
        "kind,value\nresistor,12k\nresistor,33k\nresistor,33k\nresistor,1M\ncapacitor,22n\n"
    )
    change = ('series = "E6"\nfrom = "10k"\nto = "220k"', 'drawer = "d.csv"\nto = "220k"')
    problem = formulated(change, folder=tmp_path).problem
    assert problem.choices[0].values.tolist() == [12e3, 33e3]
    assert problem.choices[0].origin == "the drawer, 12 kΩ to 33 kΩ"


def test_parts_of_a_drawer_bring_tolerance_style_and_note(
    formulated: MakeFormulation, tmp_path: Path
) -> None:
    (tmp_path / "d.csv").write_text(
        "kind,value,tolerance_percent,style,note\n"
        "resistor,12k,1,metal film 1/2 W,matched\nresistor,33k,2,carbon,\n"
        "resistor,33k,10,Carbon Film 1/2 W,\ncapacitor,22n,5,,\n"
    )
    drawer = 'drawer = "d.csv"'
    problem = formulated(
        ('series = "E6"\nfrom = "10k"\nto = "220k"', drawer),
        ('[parts.output_coupling]\nvalue = "22n"', "[parts.output_coupling]\n" + drawer),
        folder=tmp_path,
    ).problem
    parts = dict(problem.draw(4, np.random.default_rng(0))) | {
        "stopper_ohm": np.array([12e3, 33e3, 12e3, 50e3])
    }
    # The first line of a value counts; what the drawer does not know stays as the brief says.
    metal = resistor_style("metal film 1/2 W")
    stages = problem.stages(parts)
    assert stages.stopper_shunt_F.tolist() == [metal.shunt_F, 0.3e-12, metal.shunt_F, 0.3e-12]
    assert stages.stopper_lead_H.tolist() == [metal.lead_H, 0.0, metal.lead_H, 0.0]
    assert problem.note("stopper_ohm", 12e3) == "matched"
    assert problem.note("stopper_ohm", 33e3) == problem.note("stopper_ohm", 1e3) == ""

    def spread(setup: ToleranceSetup | None, part: str) -> float:
        assert setup is not None
        return next(s.high for s in setup.spreads if s.quantity == part)

    # A search judges by the widest line; a chosen design has its own.
    assert spread(problem.targets.tolerance, "stopper_ohm") == pytest.approx(0.10)
    one = {name: values[:1] for name, values in parts.items()}
    assert spread(problem.tolerance_of(one), "stopper_ohm") == pytest.approx(0.01)
    assert spread(problem.tolerance_of(one), "output_coupling_F") == pytest.approx(0.05)
    stated = formulated(
        ('series = "E6"\nfrom = "10k"\nto = "220k"', drawer),
        ("[strays]", '[strays]\nstopper_shunt = "1 pF"'),
        folder=tmp_path,
    ).problem
    assert (stated.stages(one).stopper_shunt_F == 1e-12).all()


NEAREST_FIRST = [
    # what the brief says of the part, the drawer's lines, [tolerance]; ends in per cent
    ('tolerance = "K"', "5", 'resistors = "2 %"', (-10, 10)),
    ("", "-20/+50", 'resistors = "2 %"', (-20, 50)),
    ("", "", 'resistors = "2 %"', (-2, 2)),
    ("tolerance = [-5, 0]", "", "", (-5, 0)),
    ("", "", "", (-1, 1)),  # metal film, as sold
]


@pytest.mark.parametrize(("of_part", "line", "of_kind", "ends"), NEAREST_FIRST)
def test_what_stands_nearest_to_a_part_says_its_tolerance(
    formulated: MakeFormulation,
    tmp_path: Path,
    of_part: str,
    line: str,
    of_kind: str,
    ends: tuple[float, float],
) -> None:
    (tmp_path / "d.csv").write_text(
        f"kind,value,tolerance_percent,style\nresistor,12k,{line},metal film 1/2 W\n"
        "resistor,33k,J,carbon composition 1/2 W\n"
    )
    problem = formulated(
        ('series = "E6"\nfrom = "10k"\nto = "220k"', f'drawer = "d.csv"\n{of_part}'),
        ("[strays]", f"[tolerance]\n{of_kind}\n[strays]"),
        folder=tmp_path,
    ).problem
    parts = dict(problem.draw(1, np.random.default_rng(0))) | {"stopper_ohm": np.array([12e3])}
    setup = problem.tolerance_of(parts)
    assert setup is not None
    spread = next(s for s in setup.spreads if s.quantity == "stopper_ohm")
    assert (100 * spread.low, 100 * spread.high) == pytest.approx(ends)


def test_each_candidate_is_built_of_its_own_parts(
    formulated: MakeFormulation, tmp_path: Path
) -> None:
    (tmp_path / "d.csv").write_text(
        "kind,value,tolerance_percent\nresistor,12k,F\nresistor,33k,M\n"
    )
    change = ('series = "E6"\nfrom = "10k"\nto = "220k"', 'drawer = "d.csv"')
    problem = formulated(change, folder=tmp_path).problem
    parts = dict(problem.draw(6, np.random.default_rng(0)))
    yields = problem.scores(parts, [YIELD])[YIELD]
    for row in range(6):
        one = {name: values[[row]] for name, values in parts.items()}
        targets = replace(problem.targets, tolerance=problem.tolerance_of(one))
        assert yields[row] == replace(problem, targets=targets).assess(one)[YIELD][0]
    closer = [
        next(s.high for s in own.targets.tolerance.spreads if s.quantity == "stopper_ohm")
        for _, own, _ in problem.by_tolerance(parts)
        if own.targets.tolerance is not None
    ]
    assert sorted(closer) == pytest.approx([0.01, 0.2])


# --- what stands around the stage ----------------------------------------------------------------


DRIVEN = (
    ('resistance = "47k"', 'divider_series_resistance = "470k"\ndivider_shunt_resistance = "10k"'),
    ("[load]", '[driver.stage]\nvalve = "12AX7"\nsupply = "250 V"\nplate_load = "100k"\n'
     'cathode_resistor = "10k"\nbypass = "none"\nsource_resistance = "68k"\n\n'
     '[drive]\nlevel = "20 V"\nnote = "220 Hz"\nharmonics_above = "6 kHz"\n\n[load]'),
    ("[parts.plate_load]", '[parts.input_coupling]\nvalue = "22n"\n\n[parts.plate_load]'),
    ('input_corner_Hz = "show"', 'harmonic_fall_dB = "show"'),
)  # fmt: skip
STATED = (
    '[supply]\nvoltage = "250 V"', 'plate_load = "100k"', 'divider_shunt_resistance = "10k"',
)  # fmt: skip
FREED = (
    '[supply]\nvoltage = { values = ["220 V", "250 V"] }',
    'plate_load = { series = "E6", from = "100k", to = "150k" }',
    'divider_shunt_resistance = { values = ["10k", "22k"] }',
)


@pytest.mark.slow
def test_what_stands_around_the_stage_is_chosen_like_a_part(formulated: MakeFormulation) -> None:
    problem = formulated(*DRIVEN, *zip(STATED, FREED, strict=True)).problem
    columns = ("supply_V", "driver.divider_shunt_ohm", "driver.plate_load_ohm")
    assert {c.part for c in problem.choices} > set(columns)
    assert problem.size == formulated(*DRIVEN).problem.size * 8
    parts = problem.draw(6, np.random.default_rng(4))
    batch = problem.show(problem.evaluate(parts), np.arange(6))
    assert len({tuple(parts[c][row] for c in columns) for row in range(6)}) > 3
    for row in range(6):
        volts, shunt, load = (float(parts[c][row]) for c in columns)
        stated = (
            f'[supply]\nvoltage = "{volts} V"', f'plate_load = "{load}"',
            f'divider_shunt_resistance = "{shunt}"',
        )  # fmt: skip
        alone = formulated(*DRIVEN, *zip(STATED, stated, strict=True)).problem
        own = {n: a[[row]] for n, a in parts.items() if n not in columns}
        one = alone.show(alone.evaluate(own), np.arange(1))
        assert np.isfinite(one.scores["harmonic_fall_dB"]).all()
        for name, value in one.scores.items():
            # A steady state under drive is settled to 1 mV, which not each batch rounds alike.
            rtol = 1e-6 if REGISTRY[name].slow else 1e-7
            np.testing.assert_allclose(batch.scores[name][row], value[0], rtol=rtol, err_msg=name)
        for name, value in one.excess.items():
            np.testing.assert_allclose(batch.excess[name][row], value[0], rtol=1e-9, atol=1e-12)


def test_an_attenuator_ahead_of_a_plain_source_is_chosen_too(formulated: MakeFormulation) -> None:
    stated = 'resistance = "47k"'
    problem = formulated(
        (stated, f'{stated}\ndivider_shunt_resistance = "100k"\n'
         "level_fraction = { continuous = true, from = 0.1, to = 1 }"),
    ).problem  # fmt: skip
    at = np.array([0.25, 1.0])
    parts = dict(problem.draw(2, np.random.default_rng(0))) | {"driver.level_fraction": at}
    stages = problem.stages(parts)
    above, below = 47e3 + 100e3 * (1 - at), 100e3 * at
    np.testing.assert_allclose(stages.source_ohm, above * below / (above + below))
    np.testing.assert_allclose(stages.source_ratio, below / (above + below))


@pytest.mark.parametrize(
    ("table", "line"),
    [
        ('{ series = "E6", from = "200 V", to = "300 V" }',
         "supply.voltage.series: 'E6': expected value, values or continuous"),
        ('{ values = ["200 V", "30 mA"] }', "supply.voltage.values[2]: '30 mA': expected a volt"),
        ('{ valeus = ["200 V"] }', "supply.voltage.valeus: ['200 V']: unknown key"),
    ],
)  # fmt: skip
def test_a_mistake_in_what_is_chosen_is_named(
    formulated: MakeFormulation, table: str, line: str
) -> None:
    with pytest.raises(BriefError) as caught:
        formulated((STATED[0], f"[supply]\nvoltage = {table}"))
    assert caught.value.problems[0].startswith(line)


# --- windows of the brief ------------------------------------------------------------------------


def test_windows_on_one_number_are_joined(formulated: MakeFormulation) -> None:
    problem = formulated(
        (
            'input_corner_Hz = "show"',
            'plate_current_A = { at_most = "0.8 mA", at_least = "0.3 mA" }',
        ),
    ).problem
    assert problem.windows == (Window("plate_current_A", 0.6e-3, 0.8e-3),)
    assert problem.score_names.count("plate_current_A") == 1


def test_free_limited_and_shown_scores_are_each_worked_out_once(
    formulated: MakeFormulation,
) -> None:
    problem = formulated().problem
    assert problem.score_names == (
        "gain_dB", "input_corner_error_octaves", "noise_dBu", "rf_margin_dB",
        "plate_current_A", "input_corner_Hz",
    )  # fmt: skip
    assert problem.shown == ("input_corner_Hz",)


# --- driver and load -----------------------------------------------------------------------------


def test_a_level_control_is_a_thevenin_source(formulated: MakeFormulation) -> None:
    found = formulated(
        ('resistance = "47k"',
         'resistance = "10k"\ndivider_shunt_resistance = "100k"\nlevel_fraction = 0.25'),
    )  # fmt: skip
    # 25 k below the wiper in parallel with 75 k + 10 k above it.
    assert found.source_ohm == pytest.approx(25e3 * 85e3 / 110e3)
    assert found.divider_ratio == pytest.approx(25 / 110)
    assert found.problem.fixed.source_ohm == pytest.approx(25e3 * 85e3 / 110e3)


STAGE = """
[driver.stage]
valve = "12AX7"
supply = "250 V"
plate_load = "100k"
cathode_resistor = "1k5"
bypass = "none"
"""


def test_a_driving_stage_is_its_output_resistance(formulated: MakeFormulation) -> None:
    found = formulated(
        ('resistance = "47k"', ""), ("[load]", STAGE + "\n[load]"),
        ("[parts.plate_load]", '[parts.input_coupling]\nvalue = "22n"\n\n[parts.plate_load]'),
    )  # fmt: skip
    assert found.driver is not None
    point = found.driver.point
    plate = float(np.ravel(point.plate_resistance_ohm)[0])
    factor = float(np.ravel(point.amplification_factor)[0])
    # The textbook output resistance with an unbypassed cathode resistor.
    inner = plate + (factor + 1) * 1.5e3
    assert found.source_ohm == pytest.approx(100e3 * inner / (100e3 + inner), rel=2e-3)
    assert found.divider_ratio == pytest.approx(1.0)


def test_a_next_stage_is_a_load(formulated: MakeFormulation) -> None:
    found = formulated(
        ('[load]\nresistance = "470k"\ncapacitance = "50 pF"',
         '[load]\ncapacitance = "10 pF"\n\n[load.stage]\nvalve = "12AU7"\nsupply = "250 V"\n'
         'plate_load = "47k"\ncathode_resistor = "1k"\ngrid_leak = "680k"'),
    )  # fmt: skip
    assert found.next_stage is not None
    assert float(np.asarray(found.problem.fixed.load_ohm)) == pytest.approx(680e3, rel=0.01)
    # At least its own electrode capacitances and the 10 pF of wiring.
    entry = valve("12AU7")
    least = 10e-12 + entry.c_grid_cathode_F + 2 * entry.c_grid_plate_F
    assert float(np.asarray(found.problem.fixed.load_F)) > least


def test_a_follower_is_handed_to_the_assessment(formulated: MakeFormulation) -> None:
    found = formulated(
        ('[load]\nresistance = "470k"\ncapacitance = "50 pF"',
         '[load.cathode_follower]\nvalve = "12AX7"\nsupply = "250 V"\ncathode_resistor = "100k"'),
        ('[parts.output_coupling]\nvalue = "22n"', ""),
    )  # fmt: skip
    batch = found.problem.evaluate(found.problem.draw(5, np.random.default_rng(1)))
    assert any(name.startswith("follower ") for name in batch.excess)
    assert np.isfinite(batch.losses).all()


@pytest.mark.parametrize(
    ("changes", "start"),
    [
        ([('valve = "12AX7"', 'valve = "12AX8"')], "valve: '12AX8'"),
        ([('noise_dBu = "minimise"', 'niose_dBu = "minimise"')], "scores.niose_dBu"),
        ([("grid_to_plate", 'shielded = true\ngrid_to_plate'),
          ('valve = "12AX7"', 'valve = "6SN7"')], "strays.shielded: true"),
    ],
)  # fmt: skip
def test_what_cannot_be_posed_is_said_in_words(
    formulated: MakeFormulation, changes: list[tuple[str, str]], start: str
) -> None:
    with pytest.raises(BriefError) as caught:
        formulated(*changes)
    assert len(caught.value.problems) == 1
    assert caught.value.problems[0].startswith(start)
    assert any(word in caught.value.problems[0] for word in ("expected", "did you mean"))


# --- what makes a search the same search ---------------------------------------------------------


def test_words_and_budget_make_no_other_search(formulated: MakeFormulation) -> None:
    print_of = formulated().problem.fingerprint
    assert len(print_of) == 16
    for change in (
        ('title = "A small stage for tests"', 'title = "Renamed"'),
        ('scenario = "Invented."', 'scenario = "Told otherwise."'),
        ("evaluations = 60", "evaluations = 90"),
        ("seed = 5", "seed = 6"),
        ('from = "10k"', 'from = "10000 ohm"'),
    ):
        assert formulated(change).problem.fingerprint == print_of, change


def test_another_job_is_another_search(formulated: MakeFormulation) -> None:
    seen = {formulated().problem.fingerprint}
    for change in (
        ('voltage = "250 V"', 'voltage = "251 V"'),
        ('noise_dBu = "minimise"', 'noise_dBu = "show"'),
        ('input_corner = "8 kHz"', 'input_corner = "9 kHz"'),
        ('at_most = "0.9 mA"', 'at_most = "1.3 mA"'),
        ('values = ["none", "22u"]', 'values = ["none", "10u"]'),
        ('valve = "12AX7"', 'valve = "12AT7"'),
    ):
        seen.add(formulated(change).problem.fingerprint)
    assert len(seen) == 7


def test_another_valve_of_the_same_name_is_another_search(
    brief_text: MakeBriefText, tmp_path: Path
) -> None:
    text = brief_text(('valve = "12AX7"', 'valve = "12AX7"\nvalve_table = "mine.toml"'))
    prints = set()
    for change in (1.0, 1.1):
        entry = valve("12AX7")
        # Capacitance alone: the law, and with it every operating point, is the same.
        entry = replace(entry, c_grid_plate_F=change * entry.c_grid_plate_F)
        (tmp_path / "mine.toml").write_text(format_valves([entry]), "utf-8")
        brief = parse_brief(text, tmp_path)
        prints.add(formulate(brief).problem.fingerprint)
        assert brief.valves[0].c_grid_plate_F == pytest.approx(entry.c_grid_plate_F)
    assert len(prints) == 2


def test_another_drawer_of_the_same_name_is_another_search(
    brief_text: MakeBriefText, tmp_path: Path
) -> None:
    # Over a thousand lines: more than an array shows of itself.
    values = [f"resistor,{ohm}" for ohm in range(1000, 2500)]
    chosen = brief_text(
        ('series = "E6"\nfrom = "10k"\nto = "220k"', 'drawer = "d.csv"'),
        ('input_corner_Hz = "show"', 'series_departure_percent = "show"'),
    )
    stocked = brief_text(("[scores]", '[stock]\ndrawer = "d.csv"\n\n[scores]'))
    for text in (chosen, stocked):
        prints = set()
        for middle in ("resistor,1700", "resistor,1700.5"):
            lines = [middle if line == "resistor,1700" else line for line in values]
            (tmp_path / "d.csv").write_text("\n".join(["kind,value", *lines]))
            prints.add(formulate(parse_brief(text, tmp_path)).problem.fingerprint)
        assert len(prints) == 2


# --- scores that are only shown ------------------------------------------------------------------


def counted(monkeypatch: pytest.MonkeyPatch, *, slow: bool) -> list[int]:
    """Enter an invented score that keeps how many stages it was asked for at a time."""
    asked: list[int] = []

    def compute(a: Assessment) -> np.ndarray:
        asked.append(int(np.prod(a.stage.shape)))
        return np.asarray(a.stage.stopper_ohm) / 1e3

    entry = Score(
        "odd_ratio",
        "",
        "minimise",
        "invented for this test",
        "none",
        lambda a: [compute(a)],
        slow=slow,
    )
    monkeypatch.setitem(REGISTRY, "odd_ratio", entry)
    return asked


def test_what_is_only_shown_is_worked_out_only_for_what_is_shown(
    formulated: MakeFormulation, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked = counted(monkeypatch, slow=True)
    problem = replace(formulated().problem, shown=("odd_ratio", "input_corner_Hz", "gain_dB"))
    assert not problem.slow
    found = problem.evaluate(whole(problem))
    assert asked == []
    assert set(found.scores) == set(problem.searched_names)
    shown = problem.show(found, np.array([7, 3]))
    assert asked == [2]
    column = shown.scores["odd_ratio"]
    assert np.flatnonzero(np.isfinite(column)).tolist() == [3, 7]
    assert column[[3, 7]].tolist() == (found.parts["stopper_ohm"][[3, 7]] / 1e3).tolist()
    # What costs little is worked out for all, what decides is kept as it was.
    assert np.isfinite(shown.scores["input_corner_Hz"]).all()
    assert shown.scores["gain_dB"] is found.scores["gain_dB"]
    assert set(shown.scores) == set(problem.score_names)


def test_a_slow_score_that_decides_makes_the_problem_slow(
    formulated: MakeFormulation, monkeypatch: pytest.MonkeyPatch
) -> None:
    counted(monkeypatch, slow=True)
    problem = formulated().problem
    free = replace(problem, free=(*problem.free, FreeScore("odd_ratio", "minimise")))
    limited = replace(problem, windows=(Window("odd_ratio", at_most=1e3),))
    assert free.slow
    assert limited.slow
    assert not problem.slow


@pytest.mark.parametrize(
    ("window", "value"),
    [
        (Window("gain_dB", at_least=44.0), 36.8),
        (Window("plate_current_A", at_most=2e-3), 3.1e-3),
        (Window("lower_corner_Hz", at_most=20.0), 5.0),
    ],
)
def test_the_value_behind_an_excess_is_found_again(window: Window, value: float) -> None:
    excess = float(window.excess(np.asarray(value)))
    assert window.value_at(excess) == pytest.approx(value)
    both = Window(window.name, at_least=1.0, at_most=2.0)
    assert np.isnan(both.value_at(excess))


def test_a_score_that_is_no_number_has_no_value_behind_its_excess(
    formulated: MakeFormulation, monkeypatch: pytest.MonkeyPatch
) -> None:
    def odd(a: Assessment) -> list[np.ndarray]:
        return [np.full(a.stage.shape, np.nan)]

    entry = Score("odd_ratio", "", "minimise", "invented for this test", "none", odd)
    monkeypatch.setitem(REGISTRY, "odd_ratio", entry)
    window = Window("odd_ratio", at_least=3.0)
    problem = replace(formulated().problem, windows=(window,))
    batch = problem.evaluate(problem.draw(2, np.random.default_rng(0)))
    assert not batch.feasible.any()
    assert np.isnan([window.value_at(e) for e in batch.excess["odd_ratio"]]).all()
