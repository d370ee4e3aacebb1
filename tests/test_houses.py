"""The houses: what may import what, how long a module may be, what the top level holds."""

from __future__ import annotations

import ast
import os
import subprocess
import sys
from collections.abc import Iterator
from graphlib import TopologicalSorter
from importlib.resources import files
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
HOUSES = ("objectives", "explorer", "reports")
MODULES = {
    ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__"): path
    for house in HOUSES
    for path in sorted((ROOT / house).rglob("*.py"))
}
TREES = {name: ast.parse(path.read_text("utf-8")) for name, path in MODULES.items()}
# What stands behind the command line and the notebook may use the reports; nothing else of the
# explorer may.
COMMAND_LINE = {
    "cli",
    "page",
    "__main__.py",
    "displays.py",
    "notebook.py",
    "obstacles.py",
    "report_data.py",
    "report_parts.py",
    "report_reasons.py",
    "report_run.py",
    "report_studies.py",
    "report_swaps.py",
    "report_writing.py",
    "sweep_drawing.py",
    "widget.py",
}
LONGEST = 400
"""Lines of a module."""

# Attributes that a caller may not ask a device about: its contract promises what there is.
DEVICES = {"device", "law", "entry", "valve", "transistor"}
KINDS = {"Valve", "Transistor", "JunctionFet", "BipolarTransistor"}

SCIPY = ("scipy.constants", "scipy.fft", "scipy.optimize", "scipy.special", "scipy.stats")
SOLVERS = (*SCIPY, "pandas", "optuna", "altair")


def imports(name: str) -> Iterator[tuple[str, str]]:
    """Yield each (module, name) that a module imports, wherever in it that is."""
    for node in ast.walk(TREES[name]):
        if isinstance(node, ast.Import):
            yield from ((alias.name, "") for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            yield from ((node.module, alias.name) for alias in node.names)


@pytest.mark.parametrize("name", MODULES)
def test_imports_run_one_way(name: str) -> None:
    path = MODULES[name]
    house = name.split(".")[0]
    forbidden = {
        "objectives": {"explorer", "reports"},
        "reports": {"explorer"},
        "explorer": set() if {path.name, path.parent.name} & COMMAND_LINE else {"reports"},
    }[house]
    assert not {module.split(".")[0] for module, _ in imports(name)} & forbidden


def test_no_module_imports_itself_through_others() -> None:
    graph = TopologicalSorter[str]()
    for name in MODULES:
        for module, what in imports(name):
            inner = f"{module}.{what}"
            graph.add(name, inner if inner in MODULES else module)
    graph.prepare()  # raises CycleError, which names the circle


def test_no_import_is_for_typing_alone() -> None:
    assert [n for n in MODULES for _, what in imports(n) if what == "TYPE_CHECKING"] == []


def test_a_module_holds_one_idea() -> None:
    long = {n for n, path in MODULES.items() if len(path.read_text("utf-8").splitlines()) > LONGEST}
    assert not long


def test_no_private_name_is_imported() -> None:
    private = [
        (name, module, what)
        for name in MODULES
        for module, what in imports(name)
        if module.split(".")[0] in HOUSES and what.startswith("_")
    ]
    assert private == []


def test_no_device_is_asked_what_it_may_not_have() -> None:
    """No getattr with a default or hasattr on a device, and no test of its kind."""
    probes = []
    for name, tree in TREES.items():
        for node in ast.walk(tree):
            if not (isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.args):
                continue
            asked = ast.unparse(node.args[0]).split(".")[-1]
            called, count = node.func.id, len(node.args)
            soft = called == "hasattr" or (called == "getattr" and count == 3)
            kind = called == "isinstance" and KINDS & set(ast.unparse(node.args[1]).split(" | "))
            if (soft and asked in DEVICES) or kind:
                probes.append(f"{name}:{node.lineno} {ast.unparse(node)}")
    assert probes == []


@pytest.mark.slow
@pytest.mark.parametrize(
    ("first", "without"),
    [
        # The physics can be used alone.
        (
            "objectives.assessment, objectives.scores.registry",
            ("optuna", "altair", "typer", "pydantic"),
        ),
        # Help and a wrong option answer at once.
        ("explorer.cli.command", ("numpy", "scipy", "pandas", "optuna", "altair")),
        # What a brief says, and the devices, are told without what solves or draws.
        ("explorer.brief.schema", SOLVERS),
        ("explorer.device_records", SOLVERS),
        ("explorer.brief_review", SOLVERS),
        ("explorer.cli.answer", SOLVERS),
        # The pick is printed, and a stage judged, before anything is drawn.
        (
            "explorer.search, explorer.cli.front, explorer.cli.reporting",
            (*SCIPY, "sqlalchemy", "altair", "vl_convert"),
        ),
        (
            "explorer.cli.beside, explorer.cli.designs, explorer.cli.sweeps",
            (*SCIPY, "pandas", "optuna", "altair"),
        ),
    ],
)
def test_what_is_not_needed_is_not_loaded(first: str, without: tuple[str, ...]) -> None:
    code = f"import sys, {first}\nprint([m for m in {without} if m in sys.modules])"
    printed = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT
    )
    assert printed.stdout.strip() == "[]"


@pytest.mark.slow
@pytest.mark.parametrize(
    "arguments",
    [
        "check treble-cut",
        "vary treble-cut stopper",
        "assess studio-line stopper=1k plate_load=47k cathode_resistor=470 "
        "cathode_unbypassed=330 bypass=100u",
    ],
)
def test_a_short_command_loads_little(arguments: str, tmp_path: Path) -> None:
    unwanted = ("scipy.stats", "scipy.fft", "scipy.optimize", "pandas", "optuna", "altair")
    code = (
        "import atexit, sys\n"
        f"atexit.register(lambda: print([m for m in {unwanted} if m in sys.modules]))\n"
        "from explorer.cli.command import main\n"
        "main()"
    )
    for _ in ("what is made once", "what is kept"):
        printed = subprocess.run(
            [sys.executable, "-c", code, *arguments.split()],
            capture_output=True, text=True, check=True, cwd=tmp_path,
            env={**os.environ, "PYTHONPATH": str(ROOT), "XDG_CACHE_HOME": str(tmp_path)},
        )  # fmt: skip
    assert printed.stdout.splitlines()[-1] == "[]"


def test_top_level_holds_what_was_agreed() -> None:
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
    [
        "explorer/briefs/treble-cut.toml", "objectives/data/valves.toml", "objectives/py.typed",
        "reports/__init__.pyi",
    ],
)  # fmt: skip
def test_data_files_are_inside_the_packages(name: str) -> None:
    package, *rest = name.split("/")
    assert files(package).joinpath(*rest).is_file()
