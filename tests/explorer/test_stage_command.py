"""A brief whose parts are all fixed: a stage, which ``assess`` reads and ``explore`` refuses."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

import explorer.cli.command  # noqa: F401 (enter commands)
from explorer.brief.errors import BriefError
from explorer.brief.loading import parse_brief
from explorer.cli.app import app

STAGE = """\
# Invented, for tests.
title = "A stage off a drawing"
valve = "12AX7"

[supply]
voltage = "300 V"

[driver]
resistance = "38k"

[load]
resistance = "1M"

[parts]
stopper = { value = "68k" }
plate_load = { value = "100k" }
cathode_resistor = { value = "1k5" }
bypass = { value = "680n" }
grid_leak = { value = "1M" }
output_coupling = { value = "22n" }
"""


def run(*args: str | Path, width: int = 80) -> Result:
    environment = {"COLUMNS": str(width)}
    return CliRunner().invoke(app, [str(a) for a in args], env=environment, catch_exceptions=False)


@pytest.fixture
def stage(tmp_path: Path) -> Path:
    path = tmp_path / "stage.toml"
    path.write_text(STAGE, "utf-8")
    return path


@pytest.fixture
def other(tmp_path: Path) -> Path:
    path = tmp_path / "other.toml"
    path.write_text(STAGE.replace("68k", "10k").replace("680n", "22u"), "utf-8")
    return path


def test_needs_no_target_no_score_and_no_limit() -> None:
    brief = parse_brief(STAGE)
    assert brief.varied == ()
    assert brief.free_scores == ()
    # With a part free there must be something to choose by.
    with pytest.raises(BriefError, match=r"scores: .*expected a target"):
        parse_brief(STAGE.replace('{ value = "68k" }', '{ values = ["10k", "68k"] }'))


@pytest.mark.slow
def test_check_takes_it_and_explore_says_that_nothing_varies(stage: Path, tmp_path: Path) -> None:
    checked = run("check", stage)
    assert checked.exit_code == 0
    assert "valid" in checked.output
    explored = run("explore", stage, "--into", tmp_path / "out", "--quiet")
    assert explored.exit_code == 2
    assert "nothing varies" in explored.output
    assert not (tmp_path / "out").exists()


@pytest.mark.slow
def test_a_terminal_of_80_columns_holds_it(stage: Path, other: Path) -> None:
    for args in ([stage], [stage, other]):
        result = run("assess", *args)
        assert result.exit_code == 0
        lines = result.output.splitlines()
        assert max(map(len, lines)) <= 80
        assert "High voltage kills" in " ".join(lines[-2:])


def test_no_number_of_the_table_is_cut(stage: Path, other: Path) -> None:
    told = json.loads(run("assess", stage, other, "--form", "json").output)["comparison"]
    rows = [line for line in run("assess", stage, other).output.splitlines() if "│" in line]
    assert len(rows) == len(told["scores"])
    for line in rows:
        assert len(line) <= 80
        assert line.count("│") == 5
        assert "…" not in line.split("│", 2)[2]


def test_json_holds_the_numbers(stage: Path, other: Path) -> None:
    told = json.loads(run("assess", stage, "--form", "json").output)
    assert told["comparison"] is None
    assert told["stage"]["stopper_ohm"] == 68e3
    purposes = {(p["part"], p["change"]): p["differences"] for p in told["purposes"]}
    corner = next(d for d in purposes["stopper_ohm", "without"] if d["score"] == "input_corner_Hz")
    assert corner["value"] == pytest.approx(told["scores"]["input_corner_Hz"])
    assert corner["changed"] > corner["value"]
    both = json.loads(run("assess", stage, other, "--form", "json").output)["comparison"]
    assert {swap["part"] for swap in both["swaps"]} == {"stopper_ohm", "bypass_F"}


@pytest.mark.slow
def test_the_report_has_a_section_on_the_parts(stage: Path, other: Path, tmp_path: Path) -> None:
    folder = tmp_path / "out"
    assert run("assess", stage, other, "--into", folder, "--quiet").exit_code == 0
    text = (folder / "report.md").read_text("utf-8")
    assert "High voltage" in text or "voltages that kill" in text
    assert "## What each part is for" in text
    assert "## Why the other stage differs" in text
    assert (folder / "report.html").is_file()
    assert json.loads((folder / "results.json").read_text("utf-8"))["title"]


def test_what_cannot_be_compared_is_named(stage: Path, tmp_path: Path) -> None:
    varied = tmp_path / "varied.toml"
    text = STAGE.replace('{ value = "68k" }', '{ values = ["10k", "68k"] }')
    varied.write_text(text + '[scores]\ngain_dB = "maximise"\n', "utf-8")
    for args, named in (([stage, varied], "stopper"), ([stage, "stopper=1k"], "stopper=1k")):
        result = run("assess", *args)
        assert result.exit_code == 2
        assert named in result.output


def test_vary_moves_a_part_of_it(stage: Path) -> None:
    rows = json.loads(run("vary", stage, "output_coupling", "--form", "json").stdout)
    # A coupling capacitor carries no direct current.
    assert len({row["plate_current_A"] for row in rows}) == 1 < len(rows)
    assert run("vary", stage, "stopper", "--over", "plate_load").exit_code == 0
