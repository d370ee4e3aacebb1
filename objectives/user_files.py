"""Reads the files of a user within bounds: text, TOML and CSV.

What is beyond a bound is refused before it is worked on, so that no file takes more than a few
seconds or a few hundred megabytes to be read. The bounds lie a hundred times beyond the largest
file that the program comes with, or more (its table of valves has 74,000 characters and lists of
63 entries; the deepest value of a table stands 7 levels down).
"""

from __future__ import annotations

import csv
import re
import tomllib
from collections.abc import Mapping
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Any, Final

from objectives.checks import InputError, Written

MOST_CHARACTERS: Final = 2_000_000
"""In a file."""
LONGEST_TEXT: Final = 10_000
"""Characters of a value of TOML, or of a line of CSV."""
LONGEST_LIST: Final = 4_000
"""Entries of a list or keys of a table of TOML."""
MOST_LINES: Final = 20_000
"""Of a CSV file."""
DEEPEST: Final = 16
"""Tables and lists within each other in TOML."""

# Python's reader takes quadratic time for a key of many parts: 20 s for 32,000.
_LONG_KEY: Final = re.compile(
    r"""(?:\.[ \t]*(?:"[^"\n]*"|'[^'\n]*'|[\w-]+)[ \t]*){%d}""" % DEEPEST  # noqa: UP031
)


def read_text(path: str | Path | Traversable, kind: str) -> str:
    """Return the text of a file; ``kind`` says what it should hold: ``TOML``.

    Raises
    ------
    InputError
        If the file cannot be read, is not UTF-8 text, or is too long.
    """
    source = Path(path) if isinstance(path, str) else path
    try:
        str(path).encode()  # it stands in messages and reports
        with source.open(encoding="utf-8-sig") as stream:
            text = stream.read(MOST_CHARACTERS + 1)
    except UnicodeDecodeError:
        allowed = f"not UTF-8 text: expected {kind}"
    except UnicodeEncodeError:
        allowed = f"its name is not UTF-8 text: expected a readable {kind} file"
    except (OSError, ValueError) as error:  # ValueError: a name that no file can have
        reason = (getattr(error, "strerror", None) or str(error)).lower()
        allowed = f"{reason}: expected a readable {kind} file"
    else:
        if len(text) <= MOST_CHARACTERS:
            return text
        allowed = f"too long: expected {kind} of at most {MOST_CHARACTERS:,} characters"
    raise InputError("file", Written(repr(str(path))), allowed)


def read_toml(text: str) -> dict[str, Any]:
    """Return what TOML text says.

    Raises
    ------
    InputError
        If it is not TOML, the line quoted; or if something in it is beyond a bound.
    """
    if key := _LONG_KEY.search(text):
        number = text.count("\n", 0, key.start()) + 1
        raise InputError(f"line {number}", Written("a key"), f"expected at most {DEEPEST} parts")
    try:
        document = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        reason, _, place = str(error).partition(" (at ")
    except RecursionError:
        reason, place = f"brackets nested too deep, expected at most {DEEPEST} levels", ""
    except ValueError:  # Python refuses to read so many digits
        reason, place = "a number of thousands of digits", ""
    else:
        require_bounded(document)
        return document
    match = re.search(r"line (\d+), column (\d+)", place)
    if match is None:
        where = "end of file" if place else "file"
        raise InputError(where, Written(reason), "expected TOML")
    lines = text.splitlines()
    number = int(match[1])
    quoted = lines[number - 1].strip() if number <= len(lines) else ""
    raise InputError(match[0], quoted, f"{reason}: expected TOML")


def require_bounded(document: Mapping[str, Any]) -> None:
    """Check the size of everything in a document of TOML, or of the same shape.

    Raises
    ------
    InputError
        Naming the path of what is too deep, too long or too great.
    """
    left: list[tuple[str, int, Any]] = [("", 0, document)]
    while left:
        path, depth, value = left.pop()
        count = len(value) if isinstance(value, Mapping | list | tuple | str) else 0
        if isinstance(value, str):
            if count > LONGEST_TEXT:
                shown = Written(f"{count:,} characters")
                raise InputError(path, shown, f"expected text of at most {LONGEST_TEXT:,}")
        elif isinstance(value, int) and not -(2**63) <= value < 2**63:
            allowed = "expected a number of 64 bits; write 1e24 for a greater one"
            raise InputError(path, Written("a whole number beyond these"), allowed)
        elif count > LONGEST_LIST:
            shown = Written(f"{count:,} entries")
            raise InputError(path, shown, f"expected at most {LONGEST_LIST:,}")
        elif count and depth == DEEPEST:
            shown = Written("nested deeper")
            raise InputError(path, shown, f"expected at most {DEEPEST} levels")
        elif isinstance(value, Mapping):
            left += (
                (f"{path}.{key}".removeprefix("."), depth + 1, own) for key, own in value.items()
            )
        elif count:
            left += ((f"{path}[{at}]", depth + 1, own) for at, own in enumerate(value, start=1))


def csv_rows(text: str) -> list[tuple[int, list[str]]]:
    """Return the lines of CSV text, each with its number and its cells, stripped.

    Empty lines, with or without commas, and lines that start with ``#`` are left out.

    Raises
    ------
    InputError
        If a quote is left open at the end of its line, or lines are too many or too long.
    """
    rows: list[tuple[int, list[str]]] = []
    for number, line in enumerate(text.split("\n"), start=1):
        if not line.strip() or line.lstrip().startswith("#"):
            continue
        if len(line) > LONGEST_TEXT:
            shown = Written(f"{len(line):,} characters")
            raise InputError(f"line {number}", shown, f"expected at most {LONGEST_TEXT:,}")
        if len(rows) == MOST_LINES:
            raise InputError("file", Written("too long"), f"expected at most {MOST_LINES:,} lines")
        try:
            cells = next(csv.reader([line], skipinitialspace=True, strict=True))
        except csv.Error:
            allowed = "a quote is not closed, or not at the end of its cell: expected CSV"
            raise InputError(f"line {number}", line, allowed) from None
        if any(cell.strip() for cell in cells):
            rows.append((number, [cell.strip() for cell in cells]))
    return rows
