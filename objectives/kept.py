"""What takes long to make and always comes out the same, kept in the user's folder for caches."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from contextlib import suppress
from typing import Final

import platformdirs

from objectives.files import drafts

_DIGEST: Final = 32

_FORMAT: Final = "1"
"""Raised whenever code of ours that makes something that is kept changes what comes out."""


def kept(name: str, make: Callable[[], bytes]) -> bytes:
    """Return what ``make`` gives, from a file of this name where there is a sound one.

    The name must hold all that it depends on, the versions of the libraries that make it too. Where
    the folder cannot be written, it is made each time. The folder may be deleted at any time.
    """
    folder = platformdirs.user_cache_path("stagefront", appauthor=False, version=_FORMAT)
    with suppress(OSError):
        whole = (folder / name).read_bytes()
        if hashlib.sha256(whole[_DIGEST:]).digest() == whole[:_DIGEST]:
            return whole[_DIGEST:]
    made = make()
    with suppress(OSError):
        folder.mkdir(parents=True, exist_ok=True)
        with drafts(folder) as draft:
            (draft / name).write_bytes(hashlib.sha256(made).digest() + made)
    return made
