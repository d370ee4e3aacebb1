"""What the section on stability says is what the poles say."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import TypeVar

import numpy as np
import pytest
from flat_blocks import all_of

from fixture_types import Restage
from objectives.assessment import Assessment
from objectives.circuit.follower import CathodeFollower
from objectives.circuit.poles import least_damping
from objectives.circuit.stability import smallest_stopper
from objectives.format import number
from reports.charts.damping import damping_sweep
from reports.layout import Block, Figure, Note, Prose, Steps, Table
from reports.model import ReportData
from reports.sections.stability import lead_table, stability_section
from valid_charts import valid_spec

T = TypeVar("T")

SHORT = {"grid_lead_H": 10e-9, "plate_lead_H": 20e-9, "cathode_lead_H": 15e-9}
LONG = {
    "stopper_ohm": 0.0, "grid_lead_H": 400e-9, "plate_lead_H": 400e-9, "load_F": 100e-12,
    "plate_load_ohm": 22e3, "cathode_resistor_ohm": 150.0, "cable_F": 1e-9,
}  # fmt: skip


def of_kind(blocks: Iterable[Block], kind: type[T]) -> list[T]:
    return [block for block in blocks if isinstance(block, kind)]


def test_a_stage_with_short_leads_is_found_well_damped(restage: Restage) -> None:
    blocks = all_of(stability_section(restage(**SHORT)))
    verdict = of_kind(blocks, Note)[0]
    assert verdict.kind == "finding"
    assert "well damped up to 300 MHz" in verdict.text
    resonances, leads = of_kind(blocks, Table)
    assert not resonances.marked
    assert (resonances.frame["counted"] == "no, too high").all()
    assert leads.frame["leads"].tolist() == ["10 mm", "30 mm", "100 mm", "300 mm"]
    # Nothing resonates below 300 MHz, so there is no curve to draw.
    assert not of_kind(blocks, Figure)


def test_a_stage_that_oscillates_is_cautioned(restage: Restage) -> None:
    a = restage(**LONG)
    assert float(least_damping(a.stage, a.linear)[0]) < 0
    found = stability_section(a)
    verdict = of_kind(all_of(found), Note)[0]
    assert verdict.kind == "caution"
    assert verdict.text.startswith("The stage oscillates")
    resonances = of_kind(all_of(found), Table)[0]
    assert resonances.marked == {0: "broken"}
    assert resonances.frame["the valve"][0] == "feeds it"
    (figure,) = of_kind(all_of(found), Figure)
    spec = valid_spec(figure.chart)
    assert "with the valve" in spec["description"].lower()
    assert found.key == "stability"


def test_the_steps_state_the_smallest_stopper(restage: Restage) -> None:
    a = restage(**LONG)
    rows = {
        what: result for what, _, result in of_kind(all_of(stability_section(a)), Steps)[0].rows
    }
    stopper = float(smallest_stopper(a.stage, a.linear)[0])
    assert 10 < stopper < 1e3
    shown = rows["smallest stopper that damps well"]
    assert float(shown.split("\u00a0")[0]) == pytest.approx(stopper, rel=5e-3)
    assert rows["stopper as it is"] == "none"
    assert rows["commonly fitted"] == "100\u00a0Ω to 10\u00a0kΩ"


def test_the_sweep_is_the_score_over_the_stopper(restage: Restage) -> None:
    a = restage(**LONG)
    stage = a.stage.map(lambda x: x.reshape(-1)[0])
    linear = a.linear.map(lambda x: x.reshape(-1)[0])
    swept = damping_sweep(stage, linear)
    row = swept.iloc[40]
    again = least_damping(replace(stage, stopper_ohm=float(row["stopper_ohm"])), linear)
    assert float(again) == pytest.approx(float(row["damping"]))
    cold = swept[swept["device"] == "cold"]["damping"]
    assert (cold > 0).all()
    assert swept["damping"].min() < 0


def test_longer_leads_ask_for_more(restage: Restage) -> None:
    a = restage(**LONG)
    table = lead_table(
        a.stage.map(lambda x: x.reshape(-1)[0]), a.linear.map(lambda x: x.reshape(-1)[0])
    )
    assert table.frame["smallest stopper"].iloc[0] == "no stopper needed"
    assert "Ω" in table.frame["smallest stopper"].iloc[-1]
    assert table.marked[3] == "broken"


def test_without_leads_the_section_says_so(restage: Restage) -> None:
    bare = dict.fromkeys((*SHORT, "stopper_lead_H"), 0.0)
    _, first, *_ = all_of(stability_section(restage(**bare)))
    assert isinstance(first, Prose)
    texts = first.paragraphs
    assert any("No lead inductance is stated" in text for text in texts)


def test_one_stage_only(batch: Assessment) -> None:
    with pytest.raises(ValueError, match="must be one stage"):
        stability_section(batch)


def test_scalar_stages_serve_as_well(restage: Restage) -> None:
    a = restage(**LONG)
    scalar = Assessment(a.stage.map(lambda x: np.ravel(x)[0]), a.device, a.targets)
    rows = [of_kind(all_of(stability_section(x)), Steps)[0].rows for x in (a, scalar)]
    assert rows[0] == rows[1]


def test_a_follower_on_the_plate_counts(restage: Restage, contents: ReportData) -> None:
    follower = CathodeFollower(supply_V=300.0, cathode_resistor_ohm=100e3, stray_grid_plate_F=5e-12)
    direct = {"output_coupling_F": np.inf, "load_ohm": np.inf, "load_F": 0.0}
    bare = restage(**{**LONG, **direct})
    loaded = replace(bare, follower=(follower, contents.pick.device))
    least = float(least_damping(loaded.loaded, loaded.linear)[0])
    without = float(least_damping(bare.stage, bare.linear)[0])
    assert number(least, 2) != number(without, 2)
    notes = of_kind(all_of(stability_section(loaded)), Note)
    assert number(least, 2) in notes[0].text
    assert "cathode follower on the plate counts" in notes[-1].text
    assert "follower" not in " ".join(
        note.text for note in of_kind(all_of(stability_section(bare)), Note)
    )
