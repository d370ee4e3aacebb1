"""A report in the words of its own device: said once, quoted where it quotes."""

from __future__ import annotations

import re
from itertools import pairwise

import altair as alt
import pandas as pd
import pytest

from objectives.assessment import Assessment
from objectives.devices.lookup import device
from objectives.devices.terms import BIPOLAR, FIELD_EFFECT, VALVE, AsIs
from objectives.stage import Stage
from reports.charts.load_lines import load_line_chart
from reports.charts.schematic import schematic
from reports.model import Note, Prose, ReportData, Section, Steps, Svg, Table
from reports.spoken import spoken_chart, spoken_section
from reports.theme import spec_of

QUOTE = "plates and grids, J. of Plate Circuits 1, 1920"
SECTION = Section(
    "point",
    "The plate and the grid",
    [
        Prose(["The cathode follows the source.", AsIs("A 12AX7 with a plate load.")]),
        Prose([f"Sources: (1) {QUOTE}."]),
        Note("The valve has a grid stopper.", "finding"),
        Steps([("plate voltage", "V_p = V_b − I R_L", "grid"), ("b", "c", "d")]),
        Table(
            pd.DataFrame({"plate load": ["10 kΩ"], "source": [QUOTE], "n": [1.5]}),
            "By plate load.",
            {0: "best plate current"},
            linked=True,
        ),
        Svg("drawing", "<svg><text>plate load</text></svg>", "a grid", "the valve"),
    ],
)


def test_a_valve_hears_itself() -> None:
    assert spoken_section(SECTION, VALVE) is SECTION
    spec = {"title": "plate current"}
    assert spoken_chart(spec, VALVE) is spec


def test_every_kind_of_block_is_said_and_quotes_are_not() -> None:
    found = spoken_section(SECTION, FIELD_EFFECT)
    assert found.key == "point"
    assert found.title == "The drain and the gate"
    prose, sources, note, steps, table, drawing = found.blocks
    assert isinstance(prose, Prose)
    assert prose.paragraphs == [
        "The source follows the signal source.", "A 12AX7 with a plate load.",
    ]  # fmt: skip
    assert isinstance(sources, Prose)
    assert sources.paragraphs == [f"Sources: (1) {QUOTE}."]
    assert note == Note("The transistor has a gate stopper.", "finding")
    assert isinstance(steps, Steps)
    assert steps.rows[0] == ("drain voltage", "V_d = V_dd − I R_L", "gate")
    assert isinstance(table, Table)
    assert table.frame.to_dict("list") == {"drain load": ["10 kΩ"], "source": [QUOTE], "n": [1.5]}
    assert (table.caption, table.marked, table.linked) == (
        "By drain load.", {0: "best drain current"}, True,
    )  # fmt: skip
    assert isinstance(drawing, Svg)
    assert (drawing.words, drawing.caption) == ("a grid", "the valve")
    assert drawing.markup == "<svg><text>plate load</text></svg>"


def test_a_section_of_sources_is_quoted_whole() -> None:
    sources = Section("sources", "Sources", [Prose([QUOTE], listed=True)])
    assert spoken_section(sources, BIPOLAR) is sources


def test_charts_keep_their_fields_and_say_their_texts_and_rows() -> None:
    frame = pd.DataFrame({"grid": ["grid", "plate"], "plate_V": [1.0, 2.0]})
    chart = (
        alt.Chart(frame, title="Plate curves")
        .mark_line()
        .encode(
            x=alt.X("plate_V:Q", title="plate–cathode voltage (V)"),
            color=alt.Color("grid:N", scale=alt.Scale(domain=["grid", "plate"])),
        )
        .properties(description="By grid.")
    )
    spec = spec_of(chart)
    said = spoken_chart(spec, BIPOLAR)
    title = said["title"]
    assert (title if isinstance(title, str) else title["text"]) == "Output characteristics"
    assert said["description"] == "By base."
    encoding = said["encoding"]
    assert encoding["x"]["title"] == "collector–emitter voltage (V)"
    assert encoding["x"]["field"] == "plate_V"
    assert encoding["color"]["field"] == "grid"
    # Rows and domain are said alike, or the lines would lose their colours.
    assert encoding["color"]["scale"]["domain"] == ["base", "collector"]
    (rows,) = said["datasets"].values()
    assert [row["grid"] for row in rows] == ["base", "collector"]
    assert [row["plate_V"] for row in rows] == [1.0, 2.0]
    # What was given is left as it was.
    assert spec["encoding"]["x"]["title"] == "plate–cathode voltage (V)"


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
    spec = spec_of(load_line_chart(pick))
    rows = [row for rows in spec["datasets"].values() for row in rows if row.get("side") == "top"]
    places = sorted(row["plate_V"] for row in rows)
    assert places
    assert all(b - a > 0.04 * 9.0 for a, b in pairwise(places))
