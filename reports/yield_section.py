"""What yield costs: the part of the tolerance section on the whole front."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import altair as alt
import numpy as np
import pandas as pd

from objectives.batch import FloatArray
from objectives.response_surface import FrontYields
from reports.contents import Block, Figure, Note, Prose, Table
from reports.format import (
    SPACE,
    column,
    counted,
    field_label,
    fixed,
    number,
    part_value,
    prefixed,
    score_label,
    score_unit,
)
from reports.look import ACCENTS, INK, PAGE_WIDTH, score_axis, score_scale

__all__ = ["front_blocks", "price_table", "yield_chart"]

_ASKED: Final = (0.5, 0.8, 0.9, 0.95, 0.99)
"""Yields that the table names the nearest design for."""
_GOOD_YIELD: Final = 0.9
_MOST_POINTS: Final = 1500
_MOST_PANELS: Final = 6
_SEED: Final = 20
_KEPT: Final = "nothing: all are good"
_RATINGS: Final = "a rating"
_PICK: Final = "the pick"


def front_blocks(
    yields: FrontYields,
    front: pd.DataFrame,
    given_up: FloatArray,
    *,
    pick: int,
    free: Sequence[str],
    parts: Sequence[str],
) -> list[Block]:
    """Return words, chart and table on the yield of every design of a front.

    Parameters
    ----------
    yields :
        Of the designs, in the order of ``front``.
    front :
        One row a design: ``candidate``, and a column for each part and score.
    given_up :
        What each design gives up in whatever it does worst, as a fraction of the front's span.
    pick :
        Row of the pick.
    free :
        Scores that span the front.
    parts :
        Fields of Stage that vary.
    """
    return [
        Prose(_words(yields, pick)),
        *_better(yields, front, given_up, pick),
        Figure(
            "tolerance-front",
            yield_chart(yields, front, pick, free),
            "Yield of every design on the front over its nominal scores; colour: what most of its "
            "built stages miss. The pick is the diamond."
            + (
                f" Drawn: {_MOST_POINTS} of them, taken at random, and the pick."
                if len(front) > _MOST_POINTS
                else ""
            ),
        ),
        price_table(yields, front, given_up, pick=pick, free=free, parts=parts),
    ]


def _words(yields: FrontYields, pick: int) -> list[str]:
    count = len(yields.good)
    full = counted(yields.wanted)
    best = float(yields.good.max())
    reached = [
        f"{counted(int(np.count_nonzero(yields.good >= share)))} of {_percent(share)}"
        for share in _ASKED
        if share <= best
    ]
    words = [
        f"Yields of the whole front, {counted(count)} designs: "
        + (f"{', '.join(reached)} or more; " if reached else "")
        + f"the pick stands at {_percent(yields.good[pick])}, the best at {_percent(best)}. Yields "
        "and bands of all are in front.csv, in the columns that begin with built_."
    ]
    through = int(np.count_nonzero(yields.through_point))
    served = int(np.count_nonzero(yields.by_surface))
    plain = served - through
    if served:
        wrong = yields.wrongly_good + yields.wrongly_bad
        text = f"Designs were built {full} times each, in {number(yields.seconds, 2)} s. "
        if plain:
            solved = yields.solved[yields.by_surface & ~yields.through_point]
            text += (
                f"Of {counted(plain)} of them {counted(int(solved.min()))} builds were solved and "
                "the rest read off a response surface of second order in all spreads together (Box "
                "and Wilson, J. Royal Statistical Society B 13, 1951), one for each design; its "
                "largest r.m.s. error in any score is "
                f"{number(100 * max(yields.misfit.values(), default=0.0), 2)}{SPACE}% of that "
                "score's own spread. "
            )
        if through:
            solved = yields.solved[yields.through_point]
            text += (
                f"{'Of a further' if plain else 'Of'} {counted(through)}, which draws drive "
                f"through a bend of the valve, {counted(int(solved.min()))} builds were solved, "
                "of the others the operating point alone, and the rest read off a surface in "
                "spreads and operating point together; it moves no percentile of the builds that "
                "it was held against by more than "
                f"{number(100 * yields.percentile_error, 2)}{SPACE}% of a score's spread. "
            )
        words.append(
            f"{text}Of {counted(yields.checked)} solved builds that no surface had seen, "
            f"{counted(wrong)} ({number(100 * wrong / max(yields.checked, 1), 2)}{SPACE}%) fell on "
            "the other side of a limit than their surface says, "
            f"{counted(yields.wrongly_good)} of them bad ones that it calls good."
        )
    short = int(np.count_nonzero(yields.short))
    refused = int(np.count_nonzero(yields.refused)) - short
    whole = count - served - short
    if whole:
        words.append(
            f"All {full} builds were solved of {counted(whole)} designs: those in the table above"
            + (
                f", and {counted(refused)} that no surface follows closely enough"
                if refused
                else ""
            )
            + "."
        )
    if short:
        few = counted(int(yields.draws.min()))
        error = 100 * 1.96 * np.sqrt(0.25 / yields.draws.min())
        words.append(
            f"No surface follows {counted(short)} further design{'s' if short > 1 else ''}, and to "
            f"solve all their builds would take minutes: they stand on {few} solved builds each, "
            f"which leaves a yield uncertain by up to {number(error, 2)} points (95{SPACE}%)."
        )
    return words


def _better(
    yields: FrontYields, front: pd.DataFrame, given_up: FloatArray, pick: int
) -> list[Block]:
    """Return a finding where a design that builds well gives up hardly more than the pick."""
    enough = yields.good >= _GOOD_YIELD
    if enough[pick] or not np.any(enough):
        return []
    row = int(np.argmin(np.where(enough, given_up, np.inf)))
    return [
        Note(
            f"Candidate {front['candidate'].iloc[row]} has a yield of {_percent(yields.good[row])} "
            f"against the pick's {_percent(yields.good[pick])}, and gives up "
            f"{_percent(round(float(given_up[row]), 2))} of the front's span in what it does "
            f"worst, against {_percent(round(float(given_up[pick]), 2))}.",
            "finding",
        )
    ]


def _percent(share: float) -> str:
    return f"{number(round(100 * float(share), 1))}{SPACE}%"


def _misses(yields: FrontYields) -> list[str]:
    """Return for each design what most of its built stages miss, in words."""
    names = [*(score_label(name) for name in yields.kept), _RATINGS]
    kept = np.stack([*yields.kept.values(), yields.ratings_kept])
    worst = np.argmin(kept, axis=0)
    return [
        _KEPT if least >= 1 else names[at]
        for at, least in zip(worst, kept.min(axis=0), strict=True)
    ]


def yield_chart(
    yields: FrontYields, front: pd.DataFrame, pick: int, free: Sequence[str]
) -> alt.ConcatChart:
    """Return the yield of every design over each score that spans the front."""
    frame = pd.DataFrame(
        {
            "candidate": front["candidate"],
            "yield": 100.0 * yields.good,
            "missed": _misses(yields),
            "which": ["others"] * len(front),
            **{name: front[name].to_numpy(float) for name in free},
        }
    )
    frame.loc[pick, "which"] = _PICK
    if len(frame) > _MOST_POINTS:
        drawn = frame.drop(index=pick).sample(_MOST_POINTS, random_state=_SEED)
        frame = pd.concat([drawn.sort_index(), frame.loc[[pick]]])
    missed = sorted(set(frame["missed"]), key=lambda words: (words == _KEPT, words))
    hues = [hue for name, hue in ACCENTS.items() if name != "teal"]
    colour = alt.Color(
        "missed:N",
        title="most missed",
        scale=alt.Scale(
            domain=missed,
            range=[
                ACCENTS["teal"] if words == _KEPT else hues[at % len(hues)]
                for at, words in enumerate(missed)
            ],
        ),
        # In a column, long names of scores are cut short.
        legend=alt.Legend(orient="top", direction="horizontal", labelLimit=260),
    )
    shown = list(free)[:_MOST_PANELS]
    across = min(3, len(shown))
    width = PAGE_WIDTH // across - 90
    base = alt.Chart(frame)
    panels = []
    for at, name in enumerate(shown):
        values = frame[name].to_numpy()
        x = alt.X(
            f"{name}:Q",
            title=score_label(name, with_unit=True),
            scale=score_scale(values),
            axis=score_axis(name),
        )
        y = alt.Y(
            "yield:Q",
            title="yield (%)" if at % across == 0 else None,
            scale=alt.Scale(domain=[0, 100]),
        )
        tips = [
            "candidate:N",
            alt.Tooltip("yield:Q", title="yield (%)", format=".1f"),
            alt.Tooltip("missed:N", title="most missed"),
            alt.Tooltip(f"{name}:Q", title=score_label(name, with_unit=True), format=".4g"),
        ]
        others: alt.Chart = base.transform_filter(f"datum.which != '{_PICK}'")
        chosen: alt.Chart = base.transform_filter(f"datum.which == '{_PICK}'")
        panels.append(
            alt.LayerChart(
                layer=[
                    others.mark_point(size=16, opacity=0.65).encode(
                        x=x, y=y, color=colour, tooltip=tips
                    ),
                    chosen.mark_point(
                        size=190, shape="diamond", filled=True, opacity=1, stroke="white", color=INK
                    ).encode(x=x, y=y, tooltip=tips),
                ],
                width=width,
                height=200,
            )
        )
    best = int(np.argmax(yields.good))
    chart: alt.ConcatChart = alt.concat(
        *panels,
        columns=across,
        spacing=16,
        description=(
            f"Yield of {len(front)} designs over "
            + ", ".join(score_label(name) for name in shown)
            + f": the pick {_percent(yields.good[pick])}, the best {_percent(yields.good[best])} "
            f"(candidate {front['candidate'].iloc[best]})."
        ),
    )
    return chart


def price_table(
    yields: FrontYields,
    front: pd.DataFrame,
    given_up: FloatArray,
    *,
    pick: int,
    free: Sequence[str],
    parts: Sequence[str],
) -> Table:
    """Return the pick, and for each yield asked the design that gives up least to have it."""
    best = int(np.argmax(yields.good))
    rows: list[tuple[str, int]] = [(_PICK, pick)]
    for share in _ASKED:
        enough = yields.good >= share
        if yields.good[pick] >= share or not np.any(enough):
            continue
        rows.append((f"{_percent(share)} or more", int(np.argmin(np.where(enough, given_up, 2.0)))))
    if yields.good[best] > yields.good[pick]:
        rows.append(("the highest", best))
    at = [row for _, row in rows]
    columns: dict[str, list[str]] = {
        "yield asked": [words for words, _ in rows],
        "candidate": [str(front["candidate"].iloc[row]) for row in at],
        "yield (%)": [fixed(100 * yields.good[row], 1) for row in at],
        "given up at worst (%)": [fixed(100 * given_up[row], 0) for row in at],
    }
    for name in free:
        unit = score_unit(name)
        heading = score_label(name, with_unit=not prefixed(unit))
        columns[heading] = column(front[name].to_numpy(float)[at], unit)
    for name in parts:
        columns[field_label(name)] = [part_value(name, front[name].iloc[row]) for row in at]
    return Table(
        pd.DataFrame(columns),
        "What yield costs: for each yield asked, the design that gives up least of the front's "
        "span in whatever it does worst, with its nominal scores and its parts.",
        {0: "pick"},
    )
