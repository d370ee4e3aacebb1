"""TODO explorer.cli.check."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd
from rich.markup import escape

from explorer.brief.loading import load_brief
from explorer.brief.schema import brief_schema
from explorer.cli.app import app
from explorer.cli.options import BriefArgument, FormOption
from explorer.cli.printing import Form, _plain_errors, _print_frame, _print_json, out
from objectives.devices.terms import terms_of
from objectives.elements import ELEMENTS


@app.command()
def check(
    brief: BriefArgument,
    form: FormOption = Form.table,
) -> None:
    """Check a brief: say all that is wrong with it, or what it asks for.

    Examples:

      stagefront check my-brief.toml
    """
    with _plain_errors():
        from explorer.exploration import enumerable
        from explorer.formulation import formulate

        read = load_brief(brief)
        posed = formulate(read)
    terms = terms_of(posed.problem.device)
    size = posed.problem.size
    whole = enumerable(posed.problem, read.search.exact_up_to)
    summary = {
        "title": read.title,
        terms.kind: posed.problem.device.name,
        "varied": {ELEMENTS[c.part].label_for(terms): c.origin for c in posed.problem.choices},
        "candidates": size if np.isfinite(size) else "continuous",
        "free scores": [f.name for f in posed.problem.free],
        "limits": [w.name for w in posed.problem.windows],
        "source resistance (ohm)": posed.source_ohm,
        "front": "exact and searched" if whole else "searched",
    }
    if form is Form.json:
        _print_json(summary)
        return
    if form is Form.csv:
        _print_frame(pd.DataFrame([{k: str(v) for k, v in summary.items()}]), form)
        return
    out.print(f"{escape(read.source)}: in order.")
    for key, value in summary.items():
        if isinstance(value, Mapping):
            shown = "; ".join(f"{k} ({v})" for k, v in value.items())
        elif isinstance(value, list):
            shown = ", ".join(value)
        else:
            shown = f"{value:,.0f}" if isinstance(value, float) else str(value)
        out.print(f"  {key}: {escape(shown)}", highlight=False, soft_wrap=True)


@app.command()
def schema() -> None:
    """Print the JSON Schema of a brief, for editors that complete and check TOML.

    Examples:

      stagefront schema > brief.schema.json
    """
    _print_json(brief_schema())
