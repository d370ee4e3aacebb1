"""What yield costs: the part of the tolerance section on the whole front."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from objectives.arrays import FloatArray
from objectives.format import (
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
from objectives.tolerance.front_yields import FrontYields
from reports.charts.yields import _ASKED, _MOST_POINTS, _PICK, _better, _percent, yield_chart
from reports.model import Block, Figure, Prose, Table

__all__ = ["front_blocks", "price_table"]


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
