"""The manual: how Sphinx builds it. What a page tells of the program is asked of the program."""

from __future__ import annotations

import ast
import contextlib
import csv
import io
import re
import shlex
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any, Final

from docutils import nodes
from docutils.utils.math.latex2mathml import tex2mathml
from pygments.lexers.special import TextLexer

project = "stagefront"
author = "the stagefront authors"
extensions = ["myst_parser", "sphinx.ext.autodoc", "numpydoc"]
myst_enable_extensions = ["dollarmath", "colon_fence"]
myst_heading_anchors = 3
autodoc_typehints = "none"
numpydoc_show_class_members = False
html_theme = "furo"
html_title = "stagefront"
html_static_path = ["manual.css"]
html_css_files = ["manual.css"]
html_copy_source = False
html_show_sphinx = False
html_math_renderer = "mathml"

_ASKED: Final = re.compile(r"^% (\w+)(?: of ([^:]*))?: stagefront (.*)$", re.MULTILINE)
"""A line of a page in whose place stands what the command prints: as text, as Markdown, or as a
table of some columns of its CSV."""


def _printed(match: re.Match[str]) -> str:
    form, columns, arguments = match.groups()
    command = [sys.executable, "-m", "explorer", *shlex.split(arguments)]
    run = subprocess.run(command, capture_output=True, text=True, check=True)
    if form == "table":
        names = columns.split("; ")
        rows = [[row[name] for name in names] for row in csv.DictReader(io.StringIO(run.stdout))]
        lines = [names, ["---"] * len(names), *rows]
        return "\n".join(f"| {' | '.join(line)} |" for line in lines)
    return run.stdout if form == "markdown" else f"```text\n{run.stdout.rstrip()}\n```"


def _asked(app: Any, page: str, source: list[str]) -> None:
    source[0] = _ASKED.sub(_printed, source[0])
    if page == "notebook":
        source[0] = _with_displays(source[0])


def _with_displays(text: str) -> str:
    """Return a page with what each of its cells shows below the cell, as a notebook has it."""
    names: dict[str, Any] = {}

    def shown(match: re.Match[str]) -> str:
        *statements, last = ast.parse(match[1]).body
        exec(compile(ast.Module(statements, []), "cell", "exec"), names)
        if not isinstance(last, ast.Expr):
            exec(ast.unparse(last), names)
            return match[0]
        value = eval(ast.unparse(last), names)
        rich = getattr(value, "_repr_html_", None)
        below = f"```{{raw}} html\n{rich()}\n" if rich else f"```text\n{value!r}\n"
        return f"{match[0]}\n\n{below}```"

    with tempfile.TemporaryDirectory() as folder, contextlib.chdir(folder):
        shutil.copy(Path(__file__).with_name("second-stage.toml"), folder)
        return re.sub(r"^```python\n(.*?)^```$", shown, text, flags=re.MULTILINE | re.DOTALL)


def _with_notes(app: Any, what: str, name: str, of: Any, options: Any, lines: list[str]) -> None:
    """Give the source of an equation a section of its own where others stand before it."""
    at = next((at for at, line in enumerate(lines) if line.startswith("Source")), 0)
    if any(line and not line.strip("-") for line in lines[:at]):
        lines[at:at] = ["Notes", "-----"]


def _formula(writer: Any, node: Any) -> None:
    block = node.tagname == "math_block"
    formula = tex2mathml(node.astext(), as_block=block)
    writer.body.append(f'<div class="equation">{formula}</div>' if block else formula)
    raise nodes.SkipNode


def setup(app: Any) -> None:
    """Let pages ask the program, and write formulas as MathML, which needs no network."""
    app.connect("source-read", _asked)
    app.connect("autodoc-process-docstring", _with_notes, priority=400)  # ahead of numpydoc
    app.add_lexer("csv", TextLexer)
    app.add_html_math_renderer("mathml", (_formula, None), (_formula, None))
