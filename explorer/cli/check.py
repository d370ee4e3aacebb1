"""The commands ``check`` and ``schema``: what a brief says, and what it may say."""

from __future__ import annotations

from collections.abc import Mapping

from rich.markup import escape

from explorer.cli.app import app
from explorer.cli.options import BriefArgument, FormatOption, OutputFormat
from explorer.cli.printing import out, print_json, print_records


@app.command()
def check(brief: BriefArgument, form: FormatOption = OutputFormat.table) -> None:
    """Check a brief: list everything that is wrong with it, or sum up what it asks for.

    Examples:

      stagefront check my-brief.toml
    """
    from explorer.brief.loading import load_brief
    from explorer.formulation import formulate
    from objectives.elements import ELEMENTS

    read = load_brief(brief)
    formulation = formulate(read)
    problem = formulation.problem
    terms = problem.device.terms
    exact = problem.enumerable(read.search.exact_up_to)
    summary = {
        "title": read.title,
        terms.kind: " or ".join(d.name for d in (problem.device, *(d for d, _ in problem.others))),
        "varied": {ELEMENTS[c.part].label_for(terms): c.origin for c in problem.choices},
        "candidates": problem.size if problem.size < float("inf") else "continuous",
        "free scores": [f.name for f in problem.free],
        "limits": [w.name for w in problem.windows],
        "source resistance (ohm)": formulation.source_ohm,
        "front": "exact and searched" if exact else "searched",
    }
    if form is OutputFormat.json:
        print_json(summary)
        return
    if form is OutputFormat.csv:
        print_records([{k: str(v) for k, v in summary.items()}], form)
        return
    console = out()
    console.print(f"{escape(read.source)}: valid", soft_wrap=True)
    for key, value in summary.items():
        if isinstance(value, Mapping):
            shown = "; ".join(f"{k} ({v})" for k, v in value.items())
        elif isinstance(value, list):
            shown = ", ".join(value)
        else:
            shown = f"{value:,.0f}" if isinstance(value, float) else str(value)
        console.print(f"  {key}: {escape(shown)}", highlight=False, soft_wrap=True)


@app.command()
def schema() -> None:
    """Print the JSON Schema of a brief, for editors that complete and check TOML.

    Examples:

      stagefront schema > brief.schema.json
    """
    from explorer.brief.schema import brief_schema

    print_json(brief_schema())
