"""All that a sheet shows of one stage, worked out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from objectives.checks import InputError
from objectives.circuit.three_connections import Connection
from objectives.format import first
from reports.charts.schematic import schematic
from reports.layout import Svg
from reports.model import StageData
from reports.sections.cautions import cautions, danger
from reports.sheet.connections import (
    comparison_words,
    follower_step,
    grounded_grid_step,
    three_connections,
)
from reports.sheet.exercises import Exercise, exercises
from reports.sheet.model import BASE, Study, study
from reports.sheet.steps import Step, Worked


@dataclass(frozen=True)
class Sheet:
    """One stage for a lecture: its derivation, its assumptions, its kin, and exercises."""

    title: str
    study: Study
    connections: Mapping[str, Connection]
    kin: Sequence[Step]
    """The same device with its grid grounded, and as a follower."""
    kin_words: str
    exercises: Sequence[Exercise]
    seed: int
    danger: str
    cautions: Sequence[str]
    circuit: Svg

    @property
    def steps(self) -> Sequence[Step]:
        """The derivation of the first estimate."""
        return self.study.cases[BASE].steps

    @property
    def worked(self) -> Worked:
        """The stage as the first estimate works it out."""
        return Worked.of(self.study.whole)


def sheet(data: StageData, seed: int) -> Sheet:
    """Work out the sheet of a stage; ``seed`` draws the numbers of the exercises.

    Raises
    ------
    InputError
        If the stage has no input corner.
    """
    whole = data.pick.single()
    worked = Worked.of(whole)
    if not first(worked.hand.resistance_ohm) > 0:
        allowed = f"must leave some resistance ahead of the {worked.terms.grid}: without any there "
        raise InputError("stopper", "none", f"{allowed}is no input corner to derive")
    three = three_connections(worked)
    return Sheet(
        data.title,
        study(whole),
        three,
        [grounded_grid_step(worked, three["grid"]), follower_step(worked, three["plate"])],
        comparison_words(worked, three),
        exercises(whole, seed),
        seed,
        danger(data),
        cautions(data),
        schematic(whole.stage, whole.device, driver=data.driver, point=whole.point),
    )
