"""Numbers and names as engineers write them."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from objectives.format import (
    column,
    field_label,
    part_value,
    quantity,
    score_label,
    score_unit,
    sentence,
    unit_symbol,
)
from objectives.scores.registry import REGISTRY


def plain(text: str) -> str:
    return text.replace("\u00a0", " ")


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (4700.0, "ohm", "4.7 kΩ"),
        (1e6, "ohm", "1 MΩ"),
        (1.5e-9, "F", "1.5 nF"),
        (0.3e-12, "F", "0.3 pF"),
        (22e-6, "F", "22 µF"),
        (5421.4, "Hz", "5.421 kHz"),
        (-2.1, "dB", "−2.1 dB"),
        (-1.61, "V", "−1.61 V"),
        (1.2e-15, "A", "0.0012 pA"),
        (0.0, "V", "0 V"),
        (5.0, "%", "5 %"),
        (1.1e-6, "octaves", "0 octaves"),
        (100.0, "", "100"),
        (math.inf, "Hz", "∞ Hz"),
        (-math.inf, "dB", "−∞ dB"),
        (math.nan, "dB", "—"),
    ],
)
def test_quantities_read_as_engineers_write_them(value: float, unit: str, text: str) -> None:
    assert plain(quantity(value, unit)) == text


def test_a_quantity_never_breaks_between_number_and_unit() -> None:
    assert " " not in quantity(4700.0, "ohm")
    assert " " not in quantity(-2.0, "dB")


@given(
    st.floats(1e-11, 1e11), st.sampled_from(["ohm", "F", "Hz", "V", "A", "W"]), st.integers(3, 6)
)
def test_a_quantity_read_back_is_the_value_to_its_digits(
    value: float, unit: str, digits: int
) -> None:
    number, tail = plain(quantity(value, unit, digits)).split(" ")
    prefix = tail.removesuffix(unit_symbol(unit))
    scale = {"p": 1e-12, "n": 1e-9, "µ": 1e-6, "m": 1e-3, "": 1.0, "k": 1e3, "M": 1e6, "G": 1e9}
    assert float(number) * scale[prefix] == pytest.approx(value, rel=0.51 * 10.0 ** (1 - digits))


def test_the_unit_of_every_score_is_known_from_the_registry() -> None:
    for name, score in REGISTRY.items():
        assert score_unit(name) == score.unit
        assert "_" not in score_label(name)


@pytest.mark.parametrize(
    ("field", "value", "text"),
    [
        ("bypass_F", 0.0, "none"),
        ("bypass_F", math.inf, "full"),
        ("input_coupling_F", math.inf, "direct"),
        ("leak_at_grid", 1.0, "after the stopper"),
        ("stopper_ohm", 0.0, "none"),
        ("stopper_ohm", 68e3, "68 kΩ"),
    ],
)
def test_part_values_that_are_no_values_are_words(field: str, value: float, text: str) -> None:
    assert plain(part_value(field, value)) == text


def test_a_column_without_prefixes_keeps_the_same_decimals_throughout() -> None:
    texts = column([36.43, 29.1, -0.004], "dB")
    assert texts == ["36.43", "29.10", "0.00"]
    assert column([0.577, 0.002], "octaves") == ["0.577", "0.002"]
    assert column([5.0, 5.0], "%") == ["5.00", "5.00"]


def test_a_column_with_prefixes_pads_to_the_same_figures() -> None:
    assert [plain(t) for t in column([8000.0, 5362.26], "Hz")] == ["8.000 kHz", "5.362 kHz"]


def test_labels_speak_the_trade() -> None:
    assert score_label("rf_margin_dB", with_unit=True) == "RF margin (dB)"
    assert field_label("plate_load_ohm") == "plate load"
    assert field_label("plate_load_ohm", {"plate_load_ohm": "anode load"}) == "anode load"
    assert sentence("grid stopper") == "Grid stopper"
