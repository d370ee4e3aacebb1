"""What a notebook shows: the same values as the exploration has, and nothing from a network."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET

import pytest

import explorer
from explorer.displays import ShownExploration
from objectives.checks import InputError
from objectives.format import part_value, quantity

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def result() -> ShownExploration:
    return explorer.explore("battery-preamp")


def words(html: str) -> str:
    """Return what is read of a display: no style, no markup, every space a plain one."""
    text = re.sub(r"<style>.*?</style>|<[^>]+>", " ", html, flags=re.DOTALL)
    return " ".join(text.split())


def stands_alone(html: str) -> bool:
    return re.search(r"<script|<link|<img|url\((?!#)|@import|(src|href)=", html) is None


def test_an_exploration_shows_its_pick(result: ShownExploration) -> None:
    html = result._repr_html_()
    pick = result.frame().iloc[result.pick]
    told = words(html)
    for choice in result.problem.choices:
        if choice.part != "leak_at_grid":
            assert words(part_value(choice.part, pick[choice.part])) in told
    assert stands_alone(html)


def test_its_style_reaches_no_further(result: ShownExploration) -> None:
    (style,) = re.findall(r"<style>(.*?)</style>", result._repr_html_(), re.DOTALL)
    assert style.startswith(".stagefront {")
    assert style.count("{") == style.count("}")
    assert not re.search(r":root|\bbody\b", style)


def test_the_front_shows_its_chart_and_its_designs(result: ShownExploration) -> None:
    html = explorer.show(result, "front")._repr_html_()
    assert stands_alone(html)
    (chart,) = re.findall(r"<svg.*?</svg>", html, re.DOTALL)
    assert ET.fromstring(chart).tag.endswith("svg")
    assert len(re.findall(r"<tr", html)) >= len(result.representatives)


def test_a_section_that_is_not_there_is_answered_by_those_that_are(
    result: ShownExploration,
) -> None:
    with pytest.raises(InputError, match=r"front.*did you mean front"):
        explorer.show(result, "frnt")


def test_a_stage_shows_its_own_values(result: ShownExploration) -> None:
    stage = explorer.assess(
        result, stopper="10k", plate_load="22k", cathode_resistor="2k2", bypass="47u"
    )
    told = words(stage._repr_html_())
    assert words(part_value("stopper_ohm", 10e3)) in told
    assert words(part_value("plate_load_ohm", 22e3)) in told
    assert words(quantity(round(stage.scores["gain_dB"], 1), "dB")) in told
    assert stands_alone(stage._repr_html_())


def test_a_stage_shows_a_part_that_the_brief_fixes_otherwise(result: ShownExploration) -> None:
    """The brief has 1 µF for the coupling capacitor."""
    stage = explorer.assess(
        result, stopper="10k", plate_load="22k", cathode_resistor="2k2", bypass="47u",
        output_coupling="33n",
    )  # fmt: skip
    (circuit,) = re.findall("<svg.*?</svg>", stage._repr_html_(), re.DOTALL)
    assert words(part_value("output_coupling_F", 33e-9)) in words(circuit)
