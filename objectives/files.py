"""Files that are written whole or not at all: beside their place first, then moved in."""

from __future__ import annotations

import os
import shutil
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Final

_OLD_S: Final = 3600.0
"""No draft takes so long."""


@contextmanager
def drafts(folder: str | Path) -> Iterator[Path]:
    """Give a folder to write files in, and at the end move each to its place in ``folder``.

    A reader never meets half a file, and an error leaves all files in ``folder`` as they were. A
    file that takes the place of another keeps its permissions. ``folder`` must exist; folders
    within it are made as they are needed.

    Raises
    ------
    OSError
        If the folder does not exist or cannot be written to.
    """
    folder = Path(folder)
    for left in folder.glob(".draft-*"):  # by a process that was killed
        with suppress(FileNotFoundError):
            if time.time() - left.stat().st_mtime > _OLD_S:
                shutil.rmtree(left, ignore_errors=True)
    with tempfile.TemporaryDirectory(prefix=".draft-", dir=folder) as name:
        yield Path(name)
        for file in sorted(path for path in Path(name).rglob("*") if path.is_file()):
            place = folder / file.relative_to(name)
            place.parent.mkdir(parents=True, exist_ok=True)
            if place.exists():
                file.chmod(place.stat().st_mode)
            with file.open("rb") as stream:
                os.fsync(stream.fileno())  # a power cut must not leave an empty file
            file.replace(place)
