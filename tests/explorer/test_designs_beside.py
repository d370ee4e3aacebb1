"""Several designs side by side, and what is advised: what is told is what the stage then does."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner, Result

from explorer.cli.app import app
from explorer.cli.designs import designs_of
from explorer.designs import parse_design
from explorer.exploration import Exploration, explore
from explorer.report_data import report_data
from explorer.settings import Settings
from explorer.standing import assess_design, with_stage
from fixture_types import MakeBriefText, MakeFormulation
from objectives.checks import InputError


@pytest.fixture(scope="module")
def ex(formulated: MakeFormulation) -> Exploration:
    return explore(formulated(), Settings(seed=5, evaluations=60, batch=20), method="exact")


def test_words_name_designs_and_pairs_change_the_one_before(
    ex: Exploration, tmp_path: Path
) -> None:
    file = tmp_path / "old.toml"
    file.write_text(
        '[design]\nstopper = "22k"\nplate_load = "100k"\n'
        'cathode_resistor = "1k5"\nbypass = "none"\n',
        "utf-8",
    )
    named = designs_of(ex, ["pick", "pick", "stopper=47k", "2", str(file)])
    labels = [label for label, _ in named]
    assert labels == ["pick", "pick stopper=47k", "2", str(file)]
    pick, changed, second, old = (design.stage_fields() for _, design in named)
    for part, values in ex.front.parts.items():
        assert pick[part] == values[ex.pick]
        assert second[part] == values[1]
        assert changed[part] == (47e3 if part == "stopper_ohm" else values[ex.pick])
    assert old["stopper_ohm"] == 22e3
    with pytest.raises(InputError, match="quickest"):
        designs_of(ex, ["pick", "quickest"])


@pytest.mark.slow
def test_advice_is_the_step_that_gains_most_and_does_what_it_says(ex: Exploration) -> None:
    given = ["stopper=10k", "plate_load=100k", "cathode_resistor=1k5", "bypass=none"]
    design = parse_design(given, ex.formulation.brief)
    standing = assess_design(ex, design)
    assert 1 <= len(standing.advice) <= 2
    # Any value of a part may be advised, so that it gains as much as the best single step.
    assert standing.advice[0].merit >= max(step.merit for step in standing.steps)
    step = standing.advice[0]
    fields = {name: np.array([value]) for name, value in design.stage_fields().items()}
    after = ex.problem.evaluate({**fields, step.part: np.array([step.end])})
    for free in ex.problem.free:
        told = standing.evaluation.scores[free.name][0] + step.change[free.name]
        assert after.scores[free.name][0] == pytest.approx(told, rel=1e-9)
    # The corner lies far above its target, so that what is advised brings it down.
    assert standing.missed["input_corner_error_octaves"] > 0
    assert step.change["input_corner_error_octaves"] < 0


@pytest.mark.slow
def test_designs_stand_side_by_side_within_eighty_columns(
    brief_text: MakeBriefText, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.chdir(tmp_path)
    Path("small.toml").write_text(brief_text(), "utf-8")

    def run(*words: str) -> Result:
        return CliRunner().invoke(app, ["assess", "small.toml", *words, "--quiet"])

    table = run("pick", "2", "pick", "stopper=10k")
    assert table.exit_code == 0
    assert max(map(len, table.stdout.splitlines())) <= 80
    assert "High voltage kills" in table.stdout
    records = json.loads(run("pick", "pick", "stopper=10k", "--form", "json").stdout)
    assert [r["design"] for r in records] == ["pick", "pick stopper=10k"]
    assert records[0]["misses"] == ""
    assert "input_corner_error_octaves" in records[1]["misses"]
    assert records[1]["advice"]
    unknown = run("pick", "quickest")
    assert unknown.exit_code == 2
    assert "quickest" in unknown.stderr


@pytest.mark.slow
def test_a_given_stage_has_the_report_of_a_pick(ex: Exploration) -> None:
    given = ["stopper=33k", "plate_load=100k", "cathode_resistor=1k5", "bypass=22u"]
    whole = with_stage(ex, parse_design(given, ex.formulation.brief))
    data = report_data(whole)
    stage = data.pick.stage
    assert float(stage.stopper_ohm[0]) == 33e3
    assert float(data.shown["stopper_ohm"][0]) == 33e3
    assert data.decision is not None
    assert data.decision.alternatives[0].kind == "recommended"
    # The front is as it was: the stage stands beside it.
    assert data.front_size == int(ex.on_front.sum())
    assert whole.hypervolume == pytest.approx(ex.hypervolume)
    alone = float(ex.problem.assess({n: np.array([v]) for n, v in {
        "stopper_ohm": 33e3, "plate_load_ohm": 100e3, "cathode_resistor_ohm": 1.5e3,
        "bypass_F": 22e-6, "leak_at_grid": 0.0}.items()})["gain_dB"][0])  # fmt: skip
    assert float(data.shown["gain_dB"][0]) == pytest.approx(alone)
