"""A brief with a cathode follower on the plate, and one with a next stage, up to their reports.

What the brief says is built here once more from ``objectives`` alone and compared.
"""

from __future__ import annotations

import json
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from flat_blocks import all_of

from explorer.exploration import Exploration, explore
from explorer.formulation import Formulation
from explorer.report_data import report_data
from explorer.report_studies import pick_studies
from explorer.settings import Settings
from fixture_types import MakeFormulation
from objectives.assessment import Assessment
from objectives.circuit.follower import CathodeFollower, coupled_operating_point, with_follower
from objectives.circuit.neighbours import next_stage_load
from objectives.circuit.network import Network
from objectives.circuit.poles import least_damping
from objectives.devices.lookup import device
from objectives.devices.valve_table import valve
from objectives.format import quantity
from objectives.scores.registry import REGISTRY
from objectives.stage import Stage
from objectives.tolerance.study import StudySize, tolerance_study
from reports.charts.responses import responses
from reports.document.files import write_report
from reports.layout import Prose, Section, Steps, Table
from reports.model import ReportData
from reports.sections.build import document

pytestmark = pytest.mark.slow

QUICK = Settings(seed=5, evaluations=60, batch=20)
NO_STUDY = ("[search]", "[tolerance]\nstudy = false\n\n[search]")
RESISTIVE = 'resistance = "470k"\ncapacitance = "50 pF"'
FOLLOWER = (
    (
        RESISTIVE,
        'capacitance = "20 pF"\n\n[load.cathode_follower]\nvalve = "12AU7"\nsupply = "250 V"\n'
        'cathode_resistor = "47k"\nload_resistance = "100k"',
    ),
    ('[parts.output_coupling]\nvalue = "22n"\n', ""),
    # With leads in it there is something for the study of damping to see.
    ('grid_to_plate = "0.5 pF"', 'grid_to_plate = "0.5 pF"\nplate_lead_inductance = "800 nH"\n'
     'grid_lead_inductance = "300 nH"'),
    NO_STUDY,
)  # fmt: skip
NEXT = (
    (
        RESISTIVE,
        'capacitance = "20 pF"\n\n[load.stage]\nvalve = "12AX7"\nsupply = "250 V"\n'
        'plate_load = "100k"\ncathode_resistor = "1k5"\nstopper = "10k"\ngrid_leak = "470k"',
    ),
    NO_STUDY,
)
SECTIONS = {
    "job", "front", "parts", "point", "responses", "textbook", "noise", "radio",
    "limits", "valve", "method", "stability", "assumptions", "sources",
}  # fmt: skip
VALVE = device("12AX7")


class Run:
    """One brief that was explored, studied and written, once for all tests."""

    def __init__(self, formulated: Formulation, folder: Path) -> None:
        self.ex: Exploration = explore(formulated, QUICK, method="exact")
        self.contents: ReportData = report_data(self.ex, pick_studies(self.ex, folder))
        self.written = write_report(self.contents, folder)

    @cached_property
    def sections(self) -> list[Section]:
        made = document(self.contents)
        return [*made.sections, *made.appendix]

    @property
    def pick(self) -> Assessment:
        return self.contents.pick

    @property
    def markdown(self) -> str:
        return self.written["markdown"].read_text("utf-8")

    @property
    def results(self) -> dict[str, Any]:
        found: dict[str, Any] = json.loads(self.written["json"].read_text("utf-8"))
        return found


@pytest.fixture(scope="module")
def followed(formulated: MakeFormulation, tmp_path_factory: pytest.TempPathFactory) -> Run:
    return Run(formulated(*FOLLOWER), tmp_path_factory.mktemp("follower"))


@pytest.fixture(scope="module")
def loaded(formulated: MakeFormulation, tmp_path_factory: pytest.TempPathFactory) -> Run:
    return Run(formulated(*NEXT), tmp_path_factory.mktemp("next"))


def stage_of(run: Run, **load: Any) -> Stage:
    """Return the pick's stage from the small brief's numbers and the load given."""
    parts = {n: a[run.ex.representatives[:1]] for n, a in run.ex.front.parts.items()}
    return Stage(
        supply_V=250.0, source_ohm=47e3, stray_grid_plate_F=0.5e-12, stopper_shunt_F=0.3e-12,
        grid_leak_ohm=1e6, **parts, **load,
    )  # fmt: skip


# --- a cathode follower ---------------------------------------------------------------------------


@pytest.fixture(scope="module")
def pair(followed: Run) -> tuple[Stage, CathodeFollower]:
    stage = stage_of(followed, load_F=20e-12, plate_lead_H=800e-9, grid_lead_H=300e-9)
    return stage, CathodeFollower(supply_V=250.0, cathode_resistor_ohm=47e3, load_ohm=100e3)


def test_the_reports_operating_point_is_the_coupled_one(
    followed: Run, pair: tuple[Stage, CathodeFollower]
) -> None:
    stage, follower = pair
    point, after = coupled_operating_point(stage, VALVE.law, follower, device("12AU7").law)
    shown = followed.results["pick"]["operating_point"]
    for name, value in point.numeric_fields().items():
        assert shown[name] == pytest.approx(float(value[0]), rel=1e-9, abs=1e-15), name
    # The follower hangs on the plate: what its grid takes passes the plate load as well.
    taken = float(after.point.grid_current_A[0])
    assert shown["supply_current_A"] - shown["plate_current_A"] == pytest.approx(taken, rel=1e-6)
    steps = {
        what: result
        for section in [s for s in followed.sections if s.key == "point"]
        for block in all_of(section) if isinstance(block, Steps)
        for what, _, result in block.rows
    }  # fmt: skip
    assert steps["plate voltage to ground"] == quantity(float(point.plate_V[0]), "V", 5)


def test_the_reports_scores_are_those_of_the_loaded_stage(
    followed: Run, pair: tuple[Stage, CathodeFollower]
) -> None:
    stage, follower = pair
    after_device = device("12AU7")
    _, after = coupled_operating_point(stage, VALVE.law, follower, after_device.law)
    by_hand = with_follower(stage, follower, after_device, after)
    assert float(np.asarray(by_hand.load_F)[0]) > 20e-12
    pick = followed.pick
    network = Network(by_hand, pick.linear, 1000.0)
    gain = 20 * np.log10(np.abs(network.output))
    assert pick["gain_dB"] == pytest.approx(gain, abs=1e-9)
    assert followed.contents.shown["gain_dB"].iloc[0] == pytest.approx(float(gain[0]), abs=1e-9)
    assert pick["least_damping_ratio"] == pytest.approx(
        np.ravel(least_damping(by_hand, pick.linear)), abs=1e-9
    )
    bare = Assessment(stage, VALVE, pick.targets)
    assert abs(float(pick["upper_corner_Hz"][0] / bare["upper_corner_Hz"][0]) - 1) > 1e-3
    assert "load" not in pick.noise.by_origin_dBu


def test_its_ratings_are_limits_of_the_pick(followed: Run) -> None:
    names = {limit.name for limit in followed.contents.limits if limit.kind == "rating"}
    assert {"plate voltage rating", "follower plate voltage rating"} <= names
    assert "follower heater-cathode voltage rating" in names
    assert "follower plate dissipation rating" in followed.ex.front.excess


def test_the_follower_is_in_the_words_charts_and_studies(followed: Run) -> None:
    assert "It drives a directly coupled 12AU7 cathode follower." in followed.markdown
    assert "drives the 12AU7 cathode follower, which is not drawn" in followed.markdown
    keys = {section.key for section in followed.sections}
    assert keys >= SECTIONS
    assert "The cathode follower on the plate counts with its input capacitance" in (
        followed.markdown
    )
    # The responses read the network with the follower in it.
    pick = followed.pick
    levels = responses(pick).levels
    drawn = np.interp(6.0, np.log10(levels["frequency_Hz"]), levels["output_dB"])
    level = 20 * np.log10(np.abs(Network(pick.loaded, pick.linear, 1e6).output))
    level = level - 20 * np.log10(np.abs(Network(pick.loaded, pick.linear, 1e3).output))
    assert drawn == pytest.approx(float(level[0]), abs=0.06)
    for name in ("load_lines", "responses", "noise", "rejection"):
        assert followed.written[f"figure_{name}"].stat().st_size > 1000


def test_every_other_valve_shows_its_law_residuals_and_sources(followed: Run) -> None:
    told = next(s for s in followed.sections if s.key == "valve").blocks
    text = " ".join(p for block in told if isinstance(block, Prose) for p in block.paragraphs)
    entry = valve("12AU7")
    assert "The cathode follower: 12AU7. Equation: Koren: mu" in text
    assert entry.sources.law in text
    tables = [block for block in told if isinstance(block, Table)]
    own = next(table for table in tables if "12AU7" in table.caption)
    assert entry.fit is not None
    assert len(own.frame) == len(entry.fit.points)
    worst = max(abs(p.residual_percent) for p in entry.fit.points)
    shown = own.frame["residual"].str.replace("−", "-").str.extract(r"([-\d.]+)")[0]
    assert shown.astype(float).abs().max() == pytest.approx(worst, abs=0.06)


def test_its_supply_strays_with_the_stages(followed: Run) -> None:
    setup = followed.pick.targets.tolerance
    assert setup is not None
    study = tolerance_study(
        followed.pick,
        ["pick"],
        setup,
        ["gain_dB", "plate_voltage_V"],
        size=StudySize(draws=64, index_samples=8),
    )
    low, middle, high = study.bands["plate_voltage_V"][:, 0]
    assert low < study.nominal["plate_voltage_V"][0] < high
    assert low < middle < high
    assert study.nominal["gain_dB"][0] == pytest.approx(float(followed.pick["gain_dB"][0]))


# --- a next stage ---------------------------------------------------------------------------------


def test_a_next_stage_is_the_load_that_it_is(loaded: Run) -> None:
    later = Stage(
        supply_V=250.0, plate_load_ohm=100e3, cathode_resistor_ohm=1.5e3, bypass_F=np.inf,
        stopper_ohm=10e3, grid_leak_ohm=470e3,
    )  # fmt: skip
    found = next_stage_load(later, VALVE, 1000.0)
    ohm, farad = float(np.ravel(found.resistance_ohm)[0]), float(np.ravel(found.capacitance_F)[0])
    shown = loaded.results["pick"]["stage"]
    assert shown["load_ohm"] == pytest.approx(ohm, rel=1e-9)
    assert shown["load_F"] == pytest.approx(farad + 20e-12, rel=1e-9)
    # Miller's capacitance of a stage with a gain of some sixty is a hundred picofarads and more.
    assert farad > 80e-12
    assert ohm == pytest.approx(470e3, rel=0.02)


def test_its_report_is_that_of_the_stage_with_this_load(loaded: Run) -> None:
    shown = loaded.results["pick"]["stage"]
    stage = stage_of(
        loaded, output_coupling_F=22e-9, load_ohm=shown["load_ohm"], load_F=shown["load_F"]
    )
    by_hand = Assessment(stage, VALVE, loaded.pick.targets)
    names = [n for n in loaded.ex.front.scores if not REGISTRY[n].slow]
    assert "gain_dB" in names
    for name in names:
        assert loaded.contents.shown[name].iloc[0] == pytest.approx(
            float(by_hand[name][0]), rel=1e-9
        ), name
    point = loaded.results["pick"]["operating_point"]
    for name, value in by_hand.point.numeric_fields().items():
        assert point[name] == pytest.approx(float(value[0]), rel=1e-9, abs=1e-15), name
    assert point["supply_current_A"] == point["plate_current_A"]


def test_the_next_stage_is_in_the_words_and_sections(loaded: Run) -> None:
    text = loaded.markdown
    assert "It drives a following 12AX7 stage, a load of" in text
    assert "The following stage counts as its leak and its input capacitance" in text
    keys = {section.key for section in loaded.sections}
    assert keys >= SECTIONS
    assert "cathode follower" not in text
    assert loaded.ex.feasible
    assert loaded.ex.exact is not None
    assert loaded.ex.exact.evaluated == loaded.ex.problem.size
