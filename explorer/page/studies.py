"""Sections about a stage that take seconds and are worked out when they are asked for."""

from __future__ import annotations

import secrets
import tempfile
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from pathlib import Path
from typing import Final

from explorer.evaluation import Parts
from explorer.page.apart import apart
from explorer.problem import Problem
from explorer.report_studies import stage_tolerances
from objectives.checks import InputError
from objectives.transient.large_signal_study import large_signal_study
from reports.document.fragments import slot_html
from reports.layout import Section, Slot
from reports.live import OnDemand
from reports.sections.drive import drive_section
from reports.sections.tolerance import tolerance_blocks, tolerance_details
from reports.sound import WavFile, write_wavs

_MOST_RUNNING: Final = 4
_MOST_KEPT: Final = 16
"""Sections that are worked out at once, and that are kept to be fetched; the oldest goes."""

Tell = Callable[[str], None]
Sounds = Mapping[str, bytes]
"""WAV files by name."""


def offered(problem: Problem) -> list[OnDemand]:
    """Return the sections that can be asked for."""
    sections = []
    if problem.targets.drive is not None:
        words = {
            "drive": "Work out how it drives",
            "sound": "With its sound, to be heard (some seconds)",
        }
        sections.append(OnDemand("sound", "Under drive", words))
    if problem.targets.tolerance is not None:
        sections.append(
            OnDemand("tolerance", "Tolerance", {"tolerance": "Work out what tolerances do"})
        )
    return sections


@dataclass
class Study:
    """A section on its way: what is told of it, its HTML once it is there, and its sounds."""

    told: str = "Starting …"
    done: bool = False
    html: str = ""
    sounds: Sounds = field(default_factory=dict)
    process: BaseProcess | None = None

    def stop(self) -> None:
        """End the work, if it has not come to an end."""
        if not self.done and self.process is not None:
            self.told, self.done = "Stopped.", True
            self.process.terminate()

    def hear(self, message: str | tuple[str, str, Sounds]) -> None:
        """Take in what is being worked on, or what it came to."""
        if isinstance(message, str):
            self.told = message
        else:
            self.told, self.html, self.sounds = message
            self.done = True

    def ended(self) -> None:
        """Take in that the process has come to an end."""
        if not self.done:
            self.told, self.done = "This could not be worked out.", True


class Studies:
    """The sections that a server works out, by a name that nobody can guess."""

    def __init__(self) -> None:
        self._studies: dict[str, Study] = {}
        self._lock = threading.Lock()

    def __getitem__(self, name: str) -> Study:
        """Return one; KeyError where there is none."""
        return self._studies[name]

    def start(self, what: str, problem: Problem, parts: Parts) -> str:
        """Start to work out ``drive``, ``sound`` or ``tolerance`` of a stage; return its name.

        Raises
        ------
        InputError
            If there is no such section of it, or as many are worked out as may be.
        """
        if what not in {each for section in offered(problem) for each in section.buttons}:
            raise InputError("study", what, "no such section of this brief")
        name = secrets.token_hex(8)
        with self._lock:
            if sum(not study.done for study in self._studies.values()) >= _MOST_RUNNING:
                allowed = f"{_MOST_RUNNING} sections are being worked out: stop one, or wait"
                raise InputError("study", what, allowed)
            ended = [own for own, study in self._studies.items() if study.done]
            for own in ended[: max(0, len(self._studies) + 1 - _MOST_KEPT)]:
                del self._studies[own]
            self._studies[name] = study = Study()
        study.process = apart(
            _work, what, problem, parts, f"sound-{name}", hear=study.hear, ended=study.ended
        )
        return name


def _work(what: str, problem: Problem, parts: Parts, folder: str, messages: Connection) -> None:
    """Work out a section and send it as HTML with its sounds; runs in its own process."""
    tell: Tell = messages.send
    try:
        section, sounds = (
            _tolerance(problem, parts, tell)
            if what == "tolerance"
            else _drive(problem, parts, folder if what == "sound" else "", tell)
        )
    except InputError as error:
        messages.send((str(error), "", {}))
        return
    html = slot_html(Slot(section.key, [*section.blocks, *section.appendix]))
    messages.send(("Worked out for this stage.", html, sounds))


def _drive(problem: Problem, parts: Parts, folder: str, tell: Tell) -> tuple[Section, Sounds]:
    """Return the section on a stage under its drive; its sounds where a folder has a name."""
    pick = problem.assess(parts)
    tell("Solving the stage under its drive …")
    study = large_signal_study(pick)
    wavs: tuple[WavFile, ...] = ()
    with tempfile.TemporaryDirectory() as place:
        if folder:
            tell("Playing a tone and a chord through it …")
            wavs = write_wavs(study, Path(place) / folder)
        sounds = {wav.path.name: wav.path.read_bytes() for wav in wavs}
    return drive_section(pick, study=study, wavs=wavs), sounds


def _tolerance(problem: Problem, parts: Parts, tell: Tell) -> tuple[Section, Sounds]:
    """Return the section on a stage built many times."""
    tell("Building the stage many times …")
    study = stage_tolerances(problem, parts)
    blocks = tolerance_blocks(study, problem.terms)
    details = tolerance_details(study, problem.terms)
    return Section("tolerance", "Tolerance", blocks, details), {}
