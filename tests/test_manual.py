"""What the manual says is true: its briefs are in order, its commands print what it shows.

That Sphinx builds it without a warning is a step of CI.
"""

from __future__ import annotations

import os
import re
import shlex
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
import tomlkit
import typer

from explorer.bench import read_response
from explorer.brief.loading import parse_brief
from explorer.cli import assess, check, devices, explore, fit, new, teach, vary  # noqa: F401 (enter commands)
from explorer.cli.app import app
from explorer.drawer import read_drawer
from explorer.formulation import formulate

MANUAL = Path(__file__).parents[1] / "reports" / "manual"
PAGES = sorted(MANUAL.rglob("*.md"))
BRIEF = MANUAL / "second-stage.toml"


def fences(page: Path, language: str) -> list[str]:
    """Return the blocks of a language, without the indent of a list."""
    found = re.findall(rf"^( *)```{language}\n(.*?)^ *```$", page.read_text("utf-8"), re.M | re.S)
    return [re.sub(rf"^{indent}", "", text, flags=re.M) for indent, text in found]


COMMANDS = [line for page in PAGES for block in fences(page, "sh") for line in block.splitlines()]


def laid_over(brief: dict[str, Any], piece: dict[str, Any]) -> None:
    """Put a piece into a brief: a part, or what drives the stage, is stated anew as a whole."""
    for key, value in piece.items():
        if isinstance(value, dict) and key != "driver":
            brief.setdefault(key, {}).update(value)
        else:
            brief[key] = value


def test_the_brief_of_the_tutorial_poses_a_problem() -> None:
    problem = formulate(parse_brief(BRIEF.read_text("utf-8"))).problem
    assert problem.size > 1000
    assert [f.name for f in problem.free] == [
        "input_corner_error_octaves", "rf_margin_dB", "gain_dB", "noise_dBu",
    ]  # fmt: skip


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.stem)
def test_pieces_of_briefs_are_in_order(page: Path) -> None:
    brief = tomlkit.parse(BRIEF.read_text("utf-8")).unwrap()
    for piece in fences(page, "toml"):
        laid_over(brief, tomlkit.parse(piece).unwrap())
    folder = MANUAL.parents[1] / "explorer" / "briefs"
    formulate(parse_brief(tomlkit.dumps(brief), folder))


@pytest.mark.parametrize("line", COMMANDS)
def test_commands_are_spelled_right(line: str) -> None:
    program, name, *arguments = shlex.split(line)
    assert program == "stagefront"
    command = typer.main.get_group(app).commands[name]
    command.make_context(name, arguments)  # raises for an option or argument that is not there


def test_tables_of_numbers_are_read(tmp_path: Path) -> None:
    (drawer,) = fences(MANUAL / "howto" / "drawer.md", "csv")
    (response,) = fences(MANUAL / "howto" / "bench.md", "csv")
    (tmp_path / "drawer.csv").write_text(drawer)
    (tmp_path / "response.csv").write_text(response)
    assert read_drawer(tmp_path / "drawer.csv")
    assert read_response(tmp_path / "response.csv", "output")


@pytest.mark.parametrize("page", ["index", "tutorial"])
def test_cautions_stand_where_a_reader_begins(page: str) -> None:
    text = (MANUAL / f"{page}.md").read_text("utf-8")
    assert "High voltage kills" in text[:2000]


@pytest.mark.slow
def test_the_tutorial_shows_what_is_printed(tmp_path: Path) -> None:
    page = MANUAL / "tutorial.md"
    (tmp_path / BRIEF.name).write_text(BRIEF.read_text("utf-8"))
    run = [line for block in fences(page, "sh") for line in block.splitlines()]
    shown = fences(page, "text")
    assert len(run) == len(shown)
    for line, text in zip(run, shown, strict=True):
        command = [sys.executable, "-m", "explorer", *shlex.split(line)[1:]]
        printed = subprocess.run(
            command, cwd=tmp_path, capture_output=True, text=True, check=True,
            env={**os.environ, "COLUMNS": "80", "PYTHONPATH": str(MANUAL.parents[1])},
        ).stdout.splitlines()  # fmt: skip
        rest = iter(each.rstrip().replace("\u00a0", " ") for each in printed)
        missing = [told for told in text.splitlines() if told and told not in rest]
        assert missing == [], printed


@pytest.mark.slow
def test_the_cells_of_the_notebook_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / BRIEF.name).write_text(BRIEF.read_text("utf-8"))
    monkeypatch.chdir(tmp_path)
    names: dict[str, Any] = {}
    for cell in fences(MANUAL / "notebook.md", "python"):
        exec(cell, names)
    assert (tmp_path / "out" / "report.html").is_file()
    stoppers = {180e3, 220e3}
    assert stoppers & set(names["near"]["stopper_ohm"])
    assert 0 < names["mine"].good < 0.5
    assert names["widget"].stage.evaluation.parts["stopper_ohm"] == 220e3
