"""Where a search is stored: a journal file that survives a kill, or a database URL."""

from __future__ import annotations

import json
import os
import re
import sys
import time
from collections.abc import Callable, Generator, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Any, Final, NamedTuple

from optuna.storages import BaseStorage, JournalStorage, get_storage
from optuna.storages.journal import JournalFileBackend

from explorer.settings import Settings
from objectives.checks import InputError

if sys.platform != "win32":
    import fcntl

_STARTS: Final = b'{"op_code":'

_PAUSES_S: Final = (0.1, 0.3, 1.0, 3.0)
"""Pauses between attempts at an empty database in which others make the same tables."""


class Storage(NamedTuple):
    """An open storage."""

    optuna: BaseStorage | None
    """None: in memory."""
    sync: Callable[[], None] = lambda: None
    """Makes what is written safe from a power cut."""
    damaged: Sequence[int] = ()
    """Numbers, from 1, of lines of the file that could not be read whole; it grows as they are."""


class _Journal(JournalFileBackend):
    """Optuna's journal, one record a line, for processes that may be killed while they write.

    Optuna's own lock outlives a killed process and stalls the next one for half a minute; it syncs
    the disk on each of a trial's ten lines; and a line that was cut off makes the file unreadable
    once another process has added to it. Here the lock ends with the process that holds it; what is
    written is safe from a kill at once, and :meth:`sync`, once a batch, makes it safe from a power
    cut too; every process leaves out the same damaged lines, and reads all others.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self.damaged: list[int] = []
        self._read = [(0, 0)]
        """After so many records: bytes and lines."""
        path.parent.mkdir(parents=True, exist_ok=True)
        super().__init__(str(path))  # makes it where it is missing
        with path.open("rb") as file:
            if not _STARTS.startswith(file.read(len(_STARTS))):
                raise ValueError("it holds something else")
        with self._appending():
            pass  # it can be written

    def read_logs(self, log_number_from: int) -> Generator[dict[str, Any], None, None]:
        """Yield the records from a number on, up to a line that is still being written."""
        offset, number = self._read[log_number_from]
        del self._read[log_number_from + 1 :]
        with self._path.open("rb") as file:
            file.seek(offset)
            for line in file:
                if not line.endswith(b"\n"):
                    return
                offset, number = offset + len(line), number + 1
                record, whole = _record(line)
                if not whole:
                    self._note_damage(number)
                if record is not None:
                    self._read.append((offset, number))
                    yield record

    def append_logs(self, logs: list[dict[str, Any]]) -> None:
        if sys.platform == "win32":
            super().append_logs(logs)
            return
        text = "".join(json.dumps(log, separators=(",", ":")) + "\n" for log in logs)
        with self._appending() as file:
            file.write(text.encode())

    def sync(self) -> None:
        """Wait until everything written is on the disk."""
        with self._appending() as file:
            os.fsync(file.fileno())

    @contextmanager
    def _appending(self) -> Iterator[IO[bytes]]:
        """Open the file for one process alone, without a last line that was never finished.

        A full disk, of which Python does not say where, is given the file's name.
        """
        try:
            with self._path.open("a+b") as file:
                if sys.platform != "win32":
                    fcntl.flock(file, fcntl.LOCK_EX)  # closing the file releases it
                if file.seek(0, os.SEEK_END):
                    file.seek(-1, os.SEEK_END)
                    if file.read() != b"\n":
                        file.seek(0)
                        text = file.read()
                        self._note_damage(text.count(b"\n") + 1)
                        file.truncate(text.rfind(b"\n") + 1)
                yield file
        except OSError as error:
            error.filename = error.filename or str(self._path)
            raise

    def _note_damage(self, line: int) -> None:
        if line not in self.damaged:
            self.damaged.append(line)


def _record(line: bytes) -> tuple[dict[str, Any] | None, bool]:
    """Return the record of a line, None where there is none, and whether it is all of the line.

    Behind a line that was cut off may stand a whole one, which another process has added.
    """
    for at in (0, line.rfind(_STARTS)):
        try:
            record = json.loads(line[max(at, 0) :])
        except ValueError:
            continue
        if isinstance(record, dict) and isinstance(record.get("op_code"), int):
            return record, at == 0
    return None, False


def open_storage(where: str | Path | None) -> Storage:
    """Open the storage that settings state."""
    if where is None:
        return Storage(None)
    if _is_url(where):
        return Storage(_database(str(where)))  # it syncs by itself
    journal = _Journal(Path(where))
    return Storage(JournalStorage(journal), journal.sync, journal.damaged)


def _is_url(where: str | Path | None) -> bool:
    return isinstance(where, str) and "://" in where


def _database(url: str) -> BaseStorage:
    """Open a database; of several that come to an empty one at once each but one tries again."""
    from sqlalchemy.exc import DBAPIError  # a fifth of a second, for databases alone

    if url.startswith("postgresql://"):
        url = url.replace("://", "+psycopg://", 1)  # the driver of the extra
    for pause_s in _PAUSES_S:
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
        if isinstance(error, InputError) or (
            isinstance(error, OSError) and not isinstance(error, _NO_FILE)
        ):
            raise
        hidden = re.compile(r"(?<=://)([^:/@\s]*):[^@\s]*@")
        shown, reason = (hidden.sub(r"\1:***@", str(t)) for t in (settings.storage, error))
        reason = reason.partition("\n")[0]
        if not _is_url(settings.storage):
            allowed = f"must be a writable file of this program, or a database URL ({reason})"
        elif _lacks_driver(error):
            allowed = 'needs the extra "postgresql": pip install "stagefront[postgresql]"'
        else:
            allowed = f"must be the URL of a database that can be reached and written ({reason})"
        raise InputError("search.storage", shown, allowed) from error


def _lacks_driver(error: BaseException | None) -> bool:
    """Return whether a driver of the extra is what was missing, there or on the way."""
    while error is not None:
        if isinstance(error, ImportError) and (error.name or "").startswith("psycopg"):
            return True
        error = error.__cause__ or error.__context__
    return False
