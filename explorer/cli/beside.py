"""Prints several designs of one brief side by side: values, what they keep, and what to change."""

from __future__ import annotations

import math
from collections.abc import Sequence

from rich.table import Table

from explorer.cli.options import OutputFormat
from explorer.cli.printing import out, print_caution, print_json, print_records, print_text
from explorer.cli.standing import advice_words, is_off, shown_scores, verdict
from explorer.exploration import Exploration
from explorer.standing import Standing
from objectives.elements import ELEMENTS
from objectives.format import part_value, percent, score_label, stepped
from objectives.reading.trust import untrusted_words

_MOST_RIVALS = 3


def show_beside(
    standings: Sequence[tuple[str, Standing]], ex: Exploration, form: OutputFormat
) -> None:
    """Print designs, each with its name, as columns of a table; or as records, one a design."""
    names = shown_scores(ex)
    if form is not OutputFormat.table:
        records = [
            {
                "design": name,
                **{part: float(a[0]) for part, a in standing.evaluation.parts.items()},
                **{score: standing.scores[score] for score in names},
                "breaks": ", ".join(standing.broken),
                "misses": ", ".join(n for n, steps in standing.missed.items() if steps > 0),
                "built_well": standing.good,
                "law_doubt": untrusted_words(standing.assessment),
                "beaten_by": ", ".join(map(str, standing.beaten_by)),
                "advice": " ".join(advice_words(standing, ex)),
            }
            for name, standing in standings
        ]
        (print_json if form is OutputFormat.json else lambda r: print_records(r, form))(records)
        return
    console, terms = out(), ex.problem.device.terms
    table = Table(box=None, pad_edge=False)
    table.add_column("")
    for name, _ in standings:
        table.add_column(name, justify="right", overflow="fold")
    for part in standings[0][1].evaluation.parts:
        values = [float(s.evaluation.parts[part][0]) for _, s in standings]
        if len(set(values)) > 1:
            shown = [_part(ex, part, value) for value in values]
            table.add_row(ELEMENTS[part].label_for(terms), *shown, style="bold")
    for score in names:
        cells = [
            stepped(s.scores[score], score) + (" ×" if is_off(score, _off(s)) else "")
            for _, s in standings
        ]
        table.add_row(score_label(score, terms), *cells)
    builds = ["—" if math.isnan(s.good) else percent(s.good) for _, s in standings]
    table.add_row("builds that keep all", *builds)
    table.add_row("beaten by", *(_rivals(s) for _, s in standings))
    console.print(table)
    console.print("× a limit is broken or a target missed", highlight=False)
    for name, standing in standings:
        doubt = untrusted_words(standing.assessment)
        words = [verdict(standing, ex), doubt, *advice_words(standing, ex)]
        print_text(console, f"{name}: {' '.join(filter(None, words))}")
    print_caution(console)


def _off(standing: Standing) -> list[str]:
    """Return the scores that break a limit or miss a target."""
    return [*standing.broken, *(name for name, steps in standing.missed.items() if steps > 0)]


def _part(ex: Exploration, part: str, value: float) -> str:
    choice = next((c for c in ex.problem.choices if c.part == part), None)
    return choice.names[int(value)] if choice and choice.names else part_value(part, value)


def _rivals(standing: Standing) -> str:
    if not standing.beaten_by:
        return "none"
    more = len(standing.beaten_by) - _MOST_RIVALS
    shown = ", ".join(map(str, standing.beaten_by[:_MOST_RIVALS]))
    return f"{shown} +{more}" if more > 0 else shown
