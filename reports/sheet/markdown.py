"""A sheet as Markdown, its formulas as TeX."""

from __future__ import annotations

import re
from collections.abc import Sequence

from reports.document.markdown import md, pipes
from reports.sheet.connections import comparison_rows
from reports.sheet.formula import of
from reports.sheet.model import BASE
from reports.sheet.sheet import Sheet
from reports.sheet.steps import Equation, Step
from reports.sheet.tables import alone_rows, answers, error_labels, lead_words


def sheet_markdown(sheet: Sheet) -> str:
    """Return the sheet as one Markdown document."""
    study = sheet.study
    found = answers(study.cases[BASE], study)
    errors = [(label, found[key]) for key, label in error_labels(study)]
    parts = [
        f"# {md(sheet.title)}: the input corner by hand",
        _prose(lead_words(study)),
        f"> **{md(sheet.danger)}**",
        *(_step(step, f"## {number}. ") for number, step in enumerate(sheet.steps, start=1)),
        "## What the assumptions cost",
        "Where the error of the first estimate comes from:",
        pipes(("", "error"), [*errors, ("together (multiplied)", found["error"])]),
        "Each assumption made alone, everything else exact:",
        pipes(*alone_rows(study)),
        *(_step(step, "## ") for step in sheet.kin),
        "## Why Miller's effect spares them",
        _prose(sheet.kin_words),
        pipes(*comparison_rows(sheet.worked, sheet.connections)),
        "## Exercises",
        "All else is as in the stage of this sheet; “by hand” means the first estimate. Numbers "
        f"are drawn with seed {sheet.seed}.",
        "\n".join(f"{n}. {_prose(x.question)}" for n, x in enumerate(sheet.exercises, start=1)),
        "## Answers",
    ]
    for number, exercise in enumerate(sheet.exercises, start=1):
        parts.append(f"### Exercise {number}")
        parts += [
            f"{step.title}:\n\n{_equations(step.equations)}"
            if step.equations
            else _prose(step.words)
            for step in exercise.solution
        ]
        parts.append(f"**Answer:** {_prose(exercise.answer)}")
    return "\n\n".join(parts) + "\n"


def _step(step: Step, mark: str) -> str:
    blocks = [f"{mark}{md(step.title)}", _prose(step.words), _equations(step.equations)]
    return "\n\n".join(block for block in blocks if block)


def _equations(equations: Sequence[Equation]) -> str:
    return "\n\n".join(map(_equation, equations))


def _equation(equation: Equation) -> str:
    left, right = equation.left, equation.right
    sides = [left.write("tex", numbers=True)]
    if right is not None:
        sides = [right.write("tex"), right.write("tex", numbers=True), *sides]
    lines = dict.fromkeys(sides)  # a lone value is its own result
    rows = " \\\\\n".join(f"&= {side}" for side in lines)
    return f"$$\n\\begin{{aligned}}\n{left.write('tex')} {rows}\n\\end{{aligned}}\n$$"


def _prose(text: str) -> str:
    """Return running text with its symbols as TeX."""
    pieces = re.split(r"(?<!\w)([A-Za-zµτ]+_[A-Za-z]+)", text)
    return "".join(
        f"${of(piece, 0.0).write('tex')}$" if at % 2 else md(piece)
        for at, piece in enumerate(pieces)
    )
