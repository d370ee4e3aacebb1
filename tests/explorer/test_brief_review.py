"""What `check` says of a brief that is in order: its working point, and what is doubtful."""

from __future__ import annotations

import time
from pathlib import Path
from typing import get_args

import numpy as np
import pytest

from explorer.brief_review import WORKING_POINT, DoubtKind, review
from explorer.cli.doubts import doubt_record, doubt_words, point_lines
from fixture_types import MakeFormulation
from objectives.assessment import assess
from objectives.devices.terms import VALVE
from objectives.stage import Stage

RESISTORS = (
    '[parts.plate_load]\nvalues = ["100k", "150k", "220k"]',
    '[parts.cathode_resistor]\nvalues = ["1k", "1k5", "2k2"]',
)
NO_LIMIT = ('plate_current_A = { at_least = "0.6 mA", at_most = "0.9 mA" }', "")


def plate_load(text: str) -> tuple[str, str]:
    return RESISTORS[0], f"[parts.plate_load]\n{text}"


def cathode_resistor(text: str) -> tuple[str, str]:
    return RESISTORS[1], f"[parts.cathode_resistor]\n{text}"


def kinds(formulated: MakeFormulation, *changes: tuple[str, str]) -> dict[str, str]:
    """Return the kinds of doubt, with the place of each."""
    return {d.kind: d.field for d in review(formulated(*changes)).doubts}


def test_the_working_point_is_that_of_the_middle_of_the_space(formulated: MakeFormulation) -> None:
    reviewed = review(formulated())
    (point,) = reviewed.points
    assert reviewed.doubts == ()
    assert point.device == "12AX7"
    # The middle one of each list; of E6 from 10k to 220k the fifth of nine.
    assert point.parts == {
        "stopper_ohm": 47e3, "plate_load_ohm": 150e3, "cathode_resistor_ohm": 1500.0,
        "bypass_F": 22e-6,
    }  # fmt: skip
    alone = assess(
        Stage(
            supply_V=250.0, source_ohm=47e3, load_ohm=470e3, load_F=50e-12,
            stray_grid_plate_F=0.5e-12, stopper_shunt_F=0.3e-12, output_coupling_F=22e-9,
            **point.parts,
        ),
        "12AX7",
    )  # fmt: skip
    assert point.scores == {
        name: pytest.approx(float(alone[name]), rel=1e-9) for name in WORKING_POINT
    }
    words = point_lines(reviewed, VALVE)
    assert "plate load 150\u00a0kΩ" in words["parts"]
    assert "gain " in words["12AX7"]


def test_every_valve_has_its_own_working_point(formulated: MakeFormulation) -> None:
    reviewed = review(formulated(('valve = "12AX7"', 'valve = ["12AX7", "12AY7"]')))
    assert [point.device for point in reviewed.points] == ["12AX7", "12AY7"]
    currents = [point.scores["plate_current_A"] for point in reviewed.points]
    assert currents[1] > 1.2 * currents[0]  # the 12AY7 has less than half the amplification factor


# Each is a slip or a stage that nobody would build; where it stands in the brief.
DOUBTFUL: list[tuple[str, str, list[tuple[str, str]]]] = [
    ("band beyond the wiring", "targets.radio_bands[1]", [('to = "1.7 MHz"', 'to = "1 GHz"')]),
    ("band beyond the cable", "targets.radio_bands[1]", [
        ('resistance = "47k"', 'resistance = "47k"\ncable = "instrument cable"\ncable_metres = 20'),
        ("[search]", '[carrier]\narrives = "along the cable"\n\n[search]')]),
    ("band beyond the device", "targets.radio_bands[1]", [
        ('to = "1.7 MHz"', 'to = "1 GHz"'),
        ("[search]", "[carrier]\nwiring_metres = 0.03\n\n[search]")]),
    ("corner near the reference", "targets.input_corner", [('"8 kHz"', '"1.5 kHz"')]),
    ("corner out of reach", "targets.input_corner", [('"8 kHz"', '"900 kHz"')]),
    ("limit out of reach", "limits.gain_dB", [
        (NO_LIMIT[0], 'gain_dB = { at_least = "60 dB" }')]),
    ("limit out of reach", "scores.rf_margin_dB", [
        ('rf_margin_dB = "maximise"', 'rf_margin_dB = { at_least = "90 dB" }')]),
    ("rating out of reach", "limits.ratings", [NO_LIMIT, ('"250 V"', '"900 V"')]),
    ("rating broken", "", [NO_LIMIT, ('"250 V"', '"900 V"')]),
    ("supply above rating", "supply.voltage", [('"250 V"', '"350 V"')]),
    ("supply below the data", "supply.voltage", [NO_LIMIT, ('"250 V"', '"1 mV"')]),
    ("supply below the data", "supply.voltage", [NO_LIMIT, ('"250 V"', '"12 V"')]),
    ("above custom", "parts.plate_load", [plate_load('series = "E6"\nfrom = "100k"\nto = "1M"')]),
    ("load below half the plate resistance", "parts.plate_load", [
        plate_load('values = ["22k", "100k"]')]),
    ("above custom", "parts.stopper", [('to = "220k"', 'to = "4.7M"')]),
    ("below custom", "parts.bypass", [('values = ["none", "22u"]', 'values = ["none", "22p"]')]),
    ("wide range", "parts.stopper", [('from = "10k"\nto = "220k"', 'from = "10"\nto = "220k"')]),
    ("leak above rating", "parts.grid_leak", [
        ("[parts.bypass]", '[parts.grid_leak]\nvalue = "10M"\n\n[parts.bypass]')]),
    ("plate near supply", "", [NO_LIMIT, cathode_resistor('value = "220k"')]),
    ("little current", "", [NO_LIMIT, cathode_resistor('value = "220k"')]),
    ("plate near cathode", "", [NO_LIMIT, plate_load('value = "470k"'),
                                cathode_resistor('value = "10"')]),
    ("grid conducts", "", [NO_LIMIT, cathode_resistor('value = "10"')]),
    ("current outside the data", "", [NO_LIMIT, cathode_resistor('value = "220k"')]),
    ("voltage outside the data", "", [NO_LIMIT, ('"250 V"', '"1.2 kV"')]),
]  # fmt: skip


@pytest.mark.parametrize(
    ("kind", "place", "changes"), DOUBTFUL, ids=[f"{k}, {p}" for k, p, _ in DOUBTFUL]
)
def test_what_is_doubtful_is_said_with_its_place(
    kind: str, place: str, changes: list[tuple[str, str]], formulated: MakeFormulation
) -> None:
    doubts = [d for d in review(formulated(*changes)).doubts if (d.kind, d.field) == (kind, place)]
    assert doubts
    words = doubt_words(doubts[0], VALVE)
    assert "{" not in words
    assert words.endswith((".", "?"))
    assert doubt_record(doubts[0])["kind"] == kind


def test_a_drawer_without_a_range_is_doubtful_and_with_one_is_not(
    tmp_path: Path, formulated: MakeFormulation
) -> None:
    (tmp_path / "mine.csv").write_text("kind,value\nresistor,47k\nresistor,100k\nresistor,2M2\n")
    stopper = '[parts.stopper]\nseries = "E6"\nfrom = "10k"\nto = "220k"'
    free = (stopper, '[parts.stopper]\ndrawer = "mine.csv"')
    doubts = review(formulated(free, folder=tmp_path)).doubts
    (bare,) = (d for d in doubts if d.field == "parts.stopper")
    assert (bare.kind, bare.value) == ("drawer without range", 3)
    kept = (stopper, '[parts.stopper]\ndrawer = "mine.csv"\nto = "220k"')
    assert review(formulated(kept, folder=tmp_path)).doubts == ()


def test_every_kind_of_doubt_is_tried_here() -> None:
    tried = {kind for kind, _, _ in DOUBTFUL} | {"drawer without range"}
    assert tried == set(get_args(DoubtKind))


def test_bounds_in_a_record_are_finite_numbers(formulated: MakeFormulation) -> None:
    (doubt,) = review(formulated(('to = "220k"', 'to = "4.7M"'))).doubts
    assert doubt_record(doubt) == {
        "kind": "above custom", "field": "parts.stopper", "unit": "ohm", "name": "stopper_ohm",
        "value": pytest.approx(4.7e6), "at_most": 820e3,
    }  # fmt: skip


def test_a_continuous_part_is_in_the_middle_by_ratio(
    formulated: MakeFormulation, continuous: tuple[str, str]
) -> None:
    (point,) = review(formulated(continuous)).points
    assert point.parts["stopper_ohm"] == pytest.approx(np.sqrt(10e3 * 220e3))


def test_a_review_takes_a_moment(formulated: MakeFormulation) -> None:
    formulation = formulated()
    review(formulation)  # what is loaded once
    start = time.process_time()
    review(formulation)
    assert time.process_time() - start < 1.0
