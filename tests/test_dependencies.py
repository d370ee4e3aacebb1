"""What the program stands on: each dependency with the licence that its metadata states."""

import re
import tomllib
from importlib.metadata import metadata
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
NEEDED = [re.split(r"[\[<>=]", wanted)[0] for wanted in PROJECT["dependencies"]]


def licence(name: str) -> str:
    """Return the licence of an installed distribution: its expression, classifier or short text."""
    stated = metadata(name).json
    classifiers = [
        text.rsplit(" :: ", 1)[-1]
        for text in stated.get("classifier", ())
        if text.startswith("License :: ") and text != "License :: OSI Approved"
    ]
    short = str(stated.get("license", "")).splitlines()[:1]
    return str(stated.get("license_expression") or ", ".join(classifiers or short))


@pytest.mark.parametrize("name", NEEDED)
def test_the_licence_of_each_dependency_is_listed(name: str) -> None:
    listed = (ROOT / "DEVELOPERS.md").read_text("utf-8")
    row = re.search(rf"^\| {re.escape(name)} \| (.+) \|$", listed, re.MULTILINE)
    assert row
    # Makers write one licence in several ways: BSD License, BSD-3-Clause.
    assert row[1] in licence(name)
