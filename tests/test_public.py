"""What the three packages offer to Python: the names exist, and their examples run."""

from __future__ import annotations

import ast
import doctest
import importlib
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).parents[1]
PACKAGES = ("objectives", "explorer", "reports")
NAMES = [
    pytest.param(package, name, marks=[] if package == "objectives" else [pytest.mark.slow])
    for package in PACKAGES
    for name in importlib.import_module(package).__all__
]


@pytest.mark.parametrize("package", PACKAGES)
def test_a_package_lists_what_its_stub_names(package: str) -> None:
    stub = ast.parse((ROOT / package / "__init__.pyi").read_text("utf-8"))
    named = {a.name for n in stub.body if isinstance(n, ast.ImportFrom) for a in n.names}
    module = importlib.import_module(package)
    assert set(module.__all__) == named <= set(dir(module))
    with pytest.raises(AttributeError):
        module.nothing_of_the_kind  # noqa: B018


@pytest.mark.parametrize(("package", "name"), NAMES)
def test_a_public_name_has_a_docstring_whose_examples_run(package: str, name: str) -> None:
    thing = getattr(importlib.import_module(package), name)
    assert thing.__doc__
    finder = doctest.DocTestFinder(recurse=False)
    for found in finder.find(thing, name, globs={}):
        if not isinstance(thing, type):
            assert found.examples, "a public function shows how it is called"
        failed, _ = doctest.DocTestRunner(optionflags=doctest.NORMALIZE_WHITESPACE).run(found)
        assert failed == 0


@pytest.mark.slow
def test_the_five_lines_of_the_readme_give_a_chart() -> None:
    (code,) = re.findall(r"```python\n(.*?)```", (ROOT / "README.md").read_text("utf-8"), re.S)
    lines = [line for line in code.splitlines() if line]
    assert len(lines) == 5
    names: dict[str, Any] = {}
    exec("\n".join(lines[:-1]), names)
    assert eval(lines[-1], names).to_dict()["$schema"]
    shown = names["result"]._repr_html_()
    assert shown.count('class="gauge"') > 2
    assert names["brief"].title.split()[0] in shown


def test_names_are_loaded_only_when_they_are_used() -> None:
    code = (
        "import sys, explorer, objectives, reports\n"
        "print([m for m in ('numpy', 'pandas', 'optuna', 'altair') if m in sys.modules])"
    )
    printed = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT
    )
    assert printed.stdout.strip() == "[]"
