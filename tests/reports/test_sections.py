"""The sections: what they say, in which order, and with what numbers."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import TypeVar

import numpy as np
import pytest
from flat_blocks import all_of, flat
from scipy import stats

from objectives.assessment import Assessment
from objectives.devices.valve_table import valve
from objectives.format import score_label
from reports.charts.front_rows import rank_correlation
from reports.layout import Block, Figure, Gauges, Note, Prose, Section, Svg, Table
from reports.model import LimitRow, ReportData
from reports.obstacles import BandAttenuation, MissedLimit, MoreChoice, Obstacles, Relaxation
from reports.sections.answer import answer
from reports.sections.build import document
from reports.sections.cautions import CAUTIONS, LOW_VOLTAGE_CAUTIONS
from reports.sections.front import front_table, trade_offs
from reports.sections.gauges import gauges
from reports.sections.infeasible import obstacle_sentences
from reports.sections.radio import radio_section

Restage = Callable[..., Assessment]
B = TypeVar("B", bound=Block)


def plain(text: str) -> str:
    return text.replace("\u00a0", " ")


def all_sections(contents: ReportData) -> list[Section]:
    made = document(contents)
    return [*made.sections, *made.appendix]


def section(contents: ReportData, key: str) -> Section:
    return next(s for s in all_sections(contents) if s.key == key)


def blocks(of: Section, kind: type[B]) -> list[B]:
    return [block for block in all_of(of) if isinstance(block, kind)]


def prose(of: Section) -> str:
    return plain(" ".join(p for block in blocks(of, Prose) for p in block.paragraphs))


@pytest.mark.slow
def test_keys_are_unique_and_titles_are_words(contents: ReportData) -> None:
    sections = all_sections(contents)
    keys = [s.key for s in sections]
    assert len(set(keys)) == len(keys)
    assert all(s.title and s.blocks for s in sections)


def test_cautions_are_those_of_the_highest_supply(contents: ReportData) -> None:
    high, low = (answer(replace(contents, highest_supply_V=volts)) for volts in (300.0, 9.0))
    assert high.cautions == CAUTIONS
    assert "kills" in high.danger
    assert low.cautions == LOW_VOLTAGE_CAUTIONS
    assert "kills" not in low.danger


def test_cautions_say_what_must_be_said() -> None:
    low = " ".join(LOW_VOLTAGE_CAUTIONS)
    for word in ("harmless", "mains", "polarity", "electrical code", "Electrolytic"):
        assert word in low
    text = " ".join(CAUTIONS)
    for word in ("kill", "charge", "measure", "one hand", "Isolation", "electrical code",
                 "licensed"):  # fmt: skip
        assert word in text


def test_the_front_table_is_for_people(contents: ReportData) -> None:
    table = front_table(contents)
    assert table.linked
    assert table.marked[0] == "pick"
    assert list(table.frame.columns[:6]) == [
        "candidate", "mark", "grid stopper", "plate load", "cathode resistor", "cathode bypass",
    ]  # fmt: skip
    assert "gain (dB)" in table.frame.columns
    assert "input corner" in table.frame.columns  # its unit stands by each value
    first = [plain(str(v)) for v in table.frame.iloc[0]]
    assert first[1:6] == ["pick", "33 kΩ", "180 kΩ", "1 kΩ", "22 µF"]
    assert "kHz" in plain(table.frame["input corner"].iloc[0])
    assert len(table.frame) == len(contents.shown)


@pytest.mark.slow
def test_broken_limits_are_counted_where_nothing_is_feasible(
    contents: ReportData, infeasible: ReportData
) -> None:
    assert front_table(infeasible).frame["limits broken"].tolist()[:3] == ["1", "2", "3"]
    assert "limits broken" not in front_table(contents).frame.columns
    text = plain(answer(infeasible).notes[0].text)
    assert "gain: none of the 1,000 candidates evaluated keeps it" in text
    assert "(36 dB, at least 40 dB)" in text


def test_relaxations_and_more_choice_are_told_in_the_words_and_units_of_the_brief(
    infeasible: ReportData,
) -> None:
    margin = MissedLimit(
        "window", "rf_margin_dB", 0.17, -1.66, at_least=0.0, enough=-1.7, unit="dB",
        bands=[BandAttenuation("AM", 18.34, 20.0)],
    )  # fmt: skip
    current = MissedLimit(
        "window", "plate_current_A", 0.15, 2.28e-3, at_most=2e-3, enough=2.3e-3, unit="A"
    )
    power = MissedLimit(
        "rating", "plate load power rating", 0.24, 0.31, at_most=0.25, enough=0.31, unit="W",
        part="plate_load_ohm", part_value=100e3,
    )  # fmt: skip
    what = Obstacles(
        1000, [], [(margin, 0.9)], [margin, current],
        [Relaxation([power], 4, 4.8)], [margin, current], Relaxation([margin, current], 1, 4.4),
    )  # fmt: skip
    more = [
        MoreChoice("stopper_ohm", True, 470e3, 680e3, [margin]),
        MoreChoice("bypass_F", True, 680e-9, 1e-6, []),
    ]
    told = [plain(t) for t in obstacle_sentences(replace(infeasible, obstacles=what,
            more_choice=more))]  # fmt: skip
    facts = [
        ["RF margin", "\u22121.7 dB instead of 0 dB", "18.3 dB instead of 20 dB", "AM",
         "plate current", "2.3 mA instead of 2 mA", "candidate 1"],
        ["plate load", "310 mW instead of 250 mW", "100 kΩ", "candidate 4"],
        ["RF margin", "plate current"],
        ["stopper", "largest", "470 kΩ", "680 kΩ", "RF margin (\u22121.66 dB"],
        ["bypass", "largest", "680 nF", "1 µF"],
    ]  # fmt: skip
    for words, pieces in zip(told[-5:], facts, strict=True):
        assert [piece for piece in pieces if piece not in words] == []


@pytest.mark.parametrize(
    ("first", "second"),
    [
        ([3.0, 1.0, 2.0, 2.0, 5.0], [1.0, 4.0, 4.0, 2.0, -1.0]),  # with ties
        ([0.0, 1.0, np.inf, 2.0, 7.0], [0.0, 3.0, 4.0, np.nan, 1.0]),  # three pairs are finite
        ([1.0, 2.0, np.inf], [1.0, 2.0, 3.0]),  # too few
        ([1.0, 1.0, 1.0, 1.0], [1.0, 2.0, 3.0, 4.0]),
    ],
)
def test_rank_correlation_is_that_of_scipy(first: list[float], second: list[float]) -> None:
    pairs = np.array([first, second])
    pairs = pairs[:, np.isfinite(pairs).all(axis=0)]
    tells = pairs.shape[1] > 2 and (np.ptp(pairs, axis=1) > 0).all()
    expected = stats.spearmanr(*pairs).statistic if tells else np.nan
    found = rank_correlation(np.array(first), np.array(second))
    assert found == pytest.approx(expected, abs=1e-14, nan_ok=True)


def test_trade_offs_are_rank_correlations_of_the_losses(contents: ReportData) -> None:
    text = plain(" ".join(trade_offs(contents)))
    front = contents.front

    rho = stats.spearmanr(-front["rf_margin_dB"], front["noise_dBu"]).statistic
    assert f"RF margin against noise (−{abs(rho):.2f})" in text


def test_trade_offs_say_nothing_of_few_candidates_or_of_none(contents: ReportData) -> None:
    assert trade_offs(replace(contents, front=contents.front.head(7))) == []
    agreeing = contents.front.assign(
        gain_dB=np.arange(len(contents.front)), rf_margin_dB=np.arange(len(contents.front))
    )
    two = [u for u in contents.uses if u.name in ("gain_dB", "rf_margin_dB")]
    assert trade_offs(replace(contents, front=agreeing, uses=two)) == []


@pytest.mark.slow
def test_the_pick_is_said_in_words_with_its_scores(contents: ReportData) -> None:
    first = answer(contents)
    assert first.build_title == "Build this"
    does = flat([first.does])
    (rows,) = (block.rows for block in does if isinstance(block, Gauges))
    gauge = {row.label: row for row in rows}
    assert plain(gauge["yield"].value) == "93 %"
    assert gauge["yield"].kept
    gain = float(contents.shown["gain_dB"].iloc[0])
    assert plain(gauge["gain"].value).startswith(f"{gain:.1f}".rstrip("0").rstrip("."))
    corner = float(contents.shown["input_corner_Hz"].iloc[0])
    asked = contents.pick.targets.input_corner_Hz
    assert asked is not None
    assert f"{abs(100 * (corner / asked - 1)):.1f} %" in plain(gauge["input corner"].verdict)
    why = plain(
        " ".join(p for b in flat([first.does]) if isinstance(b, Prose) for p in b.paragraphs)
    )
    assert contents.decision is not None
    for standing in contents.decision.scores:
        if standing.given_up_steps >= 1:
            assert f"of {score_label(standing.score)}" in why


@pytest.mark.parametrize(
    ("at_least", "at_most", "asked", "kept"),
    [(5e3, np.inf, "at least 5 kHz", True), (-np.inf, 5e3, "at most 5 kHz", False)],
)
def test_a_limit_turns_its_gauge(
    contents: ReportData, at_least: float, at_most: float, asked: str, kept: bool
) -> None:
    use = next(u for u in contents.uses if u.name == "input_corner_Hz")
    limit = replace(use, shown=False, at_least=at_least, at_most=at_most)
    limited = replace(contents, uses=[limit], decision=None)
    (row,) = gauges(limited, contents.pick, np.nan).rows
    assert plain(row.asked) == asked
    assert row.kept is kept
    assert row.zone is not None
    assert (row.zone[0] <= row.at <= row.zone[1]) is kept
    assert ("to spare" in row.verdict) is kept


@pytest.mark.slow
def test_the_parts_list_has_markings_stresses_and_the_circuit(contents: ReportData) -> None:
    parts = section(contents, "parts")
    drawing, bought = answer(contents).build.blocks
    assert isinstance(drawing, Svg)
    assert isinstance(bought, Prose)
    assert [plain(line) for line in bought.paragraphs][1:3] == [
        "1 × 33 kΩ, ±5 %, 0.125 W, 150 V", "1 × 180 kΩ, ±5 %, 0.5 W, 350 V",
    ]  # fmt: skip
    frame = blocks(parts, Table)[0].frame
    assert "marking (IEC 60062)" in frame.columns
    load = contents.parts[1].stress
    stress = [plain(text) for text in frame["stress"]]
    assert stress[1] == "signals only"
    assert stress[2] == f"{1e3 * load.power_W:.3g} mW, {load.voltage_V:.3g} V at rest"
    assert "1.6 V at rest" in stress[3]
    assert "2 V" in stress[3]
    assert [plain(text) for text in frame["order"]][1:] == [
        "±5 %, 0.125 W, 150 V", "±5 %, 0.5 W, 350 V", "−20/+50 %, 6.3 V", "±10 %, 400 V",
    ]  # fmt: skip
    # Equal parts, ordered alike, are one line; a full bypass is listed by what takes its place.
    assert [plain(text) for text in frame["value"]][3:] == ["1 × 22 µF", "2 × 22 nF"]
    assert "300 V" in stress[4]
    assert frame["origin"].tolist()[3:] == [
        "chosen from 5 listed values, none to full", "fixed by the brief",
    ]  # fmt: skip
    assert "note" not in frame.columns
    noted = [replace(contents.parts[0], note="from the old set"), *contents.parts[1:]]
    frame = blocks(section(replace(contents, parts=noted), "parts"), Table)[0].frame
    assert frame["note"].tolist() == ["—", "from the old set", "—", "—", "—"]


@pytest.mark.slow
def test_broken_limits_are_marked(contents: ReportData) -> None:
    source = "a data sheet whose name is very long indeed"
    limits = [
        LimitRow("rating", "plate dissipation rating", "W", 0.3, -np.inf, 1.2, True, source),
        LimitRow("window", "plate_current_A", "A", 1e-3, 6e-4, 9e-4, False, source),
    ]
    of = section(replace(contents, limits=limits), "limits")
    table = blocks(of, Table)[0]
    assert table.marked == {1: "broken"}
    assert table.frame["kept"].tolist() == ["yes", "no"]
    assert table.frame["limit"].tolist() == ["plate dissipation rating", "plate current"]
    assert [plain(text) for text in table.frame["allowed"]] == ["at most 1.2 W", "600 µA to 900 µA"]
    assert [plain(text) for text in table.frame["margin"]] == ["75 %", "−100 µA"]
    assert table.frame["source"].tolist() == ["(1)", "(1)"]
    assert f"(1) {source}" in prose(of)


@pytest.mark.slow
def test_responses_are_told_in_numbers(contents: ReportData) -> None:
    of = section(contents, "responses")
    low, high = (float(f[0]) for f in contents.pick.output_corners_Hz)
    assert f"from {low:.2f} Hz" in prose(of)
    assert f"to {high / 1e3:.3f} kHz" in prose(of)


@pytest.mark.slow
def test_a_stage_coupled_directly_responds_from_direct_current(
    contents: ReportData, restage: Restage
) -> None:
    pick = restage(input_coupling_F=np.inf, output_coupling_F=np.inf, bypass_F=0.0, load_ohm=np.inf)
    assert "from direct current" in prose(section(replace(contents, pick=pick), "responses"))


@pytest.mark.slow
def test_the_estimate_owns_up_to_what_it_leaves_out(contents: ReportData, restage: Restage) -> None:
    assert "“perfect source” has the largest error" in prose(section(contents, "textbook"))
    text = prose(section(contents, "second"))
    assert "Both estimates leave out:" in text
    assert "cable" not in text.split("leave out")[1]
    bare = restage(
        cable_F=0.0, stopper_shunt_F=0.0, stopper_lead_H=0.0, load_F=0.0, stray_grid_ground_F=0.0
    )
    assert "leave out" not in prose(section(replace(contents, pick=bare), "second"))


@pytest.mark.slow
def test_the_radio_budget_is_told_by_its_tightest_band(contents: ReportData) -> None:
    text = blocks(section(contents, "radio"), Note)[0].text.replace("\u00a0", " ")
    margins = {name: float(of[0]) for name, of in contents.pick.radio_margins_dB.items()}
    name, margin = min(margins.items(), key=lambda of: of[1])
    assert f"Tightest is {name}" in text
    assert (f"{margin:.1f} dB to spare" if margin >= 0 else f"short by {-margin:.1f} dB") in text


@pytest.mark.slow
def test_a_missed_band_is_marked_and_said(contents: ReportData, restage: Restage) -> None:
    pick = restage(stopper_ohm=1000.0)
    of = section(replace(contents, pick=pick), "radio")
    assert "short by" in blocks(of, Note)[0].text
    margins = [float(m[0]) for m in pick.radio_margins_dB.values()]
    short = {row: "broken" for row, margin in enumerate(margins) if margin < 0}
    assert blocks(of, Table)[0].marked == short
    assert short


@pytest.mark.slow
def test_without_bands_nothing_is_required_of_radio(contents: ReportData) -> None:
    targets = replace(contents.pick.targets, radio_bands=())
    quiet = replace(contents, pick=replace(contents.pick, targets=targets))
    of = radio_section(quiet.pick)
    assert not [note for note in blocks(of, Note) if note.kind != "remark"]
    assert "margin (dB)" not in blocks(of, Table)[0].frame


@pytest.mark.slow
def test_a_valve_of_the_table_shows_its_data_and_residuals(contents: ReportData) -> None:
    entry = valve("12AX7")
    pick = replace(contents.pick, device=entry)
    of = section(replace(contents, pick=pick), "valve")
    data, _, residuals, curves = (block.frame for block in blocks(of, Table))
    values = dict(zip(data["data"], data["values"], strict=True))
    assert "mu" in values["equation: Koren"]
    assert "grid–plate" in values["capacitances, without strays"]
    assert plain(values["ratings, each a maximum"]).count(";") >= 3
    assert entry.sources.law in data["source"].tolist()
    assert entry.fit is not None
    assert len(residuals) == len(entry.fit.points)
    assert set(residuals["used"]) == {"fitted", "tested"}
    worst = max(abs(p.residual_percent) for p in entry.fit.points)
    shown = [
        abs(float(plain(r).replace("−", "-").removesuffix(" %"))) for r in residuals["residual"]
    ]
    assert max(shown) == pytest.approx(worst, abs=0.06)
    assert [figure.name for figure in blocks(of, Figure)] == ["residuals", "plate-curves"]
    for row, curve in zip(curves.itertuples(index=False), entry.fit.curves, strict=True):
        error = curve.plate_error_V(entry.law)
        assert row[0] == str(len(curve.readings))
        assert plain(row[1]) == f"{np.sqrt(np.mean(error**2)):.2g} V"
        assert float(plain(row[2]).replace("−", "-").removesuffix(" V")) == pytest.approx(
            error[np.argmax(np.abs(error))], rel=0.05
        )
        assert curves["used"].tolist() == ["fitted", "tested"]


@pytest.mark.slow
def test_a_device_without_a_table_entry_shows_what_there_is(contents: ReportData) -> None:
    of = section(contents, "valve")
    assert of.title == "The 12AX7 (demo set) as it is modelled here"
    frame = blocks(of, Table)[0].frame
    assert "kvb 300" in plain(frame["values"].iloc[0])
    assert not blocks(of, Figure)


@pytest.mark.slow
def test_a_short_trace_is_no_chart(contents: ReportData) -> None:
    assert blocks(section(contents, "method"), Figure)
    for trace in (None, contents.search_trace.head(1)):  # type: ignore[union-attr]
        changed = replace(contents, search_trace=trace)
        assert not blocks(section(changed, "method"), Figure)
