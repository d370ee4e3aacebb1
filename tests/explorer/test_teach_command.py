"""The command ``teach``."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

import explorer.cli.command  # noqa: F401 (enters the commands)
from explorer.brief.loading import load_brief
from explorer.cli.app import BAD_INPUT, NOT_WRITTEN, app
from explorer.cli.designs import compared_with
from explorer.formulation import formulate
from explorer.stored import keep
from fixture_types import MakeBriefText

PARTS = ("stopper=47k", "plate_load=150k", "cathode_resistor=1k5", "bypass=none")


def run(*args: str | Path) -> Result:
    return CliRunner().invoke(app, ["teach", *map(str, args)], env={"COLUMNS": "120"})


@pytest.fixture
def brief(tmp_path: Path, brief_text: MakeBriefText) -> Path:
    path = tmp_path / "small.toml"
    path.write_text(brief_text(), "utf-8")
    return path


def test_writes_page_and_markdown_of_a_given_stage(brief: Path, tmp_path: Path) -> None:
    result = run(brief, *PARTS, "--into", tmp_path / "out")
    assert result.exit_code == 0, result.output
    assert "High voltage kills" in result.stdout
    page = (tmp_path / "out" / "sheet.html").read_text("utf-8")
    text = (tmp_path / "out" / "sheet.md").read_text("utf-8")
    assert "<mn>47</mn>" in page
    assert r"47\,\mathrm{k\Omega}" in text
    # The brief's own seed, unless another is given.
    assert "seed 5" in text


@pytest.mark.slow
def test_another_seed_asks_with_other_numbers(brief: Path, tmp_path: Path) -> None:
    for seed in ("1", "2"):
        assert run(brief, *PARTS, "--seed", seed, "--into", tmp_path / seed).exit_code == 0
    first, second = ((tmp_path / seed / "sheet.md").read_text("utf-8") for seed in ("1", "2"))
    assert first.split("## Exercises")[0] == second.split("## Exercises")[0]
    assert first.split("## Exercises")[1] != second.split("## Exercises")[1].replace("2", "1", 1)


def test_without_parts_it_needs_an_exploration(brief: Path, tmp_path: Path) -> None:
    result = run(brief, "--into", tmp_path / "out")
    assert result.exit_code == BAD_INPUT
    assert f"stagefront explore {brief}" in result.output.replace("\n", "")
    assert not (tmp_path / "out").exists()


@pytest.mark.slow
def test_without_parts_it_teaches_the_pick_that_is_kept(brief: Path, tmp_path: Path) -> None:
    into = ("--into", str(tmp_path / "out"))
    given = formulate(load_brief(brief)), tmp_path / "out"
    found = compared_with(*given, ["pick"], None, needed=True, quiet=True)
    assert found.exact is not None
    keep(found.problem, found.exact, tmp_path / "out")
    assert run(brief, *into).exit_code == 0
    pick = (tmp_path / "out" / "sheet.md").read_text("utf-8")
    assert run(brief, "pick", *into).exit_code == 0
    assert (tmp_path / "out" / "sheet.md").read_text("utf-8") == pick
    assert run(brief, "pick", "stopper=22k", *into).exit_code == 0
    assert r"22\,\mathrm{k\Omega}" in (tmp_path / "out" / "sheet.md").read_text("utf-8")


@pytest.mark.parametrize(
    ("args", "told"),
    [
        (("stopper=47k",), "design.plate_load"),
        ((*PARTS, "heater=6V"), "design.heater"),
        ((*PARTS, "--seed", "x"), "whole number"),
    ],
)
def test_bad_input_is_told(brief: Path, tmp_path: Path, args: tuple[str, ...], told: str) -> None:
    result = run(brief, *args, "--into", tmp_path / "out")
    assert result.exit_code == BAD_INPUT
    assert told in result.output


@pytest.mark.slow
def test_a_design_from_a_file(brief: Path, tmp_path: Path) -> None:
    design = tmp_path / "design.toml"
    design.write_text("[design]\n" + "\n".join(
        f'{name} = "{value}"' for name, value in (pair.split("=") for pair in PARTS)
    ), "utf-8")  # fmt: skip
    assert run(brief, "--design", design, "--into", tmp_path / "a").exit_code == 0
    assert run(brief, *PARTS, "--into", tmp_path / "b").exit_code == 0
    one, other = ((tmp_path / name / "sheet.md").read_text("utf-8") for name in "ab")
    assert one == other


def test_a_brief_that_fixes_every_part_is_a_stage(
    tmp_path: Path, brief_text: MakeBriefText
) -> None:
    text = brief_text().split("[parts.stopper]")[0] + (
        '[parts]\nstopper = { value = "68k" }\nplate_load = { value = "100k" }\n'
        'cathode_resistor = { value = "1k5" }\nbypass = { value = "22u" }\n'
    )
    path = tmp_path / "stage.toml"
    path.write_text(text, "utf-8")
    result = run(path, "--into", tmp_path / "out")
    assert result.exit_code == 0, result.output
    assert r"68\,\mathrm{k\Omega}" in (tmp_path / "out" / "sheet.md").read_text("utf-8")


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write anywhere")
def test_a_folder_that_cannot_be_written(brief: Path, tmp_path: Path) -> None:
    closed = tmp_path / "closed"
    closed.mkdir(mode=0o500)
    assert run(brief, *PARTS, "--into", closed / "out").exit_code == NOT_WRITTEN
