"""Files that are written whole or not at all: beside their place first, then moved in."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


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
