"""Where a search is stored: a journal file that survives a kill, or a database URL."""

from __future__ import annotations

import json
import os
import re
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Any

from optuna.storages import BaseStorage, JournalStorage, get_storage
from optuna.storages.journal import JournalFileBackend
from sqlalchemy.exc import DBAPIError

from explorer.settings import Settings
from objectives.checks import InputError

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
        with self._appending() as file:
            fcntl.flock(file, fcntl.LOCK_EX)  # closing the file releases it
            file.write(text.encode())

    def sync(self) -> None:
        """Wait until everything written is on the disk."""
        with self._appending() as file:
            os.fsync(file.fileno())

    @contextmanager
    def _appending(self) -> Iterator[IO[bytes]]:
        """Open the file; a full disk, of which Python does not say where, is given the name."""
        try:
            with self._path.open("ab") as file:
                yield file
        except OSError as error:
            error.filename = error.filename or str(self._path)
            raise


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


def open_storage(where: str | Path | None) -> tuple[BaseStorage | None, Callable[[], None]]:
    """Return the storage, and what makes it safe from a power cut."""
    if where is None:
        return None, lambda: None
    if isinstance(where, str) and "://" in where:
        return _database(where), lambda: None  # a database syncs by itself
    journal = _Journal(Path(where))
    return JournalStorage(journal), journal.sync


def _database(url: str) -> BaseStorage:
    """Open a database; of several that come to an empty one at once each but one tries again."""
    if url.startswith("postgresql://"):
        url = url.replace("://", "+psycopg://", 1)  # the driver of the extra
    for pause_s in (0.1, 0.3, 1.0):
        try:
            return get_storage(url)
        except DBAPIError:
            time.sleep(pause_s)
    return get_storage(url)


_NO_FILE = (FileExistsError, IsADirectoryError, NotADirectoryError)


@contextmanager
def naming_storage(settings: Settings, *kinds: type[Exception]) -> Iterator[None]:
    """Turn errors of these kinds into bad input that names the storage, without its password.

    A full disk or a place that cannot be written is not bad input: such an OSError is left as it
    is.
    """
    try:
        yield
    except kinds as error:
        if isinstance(error, OSError) and not isinstance(error, _NO_FILE):
            raise
        hidden = re.compile(r"(?<=://)([^:/@\s]*):[^@\s]*@")
        shown, reason = (hidden.sub(r"\1:***@", str(t)) for t in (settings.storage, error))
        raise InputError(
            "search.storage",
            shown,
            f"must be a writable file of this program or a database URL ({reason})",
        ) from error
