"""The brief: what is read, every way it can be wrong, and the briefs that are shipped."""

from __future__ import annotations

import copy
import json
import math
import tomllib
from collections.abc import Callable
from dataclasses import replace
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from explorer.aims import FreeScore, Window
from explorer.brief.errors import BriefError
from explorer.brief.loading import load_brief, parse_brief, shipped_brief_text
from explorer.brief.model import Brief
from explorer.brief.parts import PART_ELEMENTS, Continuous
from explorer.brief.schema import brief_schema
from explorer.brief.shipped import shipped_briefs
from explorer.designs import load_design, parse_design
from explorer.drawer import read_drawer
from explorer.formulation import formulate
from explorer.series import series_values
from objectives.devices.valve_table import valve
from objectives.devices.valve_writing import format_valves
from objectives.radio.tables import resistor_style
from objectives.stage import Stage
from objectives.targets import Ripple

TEXT = """\
title = "A stage for tests"
scenario = "Invented."
valve = "12AX7"

[supply]
voltage = "300 V"

[driver]
resistance = "38k"

[load]
resistance = "1M"

[targets]
input_corner = "5.4 kHz"

[[targets.radio_bands]]
name = "medium wave"
from = "530 kHz"
to = "1.7 MHz"
attenuation = "20 dB"

[limits]
plate_current_A = { at_least = "0.5 mA", at_most = "2 mA" }

[parts.stopper]
series = "E12"
from = "10k"
to = "470k"

[parts.plate_load]
value = "100k"

[parts.cathode_resistor]
value = "1k5"

[parts.bypass]
values = ["none", "680n", "full"]

[scores]
gain_dB = "maximise"
input_corner_error_octaves = "minimise"
rf_margin_dB = { at_least = "0 dB" }
input_corner_Hz = { near = "5.4 kHz" }
noise_dBu = "show"
"""


def base() -> dict[str, Any]:
    return tomllib.loads(TEXT)


def put(path: str, value: Any) -> Callable[[dict[str, Any]], None]:
    """Return a change that sets (or, given ``...``, removes) the key at a dotted path."""

    def change(data: dict[str, Any]) -> None:
        *tables, key = path.split(".")
        here: Any = data
        for name in tables:
            here = here[int(name)] if name.isdigit() else here.setdefault(name, {})
        if value is ...:
            del here[key]
        else:
            here[key] = value

    return change


def changed(*changes: Callable[[dict[str, Any]], None]) -> dict[str, Any]:
    data = copy.deepcopy(base())
    for change in changes:
        change(data)
    return data


# --- what is read --------------------------------------------------------------------------------


def test_values_are_si_floats_and_defaults_stand() -> None:
    brief = parse_brief(TEXT)
    assert brief.supply.voltage == 300.0
    assert brief.driver.resistance == 38e3
    assert brief.driver.voltage == 1.0
    assert brief.targets.input_corner == 5400.0
    assert brief.targets.radio_bands[0].low == 530e3
    assert brief.targets.radio_bands[0].attenuation == 20.0
    assert brief.limits.windows["plate_current_A"].at_most == 2e-3
    assert brief.limits.ratings
    assert brief.strays.stopper_shunt == 0.3e-12
    assert brief.reference.band == (20.0, 20e3)
    assert brief.parts.grid_leak.value == 1e6
    assert brief.parts.bypass.values() == pytest.approx([0.0, 680e-9, math.inf])
    assert brief.search.sampler == "evolution"
    assert brief.text == TEXT
    assert brief.varied == ("stopper", "bypass")
    assert brief.size == 21 * 3


def test_ripple_and_decoupling_are_the_supplys() -> None:
    supply = {"ripple": "10 mV", "ripple_frequency": "120 Hz", "decoupling_resistor": "10k",
              "decoupling_capacitor": "22 uF"}  # fmt: skip
    data = changed(*(put(f"supply.{key}", value) for key, value in supply.items()))
    problem = formulate(parse_brief(data)).problem
    assert problem.targets.ripple == Ripple(10e-3, 120.0)
    assert float(problem.fixed.decoupling_ohm) == 10e3
    assert float(problem.fixed.decoupling_F) == pytest.approx(22e-6)
    stiff = formulate(parse_brief(TEXT)).problem
    assert stiff.targets.ripple is None
    assert float(stiff.fixed.decoupling_ohm) == 0.0


def test_the_style_of_each_resistor_is_heard(tmp_path: Path) -> None:
    """Brief before drawer before the style of all the others; of a drawer's the noisiest."""
    (tmp_path / "mine.csv").write_text(
        "kind,value,style\nresistor,100k,metal film 1/4 W\nresistor,220k,carbon film 1/2 W\n"
    )
    brief = tmp_path / "job.toml"
    text = TEXT.replace(
        '[parts.plate_load]\nvalue = "100k"', '[parts.plate_load]\ndrawer = "mine.csv"'
    )
    brief.write_text(f'{text}\n[stock]\nresistor_style = "wirewound 3 W"\n'
                     'resistor_styles.cathode_resistor = "carbon composition 1/2 W"\n')  # fmt: skip
    heard = formulate(load_brief(brief)).problem.targets.excess_noise_per_V
    assert heard == {
        name: resistor_style(style).excess_noise_per_V
        for name, style in {
            "plate_load_ohm": "carbon film 1/2 W",
            "cathode_resistor_ohm": "carbon composition 1/2 W",
            "cathode_unbypassed_ohm": "wirewound 3 W",
            "grid_leak_ohm": "wirewound 3 W",
        }.items()
    }


def test_choices_are_named_by_fields_of_the_stage() -> None:
    brief = parse_brief(TEXT)
    choices = brief.choices()
    values = {name: v[0] for name, v in choices.items() if not isinstance(v, Continuous)}
    stage = Stage(supply_V=300.0, **values)
    assert stage.stopper_ohm == 10e3
    assert set(choices) == {element.name for element in PART_ELEMENTS.values()} | {"leak_at_grid"}
    stopper = choices["stopper_ohm"]
    assert not isinstance(stopper, Continuous)
    assert np.array_equal(stopper, series_values("E12", 10e3, 470e3))


def test_absent_parts_are_shorts_or_openings() -> None:
    choices = parse_brief(TEXT).choices()
    assert choices["input_coupling_F"] == [math.inf]
    assert choices["output_coupling_F"] == [math.inf]
    assert choices["cathode_unbypassed_ohm"] == [0.0]
    assert choices["plate_capacitor_F"] == [0.0]
    assert choices["leak_at_grid"] == [0.0]


@pytest.mark.parametrize(
    ("position", "at_grid"),
    [("before stopper", [0.0]), ("after stopper", [1.0]), ("either", [0.0, 1.0])],
)
def test_the_leak_position_is_a_choice(position: str, at_grid: list[float]) -> None:
    leak = {"value": "1M", "position": position}
    brief = parse_brief(changed(put("parts.grid_leak", leak)))
    assert brief.choices()["leak_at_grid"].tolist() == at_grid  # type: ignore[union-attr]
    assert ("grid_leak" in brief.varied) == (position == "either")
    assert brief.size == 21 * 3 * len(at_grid)


def test_a_continuous_part_is_a_range_and_the_space_is_endless() -> None:
    stopper = {"continuous": True, "from": "10k", "to": "470k"}
    brief = parse_brief(changed(put("parts.stopper", stopper)))
    assert brief.parts.stopper.values() == Continuous(10e3, 470e3)
    assert brief.size == math.inf
    assert brief.varied == ("stopper", "bypass")


def test_scores_say_how_they_are_used() -> None:
    brief = parse_brief(TEXT)
    assert brief.scores["gain_dB"] == FreeScore("gain_dB", "maximise")
    assert brief.scores["rf_margin_dB"] == Window("rf_margin_dB", at_least=0.0)
    assert brief.scores["input_corner_Hz"] == FreeScore("input_corner_Hz", "near", 5400.0)
    assert brief.scores["noise_dBu"] == "show"
    names = [score.name for score in brief.free_scores]
    assert names == ["gain_dB", "input_corner_error_octaves", "input_corner_Hz"]


@pytest.mark.slow
@given(
    st.just(0.0) | st.floats(1e-18, 1e7),
    st.just(0.0) | st.floats(1e-18, 1e7),
    st.floats(1, 1e7),
    st.floats(1e-18, 1),
)
def test_the_level_control_is_a_divider(
    source: float, series: float, track: float, setting: float
) -> None:
    driver = {
        "resistance": source,
        "divider_series_resistance": series,
        "divider_shunt_resistance": track,
        "level_fraction": setting,
    }
    fixed = formulate(parse_brief(changed(put("driver", driver)))).problem.fixed
    ohm, ratio = float(fixed.source_ohm), float(fixed.source_ratio)
    # The same two numbers by the open voltage and the short-circuit current of the network.
    above, below = source + series + track * (1 - setting), track * setting
    assert ratio == pytest.approx(below / (above + below))
    if above > 1e-6 * track:
        assert ohm == pytest.approx(ratio * above)


def test_without_a_level_control_nothing_is_divided() -> None:
    driver = {"resistance": "10k", "divider_series_resistance": "1k"}
    fixed = formulate(parse_brief(changed(put("driver", driver)))).problem.fixed
    assert (float(fixed.source_ohm), float(fixed.source_ratio)) == (11e3, 1.0)


def test_earlier_and_later_stages_are_read() -> None:
    stage = {"valve": "12AX7", "supply": "300 V", "plate_load": "100k", "cathode_resistor": "1k5"}
    earlier = stage | {"bypass": "none", "source_resistance": "68k"}
    later = stage | {"bypass": "22u", "stopper": "47k", "grid_leak": "470k"}
    coupled = put("parts.input_coupling.value", "22n")
    brief = parse_brief(
        changed(put("driver", {"stage": earlier}), put("load", {"stage": later}), coupled)
    )
    assert brief.driver.stage is not None
    assert brief.driver.stage.bypass == 0.0
    assert brief.driver.stage.source_resistance == 68e3
    assert brief.load.stage is not None
    assert brief.load.stage.bypass == 22e-6
    assert brief.load.stage.grid_leak == 470e3
    follower = {"valve": "ecc83", "supply": "300 V", "cathode_resistor": "100k"}
    brief = parse_brief(changed(put("load", {"cathode_follower": follower})))
    assert brief.load.cathode_follower is not None
    assert brief.load.cathode_follower.load_resistance == math.inf


def test_stock_is_the_series_or_the_drawer(tmp_path: Path) -> None:
    stock = parse_brief(changed(put("stock", {"resistor_series": "E24"}))).stock
    covering = stock.preferred("resistor", 10e3, 470e3)
    assert set(series_values("E24", 10e3, 470e3)) <= set(covering)
    assert covering[0] < 10e3
    assert covering[-1] > 470e3
    assert set(stock.preferred("capacitor", 1e-9, 1e-6)) >= set(series_values("E6", 1e-9, 1e-6))
    (tmp_path / "mine.csv").write_text("kind,value\nresistor,91k\nresistor,11k\n", "utf-8")
    stock = parse_brief(changed(put("stock", {"drawer": "mine.csv"})), tmp_path).stock
    assert stock.preferred("resistor", 1.0, 1e6).tolist() == [11e3, 91e3]
    assert set(stock.preferred("capacitor", 1e-9, 1e-6)) >= set(series_values("E6", 1e-9, 1e-6))


def test_paths_start_from_the_folder_of_the_brief(tmp_path: Path) -> None:
    folder = tmp_path / "job"
    folder.mkdir()
    (folder / "mine.csv").write_text("kind,value\nresistor,91k\nresistor,11k\nresistor,1k\n")
    text = TEXT.replace('series = "E12"', 'drawer = "mine.csv"')
    (folder / "job.toml").write_text(text, encoding="utf-8")
    brief = load_brief(folder / "job.toml")
    assert brief.parts.stopper.values().tolist() == [11e3, 91e3]
    assert brief.parts.stopper.stock is not None
    assert brief.source == str(folder / "job.toml")


def test_a_valve_of_ones_own_table_is_known(tmp_path: Path) -> None:
    own = replace(valve("12AX7"), name="my own", aliases=())
    (tmp_path / "own.toml").write_text(format_valves([own]), encoding="utf-8")
    data = changed(put("valve", "My Own"), put("valve_table", "own.toml"))
    assert parse_brief(data, tmp_path).valves[0].name == "my own"
    with pytest.raises(BriefError, match="valve: 'My Own': expected one of"):
        parse_brief(changed(put("valve", "My Own")))


def test_a_brief_equals_itself_read_again() -> None:
    brief = parse_brief(TEXT)
    again = parse_brief(brief.model_dump(by_alias=True, exclude_none=True))
    assert again == brief
    assert again != parse_brief(TEXT.replace("1k5", "1k8"))


# --- what is wrong -------------------------------------------------------------------------------

STAGE = {"valve": "12AX7", "supply": 300, "plate_load": "100k", "cathode_resistor": "1k5"}
FOLLOWER = {"valve": "12AX7", "supply": 300, "cathode_resistor": "100k"}

COUPLED = put("parts.input_coupling.value", "22n")

WRONG: list[tuple[list[Callable[[dict[str, Any]], None]], str]] = [
    # missing and unknown keys
    ([put("title", ...)], "title: not given: required"),
    ([put("title", "")], "title: '': expected text that is not empty"),
    ([put("title", 3)], "title: 3: expected text in quotes"),
    ([put("supply", ...)], "supply: not given: required"),
    ([put("supply", 3)], "supply: 3: expected a table"),
    ([put("supply.voltage", ...)], "supply.voltage: not given: required: Supply voltage"),
    ([put("suply", {})], "suply: {}: unknown key; * did you mean supply?"),
    ([put("driver.resistence", 1)], "driver.resistence: 1: * did you mean resistance?"),
    ([put("parts.stoper", {})], "parts.stoper: {}: unknown key; * did you mean stopper?"),
    ([put("parts.stopper.form", "1k")], "parts.stopper.form: '1k': * did you mean from?"),
    ([put("targets.radio_bands.0.form", 1)], "targets.radio_bands[1].form: 1: * from?"),
    ([put("parts.plate_load", ...)], "parts.plate_load: not given: required: Plate"),
    ([put("parts.cathode_resistor", ...)], "parts.cathode_resistor: not given: required"),
    ([put("parts.bypass", ...)], "parts.bypass: not given: required"),
    ([put("scores", ...), put("targets", ...)], "scores: []: expected a target, or at least one"),
    # units and bounds
    ([put("supply.voltage", "300 A")], "supply.voltage: '300 A': expected a voltage *a current"),
    ([put("supply.voltage", "0 V")], "supply.voltage: '0 V': * above 0 V"),
    ([put("supply.heater_elevation", "x")], "supply.heater_elevation: 'x': expected a voltage"),
    ([put("driver.resistance", "-1k")], "driver.resistance: '-1k': * 0 Ω or more"),
    ([put("driver.resistance", "22 uF")], "driver.resistance: '22 uF': * is a capacitance"),
    ([put("driver.resistance", True)], "driver.resistance: true: expected a resistance"),
    ([put("driver.cable_capacitance", "-1p")], "driver.cable_capacitance: '-1p': * 0 F or more"),
    ([put("driver.voltage", 0)], "driver.voltage: 0: * above 0 V"),
    ([put("driver.level_fraction", 2)], "driver.level_fraction: 2: * at most 1"),
    ([put("load.resistance", "0")], "load.resistance: '0': * above 0 Ω; or \"none\""),
    ([put("load.capacitance", "1k")], "load.capacitance: '1k': expected a capacitance"),
    ([put("strays.grid_to_plate", "-1p")], "strays.grid_to_plate: '-1p': * 0 F or more"),
    ([put("strays.grid_lead_inductance", "1 F")], "strays.grid_lead_inductance: '1 F': *ind"),
    ([put("strays.shielded", "yes")], "strays.shielded: 'yes': expected true or false"),
    ([put("reference.frequency", "0")], "reference.frequency: '0': * above 0 Hz"),
    ([put("reference.temperature", "-300 degC")], "reference.temperature: '-300 degC': * 0 K"),
    ([put("reference.band", "20 Hz")], "reference.band: '20 Hz': expected a list"),
    ([put("reference.band", ["2 kHz", "20 Hz"])], "reference.band: 2 kHz to 20 Hz: *lower first"),
    ([put("reference.band", ["20 Hz", "x"])], "reference.band[2]: 'x': expected a frequency"),
    ([put("reference.band", ["20 Hz"])], "reference.band[2]: not given: required"),
    ([put("targets.input_corner", "5.4 kV")], "targets.input_corner: '5.4 kV': *a voltage"),
    ([put("targets.radio_bands.0.from", "2 MHz")], "targets.radio_bands[1].from: 2 MHz: *1.7 MHz"),
    ([put("targets.radio_bands.0.attenuation", "-1 dB")], "targets.radio_bands[1].attenuation: '-"),
    ([put("targets.radio_bands.0.name", ...)], "targets.radio_bands[1].name: not given: required"),
    ([put("targets.radio_bands", {"a": 1})], "targets.radio_bands: {a = …}: expected a list"),
    # the forms of driver and load
    ([put("driver.resistance", ...)], "driver: not given: expected exactly one of resistance, st"),
    ([put("driver.stage", STAGE)], "driver: resistance and stage: expected exactly one"),
    ([put("driver.level_fraction", 0.5)], "driver.level_fraction: 0.5: expected 1 unless div"),
    ([put("driver", {"stage": STAGE | {"plate_load": 0}})], "driver.stage.plate_load: 0: * above"),
    (
        [put("driver", {"stage": STAGE | {"bypass": "ful"}})],
        "driver.stage.bypass: 'ful': *\"full\"",
    ),
    ([put("load.resistance", ...)], "load: not given: expected exactly one of resistance, stage"),
    ([put("load.stage", STAGE)], "load: resistance and stage: expected exactly one"),
    (
        [put("load", {"cathode_follower": FOLLOWER}), put("parts.output_coupling.value", "22n")],
        'parts.output_coupling: 22 nF: expected "direct" or nothing',
    ),
    (
        [put("driver", {"stage": STAGE})],
        "parts.input_coupling: 'direct': expected a capacitor: the plate of driver.stage",
    ),
    # valves
    ([put("valve", "12AX8")], "valve: '12AX8': expected one of *did you mean 12AX7?"),
    (
        [put("driver", {"stage": STAGE | {"valve": "6SN8"}}), COUPLED],
        "driver.stage.valve: '6SN8': *6SN7",
    ),
    ([put("load", {"stage": STAGE | {"valve": "zz"}})], "load.stage.valve: 'zz': expected one of"),
    (
        [put("load", {"cathode_follower": FOLLOWER | {"valve": "12AU8"}})],
        "load.cathode_follower.valve: '12AU8': *did you mean 12AU7?",
    ),
    ([put("valve_table", "none.toml")], "valve_table: 'none.toml': no such file beside the brief"),
    (
        [put("valve", "6SN7"), put("strays.shielded", True)],
        "strays.shielded: true: expected false: no capacitances of the 6SN7 with shield",
    ),
    # parts
    (
        [put("parts.plate_load.values", ["1k"])],
        "parts.plate_load: value and values: expected exactly one of value, values, series",
    ),
    ([put("parts.plate_load", {})], "parts.plate_load: not given: expected exactly one of value"),
    ([put("parts.plate_load.value", "0")], "parts.plate_load.value: '0': * above 0 Ω"),
    ([put("parts.plate_load.value", "22n")], "parts.plate_load.value: '22n': expected a resist"),
    ([put("parts.plate_load.from", "1k")], "parts.plate_load.from: 1 kΩ: expected only beside"),
    ([put("parts.stopper.from", ...)], "parts.stopper.from: not given: expected a value beside"),
    ([put("parts.stopper.to", ...)], "parts.stopper.to: not given: expected a value beside series"),
    ([put("parts.stopper.to", "1k")], "parts.stopper.from: 10 kΩ: expected less than to (1 kΩ)"),
    ([put("parts.stopper.from", "0")], "parts.stopper.from: '0': * above 0 Ω"),
    ([put("parts.stopper.from", "10n")], "parts.stopper.from: '10n': expected a resistance"),
    ([put("parts.stopper.series", "E13")], "parts.stopper.series: 'E13': expected 'E3', 'E6'"),
    (
        [put("parts.stopper", {"series": "E3", "from": "11k", "to": "12k"})],
        "parts.stopper.series: 'E3': no value from 11 kΩ to 12 kΩ: expected a wider range",
    ),
    (
        [put("parts.stopper", {"continuous": True, "to": "1k"})],
        "parts.stopper.from: not given: expected a",
    ),
    ([put("parts.stopper", {"drawer": "no.csv"})], "parts.stopper.drawer: 'no.csv': file: "),
    ([put("parts.bypass.values", [])], "parts.bypass.values: []: expected at least one value"),
    ([put("parts.bypass.values", ["1u", "1µ"])], "parts.bypass.values: 1 µF: listed twice"),
    ([put("parts.bypass.values", ["1u", "1k"])], "parts.bypass.values[2]: '1k': expected a cap"),
    ([put("parts.bypass.values", "1u")], "parts.bypass.values: '1u': expected a list"),
    ([put("parts.grid_leak", {"value": "1M", "position": "x"})], "parts.grid_leak.position: 'x': "),
    (
        [put("parts.input_coupling.value", "none")],
        "parts.input_coupling.value: 'none': *\"direct\"",
    ),
    (
        [put("parts.grid_leak.value", "none"), put("parts.input_coupling.value", "22n")],
        "parts.grid_leak: 'none': the grid would float",
    ),
    # scores, limits, targets
    ([put("scores", {}), put("targets", ...)], "scores: []: expected a target, or at least one"),
    ([put("scores", 3)], "scores: 3: expected a table of scores"),
    (
        [put("scores", {"gain_dB": "show"}), put("targets", ...)],
        "scores: ['gain_dB']: expected a target, or at least one score",
    ),
    ([put("scores.gain_dB", "big")], 'scores.gain_dB: \'big\': expected "maximise", "minimise"'),
    ([put("scores.gain_dB", {})], 'scores.gain_dB: {}: expected "maximise"'),
    ([put("scores.gain_dB", {"near": "3 V"})], "scores.gain_dB.near: '3 V': expected a level"),
    ([put("scores.gain_dB", {"atleast": 3})], "scores.gain_dB.atleast: 3: * mean at_least?"),
    ([put("scores.gain_dB", {"near": 3, "at_most": 4})], "scores.gain_dB: {near = …, at_most = …"),
    ([put("scores.gain_dB", {"at_least": 5, "at_most": 4})], "scores.gain_dB.at_least: 5.0: *(4)"),
    ([put("scores.input_corner_Hz", {"near": 0})], "scores.input_corner_Hz.near: 0: expected abo"),
    ([put("targets.input_corner", ...)], "targets.input_corner: not given: *scores.input_corner_"),
    ([put("targets.radio_bands", ...)], "targets.radio_bands: not given: *scores.rf_margin_dB"),
    (
        [
            put("targets", {}),
            put("scores", {"gain_dB": "maximise"}),
            put("limits.rf_margin_dB", {"at_least": 0}),
        ],
        "targets.radio_bands: not given: *limits.rf_margin_dB",
    ),
    ([put("limits.plate_current_A", "1 mA")], "limits.plate_current_A: '1 mA': expected { at_l"),
    ([put("limits.plate_current_A", {"near": 1})], "limits.plate_current_A.near: 1: unknown key"),
    ([put("limits.plate_current_A.at_least", "1 V")], "limits.plate_current_A.at_least: '1 V': *"),
    ([put("limits.derateing", 0.9)], "limits.derateing: 0.9: * did you mean derating?"),
    ([put("limits.derating", 0)], "limits.derating: 0: expected a plain number*above 0; at most 1"),
    ([put("limits.ratings", 1)], "limits.ratings: 1: expected true or false"),
    ([put("limits.supply_tolerance", "-5 %")], "limits.supply_tolerance: '-5 %': expected a perc"),
    (
        [put("limits.resistor_power", {"plate_lod": 1})],
        "limits.resistor_power.plate_lod: 1: * mean",
    ),
    ([put("limits.resistor_power", {"plate_load": 0})], "limits.resistor_power.plate_load: 0: *"),
    ([put("scores.hum_dBu", "minimise")], "supply.ripple: *: expected a voltage: scores.hum_dBu"),
    ([put("supply.ripple", 0)], "supply.ripple: 0: * above 0 V"),
    (
        [put("supply.decoupling_resistor", "-1k")],
        "supply.decoupling_resistor: '-1k': * 0 Ω or more",
    ),
    # stock and search
    ([put("stock", {"resistor_style": "tin"})], "stock.resistor_style: 'tin': expected one of *"),
    ([put("stock", {"resistor_series": "E10"})], "stock.resistor_series: 'E10': expected 'E3'"),
    ([put("stock", {"drawer": "no.csv"})], "stock.drawer: 'no.csv': file: "),
    ([put("search", {"seed": "7"})], "search.seed: '7': expected a whole number"),
    ([put("search", {"seed": -1})], "search.seed: -1: expected greater than or equal to 0"),
    ([put("search", {"batch": 0})], "search.batch: 0: expected greater than or equal to 1"),
    ([put("search", {"evaluations": 1.5})], "search.evaluations: 1.5: expected a whole number"),
    ([put("search", {"sampler": "nsga2"})], "search.sampler: 'nsga2': expected 'evolution', 'est"),
]


@pytest.mark.parametrize(("changes", "expected"), WRONG, ids=[str(row[1])[:60] for row in WRONG])
def test_each_problem_is_one_line_that_names_its_field(
    changes: list[Callable[[dict[str, Any]], None]], expected: str
) -> None:
    with pytest.raises(BriefError) as caught:
        parse_brief(changed(*changes))
    assert len(caught.value.problems) == 1
    (line,) = caught.value.problems
    start, *rest = expected.split("*")
    assert line.startswith(start.rstrip())
    assert all(part.strip() in line for part in rest)
    assert "\n" not in line


def test_every_problem_is_reported_at_once() -> None:
    data = changed(
        put("supply.voltage", "x"), put("parts.stopper.from", "22 uF"), put("scores.gain_dB", "big")
    )
    with pytest.raises(BriefError) as caught:
        parse_brief(data, source="job.toml")
    fields = [line.partition(":")[0] for line in caught.value.problems]
    assert fields == ["supply.voltage", "parts.stopper.from", "scores.gain_dB"]
    assert str(caught.value).splitlines()[0] == "job.toml:"
    assert caught.value.source == "job.toml"


@pytest.mark.parametrize(
    ("text", "start"),
    [
        (TEXT.replace("[supply]", "[supply"), "line 5, column 8: '[supply': "),
        (TEXT + "[supply]\n", "line 46, column 8: '[supply]': "),
        (TEXT.replace('"300 V"', "300 V"), "line 6, column 15: 'voltage = 300 V': "),
        (TEXT + 'x = "', "end of file: "),
    ],
)
def test_faulty_toml_names_its_line(text: str, start: str) -> None:
    with pytest.raises(BriefError) as caught:
        parse_brief(text)
    (line,) = caught.value.problems
    assert line.startswith(start)
    assert line.endswith("expected TOML")


def test_missing_files_and_names_are_said_so(tmp_path: Path) -> None:
    with pytest.raises(BriefError, match="no such file or directory: expected a readable TOML"):
        load_brief(tmp_path / "none.toml")
    with pytest.raises(BriefError, match="expected a readable TOML file"):
        load_brief(tmp_path)
    with pytest.raises(BriefError, match="did you mean treble-cut"):
        load_brief("trebel-cut")
    (tmp_path / "latin.toml").write_bytes(b'title = "caf\xe9"')
    with pytest.raises(BriefError, match="not UTF-8 text"):
        load_brief(tmp_path / "latin.toml")


def test_a_faulty_drawer_names_line_and_column(tmp_path: Path) -> None:
    (tmp_path / "mine.csv").write_text("kind,value\nresistor,22 uF\nresistor,x\n")
    data = changed(put("parts.stopper", {"drawer": "mine.csv"}))
    with pytest.raises(BriefError) as caught:
        parse_brief(data, tmp_path)
    starts = ["parts.stopper.drawer: 'mine.csv': line 2, value: '22 uF': expected a resistance"]
    starts += ["parts.stopper.drawer: 'mine.csv': line 3, value: 'x': expected a resistance"]
    assert len(caught.value.problems) == 2
    for line, start in zip(caught.value.problems, starts, strict=True):
        assert line.startswith(start)
    (tmp_path / "mine.csv").write_text("kind,value\nresistor,1k\n")
    data = changed(put("parts.bypass", {"drawer": "mine.csv"}))
    with pytest.raises(BriefError, match="no capacitor of any value: expected at least one"):
        parse_brief(data, tmp_path)


@pytest.mark.parametrize(
    ("given", "meant"),
    [
        ("plate_voltage", "plate_voltage_V"),  # the unit left out
        ("plate_current_mA", "plate_current_A"),  # with another unit
        ("Plate voltage", "plate_voltage_V"),
        ("anode_voltage_V", "plate_voltage_V"),  # the other word of the trade
        ("plate_curent_A", "plate_current_A"),  # misspelt
        ("input_corner", "input_corner_Hz"),
        ("yield", "tolerance_yield_percent"),  # part of a name
        ("corner_Hz", "lower_corner_Hz"),  # part of several
    ],
)
def test_the_score_that_is_meant_is_guessed(given: str, meant: str) -> None:
    for table, use in (("scores", "show"), ("limits", {"at_least": 1})):
        with pytest.raises(BriefError) as caught:
            parse_brief(changed(put(f"{table}.{given}", use)))
        (line,) = caught.value.problems
        assert line.startswith(f"{table}.{given}: ")
        assert meant in line.partition("did you mean")[2]


def test_a_faulty_valve_table_is_said_so(tmp_path: Path) -> None:
    (tmp_path / "own.toml").write_text("[[valve]]\nnme = 1\n")
    with pytest.raises(BriefError) as caught:
        parse_brief(changed(put("valve_table", "own.toml")), tmp_path)
    (line,) = caught.value.problems
    assert line.startswith("valve_table: 'own.toml': ")


def test_a_misspelt_score_is_told_the_closest_and_not_the_whole_list() -> None:
    changes = put("scores.gian_dB", "show"), put("limits.plate_voltage", {"at_least": "100 V"})
    with pytest.raises(BriefError) as caught:
        parse_brief(changed(*changes, put("scores.xyzzy", "show")))
    lines = {line.partition(":")[0]: line for line in caught.value.problems}
    assert lines["scores.gian_dB"].endswith("did you mean gain_dB?")
    assert lines["limits.plate_voltage"].endswith("did you mean plate_voltage_V?")
    assert "noise_dBu" not in lines["scores.gian_dB"]
    assert "ends in its unit" in lines["limits.plate_voltage"]
    assert "noise_dBu" in lines["scores.xyzzy"]


@pytest.mark.parametrize("version", [2, 0, "1", True, None])
def test_a_brief_of_another_version_is_refused(version: Any) -> None:
    assert parse_brief(changed(put("schema", 1))) == parse_brief(TEXT)
    with pytest.raises(BriefError, match=r"schema: .*: expected 1"):
        parse_brief(changed(put("schema", version)))


def test_a_faulty_drawer_is_told_once_however_many_parts_name_it(tmp_path: Path) -> None:
    (tmp_path / "mine.csv").write_text("kind,value\nresistor,x\n")
    drawer = {"drawer": "mine.csv"}
    with pytest.raises(BriefError) as caught:
        parse_brief(
            changed(
                put("parts.stopper", drawer), put("parts.plate_load", drawer),
                put("stock", drawer), put("supply.voltage", "x"),
            ),
            tmp_path,
        )  # fmt: skip
    assert [line.partition(":")[0] for line in caught.value.problems] == [
        "parts.stopper.drawer", "supply.voltage",
    ]  # fmt: skip


@pytest.mark.slow
@given(st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3)
    | st.dictionaries(st.sampled_from(["value", "values", "from", "to", "near", "a"]), inner),
    max_leaves=6,
), st.sampled_from([
    "title", "supply", "supply.voltage", "driver", "load", "targets", "targets.radio_bands",
    "parts", "parts.stopper", "parts.bypass", "parts.grid_leak", "scores", "scores.gain_dB",
    "limits", "limits.plate_current_A", "stock", "search", "strays", "reference.band",
]))  # fmt: skip
def test_whatever_stands_in_a_brief_it_is_read_or_refused_in_words(value: Any, path: str) -> None:
    problems: tuple[str, ...] | None = None
    try:
        parse_brief(changed(put(path, value)))
    except BriefError as error:
        problems = error.problems
    if problems is not None:
        assert problems
        assert all(line.count(": ") >= 2 for line in problems)


# --- schema --------------------------------------------------------------------------------------


def described(node: Any, schema: dict[str, Any], trail: str = "brief") -> list[str]:
    """Return the trails of the properties without a description of their own or their table's."""
    bare = []
    for name, prop in node.get("properties", {}).items():
        target = prop
        if "$ref" in prop:
            target = schema["$defs"][prop["$ref"].rpartition("/")[2]]
        if not (prop.get("description") or target.get("description")):
            bare.append(f"{trail}.{name}")
    return bare


def test_the_schema_describes_every_key_and_has_no_null() -> None:
    schema = brief_schema()
    assert described(schema, schema) == []
    for name, definition in schema["$defs"].items():
        assert described(definition, schema, name) == []
        if definition["type"] == "object":
            assert definition.get("additionalProperties") is not None
    assert '"null"' not in json.dumps(schema, allow_nan=False)


@pytest.mark.slow
@pytest.mark.parametrize("name", shipped_briefs())
def test_the_schema_accepts_the_shipped_briefs(name: str) -> None:
    jsonschema = pytest.importorskip("jsonschema")
    schema = brief_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    validator = jsonschema.Draft202012Validator(schema)
    validator.validate(tomllib.loads(shipped_brief_text(name)))


@pytest.mark.parametrize(
    "change",
    [
        put("suply", {}),
        put("supply.voltage", True),
        put("parts.stopper.series", "E13"),
        put("scores.gain_dB", "big"),
        put("scores.gain_dB", {"atleast": 3}),
        put("limits.plate_current_A", {"near": 1}),
        put("parts.plate_load", ...),
    ],
)
def test_the_schema_refuses_what_the_reader_refuses(
    change: Callable[[dict[str, Any]], None],
) -> None:
    jsonschema = pytest.importorskip("jsonschema")
    validator = jsonschema.Draft202012Validator(brief_schema())
    assert validator.is_valid(base())
    assert not validator.is_valid(changed(change))


# --- shipped briefs ------------------------------------------------------------------------------


def test_these_briefs_are_shipped() -> None:
    assert shipped_briefs() == (
        "battery-preamp",
        "quiet-input",
        "studio-line",
        "talkback",
        "treble-cut",
    )


@pytest.mark.parametrize("name", shipped_briefs())
def test_each_shipped_brief_is_whole(name: str) -> None:
    brief = load_brief(name)
    assert brief.source == name
    assert brief.text == shipped_brief_text(name)
    comment = [line for line in brief.text.splitlines()[:2] if line.startswith("#")]
    assert "Invented scenario" in " ".join(comment)
    assert "volts" in " ".join(comment)
    assert "Invented scenario." in brief.scenario
    assert 4 <= len(brief.varied) <= 6
    assert 1e4 <= brief.size <= 1e6
    assert 2 <= len(brief.free_scores) <= 5
    again = parse_brief(
        brief.model_dump(by_alias=True, exclude_none=True), files("explorer") / "briefs"
    )
    assert again == brief


def test_the_shipped_drawer_is_read() -> None:
    drawer = read_drawer(files("explorer") / "briefs" / "drawer.csv")
    assert len(drawer.resistors) > 20
    assert len(drawer.capacitors) > 10
    assert np.isfinite(drawer.resistors.price).all()


# --- designs -------------------------------------------------------------------------------------


def test_a_design_takes_what_is_fixed_from_the_brief() -> None:
    brief = parse_brief(TEXT)
    design = parse_design(["stopper=68k", "bypass = full"], brief)
    assert design.parts["stopper"] == 68e3
    assert design.parts["bypass"] == math.inf
    assert design.parts["plate_load"] == 100e3
    assert set(design.parts) == set(PART_ELEMENTS)
    assert not design.leak_at_grid
    fields = design.stage_fields()
    assert Stage(supply_V=300.0, **fields).cathode_resistor_ohm == 1500.0
    assert fields["leak_at_grid"] == 0.0


def test_a_design_may_override_the_brief() -> None:
    brief = parse_brief(TEXT)
    pairs = ["stopper=none", "bypass=none", "plate_load=150k", "grid_leak_position=after stopper"]
    design = parse_design(pairs, brief)
    assert design.parts["stopper"] == 0.0
    assert design.parts["plate_load"] == 150e3
    assert design.leak_at_grid


def test_a_design_is_read_from_a_file(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text('[design]\ntitle = "as built"\nstopper = 68000\nbypass = "22u"\n', "utf-8")
    design = load_design(path, parse_brief(TEXT))
    assert design.title == "as built"
    assert design.parts["stopper"] == 68e3
    assert design.parts["bypass"] == 22e-6


def test_a_free_leak_position_must_be_chosen() -> None:
    brief = parse_brief(changed(put("parts.grid_leak", {"value": "1M", "position": "either"})))
    with pytest.raises(BriefError, match=r"design\.grid_leak_position: not given: expected"):
        parse_design(["stopper=1k", "bypass=full"], brief)
    pairs = ["stopper=1k", "bypass=full", "grid_leak_position=before stopper"]
    assert parse_design(pairs, brief).parts["grid_leak"] == 1e6


@pytest.mark.parametrize(
    ("pairs", "starts"),
    [
        (["stopper=68k"], ["design.bypass: not given: required: the brief leaves it free"]),
        (["stopper=68k", "bypass"], ["design: 'bypass': expected part=value"]),
        (["stopper=1", "stopper=2"], ["design.stopper: '2': given twice"]),
        (["stopper=22 uF", "bypass=1u"], ["design.stopper: '22 uF': expected a resistance"]),
        (["stopper=1k", "bypass=-1u"], ["design.bypass: '-1u': expected a capacitance"]),
        (
            ["stoper=1k", "bypass=1u"],
            ["design.stoper: '1k': unknown part", "design.stopper: not given: required"],
        ),
        (
            ["stopper=1k", "bypass=1u", "grid_leak_position=left"],
            ["design.grid_leak_position: 'left': expected 'before stopper' or 'after stopper'"],
        ),
    ],
)
def test_problems_of_a_design_name_their_part(pairs: list[str], starts: list[str]) -> None:
    with pytest.raises(BriefError) as caught:
        parse_design(pairs, parse_brief(TEXT))
    assert len(caught.value.problems) == len(starts)
    for line, start in zip(caught.value.problems, starts, strict=True):
        assert line.startswith(start)


@pytest.mark.parametrize(
    ("text", "start"),
    [
        ("stopper = 1\n", "stopper: 1: unknown key; expected one table, [design]"),
        ("design = 1\n", "design: 1: expected a table"),
        ("[design]\nstopper = 1\nbypass = 0\ntitle = 3\n", "design.title: 3: expected text"),
        ("[design\n", "line 1, column 8: '[design': "),
    ],
)
def test_problems_of_a_design_file_name_their_field(tmp_path: Path, text: str, start: str) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(BriefError) as caught:
        load_design(path, parse_brief(TEXT))
    assert caught.value.problems[0].startswith(start)
    assert caught.value.source == str(path)


def test_a_brief_cannot_be_changed() -> None:
    brief = parse_brief(TEXT)
    with pytest.raises(ValueError, match="frozen"):
        brief.supply.voltage = 1.0
    assert isinstance(brief, Brief)


def test_a_score_says_what_is_wanted_and_how_much_it_weighs() -> None:
    brief = parse_brief(
        changed(
            put("scores.gain_dB", {"aim": "maximize", "wanted": "36 dB", "good_enough": 30}),
            put("scores.noise_dBu", {"near": "-100 dBu", "within": "1 dB", "weight": 2}),
            put("scores.input_corner_Hz", {"near": "5 kHz", "within": "5 %"}),
        )
    )
    free = {score.name: score for score in brief.free_scores}
    # Steps of half a decibel: -72 and -60 of them.
    assert free["gain_dB"].ends == pytest.approx((-72.0, -60.0))
    assert (free["noise_dBu"].within, free["noise_dBu"].weight) == (1.0, 2.0)
    window = free["input_corner_Hz"].window
    assert (window.at_least, window.at_most) == pytest.approx((5e3 / 1.05, 5e3 * 1.05))
    again = parse_brief(brief.model_dump(mode="json", by_alias=True))
    assert repr(again.scores) == repr(brief.scores)  # of two nan, equal as they stand


def test_targets_take_part_without_being_listed() -> None:
    listed = parse_brief(changed(put("scores", {"gain_dB": "maximise"})))
    free = {score.name: score for score in listed.free_scores}
    assert set(free) == {"gain_dB", "input_corner_error_octaves", "rf_margin_dB"}
    assert free["rf_margin_dB"].use == "reach"
    wide = float(np.log2(1.1))
    assert free["input_corner_error_octaves"].good_enough == pytest.approx(wide)
    goals = {goal.name: goal for goal in listed.goals}
    assert goals["rf_margin_dB"].at_least == 0.0
    assert goals["input_corner_error_octaves"].at_most == pytest.approx(wide)
    # A radio margin that a limit holds needs no score; the goal stays.
    limited = parse_brief(TEXT)
    assert "rf_margin_dB" not in {score.name for score in limited.free_scores}
    assert "rf_margin_dB" in {goal.name for goal in limited.goals}


def test_an_order_of_importance_weighs_by_rank() -> None:
    """Rank-order centroids of three: 11/18, 5/18, 2/18 (Edwards and Barron, 1994, from memory)."""
    order = ["gain_dB", "rf_margin_dB", "input_corner_error_octaves"]
    brief = parse_brief(
        changed(put("scores", {"gain_dB": "maximise"}), put("decision.order", order))
    )
    weights = {score.name: score.weight for score in brief.free_scores}
    assert [weights[name] / 3 for name in order] == pytest.approx([11 / 18, 5 / 18, 2 / 18])
