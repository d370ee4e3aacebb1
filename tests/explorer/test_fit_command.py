"""The fit command: from measured readings to a table entry that a brief can use."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from explorer.cli.app import app
from objectives.devices.triodes import Koren
from objectives.devices.valve_table import load_valves, valve

RUN = CliRunner()
# Invented: a valve like the published 12AX7 set, its readings 2 % off at random.
TRUE = Koren(mu=96.0, ex=1.37, kg1=1100.0, kp=580.0, kvb=340.0)


@pytest.fixture
def readings(tmp_path: Path) -> Path:
    rng = np.random.default_rng(8)
    grid, plate = (a.ravel() for a in np.meshgrid(np.arange(-3, 0.1, 0.5), np.arange(20, 400, 20)))
    current = TRUE.plate_current(grid, plate) * (1 + 0.02 * rng.standard_normal(grid.size))
    rows = [f"{g},{p},{1e3 * i}" for g, p, i in zip(grid, plate, current, strict=True)]
    path = tmp_path / "bench.csv"
    path.write_text("\n".join(["grid_voltage_V,plate_voltage_V,plate_current_mA", *rows]), "utf-8")
    return path


@pytest.mark.slow
def test_fits_readings_into_a_table_and_a_chart(readings: Path, tmp_path: Path) -> None:
    table, chart = tmp_path / "own.toml", tmp_path / "residuals.html"
    found = RUN.invoke(
        app,
        ["fit", str(readings), "--name", "bench", "--like", "12AX7", "--test-every", "5",
         "--hold", "kvb=340", "--into", str(table), "--chart", str(chart), "--form", "json"],
    )  # fmt: skip
    assert found.exit_code == 0, found.output
    record = json.loads(found.stdout)
    assert record["tested_rms_percent"] == pytest.approx(2, abs=1.5)  # the noise put in
    (entry,) = load_valves(table)
    assert isinstance(entry.law, Koren)
    assert entry.law.kvb == 340.0
    assert entry.law.mu == pytest.approx(TRUE.mu, rel=0.03)
    assert entry.law.grid == valve("12AX7").law.grid
    page = chart.read_text("utf-8")
    assert "vega" in page
    assert "<script src=" not in page  # opens without network


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--name", "x", "--hold", "kvb"], "--hold: 'kvb': must be PARAMETER=NUMBER"),
        (["--name", "x", "--law", "ohm"], "--law: 'ohm': must be one of"),
        (["--name", "x", "--into", "t.toml"], "--like: "),
        (["--name", "x", "--like", "12AXX"], "12AX7"),
        (["--name", "x", "--chart", "a.pdf"], "must end in .html, .svg or .png"),
    ],
)
def test_bad_input_is_named(readings: Path, arguments: list[str], said: str) -> None:
    found = RUN.invoke(app, ["fit", str(readings), *arguments])
    assert found.exit_code == 2
    assert said in found.output


def test_readings_that_carry_no_fit_write_nothing(tmp_path: Path) -> None:
    path, table = tmp_path / "few.csv", tmp_path / "own.toml"
    path.write_text(
        "grid_voltage_V,plate_voltage_V,plate_current_mA\n-1,100,0.5\n-1,200,1.5\n", "utf-8"
    )
    found = RUN.invoke(
        app, ["fit", str(path), "--name", "x", "--like", "12AX7", "--into", str(table)]
    )
    assert found.exit_code == 2
    assert not table.exists()
    missing = RUN.invoke(app, ["fit", str(tmp_path / "no.csv"), "--name", "x"])
    assert missing.exit_code == 2
    assert "expected a readable CSV file" in missing.output
