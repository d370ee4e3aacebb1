"""The houses: imports run one way, data files lie in the packages, the top level is as agreed."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
# What stands behind the command line may use the reports; nothing else of the explorer may.
COMMAND_LINE = {"cli", "__main__.py", "notebook.py", "report_data.py", "report_studies.py"}


def _imported(path: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            found.add(node.module.split(".")[0])
    return found


@pytest.mark.parametrize("house", ["objectives", "explorer", "reports"])
def test_imports_run_one_way(house):
    files = sorted((ROOT / house).rglob("*.py"))
    assert files
    for path in files:
        forbidden = {
            "objectives": {"explorer", "reports"},
            "reports": {"explorer"},
            "explorer": set() if {path.name, path.parent.name} & COMMAND_LINE else {"reports"},
        }[house]
        assert not _imported(path) & forbidden, path


def test_the_physics_comes_without_the_search_and_the_charts():
    """The physics comes without the search and the charts, so that it can be used alone."""
    code = (
        "import sys, objectives.scores.registry, objectives.devices.valve\n"
        "print([m for m in ('optuna', 'altair', 'pydantic', 'typer') if m in sys.modules])"
    )
    printed = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT
    )
    assert printed.stdout.strip() == "[]"


def test_top_level_holds_what_was_agreed():
    tracked = subprocess.run(
        ["git", "ls-files"], capture_output=True, text=True, check=False, cwd=ROOT
    )
    if tracked.returncode != 0:
        pytest.skip("not a git checkout")
    top = {line.split("/")[0] for line in tracked.stdout.splitlines()}
    plain = {name for name in top if not name.startswith(".")}
    assert plain == {
        "DEVELOPERS.md", "LICENSE", "README.md", "explorer", "objectives", "pyproject.toml",
        "reports", "tests",
    }  # fmt: skip


@pytest.mark.parametrize(
    "name",
    ["explorer/briefs/treble-cut.toml", "objectives/data/valves.toml", "objectives/py.typed"],
)
def test_data_files_are_inside_the_packages(name):
    from importlib.resources import files

    package, *rest = name.split("/")
    assert files(package).joinpath(*rest).is_file()
