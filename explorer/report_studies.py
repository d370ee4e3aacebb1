"""Runs the studies that a report needs beyond the scores: large signals, sound, tolerances."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import Any, Final, NamedTuple

import numpy as np
from joblib import delayed

from explorer.achievement import spread_out
from explorer.evaluation import Parts
from explorer.exploration import Exploration
from explorer.problem import Problem
from explorer.report_reasons import pick_reasons
from explorer.report_swaps import swaps
from explorer.workers import results_of, workers
from objectives.arrays import IntArray
from objectives.assessment import Assessment
from objectives.scores.registry import REGISTRY
from objectives.tolerance.front_yields import FrontYields, front_yields
from objectives.tolerance.results import ToleranceStudy
from objectives.tolerance.setup import ToleranceSetup
from objectives.tolerance.study import tolerance_study
from reports.model import PickStudies
from reports.sound import under_drive

Tell = Callable[[str], None]

_DRIVE_S, _TOLERANCE_S, _YIELD_S = 4.0, 2.0, 0.006
"""What a piece of work takes one process, about; a yield is of one design of the front."""

_DRAWING_S: Final = 4.0
"""The same of the charts, which those processes draw in the end."""

_MOST_YIELDS: Final = 256
"""Designs of a front whose yields are worked out. So many leave no design of the shipped briefs'
fronts farther than 0.7 noticeable steps, in any free score, from one of them."""

_SHARE: Final = 64
"""Those of them that are a piece of work."""


class _Piece(NamedTuple):
    """A piece of work that needs nothing of the others, nor of this house: it loads no brief."""

    kind: str
    what: str
    seconds: float
    run: Callable[[], Any]


class _Studied(NamedTuple):
    """Designs shown that are built as the pick is: their rows of the front, and what is drawn."""

    rows: IntArray
    designs: Assessment
    setup: ToleranceSetup


def pick_studies(ex: Exploration, folder: Path, tell: Tell = lambda _: None) -> PickStudies | None:
    """Return the studies of a feasible exploration; None where nothing is feasible.

    Parameters
    ----------
    folder :
        Where sound files are written.
    tell :
        Called with what is being worked on.
    """
    if not ex.feasible:
        return None
    with studying(ex, folder) as studied:
        return studied(tell)


@contextmanager
def studying(ex: Exploration, folder: Path) -> Iterator[Callable[[Tell], PickStudies]]:
    """Let the studies of a feasible exploration be worked out while this process does other things.

    Where they take long, other processes work them out, and come to the same. Yields what waits for
    them; ``folder`` and what it is called with are as of :func:`pick_studies`.
    """
    brief, pick = ex.formulation.brief, ex.problem.assess(ex.pick_parts)
    studied = _studied(ex) if brief.tolerance.study and pick.targets.tolerance is not None else None
    of_front = studied if brief.tolerance.front else None
    rows, within_steps = _built(ex)
    shares = [] if of_front is None else list(_shares(ex, of_front, rows))
    pieces = [*_of_pick(ex, pick, folder, studied), *(piece for _, piece in shares)]

    def collected(tell: Tell) -> PickStudies:
        # First what nobody else works out: they need the time.
        tell("other devices in its place")
        others = swaps(brief, ex.problem, ex.pick_parts)
        tell("what speaks for each value")
        reasons = pick_reasons(ex)
        done: dict[str, list[Any]] = defaultdict(list)
        for piece in pieces:
            tell(piece.what)
            done[piece.kind].append(next(results))
        next(results, None)  # with which the processes are free for other work
        ((drive, wavs),) = done["drive"] or [(None, ())]
        (tolerance,) = done["tolerance"] or [None]
        yields: FrontYields | None = None
        if of_front is not None:
            own = [(at, share) for (at, _), share in zip(shares, done["yields"], strict=True)]
            yields = _joined(rows, own, of_front, tolerance)
            yields.within_steps = within_steps
        return PickStudies(drive, wavs, tolerance, yields, others, reasons)

    with (
        workers("", _DRAWING_S + sum(piece.seconds for piece in pieces)),
        results_of(delayed(piece.run)() for piece in pieces) as results,
    ):
        yield collected


def _of_pick(
    ex: Exploration, pick: Assessment, folder: Path, studied: _Studied | None
) -> Iterator[_Piece]:
    """Yield what is about the pick and the designs shown, what takes longest first."""
    brief = ex.formulation.brief
    if pick.targets.drive is not None:
        sound = folder / "sound" if brief.drive is not None and brief.drive.sound else None
        drive = partial(under_drive, pick, sound)
        yield _Piece("drive", "the stage under its drive, and sound", _DRIVE_S, drive)
    if studied is not None:
        study = partial(
            tolerance_study,
            studied.designs,
            [str(row + 1) for row in studied.rows],
            studied.setup,
            _drawn_names(ex.problem),
            slow=_slow_names(ex.problem, studied.designs),
        )
        yield _Piece("tolerance", "tolerances", _TOLERANCE_S, study)


def stage_tolerances(problem: Problem, parts: Parts) -> ToleranceStudy:
    """Study the builds of one stage; its problem must state tolerances."""
    ((_, own, some),) = problem.by_tolerance(parts)
    stage, setup = own.assess(some), own.targets.tolerance
    assert setup is not None
    slow = _slow_names(problem, stage)
    return tolerance_study(stage, ["this stage"], setup, _drawn_names(problem), slow=slow)


def _slow_names(problem: Problem, designs: Assessment) -> list[str]:
    # Designs with drivers of their own have no drive in common.
    driven = designs.targets.drive is not None
    return [n for n in problem.score_names if driven and "drive" in REGISTRY[n].requires]


def _drawn_names(problem: Problem) -> list[str]:
    # A study of ten thousand builds has no time for a solution in time of each, nor a use for
    # how far a drawn value lies from a series.
    return [
        name
        for name in problem.searched_names
        if not (REGISTRY[name].slow or REGISTRY[name].of_bought_parts)
    ]


def _studied(ex: Exploration) -> _Studied:
    """Return the designs shown, of several devices and tolerances those with the pick's."""
    shown = ex.front.take(ex.representatives).parts
    groups = ex.problem.by_tolerance(shown)
    rows, problem, own = next(group for group in groups if 0 in group[0])
    setup = problem.targets.tolerance
    assert setup is not None
    return _Studied(ex.representatives[rows], problem.assess(own), setup)


def _built(ex: Exploration) -> tuple[IntArray, float]:
    """Return rows of the front whose yields are worked out, ascending.

    The number says how far, in noticeable steps, the farthest design is from one of them.
    """
    if ex.decision is None or len(ex.front) <= _MOST_YIELDS:
        return np.arange(len(ex.front)), 0.0
    rows, within_steps = spread_out(ex.decision.steps, ex.representatives, _MOST_YIELDS)
    return np.sort(rows), within_steps


def _shares(
    ex: Exploration, studied: _Studied, built: IntArray
) -> Iterator[tuple[IntArray, _Piece]]:
    """Yield which of some rows of the front are a piece of work, and that piece."""
    for at, problem, own in ex.problem.by_tolerance(ex.front.take(built).parts):
        setup, to_do = problem.targets.tolerance, np.arange(len(at))
        if np.isin(studied.rows, built[at]).all():
            # The draws of a group that holds the study's designs are those of the study.
            setup, to_do = studied.setup, np.flatnonzero(~np.isin(built[at], studied.rows))
        assert setup is not None
        count = math.ceil(len(to_do) / _SHARE)
        for first in range(count):
            some = to_do[first::count]
            designs = problem.assess({name: values[some] for name, values in own.items()})
            run = partial(front_yields, designs, setup, _drawn_names(ex.problem))
            what = f"tolerances of the front: {len(built):,} designs"
            yield at[some], _Piece("yields", what, _YIELD_S * len(some), run)


def _joined(
    rows: IntArray,
    shares: list[tuple[IntArray, FrontYields]],
    studied: _Studied,
    study: ToleranceStudy,
) -> FrontYields:
    """Return the yields of some rows of the front; shares say which of these they are of."""
    draws = shares[0][1].wanted if shares else study.draws
    whole = FrontYields.blank(rows, draws, study.scores, tuple(studied.setup.windows))
    left = np.ones(len(rows), bool)
    for at, share in shares:
        whole.enter(at, share)
        left[at] = False
    if left.any():
        whole.take_over(np.searchsorted(rows, studied.rows), study)
    return whole
