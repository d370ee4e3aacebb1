"""Runs the studies that a report needs beyond the scores: large signals, sound, tolerances."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np

from explorer.evaluation import Parts
from explorer.exploration import Exploration
from explorer.problem import Problem
from explorer.report_reasons import pick_reasons
from explorer.report_swaps import swaps
from objectives.arrays import IntArray
from objectives.assessment import Assessment
from objectives.scores.registry import REGISTRY
from objectives.tolerance.front_yields import FrontYields, front_yields
from objectives.tolerance.results import ToleranceStudy
from objectives.tolerance.study import tolerance_study
from objectives.transient.large_signal_study import LargeSignalStudy, large_signal_study
from reports.model import PickStudies
from reports.sound import WavFile, write_wavs

Tell = Callable[[str], None]


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
    pick = ex.problem.assess({n: a[ex.representatives[:1]] for n, a in ex.front.parts.items()})
    brief = ex.formulation.brief
    drive: LargeSignalStudy | None = None
    wavs: tuple[WavFile, ...] = ()
    if pick.targets.drive is not None:
        tell("the stage under its drive")
        drive = large_signal_study(pick)
        if brief.drive is not None and brief.drive.sound:
            tell("sound")
            wavs = write_wavs(drive, folder / "sound")
    tolerance: ToleranceStudy | None = None
    yields: FrontYields | None = None
    if brief.tolerance.study and pick.targets.tolerance is not None:
        tell("tolerances")
        tolerance = _tolerances(ex)
        yields = _front_yields(ex, tolerance, tell) if brief.tolerance.front else None
    tell("other devices in its place")
    others = swaps(brief, ex.problem, ex.pick_parts)
    tell("what speaks for each value")
    return PickStudies(drive, wavs, tolerance, yields, others, pick_reasons(ex))


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


def _tolerances(ex: Exploration) -> ToleranceStudy:
    """Study the designs shown, of several devices and tolerances those with the pick's."""
    shown = ex.front.take(ex.representatives).parts
    groups = ex.problem.by_tolerance(shown)
    rows, problem, own = next(group for group in groups if 0 in group[0])
    designs, setup = problem.assess(own), problem.targets.tolerance
    assert setup is not None
    return tolerance_study(
        designs,
        [str(row + 1) for row in ex.representatives[rows]],
        setup,
        _drawn_names(ex.problem),
        slow=_slow_names(ex.problem, designs),
    )


def _front_yields(ex: Exploration, shown: ToleranceStudy, tell: Tell) -> FrontYields:
    total, names = len(ex.front), _drawn_names(ex.problem)
    studied = np.array([int(candidate) - 1 for candidate in shown.candidates])
    groups = []
    for rows, problem, own in ex.problem.by_tolerance(ex.front.parts):
        known = _known(rows, studied, shown)
        # The draws of a group that holds the study's designs are those of the study.
        setup = problem.targets.tolerance if known is None else shown.setup
        assert setup is not None
        yields = front_yields(
            problem.assess(own), setup, names, known=known,
            report=lambda done, of: tell(f"tolerances of the front: {done:,} of {of:,} designs"),
        )  # fmt: skip
        groups.append((rows, yields))
    if len(groups) == 1:
        return groups[0][1]
    windows = tuple(shown.setup.windows)
    whole = FrontYields.blank(total, groups[0][1].wanted, tuple(groups[0][1].bands), windows)
    for rows, group in groups:
        whole.enter(rows, group)
    return whole


def _known(
    rows: IntArray, studied: IntArray, shown: ToleranceStudy
) -> tuple[IntArray, ToleranceStudy] | None:
    """Return the study of the designs shown, and which of these rows they are, if of this group."""
    return (np.searchsorted(rows, studied), shown) if np.isin(studied, rows).all() else None
