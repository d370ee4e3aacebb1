"""The page: it opens on a front, a brief and a single stage; stages, briefs and explorations."""

from __future__ import annotations

import json
import re
import tempfile
import time
from collections.abc import Callable
from html import unescape
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from starlette.testclient import TestClient

from explorer.brief.loading import parse_brief
from explorer.designs import parse_design
from explorer.exploration import Exploration, explore
from explorer.formulation import formulate
from explorer.page.app import application
from explorer.page.forms import edited, form_groups
from explorer.page.subject import SENT, Subject
from explorer.report_data import report_data, stage_data
from explorer.report_reasons import pick_reasons
from explorer.settings import Settings
from explorer.standing import with_stage
from explorer.stored import is_kept
from fixture_types import MakeBriefText
from objectives.format import stepped
from reports.document.record import record_text
from reports.model import PickStudies
from reports.sheet.files import write_sheet
from reports.sheet.sheet import sheet

OWN = "http://127.0.0.1:8000"
Client = Callable[[Subject], TestClient]

# Every part fixed, all of them values of E12.
SINGLE = (
    ('series = "E6"\nfrom = "10k"\nto = "220k"', 'value = "68k"'),
    ('values = ["100k", "150k", "220k"]', 'value = "100k"'),
    ('values = ["1k", "1k5", "2k2"]', 'value = "1k5"'),
    ('values = ["none", "22u"]', 'value = "22u"'),
)


@pytest.fixture(scope="module")
def explored(brief_text: MakeBriefText) -> Exploration:
    return explore(formulate(parse_brief(brief_text())), Settings(seed=1))


@pytest.fixture(scope="module")
def subject(explored: Exploration, brief_text: MakeBriefText) -> Subject:
    return Subject(explored.formulation, explored, text=brief_text())


@pytest.fixture(scope="module")
def brief_alone(brief_text: MakeBriefText) -> Subject:
    return Subject(formulate(parse_brief(brief_text())), text=brief_text())


@pytest.fixture(scope="module")
def single(brief_text: MakeBriefText) -> Subject:
    text = brief_text(*SINGLE)
    return Subject(formulate(parse_brief(text)), text=text)


def client(subject: Subject, into: Path | None = None) -> TestClient:
    into = into or Path(tempfile.mkdtemp())
    return TestClient(
        application(subject, "token", 8000, into), base_url=f"{OWN}/token/", headers={"origin": OWN}
    )


def stage(page: TestClient, send: str = "quick", **parts: str) -> dict[str, Any]:
    reply = page.get("stage", params={**parts, "send": send})
    assert reply.status_code == 200
    answer: dict[str, Any] = reply.json()
    return answer


@pytest.mark.parametrize("kind", ["subject", "brief_alone", "single"])
def test_it_opens_on_each_kind_and_needs_nothing_from_elsewhere(
    kind: str, request: pytest.FixtureRequest
) -> None:
    page = client(request.getfixturevalue(kind))
    text = page.get("").text
    live = json.loads(
        re.findall(r'<script type="application/json" id="live">(.*?)</script>', text)[0]
    )
    assert live["steppers"]
    for stepper in live["steppers"]:
        assert f'id="v-{stepper["key"]}"' in text
    scripts = re.findall(r'(?:src|href)="([^"#][^"]*)"', text)
    own = [place for place in scripts if not place.startswith("data:")]
    assert own
    for place in own:
        assert place.startswith("/token/")
        assert page.get(f"{OWN}{place}").status_code == 200
    assert not re.findall(r"<script>|\son[a-z]+=", text)  # the policy would not run them


def test_a_reply_is_what_the_document_says_of_that_design(
    subject: Subject, explored: Exploration
) -> None:
    """One rendering path: the stage of the pick, asked for, reads as the page that was opened."""
    page = client(subject)
    text = page.get("").text
    query = dict(pair.split("=") for pair in subject.query(subject.start).split("&"))
    query = {key: value.replace("+", " ") for key, value in query.items()}
    slots = stage(page, **query)["slots"]
    assert set(slots) == {"build", "does", "parts"}
    for name in ("build", "parts"):
        assert slots[name] in text
    later: dict[str, str] = {}
    for reply in SENT:
        later |= stage(page, reply, **query)["slots"]
    assert set(later) == set(re.findall('data-slot="([a-z-]+)"', text))
    for name in set(later) - {"does"}:
        assert later[name] in text


def test_every_value_reads_back_as_the_value_that_it_stands_for(subject: Subject) -> None:
    for stepper in subject.steppers(subject.start):
        part = stepper.part
        choice = next(c for c in subject.problem.choices if c.part == part)
        at = 0
        design = subject.design({stepper.key: _first(subject, stepper.key, choice.values[0])})
        while True:
            (here,) = (s for s in subject.steppers(design) if s.part == part)
            assert design.stage_fields()[part] == choice.values[at]
            # What is shown can be typed as well as what stands in the address.
            typed = parse_design([f"{here.key}={here.text}"], subject.formulation.brief, design)
            assert typed.stage_fields() == design.stage_fields()
            if not here.up:
                break
            design = subject.design({here.key: here.up})
            at += 1
        assert at == len(choice.values) - 1


def _first(subject: Subject, key: str, value: float) -> str:
    return "none" if value == 0 else f"{value:g}"


def test_gauges_are_those_of_the_stage_as_it_is_assessed(subject: Subject) -> None:
    design = subject.design({"stopper": "22k"})
    gain = subject.problem.scores(
        {c.part: np.array([design.stage_fields()[c.part]]) for c in subject.problem.choices},
        ["gain_dB"],
    )["gain_dB"][0]
    does = stage(client(subject), stopper="22k")["slots"]["does"]
    assert stepped(float(gain), "gain_dB") in unescape(does)


@pytest.mark.parametrize(
    ("key", "value", "said"),
    [
        ("stopper", "22 uF", "expected a resistance"),
        ("stopper", "", "expected a resistance"),
        ("bypass", "full metal", "expected a capacitance"),
        ("plate_load", "-100k", "above 0"),
        ("bogus", "1k", "unknown part"),
        ("grid_leak_position", "nowhere", "before stopper"),
    ],
)
def test_a_wrong_value_is_told_at_its_field_as_the_brief_tells_it(
    subject: Subject, key: str, value: str, said: str
) -> None:
    errors = stage(client(subject), **{key: value})["errors"]
    assert list(errors) == [key]
    assert said in errors[key]


def test_markup_in_a_value_stays_text(subject: Subject) -> None:
    page = client(subject)
    reply = page.get("stage", params={"stopper": "<img src=x onerror=alert(1)>"})
    assert reply.headers["content-type"] == "application/json"
    evil = "</script><script>alert(1)</script>"
    text = subject.text.replace("A small stage for tests", evil)
    own = client(Subject(formulate(parse_brief(text)), text=text))
    assert evil not in own.get("").text
    assert evil not in page.post("check", json={"toml": text}).json()["form"]


def test_a_limit_that_breaks_is_said(brief_alone: Subject) -> None:
    """The brief wants 0.6 mA to 0.9 mA; 1 kΩ below 100 kΩ draws more (1.07 mA at 330 V and 1.5 kΩ,
    Steck, Analog and Digital Electronics, ch. 6; this supply is 250 V)."""
    page = client(brief_alone)
    broken = stage(page, plate_load="100k", cathode_resistor="470")["broken"]
    assert len(broken) == 1
    assert re.fullmatch(r"plate current [\d.]+\smA: over 900\sµA", broken[0])
    assert stage(page, plate_load="100k", cathode_resistor="1k5")["broken"] == []


def test_a_single_stage_steps_along_the_stock_series(single: Subject) -> None:
    page = client(single)
    steppers = {s["key"]: s for s in stage(page)["steppers"]}
    # IEC 60063, E12 about 68: 56 and 82.
    assert (steppers["stopper"]["down"], steppers["stopper"]["up"]) == ("56k", "82k")
    assert "82" in stage(page, stopper="82k")["slots"]["build"]


def test_two_browsers_do_not_mix(subject: Subject) -> None:
    """Nothing is kept of a stage that was asked for."""
    page = client(subject)
    first = stage(page, stopper="22k")
    stage(page, stopper="100k", plate_load="220k")
    assert stage(page, stopper="22k") == first


# -- the brief --------------------------------------------------------------------------------


def test_each_value_of_the_brief_is_a_field(brief_text: MakeBriefText) -> None:
    fields = {f.path: f.text for group in form_groups(brief_text()) for f in group.fields}
    assert fields["supply.voltage"] == "250 V"
    assert fields["targets.radio_bands[1].to"] == "1.7 MHz"
    assert fields["limits.plate_current_A.at_most"] == "0.9 mA"
    assert fields["parts.plate_load.values"] == '["100k", "150k", "220k"]'
    for path, text in fields.items():  # what is shown, entered again, changes nothing
        before, after = parse_brief(brief_text()), parse_brief(edited(brief_text(), path, text))
        assert before == after


def test_an_edited_field_is_checked_at_once(subject: Subject) -> None:
    page = client(subject)

    def edit(path: str, value: str) -> dict[str, Any]:
        reply = page.post("check", json={"toml": subject.text, "path": path, "value": value})
        answer: dict[str, Any] = reply.json()
        return answer

    good = edit("supply.voltage", "260 V")
    assert good["errors"] == []
    assert parse_brief(good["toml"]).supply.voltage == 260.0
    assert "# Invented, for tests." in good["toml"]
    (wrong,) = edit("supply.voltage", "260 ohm")["errors"]
    assert wrong["field"] == "supply.voltage"
    assert "expected a voltage" in wrong["text"]
    (wrong,) = edit("targets.radio_bands[1].to", "1 Hz")["errors"]
    assert wrong["field"].startswith("targets.radio_bands[1]")
    (wrong,) = edit("parts.plate_load.values", "100k, 150k")["errors"]
    assert wrong["field"] == "parts.plate_load.values"
    assert edit("parts.nowhere.values", "1")["errors"][0]["field"] == "parts.nowhere.values"
    assert edit("search.seed", "six")["errors"][0]["field"] == "search.seed"


@pytest.mark.parametrize(
    "body", [b"", b"[]", b"{", b'{"toml": 3}', b"{}", b"\xff\xfe", b'{"toml": null}', b"[" * 30000]
)
def test_what_is_no_brief_is_refused(subject: Subject, body: bytes) -> None:
    reply = client(subject).post(
        "check", content=body, headers={"content-type": "application/json"}
    )
    assert reply.status_code == 400


@pytest.mark.parametrize("text", ["title = ", "[" * 9000, "a = 1\na = 2", "\x00"])
def test_toml_that_is_none_is_told_where(subject: Subject, text: str) -> None:
    page = client(subject)
    reply = page.post("check", json={"toml": text}).json()
    assert reply["errors"]
    assert reply["form"] == ""
    assert page.post("check", json={"toml": text, "path": "a", "value": "1"}).json()["errors"]


def test_an_exploration_runs_apart_and_becomes_a_document(subject: Subject) -> None:
    page = client(subject)
    text = subject.text.replace("A small stage for tests", "Another job")
    run = page.post("explore", json={"toml": text}).json()["run"]
    assert page.get(f"run/{run}/").status_code == 404
    reply = _ended(page, run)
    assert reply["address"] == f"/token/run/{run}/"
    assert "Another job" in page.get(f"{OWN}{reply['address']}").text
    own = page.get(f"{OWN}{reply['address']}stage", params={"stopper": "22k"}).json()
    assert own["query"].startswith("stopper=22k&")
    assert "Another job" not in page.get("").text


def test_what_an_exploration_found_is_there_at_the_next_start(
    brief_alone: Subject, tmp_path: Path
) -> None:
    page = client(brief_alone, tmp_path)
    run = page.post("explore", json={"toml": brief_alone.text}).json()["run"]
    assert _ended(page, run)["failed"] == ""
    assert is_kept(brief_alone.problem, tmp_path)
    edited_text = brief_alone.text.replace("250 V", "260 V")
    run = page.post("explore", json={"toml": edited_text}).json()["run"]
    assert _ended(page, run)["failed"] == ""
    (apart,) = tmp_path.glob("edited-*")
    assert is_kept(formulate(parse_brief(edited_text)).problem, apart)
    assert is_kept(brief_alone.problem, tmp_path)


def write(page: TestClient, what: str, stage: str) -> dict[str, Any]:
    reply: dict[str, Any] = page.post("write", json={"what": what, "stage": stage}).json()
    return reply


def test_record_and_sheet_of_a_stage_are_those_of_the_commands(
    subject: Subject, explored: Exploration, tmp_path: Path
) -> None:
    page = client(subject, tmp_path)
    assert write(page, "sheet", "stopper=22k")["done"]
    assert "record.md" in write(page, "record", "stopper=22k")["told"]
    (folder,) = tmp_path.glob("stage-*")
    assert {file.name for file in folder.iterdir()} == {"sheet.html", "sheet.md", "record.md"}
    design = subject.design({"stopper": "22k"})
    own = with_stage(explored, design)
    data = report_data(own, PickStudies(reasons=pick_reasons(own)))
    assert (folder / "record.md").read_text("utf-8") == record_text(data)
    seed = subject.formulation.brief.search.seed
    made = write_sheet(sheet(stage_data(subject.formulation, design.batch()), seed), tmp_path)
    assert (folder / "sheet.md").read_bytes() == made["markdown"].read_bytes()


@pytest.mark.slow
def test_a_report_of_a_stage_is_written_apart(subject: Subject, tmp_path: Path) -> None:
    page = client(subject, tmp_path)
    reply = write(page, "report", "stopper=22k")
    assert not reply["done"]
    name = reply["name"]
    while not reply["done"]:
        time.sleep(0.2)
        reply = page.get(f"written/{name}").json()
    (page_file,) = tmp_path.glob("stage-*/report.html")
    assert reply["told"] == str(page_file)


def test_a_single_stage_has_a_report_and_no_record(single: Subject, tmp_path: Path) -> None:
    page = client(single, tmp_path)
    assert "report.html" in write(page, "report", "stopper=82k")["told"]
    assert "needs a front" in write(page, "record", "stopper=82k")["told"]


def test_what_cannot_be_written_is_told(subject: Subject, tmp_path: Path) -> None:
    place = tmp_path / "file"
    place.write_text("in the way")
    page = client(subject, place)
    assert "cannot be written" in write(page, "sheet", "stopper=22k")["told"]
    assert "expected a resistance" in write(page, "sheet", "stopper=22 uF")["told"]
    assert "needs a front" in write(page, "../../x", "stopper=22k")["told"]
    assert page.get("written/none").status_code == 404


def test_a_wrong_brief_is_not_explored(subject: Subject) -> None:
    text = subject.text.replace("250 V", "250 ohm")
    assert client(subject).post("explore", json={"toml": text}).json()["errors"]


@pytest.mark.parametrize("path", ["run/none/", "run/none/stage", "progress/none", "assets/none.js",
                                  "assets/base.css", "nowhere"])  # fmt: skip
def test_what_is_not_there_is_not_there(subject: Subject, path: str) -> None:
    assert client(subject).get(path).status_code == 404


def _ended(page: TestClient, run: str) -> dict[str, Any]:
    for _ in range(600):
        reply: dict[str, Any] = page.get(f"progress/{run}").json()
        if "address" in reply or reply["failed"]:
            return reply
        time.sleep(0.1)
    raise AssertionError("it did not end")
