"""The reference of a brief: complete, and each of its examples is read."""

from __future__ import annotations

import copy
import re
import tomllib
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from explorer.brief.loading import parse_brief
from explorer.brief.reference import brief_reference
from explorer.brief.schema import brief_schema
from explorer.cli import check  # noqa: F401 (enters the command)
from explorer.cli.app import app
from explorer.drawer import DRAWER_COLUMNS, DrawerParts, read_drawer
from fixture_types import MakeBriefText
from objectives.scores.registry import REGISTRY

TEXT = brief_reference()
STAGE = {"valve": "12AX7", "supply": "250 V", "plate_load": "100k", "cathode_resistor": "1k5"}
DRAWER = "kind,value,price\nresistor,47k,1\nresistor,100k,1\nresistor,1k,1\ncapacitor,22u,1\n"
# What an example needs of the brief about it; None takes a key out. "" is the top of the file.
NEEDS: dict[tuple[str, str], dict[str, Any]] = {
    ("", "transistor"): {"valve": None},
    ("driver", "cable"): {"driver.cable_metres": 1},
    ("driver", "cable_metres"): {"driver.cable": "microphone cable"},
    ("carrier", "bond_inductance"): {"carrier.arrives": "common mode"},
    ("driver", "level_fraction"): {"driver.divider_shunt_resistance": "1M"},
    ("driver.stage", ""): {"driver.resistance": None, "driver.stage": STAGE,
                           "parts.input_coupling": {"value": "22n"}},
    ("load.stage", ""): {"load.resistance": None, "load.stage": STAGE},
    ("load.cathode_follower", ""): {
        "load.resistance": None, "parts.output_coupling": None,
        "load.cathode_follower": {"valve": "12AU7", "supply": "250 V", "cathode_resistor": "47k"}},
    ("drive", ""): {"drive": {"level": "10 V", "note": "220 Hz"}},
    ("supply.bias_divider", ""): {"supply.bias_divider": {"upper": "100k", "lower": "22k"},
                                  "parts.grid_leak": None},
    ("strays.wiring", ""): {"strays.wiring": [
        {"kind": "valve holder, neighbouring pins", "between": "grid to plate", "pieces": 1}]},
    ("strays.wiring", "metres"): {"strays.wiring": [
        {"kind": "screened hook-up wire", "between": "grid to ground"}]},
    ("scores", ""): {"drive": {"level": "10 V", "note": "220 Hz", "clip": "5 V"},
                     "stock": {"drawer": "drawer.csv"}, "supply.ripple": "10 mV"},
}  # fmt: skip


def tables() -> dict[str, dict[str, str]]:
    """Return the TOML of every example by table and key; tables of a list without brackets."""
    found: dict[str, dict[str, str]] = {}
    for heading, body in re.findall(r"^#{2,3} (.*?)\n(.*?)(?=^#|\Z)", TEXT, re.M | re.S):
        table = re.match(r"\[+(.+?)\]", heading)
        path = table[1] if table else "scores" if heading == "The scores" else ""
        for item in re.split(r"^- ", body, flags=re.M)[1:]:
            head, _, example = item.partition("Example: ")
            if example:
                lines = [" ".join(code.split()) for code in re.findall(r"`([^`]*)`", example)]
                key = re.match(r"`?(.+?)`?[ :]", head)
                assert key
                found.setdefault(path, {})[key[1]] = "\n".join(lines)
    return found


TABLES = tables()


def put(data: dict[str, Any], path: str, value: Any) -> None:
    """Put a value where a dotted path says, into the first table of a list; None takes it out."""
    *above, last = path.split(".")
    for name in above:
        inner = data.setdefault(name, {})
        data = inner[0] if isinstance(inner, list) else inner
    if value is None:
        data.pop(last, None)
    else:
        data[last] = copy.deepcopy(value)


@pytest.mark.parametrize("path", TABLES)
def test_each_example_is_read(path: str, tmp_path: Path, brief_text: MakeBriefText) -> None:
    (tmp_path / "drawer.csv").write_text(DRAWER)
    table = files("objectives") / "data" / "valves.toml"
    (tmp_path / "valves.toml").write_text(table.read_text("utf-8"), "utf-8")
    for key, example in TABLES[path].items():
        data = tomllib.loads(brief_text())
        for need in (("", ""), (path, ""), (path, key)):
            for where, value in NEEDS.get(need, {}).items():
                put(data, where, value)
        if path in ("parts.stopper", "parts.grid_leak"):
            put(data, path, {})
        for name, value in tomllib.loads(example).items():
            put(data, f"{path}.{name}".lstrip("."), value)
        parse_brief(data, tmp_path)


def test_every_key_of_the_schema_and_every_score_is_in_it() -> None:
    schema = brief_schema()

    def keys(node: dict[str, Any], path: str) -> set[str]:
        target = node.get("$ref") or node.get("items", {}).get("$ref")
        if target:
            node = schema["$defs"][target.rpartition("/")[2]]
        named = set()
        for name, inner in node.get("properties", {}).items():
            own = f"{path}.{name}".lstrip(".")
            deeper = set() if path == "parts" else keys(inner, own)
            named |= deeper or ({own} if name != "scores" else set())
        return named

    told = {f"{path}.{key}".lstrip(".") for path, entries in TABLES.items() for key in entries}
    assert keys(schema, "") <= told
    assert {f"scores.{name}" for name in REGISTRY} <= told
    assert {"parts.stopper.series", "parts.stopper.drawer", "parts.grid_leak.position"} <= told


def test_the_example_of_a_drawer_is_a_drawer(tmp_path: Path) -> None:
    (csv,) = re.findall(r"```csv\n(.*?)```", TEXT, re.S)
    (tmp_path / "d.csv").write_text(csv)
    drawer = read_drawer(tmp_path / "d.csv")
    assert drawer.resistors.value.tolist() == [68e3]
    # Every column but the kind, which parts the two, is a field of what is read.
    columns = {column.name for column in DRAWER_COLUMNS}
    assert columns - {"kind"} == set(DrawerParts.__dataclass_fields__)
    assert all(f"- `{name}`" in TEXT for name in columns)


def test_it_is_printed_and_no_line_is_wider_than_a_terminal() -> None:
    result = CliRunner().invoke(app, ["schema", "--reference"])
    assert result.exit_code == 0
    assert result.stdout == TEXT + "\n"
    assert max(len(line) for line in TEXT.splitlines()) <= 80
