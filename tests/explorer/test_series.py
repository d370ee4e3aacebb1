"""Preferred values against the tables of the standard, and drawers."""

from __future__ import annotations

import math
import tomllib
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from explorer.brief.errors import BriefError
from explorer.brief.loading import parse_brief
from explorer.drawer import read_drawer
from explorer.formulation import formulate
from explorer.series import SERIES, series_values
from fixture_types import MakeBriefText
from objectives.format import score_label, score_words

REFERENCE = tomllib.loads(
    (Path(__file__).parents[1] / "references" / "iec_60063.toml").read_text(encoding="utf-8")
)
TABLES: dict[str, list[int]] = REFERENCE["series"]


def decade(name: str, power: int) -> list[float]:
    """The table's values from 10^power, each the float nearest to its decimal."""
    figures = 1 if int(name[1:]) <= 24 else 2
    return [float(f"{value}e{power - figures}") for value in TABLES[name]]


def test_the_tables_are_complete() -> None:
    assert tuple(TABLES) == SERIES
    assert all(len(values) == int(name[1:]) for name, values in TABLES.items())


@pytest.mark.parametrize("name", ["E48", "E96", "E192"])
def test_the_fine_tables_follow_the_rule_with_its_one_exception(name: str) -> None:
    count = int(name[1:])
    rounded = [round(100 * 10 ** (step / count)) for step in range(count)]
    exceptions = {919: 920} if name == "E192" else {}
    assert TABLES[name] == [exceptions.get(value, value) for value in rounded]


@pytest.mark.parametrize(("coarse", "fine"), [("E3", "E6"), ("E6", "E12"), ("E12", "E24")])
def test_each_coarse_series_is_every_other_value_of_the_next(coarse: str, fine: str) -> None:
    assert TABLES[coarse] == TABLES[fine][::2]


@pytest.mark.parametrize("name", SERIES)
@pytest.mark.parametrize("power", [-12, -9, -6, -1, 0, 2, 3, 6])
def test_one_decade_equals_the_table(name: str, power: int) -> None:
    found = series_values(name, 10.0**power, 0.9999 * 10.0 ** (power + 1))
    assert found.tolist() == decade(name, power)


@pytest.mark.parametrize("name", SERIES)
def test_every_value_alone_is_found_as_a_range_of_its_own(name: str) -> None:
    for power in (-10, 0, 4):
        for value in decade(name, power):
            assert series_values(name, value, value).tolist() == [value]


@given(st.sampled_from(SERIES), st.floats(1e-12, 1e7), st.floats(1.0, 1e3))
def test_a_range_holds_exactly_the_table_values_inside_it(
    name: str, low: float, ratio: float
) -> None:
    high = low * ratio
    span = range(math.floor(math.log10(low)) - 1, math.floor(math.log10(high)) + 2)
    slack = 1e-9
    inside = [
        value
        for power in span
        for value in decade(name, power)
        if low * (1 - slack) <= value <= high * (1 + slack)
    ]
    assert series_values(name, low, high).tolist() == inside


@pytest.mark.parametrize("noise", [1 - 4e-16, 1.0, 1 + 4e-16])
def test_float_noise_at_the_ends_loses_nothing(noise: float) -> None:
    found = series_values("E12", 4700 / noise, 0.1 * 3 * noise * 1e5 * 1.1)
    assert found.tolist() == [4700, 5600, 6800, 8200, *decade("E12", 4)[:7]]


@pytest.mark.parametrize(
    ("name", "low", "high", "field"),
    [
        ("E13", 1.0, 10.0, "series"),
        ("e12", 1.0, 10.0, "series"),
        ("E12", 0.0, 10.0, "range"),
        ("E12", -1.0, 10.0, "range"),
        ("E12", 10.0, 1.0, "range"),
        ("E12", 1.0, math.inf, "range"),
        ("E12", math.nan, 1.0, "range"),
    ],
)
def test_bad_ranges_are_refused(name: str, low: float, high: float, field: str) -> None:
    with pytest.raises(ValueError, match=rf"^{field}: "):
        series_values(name, low, high)


DRAWER = """\
# an invented drawer
kind, value, quantity, price, tolerance_percent, style, note
resistor, 100k, 12, 0.08, 5 %, carbon film,
resistor, 4k7, , , , ,

capacitor, 22n, 4, 0.6, 10, polypropylene, "from the old set, tested"
resistor, 68k, 0, 0.08, 1, metal film, used up
resistor, 100k, 2, 0.2, 1, metal film, low noise
"""


def write(folder: Path, text: str) -> Path:
    path = folder / "drawer.csv"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_drawer_is_read_by_kind_in_ascending_order(tmp_path: Path) -> None:
    drawer = read_drawer(write(tmp_path, DRAWER))
    resistors = drawer.resistors
    assert resistors.value.tolist() == [4700.0, 100e3, 100e3]
    assert resistors.within(5000.0, 1e6).value.tolist() == [100e3, 100e3]
    assert resistors.row_of([100e3, 68e3, 4700.0, 0.0, np.inf]).tolist() == [1, -1, 0, -1, -1]
    assert resistors.price[1:].tolist() == [0.08, 0.2]
    assert np.isnan(resistors.quantity[0])
    assert np.isnan(resistors.tolerance_percent[0, 0])
    assert resistors.tolerance_percent[1].tolist() == [-5, 5]
    assert resistors.style == ("", "carbon film", "metal film")
    assert drawer.parts("capacitor").value.tolist() == [22e-9]
    assert drawer.capacitors.note == ("from the old set, tested",)
    assert len(drawer.capacitors) == 1


def test_columns_may_come_in_any_order(tmp_path: Path) -> None:
    drawer = read_drawer(str(write(tmp_path, "\ufeffvalue,kind\n1n5,capacitor\n")))
    assert drawer.capacitors.value.tolist() == [1.5e-9]
    assert len(drawer.resistors) == 0


@pytest.mark.parametrize(
    ("text", "problems"),
    [
        ("", ["file: empty"]),
        ("kind,value\n", ["file: no parts"]),
        ("kind,price\nresistor,1\n", ["line 1, column: 'value': missing"]),
        ("kind,valeu\nresistor,1\n", ["did you mean value?", "'value': missing"]),
        ("kind,value,value\nresistor,1,1\n", ["line 1, column: 'value': named twice"]),
        ("kind,value\nresister,1k\n", ["line 2, kind: 'resister': expected 'resistor'"]),
        ("kind,value\nresistor,22 uF\n", ["line 2, value: '22 uF': expected a resistance"]),
        ("kind,value\ncapacitor,0\n", ["line 2, value: '0': expected a capacitance"]),
        ("kind,value\n\nresistor,\n", ["line 3, value: '': expected a resistance"]),
        ("kind,value\nresistor,1k,3\n", ["line 2: 'resistor,1k,3': 3 cells: expected at most 2"]),
        (
            "kind,value,quantity,tolerance_percent\nresistor,1k,-1,0\nresistor,x,1,200\n",
            [
                "line 2, quantity: '-1': expected a plain number",
                "line 2, tolerance_percent: '0': expected a percentage",
                "line 3, value: 'x': expected a resistance",
                "line 3, tolerance_percent: '200': expected a percentage",
            ],
        ),
    ],
)
def test_every_problem_of_a_drawer_names_line_and_column(
    tmp_path: Path, text: str, problems: list[str]
) -> None:
    with pytest.raises(BriefError) as caught:
        read_drawer(write(tmp_path, text))
    assert len(caught.value.problems) == len(problems)
    for line, expected in zip(caught.value.problems, problems, strict=True):
        assert expected in line
        assert line in str(caught.value)


def test_a_missing_or_unreadable_drawer_is_said_so(tmp_path: Path) -> None:
    with pytest.raises(BriefError, match="expected a readable CSV file"):
        read_drawer(tmp_path / "none.csv")
    path = tmp_path / "bad.csv"
    path.write_bytes(b"kind,value\nresistor,1\xff\n")
    with pytest.raises(BriefError, match="not UTF-8"):
        read_drawer(path)


def test_what_values_are_compared_with_is_named(tmp_path: Path, brief_text: MakeBriefText) -> None:
    (tmp_path / "mine.csv").write_text("kind,value\nresistor,100k\n")
    for stock, name in (
        ('resistor_series = "E6"\ncapacitor_series = "E6"', "E6"),
        ("", "E12 and E6"),
        ('drawer = "mine.csv"', "the drawer and E6"),
    ):
        brief = parse_brief(brief_text(("[scores]", f"[stock]\n{stock}\n\n[scores]")), tmp_path)
        terms = formulate(brief).problem.terms
        assert score_label("series_departure_percent", terms) == f"departure from {name}"
        words = score_words("series_departure_percent", 18.0, terms)
        assert words == f"off {name} by 18\u00a0%"
        assert score_words("gain_dB", 31.0, terms) == "gain 31\u00a0dB"
