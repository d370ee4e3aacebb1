"""The studies of the pick that go into the report: large signals, radio, damping, tolerances."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from explorer.exploration import Exploration
from objectives.assessment import Assessment
from objectives.scores.registry import REGISTRY
from objectives.tolerance.front_yields import FrontYields, front_yields
from objectives.tolerance.results import ToleranceStudy
from objectives.tolerance.study import tolerance_study
from objectives.transient.large_signal_study import large_signal_study
from reports.model import Block, Section
from reports.sections.drive import drive_section, headroom_table
from reports.sections.stability import stability_section
from reports.sections.tolerance import tolerance_section
from reports.sections.yields import front_blocks
from reports.sound import WavFile, write_wavs

__all__ = ["Studies", "studies", "yield_columns"]

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
    tell("damping")
    found.append(stability_section(pick))
    stated = ex.posed.brief.tolerance
    if not stated.study or pick.targets.tolerance is None:
        return Studies(tuple(found))
    tell("tolerances")
    study = _tolerances(ex)
    yields = _front_yields(ex, study, tell) if stated.front else None
    blocks: list[Block] = []
    if yields is not None:
        blocks = front_blocks(
            yields,
            ex.frame(),
            ex.scale(front.losses).max(axis=1),
            pick=ex.pick,
            free=[f.name for f in ex.problem.free],
            parts=[c.part for c in ex.problem.choices],
        )
    found.append(tolerance_section(study, blocks))
    return Studies(tuple(found), None if yields is None else yield_columns(yields))


def _signal(ex: Exploration, pick: Assessment, folder: Path, tell: Say) -> Section:
    """Return the section on large signals: under the brief's drive, or headroom alone."""
    if pick.targets.drive is None:
        return Section(
            "headroom",
            "Headroom",
            [headroom_table(pick.headroom, pick.device.terms)],
            native=True,
        )
    tell("the stage under its drive")
    study = large_signal_study(pick)
    wavs: tuple[WavFile, ...] = ()
    stated = ex.posed.brief.drive
    if stated is not None and stated.sound:
        tell("sound")
        wavs = write_wavs(study, folder / "sound")
    return drive_section(pick, study=study, wavs=wavs)


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


def yield_columns(yields: FrontYields) -> pd.DataFrame:
    """Return yield, bands and built stages, one row a design, for a table of the front."""
    columns: dict[str, object] = {"built_yield_percent": 100.0 * yields.good}
    for name, band in yields.bands.items():
        for percentile, value in zip(yields.percentiles, band, strict=True):
            columns[f"built_{name}_p{percentile:g}"] = value
    columns |= {"built_stages": yields.draws, "built_stages_solved": yields.solved}
    return pd.DataFrame(columns)
