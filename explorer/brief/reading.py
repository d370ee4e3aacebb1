"""Reads the files of a brief: text, and TOML with the faulty line quoted."""

from __future__ import annotations

from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Any

from explorer.brief.errors import BriefError
from objectives import user_files
from objectives.checks import InputError


def read_text(path: Path | Traversable, kind: str) -> str:
    """Return the text of a file; ``kind`` says what it should hold: ``TOML``.

    Raises
    ------
    BriefError
        If the file cannot be read, is not UTF-8 text, or is too long.
    """
    try:
        return user_files.read_text(path, kind)
    except InputError as error:
        raise BriefError([error], str(path)) from None


def read_toml(text: str, source: str) -> dict[str, Any]:
    """Return what TOML text says.

    Raises
    ------
    BriefError
        If it is not TOML, the line quoted; or if something in it is beyond a bound.
    """
    try:
        return user_files.read_toml(text)
    except InputError as error:
        raise BriefError([error], source) from None
