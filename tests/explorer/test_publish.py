"""What a report is told: words, tables, parts list and limits, against numbers worked out here."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from explorer.contents import blocking_words, contents_of, part_text, score_text
from explorer.exploration import Exploration, explore
from explorer.formulation import Posed
from explorer.problem import FreeScore
from explorer.settings import Settings
from explorer.valve_words import valve_frame, valve_record
from objectives.assessment import Assessment
from objectives.devices.valve_table import valve, valves
from objectives.scores.registry import REGISTRY, Score
from reports.model import ReportContents
from reports.sections.cautions import CAUTIONS

Make = Callable[..., Posed]
QUICK = Settings(seed=5, evaluations=60, batch=20)


@pytest.fixture(scope="module")
def ex(posed: Make) -> Exploration:
    return explore(posed(), QUICK)


@pytest.fixture(scope="module")
def contents(ex: Exploration) -> ReportContents:
    return contents_of(ex)


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
    assert part_text(field, value) == text


@pytest.mark.parametrize(
    ("name", "value", "text"),
    [
        ("gain_dB", 33.456, "33.46 dB"),
        ("noise_dBu", -112.3, "−112.3 dBu"),
        ("input_corner_Hz", 5423.0, "5.423 kHz"),
        ("plate_current_A", 0.001234, "1.234 mA"),
        ("input_corner_error_octaves", 0.01234, "0.0123 octaves"),
        ("series_departure_percent", 18.232, "18.23 %"),
        ("amplification_factor_ratio", 101.26, "101.3"),
        ("input_capacitance_F", 1.5e-10, "150 pF"),
        ("grid_cathode_voltage_V", -1.5, "−1.5 V"),
    ],
)
def test_scores_are_written_with_their_unit(name: str, value: float, text: str) -> None:
    assert score_text(name, value) == text


# --- the contents --------------------------------------------------------------------------------


def test_the_job_is_told_in_sentences(contents: ReportContents) -> None:
    assert contents.title == "A small stage for tests"
    assert contents.scenario == "Invented."
    assert contents.job == [
        "One 12AX7 common-cathode stage on a supply of 250 V.",
        "It is driven from 47 kΩ.",
        "It drives 470 kΩ and 50 pF.",
        "The input corner (where the grid is 3.01 dB down) is wanted at 8 kHz.",
        "Medium wave (530 kHz to 1.7 MHz) must be 20 dB down at the grid.",
        "Traded against each other: gain (maximise); input corner error (minimise); "
        "noise (minimise); RF margin (maximise).",
        "Limits: plate current at least 600 µA and at most 900 µA.",
        "Free to vary: grid stopper (E6, 10 kΩ to 220 kΩ); plate load (3 listed values, 100 kΩ to "
        "220 kΩ); cathode resistor (3 listed values, 1 kΩ to 2.2 kΩ); cathode bypass (2 listed "
        "values, none to 22 µF).",
    ]


def test_surroundings_are_told_in_words(posed: Make) -> None:
    def job(*changes: tuple[str, str]) -> str:
        return " ".join(contents_of(explore(posed(*changes), QUICK, method="exact")).job)

    leak = ("[parts.plate_load]", '[parts.input_coupling]\nvalue = "22n"\n\n[parts.plate_load]')
    stage = (
        "[load]",
        '[driver.stage]\nvalve = "12AU7"\nsupply = "250 V"\nplate_load = "47k"\n'
        'cathode_resistor = "1k"\n\n[load]',
    )
    driven = job(('resistance = "47k"', ""), stage, leak)
    assert "driven by an earlier 12AU7 stage (47 kΩ plate load, 1 kΩ cathode resistor" in driven
    level = ('resistance = "47k"', 'resistance = "1k"\ndivider_shunt_resistance = "10k"\n'
             "level_fraction = 0.5")  # fmt: skip
    assert "driven from" in job(level)
    load = 'resistance = "470k"\ncapacitance = "50 pF"'
    assert "drives nothing but its own plate load." in job((load, 'resistance = "none"'))
    assert "It drives 1 nF." in job((load, 'resistance = "none"\ncapacitance = "1 nF"'))
    later = (
        load,
        '[load.stage]\nvalve = "6SN7"\nsupply = "250 V"\nplate_load = "47k"\n'
        'cathode_resistor = "1k"\ngrid_leak = "470k"',
    )
    assert "drives the grid of a next 6SN7 stage, which is 470 kΩ and " in job(later)
    follower = (
        load,
        '[load.cathode_follower]\nvalve = "12AX7"\nsupply = "250 V"\ncathode_resistor = "100k"',
    )
    assert "a directly coupled 12AX7 cathode follower." in job(
        follower, ('[parts.output_coupling]\nvalue = "22n"', "")
    )


def test_uses_say_what_each_score_is_for(contents: ReportContents) -> None:
    uses = {u.name: (u.use, u.free, u.better) for u in contents.uses}
    assert uses == {
        "gain_dB": ("maximise", True, 1),
        "input_corner_error_octaves": ("minimise", True, -1),
        "noise_dBu": ("minimise", True, -1),
        "rf_margin_dB": ("maximise", True, 1),
        "plate_current_A": ("at least 600 µA and at most 900 µA", False, 0),
        "input_corner_Hz": ("shown", False, 0),
    }


def test_a_score_may_be_both_free_and_limited(posed: Make) -> None:
    ex = explore(
        posed(
            ("[limits]", '[limits]\nrf_margin_dB = { at_least = "-8 dB" }'),
            ('gain_dB = "maximise"', 'gain_dB = { near = "30 dB" }'),
        ),
        QUICK,
        method="exact",
    )
    uses = {u.name: (u.use, u.free) for u in contents_of(ex).uses}
    assert uses["rf_margin_dB"] == ("maximise; at least −8 dB", True)
    assert uses["gain_dB"] == ("near 30 dB", True)


def test_the_front_is_whole_and_the_readable_part_starts_with_the_pick(
    ex: Exploration, contents: ReportContents
) -> None:
    assert len(contents.front) == len(ex.front)
    assert len(contents.readable) == min(len(ex.front), 40)
    first = contents.readable.iloc[0]
    assert first["candidate"] == ex.pick + 1
    assert first["marks"].split(", ")[0] == "pick"
    # What the report recomputes from are the same stages in the same order.
    gain = contents.readable_stages["gain_dB"]
    assert gain == pytest.approx(contents.readable["gain_dB"].to_numpy(), rel=1e-9)
    assert contents.pick["noise_dBu"] == pytest.approx([first["noise_dBu"]], rel=1e-9)
    assert contents.part_labels == {
        "stopper_ohm": "grid stopper",
        "plate_load_ohm": "plate load",
        "cathode_resistor_ohm": "cathode resistor",
        "bypass_F": "cathode bypass",
    }


def test_the_method_counts_what_was_done(ex: Exploration, contents: ReportContents) -> None:
    exact, searched, volume = contents.method
    assert ex.exact is not None
    assert exact.startswith("Exact front: every one of the 162 candidates was worked out, in ")
    assert f"; {ex.exact.feasible} keep every limit and {len(ex.front)} of those are" in exact
    assert searched.startswith("For comparison, a search (Optuna) evaluated 60 of 162 candidates")
    assert ex.search_share is not None
    assert f"reached {100 * ex.search_share:.1f} % of the exact front's hypervolume" in searched
    assert f"{ex.hypervolume:.4f} of the box" in volume
    assert contents.search_trace is not None
    assert contents.search_trace["evaluations"].tolist() == [20, 40, 60]


def test_a_search_alone_says_so(posed: Make, tmp_path: Path) -> None:
    settings = replace(QUICK, storage=tmp_path / "s.log")
    explore(posed(), replace(settings, evaluations=20), method="search")
    contents = contents_of(explore(posed(), settings, method="search"))
    assert contents.method[0].startswith(
        "Searched front: a search (Optuna) evaluated 60 of 162 candidates, 20 of them in an "
        "earlier run, in "
    )
    assert "What it did not look at may hold better candidates." in contents.method[0]


def test_a_continuous_space_has_no_number_of_candidates(
    posed: Make, continuous: tuple[str, str]
) -> None:
    contents = contents_of(explore(posed(continuous), QUICK))
    assert "evaluated 60 of a continuous space" in contents.method[0]


def test_an_interruption_is_told(posed: Make) -> None:
    def stop(_: object) -> None:
        raise KeyboardInterrupt

    contents = contents_of(explore(posed(), QUICK, report=stop))
    assert contents.method[-1].startswith("The run was interrupted")
    half = contents_of(explore(posed(), QUICK, method="exact", report=stop))
    assert half.method[-1].startswith("The run was interrupted")


# --- reasons -------------------------------------------------------------------------------------


def test_the_reasons_state_what_the_pick_gives_up(
    ex: Exploration, contents: ReportContents
) -> None:
    losses = ex.front.losses
    shares = (losses[ex.pick] - losses.min(axis=0)) / np.ptp(losses, axis=0)
    stated = [int(n) for n in re.findall(r"(\d+) % \(", contents.pick_reasons[0])]
    assert stated == [round(100 * s) for s in shares]
    weakest = REGISTRY[ex.problem.free[int(shares.argmax())].name].label
    assert contents.pick_reasons[0].endswith(f"its weakest is {weakest}.")
    assert f"None of the {len(ex.front)} candidates" in contents.pick_reasons[0]


def test_each_reason_names_the_best_candidate_and_its_price(
    ex: Exploration, contents: ReportContents
) -> None:
    assert len(contents.pick_reasons) == 1 + len(ex.problem.free)
    losses = ex.front.losses
    for at, free in enumerate(ex.problem.free):
        reason = contents.pick_reasons[1 + at]
        label = REGISTRY[free.name].label
        assert reason.lower().startswith(label.lower())
        value = score_text(free.name, ex.front.scores[free.name][ex.pick])
        assert value in reason
        named = int(re.search(r"candidate (\d+)", reason)[1]) - 1  # type: ignore[index]
        assert losses[named, at] == losses[:, at].min()
        assert score_text(free.name, ex.front.scores[free.name][named]) in reason
        # The price names each score in which that candidate is worse than the pick, no other.
        for other, rival in enumerate(ex.problem.free):
            if other != at:
                worse = losses[named, other] > losses[ex.pick, other]
                mentioned = f"{REGISTRY[rival.name].label} from" in reason
                assert worse == mentioned, (free.name, rival.name)


def test_where_the_pick_is_the_best_that_is_said(posed: Make) -> None:
    ex = explore(
        posed(
            ('input_corner_error_octaves = "minimise"\n', ""),
            ('noise_dBu = "minimise"\n', ""),
            ('rf_margin_dB = "maximise"\n', ""),
        ),
        QUICK,
        method="exact",
    )
    best = score_text("gain_dB", float(ex.front.scores["gain_dB"][0]))
    assert contents_of(ex).pick_reasons[1] == f"Gain: {best}, the front's best."


def test_scores_of_small_numbers_are_told_apart(posed: Make) -> None:
    ex = explore(
        posed(('noise_dBu = "minimise"', 'input_capacitance_F = "minimise"')),
        QUICK,
        method="exact",
    )
    at = [f.name for f in ex.problem.free].index("input_capacitance_F")
    values = ex.front.scores["input_capacitance_F"]
    assert 0 < np.ptp(values) < 1e-9
    reason = contents_of(ex).pick_reasons[1 + at]
    assert values[ex.pick] > values.min()
    assert f"has {score_text('input_capacitance_F', float(values.min()))}" in reason


# --- parts and limits ----------------------------------------------------------------------------


def test_the_parts_list_has_values_markings_and_stress(
    ex: Exploration, contents: ReportContents
) -> None:
    lines = {line.field: line for line in contents.parts}
    assert list(lines) == [
        "stopper_ohm", "plate_load_ohm", "cathode_resistor_ohm", "bypass_F", "grid_leak_ohm",
        "leak_at_grid", "output_coupling_F",
    ]  # fmt: skip
    assert lines["grid_leak_ohm"].marking == "1M0"  # IEC 60062
    assert lines["output_coupling_F"].marking == "22n"
    assert lines["output_coupling_F"].chosen == "fixed by the brief"
    assert lines["stopper_ohm"].chosen == "chosen from E6, 10 kΩ to 220 kΩ"
    assert lines["leak_at_grid"].value == "before the stopper"
    load = ex.front.parts["plate_load_ohm"][ex.pick]
    assert lines["plate_load_ohm"].value == part_text("plate_load_ohm", load)
    amps = float(contents.pick.point.plate_current_A[0])
    watts, volts = re.findall(r"([\d.]+) m?[WV]", lines["plate_load_ohm"].stress)
    assert float(volts) == pytest.approx(amps * load, rel=0.01)
    assert float(watts) == pytest.approx(1e3 * amps**2 * load, rel=0.01)
    assert lines["output_coupling_F"].stress == "the full supply, 250 V, at switch-on"


def test_parts_that_are_not_fitted_are_listed_only_where_they_were_free(posed: Make) -> None:
    ex = explore(
        posed(('values = ["none", "22u"]', 'values = ["none", "full"]')), QUICK, method="exact"
    )
    lines = {line.field: line for line in contents_of(ex).parts}
    assert lines["bypass_F"].value in ("none", "full")
    assert lines["bypass_F"].marking == ""
    assert lines["bypass_F"].stress == ""
    assert "input_coupling_F" not in lines  # direct by the brief: no part


def test_the_limits_of_the_pick_show_the_room_left(
    ex: Exploration, contents: ReportContents
) -> None:
    limits = contents.limits.set_index("limit")
    assert limits["kept"].all()
    # The sheet's 300 V and 1 W for the 12AX7, design-centre.
    assert limits.loc["plate voltage rating", "allowed"] == "at most 300 V"
    volts = float(contents.pick.point.plate_cathode_V[0])
    assert limits.loc["plate voltage rating", "room"] == f"{100 * (1 - volts / 300):.0f} %"
    row = limits.loc["plate current"]
    amps = float(contents.pick.point.plate_current_A[0])
    assert row["allowed"] == "at least 600 µA and at most 900 µA"
    room = float(re.match(r"[\d.]+", row["room"])[0])  # type: ignore[index]
    assert room == pytest.approx(1e6 * min(amps - 0.6e-3, 0.9e-3 - amps), rel=1e-3)
    assert row["source"] == "brief"


def test_cautions_assumptions_and_sources_are_there(contents: ReportContents) -> None:
    assert contents.cautions == CAUTIONS
    assert "kill" in CAUTIONS[0]
    assert any("electrical code of the place" in c for c in CAUTIONS)
    assert any("300 K" in a for a in contents.assumptions)
    assert any(s.startswith("12AX7: law: ") for s in contents.sources)
    assert any("IEC 60062" in s for s in contents.sources)


def test_constants_are_told_once(posed: Make) -> None:
    ex = explore(
        posed(('noise_dBu = "minimise"', 'noise_dBu = "minimise"\n'
               'series_departure_percent = "minimise"')),
        QUICK, method="exact",
    )  # fmt: skip
    contents = contents_of(ex)
    assert contents.constants == {"series_departure_percent": 0.0}
    uses = [u for u in contents.uses if u.name == "series_departure_percent"]
    assert [(u.use, u.free) for u in uses] == [("constant", False)]
    assert not any("departure" in reason for reason in contents.pick_reasons)


# --- nothing feasible ----------------------------------------------------------------------------


def test_a_limit_that_nothing_keeps_is_named(posed: Make, impossible: tuple[str, str]) -> None:
    ex = explore(posed(impossible), QUICK)
    contents = contents_of(ex)
    assert not contents.feasible
    first, nearest = contents.blocking
    assert first.startswith("gain: none of the 162 candidates looked at keeps it")
    assert "at least 60 dB" in first
    gain = score_text("gain_dB", float(ex.front.scores["gain_dB"][0]))
    assert nearest == f"The nearest candidate breaks gain ({gain}, at least 60 dB)."
    assert contents.pick_reasons == []
    assert "none keeps every limit" in contents.method[0]
    assert not any("are beaten by no other" in m or "Hypervolume" in m for m in contents.method)
    assert len(contents.readable) == 12
    assert contents.readable["limits_broken"].is_monotonic_increasing
    row = contents.limits.set_index("limit").loc["gain"]
    assert not row["kept"]


def test_limits_that_block_each_other_are_named_with_their_shares(posed: Make) -> None:
    # A corner above 35 kHz needs a small stopper, 3 dB of radio margin a large one.
    ex = explore(
        posed(("[limits]", '[limits]\ninput_corner_Hz = { at_least = "35 kHz" }\n'
               'rf_margin_dB = { at_least = "3 dB" }')),
        QUICK, method="exact",
    )  # fmt: skip
    words = blocking_words(ex)
    assert ex.exact is not None
    assert all(least <= 0 for least in ex.exact.least_excess.values())
    assert words[0].startswith("Every single limit is kept by some candidate, but none keeps")
    for name, label in (("input_corner_Hz", "input corner"), ("rf_margin_dB", "RF margin")):
        assert f"{label} ({100 * ex.exact.broken[name] / 162:.0f} %)" in words[0]
    assert "plate voltage" not in words[0]


def test_a_rating_that_nothing_keeps_is_named_by_how_much(posed: Make) -> None:
    ex = explore(posed(("[limits]", "[limits]\nderating = 0.001")), QUICK, method="exact")
    words = " ".join(blocking_words(ex))
    assert ex.exact is not None
    least = ex.exact.least_excess["plate voltage rating"]
    assert f"plate voltage rating: none of the 162 candidates looked at keeps it; the best still " \
        f"misses it by {100 * least:.1f} %." in words  # fmt: skip


def test_a_score_that_is_never_a_number_blocks_without_a_percentage(
    posed: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    def odd(a: Assessment) -> np.ndarray:
        return np.full(a.stage.shape, np.nan)

    entry = Score("odd_ratio", "", "minimise", "invented for this test", "none", lambda a: [odd(a)])
    monkeypatch.setitem(REGISTRY, "odd_ratio", entry)
    base = posed()
    problem = replace(base.problem, free=(*base.problem.free, FreeScore("odd_ratio", "minimise")))
    ex = explore(replace(base, problem=problem), QUICK, method="exact")
    assert blocking_words(ex)[0] == (
        "every score a number: none of the 162 candidates looked at keeps it; the best still "
        "misses it."
    )


def test_what_is_feasible_blocks_nothing(ex: Exploration) -> None:
    assert blocking_words(ex) == []


# --- valves in words -----------------------------------------------------------------------------


def test_every_valve_is_listed_with_its_worst_residuals() -> None:
    frame = valve_frame(valves()).set_index("valve")
    assert list(frame.index) == [v.name for v in valves()]
    for entry in valves():
        assert entry.fit is not None
        for used in ("fitted", "tested"):
            errors = [
                abs(100 * (p.law / p.published - 1)) for p in entry.fit.points if p.used == used
            ]
            shown = f"{max(errors):.1f}" if errors else "–"
            assert frame.loc[entry.name, f"worst {used} (%)"] == shown
    # The sheet: 1.7, 1.6 and 0.46 pF, 300 V, 1 W.
    row = frame.loc["12AX7"]
    assert [row["Cgp (pF)"], row["Cgk (pF)"], row["Cpk (pF)"]] == ["1.70", "1.60", "0.46"]
    assert [row["plate max (V)"], row["plate max (W)"]] == ["300", "1"]
    assert "ECC83" in row["also"]


def test_a_valve_is_told_in_full_with_its_sources() -> None:
    entry = valve("ECC83")
    record = valve_record(entry)
    assert record["valve"] == "12AX7"
    assert record["law"]["equation"] == type(entry.law).__name__
    assert record["law"]["mu"] == entry.law.mu  # type: ignore[union-attr]
    assert record["capacitance"]["grid to plate"] == "1.7 pF"
    assert record["ratings"]["plate_dissipation_max_W"] == 1.0
    for part in ("law", "grid current", "capacitance", "ratings", "noise", "spread"):
        assert record[part]["source"], part
    assert entry.fit is not None
    assert len(record["residuals"]) == len(entry.fit.points)
    for point, shown in zip(entry.fit.points, record["residuals"], strict=True):
        assert float(shown["error"].split()[0]) == pytest.approx(
            100 * (point.law / point.published - 1), abs=0.051
        )
        assert shown["source"]
        assert shown["used"] in ("fitted", "tested")
    currents = [r for r in record["residuals"] if r["quantity"] == "plate current"]
    assert currents
    assert all(r["published"].endswith("A") for r in currents)


def test_a_valve_without_a_fit_or_ratings_is_told_too() -> None:
    bare = replace(
        valve("12AX7"), fit=None, plate_voltage_max_V=None, plate_dissipation_max_W=None,
        law=replace(valve("12AX7").law, grid=None),
    )  # fmt: skip
    row = valve_frame([bare]).iloc[0]
    assert row["plate max (V)"] == row["plate max (W)"] == row["worst fitted (%)"] == "–"
    record = valve_record(bare)
    assert record["fit"] == "none"
    assert record["residuals"] == []
    assert record["grid current"]["law"] == "none"
    assert not any(math.isnan(v) for v in record["ratings"].values() if isinstance(v, float))
