"""The words of each kind of device, and texts written with them."""

from __future__ import annotations

from dataclasses import fields

import pytest

from objectives.devices.terms import BIPOLAR, FIELD_EFFECT, VALVE, Terms


@pytest.mark.parametrize(
    ("terms", "text"),
    [
        (VALVE, "grid stopper, V_pk, plate resistance"),
        (FIELD_EFFECT, "gate stopper, V_ds, drain–source resistance"),
        (BIPOLAR, "base stopper, V_ce, collector–emitter resistance"),
    ],
)
def test_a_template_is_written_in_the_words_of_the_device(terms: Terms, text: str) -> None:
    assert terms.write("{grid} stopper, {V_pk}, {plate_resistance}") == text


def test_a_word_that_no_device_has_is_refused() -> None:
    with pytest.raises(KeyError, match="gird"):
        VALVE.write("{gird} stopper")


def test_every_kind_names_its_stage() -> None:
    assert [t.stage for t in (VALVE, FIELD_EFFECT, BIPOLAR)] == [
        "common-cathode stage", "common-source stage", "common-emitter stage",
    ]  # fmt: skip
    assert [t.kind for t in (VALVE, FIELD_EFFECT, BIPOLAR)] == ["valve", *2 * ["transistor"]]


@pytest.mark.parametrize("terms", [FIELD_EFFECT, BIPOLAR])
def test_a_transistor_has_no_electrode_of_a_valve(terms: Terms) -> None:
    for field in fields(terms):
        assert not {"grid", "plate", "cathode", "valve"} & set(vars(terms)[field.name].split())
