"""What the README says is true: its commands, briefs, pictures and pages exist."""

from __future__ import annotations

import re
from pathlib import Path

from explorer.brief.shipped import shipped_briefs
from explorer.cli import assess, check, devices, explore, fit, new  # noqa: F401 (enter commands)
from explorer.cli.app import app

README = Path(__file__).parents[2] / "README.md"
TEXT = README.read_text("utf-8")


def test_its_commands_are_the_commands() -> None:
    told = set(re.findall(r"`stagefront (\w+)", TEXT))
    there = {command.callback.__name__ for command in app.registered_commands if command.callback}
    assert there <= told | {"main"}
    assert told <= there


def test_every_shipped_brief_is_named() -> None:
    for name in shipped_briefs():
        assert f"`{name}`" in TEXT


def test_cautions_pictures_and_pages_are_there() -> None:
    assert "High voltage kills" in TEXT
    for target in re.findall(r"\]\((.*?)\)", TEXT):
        assert (README.parent / target).is_file()
