"""The words of a valve in those of a transistor, once and without touching what is quoted."""

from __future__ import annotations

import json

import pytest

from objectives.devices.terms import BIPOLAR, FIELD_EFFECT, VALVE, AsIs

TEXT = (
    "The grid stopper: the plate–cathode voltage of the valve, V_pk = V_p − V_k, and its grid leak."
)


def test_a_valve_gets_every_text_as_it_is() -> None:
    assert VALVE.say(TEXT) is TEXT


@pytest.mark.parametrize(
    ("text", "fet", "bipolar"),
    [
        (
            TEXT,
            "The gate stopper: the drain–source voltage of the transistor, V_ds = V_d − V_s, and "
            "its gate leak.",
            "The base stopper: the collector–emitter voltage of the transistor, V_ce = V_c − V_e, "
            "and its bias resistance.",
        ),
        ("Plate load", "Drain load", "Collector load"),
        ("cathode bypass", "source bypass", "emitter bypass"),
        (
            "gain from source to output", "gain from signal source to output",
            "gain from source to output",
        ),
        ("common practice, no source", "common practice, no source", "common practice, no source"),
        ("source resistance", "signal source resistance", "source resistance"),
        ("cathode resistor", "source resistor", "emitter resistor"),
        ("|V_g/V_s|", "|V_g/V_sig|", "|V_b/V_s|"),
        ("V_p = V_b − I R_L", "V_d = V_dd − I R_L", "V_c = V_cc − I R_L"),
        (
            "C_in = C_gk + C_gp (1 + |A|)", "C_in = C_gs + C_gd (1 + |A|)",
            "C_in = C_be + C_bc (1 + |A|)",
        ),
        ("drain-source voltage", "drain-source voltage", "drain-source voltage"),
        ("12AX7 cathode follower", "12AX7 cathode follower", "12AX7 cathode follower"),
        ("plate resistance", "drain–source resistance", "collector–emitter resistance"),
        ("to grid conduction", "to gate conduction", "to saturation"),
        # Parts of other words and names of fields are none of these words.
        ("gridded plate_V cathodes leakage", "gridded plate_V cathodes leakage",
         "gridded plate_V cathodes leakage"),
    ],
)  # fmt: skip
def test_words_and_symbols(text: str, fet: str, bipolar: str) -> None:
    assert FIELD_EFFECT.say(text) == fet
    assert BIPOLAR.say(text) == bipolar


def test_what_is_quoted_stays_and_is_still_text() -> None:
    quoted = AsIs("an earlier 12AX7 stage (100 kΩ plate load)")
    assert FIELD_EFFECT.say(quoted) is quoted
    assert json.dumps(quoted) == '"an earlier 12AX7 stage (100 k\\u03a9 plate load)"'


def test_own_words_name_the_stage() -> None:
    assert [t.stage for t in (VALVE, FIELD_EFFECT, BIPOLAR)] == [
        "common-cathode stage", "common-source stage", "common-emitter stage",
    ]  # fmt: skip
    for terms in (FIELD_EFFECT, BIPOLAR):
        assert terms.say(terms.stage) == terms.stage
        assert terms.kind == "transistor"
