"""The ledger of a search: which blocks are worked out, and what they left behind.

It is an Optuna study, in memory, in a file or in a database. Where it lies any number of processes
write it, and the next one reads what a killed one has left. It spares work and decides nothing: a
search comes to the same whatever the ledger holds of it.
"""

from __future__ import annotations

import os
import socket
import sys
import time
import uuid
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from typing import Any, Final, NamedTuple

import numpy as np
import optuna
from optuna.exceptions import StorageInternalError, UpdateFinishedTrialError
from optuna.trial import FrozenTrial, TrialState

from explorer.evaluation import Parts
from explorer.identity import program
from explorer.journal import open_storage
from explorer.problem import Problem
from explorer.results import TakenUp
from explorer.sampler import PlannedSampler, block_of, distributions
from explorer.settings import Settings
from explorer.space import Space
from objectives.arrays import IntArray

_LEFT: Final = "harvest"
"""Name of the attribute of a trial that says what its block left behind."""

_WORKER: Final = "worker"
"""Name of the attribute of a trial that says which process works on it, and where."""

_LEAST_LEASE_S: Final = 30.0
_WAVES: Final = 4
"""A process elsewhere counts as gone once it has worked on a block for so long, and for so many
times as long as this one ever did."""

_PAUSE_S: Final = 0.1
"""Time between two looks at what others are about to finish."""

_MOST_PROPOSALS: Final = 2048
"""Candidates that are taken from searches of other versions."""


class Entry(NamedTuple):
    """What one block came to."""

    losses: list[float]
    """The best in each free score."""
    limit: float
    """The least by which a candidate of it breaks the limits; 0 or less where one keeps them."""
    left: Mapping[str, Any]
    """What it left behind, as it is stored."""


class Ledger:
    """What all processes that share a search have worked out.

    Heartbeats as Optuna has them are for its own loop and not for ask-and-tell (documentation of
    ``RDBStorage``), and only for databases. Here a process on this machine is known to be gone when
    it is, and another one when it has taken far too long; either way others take up its blocks, and
    the worst that a wrong guess does is work done twice.

    Attributes
    ----------
    told : what the blocks came to that are worked out
    others : for each other program some candidates that it found for the same job
    taken_up : what was there when it was opened
    """

    def __init__(
        self, problem: Problem, space: Space, settings: Settings, how: str, *, proposing: bool
    ) -> None:
        self._space = space
        self._storage = open_storage(settings.storage)
        self.told: dict[int, Entry] = {}
        self._seen: set[int] = set()
        self._claims: dict[int, optuna.Trial] = {}
        self._since: dict[int, float] = {}
        """When a trial of another process was first seen under way."""
        self._longest_s = 0.0
        # Machines may share a name; the number is that of the network card.
        self._me = f"{socket.gethostname()} {uuid.getnode():x} {os.getpid()}"
        name = f"stagefront-{problem.fingerprint}-{program()}-{space.block_size}-{how}"
        self._study = optuna.create_study(
            study_name=name,
            directions=["minimize"] * len(problem.free),
            storage=self._storage.optuna,
            load_if_exists=True,
        )
        for key, value in {"program": program(), "job": _job(problem)}.items():
            if key not in self._study.user_attrs:
                with suppress(StorageInternalError):  # another has set it at the same time
                    self._study.set_user_attr(key, value)
        under_way = self.collect()
        self._strays = {t.number for t in under_way if _WORKER not in t.user_attrs}
        """Trials that were asked for by processes killed before they could sign them."""
        self.others = self._of_other_programs(problem) if proposing else {}
        self.taken_up = TakenUp(
            candidates=len(self.told) * space.block_size,
            blocks=len(self.told),
            unfinished=sum(self._is_gone(t) for t in under_way),
            proposals={who: len(next(iter(parts.values()))) for who, parts in self.others.items()},
            damaged=tuple(self._storage.damaged),
        )

    def collect(self) -> list[FrozenTrial]:
        """Take up what others have told, and return the trials under way."""
        under_way = []
        for trial in self._study.get_trials(deepcopy=False):
            if trial.state == TrialState.RUNNING:
                under_way.append(trial)
            if trial.state != TrialState.COMPLETE or trial.number in self._seen:
                continue
            self._seen.add(trial.number)
            block, entry = self._block(trial), self._entry(trial)
            if block is not None and entry is not None:
                self.told.setdefault(block, entry)
        return under_way

    def _entry(self, trial: FrozenTrial) -> Entry | None:
        """Return what a trial says its block came to; None where damage has taken some of it."""
        left = trial.user_attrs.get(_LEFT, {})
        try:
            for name in ("serious", "nearest"):
                rows_of(left.get(name), self._space)
        except ValueError:
            return None
        if not trial.constraints:
            return None
        return Entry(trial.values, float(next(iter(trial.constraints.values()))), left)

    def claim(self, blocks: Sequence[int], most: int) -> list[int]:
        """Return some of the blocks, none of them told, for this process to work out now.

        None where others are at work on all of them; it then has waited a little.
        """
        taken = self._taken(self.collect())
        free = [block for block in blocks if block not in taken and block not in self.told]
        self._study.sampler = PlannedSampler(self._space, iter(free[:most]))
        for block in free[:most]:
            try:
                trial = self._study.ask(distributions(self._space))
                trial.set_user_attr(_WORKER, self._me)
            except UpdateFinishedTrialError:
                continue  # taken for gone in between
            self._claims[block] = trial
        if self._storage.optuna is not None:
            # Of those who have asked for a block at the same time the first has it.
            taken = self._taken(self.collect())
            for block in [b for b in self._claims if taken.get(b, self._me) != self._me]:
                self._give_up(self._claims.pop(block))
            if not self._claims:
                time.sleep(_PAUSE_S)
        self._started = time.monotonic()
        return list(self._claims)

    def tell(self, block: int, entry: Entry) -> None:
        """Tell what a claimed block came to; from then on others know it."""
        self._longest_s = max(self._longest_s, time.monotonic() - self._started)
        # First, so that it counts even where Ctrl-C keeps it from being written.
        self.told[block] = entry
        trial = self._claims[block]
        # Another may have taken this process for gone, and has told it.
        with suppress(UpdateFinishedTrialError, ValueError):
            trial.set_user_attr(_LEFT, entry.left)
            trial.set_constraint("limits", entry.limit)
            self._study.tell(trial, entry.losses)
        self._seen.add(trial.number)
        del self._claims[block]

    def sync(self) -> None:
        """Wait until everything told is on the disk."""
        self._storage.sync()

    def close(self) -> None:
        """Give up what this process has claimed, and what killed ones have claimed and is told."""
        for own in self._claims.values():
            self._give_up(own)
        self._claims.clear()
        for trial in self.collect():
            block = self._block(trial)
            stray = trial.number in self._strays and _WORKER not in trial.user_attrs
            if stray or (block in self.told and self._is_gone(trial)):
                self._give_up(trial.number)

    def _give_up(self, trial: optuna.Trial | int) -> None:
        with suppress(UpdateFinishedTrialError):  # its own process may be quicker
            self._study.tell(trial, state=TrialState.FAIL, skip_if_finished=True)

    def _taken(self, under_way: Iterable[FrozenTrial]) -> dict[int, str]:
        """Return the blocks that are being worked on, and by which process."""
        taken: dict[int, str] = {}
        for trial in under_way:
            block = self._block(trial)
            if block is not None and _WORKER in trial.user_attrs and not self._is_gone(trial):
                taken.setdefault(block, trial.user_attrs[_WORKER])
        return taken

    def _block(self, trial: FrozenTrial) -> int | None:
        """Return the block of a trial; None where its process was killed before it said so."""
        names = distributions(self._space).keys()
        return block_of(self._space, trial.params) if trial.params.keys() == names else None

    def _is_gone(self, trial: FrozenTrial) -> bool:
        """Return whether the process that a trial under way belongs to does not run any more."""
        worker = trial.user_attrs.get(_WORKER, "")
        if worker == self._me:
            return trial.number not in {own.number for own in self._claims.values()}
        place, _, number = worker.rpartition(" ")
        if place == self._me.rpartition(" ")[0] and not _runs(int(number)):
            return True
        now = time.monotonic()
        lease_s = max(_LEAST_LEASE_S, _WAVES * self._longest_s)
        return now - self._since.setdefault(trial.number, now) > lease_s

    def _of_other_programs(self, problem: Problem) -> dict[str, Parts]:
        """Return what searches of the same job by other programs found, for each program."""
        if self._storage.optuna is None:
            return {}
        same = f"stagefront-{problem.fingerprint}-"
        found: dict[str, list[Parts]] = {}
        for name in optuna.get_all_study_names(self._storage.optuna):
            if not name.startswith("stagefront-") or f"-{program()}-" in name:
                continue
            study = optuna.load_study(study_name=name, storage=self._storage.optuna)
            if name.startswith(same) or study.user_attrs.get("job") == _job(problem):
                own = found.setdefault(study.user_attrs.get("program", "an earlier version"), [])
                own += self._candidates(study)
        joined = {
            who: {c.part: np.concatenate([p[c.part] for p in own]) for c in self._space.choices}
            for who, own in found.items()
            if own
        }
        counts = {who: len(next(iter(parts.values()))) for who, parts in joined.items()}
        step = max(1, -(-sum(counts.values()) // _MOST_PROPOSALS))
        return {who: {n: a[::step] for n, a in parts.items()} for who, parts in joined.items()}

    def _candidates(self, study: optuna.Study) -> Iterator[Parts]:
        """Yield the candidates that a study kept of each block, if it has the same blocks."""
        for trial in study.get_trials(deepcopy=False, states=(TrialState.COMPLETE,)):
            if trial.distributions != distributions(self._space):
                continue
            with suppress(ValueError):
                rows = rows_of(trial.user_attrs.get(_LEFT, {}).get("serious"), self._space)
                yield self._space.parts(block_of(self._space, trial.params), rows)


def text_of(rows: IntArray) -> str:
    """Return rows of a block as they are stored.

    As text a row takes some six bytes in the storage and in memory, where it lies throughout a
    search; as a list it took forty.
    """
    return " ".join(map(str, rows.tolist()))


def rows_of(text: object, space: Space) -> IntArray:
    """Return the rows of a block from what :func:`text_of` made of them.

    Raises
    ------
    ValueError
        If the text is damaged.
    """
    rows = [int(row) for row in text.split()] if isinstance(text, str) else [-1]
    if not all(0 <= row < space.block_size for row in rows):
        raise ValueError(f"rows: {text!r}: must be numbers below {space.block_size}")
    return np.array(rows, np.intp)


def _job(problem: Problem) -> str:
    """Return a short hash of what the brief alone says, whatever tables say of its devices."""
    return replace(problem, identity={"brief": problem.identity.get("brief")}).fingerprint


def _runs(process: int) -> bool:
    """Return whether a process of this machine runs; of Windows it is not known."""
    if sys.platform == "win32":
        return True
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except OSError:
        pass  # it is another user's
    return True
