"""What yield costs: the part of the section on tolerance about the whole front."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
import pandas as pd

from objectives.arrays import FloatArray
from objectives.devices.terms import VALVE, Terms
from objectives.elements import ELEMENTS
from objectives.format import (
    column,
    counted,
    fixed,
    listed,
    number,
    part_value,
    percent,
    prefixed,
    score_label,
    score_unit,
)
from objectives.tolerance.front_yields import FrontYields
from reports.charts.yields import yield_chart, yield_title
from reports.layout import Block, Figure, Note, Prose, Table

_WANTED: Final = (0.5, 0.8, 0.9, 0.95, 0.99)
"""Yields that the table names the design for that gives up least."""


_GOOD_YIELD: Final = 0.9


def yield_blocks(
    yields: FrontYields,
    front: pd.DataFrame,
    given_up: FloatArray,
    *,
    pick: int,
    free: Sequence[str],
    parts: Sequence[str],
    terms: Terms = VALVE,
) -> list[Block]:
    """Return sentences, chart and table on the yields of the designs of a front that were built.

    Parameters
    ----------
    yields :
        Of the designs built.
    front :
        One row a design: ``candidate``, and a column for each part and score.
    given_up :
        The most noticeable steps that each design gives up in one score.
    pick :
        Row of the pick.
    free :
        Scores that span the front.
    parts :
        Fields of Stage that vary.
    """
    whole = len(front)
    front, given_up = front.iloc[yields.rows].reset_index(drop=True), given_up[yields.rows]
    pick = int(np.searchsorted(yields.rows, pick))
    return [
        Prose([_reached(yields, whole, pick), *_surfaces(yields), *_solved(yields, pick)]),
        *_better(yields, front, given_up, pick),
        Figure(
            "tolerance-front",
            yield_chart(yields, front, pick, free, terms),
            "Yield of every design that was built over its nominal scores. Colour: the limit that "
            "most of its built stages miss; the diamond is the pick.",
            yield_title(yields, pick),
        ),
        price_table(yields, front, given_up, pick=pick, free=free, parts=parts, terms=terms),
    ]


def _reached(yields: FrontYields, whole: int, pick: int) -> str:
    built = len(yields.good)
    which = f"Yields of the whole front, {counted(whole)} designs"
    if built < whole:
        which = (
            f"Yields of {counted(built)} of the {counted(whole)} designs of the front, so chosen "
            f"that no other is farther than {number(yields.within_steps, 2)} noticeable steps, in "
            "any score that is traded, from one of them"
        )
    best = float(yields.good.max())
    reached = ", ".join(
        f"{counted(int(np.count_nonzero(yields.good >= share)))} have {percent(share)} or more"
        for share in _WANTED
        if share <= best
    )
    return (
        f"{which}: "
        + (f"{reached}; " if reached else "")
        + f"the pick has {percent(yields.good[pick], 1)}, the best design {percent(best, 1)}. "
        f"front.csv has the yields and bands of {'all' if built == whole else 'these'}, in the "
        "columns that begin with built_."
    )


def _surfaces(yields: FrontYields) -> list[str]:
    """Return how designs were worked out by response surfaces, and how well those did."""
    plain = yields.by_surface & ~yields.through_point
    if not yields.by_surface.any():
        return []
    texts = [
        f"Each design was built {counted(yields.wanted)} times, those in the table above "
        "more often."
    ]
    if plain.any():
        misfit = max(yields.misfit.values(), default=0.0)
        texts.append(
            f"For {_count(plain)} of them {counted(int(yields.solved[plain].min()))} builds were "
            "solved, and a response surface of second order in all spreads together, one for each "
            "design, gave the rest (Box and Wilson, J. Royal Statistical Society B 13, 1951); its "
            f"largest r.m.s. error in any score is {_two(misfit)} of that score's own spread."
        )
    if yields.through_point.any():
        solved = counted(int(yields.solved[yields.through_point].min()))
        texts.append(
            f"For {'another ' if plain.any() else ''}{_count(yields.through_point)}, whose builds "
            f"cross a bend in the curves of the device, {solved} builds were solved; for the "
            "others only the operating point was, and a surface in spreads and operating point "
            "together gave the rest. Its largest error in any percentile of the builds it was "
            f"checked against is {_two(yields.percentile_error)} of a score's spread."
        )
    wrong = yields.wrongly_good + yields.wrongly_bad
    texts.append(
        f"Of {counted(yields.checked)} solved builds that a surface was held against before it was "
        f"fitted to them too, "
        f"{counted(wrong)} ({_two(wrong / max(yields.checked, 1))}) lie on the other side of a "
        f"limit than their surface predicts, {counted(yields.wrongly_good)} of them bad builds "
        "that it calls good."
    )
    return [" ".join(texts)]


def _solved(yields: FrontYields, pick: int) -> list[str]:
    """Return which designs had all their builds solved."""
    whole = ~yields.by_surface
    others = int(np.count_nonzero(whole)) - int(whole[pick])
    which = ["the pick"] if whole[pick] else []
    if others:
        which.append(f"{counted(others)} that no surface follows closely enough")
    return [f"All builds were solved for {listed(which)}."] if which else []


def _count(rows: np.ndarray) -> str:
    return counted(int(np.count_nonzero(rows)))


def _two(share: float) -> str:
    return f"{number(100 * share, 2)}\u00a0%"


def _better(
    yields: FrontYields, front: pd.DataFrame, given_up: FloatArray, pick: int
) -> list[Block]:
    """Return a finding where a design with a good yield gives up least."""
    enough = yields.good >= _GOOD_YIELD
    if enough[pick] or not np.any(enough):
        return []
    row = int(np.argmin(np.where(enough, given_up, np.inf)))
    return [
        Note(
            f"Candidate {front['candidate'].iloc[row]} has a yield of "
            f"{percent(yields.good[row], 1)} against the pick's {percent(yields.good[pick], 1)}, "
            f"and gives up {number(given_up[row], 2)} noticeable steps in its worst score, "
            f"against {number(given_up[pick], 2)}.",
            "finding",
        )
    ]


def price_table(
    yields: FrontYields,
    front: pd.DataFrame,
    given_up: FloatArray,
    *,
    pick: int,
    free: Sequence[str],
    parts: Sequence[str],
    terms: Terms = VALVE,
) -> Table:
    """Return the pick, and for each yield wanted the design that gives up least to have it."""
    best = int(np.argmax(yields.good))
    rows: list[tuple[str, int]] = [("the pick", pick)]
    for share in _WANTED:
        enough = yields.good >= share
        if yields.good[pick] >= share or not np.any(enough):
            continue
        rows.append(
            (f"{percent(share)} or more", int(np.argmin(np.where(enough, given_up, np.inf))))
        )
    if yields.good[best] > yields.good[pick]:
        rows.append(("the highest", best))
    at = [row for _, row in rows]
    columns: dict[str, list[str]] = {
        "yield wanted": [wanted for wanted, _ in rows],
        "candidate": [str(front["candidate"].iloc[row]) for row in at],
        "yield (%)": [fixed(100 * yields.good[row], 1) for row in at],
        "given up in its worst score (steps)": [fixed(given_up[row], 1) for row in at],
    }
    for name in free:
        unit = score_unit(name)
        heading = score_label(name, terms, with_unit=not prefixed(unit))
        columns[heading] = column(front[name].to_numpy(float)[at], unit)
    for name in parts:
        label = ELEMENTS[name].label_for(terms)
        columns[label] = [part_value(name, front[name].iloc[row]) for row in at]
    return Table(
        pd.DataFrame(columns),
        "What yield costs. For each yield wanted: of the designs that were built, the one that "
        "gives up fewest noticeable steps in its worst score, with its nominal scores and parts.",
        {0: "pick"},
    )
