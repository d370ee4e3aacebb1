"""Where a law can be trusted, and how far off it is: what the report says of it."""

from __future__ import annotations

import warnings
from dataclasses import replace

import pytest

from objectives.assessment import Assessment
from objectives.devices.valve_table import valve, valves
from objectives.reading.trust import untrusted_words
from objectives.stage import Stage
from objectives.targets import Targets
from objectives.textbook import textbook_estimate
from reports.layout import Note
from reports.model import ReportData
from reports.sections.device import error_table
from reports.sections.front import front_table
from reports.sections.operating_point import operating_point_slot
from stand_in import fit_of


def stage(plate_load_ohm: float, cathode_resistor_ohm: float) -> Assessment:
    """A 12AU7 on 250 V."""
    circuit = Stage(
        supply_V=250.0, plate_load_ohm=plate_load_ohm, cathode_resistor_ohm=cathode_resistor_ohm
    )
    return Assessment(circuit, valve("12AU7"), Targets())


def test_a_stage_outside_the_data_of_its_law_is_marked() -> None:
    # 3 mA in the Philips chart of the ECC82; 0.2 mA is below every published number.
    assert untrusted_words(stage(47e3, 1200.0)) == ""
    starved = stage(470e3, 22e3)
    assert float(starved.point.plate_current_A) < 0.4e-3
    words = untrusted_words(starved)
    assert "12AU7" in words
    (first, *_) = operating_point_slot(starved).blocks
    assert first == Note(words, "caution")


@pytest.mark.parametrize("name", [entry.name for entry in valves()])
def test_the_errors_are_the_largest_of_every_source_the_worst_first(name: str) -> None:
    points = fit_of(valve(name)).points
    table = error_table(valve(name))
    assert table["numbers"].astype(int).sum() == len(points)
    assert set(table["source"]) == {p.source for p in points}
    sizes = [abs(100 * (p.law / p.published - 1)) for p in points]
    shown = [
        abs(
            float(
                cell.replace("−", "-").replace("\N{NARROW NO-BREAK SPACE}", "").rstrip(" %\u00a0")
            )
        )
        for cell in table["largest error"]
    ]
    assert shown == sorted(shown, reverse=True)
    assert shown[0] == pytest.approx(max(sizes), rel=0.05)


def test_a_design_whose_law_is_doubtful_is_marked_in_the_front(contents: ReportData) -> None:
    assert "law" not in front_table(contents).frame.columns
    shown = contents.shown.assign(law_trusted=contents.shown.index > 0)
    table = front_table(replace(contents, shown=shown))
    assert table.frame["law"].tolist() == ["doubtful"] + [""] * (len(shown) - 1)
    assert "doubtful" in table.caption


def test_a_stage_that_is_none_is_called_meaningless() -> None:
    # On 12 V through 1 MΩ a few microamperes flow, on 1 mV none to speak of.
    def on(supply_V: float) -> str:
        circuit = Stage(supply_V=supply_V, plate_load_ohm=1e6, cathode_resistor_ohm=1500.0)
        return untrusted_words(Assessment(circuit, valve("12AX7"), Targets()))

    assert "means anything" in on(1e-3)
    assert "means anything" in on(12.0)
    assert "means anything" not in untrusted_words(stage(470e3, 22e3))


@pytest.mark.parametrize("supply_V", [1e-3, 1e-12, 1.0])
def test_no_warning_is_printed_of_a_stage_without_current(supply_V: float) -> None:
    circuit = Stage(supply_V=supply_V, plate_load_ohm=1e5, cathode_resistor_ohm=1500.0)
    pick = Assessment(circuit, valve("12AX7"), Targets())
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        textbook_estimate(pick.stage, pick.linear, 1000.0)
