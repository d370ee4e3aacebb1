"""What a notebook shows of an exploration and of a stage: blocks of the report, in its style."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import pandas as pd

from explorer.designs import Design
from explorer.exploration import Exploration
from explorer.report_data import report_data, stage_data
from explorer.standing import Standing, assess_design
from objectives.elements import ELEMENTS
from objectives.format import part_value, score_label, shown_name, stepped
from reports.document.display import display_html
from reports.layout import Block, Note, Section, Table
from reports.model import ReportData
from reports.sections.answer import answer, build_slot, does_slot
from reports.sections.build import document
from reports.sections.cautions import danger


@dataclass(frozen=True)
class Display:
    """A part of a report, which shows itself in a notebook.

    Attributes
    ----------
    title : of the part
    blocks : what stands in it
    """

    title: str
    blocks: Sequence[Block] = field(repr=False)

    def _repr_html_(self) -> str:
        return display_html(self.title, self.blocks)


class ShownExploration(Exploration):
    """An exploration that shows the first screen of its report in a notebook."""

    def frame(self) -> pd.DataFrame:
        """Return the whole front: candidate number from 1, parts (SI), scores, losses."""
        return pd.DataFrame(self.columns())

    @cached_property
    def data(self) -> ReportData:
        """What its report is made from, without what takes long."""
        return report_data(self)

    @cached_property
    def sections(self) -> dict[str, Section]:
        """The sections of its report by their keys."""
        laid = document(self.data)
        return {section.key: section for section in (*laid.sections, *laid.appendix)}

    def _repr_html_(self) -> str:
        first = answer(self.data)
        blocks: list[Block] = [Note(first.danger, "caution"), *first.notes, first.build, first.does]
        if first.cards:
            rows = {
                "design": [card.name for card in first.cards],
                "parts": [card.parts for card in first.cards],
                "gives": [card.gives for card in first.cards],
            }
            blocks.append(Table(pd.DataFrame(rows), "Close by"))
        if first.chart is not None:
            blocks.append(first.chart)
        return display_html(f"{self.data.title} ({first.badge})", blocks)


@dataclass(frozen=True)
class ShownStanding(Standing):
    """A judged stage that shows itself in a notebook: circuit, gauges, what one step does."""

    exploration: ShownExploration = field(repr=False)

    def frame(self) -> pd.DataFrame:
        """Return the steps, one a row: part, direction, values (SI), change of each score."""
        rows = ((s.part, s.direction, s.start, s.end, s.keeps_limits) for s in self.steps)
        columns = ["part", "direction", "start", "end", "keeps_limits"]
        changes = pd.DataFrame([step.change for step in self.steps])
        return pd.DataFrame(rows, columns=columns).join(changes)

    def _repr_html_(self) -> str:
        ex = self.exploration
        stage = stage_data(ex.formulation, self.evaluation.parts)
        blocks: list[Block] = [
            Note(danger(stage), "caution"),
            build_slot(stage),
            does_slot(ex.data, stage, self.good),
            Table(self._steps(), "One step in each part"),
        ]
        return display_html(f"{stage.title}: a given stage", blocks)

    def _steps(self) -> pd.DataFrame:
        """Return what one step in each part leads to, in the scores that decide."""
        terms = self.exploration.problem.terms
        names = dict.fromkeys(shown_name(free.name) for free in self.exploration.problem.free)
        columns: dict[str, Any] = {
            "part": [ELEMENTS[step.part].label_for(terms) for step in self.steps],
            "step": [
                f"{part_value(step.part, step.start)} → {part_value(step.part, step.end)}"
                for step in self.steps
            ],
        }
        for name in names:
            columns[score_label(name, terms)] = [
                stepped(self.scores[name] + step.change[name], name) for step in self.steps
            ]
        columns["limits"] = ["" if step.keeps_limits else "broken" for step in self.steps]
        return pd.DataFrame(columns)


def judged(result: ShownExploration, design: Design) -> ShownStanding:
    """Return a stage judged against an explored brief."""
    return ShownStanding(**vars(assess_design(result, design)), exploration=result)
