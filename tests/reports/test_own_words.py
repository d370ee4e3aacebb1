"""Drawings and charts of a transistor stage, in its own words."""

from __future__ import annotations

import re
from itertools import pairwise

import pytest

from objectives.assessment import Assessment
from objectives.devices.lookup import device
from objectives.stage import Stage
from reports.charts.load_lines import load_line_chart
from reports.charts.schematic import schematic
from reports.model import ReportData
from valid_charts import valid_spec


@pytest.mark.parametrize(
    ("name", "own"),
    [("J201", {"drain load", "source resistor", "gate leak", "signal source"}),
     ("BC550B", {"collector load", "emitter resistor", "bias resistance", "source"})],
)  # fmt: skip
def test_a_drawing_says_its_own_words(contents: ReportData, name: str, own: set[str]) -> None:
    svg = schematic(contents.pick.stage, device(name))
    for words in own:
        assert f">{words}<" in svg.markup, words
    for text in (svg.markup, svg.words, svg.caption):
        assert not re.search(r"\b(grid|plate|cathode|valve|heater)\b", text)


def test_ends_of_steep_curves_do_not_touch(contents: ReportData) -> None:
    """A field-effect transistor's curves leave the chart side by side at its left edge."""
    stage = Stage(
        supply_V=9.0, plate_load_ohm=47e3, cathode_resistor_ohm=3.3e3, load_ohm=47e3,
        output_coupling_F=1e-6,
    ).broadcast()  # fmt: skip
    pick = Assessment(stage, device("J201"), contents.pick.targets)
    spec = valid_spec(load_line_chart(pick))
    rows = [row for rows in spec["datasets"].values() for row in rows if row.get("side") == "top"]
    places = sorted(row["plate_V"] for row in rows)
    assert places
    assert all(b - a > 0.04 * 9.0 for a, b in pairwise(places))
