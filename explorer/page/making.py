"""Files about a stage that a page writes: its report, its record, its sheet for a lecture."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from importlib.resources.abc import Traversable
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

from explorer.brief.loading import parse_brief
from explorer.designs import Design
from explorer.exploration import Exploration
from explorer.formulation import formulate
from explorer.page.apart import apart
from explorer.page.subject import Subject
from explorer.report_data import report_data, stage_data
from explorer.report_reasons import pick_reasons
from explorer.report_writing import written_reports
from explorer.standing import with_stage
from objectives.checks import InputError
from objectives.files import drafts
from objectives.reading.purposes import read_stage
from reports.document.files import write_stage_report
from reports.document.record import record_text
from reports.model import PickStudies, StageReport
from reports.sheet.files import write_sheet
from reports.sheet.sheet import sheet

_RECORD = "record.md"


@dataclass
class Making:
    """Files on their way, and what is told of them."""

    told: str
    done: bool = False


def make(
    what: str, subject: Subject, design: Design, into: Path, briefs: Traversable | Path
) -> Making:
    """Write the ``report``, the ``record`` or the ``sheet`` of a stage into a folder.

    The report of a stage beside a front takes minutes and is written in a process of its own.

    Raises
    ------
    InputError
        If there is no such thing to write, it needs a front, or the folder cannot be written.
    """
    try:
        if what == "sheet":
            made = stage_data(subject.formulation, design.batch())
            seed = subject.formulation.brief.search.seed
            return _written(write_sheet(sheet(made, seed), into))
        if what == "report" and subject.single:
            stage = subject.stage(design)
            report = StageReport(stage, read_stage(stage.pick))
            return _written({"html": write_stage_report(report, into)["html"]})
        ex = subject.exploration
        if ex is None or what not in ("report", "record"):
            raise InputError("write", what, "needs a front: explore the brief first")
        own = with_stage(ex, design)
        into.mkdir(parents=True, exist_ok=True)
        if what == "report":
            return _report(ex, design, briefs, into)
        data = report_data(own, PickStudies(reasons=pick_reasons(own)))
        with drafts(into) as draft:
            (draft / _RECORD).write_text(record_text(data), "utf-8", newline="\n")
        return _written({"record": into / _RECORD})
    except OSError as error:
        allowed = f"{str(into)!r} cannot be written ({error.strerror})"
        raise InputError("write", what, allowed) from None


def _written(files: Mapping[str, Path]) -> Making:
    return Making(", ".join(str(path.absolute()) for path in files.values()), True)


def _report(ex: Exploration, design: Design, briefs: Traversable | Path, into: Path) -> Making:
    """Start to write the report of an exploration with a design in place of its pick."""
    making = Making("The report is being written …")
    brief = ex.formulation.brief
    # The tables of a brief are made as it is read, so that a brief cannot be sent.
    own = {f.name: getattr(ex, f.name) for f in fields(ex) if f.name != "formulation"}

    def hear(message: tuple[str, bool]) -> None:
        making.told, making.done = message

    def ended() -> None:
        if not making.done:
            making.told, making.done = "The report could not be written.", True

    apart(
        _write, brief.text, briefs, brief.source, own, design.stage_fields(), into,
        hear=hear, ended=ended,
    )  # fmt: skip
    return making


def _write(
    text: str,
    briefs: Traversable | Path,
    source: str,
    own: Mapping[str, Any],
    stage: Mapping[str, float],
    into: Path,
    messages: Connection,
) -> None:
    """Write the report of a stage as the commands do; runs in its own process."""
    formulation = formulate(parse_brief(text, briefs, source))
    ex = Exploration(formulation=formulation, **own)
    ex = with_stage(ex, Design.of(formulation.brief, stage))
    more = "can be read; drive, tolerances and other devices are being worked out, for minutes …"
    page = into
    try:
        for _, page in written_reports(ex, formulation, into):
            messages.send((f"{page.absolute()} {more}", False))
        messages.send((str(page.absolute()), True))
    except OSError as error:
        messages.send((f"{str(into)!r} cannot be written ({error.strerror}).", True))
