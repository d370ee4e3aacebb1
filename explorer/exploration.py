"""One exploration, from the problem to a front with its readable set, its knee and its pick."""

from __future__ import annotations

import html
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Literal, NamedTuple

import numpy as np
import pandas as pd

from explorer.formulation import Formulation
from explorer.front import READABLE, Scale, extremes, knee, pick, represent
from explorer.problem import Evaluation, FreeScore, Problem
from explorer.search import Found, Report, constant_scores, enumerate_front, search
from explorer.settings import Settings
from objectives.arrays import FloatArray, IntArray
from objectives.format import column, field_label, part_value, score_label, score_unit

__all__ = ["Exploration", "Mark", "Method", "enumerable", "explore"]

_TRACE_POINTS = 20
_COSTLY_EXACT = 2000
"""With a costly score, spaces up to this size are still enumerated."""


Method = Literal["auto", "search", "exact"]


class Mark(NamedTuple):
    """Why a design stands out."""

    kind: Literal["pick", "nearest", "knee", "best"]
    score: str = ""
    """The score that it is best in."""


@dataclass(frozen=True)
class Exploration:
    """A finished exploration."""

    posed: Formulation
    problem: Problem
    """The problem that was searched: the brief's, less the scores that are constant."""
    constants: Mapping[str, float]
    """Free scores of the brief with one value over the whole space."""
    front: Evaluation
    """The front, most balanced first; when nothing is feasible, the nearest candidates."""
    feasible: bool
    readable: IntArray
    """Rows of ``front`` that are shown, the pick first."""
    marks: Mapping[int, tuple[Mark, ...]]
    """Rows of ``front`` to why they stand out."""
    exact: Found | None
    searched: Found | None
    search_share: float | None
    """Hypervolume that the search found as a share of the exact front's; None without both."""
    hypervolume: float
    """Of the front, on the scale where it spans 0 to 1 in every score, up to 1.1."""
    interrupted: bool
    best: FloatArray = field(default_factory=lambda: np.empty(0))
    worst: FloatArray = field(default_factory=lambda: np.empty(0))

    @property
    def source(self) -> Found:
        """The enumeration or search that the front comes from."""
        found = self.exact if self.exact is not None else self.searched
        assert found is not None  # explore() always runs one of the two
        return found

    @property
    def pick(self) -> int:
        """Row of the pick in ``front``."""
        return int(self.readable[0])

    @property
    def trace(self) -> list[tuple[int, float]]:
        """Evaluations and hypervolume of the search as it went on, on the front's own scale."""
        fronts = self.searched.fronts if self.searched is not None and self.feasible else []
        # The hypervolume of thousands of rows takes a noticeable part of a second.
        step = max(1, len(fronts) // _TRACE_POINTS)
        some = [*fronts[:-1:step], *fronts[-1:]]
        return [(done, self.scale.hypervolume(losses)) for done, losses in some]

    @property
    def scale(self) -> Scale:
        """Scale on which the front spans 0..1 in every free score."""
        return Scale(self.best, self.worst)

    def frame(self) -> pd.DataFrame:
        """Return the whole front: candidate number from 1, parts (SI), scores, losses."""
        front = self.front
        columns: dict[str, object] = {"candidate": np.arange(1, len(front) + 1)}
        columns |= dict(front.parts) | dict(front.scores)
        for free in self.problem.free:
            if free.use == "near":
                loss = self.problem.free.index(free)
                columns[f"{free.name}_from_target"] = front.losses[:, loss]
        columns["limits_broken"] = front.broken
        return pd.DataFrame(columns)

    def _repr_html_(self) -> str:
        """Return the designs that represent the front as a notebook shows them, the pick first."""
        rows, terms = self.frame().iloc[self.readable], self.problem.device.terms
        columns: dict[str, object] = {"no.": rows["candidate"]}
        for choice in self.problem.choices:
            values = [part_value(choice.part, v) for v in rows[choice.part]]
            columns[field_label(choice.part, terms=terms)] = values
        for free in self.problem.free:
            heading = score_label(free.name, with_unit=True)
            columns[heading] = column(rows[free.name], score_unit(free.name))
        columns["mark"] = [
            ", ".join(
                f"best {score_label(mark.score)}" if mark.score else mark.kind
                for mark in self.marks.get(int(row), ())
            )
            for row in self.readable
        ]
        table = pd.DataFrame(columns).to_html(index=False)
        what = "Front" if self.feasible else "Nearest candidates: none keeps every limit"
        title = html.escape(self.posed.brief.title)
        return f"<p><strong>{title}</strong>. {what}; {len(rows)} of {len(self.front)}.</p>{table}"


def explore(
    posed: Formulation, settings: Settings, *, method: Method = "auto", exact_up_to: int = 200_000,
    report: Report | None = None,
) -> Exploration:  # fmt: skip
    """Search the problem, enumerate it too where it is small enough, and read the front.

    Parameters
    ----------
    method :
        "auto" searches, and enumerates as well when the space has at most ``exact_up_to``
        candidates; the report is then of the exact front and says how much of it the search had
        found. "search" and "exact" do one of the two.
    report :
        Called with the progress after each batch.

    Raises
    ------
    ValueError
        If "exact" is asked for and a part is continuous, or the storage cannot be opened.
    """
    problem, constants = _without_constants(posed.problem, settings.seed)
    if method == "exact" and not np.isfinite(problem.size):
        raise ValueError("method: 'exact': must be 'auto' or 'search' where a part is continuous")
    searched = search(problem, settings, report) if method != "exact" else None
    wanted = method == "exact" or (method == "auto" and enumerable(problem, exact_up_to))
    stopped = searched is not None and searched.interrupted
    exact = enumerate_front(problem, settings.seed, report) if wanted and not stopped else None
    if exact is not None and exact.interrupted and searched is not None:
        # Half an enumeration is not exact, and the search has seen the whole space.
        exact, stopped = None, True
    found = exact if exact is not None else searched
    assert found is not None
    feasible = len(found.front) > 0
    front = found.front if feasible else found.nearest
    if feasible:
        scale = Scale.of(front.losses)
        front = front.take(np.argsort(scale(front.losses).sum(axis=1), kind="stable"))
        readable, marks = _read(front, problem.free)
        volume = scale.hypervolume(front.losses)
        share = (
            min(scale.hypervolume(searched.front.losses) / volume, 1.0)  # but for rounding
            if exact is not None and searched is not None and volume > 0
            else None
        )
        best, worst = scale.best, scale.worst
    else:
        readable = np.arange(len(front))
        marks = {0: (Mark("nearest"),)} if len(front) else {}
        volume, share = 0.0, None
        best = worst = np.zeros(len(problem.free))
    return Exploration(
        posed=posed,
        problem=problem,
        constants=constants,
        front=problem.show(front, readable),
        feasible=feasible,
        readable=readable,
        marks=marks,
        exact=exact,
        searched=searched,
        search_share=share,
        hypervolume=volume,
        interrupted=stopped or (exact is not None and exact.interrupted),
        best=best,
        worst=worst,
    )


def enumerable(problem: Problem, exact_up_to: int) -> bool:
    """Return whether a space is small enough that "auto" works all of it out.

    A costly score (one that takes a solution in time) makes a large space a matter of hours.
    """
    return problem.size <= (min(exact_up_to, _COSTLY_EXACT) if problem.costly else exact_up_to)


def _without_constants(problem: Problem, seed: int) -> tuple[Problem, dict[str, float]]:
    """Return the problem without the free scores that do not vary, and their values.

    Should every free score be constant, the first is kept: there must be something to rank by.
    """
    constants = constant_scores(problem, seed)
    if len(constants) == len(problem.free):
        constants.pop(problem.free[0].name)
    free = tuple(f for f in problem.free if f.name not in constants)
    shown = (*problem.shown, *constants)
    return replace(problem, free=free, shown=shown), constants


def _read(
    front: Evaluation, free: tuple[FreeScore, ...]
) -> tuple[IntArray, dict[int, tuple[Mark, ...]]]:
    """Return the rows to show, pick first, and what is marked."""
    losses = front.losses
    marks: dict[int, list[Mark]] = {}
    marks.setdefault(pick(losses), []).append(Mark("pick"))
    marks.setdefault(knee(losses), []).append(Mark("knee"))
    for score, row in zip(free, extremes(losses), strict=True):
        marks.setdefault(int(row), []).append(Mark("best", score.name))
    rows = represent(losses, READABLE, always=marks)
    first = pick(losses)
    rest = np.sort(rows[rows != first])
    return np.concatenate([[first], rest]).astype(np.intp), {
        row: tuple(marked) for row, marked in marks.items()
    }
