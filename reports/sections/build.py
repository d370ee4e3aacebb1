"""The sections of a report, in the order in which a designer asks."""

from __future__ import annotations

from reports.model import Block, Note, Prose, ReportContents, Section, _listed
from reports.sections.cautions import CAUTIONS
from reports.sections.device import _valve
from reports.sections.front import _front
from reports.sections.job import _blocked, _job
from reports.sections.limits import _limits
from reports.sections.method import _method
from reports.sections.noise import noise_section
from reports.sections.operating_point import operating_point_section
from reports.sections.parts import _parts
from reports.sections.pick import _pick
from reports.sections.radio import radio_section
from reports.sections.responses import responses_section
from reports.sections.textbook import textbook_section

__all__ = ["build_sections"]


def build_sections(contents: ReportContents) -> list[Section]:
    """Return every section of the report in reading order; empty ones are left out."""
    pick = contents.pick
    sections = [
        Section(
            "cautions",
            "Before you build anything",
            [Note(text, "caution") for text in (contents.cautions or CAUTIONS)],
        ),
        _blocked(contents),
        _job(contents),
        _pick(contents),
        _front(contents),
        _parts(contents),
        operating_point_section(pick),
        responses_section(pick),
        textbook_section(pick),
        noise_section(pick),
        radio_section(pick),
        _limits(contents),
        _valve(pick, contents.neighbours),
        _method(contents),
        *contents.extra_sections,
        Section("assumptions", "Assumptions", [_listed(contents.assumptions)]),
        Section("sources", "Sources", [_listed(contents.sources)]),
    ]
    return [section for section in sections if any(_holds(block) for block in section.blocks)]


def _holds(block: Block) -> bool:
    return bool(block.paragraphs) if isinstance(block, Prose) else True
