"""What a report is made from: records, tables and sentences, against numbers worked out here."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from explorer.aims import FreeScore
from explorer.exploration import Exploration, explore
from explorer.report_data import report_data
from explorer.settings import Settings
from fixture_types import TARGETLESS, MakeFormulation
from objectives.assessment import Assessment
from objectives.format import part_value, quantity, stepped
from objectives.scores.registry import REGISTRY, Score
from reports.model import ReportData
from reports.sections.assumptions import assumption_sentences, source_lines
from reports.sections.cautions import CAUTIONS, cautions
from reports.sections.infeasible import obstacle_sentences
from reports.sections.job import asked_words, job_sentences
from reports.sections.limits import limit_frame
from reports.sections.method import method_sentences
from reports.sections.pick import reason_sentences

QUICK = Settings(seed=5, evaluations=60, batch=4, block=2)


@pytest.fixture(scope="module")
def ex(formulated: MakeFormulation) -> Exploration:
    return explore(formulated(), QUICK, method="compare")


@pytest.fixture(scope="module")
def contents(ex: Exploration) -> ReportData:
    return report_data(ex)


# --- values as people write them -----------------------------------------------------------------


@pytest.mark.parametrize(
    ("field", "value", "text"),
    [
        ("stopper_ohm", 68e3, "68 kΩ"),
        ("stopper_ohm", 0.0, "none"),
        ("cathode_resistor_ohm", 1500.0, "1.5 kΩ"),
        ("cathode_resistor_ohm", 820.0, "820 Ω"),
        ("grid_leak_ohm", 1e6, "1 MΩ"),
        ("grid_leak_ohm", np.inf, "none"),
        ("bypass_F", 0.0, "none"),
        ("bypass_F", np.inf, "full"),
        ("bypass_F", 22e-6, "22 µF"),
        ("bypass_F", 680e-9, "680 nF"),
        ("input_coupling_F", np.inf, "direct"),
        ("output_coupling_F", np.inf, "direct"),
        ("grid_capacitor_F", 47e-12, "47 pF"),
        ("leak_at_grid", 0.0, "before the stopper"),
        ("leak_at_grid", 1.0, "after the stopper"),
    ],
)
def test_parts_are_written_as_on_a_diagram(field: str, value: float, text: str) -> None:
    assert part_value(field, value, space=" ") == text


def score_words(name: str, value: float) -> str:
    return quantity(value, REGISTRY[name].unit)


# --- the contents --------------------------------------------------------------------------------


def job(data: ReportData) -> str:
    return " ".join(job_sentences(data)).replace("\u00a0", " ")


def test_the_job_names_stage_surroundings_and_wishes(contents: ReportData) -> None:
    assert contents.title == "A small stage for tests"
    assert contents.scenario == "Invented."
    sentences = [text.replace("\u00a0", " ") for text in job_sentences(contents)]
    facts = (
        ("12AX7 common-cathode stage", "250 V"),
        ("driven from", "47 kΩ"),
        ("drives", "470 kΩ", "50 pF"),
        ("input corner", "8 kHz"),
        ("Medium wave", "530 kHz to 1.7 MHz", "12 dB"),
        ("Radio arrives", "at the jack", "50 Ω", "grid to ground"),
        ("gain (maximise)", "input corner error (minimise)", "noise (minimise)",
         "RF margin (maximise)"),
        ("plate current 600 µA to 900 µA",),
        ("grid stopper (E6, 10 kΩ to 220 kΩ)", "plate load (3 listed values, 100 kΩ to 220 kΩ)",
         "cathode resistor (3 listed values", "cathode bypass (2 listed values, none to 22 µF)"),
    )  # fmt: skip
    for sentence, words in zip(sentences, facts, strict=True):
        assert all(word in sentence for word in words), sentence


@pytest.mark.slow
def test_driver_and_load_are_told_in_words(formulated: MakeFormulation) -> None:
    def told(*changes: tuple[str, str]) -> str:
        return job(report_data(explore(formulated(*changes), QUICK, method="exact")))

    leak = ("[parts.plate_load]", '[parts.input_coupling]\nvalue = "22n"\n\n[parts.plate_load]')
    stage = (
        "[load]",
        '[driver.stage]\nvalve = "12AU7"\nsupply = "250 V"\nplate_load = "47k"\n'
        'cathode_resistor = "1k"\n\n[load]',
    )
    driven = told(('resistance = "47k"', ""), stage, leak)
    assert "driven by an earlier 12AU7 stage (47 kΩ plate load, 1 kΩ cathode resistor" in driven
    level = ('resistance = "47k"', 'resistance = "1k"\ndivider_shunt_resistance = "10k"\n'
             "level_fraction = 0.5")  # fmt: skip
    assert "driven from" in told(level)
    load = 'resistance = "470k"\ncapacitance = "50 pF"'
    assert "drives only its own plate load." in told((load, 'resistance = "none"'))
    assert "It drives 1 nF." in told((load, 'resistance = "none"\ncapacitance = "1 nF"'))
    later = (
        load,
        '[load.stage]\nvalve = "6SN7"\nsupply = "250 V"\nplate_load = "47k"\n'
        'cathode_resistor = "1k"\ngrid_leak = "470k"',
    )
    assert "drives a following 6SN7 stage, a load of 470 kΩ and " in told(later)
    follower = (
        load,
        '[load.cathode_follower]\nvalve = "12AX7"\nsupply = "250 V"\ncathode_resistor = "100k"',
    )
    assert "a directly coupled 12AX7 cathode follower." in told(
        follower, ('[parts.output_coupling]\nvalue = "22n"', "")
    )


def test_uses_are_what_the_brief_asks_of_each_score(contents: ReportData) -> None:
    uses = {
        u.name: (asked_words(u).replace("\u00a0", " "), u.free, u.better) for u in contents.uses
    }
    assert uses == {
        "gain_dB": ("maximise", True, 1),
        "input_corner_error_octaves": ("minimise", True, -1),
        "noise_dBu": ("minimise", True, -1),
        "rf_margin_dB": ("maximise", True, 1),
        "plate_current_A": ("600 µA to 900 µA", False, 0),
        "input_corner_Hz": ("shown", False, 0),
    }


def test_a_score_may_be_both_free_and_limited(formulated: MakeFormulation) -> None:
    ex = explore(
        formulated(
            ("[limits]", '[limits]\nrf_margin_dB = { at_least = "-8 dB" }'),
            ('gain_dB = "maximise"', 'gain_dB = { near = "30 dB" }'),
        ),
        QUICK,
        method="exact",
    )
    uses = {u.name: u for u in report_data(ex).uses}
    margin, gain = uses["rf_margin_dB"], uses["gain_dB"]
    assert (margin.aim, margin.at_least, margin.better) == ("maximise", -8.0, 1)
    assert (gain.aim, gain.target, gain.better) == ("near", 30.0, 0)


def test_the_front_is_whole_and_the_part_shown_starts_with_the_pick(
    ex: Exploration, contents: ReportData
) -> None:
    assert len(contents.front) == len(ex.front)
    assert len(contents.shown) == len(ex.representatives)
    first = contents.shown.iloc[0]
    assert first["candidate"] == ex.pick + 1
    assert first["marks"].split(", ")[0] == "pick"
    assert contents.pick["noise_dBu"] == pytest.approx([first["noise_dBu"]], rel=1e-9)
    assert contents.part_labels == {
        "stopper_ohm": "grid stopper",
        "plate_load_ohm": "plate load",
        "cathode_resistor_ohm": "cathode resistor",
        "bypass_F": "cathode bypass",
    }


def test_the_method_counts_what_was_done(ex: Exploration, contents: ReportData) -> None:
    exact, searched, volume = (t.replace("\u00a0", " ") for t in method_sentences(contents))
    assert ex.exact is not None
    assert exact.startswith("Exact front: every one of the 162 candidates was evaluated; ")
    assert (
        f"; {ex.exact.harvest.feasible} keep every limit, and no other candidate beats "
        f"{len(ex.front)} of" in exact
    )
    assert ex.searched is not None
    done = ex.searched.evaluated
    assert searched.startswith(f"For comparison, a search (Optuna) evaluated {done} of 162 cand")
    assert ex.search_share is not None
    assert f"reached {100 * ex.search_share:.1f} % of the exact front's hypervolume" in searched
    assert f"{ex.hypervolume:.4f} of the box" in volume
    assert contents.search_trace is not None
    trace = contents.search_trace["evaluations"]
    # A round of the closure comes first, which may take half of the 60.
    assert (trace.iloc[0], trace.iloc[-1]) == (30, done)
    assert (np.diff(trace) > 0).all()


def test_a_search_alone_says_so(formulated: MakeFormulation, tmp_path: Path) -> None:
    settings = replace(QUICK, storage=tmp_path / "s.log")
    explore(formulated(), replace(settings, evaluations=20), method="search")
    again = explore(formulated(), settings, method="search")
    (text, _) = method_sentences(report_data(again))
    done, resumed = again.source.evaluated, again.source.resumed
    # Blocks are stored, the closure is not; those stored for another budget come on top.
    assert 0 < resumed <= 20
    assert 60 <= done < 62 + resumed
    assert text.startswith(
        f"Searched front: a search (Optuna) evaluated {done} of 162 candidates; "
    )
    assert "Better candidates may remain." in text


def test_a_continuous_space_has_no_number_of_candidates(
    formulated: MakeFormulation, continuous: tuple[str, str]
) -> None:
    ex = explore(formulated(continuous), QUICK)
    assert f"evaluated {ex.source.evaluated:,} of a continuous space" in (
        method_sentences(report_data(ex))[0].replace("\u00a0", " ")
    )


def test_an_interruption_is_told(formulated: MakeFormulation) -> None:
    def stop(_: object) -> None:
        raise KeyboardInterrupt

    contents = report_data(explore(formulated(), QUICK, method="search", progress=stop))
    assert method_sentences(contents)[-1].startswith("The run was interrupted")
    half = report_data(explore(formulated(), QUICK, method="exact", progress=stop))
    assert method_sentences(half)[-1].startswith("The run was interrupted")


# --- reasons -------------------------------------------------------------------------------------


def test_the_reasons_state_targets_yield_and_what_is_given_up(
    ex: Exploration, contents: ReportData
) -> None:
    summary, decision = contents.decision, ex.decision
    assert summary is not None
    assert decision is not None
    corner, margin, given_up = (
        reason_sentences(contents)[at].replace("\u00a0", " ") for at in (0, 1, -1)
    )
    frequency = float(ex.front.scores["input_corner_Hz"][ex.pick])
    here = stepped(frequency, "input_corner_Hz").replace("\u00a0", " ")
    assert corner.startswith(f"Input corner: {here}, asked 8 kHz")
    assert ("within" in corner) == (abs(np.log2(frequency / 8e3)) <= np.log2(1.1))
    assert margin.startswith("RF margin:")
    assert margin.endswith("asked at least 0 dB.")
    on_target = [
        row for row in range(len(ex.front)) if not decision.missed[row].any() and ex.on_front[row]
    ]
    assert summary.on_target == len(on_target)
    # What is given up is against the best of those that meet the targets, in every free score.
    for at, free in enumerate(ex.problem.free):
        best = min(free.steps(ex.front.scores[free.name])[row] for row in on_target)
        up = free.steps(ex.front.scores[free.name])[ex.pick] - best
        assert summary.scores[at].given_up_steps == pytest.approx(up, abs=1e-9)
        if free.name in ("gain_dB", "noise_dBu"):
            assert (up >= 0.5) == (f"of {REGISTRY[free.name].label}" in given_up)


def test_where_the_pick_is_the_best_that_is_said(formulated: MakeFormulation) -> None:
    ex = explore(
        formulated(
            ('input_corner_error_octaves = "minimise"\n', ""),
            ('noise_dBu = "minimise"\n', ""),
            ('rf_margin_dB = "maximise"\n', ""),
            TARGETLESS,
        ),
        QUICK,
        method="exact",
    )
    assert "nothing noticeable" in reason_sentences(report_data(ex))[-1]


# --- parts and limits ----------------------------------------------------------------------------


def test_the_parts_list_has_values_markings_and_stress(
    ex: Exploration, contents: ReportData
) -> None:
    lines = {line.field: line for line in contents.parts}
    assert list(lines) == [
        "stopper_ohm", "plate_load_ohm", "cathode_resistor_ohm", "bypass_F", "grid_leak_ohm",
        "leak_at_grid", "output_coupling_F",
    ]  # fmt: skip
    assert lines["grid_leak_ohm"].marking == "1M0"  # IEC 60062
    assert lines["output_coupling_F"].marking == "22n"
    assert lines["output_coupling_F"].origin == ""  # the brief fixes it
    assert lines["stopper_ohm"].origin == "E6, 10 kΩ to 220 kΩ"
    assert lines["leak_at_grid"].value == 0.0
    load = ex.front.parts["plate_load_ohm"][ex.pick]
    assert lines["plate_load_ohm"].value == load
    amps = float(contents.pick.point.plate_current_A[0])
    # The stress is that at the highest supply, 10 % up (mains, EN 50160): more than at rest.
    assert 1.0 < lines["plate_load_ohm"].stress.voltage_V / (amps * load) < 1.2
    assert lines["plate_load_ohm"].stress.power_W == pytest.approx(
        lines["plate_load_ohm"].stress.voltage_V ** 2 / load
    )
    assert lines["output_coupling_F"].stress.voltage_V == pytest.approx(275.0)
    assert lines["output_coupling_F"].stress.when == "at switch-on"
    assert lines["stopper_ohm"].stress.when == ""
    ordered = lines["output_coupling_F"].order
    assert ordered is not None
    assert ordered.voltage_V == 400.0  # the R5 number above 275 V: 1, 1.6, 2.5, 4, 6.3


def test_parts_that_are_not_fitted_are_listed_only_where_they_were_free(
    formulated: MakeFormulation,
) -> None:
    ex = explore(
        formulated(('values = ["none", "22u"]', 'values = ["none", "full"]')), QUICK, method="exact"
    )
    lines = {line.field: line for line in report_data(ex).parts}
    bypass = lines["bypass_F"]
    assert bypass.value in (0.0, np.inf)
    assert (bypass.order is None) == (bypass.marking == "") == (bypass.value == 0.0)
    assert "input_coupling_F" not in lines  # direct by the brief: no part


def test_the_parts_list_has_the_drawers_notes_and_a_chosen_supply(
    formulated: MakeFormulation, tmp_path: Path
) -> None:
    (tmp_path / "d.csv").write_text("kind,value,note\nresistor,33k,matched\nresistor,47k,matched\n")
    made = formulated(
        ('series = "E6"\nfrom = "10k"\nto = "220k"', 'drawer = "d.csv"'),
        ('voltage = "250 V"', 'voltage = { values = ["240 V", "250 V"] }'),
        folder=tmp_path,
    )
    ex = explore(made, QUICK, method="exact")
    lines = {line.field: line for line in report_data(ex).parts}
    assert lines["stopper_ohm"].note == "matched"
    assert lines["plate_load_ohm"].note == ""
    assert lines["supply_V"].value == ex.front.parts["supply_V"][ex.pick]
    assert lines["supply_V"].origin == "2 listed values, 240 V to 250 V"


def test_the_limits_of_the_pick_show_the_room_left(ex: Exploration, contents: ReportData) -> None:
    limits = {row.name: row for row in contents.limits}
    assert all(row.kept for row in contents.limits)
    # The sheet's 300 V and 1 W for the 12AX7, design-centre.
    plate = limits["plate voltage rating"]
    volts = float(contents.pick.point.plate_cathode_V[0])
    assert (plate.kind, plate.at_most, plate.unit) == ("rating", 300.0, "V")
    assert plate.value == pytest.approx(volts)
    row = limits["plate_current_A"]
    amps = float(contents.pick.point.plate_current_A[0])
    assert (row.kind, row.at_least, row.at_most, row.source) == ("window", 600e-6, 900e-6, "brief")
    assert row.value == pytest.approx(amps)
    shown = limit_frame(contents).set_index("limit")
    margin = shown["margin"]["plate voltage rating"].replace("\u00a0", " ")
    assert margin == f"{100 * (1 - volts / 300):.0f} %"
    room = float(re.match(r"[\d.]+", shown["margin"]["plate current"])[0])  # type: ignore[index]
    assert room == pytest.approx(1e6 * min(amps - 0.6e-3, 0.9e-3 - amps), rel=1e-3)


def test_cautions_assumptions_and_sources_are_there(contents: ReportData) -> None:
    assert cautions(contents) == CAUTIONS
    assert "kill" in CAUTIONS[0]
    assert any("electrical code of the place" in c for c in CAUTIONS)
    assert "300 K" in " ".join(assumption_sentences(contents))
    assert any(s.startswith("12AX7: law: ") for s in source_lines(contents))
    assert any("IEC 60062" in s for s in source_lines(contents))


def test_constants_are_told_once(formulated: MakeFormulation) -> None:
    ex = explore(
        formulated(('noise_dBu = "minimise"', 'noise_dBu = "minimise"\n'
               'series_departure_percent = "minimise"')),
        QUICK, method="exact",
    )  # fmt: skip
    contents = report_data(ex)
    assert contents.constants == {"series_departure_percent": 0.0}
    uses = [u for u in contents.uses if u.name == "series_departure_percent"]
    assert [(u.constant, u.free) for u in uses] == [(True, False)]
    assert not any("departure" in reason for reason in reason_sentences(contents))


def obstacles(ex: Exploration) -> list[str]:
    return [text.replace("\u00a0", " ") for text in obstacle_sentences(report_data(ex))]


# --- nothing feasible ----------------------------------------------------------------------------


def test_a_limit_that_nothing_keeps_is_named(
    formulated: MakeFormulation, impossible: tuple[str, str]
) -> None:
    ex = explore(formulated(impossible), QUICK)
    contents = report_data(ex)
    assert not contents.feasible
    first, nearest, *_ = obstacles(ex)
    assert first.startswith("gain: none of the 162 candidates evaluated keeps it")
    assert "at least 60 dB" in first
    gain = score_words("gain_dB", float(ex.front.scores["gain_dB"][0])).replace("\u00a0", " ")
    assert nearest == f"The nearest candidate breaks gain ({gain}, at least 60 dB)."
    assert reason_sentences(contents) == []
    assert "none keeps every limit" in method_sentences(contents)[0]
    assert not any(
        "are beaten by no other" in m or "Hypervolume" in m for m in method_sentences(contents)
    )
    assert len(contents.shown) == 12
    assert contents.shown["limits_broken_count"].ge(1).all()
    assert contents.shown["limits_broken"].is_monotonic_increasing
    assert [row.kept for row in contents.limits if row.name == "gain_dB"] == [False]


def test_limits_that_block_each_other_are_named_with_their_shares(
    formulated: MakeFormulation,
) -> None:
    # A corner above 35 kHz needs a small stopper, 3 dB of radio margin a large one.
    ex = explore(
        formulated(("[limits]", '[limits]\ninput_corner_Hz = { at_least = "35 kHz" }\n'
               'rf_margin_dB = { at_least = "3 dB" }')),
        QUICK, method="exact",
    )  # fmt: skip
    words = obstacles(ex)
    assert ex.exact is not None
    assert all(least <= 0 for least in ex.exact.harvest.least_excess.values())
    assert words[0].startswith("Each limit is kept by some candidate, but none keeps")
    for name, label in (("input_corner_Hz", "input corner"), ("rf_margin_dB", "RF margin")):
        assert f"{label} ({100 * ex.exact.harvest.broken[name] / 162:.0f} %)" in words[0]
    assert "plate voltage" not in words[0]


def test_a_rating_that_nothing_keeps_is_named_by_how_much(formulated: MakeFormulation) -> None:
    ex = explore(formulated(("[limits]", "[limits]\nderating = 0.001")), QUICK, method="exact")
    words = " ".join(obstacles(ex))
    assert ex.exact is not None
    least = ex.exact.harvest.least_excess["plate voltage rating"]
    assert f"plate voltage rating: none of the 162 candidates evaluated keeps it; the best " \
        f"misses it by {100 * least:.1f} %." in words  # fmt: skip


def test_a_score_that_is_never_a_number_blocks_without_a_percentage(
    formulated: MakeFormulation, monkeypatch: pytest.MonkeyPatch
) -> None:
    def odd(a: Assessment) -> np.ndarray:
        return np.full(a.stage.shape, np.nan)

    entry = Score("odd_ratio", "", "minimise", "invented for this test", "none", lambda a: [odd(a)])
    monkeypatch.setitem(REGISTRY, "odd_ratio", entry)
    base = formulated()
    problem = replace(base.problem, free=(*base.problem.free, FreeScore("odd_ratio", "minimise")))
    ex = explore(replace(base, problem=problem), QUICK, method="exact")
    (words,) = [text for text in obstacles(ex) if "none of the 162 candidates" in text]
    assert words.startswith("all scores finite")
    assert "%" not in words


def test_what_is_feasible_blocks_nothing(ex: Exploration) -> None:
    assert obstacles(ex) == []
