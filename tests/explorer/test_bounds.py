"""Files that are too long, too deep or no such files at all: one error, within seconds."""

import re
from collections.abc import Callable
from pathlib import Path

import pytest

from explorer.bench import read_response
from explorer.brief.errors import BriefError
from explorer.brief.loading import load_brief, parse_brief, shipped_brief_text
from explorer.drawer import read_drawer
from explorer.units import QuantityError, parse_quantity
from objectives.checks import InputError
from objectives.devices.valve_table import load_valves, read_valves
from objectives.fitting.measurements import read_measurements
from objectives.user_files import (
    DEEPEST,
    LONGEST_LIST,
    LONGEST_TEXT,
    MOST_CHARACTERS,
    MOST_LINES,
    read_toml,
)

BRIEF = shipped_brief_text("treble-cut")


@pytest.mark.parametrize(
    ("line", "field"),
    [
        ("x = 1" + "0" * 400, "x"),
        ("x = 1" + "0" * 8000, "file"),
        ("x = 0x" + "1" * 20_000, "x"),
        ("x = " + "[" * 3000 + "]" * 3000, "file"),
        ("x = " + "{a=" * 3000 + "1" + "}" * 3000, "file"),
        ("x = " + "[" * (DEEPEST + 1) + "1" + "]" * (DEEPEST + 1), "x" + "[1]" * (DEEPEST - 1)),
        ("x" + ".a" * 30_000 + " = 1", "line 1"),
        ("x" + ' . "a"' * 3000 + " = 1", "line 1"),
        ("x = [" + "1," * (LONGEST_LIST + 1) + "]", "x"),
        (f'x = "{"y" * (LONGEST_TEXT + 1)}"', "x"),
    ],
    ids=lambda given: given[:12],
)
def test_a_brief_beyond_a_bound_is_one_error_that_names_it(line: str, field: str) -> None:
    with pytest.raises(BriefError) as caught:
        parse_brief(f"{line}\n{BRIEF}")
    (error,) = caught.value.errors
    assert error.field == field
    assert len(str(caught.value)) < 300
    with pytest.raises(InputError, match=re.escape(field)):
        read_valves(line, "own.toml")


def test_a_table_of_decimals_is_no_long_key() -> None:
    assert len(read_toml("x = [" + "1.5, " * 3000 + "]")["x"]) == 3000


@pytest.mark.parametrize(
    ("text", "unit"),
    [("1" * 8000 + "V", "V"), ("1" * 400, "ohm"), (1e308, "ohm"), (-1e308, "V"), (5e-324, "F")],
)
def test_a_quantity_has_a_size_and_a_length(text: str | float, unit: str) -> None:
    with pytest.raises(QuantityError, match="expected"):
        parse_quantity(text, unit)


@pytest.mark.parametrize(
    ("put", "field"),
    [
        (('to = "680k"', "to = 1e308"), "parts.stopper.to"),
        (('to = "680k"', 'to = "' + "9" * 8000 + '"'), "parts.stopper.to"),
        (("[driver]", '[driver]\ncable = "microphone cable"\ncable_metres = 1e308'),
         "driver.cable_metres"),
        (('title = "', 'valve_table = "a\\u0000b"\ntitle = "'), "valve_table"),
        (('series = "E12"\nfrom = "10k"\nto = "680k"', 'drawer = "a\\u0000b"'),
         "parts.stopper.drawer"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_named_by_its_field(put: tuple[str, str], field: str) -> None:
    with pytest.raises(BriefError) as caught:
        parse_brief(BRIEF.replace(*put, 1))
    assert [error.field for error in caught.value.errors] == [field]


READERS: list[tuple[Callable[[Path], object], str]] = [
    (read_drawer, "kind,value,note\nresistor,68k,{}\n"),
    (read_response, "frequency_Hz,level_dB\n100,{}\n"),
    (read_measurements, "grid_voltage_V,plate_voltage_V,plate_current_mA,note\n-1,100,1,{}\n"),
]


@pytest.mark.parametrize(("read", "text"), READERS)
@pytest.mark.parametrize(
    "cell", ["x" * 140_000, '"stray', '"stray\n' + "a," * 70_000, '"a"b', "9" * 8000]
)
def test_a_cell_that_no_table_has_is_named_by_its_line(
    read: Callable[[Path], object], text: str, cell: str, tmp_path: Path
) -> None:
    path = tmp_path / "own.csv"
    path.write_text(text.format(cell), "utf-8")
    if read is not read_response and cell == "9" * 8000:
        cell, text = "note of any length", ""  # a note is bounded by its line alone
        return
    with pytest.raises((BriefError, InputError), match=r"line 2|row 2"):
        read(path)


@pytest.mark.parametrize(("read", "text"), READERS)
def test_a_file_has_a_length(read: Callable[[Path], object], text: str, tmp_path: Path) -> None:
    path = tmp_path / "own.csv"
    header, line = text.format("1").splitlines()
    path.write_text(f"{header}\n" + f"{line}\n" * (MOST_LINES + 1), "utf-8")
    with pytest.raises((BriefError, InputError), match=f"{MOST_LINES:,} lines"):
        read(path)
    path.write_text(header + "\n" * MOST_CHARACTERS, "utf-8")
    with pytest.raises((BriefError, InputError), match=f"{MOST_CHARACTERS:,} characters"):
        read(path)


def test_a_file_that_is_no_drawer_or_table_is_not_repeated(tmp_path: Path) -> None:
    (tmp_path / "secret").write_text("root:x:0:secret\nfurther secret\n", "utf-8")
    (tmp_path / "secret.toml").write_text('[login]\ntoken = "secret"\n', "utf-8")
    for name, read in (
        ("secret", read_drawer),
        ("secret", load_valves),
        ("secret.toml", load_valves),
    ):
        with pytest.raises((BriefError, InputError)) as caught:
            read(tmp_path / name)
        told = str(caught.value).replace(str(tmp_path / name), "")
        assert "secret" not in told
        assert "token" not in told


def test_a_brief_whose_name_is_no_text_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "n\udcff.toml"
    try:
        path.write_text(BRIEF, "utf-8")
    except OSError:
        pytest.skip("no such names here")
    with pytest.raises(BriefError, match="not UTF-8"):
        load_brief(path)
