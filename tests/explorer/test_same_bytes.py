"""The same inputs come to the same bytes in every file of a report but ``run.json``."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from bench.kills import outcome
from typer.testing import CliRunner

from explorer.cli.app import app
from fixture_types import MakeBriefText


@pytest.fixture
def brief(tmp_path: Path, brief_text: MakeBriefText) -> Path:
    path = tmp_path / "small.toml"
    path.write_text(brief_text() + "\n[tolerance]\nstudy = false\n", "utf-8")
    return path


def explored(brief: Path, folder: Path, method: str) -> dict[str, bytes]:
    """Explore a brief and return the bytes of every file of its report but run.json."""
    arguments = ["explore", str(brief), "--into", str(folder), "--method", method, "--quiet"]
    result = CliRunner().invoke(app, arguments, catch_exceptions=False)
    assert result.exit_code == 0
    assert json.loads((folder / "run.json").read_text("utf-8"))["written"]
    ours = {".html", ".md", ".csv", ".json", ".svg"}
    files = {f.relative_to(folder).as_posix(): f for f in folder.rglob("*") if f.suffix in ours}
    return {name: f.read_bytes() for name, f in files.items() if name != "run.json"}


@pytest.mark.slow
@pytest.mark.parametrize("method", ["search", "exact", "compare"])
def test_runs_and_numbers_of_workers_come_to_the_same_bytes(
    brief: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, method: str
) -> None:
    first = explored(brief, tmp_path / "first", method)
    assert {"report.html", "report.md", "record.md", "front.csv", "results.json"} < first.keys()
    # As if it took long enough to be shared by two processes, in waves of another size.
    monkeypatch.setattr("explorer.workers._WORTH_SHARING_S", 0.0)
    monkeypatch.setattr(os, "cpu_count", lambda: 2)
    monkeypatch.setattr("explorer.search._WAVE_S", 0.0)
    second = explored(brief, tmp_path / "second", method)
    # What is kept is taken up: the search, or the enumeration.
    (tmp_path / "second" / "answer.json").unlink()
    again = explored(brief, tmp_path / "second", method)
    for name, content in first.items():
        assert content == second[name], name
        assert content == again[name], name


@pytest.mark.slow
def test_an_exploration_killed_in_search_and_report_comes_to_the_same_bytes(
    tmp_path: Path,
) -> None:
    # Twenty kills, on a file and on PostgreSQL: python tests/bench/kills.py
    came = outcome("file", 2, 1, tmp_path)
    assert came.kills == 2
    assert came.files > 10
    assert (came.different, came.broken, came.left_running) == ((), (), 0)


# --- stopped -------------------------------------------------------------------------------------


@pytest.fixture
def process(brief: Path, tmp_path: Path) -> Callable[[], subprocess.Popen[str]]:
    """Return a starter of an exploration in a process of its own."""
    return lambda: subprocess.Popen(
        [
            sys.executable, "-m", "explorer", "explore", str(brief),
            "--into", str(tmp_path / "out"), "--method", "search", "--quiet",
        ],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        # A job in the background ignores Ctrl-C, and its children would.
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.default_int_handler) and None,
    )  # fmt: skip


@pytest.mark.slow
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_one_signal_in_the_report_leaves_the_essential_and_says_what_is_missing(
    process: Callable[[], subprocess.Popen[str]], tmp_path: Path, number: signal.Signals
) -> None:
    with process() as run:
        assert run.stdout is not None
        while not run.stdout.readline().startswith("Solder"):
            pass
        run.send_signal(number)
        stdout, stderr = run.communicate(timeout=300)
    assert run.returncode == 130
    assert "a second Ctrl-C stops at once" in stderr
    assert "lacks the sections on headroom, stability," in stderr
    assert "Report" in stdout
    results = json.loads((tmp_path / "out" / "results.json").read_text("utf-8"))
    assert results["complete"] is False
    assert (tmp_path / "out" / "report.html").read_text("utf-8").rstrip().endswith("</html>")


@pytest.mark.slow
def test_two_signals_stop_at_once(
    process: Callable[[], subprocess.Popen[str]], tmp_path: Path
) -> None:
    with process() as run:
        assert run.stdout is not None
        while not run.stdout.readline().startswith("Solder"):
            pass
        run.send_signal(signal.SIGINT)
        time.sleep(0.2)
        run.send_signal(signal.SIGINT)
        _, stderr = run.communicate(timeout=300)
    assert run.returncode == 130
    assert "no report was written" in stderr
    assert not (tmp_path / "out" / "report.html").exists()
    assert (tmp_path / "out" / "search.log").exists()


@pytest.mark.slow
def test_sigterm_in_the_search_ends_it_with_a_report(
    brief: Path, tmp_path: Path, process: Callable[[], subprocess.Popen[str]]
) -> None:
    fine = {
        "evaluations = 60": "evaluations = 1000000",
        'series = "E6"': 'series = "E192"',
        'values = ["100k", "150k", "220k"]': 'series = "E192"\nfrom = "68k"\nto = "330k"',
        'values = ["1k", "1k5", "2k2"]': 'series = "E192"\nfrom = "820"\nto = "3k9"',
    }
    text = brief.read_text("utf-8")
    for old, new in fine.items():
        text = text.replace(old, new)
    brief.write_text(text, "utf-8")
    log = tmp_path / "out" / "search.log"
    with process() as run:
        until = time.monotonic() + 120
        while not log.exists():
            assert run.poll() is None
            assert time.monotonic() < until
            time.sleep(0.1)
        time.sleep(5.0)  # some of it is found
        run.send_signal(signal.SIGTERM)
        stdout, stderr = run.communicate(timeout=300)
    assert run.returncode == 130, stderr
    assert "interrupted" in stdout
    assert (tmp_path / "out" / "report.html").exists()
