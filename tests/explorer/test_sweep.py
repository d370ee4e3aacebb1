"""A part that moves: every value is the stage with that value, and nothing else moves."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from closed_forms import dense_response
from explorer.cli.app import app
from explorer.designs import Design
from explorer.sweep import ends_of, middle, sweep, sweep_two
from fixture_types import MakeBriefText, MakeFormulation
from objectives.checks import InputError


def test_each_row_is_the_stage_with_that_value(formulated: MakeFormulation) -> None:
    formulation = formulated()
    problem, brief = formulation.problem, formulation.brief
    start = Design.of(brief, middle(problem)).stage_fields()
    moved = sweep(problem, brief, start, "stopper")
    (choice,) = (c for c in problem.choices if c.part == "stopper_ohm")
    assert np.array_equal(moved.values, choice.values)
    assert moved.values[moved.present] == start["stopper_ohm"]
    for row, value in enumerate(moved.values):
        a = problem.assess({**{n: np.array([v]) for n, v in start.items()},
                            "stopper_ohm": np.array([value])})  # fmt: skip
        at = np.array([problem.targets.reference_Hz, float(a["input_corner_Hz"][0])])
        levels = 20 * np.log10(np.abs(dense_response(a.loaded, a.linear, at)["g"][0]))
        assert moved.stages.scores["input_corner_Hz"][row] == pytest.approx(at[1])
        assert levels[0] - levels[1] == pytest.approx(10 * np.log10(2), abs=1e-6)
        off = abs(np.log2(at[1] / 8e3)) > np.log2(1.1)
        assert ("input_corner_error_octaves" in moved.breaks[row]) == off


def test_ends_and_fixed_parts_take_the_stock_series(formulated: MakeFormulation) -> None:
    formulation = formulated()
    problem, brief = formulation.problem, formulation.brief
    start = Design.of(brief, middle(problem)).stage_fields()
    moved = sweep(problem, brief, start, "stopper", *ends_of(brief, "stopper", "50k", "150k"))
    # E12 between the ends (IEC 60063), and the value that the stage has.
    assert {56e3, 68e3, 82e3, 100e3, 120e3, 150e3} <= set(moved.values)
    assert set(moved.values) - {start["stopper_ohm"]} <= {56e3, 68e3, 82e3, 100e3, 120e3, 150e3}
    for wrong in (("50k", "20k"), ("0", "20k"), ("3 V", None)):
        with pytest.raises(InputError):
            sweep(problem, brief, start, "stopper", *ends_of(brief, "stopper", *wrong))
    with pytest.raises(InputError, match="did you mean stopper"):
        sweep(problem, brief, start, "stoper")


def test_two_parts_move_over_each_other(formulated: MakeFormulation) -> None:
    formulation = formulated()
    problem, brief = formulation.problem, formulation.brief
    start = Design.of(brief, middle(problem)).stage_fields()
    second, firsts = sweep_two(problem, brief, start, ("stopper", "plate_load"))
    assert len(firsts) == len(second.values)
    one = firsts[second.present]
    assert np.array_equal(
        one.stages.scores["gain_dB"],
        sweep(problem, brief, start, "stopper").stages.scores["gain_dB"],
    )


def test_the_command_prints_within_eighty_columns_and_draws(
    brief_text: MakeBriefText, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    brief = tmp_path / "small.toml"
    brief.write_text(brief_text(), "utf-8")
    into = tmp_path / "out"
    result = CliRunner().invoke(app, ["vary", str(brief), "stopper", "--into", str(into)])
    assert result.exit_code == 0
    assert max(map(len, result.stdout.replace(str(into), "").splitlines())) <= 80
    assert "High voltage kills" in result.stdout
    assert (into / "vary.html").stat().st_size > 10_000
    rows = json.loads(
        CliRunner().invoke(app, ["vary", str(brief), "stopper", "--form", "json"]).stdout
    )
    assert sum(row["present"] for row in rows) == 1
    two = CliRunner().invoke(
        app, ["vary", str(brief), "stopper", "--over", "plate_load", "--score", "gain_dB"]
    )
    assert two.exit_code == 0
    wrong = CliRunner().invoke(
        app, ["vary", str(brief), "stopper", "--over", "plate_load", "--score", "gian_dB"]
    )
    assert wrong.exit_code == 2
    assert "gain_dB" in wrong.output
