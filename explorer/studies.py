"""The studies of the pick that go into the report: large signals, radio, damping, tolerances."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from explorer.exploration import Exploration
from explorer.tolerance import tolerance_study
from objectives.drive_study import drive_study
from objectives.large_scores import headroom_of
from objectives.scores import REGISTRY, Assessment
from objectives.tolerance import ToleranceStudy
from reports import radio_section, sound_section, stability_section, tolerance_section
from reports.contents import Section
from reports.sound import WavFile, write_wavs

__all__ = ["studies"]

Say = Callable[[str], None]


def studies(ex: Exploration, folder: Path, say: Say | None = None) -> tuple[Section, ...]:
    """Return the further sections of a report on a feasible exploration.

    Parameters
    ----------
    folder :
        Where files that belong to a section (sound) are written.
    say :
        Called with what is being worked on.
    """
    if not ex.feasible:
        return ()
    tell = say or (lambda _: None)
    front = ex.front
    pick = ex.problem.assess({n: a[ex.readable[:1]] for n, a in front.parts.items()})
    found = [_signal(ex, pick, folder, tell)]
    tell("radio at the grid")
    found.append(radio_section.section(pick))
    tell("damping")
    found.append(stability_section.section(pick))
    if ex.posed.brief.tolerance.study and pick.targets.tolerance is not None:
        tell("tolerances")
        found.append(tolerance_section.section(_tolerances(ex)))
    return tuple(found)


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


def _tolerances(ex: Exploration) -> ToleranceStudy:
    shown = ex.front.take(ex.readable)
    designs: Assessment = ex.problem.assess(shown.parts)
    setup = designs.targets.tolerance
    assert setup is not None
    # A study of ten thousand builds has no time for a solution in time of each, nor a use for
    # how far a drawn value lies from a series.
    names = [
        name
        for name in ex.problem.searched_names
        if not REGISTRY[name].costly and not name.startswith("series_departure")
    ]
    return tolerance_study(designs, [str(row + 1) for row in ex.readable], setup, names)
