"""Kill a search, and a whole exploration, at random moments; compare with one that ran through.

The search is killed in its batches; in the end it must have come to the same front, to the last
digit, by the same way. The exploration is killed in search and report alike. After each kill every
file of the report that is there must be whole; in the end every file but run.json must have the
same bytes as that of the run that was left alone. No trial may be left under way. Run it:

    PYTHONPATH=tests python tests/bench/kills.py [--kills 20] [--seed 1] [--storage file postgresql]
        [--what search exploration]

It prints tables.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import optuna
import pandas as pd
from optuna.storages import JournalStorage
from optuna.storages.journal import JournalFileBackend
from optuna.trial import TrialState
from postgresql import database, programs

from explorer.brief.loading import parse_brief
from explorer.formulation import formulate
from explorer.search import search
from explorer.settings import Settings

BRIEF = """\
# Invented, for tests.
title = "A stage that is killed"
valve = "12AX7"
supply.voltage = "250 V"
driver.resistance = "47k"
load = { resistance = "470k", capacitance = "50 pF" }
targets.input_corner = "8 kHz"
limits.plate_current_A = { at_least = "0.6 mA", at_most = "0.9 mA" }
tolerance.study = false

[parts]
stopper = { series = "E24", from = "10k", to = "220k" }
plate_load = { series = "E24", from = "68k", to = "330k" }
cathode_resistor = { series = "E24", from = "820", to = "3k9" }
bypass = { values = ["none", "22u"] }
output_coupling = { value = "22n" }

[scores]
gain_dB = "maximise"
input_corner_error_octaves = "minimise"
noise_dBu = "minimise"

[search]
seed = 5
evaluations = 16000
batch = 4
"""
"""A space of 19,074 candidates in 17 blocks."""


@dataclass(frozen=True)
class Outcome:
    """What came of it."""

    storage: str
    kills: int
    in_report: int
    """Kills after the pick was printed."""
    runs: int
    files: int
    """Compared byte by byte."""
    different: tuple[str, ...]
    broken: tuple[str, ...]
    """Files that were there and not whole, after any kill."""
    front: int
    """Designs of the front."""
    left_running: int
    """Trials."""


@dataclass(frozen=True)
class SearchOutcome:
    """What came of a search."""

    storage: str
    kills: int
    stored_at_kills: tuple[int, ...]
    """Blocks that each run found stored."""
    blocks: int
    front: int
    same: bool
    """Front, counts and way there, to the last digit."""
    left_running: int


def search_outcome(kind: str, kills: int, seed: int, place: Path) -> SearchOutcome:
    """Return what came of so many kills of a search; it has 160 blocks in 40 generations."""
    problem = formulate(parse_brief(BRIEF, ".")).problem
    settings = Settings(seed=5, block=100, batch=4, evaluations=16000)
    start = time.monotonic()
    alone = search(problem, settings)
    whole_s = time.monotonic() - start
    rng, context = np.random.default_rng(seed), multiprocessing.get_context("fork")
    done, stored = 0, []
    with _storages(kind, place) as (_, shared):
        own = replace(settings, storage=shared)
        for _ in range(3 * kills):
            if done == kills:
                break
            victim = context.Process(target=search, args=(problem, own))
            victim.start()
            victim.join(timeout=rng.uniform(0.0, 3 * whole_s / kills) + 0.05 * whole_s)
            done += victim.is_alive()
            victim.kill()
            victim.join()
            stored.append(sum(t.state == TrialState.COMPLETE for t in _trials(shared)))
        found = search(problem, own)
        left = sum(trial.state == TrialState.RUNNING for trial in _trials(shared))
        blocks = sum(trial.state == TrialState.COMPLETE for trial in _trials(shared))
    ways = zip(found.fronts, alone.fronts, strict=True)
    same = (
        found.harvest.counts == alone.harvest.counts
        and np.array_equal(found.front.losses, alone.front.losses)
        and all(
            np.array_equal(found.front.parts[n], values) for n, values in alone.front.parts.items()
        )
        and all(n == m and np.array_equal(a, b) for (n, a), (m, b) in ways)
    )
    return SearchOutcome(kind, done, tuple(stored), blocks, len(found.front), same, left)


def outcome(kind: str, kills: int, seed: int, place: Path) -> Outcome:
    """Return what came of so many kills of a search in a storage of that kind."""
    brief = place / "brief.toml"
    brief.write_text(BRIEF, "utf-8")
    with _storages(kind, place) as (alone, shared):
        start = time.monotonic()
        _explore(brief, place / "alone", alone).communicate()
        whole_s = time.monotonic() - start
        rng, folder = np.random.default_rng(seed), place / "killed"
        done = in_report = runs = 0
        broken: set[str] = set()
        while done < kills:
            process = _explore(brief, folder, shared)
            runs += 1
            try:
                # Drawing and writing take most of the time; squared, half fall into the search.
                process.communicate(timeout=whole_s * rng.random() ** 2)
            except subprocess.TimeoutExpired:
                process.kill()
                in_report += "Solder" in process.communicate()[0]
                done += 1
            broken.update(_broken(folder))
        _explore(brief, folder, shared).communicate()
        left = sum(trial.state == TrialState.RUNNING for trial in _trials(shared))
    names = _report_files(place / "alone") | _report_files(folder)
    different = [n for n in sorted(names) if _bytes(place / "alone" / n) != _bytes(folder / n)]
    front = len(pd.read_csv(folder / "front.csv"))
    return Outcome(
        kind, done, in_report, runs + 1, len(names), tuple(different), tuple(sorted(broken)), front,
        left,
    )  # fmt: skip


def _explore(brief: Path, folder: Path, storage: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [
            sys.executable, "-m", "explorer", "explore", str(brief), "--into", str(folder),
            "--storage", storage, "--method", "search", "--quiet",
        ],
        stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True,
    )  # fmt: skip


@contextmanager
def _storages(kind: str, place: Path) -> Iterator[tuple[str, str]]:
    """Yield a storage for the run that is left alone and one for those that are killed."""
    if kind == "file":
        yield str(place / "alone.log"), str(place / "killed.log")
        return
    there = programs()
    assert there is not None, "needs PostgreSQL's own programs"
    with database(there) as alone, database(there) as killed:
        yield alone, killed


def _trials(storage: str) -> list[Any]:
    opened: Any = (
        storage.replace("://", "+psycopg://") if "://" in storage
        else JournalStorage(JournalFileBackend(storage))
    )  # fmt: skip
    names = optuna.get_all_study_names(opened)  # none where it was killed before all else
    return [t for name in names for t in optuna.load_study(study_name=name, storage=opened).trials]


def _report_files(folder: Path) -> set[str]:
    """Return the files of a report but for that which holds times and dates."""
    text = {".html", ".md", ".csv", ".json", ".svg", ".wav"}
    files = (f for f in folder.rglob("*") if f.suffix in text and ".draft-" not in str(f))
    return {str(f.relative_to(folder)) for f in files} - {"run.json"}


def _bytes(file: Path) -> bytes:
    return file.read_bytes() if file.exists() else b""


def _broken(folder: Path) -> Iterator[str]:
    """Yield the files of a report that are not whole."""
    for name in _report_files(folder):
        text = (folder / name).read_text("utf-8").rstrip()
        if name.endswith(".json"):
            try:
                json.loads(text)
            except ValueError:
                yield name
        elif not text or (name.endswith((".html", ".svg")) and text[-1] != ">"):
            yield name


def main() -> None:
    """Print the table."""
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("--kills", type=int, default=20)
    ask.add_argument("--seed", type=int, default=1)
    ask.add_argument("--storage", nargs="+", default=["file", "postgresql"])
    ask.add_argument("--what", nargs="+", default=["search", "exploration"])
    asked = ask.parse_args()
    optuna.logging.set_verbosity(optuna.logging.WARNING)
    for what in asked.what:
        rows = []
        for kind in asked.storage:
            with tempfile.TemporaryDirectory() as place:
                run: Any = search_outcome if what == "search" else outcome
                rows.append(asdict(run(kind, asked.kills, asked.seed, Path(place))))
                print(rows[-1], flush=True)
        print(pd.DataFrame(rows).to_string(index=False))


if __name__ == "__main__":
    main()
