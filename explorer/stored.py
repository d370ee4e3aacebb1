"""An enumeration and the yields of a decision, kept beside a report so as not to be done again.

The files hold parts, counts and yields, no code; they are read back only where the problem is the
same to its fingerprint, and candidates are then scored anew.
"""

from __future__ import annotations

import json
import zipfile
import zlib
from importlib.metadata import version
from pathlib import Path
from typing import Any, Final

import numpy as np

from explorer.decision import Decision, KnownYields, designs_of
from explorer.harvest import Harvest
from explorer.problem import Problem
from explorer.results import SearchResult
from objectives.files import drafts

NAME: Final = "exact.npz"
YIELDS: Final = "yields.npz"


_UNREADABLE: Final = (
    OSError, EOFError, ValueError, KeyError, TypeError, AttributeError,
    zipfile.BadZipFile, zlib.error,
)  # fmt: skip


def _key(problem: Problem) -> str:
    return f"{_of(problem)} {[f.name for f in problem.free]}"


def _of(problem: Problem) -> str:
    return f"{version('stagefront')} {problem.fingerprint}"


def _of_yields(problem: Problem) -> str:
    """Return what yields depend on: also on the seed of the draws, but not on the free scores."""
    setup = problem.targets.tolerance
    return f"{_of(problem)} {None if setup is None else setup.seed}"


def is_kept(problem: Problem, folder: Path) -> bool:
    """Return whether a folder keeps an enumeration of this problem, whatever in it is constant."""
    try:
        with np.load(folder / NAME, allow_pickle=False) as file:
            return bool(json.loads(str(file["record"]))["key"].startswith(f"{_of(problem)} "))
    except _UNREADABLE:
        return False


def keep(problem: Problem, exact: SearchResult, folder: Path) -> None:
    """Write a finished enumeration with something feasible into a folder, which is made.

    Raises
    ------
    OSError
        If the folder cannot be written.
    """
    record = {"key": _key(problem), "seconds": exact.seconds, **exact.harvest.counts}
    folder.mkdir(parents=True, exist_ok=True)
    parts: dict[str, Any] = {f"part {name}": a for name, a in exact.harvest.serious.parts.items()}
    with drafts(folder) as draft:
        np.savez_compressed(draft / NAME, record=np.array(json.dumps(record)), **parts)


def kept(problem: Problem, folder: Path) -> SearchResult | None:
    """Return the enumeration of this problem that a folder keeps; None where it keeps none.

    A file of another problem, of another version or of anything else is no such enumeration.
    """
    try:
        with np.load(folder / NAME, allow_pickle=False) as file:
            record = json.loads(str(file["record"]))
            if record.pop("key") != _key(problem):
                return None
            parts = {c.part: file[f"part {c.part}"] for c in problem.choices}
    except _UNREADABLE:
        return None
    serious = problem.evaluate(parts)
    if not serious.feasible.all():
        return None
    seconds = record.pop("seconds")
    harvest = Harvest(serious, serious.take(np.zeros(len(serious), dtype=bool)), **record)
    return SearchResult(harvest, harvest.front, harvest.nearest, complete=True, seconds=seconds)


def keep_yields(problem: Problem, decision: Decision, folder: Path) -> None:
    """Write the yields that a decision took into a folder, which is made, if it took any.

    Raises
    ------
    OSError
        If the folder cannot be written.
    """
    rows = np.flatnonzero(~np.isnan(decision.yields))
    if not rows.size:
        return
    folder.mkdir(parents=True, exist_ok=True)
    with drafts(folder) as draft:
        np.savez_compressed(
            draft / YIELDS,
            key=np.array(_of_yields(problem)),
            designs=np.array(designs_of(problem, decision.candidates.take(rows).parts)),
            yields=decision.yields[rows],
        )


def kept_yields(problem: Problem, folder: Path) -> KnownYields:
    """Return the yields that a folder keeps of designs of this problem; none of any other."""
    try:
        with np.load(folder / YIELDS, allow_pickle=False) as file:
            if str(file["key"]) != _of_yields(problem):
                return {}
            designs = [tuple(design) for design in file["designs"].tolist()]
            return dict(zip(designs, file["yields"].tolist(), strict=True))
    except _UNREADABLE:
        return {}
