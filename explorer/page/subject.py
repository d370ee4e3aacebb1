"""What a page is about: a brief, what has been found for it, and the stage that is looked at."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, field, replace
from functools import cached_property, lru_cache
from typing import Any, Final
from urllib.parse import urlencode

from explorer.brief.errors import BriefError
from explorer.decision import built_well
from explorer.designs import Design, parse_design
from explorer.evaluation import Parts
from explorer.exploration import Exploration
from explorer.formulation import Formulation
from explorer.page.forms import form_groups
from explorer.page.steppers import choices_of, steppers, texts
from explorer.page.studies import offered
from explorer.problem import Problem
from explorer.report_data import report_data, staged, unexplored_data
from explorer.standing import with_parts
from explorer.sweep import middle
from objectives.format import score_label, sentence
from objectives.reading.purposes import read_stage
from reports.document.fragments import slot_html
from reports.layout import Document, Slot
from reports.live import Live, Stepper
from reports.model import ReportData, StageData, StageReport
from reports.sections.answer import build_slot, does_slot, stage_answer
from reports.sections.build import (
    document,
    following_slots,
    stage_document,
    unexplored_document,
)
from reports.sections.limits import broken_sentences

SENT: Final = {
    "quick": ("build", "does", "parts"),
    "rest": ("point", "responses", "textbook", "limits", "second", "noise"),
    "more": ("radio", "stability"),
    "slow": ("does",),
}
"""What of a stage is sent by each reply, in the order in which a page asks for them; ``does`` a
second time, with its yield and its slow scores."""

_REMEMBERED: Final = 8
"""Stages kept between the replies about them."""


@dataclass(frozen=True)
class Subject:
    """A brief, with what was found for it if it was explored."""

    formulation: Formulation
    exploration: Exploration | None = None
    text: str = field(default="", kw_only=True)
    """The brief as TOML."""
    given: Design | None = field(default=None, kw_only=True)
    """A stage to start from in place of the pick."""

    @cached_property
    def problem(self) -> Problem:
        """The problem that scores are of."""
        problem = (self.exploration or self.formulation).problem
        return problem if self.given is None else with_parts(problem, self.given)

    @property
    def single(self) -> bool:
        """Whether the brief fixes every part, so that there is one stage and nothing to explore."""
        return not self.formulation.problem.choices

    @cached_property
    def start(self) -> Design:
        """The stage that the page opens on: the pick, or one in the middle of the space."""
        if self.given is not None:
            return self.given
        if self.exploration is None:
            return Design.of(self.formulation.brief, middle(self.formulation.problem))
        return self.exploration.design(str(self.exploration.pick + 1))

    @cached_property
    def data(self) -> ReportData:
        """What gauges and document are made from."""
        if self.exploration is None:
            return unexplored_data(self.formulation, self.parts(self.start))
        return report_data(self.exploration)

    def parts(self, design: Design) -> Parts:
        """Return the parts that a stage states itself; of a single stage every one."""
        fields = design.batch()
        if self.single:
            return fields
        return {choice.part: fields[choice.part] for choice in self.problem.choices}

    def stage(self, design: Design) -> StageData:
        """Return a stage in the surroundings of the brief."""
        return self._staged(tuple(design.stage_fields().items()))

    @cached_property
    def _staged(self) -> Callable[[tuple[tuple[str, float], ...]], StageData]:
        # What one reply has worked out of a stage serves the next.
        @lru_cache(_REMEMBERED)
        def made(fields: tuple[tuple[str, float], ...]) -> StageData:
            own = self.parts(Design.of(self.formulation.brief, dict(fields)))
            return staged(self.formulation, self.problem, own)

        return made

    def design(self, pairs: Mapping[str, str]) -> Design:
        """Return the start with other values, as they are typed.

        Raises
        ------
        BriefError
            If a part is unknown or has no such value.
        """
        given = [f"{key}={value}" for key, value in pairs.items()]
        return parse_design(given, self.formulation.brief, self.start)

    def steppers(self, design: Design) -> list[Stepper]:
        """Return how each part can be stepped from here."""
        return steppers(self.problem, self.formulation.brief, design, every=self.single)

    def texts(self, design: Design) -> dict[str, str]:
        """Return the values of a design by key, as they can be typed."""
        return texts(choices_of(self.problem, self.formulation.brief, every=self.single), design)

    def query(self, design: Design) -> str:
        """Return the values of a design as an address has them."""
        return urlencode(self.texts(design))

    def reply(self, pairs: Mapping[str, str], what: str) -> dict[str, Any]:
        """Return one of the replies about a stage, or what is wrong with a value of it."""
        try:
            design = self.design(pairs)
        except BriefError as error:
            return {"errors": _field_errors(error)}
        stage = self.stage(design)
        slots = self.fragments(design, stage, what)
        if what != "quick":
            return {"slots": slots}
        return {
            "query": self.query(design),
            "steppers": [asdict(stepper) for stepper in self.steppers(design)],
            "broken": broken_sentences(stage),
            "slots": slots,
        }

    def fragments(self, design: Design, stage: StageData, reply: str) -> dict[str, str]:
        """Return what one of the replies about a stage has as HTML, by name of the slot."""
        names = SENT[reply]
        slots = [build_slot(stage)] if "build" in names else []
        if "does" in names:
            slots.append(self._does(design, stage, quick=reply == "quick"))
        slots += following_slots(stage, [key for key in names if key not in ("build", "does")])
        return {slot.name: slot_html(slot) for slot in slots}

    def _does(self, design: Design, stage: StageData, *, quick: bool) -> Slot:
        if self.single:
            return stage_answer(StageReport(stage, read_stage(stage.pick))).does
        if quick or self.exploration is None:
            return does_slot(self.data, stage, quick=quick)
        good = float(built_well(self.problem, self.parts(design))[0])
        return does_slot(self.data, stage, good)

    @cached_property
    def document(self) -> Document:
        """The report; what it says of designs beside the pick is sent when they are chosen."""
        if self.single:
            stage = self.stage(self.start)
            return stage_document(StageReport(stage, read_stage(stage.pick)))
        if self.exploration is None:
            return unexplored_document(self.data)
        return replace(document(self.data), beside={})

    def live(self, root: str, here: str) -> Live:
        """Return what the page knows at the addresses ``root`` of the server and ``here``."""
        ex = self.exploration
        cards = () if ex is None else (card.key for card in self.document.answer.cards)
        return Live(
            root,
            here,
            self.steppers(self.start),
            {key: self.query(ex.design(key)) for key in cards} if ex is not None else {},
            self.query(self.start),
            broken_sentences(self.stage(self.start)),
            self._wished(),
            offered(self.problem),
            self.text,
            form_groups(self.text),
            kind="stage" if self.single else "brief" if ex is None else "front",
        )

    def _wished(self) -> list[tuple[str, str]]:
        """Return name and label of each score that a front can be steered by."""
        ex = self.exploration
        if ex is None or not ex.feasible or len(ex.problem.free) < 2:
            return []
        names = [free.name for free in ex.problem.free]
        return [(n, sentence(score_label(n, ex.problem.terms))) for n in names]


def _field_errors(error: BriefError) -> dict[str, str]:
    """Return what is wrong with typed values, by the key of the part."""
    return {
        own.field.removeprefix("design.") or "design": f"{own.value}: {own.allowed}"
        for own in error.errors
    }
