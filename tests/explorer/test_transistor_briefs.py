"""The two transistor briefs, from their text to a report in their own words.

Scores are compared with stages built here from the brief's numbers, without anything of explorer.
"""

from __future__ import annotations

import json
import re
from contextlib import nullcontext
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from flat_blocks import all_of
from scipy import constants
from typer.testing import CliRunner

from explorer.brief.loading import load_brief, parse_brief, shipped_brief_text
from explorer.brief.model import Brief
from explorer.cli.app import app
from explorer.exploration import Exploration, explore
from explorer.formulation import formulate
from explorer.report_data import report_data
from explorer.report_studies import pick_studies
from explorer.settings import Settings
from objectives.assessment import Assessment
from objectives.circuit.arrival import AlongCable
from objectives.circuit.noise import a_weighting_dB
from objectives.devices.lookup import device
from objectives.radio.detection import Carrier
from objectives.radio.tables import radio_band
from objectives.scores.registry import REGISTRY
from objectives.stage import Stage
from objectives.targets import RadioBand, Targets
from objectives.tolerance.builds import built_scores
from objectives.tolerance.spreads import draw_units
from reports.document.files import write_report
from reports.layout import Section, Table
from reports.model import ReportData
from reports.sections.assumptions import assumption_sentences, source_lines
from reports.sections.build import document
from reports.sections.cautions import cautions

pytestmark = pytest.mark.slow

NAMES = ("battery-preamp", "talkback")
QUICK = Settings(seed=1, evaluations=400, batch=100)
LEADS = {"stopper_shunt_F": 0.25e-12, "stopper_lead_H": 12e-9}  # style "metal film 1/4 W"
# What each brief says, in fields of Stage.
SURROUNDINGS: dict[str, dict[str, float]] = {
    "battery-preamp": {
        "supply_V": 9.0, "source_ohm": 8e3, "cable_F": 300e-12, "load_ohm": 47e3,
        "load_F": 300e-12, "stray_grid_plate_F": 0.5e-12, "stray_grid_ground_F": 2e-12,
        "stray_plate_ground_F": 3e-12, "grid_leak_ohm": 1e6, "input_coupling_F": 100e-9,
        "output_coupling_F": 1e-6, **LEADS,
    },
    "talkback": {
        "supply_V": 12.0, "grid_bias_V": 12.0 * 22 / 122, "source_ohm": 4.7e3,
        "cable_F": 120e-12, "load_ohm": 10e3, "load_F": 1e-9, "stray_grid_plate_F": 0.3e-12,
        "stray_grid_ground_F": 2e-12, "stray_plate_ground_F": 3e-12,
        "grid_leak_ohm": 100e3 * 22e3 / 122e3, "input_coupling_F": 4.7e-6,
        "output_coupling_F": 4.7e-6, **LEADS,
    },
}  # fmt: skip
TARGETS: dict[str, Targets] = {
    "battery-preamp": Targets(
        temperature_K=298.0,
        radio_bands=(
            radio_band("AM").required(7.0),
            RadioBand("short wave up to the 49-metre band", 2.3e6, 6.2e6, 10.0),
        ),
        carrier=Carrier(arrival=AlongCable(cable_m=3.0, cable_F=300e-12)),
    ),
    "talkback": Targets(
        temperature_K=298.0,
        noise_band_Hz=(100.0, 10e3),
        radio_bands=(radio_band("short wave").required(6.0), radio_band("FM").required(30.0)),
        carrier=Carrier(30e-3, 0.3),
    ),
}
# Metal film makes 0.063 uV a volt across it in a decade (the table of styles gives a source).
METAL_FILM = dict.fromkeys(("plate_load_ohm", "cathode_resistor_ohm", "grid_leak_ohm"), 0.063e-6)
TARGETS = {name: replace(of, excess_noise_per_V=METAL_FILM) for name, of in TARGETS.items()}
DEVICES = {"battery-preamp": "J201", "talkback": "BC550B"}
WORDS = {
    "battery-preamp": ("gate", "drain", "source", "common-source stage"),
    "talkback": ("base", "collector", "emitter", "common-emitter stage"),
}
OF_A_VALVE = re.compile(r"\b(grids?|plates?|cathodes?|anodes?|valves?|heaters?|triodes?)\b", re.I)


def quick_brief(name: str) -> Brief:
    """Return the shipped brief without what takes ten thousand built stages a design."""
    text = shipped_brief_text(name)
    assert "[tolerance]\nsupply" in text
    text = text.replace("[tolerance]\n", "[tolerance]\nstudy = false\n")
    return parse_brief(text.replace('tolerance_yield_percent = "show"\n', ""))


@pytest.fixture(scope="module", params=NAMES)
def ex(request: pytest.FixtureRequest) -> Exploration:
    return explore(formulate(quick_brief(request.param)), QUICK, method="search")


@pytest.fixture(scope="module")
def name(ex: Exploration) -> str:
    return next(n for n in NAMES if DEVICES[n] == ex.problem.device.name)


@pytest.fixture(scope="module")
def contents(ex: Exploration, tmp_path_factory: pytest.TempPathFactory) -> ReportData:
    return report_data(ex, pick_studies(ex, tmp_path_factory.mktemp("studies")))


@pytest.fixture(scope="module")
def sections(contents: ReportData) -> list[Section]:
    made = document(contents)
    return [*made.sections, *made.appendix]


@pytest.fixture(scope="module")
def written(contents: ReportData, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    return write_report(contents, tmp_path_factory.mktemp("report"))


# --- the briefs -----------------------------------------------------------------------------------


@pytest.mark.parametrize("name", NAMES)
def test_each_is_a_small_stage_on_a_low_supply(name: str) -> None:
    brief = load_brief(name)
    assert brief.transistor == DEVICES[name]
    assert brief.valve is None
    voltage = brief.supply.voltage
    assert isinstance(voltage, float)
    assert 9 <= voltage <= 24
    assert 4 <= len(brief.varied) <= 5
    assert brief.size <= 60_000
    own = WORDS[name][:3]
    comment = " ".join(brief.text.split("title =")[0].replace("#", " ").split())
    for field, word in zip(("grid is the", "plate the", "cathode the"), own, strict=True):
        assert f"{field} {word}" in comment


def test_the_base_divider_is_its_thevenin_equivalent() -> None:
    brief = load_brief("talkback")
    assert brief.supply.bias_share == pytest.approx(22 / 122, rel=1e-12)
    leak = brief.choices()["grid_leak_ohm"]
    assert float(np.asarray(leak)[0]) == pytest.approx(100e3 * 22e3 / 122e3, rel=1e-12)


# --- the search -----------------------------------------------------------------------------------


def test_the_front_is_feasible_and_worth_reading(ex: Exploration) -> None:
    assert ex.feasible
    assert not ex.constants
    assert len(ex.representatives) >= 10
    for j, free in enumerate(ex.problem.free):
        reach = np.ptp(ex.front.losses[:, j])
        assert reach > {"dB": 1.0, "dBu": 3.0, "V": 0.5}[REGISTRY[free.name].unit], free.name


def test_scores_are_those_of_stages_built_by_hand(ex: Exploration, name: str) -> None:
    front = ex.front.take(np.arange(min(len(ex.front), 20)))
    stage = Stage(**SURROUNDINGS[name], **front.parts)
    by_hand = Assessment(stage, device(DEVICES[name]), TARGETS[name])
    names = [n for n in front.scores if not REGISTRY[n].slow]
    assert {"gain_dB", "noise_dBu", "undistorted_output_V", "rf_margin_dB"} <= {*names}
    for score in names:
        # The divider is given to four figures in the brief, and exactly here.
        tolerance: dict[str, Any] = (
            {"rel": 1e-3, "abs": 5e-3} if name == "talkback" else {"rel": 1e-7}
        )
        assert front.scores[score] == pytest.approx(by_hand[score], **tolerance), score


def test_it_is_biased_where_its_law_says(ex: Exploration, name: str) -> None:
    """By hand: the square law with self-bias, and the exponential above a base divider."""
    pick = ex.problem.assess({n: a[ex.representatives[:1]] for n, a in ex.front.parts.items()})
    point = {n: float(v[0]) for n, v in pick.point.numeric_fields().items()}
    bottom = float(pick.stage.cathode_total_ohm[0])
    current, law = point["plate_current_A"], pick.device.law
    if name == "battery-preamp":
        gate, across = -current * bottom, point["plate_V"] - point["cathode_V"]
        square = 0.5e-3 * (1 + gate / 0.8) ** 2 * (1 + 5e-3 * across)
        assert current == pytest.approx(square, rel=1e-4)
    else:
        assert point["cathode_V"] == pytest.approx(
            (current + point["grid_current_A"]) * bottom, rel=1e-9
        )
        junction = point["grid_V"] - point["cathode_V"]
        assert junction == pytest.approx(0.025693 * np.log(current / 5.347e-14), rel=0.01)
        through = 100e3 * 22 / 122 + float(pick.stage.stopper_ohm[0])
        assert point["grid_V"] == pytest.approx(
            12 * 22 / 122 - point["grid_current_A"] * through, 1e-6
        )
        assert 150 < current / point["grid_current_A"] < 350
    assert float(law.plate_current(point["grid_V"] - point["cathode_V"],
                                   point["plate_V"] - point["cathode_V"])) == pytest.approx(
        current, rel=1e-6
    )  # fmt: skip
    assert np.all(pick.headroom.smaller_V > 0.1)


def test_what_spreads_is_the_transistors_own(ex: Exploration, name: str) -> None:
    setup = ex.problem.targets.tolerance
    assert setup is not None
    quantities = [spread.quantity for spread in setup.spreads]
    own = {"battery-preamp": "transistor_cutoff_voltage", "talkback": "transistor_current_gain"}
    assert quantities[0] == own[name]
    assert "valve_transconductance" not in quantities
    assert "valve_grid_plate_F" in quantities
    pick = ex.problem.assess({n: a[ex.representatives[:1]] for n, a in ex.front.parts.items()})
    units = draw_units(setup.spreads, 128, setup.seed)
    drawn = built_scores(pick, setup.spreads, units, ["plate_current_A"], ratings=True)
    assert np.all(np.isfinite(drawn.values["plate_current_A"]))
    assert np.all(drawn.rating_excess < 0)
    # A cut-off that spreads five to one moves the current far more than any resistor does.
    spread = np.ptp(drawn.values["plate_current_A"]) / float(pick.point.plate_current_A[0])
    assert (spread > 0.8) == (name == "battery-preamp")


# --- the report -----------------------------------------------------------------------------------


def test_the_report_names_everything_in_the_devices_own_terms(
    written: dict[str, Path], name: str
) -> None:
    text = written["markdown"].read_text("utf-8")
    found = OF_A_VALVE.findall(text)
    assert not found, found
    control, output, common, stage = WORDS[name]
    for words in (
        f"One {DEVICES[name]} {stage} on a supply of",
        f"{control} stopper", f"{output} load", f"{common} resistor", f"{common} bypass",
        f"{output}–{common} voltage", f"gain from {control} to {output}",
        "Output characteristics of the",
    ):  # fmt: skip
        assert words in text, words
    for place in written.values():
        if place.suffix == ".svg":
            shown = re.findall(r">([^<>]+)</(?:text|tspan)>", place.read_text("utf-8"))
            assert not OF_A_VALVE.search(" ".join(shown)), place.name
    html = written["html"].read_text("utf-8")
    head = html[: html.index("<script")] if "<script" in html else html
    assert not OF_A_VALVE.search(re.sub(r"<style.*?</style>|<[^>]+>", " ", head, flags=re.S))


def test_the_results_are_in_its_terms_too_and_keep_their_machine_names(
    written: dict[str, Path], name: str, ex: Exploration
) -> None:
    found: dict[str, Any] = json.loads(written["json"].read_text("utf-8"))
    control, output, common, _ = WORDS[name]
    assert found["part_labels"]["stopper_ohm"] == f"{control} stopper"
    assert found["part_labels"]["plate_load_ohm"] == f"{output} load"
    assert found["part_labels"]["cathode_resistor_ohm"] == f"{common} resistor"
    assert found["pick"]["device"] == DEVICES[name]
    for key in ("plate_current_A", "grid_V", "cathode_V"):
        assert np.isfinite(found["pick"]["operating_point"][key])
    limits = [row["limit"] for row in found["limits"]]
    assert f"{output} load power rating" in limits
    assert not any("heater" in limit or "grid" in limit for limit in limits)
    assert len(found["readable"]) == len(ex.representatives)


def test_formulas_carry_the_symbols_of_a_transistor(written: dict[str, Path], name: str) -> None:
    text = written["markdown"].read_text("utf-8").replace("<sub>", "_").replace("</sub>", "")
    theirs = {
        "battery-preamp": ("V_gs = V_g − V_s", "V_ds = V_d − V_s", "V_d = V_dd − I R_L",
                           "C_gs + C_gd (1 + \\|A\\|)", "µ = g_m r_ds", "V_g/V_sig"),
        "talkback": ("V_be = V_b − V_e", "V_ce = V_c − V_e", "V_c = V_cc − I R_L",
                     "V_b = V_bias − I_b R", "µ = g_m r_ce", "V_b/V_s"),
    }  # fmt: skip
    for formula in theirs[name]:
        assert formula in text, formula
    assert not re.search(r"\b[VICr]_(gk|pk|gp|p|k)\b", text)


def test_device_data_ratings_noise_and_spread_stand_with_their_sources(
    contents: ReportData, written: dict[str, Path], name: str
) -> None:
    text = written["markdown"].read_text("utf-8")
    data = text[text.index(f"## The {DEVICES[name]} as it is modelled here") :]
    entry = device(DEVICES[name])
    for source in (
        entry.sources.law, entry.sources.capacitance, entry.sources.noise, entry.sources.ratings,
        *(spread.source for spread in entry.spreads),
    ):  # fmt: skip
        assert source.replace("_", r"\_") in data
    wanted = {
        "battery-preamp": ("I\\_dss 500 µA", "cut-off voltage −800 mV",
                           "channel modulation per volt 0.005",
                           "reverse gate-source voltage 40 V", "flicker corner 3.1 kHz",
                           "−62.5 % to +87.5 %"),
        "talkback": ("forward current gain 288.8", "Early voltage 61.7 V",
                     "collector-emitter voltage 45 V", "base resistance 150 Ω",
                     "−31 % to +55.2 %"),
    }  # fmt: skip
    for words in wanted[name]:
        assert words.replace(" ", "\u00a0") in data.replace(" ", "\u00a0"), words
    assert any(entry.sources.noise in source for source in source_lines(contents))


def test_cautions_are_those_of_a_low_voltage(contents: ReportData, name: str) -> None:
    said = " ".join(cautions(contents))
    assert "harmless voltage" in said
    assert "voltages that kill" not in said
    assert any("base resistance" in text for text in assumption_sentences(contents)) == (
        name == "talkback"
    )
    assert any("data sheet's temperature" in text for text in assumption_sentences(contents))


def test_the_noise_budget_has_both_noises_of_the_device(contents: ReportData, name: str) -> None:
    """By hand for the base current, 2 q I: source and stopper, the bias resistance beside them.

    The current returns through the emitter resistor that is left unbypassed.
    """
    origins = contents.pick.noise.by_origin_dBu
    assert {"device", "grid_current"} <= origins.keys()
    if name == "talkback":
        pick = contents.pick
        f = np.geomspace(100.0, 10e3, 2001)
        band_Hz = np.trapezoid(10 ** (a_weighting_dB(f) / 10), f)
        through = 4.7e3 + float(pick.stage.stopper_ohm[0]) * (1 + 4.7 / 18.03)
        through += float(pick.stage.cathode_unbypassed_ohm[0]) * (1 + 4.7 / 18.03)
        amperes = np.sqrt(2 * constants.e * float(pick.point.grid_current_A[0]) * band_Hz)
        level = 20 * np.log10(amperes * through / np.sqrt(0.6))
        assert float(origins["grid_current"][0]) == pytest.approx(level, abs=0.2)


def test_a_valve_before_a_transistor_keeps_its_own_words(tmp_path: Path) -> None:
    text = shipped_brief_text("battery-preamp").replace(
        'tolerance_yield_percent = "show"\n', ""
    ).replace(
        '[driver]\nresistance = "8k"',
        '[driver.stage]\nvalve = "12AU7"\nsupply = "90 V"\nplate_load = "47k"\n'
        'cathode_resistor = "2k2"\n\n[driver]\ndivider_series_resistance = "470k"\n'
        'divider_shunt_resistance = "10k"',
    )  # fmt: skip
    ex = explore(formulate(parse_brief(text)), QUICK, method="search")
    contents = report_data(ex)
    markdown = write_report(contents, tmp_path)["markdown"].read_text("utf-8")
    markdown = markdown.replace("\u00a0", " ")
    assert "driven by an earlier 12AU7 stage (47 kΩ plate load, 2.2 kΩ cathode resistor" in markdown
    assert "One J201 common-source stage" in markdown
    # Ninety volts stand in it, so the cautions are those of valves.
    assert any("voltages that kill" in text for text in cautions(contents))


def test_the_tables_of_the_report_are_whole(sections: list[Section]) -> None:
    keys = [section.key for section in sections]
    assert "stability" in keys
    for section in sections:
        for block in all_of(section):
            if isinstance(block, Table):
                assert len(block.frame) > 0


# --- the command line -----------------------------------------------------------------------------


def cli(*args: str) -> str:
    found = CliRunner().invoke(app, list(args), catch_exceptions=False)
    assert found.exit_code == 0, found.output
    return found.stdout


@pytest.mark.parametrize("name", NAMES)
def test_check_names_the_transistor_and_its_parts(name: str) -> None:
    control, output, common, _ = WORDS[name]
    found = json.loads(cli("check", name, "--form", "json"))
    assert found["transistor"] == DEVICES[name]
    assert "valve" not in found
    assert {f"{control} stopper", f"{output} load", f"{common} resistor"} <= found["varied"].keys()


def test_a_given_stage_is_judged_in_its_own_words(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "400")
    path = tmp_path / "talkback.toml"
    path.write_text(quick_brief("talkback").text, "utf-8")
    parts = ("stopper=4k7", "plate_load=2k7", "cathode_resistor=470", "cathode_unbypassed=47",
             "bypass=220u")  # fmt: skip
    into = ("--into", str(tmp_path / "out"), "--quiet")
    text = cli("assess", str(path), *parts, *into)
    assert "keeps every limit" in text
    for words in ("base stopper", "collector load", "emitter resistor", "collector current"):
        assert words in text, words
    assert not OF_A_VALVE.search(text)
    steps = json.loads(cli("assess", str(path), *parts, *into, "--form", "json"))["one_step"]
    assert {"base stopper", "unbypassed emitter resistor"} <= {step["part"] for step in steps}


def test_the_printed_front_is_in_its_own_words(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "400")
    monkeypatch.setattr("explorer.report_studies.studying", lambda *_: nullcontext(lambda _: None))
    monkeypatch.setattr("reports.document.files.write_report", lambda *_: {"html": tmp_path})
    path = tmp_path / "battery.toml"
    path.write_text(quick_brief("battery-preamp").text, "utf-8")
    text = cli("explore", str(path), "--into", str(tmp_path / "out"), "--evaluations", "200",
               "--method", "search", "--quiet")  # fmt: skip
    for words in ("gate stopper", "drain load", "source resistor", "source bypass"):
        assert words in text, words
    assert not OF_A_VALVE.search(text)
    # Said once: twice would have made it the resistor of the signal source.
    assert "signal source resistor" not in text
