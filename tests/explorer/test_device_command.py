"""The devices command: valves and transistors listed alike, and one of them in full."""

from __future__ import annotations

import csv
import io
import json
from dataclasses import replace
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from explorer.cli.app import app
from explorer.device_records import device_record
from objectives.devices.lookup import device, devices
from objectives.devices.protocol import Device
from objectives.devices.valve_table import valve, valves
from objectives.devices.valve_writing import format_valves
from stand_in import fit_of


def run(*arguments: str) -> Result:
    return CliRunner().invoke(app, ["devices", *arguments])


def test_valves_and_transistors_are_listed_alike() -> None:
    listing = run()
    assert listing.exit_code == 0
    assert all(entry.name in listing.stdout for entry in devices())
    records = json.loads(run("--form", "json").stdout)
    assert [r["device"] for r in records] == [entry.name for entry in devices()]
    rows = {r["device"]: r for r in csv.DictReader(io.StringIO(run("--form", "csv").stdout))}
    assert list(rows) == [entry.name for entry in devices()]
    assert {r["kind"] for r in rows.values()} == {"triode", "junction FET", "bipolar transistor"}
    # The sheets: 300 V and 1 W; 45 V and 0.625 W.
    assert (rows["12AX7"]["max (V)"], rows["12AX7"]["max (W)"]) == ("300", "1")
    assert (rows["BC550B"]["max (V)"], rows["BC550B"]["max (W)"]) == ("45", "0.625")
    assert "ECC83" in rows["12AX7"]["also"]
    for entry in valves():
        faint = [
            p for p in fit_of(entry).points
            if p.quantity == "plate_current_A" and p.published < 0.1e-3
        ]  # fmt: skip
        for used in ("fitted", "tested"):
            errors = [
                abs(100 * (p.law / p.published - 1))
                for p in fit_of(entry).points
                if p.used == used and p not in faint
            ]
            shown = f"{max(errors):.1f}" if errors else "–"
            assert rows[entry.name][f"worst {used} (%)"] == shown
        (ratio,) = [p.law / p.published for p in faint] or [float("nan")]
        told = rows[entry.name]["cut-off (ratio)"]
        assert (told == "–") if not faint else float(told) == pytest.approx(ratio, rel=0.03)


@pytest.mark.parametrize("entry", devices(), ids=lambda entry: entry.name)
def test_a_device_is_told_in_full_with_its_sources(entry: Device) -> None:
    record = device_record(entry)
    assert record["device"] == entry.name
    rows = {row["what"]: row for row in record["data"]}
    assert all(row["source"] for row in rows.values())
    assert all(spread["source"] for spread in record["spreads"])
    (ratings,) = (row for what, row in rows.items() if what.startswith("ratings"))
    assert {n["value"] for n in ratings["numbers"]} >= {entry.plate_dissipation_max_W}
    points = fit_of(entry).points if entry.fit is not None else ()
    for point, shown in zip(points, record["residuals"], strict=True):
        assert shown["residual_percent"] == pytest.approx(100 * (point.law / point.published - 1))
        assert shown["used"] in ("fitted", "tested")
    json.loads(run(entry.name, "--form", "json").stdout)
    shown = run(entry.name)
    assert shown.exit_code == 0
    assert shown.stdout.startswith(f"device: {entry.name}\n")
    assert entry.law.title in shown.stdout
    assert entry.sources.law[:60] in shown.stdout


def test_numbers_and_words_are_those_of_the_device() -> None:
    law = {n["what"]: n for n in device_record(valve("ECC83"))["data"][0]["numbers"]}
    assert law["mu"]["value"] == valve("12AX7").law.mu
    assert law["grid offset"]["unit"] == "V"
    whats = [n["what"] for row in device_record(device("J201"))["data"] for n in row["numbers"]]
    assert "gate leakage" in whats
    assert "gate–drain" in whats
    assert not any("grid" in what or "plate" in what for what in whats)


def test_csv_is_the_residuals_or_the_data_where_there_are_none() -> None:
    rows = list(csv.DictReader(io.StringIO(run("12AX7", "--form", "csv").stdout)))
    assert len(rows) == len(fit_of(valve("12AX7")).points)
    rows = list(csv.DictReader(io.StringIO(run("J201", "--form", "csv").stdout)))
    assert {"data", "values", "source"} == set(rows[0])


def test_a_valve_without_a_fit_or_ratings_is_told_too(tmp_path: Path) -> None:
    bare = replace(
        valve("12AX7"), name="X1", aliases=(), fit=None, plate_voltage_max_V=None,
        plate_dissipation_max_W=None, law=replace(valve("12AX7").law, grid=None),
    )  # fmt: skip
    table = tmp_path / "mine.toml"
    table.write_text(format_valves([bare]), "utf-8")
    (row,) = json.loads(run("--table", str(table), "--form", "json").stdout)
    assert row["device"] == "X1"
    assert row["max (V)"] == row["max (W)"] == row["worst fitted (%)"] == "–"
    record = json.loads(run("x1", "--table", str(table), "--form", "json").stdout)
    assert record["fit"] is None
    assert record["residuals"] == []
    assert run("12AX7", "--table", str(table)).exit_code == 2


@pytest.mark.parametrize(
    ("asked", "hint"), [("bc549", "BC550B"), ("12AXX7", "12AX7"), ("J202", "J201")]
)
def test_a_misspelt_name_is_matched_against_every_device(asked: str, hint: str) -> None:
    found = run(asked)
    assert found.exit_code == 2
    assert f"device: '{asked}'" in found.output
    assert f"did you mean {hint}?" in found.output
