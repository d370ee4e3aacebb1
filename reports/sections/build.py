"""The sections of a report, in the order in which a designer asks."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from reports.model import Note, ReportData, Section, StageReport
from reports.sections.assumptions import assumptions_section, sources_section
from reports.sections.cautions import cautions_section
from reports.sections.comparison import comparison_section
from reports.sections.device import device_section
from reports.sections.drive import drive_section, headroom_table
from reports.sections.front import front_section
from reports.sections.infeasible import infeasible_section
from reports.sections.job import job_section
from reports.sections.limits import limits_section
from reports.sections.method import method_section
from reports.sections.noise import noise_section
from reports.sections.operating_point import operating_point_section
from reports.sections.parts import parts_section
from reports.sections.pick import pick_section
from reports.sections.purposes import purposes_section, reading_section
from reports.sections.radio import radio_section
from reports.sections.responses import responses_section
from reports.sections.stability import stability_section
from reports.sections.swaps import swaps_section
from reports.sections.textbook import textbook_section
from reports.sections.tolerance import tolerance_section


def _large_signals(data: ReportData) -> Section | None:
    """Return the section on the stage under its drive, or on its headroom where none is stated."""
    studies = data.studies
    if studies is None:
        return None
    if studies.drive is None:
        table = headroom_table(data.pick.headroom, data.terms)
        return Section("headroom", "Headroom", [table])
    return drive_section(data.pick, study=studies.drive, wavs=studies.wavs)


def _to_come(data: ReportData) -> Section | None:
    """Return what is said of a report that waits for its studies."""
    if not data.unfinished:
        return None
    text = (
        "The stage under its drive, its tolerances and other devices in its place are still being "
        "worked out; this page is replaced when they are. If the command was stopped, the same "
        "command adds them."
    )
    return Section("to-come", "Not the whole report yet", [Note(text)])


_SECTIONS: Final[tuple[Callable[[ReportData], Section | None], ...]] = (
    cautions_section,
    infeasible_section,
    _to_come,
    pick_section,
    parts_section,
    front_section,
    job_section,
    lambda data: operating_point_section(data.pick),
    lambda data: responses_section(data.pick),
    lambda data: textbook_section(data.pick),
    lambda data: noise_section(data.pick),
    lambda data: radio_section(data.pick),
    _large_signals,
    lambda data: stability_section(data.pick) if data.studies is not None else None,
    limits_section,
    tolerance_section,
    swaps_section,
    lambda data: device_section(data.pick, data.neighbours),
    method_section,
    assumptions_section,
    sources_section,
)


def build_sections(data: ReportData) -> list[Section]:
    """Return every section of the report in reading order; empty ones are left out."""
    sections = [make(data) for make in _SECTIONS]
    return [section for section in sections if section is not None and section.blocks]


def build_stage_sections(data: StageReport) -> list[Section]:
    """Return every section of the report of a stage that was read, in reading order."""
    stage, pick = data.stage, data.stage.pick
    sections = (
        cautions_section(stage),
        reading_section(data),
        purposes_section(data),
        comparison_section(data),
        parts_section(stage),
        operating_point_section(pick),
        responses_section(pick),
        textbook_section(pick),
        noise_section(pick),
        radio_section(pick),
        Section("headroom", "Headroom", [headroom_table(pick.headroom, stage.terms)]),
        stability_section(pick),
        limits_section(stage),
        device_section(pick, stage.neighbours),
        assumptions_section(stage),
        sources_section(stage),
    )
    return [section for section in sections if section is not None and section.blocks]
