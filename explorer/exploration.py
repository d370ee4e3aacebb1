"""One exploration: the front of a brief's problem, what represents it, and what is decided."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final, Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from explorer.achievement import distinct
from explorer.aims import FreeScore
from explorer.decision import Alternative, Decision, built_well
from explorer.designs import Design
from explorer.evaluation import Evaluation, Parts
from explorer.formulation import Formulation
from explorer.front import MAX_REPRESENTATIVES, Scale, extremes, non_dominated, represent
from explorer.probe import without_constants
from explorer.problem import Problem
from explorer.results import ProgressCallback, SearchResult
from explorer.settings import Settings
from explorer.sold import decide_of_sold
from explorer.space import seconds_to_enumerate
from explorer.stored import keep, keep_yields, kept, kept_yields
from objectives.arrays import BoolArray, IntArray
from objectives.checks import InputError, Written, did_you_mean
from objectives.format import mark_words
from objectives.scores.registry import REGISTRY

# The search loads Optuna and SQLAlchemy, half a second that a front which is kept does without: it
# is imported where one is run.

_TRACE_POINTS = 20

SEARCH_LOG: Final = "search.log"
_WORTH_STORING_S: Final = 10.0
"""A shorter enumeration is not stored as it goes on, unless a storage is stated."""

Method = Literal["auto", "search", "exact", "compare"]


class Mark(NamedTuple):
    """What distinguishes a candidate; the nearest breaks the limits least where all break some."""

    kind: Literal["pick", "recommended", "closest", "alternative", "best", "nearest"]
    score: str = ""
    """The score that it is best in: of those on target an alternative, or the closest to a target;
    of all the best."""


@dataclass(frozen=True)
class Exploration:
    """A finished exploration.

    Attributes
    ----------
    formulation : the brief and what follows from it
    problem : the problem that was searched: the brief's, less the scores that are constant
    constants : free scores of the brief with one value over the whole space
    front : the front, with the pick and its alternatives where others beat those by no more than
        their room to the limits; those on target that achieve most first. When nothing is feasible,
        the nearest candidates
    on_front : which of these are on the front
    feasible : whether any candidate keeps every limit
    decision : over ``front``; None when nothing is feasible
    representatives : rows of ``front`` that are shown, the pick first
    marks : rows of ``front`` to what distinguishes them
    exact, searched : the enumeration and the search, where they were run
    search_share : hypervolume that the search found as a share of the exact front's; None without
        both
    scale : on which the front spans 0 to 1 in every free score
    interrupted : whether Ctrl-C ended it
    settings : how it was asked for
    given : the stage that stands in place of the pick, where it is none of the front
    """

    formulation: Formulation
    problem: Problem
    constants: Mapping[str, float]
    front: Evaluation
    on_front: BoolArray
    feasible: bool
    decision: Decision | None
    representatives: IntArray
    marks: Mapping[int, tuple[Mark, ...]]
    exact: SearchResult | None
    searched: SearchResult | None
    search_share: float | None
    scale: Scale
    interrupted: bool
    settings: Settings
    given: Design | None = None

    @property
    def source(self) -> SearchResult:
        """The enumeration or search that the front comes from."""
        result = self.exact if self.exact is not None else self.searched
        assert result is not None  # explore() always runs one of the two
        return result

    @property
    def pick(self) -> int:
        """Row of the pick in ``front``."""
        return int(self.representatives[0])

    @property
    def pick_parts(self) -> Parts:
        """The parts of the pick, each of shape (1,)."""
        return self.front.take(self.representatives[:1]).parts

    @property
    def hypervolume(self) -> float:
        """Hypervolume of the front on its own scale, up to 1.1; 0 when nothing is feasible."""
        return self.scale.hypervolume(self.front.losses[self.on_front]) if self.feasible else 0.0

    @property
    def named(self) -> dict[str, int]:
        """Rows of the pick and of what stands beside it, by name: ``most-robust``."""
        if self.decision is None:
            return {}
        others = {
            mark_words(other.kind, other.score).replace(" ", "-"): other.row
            for other in self.decision.alternatives
        }
        return {"pick": self.decision.pick, **others}

    def row_of(self, name: str) -> int:
        """Return the row of a design by its number, from 1, or by its name.

        Raises
        ------
        InputError
            If the front has no such design.
        """
        if name in self.named:
            return self.named[name]
        number = int(name) if name.isascii() and name.isdecimal() and len(name) < 10 else 0
        if 1 <= number <= len(self.front):
            return number - 1
        names = ", ".join(self.named)
        allowed = f"expected a number from 1 to {len(self.front)}{', or ' + names if names else ''}"
        raise InputError("candidate", name, allowed + did_you_mean(name, self.named))

    def design(self, name: str) -> Design:
        """Return the design of that number or name; see :meth:`row_of`."""
        row = self.row_of(name)
        fields = {part: float(values[row]) for part, values in self.front.parts.items()}
        return Design.of(self.formulation.brief, fields)

    def choosing(self, row: int) -> Exploration:
        """Return the exploration with another design in place of the pick, that then beside it."""
        assert self.decision is not None
        if row == self.decision.pick:
            return self
        recommended = Alternative("recommended", "", self.decision.pick)
        yields = self.decision.yields.copy()
        if np.isnan(yields[row]):
            yields[row] = built_well(self.problem, self.front.take(np.array([row])).parts)[0]
        decision = replace(
            self.decision,
            pick=row,
            alternatives=(recommended, *self.decision.alternatives),
            yields=yields,
        )
        rows, marks = _read(self.front, self.on_front, self.problem.free, decision)
        # Slow scores are known of the rows shown so far alone.
        slow = {name for name in self.problem.shown if REGISTRY[name].slow}
        known = {name: a for name, a in self.front.scores.items() if name not in slow}
        front = self.problem.show(replace(self.front, scores=known), rows)
        return replace(self, front=front, decision=decision, representatives=rows, marks=marks)

    @property
    def trace(self) -> list[tuple[int, float]]:
        """Evaluations and hypervolume of the search as it went on, on the front's own scale."""
        fronts = self.searched.fronts if self.searched is not None and self.feasible else []
        # The hypervolume of thousands of rows takes a noticeable part of a second.
        step = max(1, len(fronts) // _TRACE_POINTS)
        some = [*fronts[:-1:step], *fronts[-1:]]
        return [(done, self.scale.hypervolume(losses)) for done, losses in some]

    def columns(self) -> dict[str, ArrayLike]:
        """Return the whole front: candidate number from 1, parts (SI), scores, losses."""
        front = self.front
        columns: dict[str, ArrayLike] = {"candidate": np.arange(1, len(front) + 1)}
        columns |= {c.part: c.shown(front.parts[c.part]) for c in self.problem.choices}
        columns |= dict(front.scores)
        for at, free in enumerate(self.problem.free):
            if free.use == "near":
                columns[f"{free.name}_from_target"] = front.losses[:, at]
        columns["limits_broken"] = front.broken
        columns["on_front"] = self.on_front
        columns["law_trusted"] = self.problem.trusted(front.parts)
        return columns


def explore(
    formulation: Formulation,
    settings: Settings,
    *,
    method: Method = "auto",
    patience_s: float = 20.0,
    folder: Path | None = None,
    keeping: bool = True,
    progress: ProgressCallback | None = None,
) -> Exploration:
    """Enumerate the problem where that takes little time, search it otherwise, and read the front.

    Parameters
    ----------
    formulation :
        The brief and its problem.
    settings :
        How the search is run.
    method :
        "exact" works every candidate out, "search" some of them; "auto" takes the first where that
        takes no longer than ``patience_s``, by a probe. "compare" searches and enumerates: the
        report is of the exact front and says how much of it the search had found.
    patience_s :
        Time (s) that an exact front may take with "auto".
    folder :
        Where a finished enumeration is kept, so that it need not be done again, and where a run
        that takes long is stored unless the settings state a storage.
    keeping :
        Whether a new one is kept; an earlier one is read all the same.
    progress :
        Called after each batch.

    Raises
    ------
    InputError
        If every part is fixed, an exact front is asked for and a part is continuous, or the storage
        cannot be opened.
    OSError
        If the storage cannot be written.
    """
    if not formulation.problem.choices:
        allowed = (
            "every part is fixed, so there is nothing to explore: expected values, series, "
            "continuous or drawer for one (stagefront assess reads such a stage)"
        )
        raise InputError("parts", Written("nothing varies"), allowed)
    asked = settings
    problem, constants = without_constants(formulation.problem, settings.seed)
    # Probed where something goes by it.
    probed = method == "auto" or (method != "search" and keeping)
    seconds = seconds_to_enumerate(problem) if probed else np.inf
    if method == "auto":
        method = "exact" if seconds <= patience_s else "search"
    if method != "search" and not np.isfinite(problem.size):
        raise InputError("method", method, "must be 'auto' or 'search' where a part is continuous")
    storing = method == "search" or (keeping and seconds > _WORTH_STORING_S)
    if folder is not None and settings.storage is None and storing:
        settings = replace(settings, storage=folder / SEARCH_LOG)
    searched = None
    if method != "exact":
        from explorer.search import search

        searched = search(problem, settings, progress)
    exact = None
    interrupted = searched is not None and searched.interrupted
    if searched is not None and searched.complete and method == "search":
        exact, searched = searched, None
        _keep_whole(problem, exact, folder if keeping else None)
    elif not interrupted and method != "search":
        exact = _enumerated(
            problem, settings, folder, keeping, progress, seconds if probed else None
        )
        interrupted = exact.interrupted
        if interrupted and searched is not None:
            exact = None  # half an enumeration is not exact, and the search has seen all the space
    result = exact if exact is not None else searched
    assert result is not None
    feasible = len(result.front) > 0
    front = result.front if feasible else result.nearest
    share, marks, decision = None, dict[int, tuple[Mark, ...]](), None
    on_front = np.zeros(len(front), dtype=bool)
    if feasible:
        scale = Scale.of(front.losses)
        known = kept_yields(problem, folder) if folder is not None else {}
        decision = decide_of_sold(problem, formulation.brief.stock, result.harvest.serious, known)
        if folder is not None and keeping and not known:
            keep_yields(problem, decision, folder)
        on_front = non_dominated(decision.candidates.losses)
        kept = on_front.copy()
        kept[[decision.pick, *(a.row for a in decision.alternatives)]] = True
        decision, on_front = decision.take(np.flatnonzero(kept)), on_front[kept]
        front = decision.candidates
        rows, marks = _read(front, on_front, problem.free, decision)
        if exact is not None and searched is not None:
            share = _share(searched, front, scale)
    else:
        scale = Scale(np.zeros(len(problem.free)), np.zeros(len(problem.free)))
        rows = np.arange(len(front))
        if len(front):
            marks[0] = (Mark("nearest"),)
    return Exploration(
        formulation=formulation,
        problem=problem,
        constants=constants,
        front=problem.show(front, rows),
        on_front=on_front,
        feasible=feasible,
        decision=decision,
        representatives=rows,
        marks=marks,
        exact=exact,
        searched=searched,
        search_share=share,
        scale=scale,
        interrupted=interrupted,
        settings=asked,
    )


def _enumerated(
    problem: Problem,
    settings: Settings,
    folder: Path | None,
    keeping: bool,
    progress: ProgressCallback | None,
    seconds: float | None,
) -> SearchResult:
    """Return the enumeration that the folder keeps, or a new one, which it then keeps."""
    earlier = kept(problem, folder) if folder is not None else None
    if earlier is not None:
        return earlier
    from explorer.search import enumerate_front

    own = settings if keeping else replace(settings, storage=None)
    exact = enumerate_front(problem, own, progress, seconds)
    _keep_whole(problem, exact, folder if keeping else None)
    return exact


def _keep_whole(problem: Problem, result: SearchResult, folder: Path | None) -> None:
    """Keep a result in a folder, if there is one, where it is of all candidates and some serve."""
    if folder is not None and result.complete and result.harvest.feasible:
        keep(problem, result, folder)


def _share(searched: SearchResult, front: Evaluation, scale: Scale) -> float | None:
    """Return the share of the exact front's hypervolume that the search found."""
    volume = scale.hypervolume(front.losses)
    # At most 1, but for rounding.
    return min(scale.hypervolume(searched.front.losses) / volume, 1.0) if volume > 0 else None


def _read(
    front: Evaluation, on_front: BoolArray, free: tuple[FreeScore, ...], decision: Decision
) -> tuple[IntArray, dict[int, tuple[Mark, ...]]]:
    """Return the rows to show, pick first, and what is marked."""
    # A given stage may be far beyond the front, which alone has ends.
    losses, picked = np.minimum(front.losses, front.losses[on_front].max(axis=0)), decision.pick
    marks: dict[int, list[Mark]] = {picked: [Mark("pick")]}
    for other in decision.alternatives:
        if other.row != picked:
            marks.setdefault(other.row, []).append(Mark(other.kind, other.score))
    ends = np.flatnonzero(on_front)[extremes(losses[on_front])]
    for score, row in zip(free, ends, strict=True):
        marks.setdefault(int(row), []).append(Mark("best", score.name))
    # Designs within a step of each other are one choice.
    some = np.union1d(distinct(decision.steps), list(marks))
    rows = some[represent(losses[some], MAX_REPRESENTATIVES, np.searchsorted(some, list(marks)))]
    rest = np.sort(rows[rows != picked])
    return np.concatenate([[picked], rest]).astype(np.intp), {
        row: tuple(marked) for row, marked in marks.items()
    }
