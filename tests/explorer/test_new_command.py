"""The command `new`: what it writes is in order, suits the valve, and is written whole or not."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner, Result

from explorer.brief.loading import load_brief
from explorer.brief_review import review
from explorer.cli import new  # noqa: F401 (enters the command)
from explorer.cli.app import app
from explorer.exploration import explore
from explorer.formulation import formulate
from explorer.settings import Settings
from explorer.sizing import sizes
from objectives.assessment import assess
from objectives.devices.valve_table import valve, valves
from objectives.radio.tables import radio_band
from objectives.stage import Stage


def run(*args: str) -> Result:
    return CliRunner().invoke(app, ["new", *args], catch_exceptions=False)


@pytest.fixture(autouse=True)
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.mark.parametrize("name", [v.name for v in valves()])
@pytest.mark.parametrize(
    "options", [(), ("--corner", "6 kHz"), ("--corner", "500 Hz"), ("--radio", "AM=10 dB")]
)
def test_a_new_brief_is_in_order_and_nothing_in_it_is_doubtful(
    name: str, options: tuple[str, ...]
) -> None:
    result = run("b.toml", "--valve", name, "--source", "47k", *options)
    assert result.exit_code == 0
    formulation = formulate(load_brief("b.toml"))
    assert review(formulation).doubts == ()
    assert "warning" not in result.stdout
    assert "High voltage kills" in result.stdout
    assert formulation.problem.device.name == name
    assert 8 <= formulation.problem.size < 20_000


def test_answers_are_in_the_brief_and_every_line_is_explained(place: Path) -> None:
    run(
        "b.toml", "--valve", "ecc83", "--supply", "280 V", "--source", "68k", "--load", "470k",
        "--corner", "6.2 kHz", "--radio", "am", "--radio", "FM = 10dB", "--gain", "30 dB",
        "--title", 'The "second" stage',
    )  # fmt: skip
    brief = load_brief("b.toml")
    assert brief.title == 'The "second" stage'
    assert brief.valve == "12AX7"
    assert (brief.supply.voltage, brief.driver.resistance, brief.load.resistance) == (
        280.0, 68e3, 470e3)  # fmt: skip
    assert brief.targets.input_corner == 6200.0
    assert [band.attenuation for band in brief.targets.radio_bands] == [20.0, 10.0]
    assert [band.low for band in brief.targets.radio_bands] == [
        radio_band("AM").low_Hz, radio_band("FM").low_Hz,
    ]  # fmt: skip
    assert brief.limits.windows["gain_dB"].at_least == 30.0
    lines = (place / "b.toml").read_text("utf-8").splitlines()
    assert "HIGH VOLTAGE KILLS" in lines[0]
    assert max(map(len, lines)) <= 95
    said = ""
    for line in lines:
        if line.startswith("#") or not line or line.startswith("["):
            said = line or said
        elif not line.startswith(("series", "drawer", "to ", "plate_voltage", "lower_corner")):
            assert said.startswith("#"), line  # the comment above


@pytest.mark.slow
def test_a_new_brief_is_explored_to_a_front_that_keeps_its_limits() -> None:
    run("b.toml", "--source", "68k", "--corner", "6 kHz", "--radio", "AM=10 dB")
    found = explore(formulate(load_brief("b.toml")), Settings(seed=0), method="exact")
    assert found.feasible
    assert np.abs(found.front.scores["input_corner_error_octaves"]).min() < 0.1


# Plate loads that the tables of resistance-coupled stages are for, in the RCA Receiving Tube
# Manual, RC-30 (from memory): 0.1, 0.22 and 0.47 megohm for the 12AX7, 47, 100 and 220 kilohms for
# the 12AU7 and the 6SN7, of which the least suit a stage that must also give some current. And the
# cathode resistors of its 12AX7 rows at 300 V, 1.3 to 1.7 kilohms with 0.1 megohm, 2.2 to 3.1 with
# 0.22, lie in the range (they are in the valve table as published).
@pytest.mark.parametrize(
    ("name", "loads", "cathodes"),
    [("12AX7", (100e3, 220e3), (1300.0, 3100.0)), ("12AU7", (47e3, 47e3), ()),
     ("6SN7", (47e3, 47e3), ())],
)  # fmt: skip
def test_ranges_hold_what_the_tube_manual_has(
    name: str, loads: tuple[float, ...], cathodes: tuple[float, ...]
) -> None:
    found = sizes(valve(name), 300.0, 10e3, 1e6)
    assert found.plate_load_ohm[0] <= loads[0]
    assert found.plate_load_ohm[1] >= loads[-1]
    for cathode in cathodes:
        assert found.cathode_resistor_ohm[0] <= cathode <= found.cathode_resistor_ohm[1]


@pytest.mark.parametrize("name", ["12AX7", "12AU7", "6DJ8"])
def test_the_middle_of_the_ranges_idles_at_half_the_current_without_bias(name: str) -> None:
    found = sizes(valve(name), 250.0, 10e3, 1e6)
    load = np.sqrt(np.prod(found.plate_load_ohm))
    current = [
        float(assess(Stage(supply_V=250.0, plate_load_ohm=load, cathode_resistor_ohm=r), name)[
            "plate_current_A"])
        for r in (0.0, np.sqrt(np.prod(found.cathode_resistor_ohm)))
    ]  # fmt: skip
    # The ends of a range are rounded to E12, and the middle of it is not that of each load.
    assert current[1] / current[0] == pytest.approx(0.5, rel=0.15)


def test_the_stopper_makes_the_corner_in_the_middle_of_its_range() -> None:
    found = sizes(valve("12AX7"), 300.0, 68e3, 1e6, corner_Hz=6e3)
    stage = Stage(
        supply_V=300.0, plate_load_ohm=np.sqrt(np.prod(found.plate_load_ohm)),
        cathode_resistor_ohm=np.sqrt(np.prod(found.cathode_resistor_ohm)), source_ohm=68e3,
        stopper_ohm=np.sqrt(np.prod(found.stopper_ohm)), load_ohm=1e6,
    )  # fmt: skip
    assert float(assess(stage, "12AX7")["input_corner_Hz"]) == pytest.approx(6e3, rel=0.25)


def test_couplings_and_bypass_pass_ten_hertz() -> None:
    found = sizes(valve("12AX7"), 300.0, 10e3, 220e3)
    # f = 1/(2 pi R C); the next value of E6 is at most 1.5 times as large.
    for capacitor, ohm in (
        (found.output_coupling_F, 220e3), (found.input_coupling_F, found.grid_leak_ohm),
    ):  # fmt: skip
        assert 10 / 1.6 <= 1 / (2 * np.pi * ohm * capacitor) <= 10.001


def test_a_leak_keeps_the_derated_rating() -> None:
    for entry in valves():
        rated = entry.grid_leak_cathode_bias_max_ohm or np.inf
        assert sizes(entry, 250.0, 0.0, 1e6, derating=0.9).grid_leak_ohm <= 0.9 * rated


def test_parts_come_from_a_drawer_wherever_it_lies(place: Path) -> None:
    (place / "parts").mkdir()
    (place / "briefs").mkdir()
    (place / "parts" / "mine.csv").write_text(
        "kind,value\nresistor,82k\nresistor,150k\nresistor,1k5\nresistor,2k2\n"
    )
    result = run("briefs/b.toml", "--from-drawer", "parts/mine.csv", "--corner", "6 kHz")
    assert result.exit_code == 0
    brief = load_brief("briefs/b.toml")
    assert brief.parts["plate_load"].drawer == "../parts/mine.csv"
    assert brief.parts["plate_load"].ends() == (150e3,)
    assert brief.parts["cathode_resistor"].ends() == (1500.0, 2200.0)


@pytest.mark.parametrize(
    ("options", "told"),
    [
        (["--valve", "12AX8"], "--valve: '12AX8': must be one of"),
        (["--supply", "20 mA"], "--supply: '20 mA': expected a voltage in V"),
        (["--supply", "-5"], "--supply: '-5': expected a voltage in V"),
        (["--source", ""], "--source: '': expected a resistance"),
        (["--load", "none"], "--load: 'none': expected a resistance"),
        (["--corner", "0"], "--corner: '0': expected a frequency in Hz"),
        (["--gain", "x"], "--gain: 'x': expected a level in dB"),
        (["--radio", "MW"], "--radio: 'MW': must be one of long wave, AM"),
        (["--radio", "900 MHz"], "--radio: '900 MHz': expected a band below 200"),
        (["--radio", "AM=loud"], "--radio: 'AM=loud': expected a level in dB"),
        (["--from-drawer", "no.csv"], "--from-drawer: 'no.csv': file: 'no.csv': no such file"),
    ],
)
def test_a_bad_option_is_one_line_and_nothing_is_written(
    options: list[str], told: str, place: Path
) -> None:
    result = run("b.toml", *options)
    assert result.exit_code == 2
    assert told in result.stderr
    assert len(result.stderr.splitlines()) == 1
    assert list(place.iterdir()) == []


def test_a_drawer_without_fitting_parts_writes_nothing(place: Path) -> None:
    (place / "mine.csv").write_text("kind,value\nresistor,10\n")
    result = run("b.toml", "--from-drawer", "mine.csv")
    assert result.exit_code == 2
    assert "parts.plate_load.drawer: 'mine.csv': no resistor from" in result.stderr
    assert [p.name for p in place.iterdir()] == ["mine.csv"]


def test_an_existing_file_stays_unless_forced(place: Path) -> None:
    (place / "my-brief.toml").write_text("mine")
    result = run()
    assert result.exit_code == 2
    assert "FILE: 'my-brief.toml': exists" in result.stderr
    assert (place / "my-brief.toml").read_text() == "mine"
    assert run("--force").exit_code == 0
    assert load_brief("my-brief.toml").valve == "12AX7"
    assert [p.name for p in place.iterdir()] == ["my-brief.toml"]


def test_a_file_that_cannot_be_there_is_bad_input(place: Path) -> None:
    for name in ("no/b.toml", "."):
        result = run(name)
        assert result.exit_code == 2
        assert f"FILE: {name!r}: must be a file in a folder that exists" in result.stderr


def test_a_full_disk_is_exit_4_and_leaves_nothing(
    place: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object, **__: object) -> int:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "write_text", full)
    result = run("b.toml")
    assert result.exit_code == 4
    assert "cannot write 'b.toml': No space left on device" in result.stderr
    assert list(place.iterdir()) == []


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="needs a pseudo-terminal")
def test_on_a_terminal_it_asks_and_asks_again(place: Path) -> None:
    import pty

    answers = [b"12AX9", b"ecc83", b"", b"68k", b"", b"6 kHz", b"AM, FM=10 dB", b"", b"Mine"]
    shown = b""

    def read(terminal: int) -> bytes:
        nonlocal shown
        data = os.read(terminal, 4096)
        shown += data
        if answers and data.rstrip().endswith(b":"):
            os.write(terminal, answers.pop(0) + b"\n")
        return data

    pty.spawn([sys.executable, "-m", "explorer", "new", "b.toml"], read)
    assert not answers
    assert b"'12AX9': must be one of" in shown
    brief = load_brief("b.toml")
    assert (brief.valve, brief.title, brief.driver.resistance) == ("12AX7", "Mine", 68e3)
    assert [band.attenuation for band in brief.targets.radio_bands] == [20.0, 10.0]
