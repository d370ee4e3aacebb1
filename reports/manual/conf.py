"""The manual: how Sphinx builds it. What a page tells of the program is asked of the program."""

from __future__ import annotations

import csv
import io
import re
import shlex
import subprocess
import sys
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
html_copy_source = False
html_show_sphinx = False
html_math_renderer = "mathml"

_ASKED: Final = re.compile(r"^% (csv|markdown|text): stagefront (.*)$", re.MULTILINE)
"""A line of a page in whose place stands what the command prints."""


def _printed(match: re.Match[str]) -> str:
    form, arguments = match.groups()
    command = [sys.executable, "-m", "explorer", *shlex.split(arguments)]
    run = subprocess.run(command, capture_output=True, text=True, check=True)
    if form == "csv":
        head, *rows = csv.reader(io.StringIO(run.stdout))
        lines = [head, ["---"] * len(head), *rows]
        return "\n".join(f"| {' | '.join(line)} |" for line in lines)
    if form == "markdown":
        return run.stdout
    return f"```text\n{run.stdout.rstrip()}\n```"


def _asked(app: Any, page: str, source: list[str]) -> None:
    source[0] = _ASKED.sub(_printed, source[0])


def _formula(writer: Any, node: Any) -> None:
    writer.body.append(tex2mathml(node.astext(), as_block=node.tagname == "math_block"))
    raise nodes.SkipNode


def setup(app: Any) -> None:
    """Let pages ask the program, and write formulas as MathML, which needs no network."""
    app.connect("source-read", _asked)
    app.add_lexer("csv", TextLexer)
    app.add_html_math_renderer("mathml", (_formula, None), (_formula, None))
