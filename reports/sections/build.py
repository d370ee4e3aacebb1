"""The sections of a report, in the order in which a designer asks."""

from __future__ import annotations

from objectives.textbook import textbook_estimate
from reports.model import Block, Note, Prose, ReportContents, Section, _listed
from reports.sections.cautions import CAUTIONS
from reports.sections.device import _valve
from reports.sections.front import _front
from reports.sections.job import _blocked, _job
from reports.sections.limits import _limits
from reports.sections.method import _method
from reports.sections.noise import _noise
from reports.sections.operating_point import _point
from reports.sections.parts import _parts
from reports.sections.pick import _pick
from reports.sections.radio_budget import _radio
from reports.sections.responses import _responses
from reports.sections.textbook import _textbook

__all__ = ["build_sections"]


def build_sections(contents: ReportContents) -> list[Section]:
    """Return every section of the report in reading order; empty ones are left out."""
    pick = contents.pick
    estimate = textbook_estimate(pick.loaded, pick.linear, pick.targets.reference_Hz)
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
        _point(pick),
        _responses(pick, estimate),
        _textbook(pick, estimate),
        _noise(pick),
        _radio(pick),
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
