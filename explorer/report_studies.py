"""What a report tells of the pick and its front beyond their scores: large signals and yields."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from explorer.exploration import Exploration
from objectives.scores.registry import REGISTRY
from objectives.tolerance.front_yields import FrontYields, front_yields
from objectives.tolerance.results import ToleranceStudy
from objectives.tolerance.study import tolerance_study
from objectives.transient.large_signal_study import LargeSignalStudy, large_signal_study
from reports.model import PickStudies
from reports.sound import WavFile, write_wavs

__all__ = ["pick_studies"]

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
    return PickStudies(drive, wavs, tolerance, yields)


def _drawn_names(ex: Exploration) -> list[str]:
    # A study of ten thousand builds has no time for a solution in time of each, nor a use for
    # how far a drawn value lies from a series.
    return [
        name
        for name in ex.problem.searched_names
        if not (REGISTRY[name].slow or REGISTRY[name].of_bought_parts)
    ]


def _tolerances(ex: Exploration) -> ToleranceStudy:
    shown = ex.front.take(ex.representatives).parts
    designs, setup = ex.problem.assess(shown), ex.problem.tolerance_of(shown)
    assert setup is not None
    asked = (*ex.problem.searched_names, *ex.problem.shown)
    return tolerance_study(
        designs,
        [str(row + 1) for row in ex.representatives],
        setup,
        _drawn_names(ex),
        # Designs with drivers of their own have no drive in common.
        slow=[
            name
            for name in dict.fromkeys(asked)
            if "drive" in REGISTRY[name].requires and designs.targets.drive is not None
        ],
    )


def _front_yields(ex: Exploration, shown: ToleranceStudy, tell: Tell) -> FrontYields:
    designs = ex.problem.assess(ex.front.parts)

    def report(done: int, total: int) -> None:
        tell(f"tolerances of the front: {done:,} of {total:,} designs")

    return front_yields(
        designs, shown.setup, _drawn_names(ex), known=(ex.representatives, shown), report=report
    )
