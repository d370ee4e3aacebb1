"""A report as a document: the first screen, the evidence in layers, and the appendix."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from typing import Final

from altair.utils.schemapi import debug_mode

from objectives.assessment import Assessment
from reports.layout import Document, Section, Slot
from reports.model import NamedDesign, ReportData, StageData, StageReport
from reports.sections.answer import (
    answer,
    build_slot,
    does_slot,
    stage_answer,
    unexplored_answer,
)
from reports.sections.assumptions import assumptions_section, sources_section
from reports.sections.comparison import comparison_section
from reports.sections.device import device_section
from reports.sections.drive import drive_section, headroom_table
from reports.sections.front import front_section
from reports.sections.job import job_section
from reports.sections.limits import limits_section, limits_slot
from reports.sections.method import method_section
from reports.sections.noise import noise_section
from reports.sections.operating_point import operating_point_slot
from reports.sections.parts import parts_slot
from reports.sections.purposes import purposes_section
from reports.sections.radio import radio_section
from reports.sections.record import reasons_section
from reports.sections.responses import responses_slot
from reports.sections.stability import stability_section
from reports.sections.swaps import swaps_section
from reports.sections.textbook import second_estimate_slot, textbook_slot
from reports.sections.tolerance import tolerance_section

_FOLLOWING: Final[dict[str, tuple[str, Callable[[StageData], Slot]]]] = {
    "parts": ("Parts list", parts_slot),
    "point": ("Operating point", lambda stage: operating_point_slot(stage.pick)),
    "responses": ("Responses", lambda stage: responses_slot(stage.pick)),
    "textbook": (
        "By hand and exact",
        lambda stage: textbook_slot(stage.pick),
    ),
    "second": (
        "By hand: why it differs, and a second estimate",
        lambda stage: second_estimate_slot(stage.pick),
    ),
    "limits": ("Limits and margins", limits_slot),
}
"""Sections that follow the design chosen: key, title, and what makes them."""

_STEPPED: Final[dict[str, Callable[[Assessment], Section]]] = {
    "noise": noise_section,
    "radio": radio_section,
    "stability": stability_section,
}
"""Sections that follow where a server can work them out, and in a file are those of the pick."""

_UNCHECKED: Final = debug_mode(False)
"""Altair checks each piece of a chart as it is made, and again; the tests check every chart."""


def following_slots(stage: StageData, keys: Iterable[str] = tuple(_FOLLOWING)) -> list[Slot]:
    """Return what stands in the sections that follow the design chosen."""
    slots: list[Slot] = []
    for key in keys:
        section = (_stepped if key in _STEPPED else _following)(key)(stage)
        slots += [
            block for block in (*section.blocks, *section.appendix) if isinstance(block, Slot)
        ]
    return slots


def _following(key: str) -> Callable[[StageData], Section]:
    title, make = _FOLLOWING[key]
    return lambda stage: Section(key, title, [make(stage)])


def _stepped(key: str) -> Callable[[StageData], Section]:
    def made(stage: StageData) -> Section:
        own = _STEPPED[key](stage.pick)
        parts = {key: own.blocks, f"{key}-more": own.appendix}
        first, more = ([Slot(name, blocks)] if blocks else [] for name, blocks in parts.items())
        return replace(own, blocks=first, appendix=more)

    return made


def _large_signals(data: ReportData) -> Section | None:
    """Return the section on the stage under its drive, or on its headroom where none is stated."""
    studies = data.studies
    if studies is None:
        return None
    if studies.drive is None:
        table = headroom_table(data.pick.headroom, data.terms)
        return Section("headroom", "Headroom", [table])
    return drive_section(data.pick, study=studies.drive, wavs=studies.wavs)


_EVIDENCE: Final[tuple[Callable[[ReportData], Section | None], ...]] = (
    _following("parts"),
    front_section,
    _following("responses"),
    _following("textbook"),
    _following("point"),
    _stepped("noise"),
    _stepped("radio"),
    _large_signals,
    tolerance_section,
    lambda data: None if data.unfinished or not data.feasible else _stepped("stability")(data),
)
_APPENDIX: Final[tuple[Callable[[ReportData], Section | None], ...]] = (
    reasons_section,
    _following("second"),
    job_section,
    limits_section,
    swaps_section,
    lambda data: device_section(data.pick, data.neighbours),
    method_section,
    assumptions_section,
    sources_section,
)


@_UNCHECKED
def document(data: ReportData) -> Document:
    """Return the report of a finished exploration."""
    sections = _present(make(data) for make in _EVIDENCE)
    appendix = _present(make(data) for make in _APPENDIX)
    goods = {other.candidate: other.good for other in _alternatives(data)}
    return Document(
        data.title,
        answer(data),
        sections,
        [*_details(sections), *appendix],
        {
            str(candidate): [
                build_slot(stage),
                does_slot(data, stage, goods[candidate]),
                *following_slots(stage),
            ]
            for candidate, stage in data.beside.items()
        },
    )


@_UNCHECKED
def unexplored_document(data: ReportData) -> Document:
    """Return what can be said of a brief before it is explored, at one stage of its space."""
    evidence = (
        *(_following(key)(data) for key in ("parts", "responses", "textbook", "point")),
        *(_stepped(key)(data) for key in ("noise", "radio")),
        limits_section(data),
    )
    appendix = (
        _following("second")(data),
        job_section(data),
        device_section(data.pick, data.neighbours),
        assumptions_section(data),
        sources_section(data),
    )
    sections = _present(evidence)
    return Document(
        data.title, unexplored_answer(data), sections, [*_details(sections), *_present(appendix)]
    )


@_UNCHECKED
def stage_document(data: StageReport) -> Document:
    """Return the report of a stage that was read."""
    stage, pick = data.stage, data.stage.pick
    evidence = (
        purposes_section(data),
        comparison_section(data),
        *(_following(key)(stage) for key in ("parts", "responses", "textbook", "point")),
        *(_stepped(key)(stage) for key in ("noise", "radio")),
        Section("headroom", "Headroom", [headroom_table(pick.headroom, stage.terms)]),
        limits_section(stage),
        _stepped("stability")(stage),
    )
    appendix = (
        _following("second")(stage),
        device_section(pick, stage.neighbours),
        assumptions_section(stage),
        sources_section(stage),
    )
    sections = _present(evidence)
    return Document(
        stage.title, stage_answer(data), sections, [*_details(sections), *_present(appendix)]
    )


def _alternatives(data: ReportData) -> Sequence[NamedDesign]:
    """Return the designs that stand beside the pick."""
    return data.decision.alternatives if data.decision else ()


def _present(sections: Iterable[Section | None]) -> list[Section]:
    """Return the sections that have something to say."""
    return [s for s in sections if s is not None and (s.blocks or s.appendix)]


def _details(sections: Iterable[Section]) -> list[Section]:
    """Return what of the sections stands in the appendix, as sections of it."""
    return [
        replace(s, key=f"{s.key}-more", title=f"{s.title}: details", blocks=s.appendix, appendix=())
        for s in sections
        if s.appendix
    ]
