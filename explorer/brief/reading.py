"""Reads the files of a user: text, and TOML with the faulty line quoted."""

from __future__ import annotations

import re
import tomllib
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Any

from explorer.brief.errors import BriefError
from objectives.checks import InputError, Written


def read_text(path: Path | Traversable, kind: str) -> str:
    """Return the text of a file; ``kind`` says what it should hold: ``TOML``.

    Raises
    ------
    BriefError
        If the file cannot be read, or is not UTF-8 text.
    """
    try:
        return path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError:
        allowed = f"not UTF-8 text: expected {kind}"
    except (OSError, ValueError) as error:  # ValueError: a name that no file can have
        reason = (getattr(error, "strerror", None) or str(error)).lower()
        allowed = f"{reason}: expected a readable {kind} file"
    raise BriefError([InputError("file", str(path), allowed)], str(path))


def read_toml(text: str, source: str) -> dict[str, Any]:
    """Return what TOML text says.

    Raises
    ------
    BriefError
        If it is not TOML; the line is quoted.
    """
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        reason, _, place = str(error).partition(" (at ")
    except RecursionError:
        reason, place = "brackets nested too deep", ""
    match = re.search(r"line (\d+), column (\d+)", place)
    if match is None:
        raise BriefError([InputError("end of file", Written(reason), "expected TOML")], source)
    lines = text.splitlines()
    number = int(match[1])
    quoted = lines[number - 1].strip() if number <= len(lines) else ""
    raise BriefError([InputError(match[0], quoted, f"{reason}: expected TOML")], source)
