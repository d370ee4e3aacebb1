"""What a brief says of cables, styles, bands, drive, carrier and tolerances reaches the problem."""

from __future__ import annotations

import tomllib
from dataclasses import asdict
from typing import Any

import numpy as np
import pytest

from explorer.brief.errors import BriefError
from explorer.brief.loading import load_brief, parse_brief, shipped_brief_text
from explorer.exploration import explore
from explorer.formulation import formulate
from explorer.settings import Settings
from objectives.circuit.arrival import AlongCable, Arrival, AtJack, CommonMode, ThroughSupply
from objectives.radio.tables import radio_band, resistor_style, wiring
from objectives.tolerance.spreads import Spread

pytestmark = pytest.mark.slow


def changed(**sections: dict[str, Any]) -> dict[str, Any]:
    """Return the treble-cut brief as a mapping, some sections changed key by key."""
    brief = tomllib.loads(shipped_brief_text("treble-cut"))
    for section, values in sections.items():
        brief.setdefault(section, {}).update(values)
    return brief


def test_a_cable_by_kind_and_length_adds_to_what_is_stated() -> None:
    brief = changed()
    brief["driver"] = {
        "resistance": "10k", "cable_capacitance": "50 pF", "cable": "instrument cable",
        "cable_metres": 3,
    }  # fmt: skip
    del brief["drive"]
    brief["scores"] = {"gain_dB": "maximise"}
    problem = formulate(parse_brief(brief)).problem
    by_hand = 50e-12 + 3 * wiring("instrument cable").capacitance_F
    assert float(np.asarray(problem.fixed.cable_F)) == pytest.approx(by_hand)


def test_wiring_by_kind_adds_to_what_is_stated_between_its_ends() -> None:
    holder, wire = "valve holder, neighbouring pins", "hook-up wire near the chassis"
    pieces = [
        {"kind": holder, "between": "grid to plate", "pieces": 2},
        {"kind": wire, "between": "grid to ground", "metres": 0.08},
        {"kind": wire, "between": "plate to ground", "metres": 0.05},
    ]
    stated = {"grid_to_plate": "0.3 pF", "grid_to_ground": "0 pF", "plate_to_ground": "1 pF"}
    formulated = formulate(parse_brief(changed(strays={**stated, "wiring": pieces})))
    fixed = formulated.problem.fixed
    a_metre, a_piece = wiring(wire).capacitance_F, wiring(holder).capacitance_F
    assert float(fixed.stray_grid_plate_F) == pytest.approx(0.3e-12 + 2 * a_piece)
    assert float(fixed.stray_grid_ground_F) == pytest.approx(0.08 * a_metre)
    assert float(fixed.stray_plate_ground_F) == pytest.approx(1e-12 + 0.05 * a_metre)
    assert float(fixed.stray_grid_cathode_F) == 0.0


def test_a_price_asks_for_a_drawer_that_has_prices() -> None:
    brief = changed(scores={"parts_price_sum": "minimise"})
    with pytest.raises(BriefError) as caught:
        parse_brief(brief)
    assert "stock.drawer: not given: expected a drawer with prices" in caught.value.problems[0]
    quiet = tomllib.loads(shipped_brief_text("quiet-input"))
    formulated = formulate(load_brief("quiet-input"))
    prices = formulated.problem.targets.prices
    # The grid capacitor and four resistors vary; the position of the leak is no part.
    assert set(prices) == {f"{name}_ohm" for name in
                           ("stopper", "plate_load", "cathode_resistor", "grid_leak")} | {
        "grid_capacitor_F"
    }  # fmt: skip
    values, price = prices["stopper_ohm"]
    assert price[np.flatnonzero(np.isclose(values, 68e3))[0]] == 0.05
    assert quiet["scores"]["parts_price_sum"] == "show"


def test_a_style_gives_shunt_and_leads_unless_they_are_stated() -> None:
    style = resistor_style("metal film 1/2 W")
    brief = parse_brief(changed(strays={"stopper_style": "metal film 1/2 W"}))
    stated = formulate(brief).problem.fixed
    assert float(np.asarray(stated.stopper_shunt_F)) == style.shunt_F
    assert float(np.asarray(stated.stopper_lead_H)) == style.lead_H
    own = changed(strays={"stopper_style": "metal film 1/2 W", "stopper_shunt": "1 pF"})
    fixed = formulate(parse_brief(own)).problem.fixed
    assert float(np.asarray(fixed.stopper_shunt_F)) == pytest.approx(1e-12)


def test_a_band_of_the_table_brings_name_and_edges() -> None:
    bands = formulate(parse_brief(changed())).problem.targets.radio_bands
    medium = radio_band("AM")
    assert (bands[0].name, bands[0].low_Hz, bands[0].high_Hz) == (
        medium.name, medium.low_Hz, medium.high_Hz,
    )  # fmt: skip


def test_drive_carrier_and_tolerance_reach_the_targets() -> None:
    brief = changed(
        carrier={"level": "50 mV", "modulation": "80 %"},
        tolerance={"resistors": "1 %", "capacitors": "5 %", "supply": "3 %", "draws": 64},
    )
    targets = formulate(parse_brief(brief)).problem.targets
    assert targets.drive is not None
    assert (targets.drive.level_V, targets.drive.note_Hz) == (20.0, 220.0)
    assert targets.carrier is not None
    assert (targets.carrier.emf_V, targets.carrier.modulation) == (0.05, 0.8)
    assert targets.tolerance is not None
    assert targets.tolerance.draws == 64
    spread: dict[str, Spread] = {s.quantity: s for s in targets.tolerance.spreads}
    assert spread["stopper_ohm"].high == pytest.approx(0.01)
    assert spread["output_coupling_F"].high == pytest.approx(0.05)
    assert spread["supply_V"].low == pytest.approx(-0.03)
    assert spread["valve_transconductance"].high == pytest.approx(0.25)
    assert targets.tolerance.windows["rf_margin_dB"] == (0.0, np.inf)


def test_radio_arrives_as_the_brief_says() -> None:
    def arrival(**carrier: str) -> Arrival:
        brief = changed(driver={"cable_capacitance": "120 pF"}, carrier=carrier)
        return formulate(parse_brief(brief)).problem.targets.carrier.arrival

    # A usual cable has 100 pF a metre (common practice, no source).
    for stated, expected in (
        ({}, AtJack(impedance_ohm=50.0, cable_m=1.2)),
        ({"arrives": "along the cable"}, AlongCable(cable_m=1.2, cable_F=120e-12)),
        (
            {"arrives": "common mode", "bond_inductance": "40 nH"},
            CommonMode(bond_H=40e-9, cable_m=1.2),
        ),
        (
            {"arrives": "through the supply", "impedance": "75"},
            ThroughSupply(impedance_ohm=75.0, cable_m=1.2),
        ),
    ):
        read = arrival(**stated)
        assert read.way == expected.way
        assert asdict(read) == pytest.approx(asdict(expected), abs=0)


def test_a_limit_on_a_score_under_drive_is_not_judged_on_ten_thousand_draws() -> None:
    limits = {"harmonic_fall_dB": {"at_least": "1 dB"}}
    setup = formulate(parse_brief(changed(limits=limits))).problem.targets.tolerance
    assert setup is not None
    assert setup.unjudged == ("harmonic_fall_dB",)
    assert "harmonic_fall_dB" not in setup.windows
    assert "rf_margin_dB" in setup.windows


@pytest.mark.slow
def test_yield_can_be_a_score_of_the_search() -> None:
    brief = changed(tolerance={"draws": 64})
    brief["scores"] = {"tolerance_yield_percent": "maximise", "gain_dB": "maximise"}
    formulated = formulate(parse_brief(brief))
    found = explore(formulated, Settings(seed=1, evaluations=2000))
    assert found.exact is None  # too slow for the whole space
    good = found.front.scores["tolerance_yield_percent"]
    again = formulated.problem.assess(found.front.parts)["tolerance_yield_percent"]
    np.testing.assert_array_equal(good, again)  # the draws are common to all, and repeatable
    blind = formulated.problem.draw(40, np.random.default_rng(3))
    assert good.max() > formulated.problem.assess(blind)["tolerance_yield_percent"].mean()
    assert np.all((good >= 0) & (good <= 100))


@pytest.mark.parametrize(
    ("sections", "line"),
    [
        ({"driver": {"cable": "instrument cable"}},
         "driver.cable_metres: not given: expected both of cable, cable_metres"),
        ({"driver": {"cable": "instrument cabel", "cable_metres": 2}},
         "driver.cable: 'instrument cabel': expected one of"),
        ({"strays": {"stopper_style": "carbon film 1/3 W"}}, "strays.stopper_style: 'carbon film"),
        *(
            ({"strays": {"wiring": [{"kind": "hook-up wire near the chassis", **piece}]}}, words)
            for piece, words in (
                ({"between": "grid to ground"}, "strays.wiring[1].metres: not given: required"),
                ({"between": "grid to ground", "pieces": 2},
                 "strays.wiring[1].pieces: 2.0: expected metres"),
                ({"between": "grid to heater", "metres": 1}, "strays.wiring[1].between:"),
                ({"between": "grid to ground", "metres": 1, "kind": "hook-up wire"},
                 "strays.wiring[1].kind: 'hook-up wire': expected one of"),
            )
        ),
        ({"targets": {"radio_bands": [{"band": "XM", "attenuation": "20 dB"}]}},
         "targets.radio_bands[1].band: 'XM'"),
        ({"drive": {"harmonics_above": "100 Hz"}}, "drive.harmonics_above: 100 Hz: expected more"),
        ({"transistor": "J201"}, None),
        ({"tolerance": {"resistors": "X"}}, r"tolerance.resistors: 'X': expected a percentage"),
        ({"tolerance": {"capacitors": [20, 50]}}, "tolerance.capacitors: "),
        ({"tolerance": {"draws": 3}}, "tolerance.draws: 3"),
        ({"carrier": {"modulation": "130 %"}}, "carrier.modulation: '130 %'"),
        ({"carrier": {"arrives": "along the cable"}, "driver": {"cable_capacitance": "0"}},
         "carrier.arrives: 'along the cable': expected another way"),
        ({"carrier": {"arrives": "along the cable", "impedance": "50"}}, "carrier.impedance: 50"),
        ({"carrier": {"bond_inductance": "40 nH"}}, "carrier.bond_inductance: 40"),
        ({"targets": {"radio_bands": [{"band": "900 MHz", "attenuation": "20 dB"}]}},
         "targets.radio_bands: "),
        ({"strays": {"grid_capacitor_style": "tin"}}, "strays.grid_capacitor_style: 'tin'"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_named(sections: dict[str, Any], line: str) -> None:
    brief = changed(**{k: v for k, v in sections.items() if isinstance(v, dict)})
    for key, value in sections.items():
        if not isinstance(value, dict):
            brief[key] = value
            line = "valve: valve and transistor: expected exactly one of valve, transistor"
    with pytest.raises(BriefError) as caught:
        parse_brief(brief)
    assert any(problem.startswith(line) for problem in caught.value.problems), caught.value.problems


def test_a_drive_that_does_not_clip_is_refused_before_any_work() -> None:
    with pytest.raises(BriefError, match=r"drive\.level_V: 0\.01: must be high enough"):
        formulate(parse_brief(changed(drive={"level": "10 mV"})))


def test_scores_under_drive_ask_for_a_drive() -> None:
    brief = changed()
    del brief["drive"]
    with pytest.raises(BriefError) as caught:
        parse_brief(brief)
    assert "drive: not given" in caught.value.problems[0]
