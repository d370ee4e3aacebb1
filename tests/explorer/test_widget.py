"""The widget of a notebook: what it is asked is answered as the page does, and can be read back."""

from __future__ import annotations

import subprocess
import sys
from typing import Any
from urllib.parse import urlencode

import pytest

import explorer
from explorer.displays import ShownExploration
from explorer.page.subject import Subject
from explorer.widget import SteppedStage
from fixture_types import MakeBriefText

pytestmark = pytest.mark.slow

ASKED = {"stopper": "68k", "plate_load": "150k", "cathode_resistor": "1.5k", "bypass": "22u"}


@pytest.fixture(scope="module")
def result(brief_text: MakeBriefText) -> ShownExploration:
    return explorer.explore(brief_text(), seed=1)


def answered(
    widget: SteppedStage, parts: dict[str, str], monkeypatch: pytest.MonkeyPatch
) -> dict[str, Any]:
    """Return what the widget sends when its script asks for a stage."""
    sent: list[dict[str, Any]] = []
    monkeypatch.setattr(widget, "send", sent.append)
    asked = {"id": "one", "query": urlencode(parts), "what": "quick"}
    # What ipywidgets does with a message of the browser.
    widget._handle_custom_msg(asked, [])
    (message,) = sent
    assert message["id"] == "one"
    reply: dict[str, Any] = message["reply"]
    return reply


def test_it_starts_from_the_pick(result: ShownExploration) -> None:
    widget = explorer.step(result)
    pick = result.frame().iloc[result.pick]
    stage = widget.stage
    for choice in result.problem.choices:
        assert stage.evaluation.parts[choice.part] == pytest.approx(pick[choice.part])
    assert stage.scores["gain_dB"] == pytest.approx(pick["gain_dB"])


def test_it_starts_from_a_stage_with_all_that_it_states(result: ShownExploration) -> None:
    """The coupling capacitor too, which the brief fixes at 22 nF."""
    stage = explorer.assess(result, **ASKED, output_coupling="4.7n")
    widget = explorer.step(stage)
    assert widget.parts == {**ASKED, "output_coupling": "4.7n"}
    assert widget.stage.scores == stage.scores
    assert "4.7 nF" in widget._html.replace("\u00a0", " ")


def test_a_step_is_answered_as_the_page_answers_it(
    result: ShownExploration, monkeypatch: pytest.MonkeyPatch
) -> None:
    reply = answered(explorer.step(result), ASKED, monkeypatch)
    assert reply == Subject(result.formulation, result).reply(ASKED, "quick")
    assert {each["key"]: each["short"] for each in reply["steppers"]} == ASKED


@pytest.mark.parametrize(
    ("part", "value", "told"),
    [
        ("stopper", "22 uF", "resistance"),
        ("bypass", "", "capacitance"),
        ("plate_load", "many", "220k"),
    ],
)
def test_a_wrong_value_is_told_at_its_field(
    result: ShownExploration, monkeypatch: pytest.MonkeyPatch, part: str, value: str, told: str
) -> None:
    widget = explorer.step(result)
    before = dict(widget.parts)
    reply = answered(widget, {**before, part: value}, monkeypatch)
    assert list(reply) == ["errors"]
    assert list(reply["errors"]) == [part]
    assert told in reply["errors"][part]
    assert widget.parts == before


def test_parts_that_the_browser_sends_are_read_back(result: ShownExploration) -> None:
    widget = explorer.step(result)
    widget.set_state({"parts": ASKED})  # as ipywidgets does for the browser
    assert widget.parts == ASKED
    judged = explorer.assess(result, **widget.parts)
    assert widget.stage.scores == judged.scores
    assert widget.stage.good == judged.good
    assert widget.stage.beaten_by == judged.beaten_by


def test_a_cell_sets_one_part_and_the_others_stay(result: ShownExploration) -> None:
    widget = explorer.step(explorer.assess(result, **ASKED))
    widget.parts = {"stopper": "47 kΩ"}
    assert widget.parts == {**ASKED, "stopper": "47k"}
    with pytest.raises(explorer.BriefError, match=r"stoper.*did you mean stopper"):
        widget.parts = {"stoper": "47k"}
    assert widget.parts == {**ASKED, "stopper": "47k"}


def test_two_widgets_hold_their_own_parts(result: ShownExploration) -> None:
    one, other = explorer.step(result), explorer.step(result)
    before = dict(other.parts)
    one.parts = ASKED
    assert other.parts == before != one.parts


def test_a_missing_extra_is_named() -> None:
    code = "import sys; sys.modules['anywidget'] = None; import explorer; explorer.step"
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert run.returncode == 1
    assert run.stderr.splitlines()[-1].endswith("pip install 'stagefront[notebook]'")
