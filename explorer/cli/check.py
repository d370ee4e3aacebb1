"""The commands ``check`` and ``schema``: what a brief says, and what it may say."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Annotated, Any

import typer
from rich.markup import escape

from explorer.cli.app import app
from explorer.cli.options import BriefArgument, FormatOption, OutputFormat
from explorer.cli.printing import out, print_json, print_labelled, print_plain, print_records


@app.command()
def check(brief: BriefArgument, form: FormatOption = OutputFormat.table) -> None:
    """Check a brief: list what is wrong with it, or sum it up and warn of what is doubtful.

    A warning is no mistake: the brief can be explored as it is, and the exit code is 0.

    Examples:

      stagefront check my-brief.toml

      stagefront check my-brief.toml --form json
    """
    from explorer.brief.loading import load_brief
    from explorer.brief_review import review
    from explorer.cli.doubts import doubt_record, doubt_words, point_lines, print_doubts
    from explorer.formulation import formulate
    from explorer.space import seconds_to_enumerate
    from objectives.elements import ELEMENTS

    read = load_brief(brief)
    formulation = formulate(read)
    problem, reviewed = formulation.problem, review(formulation)
    terms = problem.terms
    front = "exact" if seconds_to_enumerate(problem) <= read.search.patience else "searched"
    if not read.varied:
        front = "none: every part is fixed; stagefront assess reads the stage"
    summary = {
        "title": read.title,
        terms.kind: " or ".join(d.name for d in (problem.device, *(d for d, _ in problem.others))),
        "varied": {ELEMENTS[c.part].label_for(terms): c.origin for c in problem.choices},
        "candidates": problem.size if problem.size < float("inf") else "continuous",
        "free scores": [f.name for f in problem.free],
        "limits": [w.name for w in problem.windows],
        "tolerances": {
            ELEMENTS[spread.quantity].label_for(terms): f"{spread.words()}; {spread.source}"
            for spread in (problem.targets.tolerance.spreads if problem.targets.tolerance else ())
            if spread.quantity in ELEMENTS
        },
        "source resistance (ohm)": formulation.source_ohm,
        "front": front,
    }
    if form is OutputFormat.json:
        points = [{terms.kind: p.device, **p.parts, **p.scores} for p in reviewed.points]
        warnings = [doubt_record(doubt) for doubt in reviewed.doubts]
        print_json({**summary, "middle": points, "warnings": warnings})
        return
    if form is OutputFormat.csv:
        told = "; ".join(
            f"{doubt.field}: {doubt_words(doubt, terms)}".removeprefix(": ")
            for doubt in reviewed.doubts
        )
        print_records([{**{k: str(v) for k, v in summary.items()}, "warnings": told}], form)
        return
    out().print(f"{escape(read.source)}: valid", soft_wrap=True)
    print_labelled(_rows({**summary, "middle of the space": point_lines(reviewed, terms)}))
    if reviewed.doubts:
        print_doubts(reviewed.doubts, terms)


def _rows(summary: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    """Yield what is printed of a summary: a label and a text."""
    for key, value in summary.items():
        if isinstance(value, Mapping):
            yield f"{key}:", "" if value else "none"
            yield from ((f"  {name}:", text) for name, text in value.items())
        elif isinstance(value, list):
            yield f"{key}:", ", ".join(value) or "none"
        else:
            yield f"{key}:", f"{value:,.0f}" if isinstance(value, float) else str(value)


@app.command()
def schema(
    reference: Annotated[
        bool,
        typer.Option("--reference", help="Print every table, key and score, with examples."),
    ] = False,
) -> None:
    """Print the JSON Schema of a brief, for editors; or the reference of a brief, for people.

    Examples:

      stagefront schema > brief.schema.json

      stagefront schema --reference
    """
    if reference:
        from explorer.brief.reference import brief_reference

        print_plain(f"{brief_reference()}\n")
        return
    from explorer.brief.schema import brief_schema

    print_json(brief_schema())
