"""Why each value: neighbours against candidates evaluated alone, slopes against the dense solve."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest
import scipy.optimize

from closed_forms import dense_response
from explorer.brief.loading import load_brief
from explorer.designs import parse_design
from explorer.exploration import Exploration, explore
from explorer.formulation import formulate
from explorer.report_data import report_data
from explorer.report_reasons import pick_reasons
from explorer.settings import Settings
from explorer.standing import with_stage
from fixture_types import MakeFormulation
from objectives.circuit.operating_point import operating_point
from objectives.circuit.small_signal import small_signal
from objectives.scores.registry import REGISTRY
from objectives.stage import Stage
from reports.document.record import record_text
from reports.model import PickStudies, ReportData
from reports.record import PartReason

QUICK = Settings(seed=5, evaluations=60, batch=4, block=2)


def explored(formulated: MakeFormulation, *changes: tuple[str, str]) -> Exploration:
    return explore(formulated(*changes), QUICK, method="auto")


@pytest.fixture(scope="module")
def ex(formulated: MakeFormulation) -> Exploration:
    return explored(formulated)


def with_reasons(ex: Exploration) -> ReportData:
    return report_data(ex, PickStudies(reasons=pick_reasons(ex)))


def told(ex: Exploration) -> str:
    return record_text(with_reasons(ex)).replace("\u00a0", " ")


def reason(ex: Exploration, part: str) -> PartReason:
    return next(r for r in pick_reasons(ex).parts if r.part == part)


# --- neighbours ----------------------------------------------------------------------------------


def test_neighbours_are_the_next_values_of_the_parts_own_list(ex: Exploration) -> None:
    """IEC 60063, E6: 1.0 1.5 2.2 3.3 4.7 6.8."""
    own = float(ex.pick_parts["stopper_ohm"][0])
    e6 = np.outer([1e4, 1e5], [1.0, 1.5, 2.2, 3.3, 4.7, 6.8]).ravel()
    listed = e6[e6 < 2.3e5]
    at = int(np.flatnonzero(np.isclose(listed, own))[0])
    beside = [n.value for n in reason(ex, "stopper_ohm").neighbours]
    assert beside == pytest.approx([*listed[:at][-1:], *listed[at + 1 :][:1]])


@pytest.mark.parametrize("part", ["stopper_ohm", "plate_load_ohm", "cathode_resistor_ohm"])
def test_a_neighbour_is_told_as_that_candidate_alone_comes_out(ex: Exploration, part: str) -> None:
    pick = ex.problem.assess(ex.pick_parts)
    for neighbour in reason(ex, part).neighbours:
        parts = {**ex.pick_parts, part: np.array([float(neighbour.value)])}
        alone, stage = ex.problem.evaluate(parts), ex.problem.assess(parts)
        assert {d.aspect.score for d in neighbour.differences} == {
            "gain_dB", "noise_dBu", "rf_margin_dB", "input_corner_Hz",
        }  # fmt: skip
        for d in neighbour.differences:
            assert d.changed == pytest.approx(float(stage[d.aspect.score][0]), rel=1e-9)
            assert d.value == pytest.approx(float(pick[d.aspect.score][0]), rel=1e-9)
        # A decibel is two steps of half a decibel; more gain is better, more noise is not.
        gain_dB = float(stage["gain_dB"][0] - pick["gain_dB"][0])
        noise_dB = float(stage["noise_dBu"][0] - pick["noise_dBu"][0])
        assert neighbour.gains["gain_dB"] == pytest.approx(2 * gain_dB, abs=1e-9)
        assert neighbour.gains["noise_dBu"] == pytest.approx(-2 * noise_dB, abs=1e-9)
        broken = {name for name, excess in alone.excess.items() if excess[0] > 0}
        assert {missed.name for missed in neighbour.broken} == broken
        assert (neighbour.verdict == "breaks") == bool(broken)


def test_values_that_would_do_move_no_score_by_a_step(formulated: MakeFormulation) -> None:
    ex = explored(formulated, ('values = ["none", "22u"]', 'values = ["none", "22u", "47u", "1u"]'))
    bypass = reason(ex, "bypass_F")
    assert bypass.alike is not None
    low, high = bypass.alike
    pick = ex.problem.assess(ex.pick_parts)
    for value in (1e-6, 22e-6, 47e-6):
        stage = ex.problem.assess({**ex.pick_parts, "bypass_F": np.array([value])})
        steps = [
            REGISTRY[name].step.count(np.array([stage[name][0], pick[name][0]]))
            for name in ("gain_dB", "noise_dBu", "rf_margin_dB", "input_corner_Hz")
        ]
        same = all(abs(a - b) < 1 for a, b in steps)
        assert same == (low <= value <= high)


def test_a_continuous_part_has_preferred_values_for_neighbours(
    formulated: MakeFormulation, continuous: tuple[str, str]
) -> None:
    ex = explored(formulated, continuous)
    own = float(ex.pick_parts["stopper_ohm"][0])
    e12 = np.outer([1e4, 1e5], [1.0, 1.2, 1.5, 1.8, 2.2, 2.7, 3.3, 3.9, 4.7, 5.6, 6.8, 8.2]).ravel()
    below, above = e12[e12 < own * 0.999], e12[(e12 > own * 1.001) & (e12 < 2.3e5)]
    beside = [n.value for n in reason(ex, "stopper_ohm").neighbours]
    assert beside == pytest.approx([*below[-1:], *above[:1]])


# --- slopes --------------------------------------------------------------------------------------


def dense_scores(ex: Exploration, part: str, factor: float) -> tuple[float, float]:
    """Return gain (dB) and input corner (Hz) from the dense nodal system, one part changed."""
    problem = ex.problem
    parts = {**ex.pick_parts, part: ex.pick_parts[part] * factor}
    stage: Stage = problem.stages(parts)
    linear = small_signal(stage, problem.device, operating_point(stage, problem.device.law))

    def level_dB(node: str, hertz: float) -> float:
        return float(20 * np.log10(np.abs(np.ravel(dense_response(stage, linear, hertz)[node])[0])))

    low = level_dB("g", 1e3) - 10 * np.log10(2)
    corner = scipy.optimize.brentq(lambda f: level_dB("g", f) - low, 1e3, 1e6, xtol=1e-9)
    return level_dB("o", 1e3), corner


@pytest.mark.parametrize("part", ["stopper_ohm", "plate_load_ohm", "cathode_resistor_ohm"])
def test_a_slope_is_that_of_the_dense_nodal_solution(ex: Exploration, part: str) -> None:
    (low_dB, low_Hz), (high_dB, high_Hz) = (dense_scores(ex, part, f) for f in (0.9999, 1.0001))
    slopes = {slope.score: slope.per_percent for slope in reason(ex, part).slopes}
    # Of 0.02 % of the part to 1 % of it; the corner in per cent of itself.
    gain, corner = 50 * (high_dB - low_dB), 50 * 100 * np.log(high_Hz / low_Hz)
    assert slopes["gain_dB"] == pytest.approx(gain, rel=1e-3, abs=1e-6)
    assert slopes["input_corner_Hz"] == pytest.approx(corner, rel=1e-3, abs=1e-5)


def test_a_slope_counts_in_steps(ex: Exploration) -> None:
    for slope in reason(ex, "stopper_ohm").slopes:
        step = 100 * np.log(2) / 20 if slope.score == "input_corner_Hz" else (
            1.0 if slope.score == "rf_margin_dB" else 0.5
        )  # fmt: skip
        assert slope.steps_per_percent == pytest.approx(slope.per_percent / step, rel=1e-9)


# --- the record ----------------------------------------------------------------------------------


def test_the_record_is_the_same_in_two_runs(ex: Exploration, formulated: MakeFormulation) -> None:
    assert told(ex) == told(explored(formulated))


def test_every_part_that_varies_has_its_paragraph_and_given_ones_a_line(ex: Exploration) -> None:
    data, text = with_reasons(ex), told(ex)
    for label in data.part_labels.values():
        assert f"\n{label[:1].upper()}{label[1:]}, " in text
    assert "Output coupling capacitor 22 nF." in text
    statements = [line for line in text.splitlines() if line.startswith("- R")]
    numbers = [int(line[3 : line.index(".")]) for line in statements]
    assert numbers == list(range(1, len(statements) + 1))


def test_the_record_holds_what_repeats_the_run(ex: Exploration) -> None:
    text = record_text(with_reasons(ex))
    assert ex.formulation.brief.text.rstrip() in text
    assert f"--method exact --seed {QUICK.seed}\n" in text
    assert f"numpy {np.__version__}" in text


def test_the_record_says_why_nothing_is_recommended(
    formulated: MakeFormulation, impossible: tuple[str, str]
) -> None:
    data = report_data(explored(formulated, impossible))
    text = record_text(data).replace("\u00a0", " ")
    assert "## Nothing is recommended" in text
    assert "none of the 162 candidates evaluated keeps it" in text
    assert "should not be built" in text
    assert "Why each value" not in text


def test_a_design_named_by_hand_is_recorded_as_such(ex: Exploration) -> None:
    assert ex.decision is not None
    row = next(i for i in range(len(ex.front)) if i != ex.decision.pick)
    text = told(ex.choosing(row))
    assert "## The design asked for" in text
    assert f"--candidate {row + 1}\n" in text


def test_a_stage_given_by_its_parts_is_repeated_by_them(ex: Exploration) -> None:
    pairs = ["stopper=47k", "plate_load=100k", "cathode_resistor=1k5", "bypass=22u"]
    design = parse_design(pairs, ex.formulation.brief)
    given = with_stage(ex, design)
    command = next(c for c in told(given).splitlines() if c.startswith("stagefront assess "))
    words = [word for word in command.split() if "=" in word and "position" not in word]
    assert parse_design(words, ex.formulation.brief).parts == design.parts


@pytest.mark.slow
def test_where_parts_come_from_a_drawer_the_drawer_has_a_fingerprint(tmp_path: Path) -> None:
    briefs = files("explorer") / "briefs"
    drawer = (briefs / "drawer.csv").read_text("utf-8") + "resistor,91k,1,0.05,5,,\n"
    (tmp_path / "mine.toml").write_text((briefs / "quiet-input.toml").read_text("utf-8"), "utf-8")
    (tmp_path / "drawer.csv").write_text(drawer, "utf-8")
    formulation = formulate(load_brief(tmp_path / "mine.toml"))
    settings = replace(QUICK, evaluations=2000, block=500)
    text = told(explore(formulation, settings, method="search"))
    for name in ("mine.toml", "drawer.csv"):
        content = (tmp_path / name).read_bytes()
        assert f"SHA-256 of {name}: {hashlib.sha256(content).hexdigest()}." in text
    assert str(tmp_path) not in text
    assert "stagefront explore mine.toml --method search --seed 5 --evaluations 2000" in text
    for name in ("Grid stopper, ", "Position of the grid leak, "):
        assert f"\n{name}" in text


@pytest.mark.slow
def test_a_stage_behind_another_has_its_record() -> None:
    ex = explore(formulate(load_brief("treble-cut")), Settings(seed=7), method="exact")
    text = told(ex)
    assert "Cathode bypass, " in text
    assert "Series resistor of the attenuator 470 kΩ." in text
