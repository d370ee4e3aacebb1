"""What the section on radio shows is what the network and the detection give."""

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
from objectives.radio.attenuation import attenuation_dB
from objectives.radio.tables import radio_bands
from objectives.scores.radio import assessed_detection, detected_by_band_dBu
from objectives.targets import Targets
from reports.charts.rejection import rejection_sweep
from reports.layout import Block, Figure, Note, Prose, Steps, Table
from reports.model import ReportData
from reports.sections.radio import alternatives_table, detection_steps, radio_section
from valid_charts import valid_spec

T = TypeVar("T")


def of_kind(blocks: Iterable[Block], kind: type[T]) -> list[T]:
    return [block for block in blocks if isinstance(block, kind)]


@pytest.fixture
def pick(contents: ReportData) -> Assessment:
    return contents.pick


def test_the_section_has_curve_bands_gain_detection_and_alternatives(pick: Assessment) -> None:
    found = radio_section(pick)
    figures = of_kind(all_of(found), Figure)
    assert [figure.name for figure in figures] == ["rejection", "gain_at_radio"]
    for figure in figures:
        assert valid_spec(figure.chart)["description"]
    bands, others = of_kind(all_of(found), Table)
    assert bands.frame["band"].tolist() == [b.name for b in pick.targets.scored_bands]
    assert others.frame["alternative"][0] == "as it is"


def test_band_table_and_margin_are_the_scores(pick: Assessment) -> None:
    blocks = all_of(radio_section(pick))
    frame = of_kind(blocks, Table)[0].frame
    detected = detected_by_band_dBu(pick)
    for (_, row), band in zip(frame.iterrows(), pick.targets.scored_bands, strict=True):
        margin = float(pick.radio_margins_dB[band.name][0])
        assert _number(row["margin (dB)"]) == pytest.approx(margin, abs=0.06)
        found = float(detected[band.name][0])
        assert _number(row["detected (dBu)"]) == pytest.approx(found, abs=0.06)
    worst = float(pick["rf_margin_dB"][0])
    note = of_kind(blocks, Note)[0]
    assert note.kind == ("finding" if worst >= 0 else "caution")
    assert f"{abs(worst):.1f}\u00a0dB" in note.text


def _number(text: str) -> float:
    return float(text.replace("\u2212", "-"))


def test_the_curve_is_the_attenuation_of_the_scores(pick: Assessment) -> None:
    swept = rejection_sweep(pick)
    mine = swept[swept["stopper"] == "as it is"]
    band = pick.targets.radio_bands[0]
    inside = mine["frequency_Hz"].between(band.low_Hz, band.high_Hz)
    least = float(mine.loc[inside, "attenuation_dB"].min())
    given = float(pick.radio_margins_dB[band.name][0]) + band.attenuation_dB
    assert least == pytest.approx(given, abs=0.7)
    at_once = swept.pivot_table(index="frequency_Hz", columns="stopper", values="attenuation_dB")
    assert (at_once["ideal stopper"].iloc[-60:] > at_once["as it is"].iloc[-60:]).mean() > 0.8


def test_detection_is_worked_out_with_the_numbers(pick: Assessment) -> None:
    rows = {what: (formula, result) for what, formula, result in detection_steps(pick)}
    found = assessed_detection(pick)
    total = float(found.input_V.max())
    _, result = rows["with the plate's swing and the curvature of the grid current as well"]
    level = float(20 * np.log10(total / np.sqrt(0.6)))
    assert f"{level:.0f}".replace("-", "\u2212") in result
    formula, _ = rows["audio in series with the grid"]
    assert formula.startswith("(m/2)(g_m'/g_m)|V_gk|² = 0.15 ·")


def test_alternatives_say_what_each_costs(pick: Assessment) -> None:
    table = alternatives_table(pick)
    frame = table.frame.set_index("alternative")
    assert frame.loc["SMD 0805", "own capacitance"] == "0.06\u00a0pF"
    cost = frame["upper corner"]["220\u00a0pF more from grid to ground"]
    assert _number(cost.split("(")[1].split(" ")[0]) < -5
    assert "worst margin (dB)" in frame.columns


def test_without_bands_the_standard_ones_are_shown(pick: Assessment) -> None:
    bare = Assessment(pick.stage, pick.device, Targets())
    found = radio_section(bare)
    frame = of_kind(all_of(found), Table)[0].frame
    below = [band.name for band in radio_bands() if band.low_Hz < bare.targets.trusted_Hz]
    assert frame["band"].tolist() == below
    assert "margin (dB)" not in frame.columns
    assert "worst margin (dB)" not in of_kind(all_of(found), Table)[1].frame.columns
    assert not [note for note in of_kind(all_of(found), Note) if note.kind != "remark"]
    for figure in of_kind(all_of(found), Figure):
        valid_spec(figure.chart)


def test_without_a_stopper(restage: Restage) -> None:
    found = radio_section(restage(stopper_ohm=0.0))
    assert "There is no stopper" in " ".join(of_kind(all_of(found), Prose)[0].paragraphs)
    others = of_kind(all_of(found), Table)[1].frame
    assert set(others["stopper works up to"]) == {"—"}
    assert all("grid to ground" in label for label in others["alternative"][1:])


def test_a_stopper_that_falls_short_is_cautioned(pick: Assessment) -> None:
    demanding = tuple(replace(band, attenuation_dB=300.0) for band in pick.targets.radio_bands)
    a = Assessment(pick.stage, pick.device, replace(pick.targets, radio_bands=demanding))
    blocks = all_of(radio_section(a))
    assert of_kind(blocks, Note)[0].kind == "caution"
    assert set(of_kind(blocks, Table)[0].marked.values()) == {"broken"}
    assert of_kind(blocks, Steps)


def test_one_stage_only(batch: Assessment) -> None:
    with pytest.raises(ValueError, match="must be one stage"):
        radio_section(batch)


def test_a_follower_on_the_plate_counts(pick: Assessment) -> None:
    stage = replace(pick.stage, output_coupling_F=np.inf, load_ohm=np.inf)
    follower = CathodeFollower(supply_V=300.0, cathode_resistor_ohm=56e3, stray_grid_plate_F=5e-12)
    loaded = replace(pick, stage=stage, follower=(follower, pick.device))
    swept = rejection_sweep(loaded).query("stopper == 'as it is'")
    expected = attenuation_dB(
        loaded.loaded,
        loaded.linear,
        swept["frequency_Hz"].to_numpy(),
        pick.targets.carrier.arrival,
    )
    np.testing.assert_allclose(swept["attenuation_dB"], expected.ravel(), rtol=1e-12)
    alone = rejection_sweep(replace(pick, stage=stage)).query("stopper == 'as it is'")
    assert np.abs(swept["attenuation_dB"] - alone["attenuation_dB"]).max() > 0.01
    bands = of_kind(all_of(radio_section(loaded)), Table)[0].frame
    assert _number(bands["detected (dBu)"][0]) == pytest.approx(
        float(detected_by_band_dBu(loaded)[bands.iloc[:, 0][0]][0]), abs=0.06
    )
