"""Sections that the page works out when they are asked for: drive, its sound, tolerance."""

from __future__ import annotations

import io
import re
import time
import wave
from html import unescape
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from starlette.testclient import TestClient

from explorer.brief.loading import parse_brief
from explorer.formulation import formulate
from explorer.page.app import application
from explorer.page.subject import Subject
from explorer.report_studies import stage_tolerances
from fixture_types import MakeBriefText
from objectives.transient.large_signal_study import large_signal_study
from reports.document.fragments import slot_html
from reports.layout import Slot
from reports.sections.drive import drive_section
from reports.sections.tolerance import tolerance_blocks, tolerance_details

OWN = "http://127.0.0.1:8000"


@pytest.fixture(scope="module")
def subject(brief_text: MakeBriefText, driven: tuple[str, str]) -> Subject:
    text = brief_text(driven)
    return Subject(formulate(parse_brief(text)), text=text)


@pytest.fixture
def page(subject: Subject, tmp_path: Path) -> TestClient:
    return TestClient(
        application(subject, "token", 8000, tmp_path),
        base_url=f"{OWN}/token/",
        headers={"origin": OWN},
    )


def start(page: TestClient, what: str, stage: str = "stopper=22k") -> dict[str, Any]:
    reply: dict[str, Any] = page.post("study", json={"what": what, "stage": stage}).json()
    return reply


def ended(page: TestClient, name: str) -> dict[str, Any]:
    for _ in range(1200):
        reply: dict[str, Any] = page.get(f"studied/{name}").json()
        if reply["done"]:
            return reply
        time.sleep(0.1)
    raise AssertionError("it did not end")


def test_only_what_the_brief_states_can_be_asked_for(
    page: TestClient, brief_text: MakeBriefText, tmp_path: Path
) -> None:
    assert re.findall(r'data-study="(\w+)"', page.get("").text) == ["drive", "sound", "tolerance"]
    plain = Subject(formulate(parse_brief(brief_text())), text=brief_text())
    own = TestClient(
        application(plain, "token", 8000, tmp_path),
        base_url=f"{OWN}/token/",
        headers={"origin": OWN},
    )
    assert re.findall(r'data-study="(\w+)"', own.get("").text) == ["tolerance"]
    assert "no such section" in start(own, "drive")["told"]
    assert "no such section" in start(page, "../../x")["told"]
    assert "expected a resistance" in start(page, "drive", "stopper=22 uF")["told"]
    assert page.get("studied/none").status_code == 404
    assert page.post("halt/none", json={}).status_code == 404
    assert page.get("sound-none/tone-output.wav").status_code == 404


@pytest.mark.slow
def test_the_section_on_drive_is_that_of_the_report(page: TestClient, subject: Subject) -> None:
    name = start(page, "drive")["name"]
    assert page.get("stage", params={"stopper": "47k"}).status_code == 200  # meanwhile
    html = ended(page, name)["html"]
    pick = subject.problem.assess(subject.parts(subject.design({"stopper": "22k"})))
    section = drive_section(pick, study=large_signal_study(pick))
    assert html == slot_html(Slot("sound", [*section.blocks, *section.appendix]))


@pytest.mark.slow
def test_sound_is_served_to_who_asked_for_it(page: TestClient) -> None:
    name = start(page, "sound")["name"]
    html = ended(page, name)["html"]
    sources = re.findall(r'<audio [^>]*src="([^"]+)"', html)
    # A tone and a chord, each before the stopper, after it, and at the output.
    assert len(sources) == 6
    loudness = []
    for source in sources:
        reply = page.get(unescape(source))
        assert reply.headers["content-type"] == "audio/wav"
        with wave.open(io.BytesIO(reply.content)) as sound:
            assert (sound.getframerate(), sound.getnchannels()) == (48_000, 1)
            raw = np.frombuffer(sound.readframes(sound.getnframes()), np.uint8).reshape(-1, 3)
        top = raw[:, 2].astype(np.int8) / 128.0
        loudness.append(20 * np.log10(np.sqrt(np.mean(top**2))))
    assert np.ptp(loudness) < 1.0  # all at one loudness
    assert page.get(f"sound-{name}/report.html").status_code == 404


@pytest.mark.slow
def test_the_section_on_tolerance_is_that_of_the_report(page: TestClient, subject: Subject) -> None:
    html = ended(page, start(page, "tolerance")["name"])["html"]
    parts = subject.parts(subject.design({"stopper": "22k"}))
    study, terms = stage_tolerances(subject.problem, parts), subject.problem.terms
    assert html == slot_html(
        Slot("tolerance", [*tolerance_blocks(study, terms), *tolerance_details(study, terms)])
    )
    assert "<input" not in html  # a table of one row is not filtered


def test_a_section_is_stopped_and_so_many_are_worked_out_at_once(page: TestClient) -> None:
    names = [start(page, "drive")["name"] for _ in range(4)]
    assert "stop one" in start(page, "tolerance")["told"]
    for name in names:
        assert page.post(f"halt/{name}", json={}).status_code == 200
        assert page.get(f"studied/{name}").json() == {"done": True, "told": "Stopped.", "html": ""}
    name = start(page, "tolerance")["name"]
    page.post(f"halt/{name}", json={})
