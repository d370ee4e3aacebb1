"""The sections: what they say, in which order, and with what numbers."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import TypeVar

import numpy as np
import pandas as pd
import pytest

from objectives.assessment import Assessment
from objectives.devices.valve import ValveDevice
from objectives.devices.valve_table import valve
from reports.model import Block, Figure, Note, Prose, ReportContents, Section, Svg, Table
from reports.sections.build import build_sections
from reports.sections.cautions import CAUTIONS
from reports.sections.front import front_table, trade_offs

Restage = Callable[..., Assessment]
B = TypeVar("B", bound=Block)


def plain(text: str) -> str:
    return text.replace("\u00a0", " ")


def section(contents: ReportContents, key: str) -> Section:
    return next(s for s in build_sections(contents) if s.key == key)


def blocks(of: Section, kind: type[B]) -> list[B]:
    return [block for block in of.blocks if isinstance(block, kind)]


def prose(of: Section) -> str:
    return plain(" ".join(p for block in blocks(of, Prose) for p in block.paragraphs))


def test_keys_are_unique_and_titles_are_words(contents: ReportContents) -> None:
    sections = build_sections(contents)
    keys = [s.key for s in sections]
    assert len(set(keys)) == len(keys)
    assert all(s.title and s.blocks for s in sections)


def test_cautions_of_the_contents_replace_our_own(contents: ReportContents) -> None:
    ours = [note.text for note in blocks(section(contents, "cautions"), Note)]
    assert ours == list(CAUTIONS)
    theirs = replace(contents, cautions=("Mind the 900 V.",))
    notes = blocks(section(theirs, "cautions"), Note)
    assert [(n.text, n.kind) for n in notes] == [("Mind the 900 V.", "caution")]


def test_our_cautions_say_what_must_be_said() -> None:
    text = " ".join(CAUTIONS)
    for word in ("kill", "charge", "measure", "one hand", "Isolation", "electrical code",
                 "licensed"):  # fmt: skip
        assert word in text


def test_the_front_table_is_for_people(contents: ReportContents) -> None:
    table = front_table(contents)
    assert table.linked
    assert table.marked[0] == "pick"
    assert list(table.frame.columns[:6]) == [
        "candidate", "mark", "grid stopper", "plate load", "cathode resistor", "cathode bypass",
    ]  # fmt: skip
    assert "gain (dB)" in table.frame.columns
    assert "input corner" in table.frame.columns  # its unit stands by each value
    first = [plain(str(v)) for v in table.frame.iloc[0]]
    assert first[1:6] == ["pick", "120 kΩ", "220 kΩ", "1 kΩ", "2.2 µF"]
    assert "kHz" in plain(table.frame["input corner"].iloc[0])
    assert len(table.frame) == len(contents.readable)


def test_broken_limits_are_counted_where_nothing_is_feasible(infeasible: ReportContents) -> None:
    counted = replace(
        infeasible, readable=infeasible.readable.assign(limits_broken=np.arange(40) % 3 + 1)
    )
    table = front_table(counted)
    assert table.frame["limits broken"].tolist()[:3] == ["1", "2", "3"]
    assert "limits broken" not in front_table(infeasible).frame.columns


def test_trade_offs_are_rank_correlations_of_the_losses(contents: ReportContents) -> None:
    text = plain(" ".join(trade_offs(contents)))
    front = contents.front
    from scipy import stats

    rho = stats.spearmanr(-front["rf_margin_dB"], front["noise_dBu"]).statistic
    assert f"RF margin against noise (−{abs(rho):.2f})" in text


def test_trade_offs_say_nothing_of_few_candidates_or_of_none(contents: ReportContents) -> None:
    assert trade_offs(replace(contents, front=contents.front.head(7))) == []
    agreeing = contents.front.assign(
        gain_dB=np.arange(len(contents.front)), rf_margin_dB=np.arange(len(contents.front))
    )
    two = [u for u in contents.uses if u.name in ("gain_dB", "rf_margin_dB")]
    assert trade_offs(replace(contents, front=agreeing, uses=two)) == []


def test_the_pick_is_said_in_words_with_its_scores(contents: ReportContents) -> None:
    pick = section(contents, "pick")
    note = plain(blocks(pick, Note)[0].text)
    assert note == (
        f"The pick is candidate {contents.readable['candidate'].iloc[0]}: grid stopper 120 kΩ, "
        "plate load 220 kΩ, cathode resistor 1 kΩ, cathode bypass 2.2 µF."
    )
    assert contents.pick_reasons[0] in prose(pick)
    scores = blocks(pick, Table)[0].frame.set_index("score")["value"]
    assert plain(scores["gain"]) == f"{contents.readable['gain_dB'].iloc[0]:.2f} dB"


def test_the_parts_list_has_markings_stresses_and_the_circuit(contents: ReportContents) -> None:
    parts = section(contents, "parts")
    assert blocks(parts, Svg)[0].name == "schematic"
    frame = blocks(parts, Table)[0].frame
    assert "marking (IEC 60062)" in frame.columns
    assert frame["must stand"].iloc[1] == contents.parts[1].stress
    assert frame["must stand"].iloc[0] == "—"


def test_broken_limits_are_marked(contents: ReportContents) -> None:
    limits = pd.DataFrame(
        {
            "limit": ["heat", "voltage"],
            "kept": [True, False],
            "source": ["a data sheet whose name is very long indeed"] * 2,
        }
    )
    of = section(replace(contents, limits=limits), "limits")
    table = blocks(of, Table)[0]
    assert table.marked == {1: "broken"}
    assert table.frame["kept"].tolist() == ["yes", "no"]
    assert table.frame["source"].tolist() == ["(1)", "(1)"]
    assert "(1) a data sheet whose name is very long indeed" in prose(of)


def test_responses_are_told_in_numbers(contents: ReportContents) -> None:
    of = section(contents, "responses")
    low, high = (float(f[0]) for f in contents.pick.output_corners_Hz)
    assert f"from {low:.2f} Hz" in prose(of)
    assert f"to {high / 1e3:.3f} kHz" in prose(of)
    table = blocks(of, Table)[0].frame.set_index("frequency")
    assert plain(str(table.index[0])) == "1 Hz"
    assert table["grid (dB)"].iloc[3] == "0.0"  # the reference itself


def test_a_stage_coupled_directly_responds_from_direct_current(
    contents: ReportContents, restage: Restage
) -> None:
    pick = restage(input_coupling_F=np.inf, output_coupling_F=np.inf, bypass_F=0.0, load_ohm=np.inf)
    assert "from direct current" in prose(section(replace(contents, pick=pick), "responses"))


def test_the_estimate_owns_up_to_what_it_leaves_out(
    contents: ReportContents, restage: Restage
) -> None:
    text = prose(section(contents, "textbook"))
    assert "The estimate leaves out: cable capacitance 100 pF" in text
    assert "“perfect source” has the largest error" in text
    bare = restage(
        cable_F=0.0, stopper_shunt_F=0.0, stopper_lead_H=0.0, load_F=0.0, stray_grid_ground_F=0.0
    )
    assert "leaves out" not in prose(section(replace(contents, pick=bare), "textbook"))


def test_the_radio_budget_is_told_by_its_tightest_band(contents: ReportContents) -> None:
    text = blocks(section(contents, "radio"), Note)[0].text.replace("\u00a0", " ")
    margin = float(contents.pick.radio_margins_dB["medium-wave broadcast"][0])
    assert "Tightest is medium-wave broadcast" in text
    assert f"{margin:.1f} dB to spare." in text


def test_a_missed_band_is_marked_and_said(contents: ReportContents, restage: Restage) -> None:
    pick = restage(stopper_ohm=1000.0)
    of = section(replace(contents, pick=pick), "radio")
    assert "short by" in blocks(of, Note)[0].text
    assert blocks(of, Table)[0].marked == {0: "broken"}


def test_without_bands_nothing_is_required_of_radio(contents: ReportContents) -> None:
    targets = replace(contents.pick.targets, radio_bands=())
    quiet = replace(contents, pick=replace(contents.pick, targets=targets))
    of = section(quiet, "radio")
    assert not [note for note in blocks(of, Note) if note.kind != "remark"]
    assert "margin (dB)" not in blocks(of, Table)[0].frame


def test_a_valve_of_the_table_shows_its_data_and_residuals(contents: ReportContents) -> None:
    entry = valve("12AX7")
    pick = replace(contents.pick, device=ValveDevice(entry))
    of = section(replace(contents, pick=pick), "valve")
    data, residuals, curves = (block.frame for block in blocks(of, Table))
    values = dict(zip(data["data"], data["values"], strict=True))
    assert "mu" in values["equation: Koren"]
    assert "grid–plate" in values["capacitances, without strays"]
    assert plain(values["ratings, each a maximum"]).count(";") >= 3
    assert entry.law_source in data["source"].tolist()
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


def test_a_device_without_a_table_entry_shows_what_there_is(contents: ReportContents) -> None:
    of = section(contents, "valve")
    assert of.title == "The 12AX7 (demo set) as it is modelled here"
    frame = blocks(of, Table)[0].frame
    assert "kvb 300" in plain(frame["values"].iloc[0])
    assert not blocks(of, Figure)


def test_a_short_trace_is_no_chart(contents: ReportContents) -> None:
    assert blocks(section(contents, "method"), Figure)
    for trace in (None, contents.search_trace.head(1)):  # type: ignore[union-attr]
        changed = replace(contents, search_trace=trace)
        assert not blocks(section(changed, "method"), Figure)
