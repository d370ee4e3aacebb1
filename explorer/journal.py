"""TODO explorer.journal."""

from __future__ import annotations

import json
import os
import re
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
from optuna.storages import BaseStorage, JournalStorage
from optuna.storages.journal import JournalFileBackend

from explorer.problem import Parts, Problem
from explorer.settings import Settings

if sys.platform != "win32":
    import fcntl

_JOURNAL_STARTS = b'{"op_code":'


class _Journal(JournalFileBackend):
    """Optuna's journal, but appended to under a lock that ends with the process that holds it.

    Optuna's own lock outlives a killed process and stalls the next one for half a minute, and it
    syncs the disk on each of a trial's ten lines. What is written is safe from a kill at once;
    :meth:`sync`, once a batch, makes it safe from a power cut too.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        path.parent.mkdir(parents=True, exist_ok=True)
        if path.exists():
            _mend(path)
        super().__init__(str(path))

    def append_logs(self, logs: list[dict[str, Any]]) -> None:
        if sys.platform == "win32":
            super().append_logs(logs)
            return
        text = "".join(json.dumps(log, separators=(",", ":")) + "\n" for log in logs)
        with self._path.open("ab") as file:
            fcntl.flock(file, fcntl.LOCK_EX)  # closing the file releases it
            file.write(text.encode())

    def sync(self) -> None:
        """Wait until everything written is on the disk."""
        with self._path.open("ab") as file:
            os.fsync(file.fileno())


def _mend(path: Path) -> None:
    """Cut off a last line that a power cut left unfinished; refuse a file of something else."""
    with path.open("r+b") as file:
        head = file.read(len(_JOURNAL_STARTS))
        if not _JOURNAL_STARTS.startswith(head):
            raise ValueError("it holds something else")
        if sys.platform != "win32":
            fcntl.flock(file, fcntl.LOCK_EX)
        file.seek(0)
        whole = file.read()
        file.truncate(whole.rfind(b"\n") + 1)


def _storage(where: str | Path | None) -> tuple[BaseStorage | str | None, Callable[[], None]]:
    """Return the storage, and what makes it safe from a power cut."""
    if where is None or (isinstance(where, str) and "://" in where):
        return where, lambda: None  # a database syncs by itself
    journal = _Journal(Path(where))
    return JournalStorage(journal), journal.sync


@contextmanager
def _storage_named(settings: Settings, *kinds: type[Exception]) -> Iterator[None]:
    """Say of any error of these kinds which storage it comes from, without its password."""
    try:
        yield
    except kinds as error:
        hidden = re.compile(r"(?<=://)([^:/@\s]*):[^@\s]*@")
        shown, reason = (hidden.sub(r"\1:***@", str(t)) for t in (settings.storage, error))
        raise ValueError(
            f"search.storage: {shown!r}: must be a writable file of this program or a database "
            f"URL ({reason})"
        ) from error


def _decode(problem: Problem, params: list[dict[str, float]]) -> Parts:
    """Return the part values of what Optuna proposed."""
    parts = {}
    for choice in problem.choices:
        raw = np.array([p[choice.part] for p in params])
        parts[choice.part] = (
            raw.astype(float) if choice.continuous else choice.values[raw.astype(np.intp)]
        )
    return parts
