"""The studies of the pick that go into the report: large signals, radio, damping, tolerances."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from explorer.exploration import Exploration
from explorer.tolerance import front_yields, tolerance_study, yield_columns
from objectives.drive_study import drive_study
from objectives.large_scores import headroom_of
from objectives.response_surface import FrontYields
from objectives.scores import REGISTRY, Assessment
from objectives.tolerance import ToleranceStudy
from reports import (
    radio_section,
    sound_section,
    stability_section,
    tolerance_section,
    yield_section,
)
from reports.contents import Block, Section
from reports.sound import WavFile, write_wavs

__all__ = ["Studies", "studies"]

Say = Callable[[str], None]


@dataclass(frozen=True)
class Studies:
    """What the studies of an exploration add to its report.

    Attributes
    ----------
    sections : further sections
    built : further columns for the table of the front, one row a design; None where there are none
    """

    sections: tuple[Section, ...] = ()
    built: pd.DataFrame | None = None


def studies(ex: Exploration, folder: Path, say: Say | None = None) -> Studies:
    """Return what the studies add to the report on a feasible exploration.

    Parameters
    ----------
    folder :
        Where files that belong to a section (sound) are written.
    say :
        Called with what is being worked on.
    """
    if not ex.feasible:
        return Studies()
    tell = say or (lambda _: None)
    front = ex.front
    pick = ex.problem.assess({n: a[ex.readable[:1]] for n, a in front.parts.items()})
    found = [_signal(ex, pick, folder, tell)]
    tell("radio at the grid")
    found.append(radio_section.section(pick))
    tell("damping")
    found.append(stability_section.section(pick))
    stated = ex.posed.brief.tolerance
    if not stated.study or pick.targets.tolerance is None:
        return Studies(tuple(found))
    tell("tolerances")
    study = _tolerances(ex)
    yields = _front_yields(ex, study, tell) if stated.front else None
    blocks: list[Block] = []
    if yields is not None:
        blocks = yield_section.front_blocks(
            yields,
            ex.frame(),
            ex.scale(front.losses).max(axis=1),
            pick=ex.pick,
            free=[f.name for f in ex.problem.free],
            parts=[c.part for c in ex.problem.choices],
        )
    found.append(tolerance_section.section(study, blocks))
    return Studies(tuple(found), None if yields is None else yield_columns(yields))


def _signal(ex: Exploration, pick: Assessment, folder: Path, tell: Say) -> Section:
    """Return the section on large signals: under the brief's drive, or headroom alone."""
    if pick.targets.drive is None:
        return Section("headroom", "Headroom", [sound_section.headroom_table(headroom_of(pick))])
    tell("the stage under its drive")
    study = drive_study(pick)
    wavs: tuple[WavFile, ...] = ()
    stated = ex.posed.brief.drive
    if stated is not None and stated.sound:
        tell("sound")
        wavs = write_wavs(study, folder / "sound")
    return sound_section.section(pick, study=study, wavs=wavs)


def _drawn_names(ex: Exploration) -> list[str]:
    # A study of ten thousand builds has no time for a solution in time of each, nor a use for
    # how far a drawn value lies from a series.
    return [
        name
        for name in ex.problem.searched_names
        if not (REGISTRY[name].costly or REGISTRY[name].of_stock)
    ]


def _tolerances(ex: Exploration) -> ToleranceStudy:
    shown = ex.front.take(ex.readable)
    designs: Assessment = ex.problem.assess(shown.parts)
    setup = designs.targets.tolerance
    assert setup is not None
    asked = (*ex.problem.searched_names, *ex.problem.shown)
    return tolerance_study(
        designs,
        [str(row + 1) for row in ex.readable],
        setup,
        _drawn_names(ex),
        slow=[n for n in dict.fromkeys(asked) if "drive" in REGISTRY[n].requires],
    )


def _front_yields(ex: Exploration, shown: ToleranceStudy, tell: Say) -> FrontYields:
    designs: Assessment = ex.problem.assess(ex.front.parts)

    def report(done: int, total: int) -> None:
        tell(f"tolerances of the front: {done:,} of {total:,} designs")

    return front_yields(
        designs, shown.setup, _drawn_names(ex), known=(ex.readable, shown), report=report
    )
