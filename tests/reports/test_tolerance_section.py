"""The section on tolerance says what the study says, and its charts are valid."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import TypeVar

import numpy as np
import pytest

from objectives.arrays import FloatArray
from objectives.assessment import Assessment
from objectives.circuit.corners import Port
from objectives.devices.terms import FIELD_EFFECT, VALVE
from objectives.stage import Stage
from objectives.targets import Targets
from objectives.tolerance.builds import built_scores
from objectives.tolerance.results import (
    HardestWindow,
    ResponseBand,
    SensitivityIndex,
    SlowBands,
    ToleranceStudy,
)
from objectives.tolerance.setup import ToleranceSetup
from objectives.tolerance.spreads import VALVE_QUANTITIES, Spread, draw_units
from objectives.tolerance.worst_case import swings, worst_cases
from reports.charts.tolerance_bands import quantity_label
from reports.layout import Block, Figure, Note, Prose, Table
from reports.model import ReportData
from reports.sections.tolerance import tolerance_blocks, tolerance_details
from reports.theme import svg_of
from valid_charts import valid_spec

T = TypeVar("T")

SCORES = ("input_corner_Hz", "gain_dB", "plate_current_A")
SPREADS = (
    Spread.plus_minus("stopper_ohm", 0.1, source="invented"),
    Spread.plus_minus("valve_transconductance", 0.25, "normal", "invented"),
    Spread("load_F", -0.2, 0.5, "rounded", "invented"),
)
WINDOWS = {"input_corner_Hz": (15e3, np.inf), "gain_dB": (30.0, 37.0)}


@pytest.fixture(scope="module")
def study(contents: ReportData) -> ToleranceStudy:
    """Return a study of three designs: real draws, and numbers of our own where these are told."""
    stage = Stage(
        supply_V=300.0, plate_load_ohm=100e3, cathode_resistor_ohm=1.5e3, bypass_F=22e-6,
        stopper_ohm=np.array([33e3, 56e3, 82e3]), source_ohm=10e3, load_ohm=1e6, load_F=50e-12,
    )  # fmt: skip
    front = Assessment(stage, contents.pick.device, Targets())
    setup = ToleranceSetup(SPREADS, WINDOWS)
    drawn = built_scores(front, SPREADS, draw_units(SPREADS, 256, 1), SCORES)
    one = replace(front, stage=stage.at(slice(1, 2)))
    good = np.array([0.995, 0.25, 0.0])
    frequency = np.array([10.0, 1e3, 1e5])
    levels: tuple[tuple[Port, FloatArray], ...] = (
        ("grid", np.array([0, 0, -9.0])),
        ("output", np.array([30.0, 36, 9])),
    )
    return ToleranceStudy(
        setup=setup,
        candidates=("4", "8", "15"),
        scores=SCORES,
        draws=10_240,
        solved=np.array([127, 10_240, 127]),
        percentiles=(5.0, 50.0, 95.0),
        nominal={name: front[name] for name in SCORES},
        bands=drawn.bands(),
        good=good,
        good_low=good * 0.9,
        good_high=good * 0.9 + 0.1,
        kept={"input_corner_Hz": good, "gain_dB": np.array([1.0, 0.9, 0.8])},
        ratings_kept=np.array([1.0, 0.987, 1.0]),
        hardest=(None, HardestWindow("input_corner_Hz", 0.25, "stopper_ohm", 0.619), None),
        pick=1,
        responses=tuple(
            ResponseBand(port, 2048, frequency, level, level - 1, level + 0.1, level + 1.5)
            for port, level in levels
        ),
        indices=tuple(
            SensitivityIndex(score, spread.quantity, 0.3, total, 0.02)
            for score in (*SCORES, "tolerance_yield_percent")
            for spread, total in zip(SPREADS, (0.44, 0.33, 0.0), strict=True)
        ),
        index_samples=1024,
        swings=swings(one, SPREADS, SCORES),
        worst=worst_cases(one, SPREADS, SCORES, vertex_parts=3),
        extremes={
            name: (float(value[1].min()), float(value[1].max()))
            for name, value in drawn.values.items()
        },
        evaluations=123_456,
        seconds=4.21,
    )


def of_kind(found: Iterable[Block], kind: type[T]) -> list[T]:
    return [block for block in found if isinstance(block, kind)]


def text_of(found: Iterable[Block]) -> str:
    words = [p for block in of_kind(found, Prose) for p in block.paragraphs]
    words += [note.text for note in of_kind(found, Note)]
    return " ".join(words).replace("\u00a0", " ")


def every_block(study: ToleranceStudy) -> list[Block]:
    return [*tolerance_blocks(study), *tolerance_details(study)]


@pytest.mark.slow
def test_words_tell_yield_blame_and_what_was_asked(study: ToleranceStudy) -> None:
    found = every_block(study)
    text = text_of(found)
    assert "3 designs was built 10,240 times. Parts, valve and supply vary" in text
    assert "123,456 stages were solved in all." in text
    assert "keeps: input corner at least 15 kHz; gain 30 dB to 37 dB; and exceeds no rating" in text
    assert "The pick, candidate 8, has a yield of 25.0 % (95 % interval 22.5–32.5 %)" in text
    assert "candidate 4 has the best, 99.5 %" in text
    assert "is the grid stopper: alone it causes 61.9 % of that score's variance" in text
    assert (
        "depends most on the grid stopper (total index 0.44), then on the transconductance" in text
    )
    assert of_kind(found, Note)[0].kind == "caution"
    better = every_block(replace(study, good=np.array([0.5, 0.99, 0.2])))
    assert of_kind(better, Note)[0].kind == "finding"
    assert "no other design shown has more" in text_of(better)


def test_yield_table_has_a_row_a_design_and_marks_the_pick(study: ToleranceStudy) -> None:
    yields, worst, spreads = of_kind(every_block(study), Table)
    frame = yields.frame
    assert frame["candidate"].tolist() == ["4", "8", "15"]
    assert frame["yield (%)"].tolist() == ["99.5", "25.0", "0.0"]
    assert frame["ratings kept (%)"].tolist() == ["100.0", "98.7", "100.0"]
    assert frame["limit missed most"].tolist() == ["—", "input corner", "—"]
    assert frame["main contributor"][1].startswith("grid stopper (61.9")
    assert yields.marked == {1: "pick"}
    assert spreads.frame["source"].tolist() == ["invented"] * 3
    assert spreads.frame["spread"].tolist() == [
        "±10 %, uniform", "±25 %, normal", "−20 % to +50 %, rounded",
    ]  # fmt: skip
    # Scores with a window come first.
    assert worst.frame.iloc[:, 0].tolist() == ["input corner", "gain (dB)", "plate current"]


def test_worst_table_names_the_ends_that_matter(study: ToleranceStudy) -> None:
    worst = of_kind(every_block(study), Table)[1].frame.set_index("score")
    row = worst.loc["plate current"]
    assert row["least where"].replace("\u00a0", " ") == "transconductance of the valve −25 %"
    assert row["greatest where"].replace("\u00a0", " ") == "transconductance of the valve +25 %"
    assert "grid stopper +10 %" in worst["least where"]["input corner"].replace("\u00a0", " ")
    assert "grid stopper" not in worst["least where"]["gain (dB)"]


@pytest.mark.slow
def test_extremes_inside_the_box_are_cautioned(study: ToleranceStudy) -> None:
    assert "go beyond every corner" not in text_of(every_block(study))
    low, high = study.extremes["gain_dB"]
    beyond = dict(study.extremes) | {"gain_dB": (low - 3.0, high)}
    assert "every corner tried for: gain." in text_of(every_block(replace(study, extremes=beyond)))


@pytest.mark.slow
def test_charts_are_valid_and_say_in_words_what_they_show(study: ToleranceStudy) -> None:
    figures = {figure.name: figure for figure in of_kind(every_block(study), Figure)}
    assert list(figures) == ["tolerance-response", "tolerance-bands", "tolerance-parts"]
    specs = {name: valid_spec(figure.chart) for name, figure in figures.items()}
    for spec in specs.values():
        assert svg_of(spec).startswith("<svg")
    assert "at the grid the widest is 2.5 dB, at 10" in specs["tolerance-response"]["description"]
    assert "plate current: grid stopper" not in specs["tolerance-parts"]["description"]
    assert "input corner: grid stopper" in specs["tolerance-parts"]["description"]
    assert len(specs["tolerance-bands"]["vconcat"]) == 3


def test_a_study_without_windows_or_spreads_still_reads(study: ToleranceStudy) -> None:
    plain = replace(
        study,
        setup=ToleranceSetup((), {}),
        kept={},
        hardest=(None, None, None),
        indices=(),
        swings=(),
        bands={name: np.stack([value] * 3) for name, value in study.nominal.items()},
    )
    found = every_block(plain)
    assert "keeps: nothing but the ratings." in text_of(found)
    assert [figure.name for figure in of_kind(found, Figure)] == ["tolerance-response"]
    assert "limit missed most" not in of_kind(found, Table)[0].frame


def test_every_quantity_of_a_valve_has_a_name() -> None:
    labels = [quantity_label(name, VALVE) for name in VALVE_QUANTITIES]
    assert all("valve" in label or "–" in label for label in labels)
    assert quantity_label("valve_grid_plate_F", FIELD_EFFECT) == "gate–drain capacitance"


def test_scores_under_drive_have_a_table_of_their_own(study: ToleranceStudy) -> None:
    assert study.slow is None
    slow = SlowBands(
        1024,
        127,
        {"bias_shift_V": -0.5, "harmonic_fall_dB": 5.0},
        {"bias_shift_V": np.array([-0.7, -0.5, -0.2]), "harmonic_fall_dB": np.array([4, 5.2, 6])},
    )
    setup = replace(study.setup, unjudged=("harmonic_fall_dB",))
    found = every_block(replace(study, slow=slow, setup=setup))
    table = next(b for b in of_kind(found, Table) if "under drive" in b.caption)
    assert "1,024 built stages" in table.caption
    rows = table.frame.set_index("score")
    assert rows["5 %"]["bias shift"].replace("\u00a0", " ") == "−700.0 mV"
    assert float(rows["95 %"]["harmonic fall (dB)"]) == 6.0
    assert "Not judged, since each needs a time-domain solution: harmonic fall." in text_of(found)
