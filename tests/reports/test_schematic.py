"""The circuit diagram: every part that is there is drawn and named, none that is not."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import combinations
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pytest

from objectives.assessment import Assessment
from objectives.devices.transistor_table import transistors
from objectives.format import quantity
from reports.charts.schematic import schematic
from reports.layout import Svg
from reports.model import DriverSummary
from reports.theme import CHOSEN

Restage = Callable[..., Assessment]
SVG = "{http://www.w3.org/2000/svg}"


@dataclass(frozen=True)
class Text:
    words: str
    x: float
    y: float
    anchor: str
    size: float
    colour: str

    @property
    def box(self) -> tuple[float, float, float, float]:
        """Left, top, right, bottom; a glyph is taken as half as wide as its letters are high."""
        width = 0.5 * self.size * len(self.words)
        left = {"start": self.x, "middle": self.x - width / 2, "end": self.x - width}[self.anchor]
        return left, self.y - 0.4 * self.size, left + width, self.y + 0.4 * self.size


def drawn(pick: Assessment, **options: Any) -> Svg:
    return schematic(pick.stage, pick.device, **options)


def texts(markup: str) -> list[Text]:
    return [
        Text(
            "".join(element.itertext()).replace("\u00a0", " "),
            float(element.attrib["x"]),
            float(element.attrib["y"]),
            element.attrib["text-anchor"],
            float(element.attrib["font-size"]),
            element.attrib["fill"],
        )
        for element in ElementTree.fromstring(markup).iter(f"{SVG}text")
    ]


def words(svg: Svg) -> set[str]:
    return {text.words for text in texts(svg.markup)}


FULL = {"grid_capacitor_F": 47e-12, "cathode_unbypassed_ohm": 330.0, "bypass_series_ohm": 68.0,
        "plate_capacitor_F": 220e-12, "plate_capacitor_series_ohm": 8.2e3}  # fmt: skip

DECOUPLED = {"decoupling_ohm": 22e3, "decoupling_F": 47e-6}


def test_every_part_of_a_full_stage_is_named_with_its_value(restage: Restage) -> None:
    shown = words(drawn(restage(**FULL)))
    assert {
        "38 kΩ", "100 pF", "22 nF", "1 MΩ", "33 kΩ", "its own 0.3 pF", "leads 10 nH", "47 pF",
        "330 Ω", "1 kΩ", "22 µF", "68 Ω", "180 kΩ", "220 pF", "470 kΩ", "+300 V",
        "12AX7 (demo set)", "grid stopper", "plate load", "cathode resistor", "grid leak", "bypass",
        "output coupling", "input coupling", "output", "source",
    } <= shown  # fmt: skip


@pytest.mark.parametrize(
    ("change", "gone"),
    [
        ({"stopper_shunt_F": 0.0}, "its own 0.3 pF"),
        ({"stopper_lead_H": 0.0}, "leads 10 nH"),
        ({"stopper_ohm": 0.0}, "grid stopper"),
        ({"source_ohm": 0.0}, "38 kΩ"),
        ({"cable_F": 0.0}, "cable"),
        ({"bypass_F": 0.0}, "bypass"),
        ({"input_coupling_F": np.inf}, "input coupling"),
        ({"output_coupling_F": np.inf}, "output coupling"),
        ({"grid_leak_ohm": np.inf}, "grid leak"),
        ({"load_ohm": np.inf}, "470 kΩ"),
        ({"cathode_resistor_ohm": 0.0, "cathode_unbypassed_ohm": 470.0}, "cathode resistor"),
    ],
)
def test_absent_parts_are_not_drawn(restage: Restage, change: dict[str, float], gone: str) -> None:
    assert gone in words(drawn(restage()))
    assert gone not in words(drawn(restage(**change)))


def test_a_full_bypass_is_said_to_be_one(restage: Restage) -> None:
    assert "full" in words(drawn(restage(bypass_F=np.inf)))


def test_a_fixed_bias_is_where_the_leak_returns_to(restage: Restage) -> None:
    assert "−1.5 V bias" in words(drawn(restage(grid_bias_V=-1.5)))
    assert not any("bias" in w for w in words(drawn(restage())))


def test_a_bias_divider_is_drawn_as_its_two_resistors(restage: Restage) -> None:
    divided = restage(grid_bias_ratio=22 / 122, grid_leak_ohm=22e3 * 100 / 122, supply_V=12.0)
    shown = words(drawn(divided))
    assert {"upper bias", "100 kΩ", "lower bias", "22 kΩ"} <= shown
    assert not {"grid leak", "18.03 kΩ"} & shown


def test_the_decoupling_stands_ahead_of_the_voltage_that_is_stated(restage: Restage) -> None:
    shown = {t.words: t for t in texts(drawn(restage(**DECOUPLED)).markup)}
    assert {"22 kΩ", "47 µF", "decoupling", "supply"} <= shown.keys()
    # SVG counts downwards.
    assert shown["supply"].y < shown["22 kΩ"].y < shown["+300 V"].y < shown["plate load"].y
    plain = words(drawn(restage()))
    assert not {"decoupling", "supply"} & plain


@pytest.mark.parametrize("level", [1.0, 0.3])
def test_an_attenuator_stands_between_source_and_stage(restage: Restage, level: float) -> None:
    driver = DriverSummary(9.9e3, 0.02, 39e3, 390e3, 10e3, level)
    svg = drawn(restage(source_ohm=9.9e3), driver=driver)
    places = {t.words: t.x for t in texts(svg.markup)}
    assert places["39 kΩ"] < places["390 kΩ"] < places["10 kΩ"] < places["input coupling"]
    assert ("set to 0.3" in places) == (level < 1)
    assert "9.9 kΩ" not in places  # the Thevenin equivalent of what is drawn


def test_the_leak_stands_on_its_own_side_of_the_stopper(restage: Restage) -> None:
    def places(svg: Svg) -> dict[str, float]:
        return {t.words: t.x for t in texts(svg.markup)}

    before = places(drawn(restage(leak_at_grid=0.0)))
    after = places(drawn(restage(leak_at_grid=1.0)))
    assert before["grid leak"] < before["grid stopper"]
    assert after["grid leak"] > after["grid stopper"]


def test_chosen_values_are_set_off_in_colour(restage: Restage) -> None:
    svg = drawn(restage(), chosen=["stopper_ohm"])
    colours = {t.words: t.colour for t in texts(svg.markup)}
    assert colours["33 kΩ"] == CHOSEN != colours["180 kΩ"]


@pytest.mark.parametrize(
    "change",
    [
        {},
        FULL,
        {"leak_at_grid": 1.0},
        {"leak_at_grid": 1.0, **FULL},
        {"grid_bias_V": -1.5},
        {"grid_bias_ratio": 0.18},
        {"grid_bias_ratio": 0.18, "leak_at_grid": 1.0},
        {"bypass_F": 0.0, "output_coupling_F": np.inf, "load_ohm": np.inf, "load_F": 0.0},
        {"source_ohm": 0.0, "cable_F": 0.0, "input_coupling_F": np.inf},
        DECOUPLED,
        {**DECOUPLED, **FULL},
        {**DECOUPLED, "grid_bias_ratio": 0.18, "leak_at_grid": 1.0},
    ],
)
@pytest.mark.parametrize(
    "driver", [None, DriverSummary(9.9e3, 0.02, 39e3, 470e3, 10e3), DriverSummary(
        50e3, 0.5, 600.0, 0.0, 100e3, 0.5)]
)  # fmt: skip
def test_no_two_labels_overlap(
    restage: Restage, change: dict[str, float], driver: DriverSummary | None
) -> None:
    changed = restage(**change)
    drawing = drawn(changed, driver=driver, point=changed.point)
    for markup, least in ((drawing.markup, 11), (drawing.narrow, 6)):
        labels = texts(markup)
        assert len(labels) > least
        for first, second in combinations(labels, 2):
            a, b = first.box, second.box
            apart = a[2] <= b[0] or b[2] <= a[0] or a[3] <= b[1] or b[3] <= a[1]
            assert apart, f"{first.words!r} overlaps {second.words!r}"


def test_what_a_meter_finds_at_rest_is_written_at_its_nodes(restage: Restage) -> None:
    pick = restage()
    shown = words(drawn(pick, point=pick.point))
    assert {quantity(pick.point.plate_V, "V", 3), quantity(pick.point.cathode_V, "V", 3)} <= {
        word.replace(" ", "\u00a0") for word in shown
    }


def test_a_narrow_page_has_larger_values_and_no_names(restage: Restage) -> None:
    drawing = drawn(restage(), chosen=["stopper_ohm"])
    wide, narrow = ({t.words: t for t in texts(m)} for m in (drawing.markup, drawing.narrow))
    assert "grid stopper" in wide.keys() - narrow.keys()
    assert narrow["33 kΩ"].size > wide["33 kΩ"].size


def test_the_drawing_is_told_in_words(restage: Restage) -> None:
    told = drawn(restage(leak_at_grid=1.0)).words.replace("\u00a0", " ")
    assert "grid leak on the grid side of the stopper" in told
    assert "grid stopper 33 kΩ" in told


def test_a_transistor_has_its_own_symbol(restage: Restage) -> None:
    device = transistors()[0]
    stage = restage(supply_V=24.0).stage
    valve, other = schematic(stage, restage().device), schematic(stage, device)
    assert device.name in words(other)
    assert valve.markup.count("<path") != other.markup.count("<path")
