"""``record.md``: the record, the command that repeats the run, and the brief in full."""

from __future__ import annotations

import re

from reports.document.markdown import sections_text
from reports.model import ReportData
from reports.sections.record import record_sections


def record_text(data: ReportData) -> str:
    """Return the record as Markdown; runs of the same input come to the same text."""
    run = data.run
    text = sections_text(f"Record: {data.title}", record_sections(data))
    text += f"\nThe command:\n\n{_fenced(run.command, 'sh')}"
    if run.brief_text:
        text += f"\n## The brief, {run.brief}\n\n{_fenced(run.brief_text, 'toml')}"
    return text


def _fenced(text: str, language: str) -> str:
    """Return text that stands as it is, in a fence longer than any run of its own."""
    fence = "`" * max(3, 1 + max(map(len, re.findall("`+", text)), default=0))
    return f"{fence}{language}\n{text.rstrip()}\n{fence}\n"
