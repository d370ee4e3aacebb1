"""Reading and writing quantities: laws, and the published letter codes."""

from __future__ import annotations

import math
import re
import tomllib
from pathlib import Path
from typing import Annotated, Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import BaseModel, TypeAdapter, ValidationError

from explorer.units import (
    LEAST,
    MOST,
    UNITS,
    Farads,
    Kelvin,
    Ohms,
    PositiveOhms,
    QuantityError,
    QuantityField,
    Volts,
    format_quantity,
    parse_quantity,
    unit_of_name,
)
from objectives.marking import iec_60062_code

REFERENCE = tomllib.loads(
    (Path(__file__).parents[1] / "references" / "iec_60062.toml").read_text(encoding="utf-8")
)
POWERS = {"f": -15, "p": -12, "n": -9, "u": -6, "µ": -6, "μ": -6, "m": -3, "k": 3, "K": 3}
POWERS |= {"M": 6, "G": 9, "T": 12}
LETTERED = {key: unit for key, unit in UNITS.items() if unit.prefixes}


@st.composite
def decimals(draw: st.DrawFn, figures: int = 4) -> str:
    """Positive decimal text of at most ``figures`` figures, without exponent."""
    digits = str(draw(st.integers(1, 10**figures - 1)))
    point = draw(st.integers(0, len(digits)))
    return f"{digits[:point] or '0'}.{digits[point:]}".rstrip(".")


@pytest.mark.parametrize(
    ("code", "value", "unit"),
    [(code, value, "ohm") for code, value in REFERENCE["resistance"].items()]
    + [(code, value, "F") for code, value in REFERENCE["capacitance"].items()],
)
def test_letter_codes_of_the_standard(code: str, value: float, unit: str) -> None:
    assert parse_quantity(code, unit) == value
    assert iec_60062_code(value, unit) == code


@pytest.mark.parametrize("row", REFERENCE["written"], ids=lambda row: row["text"])
def test_values_as_people_write_them(row: dict[str, Any]) -> None:
    assert parse_quantity(row["text"], row["unit"]) == pytest.approx(row["value"], rel=1e-15)


@given(decimals(), st.sampled_from(sorted(LETTERED)), st.data())
def test_prefixes_scale_by_their_power_of_ten(number: str, key: str, data: st.DataObject) -> None:
    unit = LETTERED[key]
    prefix = data.draw(st.sampled_from(unit.prefixes + ("µμ" if "u" in unit.prefixes else "")))
    spelling = data.draw(st.sampled_from(("", *unit.spellings)))
    space = data.draw(st.sampled_from(("", " ", "\u00a0")))
    expected = float(f"{number}e{POWERS[prefix]}")
    if not LEAST <= expected <= MOST:
        with pytest.raises(
            QuantityError, match=f"from {LEAST:g} to {re.escape(f'{MOST:g}')} in size"
        ):
            parse_quantity(f"{number}{space}{prefix}{spelling}", key)
        return
    assert parse_quantity(f"{number}{space}{prefix}{spelling}", key) == expected
    assert parse_quantity(f"-{number}{space}{prefix}{spelling}", key) == -expected


@given(
    st.floats(1.0, 999.0), st.integers(-4, 4), st.sampled_from(sorted(LETTERED)), st.integers(2, 9)
)
def test_writing_and_reading_back_keeps_the_figures(
    mantissa: float, thousands: int, key: str, digits: int
) -> None:
    allowed = [POWERS[p] for p in LETTERED[key].prefixes] + [0]
    power = min(max(3 * thousands, min(allowed)), max(allowed))
    value = mantissa * 10.0**power
    text = format_quantity(value, key, digits)
    assert parse_quantity(text, key) == pytest.approx(value, rel=0.51 * 10 ** (1 - digits))


@given(st.floats(-1e6, 1e6), st.sampled_from(["dB", "dBu", "percent", "octave", "ratio"]))
def test_units_without_prefixes_write_and_read_back(value: float, key: str) -> None:
    text = format_quantity(value, key, 17)
    # At most so many decimals as anyone can tell: half a last one may be lost.
    last = {"dB": 1e-2, "dBu": 1e-2, "percent": 1e-2, "octave": 1e-4, "ratio": 1e-6}[key]
    assert parse_quantity(text, key) == pytest.approx(value, rel=1e-14, abs=0.5001 * last)


@given(st.integers(1, 9999), st.integers(-3, 11))
def test_resistance_marking_round_trips(figures: int, power: int) -> None:
    value = float(f"{figures}e{power - 3}")
    code = iec_60062_code(value, "ohm")
    assert parse_quantity(code, "ohm") == value
    assert sum(map(str.isdigit, code)) >= 2
    assert sum(map(str.isalpha, code)) == 1


@given(st.integers(1, 9999), st.integers(-15, -1))
def test_capacitance_marking_round_trips(figures: int, power: int) -> None:
    value = float(f"{figures}e{power - 3}")
    code = iec_60062_code(value, "F")
    assert parse_quantity(code, "F") == value


def test_marking_rounds_before_it_chooses_its_letter() -> None:
    assert iec_60062_code(999.96, "ohm") == "1K0"
    assert iec_60062_code(123456.0, "ohm") == "123K5"
    assert iec_60062_code(123456.0, "ohm", digits=6) == "123K456"
    assert iec_60062_code(0.0, "ohm") == "0R0"


@pytest.mark.parametrize(
    ("value", "unit"), [(math.inf, "F"), (math.nan, "ohm"), (-1.0, "ohm"), (0.0, "F"), (1.0, "V")]
)
def test_what_has_no_marking_is_refused(value: float, unit: str) -> None:
    with pytest.raises(ValueError, match="IEC 60062"):
        iec_60062_code(value, unit)


@given(decimals(), st.permutations(sorted(LETTERED)))
def test_every_other_unit_is_refused(number: str, keys: list[str]) -> None:
    wanted, other = keys[:2]
    symbol = UNITS[other].spellings[-1] if other != "ohm" else "ohm"
    with pytest.raises(QuantityError) as caught:
        parse_quantity(f"{number} {symbol}", wanted)
    assert UNITS[wanted].quantity in caught.value.quantity
    assert UNITS[other].quantity in caught.value.quantity


@pytest.mark.parametrize(
    ("text", "unit"),
    [
        ("", "ohm"),
        (" ", "F"),
        ("k", "ohm"),
        ("4,7k", "ohm"),
        ("1,000", "ohm"),
        ("4k7foo", "ohm"),
        ("4k7k", "ohm"),
        ("4.7k7", "ohm"),
        ("1e3k", "ohm"),
        ("1 2", "ohm"),
        ("10 k0", "ohm"),
        ("nan", "V"),
        ("inf", "ohm"),
        ("1e999", "ohm"),
        ("1N5", "F"),  # nano is a small letter
        ("22U", "F"),
        ("1k5", "F"),
        ("10M", "F"),
        ("5 KHz", "Hz"),  # K is kilo for resistances alone
        ("1n5", "ohm"),
        ("1n", "ohm"),
        ("3 mK", "K"),
        ("5 %", "ratio"),
        ("--3", "V"),
        ("- 3", "V"),
        ("0x10", "ohm"),
        ("１２k", "ohm"),
        ("²k", "ohm"),
    ],
)
def test_what_is_no_quantity_is_refused(text: str, unit: str) -> None:
    with pytest.raises(QuantityError) as caught:
        parse_quantity(text, unit)
    assert caught.value.value == text
    assert caught.value.quantity.startswith(UNITS[unit].quantity)


@pytest.mark.parametrize("value", [True, None, [1], {"a": 1}, math.nan, math.inf, 10**400])
def test_values_that_are_no_number_are_refused(value: Any) -> None:
    with pytest.raises(QuantityError):
        parse_quantity(value, "ohm")


@given(st.text(max_size=12), st.sampled_from(sorted(UNITS)))
def test_any_text_gives_a_finite_number_or_one_error(text: str, unit: str) -> None:
    try:
        value = parse_quantity(text, unit)
    except QuantityError:
        return
    assert math.isfinite(value)


def test_case_of_the_prefix_matters() -> None:
    assert parse_quantity("1m", "ohm") == 1e-3
    assert parse_quantity("1M", "ohm") == 1e6
    assert parse_quantity("1 mHz", "Hz") == 1e-3
    assert parse_quantity("1 MHz", "Hz") == 1e6


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (4700.0, "ohm", "4.7 kΩ"),
        (0.47, "ohm", "0.47 Ω"),
        (1.5e-9, "F", "1.5 nF"),
        (22e-6, "F", "22 µF"),
        (0.0, "V", "0 V"),
        (-1.61, "V", "−1.61 V"),
        (1.07e-3, "A", "1.07 mA"),
        (1880e-6, "S", "1.88 mS"),
        (-20.0, "dB", "−20 dB"),
        (300.0, "K", "300 K"),
        (5.0, "percent", "5 %"),
        (0.5, "ratio", "0.5"),
        (math.inf, "F", "∞ F"),
        (-math.inf, "dB", "−∞ dB"),
        (math.nan, "dB", "—"),
        (999.96, "Hz", "1 kHz"),
        (1e-9, "dB", "0 dB"),
    ],
)
def test_quantities_are_written_as_people_do(value: float, unit: str, text: str) -> None:
    assert format_quantity(value, unit) == text


def test_the_unit_of_a_name_is_its_ending() -> None:
    names = {
        "gain_dB": "dB",
        "noise_dBu": "dBu",
        "input_corner_Hz": "Hz",
        "plate_current_A": "A",
        "input_corner_error_octaves": "octave",
        "series_departure_percent": "percent",
        "output_resistance_ohm": "ohm",
        "input_capacitance_F": "F",
        "amplification_factor_ratio": "ratio",
        "parts": "ratio",
    }
    assert {name: unit_of_name(name) for name in names} == names


class _Model(BaseModel):
    stopper: Ohms = 0.0
    load: PositiveOhms = 1e5
    cable: Farads = 0.0
    bias: Volts = 0.0
    temperature: Kelvin = 300.0
    bypass: Annotated[float, QuantityField("F", minimum=0, words=(("full", math.inf),))] = 0.0


def test_models_read_text_and_numbers_as_si_floats() -> None:
    model = _Model.model_validate(
        {"stopper": "68k", "load": 100_000, "cable": "100p", "bias": "-1.5 V", "bypass": "full"}
    )
    assert model == _Model(stopper=68e3, load=1e5, cable=1e-10, bias=-1.5, bypass=math.inf)
    assert _Model.model_validate(model.model_dump()) == model


@pytest.mark.parametrize(
    ("field", "value", "allowed"),
    [
        ("stopper", "-1k", "0 Ω or more"),
        ("load", 0, "above 0 Ω"),
        ("load", "22 uF", "a resistance"),
        ("cable", "1 V", "a capacitance"),
        ("temperature", "-300 degC", "above 0 K"),
        ("bypass", "ful", '"full"'),
        ("bypass", math.nan, "a capacitance"),
    ],
)
def test_models_refuse_what_is_out_of_bounds(field: str, value: Any, allowed: str) -> None:
    with pytest.raises(ValidationError) as caught:
        _Model.model_validate({field: value})
    (problem,) = caught.value.errors()
    assert problem["loc"] == (field,)
    assert allowed in str(problem["ctx"]["error"])


def test_json_schema_says_number_or_text_with_examples() -> None:
    schema = TypeAdapter(PositiveOhms).json_schema()
    assert {"type": "string"} in schema["anyOf"]
    assert {"type": "number", "exclusiveMinimum": 0} in schema["anyOf"]
    assert all(parse_quantity(text, "ohm") > 0 for text in schema["examples"])


@pytest.mark.parametrize("unit", UNITS.values(), ids=lambda unit: unit.key)
def test_every_example_of_a_unit_is_read(unit: Any) -> None:
    assert unit.examples
    for text in unit.examples:
        assert math.isfinite(parse_quantity(text, unit.key))
