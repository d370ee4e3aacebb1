"""The ``stagefront`` command: every command, form, exit code and error, from any folder."""

from __future__ import annotations

import csv
import io
import json
import os
import re
import shlex
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, nullcontext
from importlib import metadata
from pathlib import Path
from typing import Any

import numpy as np
import optuna
import pandas as pd
import pytest
import typer
from typer.testing import CliRunner, Result

from explorer.brief.loading import load_brief
from explorer.brief.schema import brief_schema
from explorer.brief.shipped import shipped_briefs
from explorer.cli.app import app
from explorer.cli.command import main
from explorer.cli.standing import verdict
from explorer.designs import parse_design
from explorer.exploration import explore
from explorer.formulation import formulate
from explorer.results import Progress
from explorer.settings import Settings
from explorer.standing import assess_design
from fixture_types import MakeBriefText
from reports.sections.infeasible import obstacle_sentences
from reports.sections.method import method_sentences

FILES = {
    "report.html", "report.md", "record.md", "front.csv", "readable.csv", "results.json",
    "run.json",
}  # fmt: skip
DESIGN = ("stopper=68k", "plate_load=100k", "cathode_resistor=1k5", "bypass=22u")


def run(*args: str | Path) -> Result:
    return CliRunner().invoke(app, [str(a) for a in args], catch_exceptions=False)


@pytest.fixture(scope="module")
def text(brief_text: MakeBriefText) -> Callable[..., str]:
    """Return a maker of the small brief without the studies that take seconds."""

    def make(*changes: tuple[str, str]) -> str:
        return brief_text(*changes) + "\n[tolerance]\nstudy = false\n"

    return make


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Go to an empty folder."""
    folder = tmp_path / "anywhere"
    folder.mkdir()
    monkeypatch.chdir(folder)
    return folder


@pytest.fixture
def brief(tmp_path: Path, text: MakeBriefText) -> Path:
    path = tmp_path / "briefs" / "small.toml"
    path.parent.mkdir()
    path.write_text(text(), "utf-8")
    return path


@pytest.fixture
def light(monkeypatch: pytest.MonkeyPatch) -> list[Any]:
    """Catch what would go into a report, for tests of what is printed."""
    caught: list[Any] = []

    def write(contents: Any, folder: Path) -> dict[str, Path]:
        caught.append(contents)
        return {"html": folder / "report.html"}

    monkeypatch.setattr("reports.document.files.write_report", write)
    monkeypatch.setattr("explorer.report_studies.studying", lambda *_: nullcontext(lambda _: None))
    return caught


WIDE = (
    ('series = "E6"\nfrom = "10k"\nto = "220k"', 'series = "E192"\nfrom = "10k"\nto = "220k"'),
    ('values = ["1k", "1k5", "2k2"]', 'series = "E96"\nfrom = "820"\nto = "3k9"'),
)
"""A space that a search parts into 195 blocks of 516."""


# --- explore -------------------------------------------------------------------------------------


@pytest.mark.slow
def test_explore_prints_the_front_and_writes_the_report(
    brief: Path, place: Path, size: int
) -> None:
    result = run("explore", brief)
    assert result.exit_code == 0
    assert result.stdout.startswith(f"A small stage for tests (exact: {size} candidates)\n")
    # Without being told where, results go below the folder one is in, under the brief's name.
    folder = place / "stagefront-out" / "small"
    assert [p.name for p in place.iterdir()] == ["stagefront-out"]
    assert {p.name for p in folder.iterdir()} == FILES | {
        "exact.npz",
        "yields.npz",
        "answer.json",
        "figures",
    }
    assert str(Path("stagefront-out") / "small" / "report.html") in result.stdout
    assert not any(p.name.startswith(".") for p in folder.rglob("*"))
    sizes = {p.name: p.stat().st_size for p in folder.rglob("*") if p.is_file()}
    assert all(size > 500 for name, size in sizes.items() if name != "run.json")
    # The files agree with each other and with what is printed.
    stored = json.loads((folder / "results.json").read_text("utf-8"))
    front = pd.read_csv(folder / "front.csv")
    readable = pd.read_csv(folder / "readable.csv")
    assert stored["feasible"] is True
    assert len(stored["front"]) == len(front)
    assert stored["readable"][0]["candidate"] == readable["candidate"][0]
    assert readable["marks"][0].startswith("pick")
    assert f"(candidate {readable['candidate'][0]})" in " ".join(result.stdout.split())
    page = (folder / "report.html").read_text("utf-8")
    assert "A small stage for tests" in page
    assert "kill" in page
    assert not re.search(r'(src|href)\s*=\s*"(https?:)?//', page)


@pytest.mark.slow
def test_explore_again_goes_on_in_json_and_csv(
    brief: Path, place: Path, light: list[Any], text: MakeBriefText
) -> None:
    brief.write_text(text(*WIDE), "utf-8")
    first = run("explore", brief, "--into", "out", "--method", "search", "--form", "json")
    assert first.exit_code == 0
    records = json.loads(first.stdout)
    assert "Report: " in first.stderr
    assert records[0]["marks"].startswith("pick")
    more = run(
        "explore", brief, "--into", "out", "--method", "search", "--evaluations", "40000",
        "--form", "csv", "--quiet",
    )  # fmt: skip
    assert more.exit_code == 0
    # Of the 60 one block was stored; the closure, half of the 40,000 at most, is made anew.
    said = re.search(
        "evaluated ([0-9,]+) of 100,620 candidates",
        method_sentences(light[-1])[0].replace("\u00a0", " "),
    )
    assert said
    # The last block is whole, and the one that was stored comes on top where the plan lacks it.
    assert 40_000 <= int(said[1].replace(",", "")) < 40_000 + 2 * 516
    rows = list(csv.DictReader(io.StringIO(more.stdout)))
    shown = light[-1].shown
    assert [int(r["candidate"]) for r in rows] == shown["candidate"].tolist()
    for name in ("gain_dB", "noise_dBu", "stopper_ohm", "bypass_F"):
        assert [float(r[name]) for r in rows] == pytest.approx(shown[name].tolist(), rel=1e-12)
    assert more.stderr.splitlines() == [
        "Resumed: 516 candidates were stored already.", "Report: out/report.html",
    ]  # fmt: skip
    assert [p.name for p in place.iterdir()] == ["out"]
    # Progress goes to standard error, where it does not get between results.
    assert "searching" in first.stderr
    assert "searching" not in first.stdout


@pytest.mark.slow
def test_explore_does_what_its_options_say(
    brief: Path, place: Path, light: list[Any], tmp_path: Path, text: MakeBriefText
) -> None:
    url = f"sqlite:///{tmp_path / 's.db'}"
    assert run("explore", brief, "--method", "exact", "--quiet").exit_code == 0
    assert method_sentences(light[-1])[0].startswith("Exact front")
    assert not list(place.rglob("*.log"))
    brief.write_text(text(*WIDE), "utf-8")
    result = run(
        "explore", brief, "--method", "search", "--evaluations", "600", "--seed", "3",
        "--storage", url, "--quiet",
    )  # fmt: skip
    assert result.exit_code == 0
    said = re.search(
        "evaluated ([0-9,]+) of", method_sentences(light[-1])[0].replace("\u00a0", " ")
    )
    assert said
    assert 600 <= int(said[1].replace(",", "")) < 600 + 516
    assert optuna.get_all_study_names(url)[0].endswith("-evolution-3")
    assert sorted(p.name for p in place.rglob("*.*")) == ["exact.npz", "yields.npz"]


@pytest.mark.slow
def test_a_stored_search_starts_from_the_folder_of_its_brief(
    brief: Path, place: Path, light: list[Any], text: MakeBriefText
) -> None:
    brief.write_text(text(("batch = 20", 'batch = 20\nstorage = "kept/study.log"')), "utf-8")
    assert run("explore", brief, "--method", "search", "--quiet").exit_code == 0
    assert (brief.parent / "kept" / "study.log").is_file()
    assert sorted(p.name for p in place.rglob("*.*")) == ["exact.npz", "yields.npz"]
    assert light


def test_paths_in_a_brief_start_from_its_folder(
    brief: Path, place: Path, light: list[Any], text: MakeBriefText
) -> None:
    (brief.parent / "d.csv").write_text("kind,value\nresistor,33k\nresistor,47k\n")
    brief.write_text(
        text(('series = "E6"\nfrom = "10k"\nto = "220k"', 'drawer = "d.csv"')), "utf-8"
    )
    result = run("explore", Path("..") / "briefs" / "small.toml", "--method", "exact", "--quiet")
    assert result.exit_code == 0
    assert set(light[0].front["stopper_ohm"]) <= {33e3, 47e3}


def test_constants_are_printed_once(
    brief: Path, place: Path, light: list[Any], text: MakeBriefText
) -> None:
    brief.write_text(
        text(('noise_dBu = "minimise"',
              'noise_dBu = "minimise"\nseries_departure_percent = "minimise"')), "utf-8"
    )  # fmt: skip
    result = run("explore", brief, "--method", "exact", "--quiet")
    assert "off E12" not in result.stdout  # it is traded for nothing


def test_nothing_feasible_is_exit_3_with_the_nearest_and_a_report(
    brief: Path, place: Path, text: MakeBriefText, impossible: tuple[str, str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    def render(contents: Any) -> dict[str, str]:
        return {
            "report.html": obstacle_sentences(contents)[0],
            "results.json": str(contents.feasible),
        }

    # What the pages look like is tested where they are made.
    monkeypatch.setattr("reports.document.files._render", render)
    brief.write_text(text(impossible), "utf-8")
    result = run("explore", brief, "--method", "exact", "--form", "json", "--quiet")
    assert result.exit_code == 3
    broken = [r["limits_broken"] for r in json.loads(result.stdout)]
    assert len(broken) == 12
    assert broken == sorted(broken)
    assert broken[0] > 0
    folder = place / "stagefront-out" / "small"
    assert {p.name for p in folder.iterdir()} == {"report.html", "results.json"}
    assert (folder / "report.html").read_text("utf-8").startswith("gain: none of the 162")
    assert (folder / "results.json").read_text("utf-8") == "False"
    monkeypatch.setenv("COLUMNS", "80")
    table = run("explore", brief, "--method", "exact", "--quiet")
    assert table.exit_code == 3
    assert "keeps every limit" in table.stdout
    assert "Nearest" in table.stdout
    told = " ".join(table.stdout.replace("\u00a0", " ").split())
    assert "Gain: none of the 162 candidates evaluated keeps it" in told
    assert "36.2 dB instead of 60 dB" in told
    lines = table.stdout.splitlines()
    assert len(lines) <= 10 + 2  # and the caution
    assert all(len(line) <= 80 for line in lines if not line.startswith("Report"))


# --- interrupted ---------------------------------------------------------------------------------


@contextmanager
def explorer_process(*args: str | Path) -> Iterator[subprocess.Popen[str]]:
    """Start the command in a process that heeds Ctrl-C, and leave none behind."""
    process = subprocess.Popen(
        [sys.executable, "-m", "explorer", "explore", *map(str, args), "--quiet"],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        # A job in the background ignores it, and its children would.
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.default_int_handler) and None,
    )  # fmt: skip
    with process:
        try:
            yield process
        finally:
            process.kill()


def wait_for(condition: Callable[[], bool], process: subprocess.Popen[str]) -> None:
    until = time.monotonic() + 60
    while not condition():
        assert process.poll() is None
        assert time.monotonic() < until
        time.sleep(0.05)


@pytest.mark.slow
def test_ctrl_c_writes_the_report_of_what_was_found_and_exits_130(
    brief: Path, place: Path, text: MakeBriefText, continuous: tuple[str, str]
) -> None:
    large = (
        ('values = ["100k", "150k", "220k"]', 'series = "E192"\nfrom = "68k"\nto = "330k"'),
        ('values = ["1k", "1k5", "2k2"]', 'series = "E192"\nfrom = "820"\nto = "3k9"'),
        ("evaluations = 60", "evaluations = 1000000"),
    )
    brief.write_text(text(continuous, *large), "utf-8")
    log = place / "out" / "search.log"
    with explorer_process(brief, "--into", "out") as process:
        wait_for(log.exists, process)
        # The front is being closed, candidate by candidate, which is not stored.
        enough = time.monotonic() + 5
        wait_for(lambda: time.monotonic() > enough, process)
        process.send_signal(signal.SIGINT)
        stdout, stderr = process.communicate(timeout=60)
    assert process.returncode == 130
    assert "Traceback" not in stderr
    assert "interrupted" in stdout
    kept = {"search.log", "yields.npz", "figures"}
    assert {p.name for p in (place / "out").iterdir()} == FILES | kept
    stored = json.loads((place / "out" / "results.json").read_text("utf-8"))
    count = int(re.search(r"evaluated ([\d,]+) of", stored["method"][0])[1].replace(",", ""))  # type: ignore[index]
    assert 40 <= count < 1_000_000
    assert len(stored["front"]) > 0


@pytest.mark.parametrize("method", ["search", "exact"])
def test_ctrl_c_in_the_report_says_what_is_missing(
    brief: Path, place: Path, light: list[Any], monkeypatch: pytest.MonkeyPatch, method: str
) -> None:
    def interrupt(*_: Any) -> Any:
        raise KeyboardInterrupt

    monkeypatch.setattr("reports.document.files.write_report", interrupt)
    result = run("explore", brief, "--into", "out", "--method", method, "--quiet")
    assert result.exit_code == 130
    assert "Solder" in result.stdout  # what is known is printed before anything is written
    assert light == []
    assert "no report" in result.stderr
    assert "'out'" in result.stderr
    # A short enumeration is kept when it is finished, a search as it goes on.
    assert (place / "out" / ("exact.npz" if method == "exact" else "search.log")).exists()
    assert "search is saved" in result.stderr


@pytest.mark.slow
def test_ctrl_c_in_a_study_leaves_a_report_to_use_and_the_next_run_completes_it(
    brief: Path, place: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    @contextmanager
    def studying(_: Any, folder: Path) -> Iterator[Callable[[Any], Any]]:
        def interrupt(_: Any) -> Any:
            page = (folder / "report.html").read_text("utf-8")
            assert "</html>" in page
            raise KeyboardInterrupt

        yield interrupt

    earlier = place / "out" / "report.md"
    earlier.parent.mkdir()
    earlier.write_text("of another brief", "utf-8")
    with monkeypatch.context() as patch:
        patch.setattr("explorer.report_studies.studying", studying)
        result = run("explore", brief, "--into", "out", "--quiet")
    assert result.exit_code == 130
    assert "Solder" in result.stdout
    assert not earlier.exists()
    early = json.loads(Path("out/results.json").read_text("utf-8"))
    assert early["complete"] is False
    assert early["swaps"] == []
    again = run("explore", brief, "--into", "out", "--quiet")
    assert again.exit_code == 0
    whole = json.loads(Path("out/results.json").read_text("utf-8"))
    assert whole["complete"] is True
    assert "of another brief" not in earlier.read_text("utf-8")
    assert len(whole["swaps"]) > 1
    assert whole["pick"]["stage"] == early["pick"]["stage"]


@pytest.mark.slow
def test_a_finished_exploration_is_shown_again_until_something_in_it_changes(
    brief: Path, place: Path, text: Callable[..., str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def form(name: str) -> Result:
        return run("explore", brief, "--into", "out", "--quiet", "--form", name)

    first = {name: form(name).stdout for name in ("table", "json", "csv")}
    with monkeypatch.context() as patch:
        patch.setattr("explorer.cli.searching.explore", None)  # nothing may be explored
        assert {name: form(name).stdout for name in first} == first
        with pytest.raises(TypeError):
            run("explore", brief, "--into", "out", "--quiet", "--seed", "9")
        Path("out/front.csv").unlink()
        with pytest.raises(TypeError):
            form("table")
    brief.write_text(text(("A small stage for tests", "Another")), "utf-8")
    assert form("table").stdout.startswith("Another (exact")


def test_a_stage_is_assessed_without_a_front_where_none_is_kept(
    brief: Path, place: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("explorer.cli.searching.explore", None)  # nothing may be explored
    told = json.loads(run("assess", brief, *DESIGN, "--form", "json").stdout)
    assert f"stagefront explore {brief}" in told["verdict"]
    assert (told["nearest"], told["beaten_by"]) == (None, [])
    assert told["scores"]["gain_dB"] > 0
    assert len(told["one_step"]) > 4
    assert run("assess", brief, *DESIGN, "--swap", "--form", "json").exit_code == 0
    with pytest.raises(TypeError):
        run("assess", brief, "pick")


@contextmanager
def interrupting(_: bool) -> Iterator[Callable[[Progress], None]]:
    def report(_: Progress) -> None:
        raise KeyboardInterrupt

    yield report


@pytest.mark.slow
def test_an_interrupted_run_exits_130_in_every_command(
    brief: Path, place: Path, light: list[Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("explorer.cli.searching.progress_bar", interrupting)
    result = run("explore", brief, "--form", "json")
    assert result.exit_code == 130
    assert len(json.loads(result.stdout)) == len(light[0].shown) > 0
    assert method_sentences(light[0])[-1].startswith("The run was interrupted")
    result = run("assess", brief, *DESIGN, "--form", "json", "--method", "search")
    assert result.exit_code == 130
    assert json.loads(result.stdout)["scores"]["gain_dB"] > 20


@pytest.mark.parametrize("command", [["explore"], ["assess", *DESIGN]])
def test_an_interrupt_before_the_first_candidate_says_so(
    brief: Path, place: Path, light: list[Any], monkeypatch: pytest.MonkeyPatch, command: list[str]
) -> None:
    def ask(*_: Any, **options: Any) -> Any:
        raise KeyboardInterrupt

    monkeypatch.setattr("explorer.search.closing", ask)
    result = run(command[0], brief, *command[1:], "--method", "search", "--quiet")
    assert result.exit_code == 130
    assert result.stdout == ""
    assert result.stderr.startswith("interrupted")
    assert len(result.stderr.splitlines()) == 1
    assert light == []


# --- assess --------------------------------------------------------------------------------------


@pytest.mark.slow
def test_assess_gives_the_same_by_arguments_and_by_file(brief: Path, place: Path) -> None:
    assert run("explore", brief, "--method", "exact", "--quiet").exit_code == 0
    kept = sorted(place.rglob("*"))
    by_words = run("assess", brief, *DESIGN, "--form", "json", "--quiet")
    assert by_words.exit_code == 0
    lines = [f'{k} = "{v}"' for k, v in (pair.split("=") for pair in DESIGN)]
    (place / "mine.toml").write_text("\n".join(["[design]", *lines]))
    by_file = run("assess", brief, "--design", "mine.toml", "--form", "json", "--quiet")
    assert json.loads(by_file.stdout) == json.loads(by_words.stdout)
    found = json.loads(by_words.stdout)
    read = load_brief(brief)
    ex = explore(formulate(read), Settings(seed=5), method="exact")
    standing = assess_design(ex, parse_design(DESIGN, read))
    assert found["verdict"] == verdict(standing, ex)
    assert found["nearest"] == standing.nearest
    assert found["beaten_by"] == list(standing.beaten_by)
    assert found["breaks"] == standing.broken == {}
    assert found["scores"].keys() == standing.scores.keys()
    for name, value in standing.scores.items():
        if np.isfinite(value):
            assert found["scores"][name] == pytest.approx(value, rel=1e-9), name
    assert len(found["one_step"]) == len(standing.steps)
    assert sorted(place.rglob("*")) == sorted([*kept, place / "mine.toml"])


@pytest.mark.slow
def test_assess_prints_tables_and_steps(brief: Path, place: Path) -> None:
    assert run("explore", brief, "--method", "exact", "--quiet").exit_code == 0
    result = run("assess", brief, *DESIGN, "--quiet")
    assert result.exit_code == 0
    assert "High voltage kills" in result.stdout
    stored = json.loads(run("assess", brief, *DESIGN, "--form", "json", "--quiet").stdout)
    assert stored["verdict"] in " ".join(result.stdout.split())
    assert f"candidate {stored['nearest']} " in result.stdout
    steps = run("assess", brief, *DESIGN, "--form", "csv", "--quiet")
    rows = list(csv.DictReader(io.StringIO(steps.stdout)))
    assert {(r["part"], r["step"]) for r in rows} >= {
        ("grid stopper", "down"), ("grid stopper", "up"), ("cathode bypass", "down"),
    }  # fmt: skip
    assert all(r["keeps_limits"] in ("True", "False") for r in rows)


def test_assess_names_what_a_stage_breaks(brief: Path, place: Path) -> None:
    result = run("assess", brief, *DESIGN[:2], "cathode_resistor=1k", "bypass=22u", "--quiet")
    assert result.exit_code == 0
    (line,) = (line for line in result.stdout.splitlines() if "broken:" in line)
    assert "plate current" in line
    assert "900\u00a0µA" in line


# --- check, schema, valves -----------------------------------------------------------------------


def test_check_sums_a_brief_up(brief: Path, place: Path) -> None:
    result = run("check", brief)
    assert result.exit_code == 0
    assert result.stdout.startswith(f"{brief}: valid\n")
    summary = json.loads(run("check", brief, "--form", "json").stdout)
    assert summary["candidates"] == 162
    assert summary["valve"] == "12AX7"
    assert summary["free scores"][0] == "gain_dB"
    assert summary["varied"]["grid stopper"] == "E6, 10 kΩ to 220 kΩ"
    assert summary["front"] == "exact"
    (row,) = csv.DictReader(io.StringIO(run("check", brief, "--form", "csv").stdout))
    assert row["candidates"] == "162.0"
    assert list(place.iterdir()) == []


def test_check_warns_and_still_leaves_with_0(
    brief: Path, place: Path, text: MakeBriefText, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    calm = run("check", brief)
    assert "warning" not in calm.stdout
    assert "plate voltage 1" in calm.stdout  # of the middle of the space
    brief.write_text(text(('value = "22n"', 'value = "22 uF"'), ('"250 V"', '"320 V"')), "utf-8")
    result = run("check", brief)
    assert result.exit_code == 0
    lines = result.stdout.splitlines()
    warned = lines[lines.index("1 warning:") + 1 :]
    assert warned[0].startswith("  - supply.voltage: 320\u00a0V is more than the rated plate volt")
    assert max(map(len, lines[1:])) <= 80  # the first is a path
    told = json.loads(run("check", brief, "--form", "json").stdout)
    assert told["warnings"] == [
        {"kind": "supply above rating", "field": "supply.voltage", "unit": "V", "name": "12AX7",
         "value": 320.0, "at_most": 300.0}
    ]  # fmt: skip
    (middle,) = told["middle"]
    assert middle["valve"] == "12AX7"
    assert middle["plate_load_ohm"] == 150e3
    assert 0.5e-3 < middle["plate_current_A"] < 1.5e-3
    (row,) = csv.DictReader(io.StringIO(run("check", brief, "--form", "csv").stdout))
    assert row["warnings"].startswith("supply.voltage: 320")


@pytest.mark.slow
@pytest.mark.parametrize("name", shipped_briefs())
def test_shipped_briefs_are_valid(name: str, place: Path) -> None:
    result = run("check", name)
    assert result.exit_code == 0
    assert result.stdout.startswith(f"{name}: valid\n")


def test_check_reports_all_problems_at_once(brief: Path, place: Path, text: MakeBriefText) -> None:
    brief.write_text(
        text(('voltage = "250 V"', 'voltage = "-250 V"'), ('to = "220k"', 'to = "5k"')), "utf-8"
    )
    result = run("check", brief)
    assert result.exit_code == 2
    assert result.stdout == ""
    assert result.stderr.splitlines()[0] == f"{brief}:"
    assert len(result.stderr.splitlines()) == 3
    assert "supply.voltage: '-250 V': expected" in result.stderr
    assert "parts.stopper.from: 10 kΩ: expected less than to (5 kΩ)" in result.stderr


def test_schema_is_the_schema() -> None:
    result = run("schema")
    assert result.exit_code == 0
    found = json.loads(result.stdout)
    assert found["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    assert found["title"] == brief_schema()["title"]
    assert set(found["properties"]) == set(brief_schema()["properties"])


# --- errors --------------------------------------------------------------------------------------


@pytest.mark.slow
def test_bad_input_is_exit_2_and_names_field_value_and_what_is_allowed(
    brief: Path, place: Path
) -> None:
    cases: list[tuple[list[str | Path], list[str]]] = [
        (["explore", "nosuch"], ["brief: 'nosuch'", "expected a file or one of", "treble-cut"]),
        (["explore", "treble-cat"], ["did you mean treble-cut"]),
        (["check", "nosuch.toml"], ["file: 'nosuch.toml'", "no such file", "expected a readable"]),
        (["check", place], ["is a directory"]),
        (["explore", brief, "--method", "best"], ["--method", "best", "auto", "search", "compare"]),
        (["explore", brief, "--evaluations", "0"], ["--evaluations", "'0'", "number of 1 or more"]),
        (["explore", brief, "--evaluations", "many"], ["--evaluations", "'many'"]),
        (["explore", brief, "--seed", "-1"], ["--seed", "'-1'", "number of 0 or more"]),
        (["explore", brief, "--seed", "9" * 5000], ["--seed"]),
        (["explore", brief, "--form", "xml"], ["--form", "xml", "table", "json", "csv"]),
        (["explore", brief, "--into", brief], ["into: ", str(brief), "must be a folder"]),
        (["explore", brief, "--into", brief / "deeper"], ["into: ", "must be a folder"]),
        (["explore", brief, "--method", "search", "--storage", brief],
         ["search.storage: ", str(brief), "must be a writable file", "database URL"]),
        (
            ["explore", brief, "--method", "search", "--storage", "nosuch://host/name"],
            ["search.storage: 'nosuch://"],
        ),
        (["explore", brief, "--unknown"], ["--unknown"]),
        (["explores"], ["explores"]),
        (["assess", brief], ["design", "PART=VALUE", "--design FILE"]),
        (["assess", brief, *DESIGN, "--design", "x.toml"], ["design", "PART=VALUE"]),
        (["assess", brief, "--design", "x.toml"], ["file: 'x.toml'", "no such file"]),
        (["assess", brief, "stopper=68q", *DESIGN[1:]],
         ["design.stopper: '68q'", "expected a resistance"]),
        (["assess", brief, "stoper=68k", *DESIGN[1:]], ["design.stoper", "did you mean stopper"]),
        (["assess", brief, *DESIGN[1:]], ["design.stopper: not given"]),
        (["assess", brief, "stopper"], ["'stopper'", "expected part=value"]),
        (["devices", "12AX8"], ["device: '12AX8'", "must be one of", "12AX7"]),
        (["devices", "--table", "nosuch.toml"], ["nosuch.toml", "no such file"]),
    ]  # fmt: skip
    for args, fragments in cases:
        result = run(*args)
        assert result.exit_code == 2, args
        assert result.stdout == "", args
        words = " ".join(re.sub(r"[│╭╮╰╯─]", " ", result.stderr).split())
        for fragment in fragments:
            assert fragment in words, (args, result.stderr)
        assert "Traceback" not in result.stderr
    # None of it left anything behind, and the brief that was named as a storage is untouched.
    assert list(place.iterdir()) == []
    assert run("check", brief).exit_code == 0


@pytest.mark.parametrize(
    ("change", "fragments"),
    [
        (('valve = "12AX7"', 'valve = "12AX8"'), ["valve: '12AX8'", "expected one of", "12AX7"]),
        (('gain_dB = "maximise"', 'gian_dB = "maximise"'),
         ["scores.gian_dB", "unknown", "did you mean gain_dB"]),
        (('gain_dB = "maximise"', 'gain_dB = "biggest"'),
         ["scores.gain_dB: 'biggest'", "maximise", "minimise"]),
        (("[supply]", "[suply]"), ["suply", "unknown key", "supply"]),
        (('value = "22n"', 'value = "22 kΩ"'), ["parts.output_coupling.value: '22 kΩ'"]),
        (('title = "A small', "title = A small"), ["line 2", "expected TOML"]),
    ],
)  # fmt: skip
def test_a_faulty_brief_is_refused_by_every_command(
    brief: Path, place: Path, text: MakeBriefText, change: tuple[str, str],
    fragments: list[str],
) -> None:  # fmt: skip
    brief.write_text(text(change), "utf-8")
    commands: tuple[list[str | Path], ...] = (
        ["explore", brief],
        ["check", brief],
        ["assess", brief, *DESIGN],
    )
    for command in commands:
        result = run(*command)
        assert result.exit_code == 2
        assert result.stdout == ""
        for fragment in fragments:
            assert fragment in result.stderr
    assert list(place.iterdir()) == []


def test_a_continuous_space_has_no_exact_front(
    brief: Path, place: Path, text: MakeBriefText, continuous: tuple[str, str]
) -> None:
    brief.write_text(text(continuous), "utf-8")
    commands: tuple[list[str | Path], ...] = (["explore", brief], ["assess", brief, *DESIGN])
    for command in commands:
        result = run(*command, "--method", "exact", "--quiet")
        assert result.exit_code == 2
        assert "method: 'exact': must be 'auto' or 'search'" in result.stderr
    assert list(place.iterdir()) == []
    summary = json.loads(run("check", brief, "--form", "json").stdout)
    assert (summary["candidates"], summary["front"]) == ("continuous", "searched")


def test_a_full_disk_is_exit_4_and_leaves_an_earlier_report_as_it_was(
    brief: Path, place: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    earlier = place / "out"
    earlier.mkdir()
    (earlier / "report.html").write_text("earlier")

    def fail(*_: Any) -> Any:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("reports.document.files._render", fail)
    monkeypatch.setattr("explorer.report_studies.studying", lambda *_: nullcontext(lambda _: None))
    result = run("explore", brief, "--into", "out", "--method", "exact", "--quiet")
    assert result.exit_code == 4
    assert "'out'" in result.stderr
    assert "No space left on device" in result.stderr
    # The enumeration was kept before the disk was full.
    assert {p.name for p in earlier.iterdir()} == {"report.html", "exact.npz", "yields.npz"}
    assert (earlier / "report.html").read_text() == "earlier"


@pytest.mark.skipif(not Path("/proc/self").exists(), reason="needs a place that none can write")
def test_a_place_that_cannot_be_written_is_exit_4_and_named(brief: Path, place: Path) -> None:
    for options in (["--into", "/proc/here"], ["--storage", "/proc/here/s.log"]):
        result = run("explore", brief, *options, "--method", "search", "--quiet")
        assert result.exit_code == 4
        assert "'/proc/here" in result.stderr
        assert len(result.stderr.splitlines()) == 1
    assert not list(place.rglob("*.*"))


@pytest.mark.slow
@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs a device that is always full")
@pytest.mark.parametrize("command", [["schema"], ["devices"], ["--help"]])
def test_standard_output_on_a_full_disk_is_exit_4(command: list[str], place: Path) -> None:
    with Path("/dev/full").open("w") as full:
        done = subprocess.run(
            [sys.executable, "-m", "explorer", *command],
            stdout=full, stderr=subprocess.PIPE, text=True, timeout=60, check=False,
        )  # fmt: skip
    assert done.returncode == 4
    assert "standard output" in done.stderr
    assert "Traceback" not in done.stderr


def test_anything_else_is_a_defect_with_a_traceback_and_exit_1(
    brief: Path, place: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    for error in (ValueError("shapes"), FileNotFoundError(2, "No such file", "data.toml")):

        def fail(*_: Any, error: Exception = error) -> Any:
            raise error

        monkeypatch.setattr("explorer.formulation.formulate", fail)
        monkeypatch.setattr("sys.argv", ["stagefront", "check", str(brief)])
        with pytest.raises(SystemExit) as caught:
            main()
        assert caught.value.code == 1
        told = capsys.readouterr().err
        assert "Traceback" in told
        assert type(error).__name__ in told
        assert "report it" in told


def test_brackets_in_words_and_paths_are_no_markup(
    brief: Path, place: Path, light: list[Any], text: MakeBriefText
) -> None:
    brief.write_text(text(("A small stage for tests", "A [red]stage[/red] [/]")), "utf-8")
    result = run("explore", brief, "--into", "[bold]", "--method", "exact", "--quiet")
    assert result.exit_code == 0
    assert result.stdout.startswith("A [red]stage[/red] [/] (exact: 162 candidates)\n")
    assert "Report    [bold]/report.html" in result.stdout
    assert "A [red]stage[/red] [/]" in run("check", brief).stdout


# --- help and processes --------------------------------------------------------------------------

COMMANDS = ("explore", "assess", "devices", "new", "check", "schema")


def test_help_lists_every_command_and_the_exit_codes() -> None:
    result = run("--help")
    assert result.exit_code == 0
    for word in (*COMMANDS, "--version", "Exit codes", "130", "kill"):
        assert word in result.stdout
    group = typer.main.get_command(app)
    assert set(COMMANDS) <= set(group.commands)  # type: ignore[attr-defined]


def test_the_version_is_that_of_the_package() -> None:
    assert run("--version").stdout.split() == ["stagefront", metadata.version("stagefront")]


HEAVY = ("numpy", "scipy", "pandas", "optuna", "moocore", "altair", "pydantic", "jinja2")


@pytest.mark.slow
@pytest.mark.parametrize(
    ("code", "heavy"),
    [
        ("import explorer.cli.command", HEAVY),
        ("from explorer.cli.command import app; app(['schema'], standalone_mode=False)",
         ("pandas", "optuna", "moocore", "altair")),
        ("from explorer.cli.command import app; app(['check', 'treble-cut'], "
         "standalone_mode=False)", ("pandas", "optuna", "moocore", "altair")),
    ],
)  # fmt: skip
def test_what_a_command_does_not_need_is_not_imported(code: str, heavy: tuple[str, ...]) -> None:
    ask = f"import sys; print([m for m in {heavy} if m in sys.modules], file=sys.stderr)"
    done = subprocess.run(
        [sys.executable, "-c", f"{code}\n{ask}"],
        capture_output=True, text=True, timeout=60, check=True,
    )  # fmt: skip
    assert done.stderr == "[]\n"


@pytest.mark.parametrize("columns", [60, 200])
def test_piped_tables_are_as_wide_as_they_are_told(
    columns: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", str(columns))
    widths = [len(line) for line in run("devices", "12AX7").stdout.splitlines() if "│" in line]
    assert columns // 2 < max(widths) <= columns


def examples(command: str) -> list[list[str]]:
    """Return the examples of a command's help, as a shell would split them."""
    group = typer.main.get_command(app)
    text = group.commands[command].help.replace("\\\n", " ")  # type: ignore[attr-defined]
    lines = text.split("Examples:")[1].splitlines()
    return [shlex.split(line.split(" > ")[0])[1:] for line in lines if "stagefront" in line]


@pytest.mark.parametrize("command", COMMANDS)
def test_help_has_examples_that_the_command_takes(command: str, place: Path) -> None:
    result = run(command, "--help")
    assert result.exit_code == 0
    assert "Examples:" in result.stdout
    assert f"stagefront {command}" in result.stdout
    group = typer.main.get_command(app)
    found = examples(command)
    assert found
    for name, *args in found:
        assert name == command
        # Reading the arguments, without running the command, refuses what it does not know.
        group.commands[name].make_context(name, args).close()  # type: ignore[attr-defined]


def test_the_example_of_assess_is_a_whole_design() -> None:
    name, brief, *pairs = examples("assess")[0]
    assert name == "assess"
    design = parse_design(pairs, load_brief(brief))
    assert design.parts["stopper"] > 0


@pytest.mark.slow
def test_the_module_is_the_command(brief: Path, place: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "explorer", "check", str(brief)],
        capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert done.returncode == 0
    assert done.stderr == ""
    assert done.stdout == run("check", brief).stdout
    assert list(place.iterdir()) == []


@pytest.mark.slow
def test_a_reader_that_goes_away_is_no_crash(tmp_path: Path) -> None:
    read, write = os.pipe()
    os.close(read)
    with os.fdopen(write, "w") as gone:
        done = subprocess.run(
            [sys.executable, "-m", "explorer", "schema"],
            stdout=gone, stderr=subprocess.PIPE, text=True, timeout=60, check=False, cwd=tmp_path,
        )  # fmt: skip
    assert "Traceback" not in done.stderr
    assert done.returncode in (0, 1)
