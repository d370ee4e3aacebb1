"""Standard output and standard error that bear any encoding, and a reader that has left."""

from __future__ import annotations

import codecs
import io
import os
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from types import MappingProxyType
from typing import Final, TextIO

STANDARD_OUTPUT: Final = "standard output"

# What the program writes beyond ASCII; anything else is a user's, and is shown by its number.
_PLAIN: Final[Mapping[str, str]] = MappingProxyType(
    {"Ω": "ohm", "µ": "u", "μ": "u", "°": "deg", "−": "-", "–": "-", "—": "-", "×": "x", "·": "*"}
    | {"±": "+/-", "√": "sqrt ", "∞": "inf", "≤": "<=", "≥": ">=", "≈": "about", "→": "->"}
    | {"…": "...", "\u00a0": " ", "\u202f": " ", "²": "^2", "½": "1/2", "¼": "1/4", "′": "'"}
    | {"‘": "'", "’": "'", "“": '"', "”": '"', "█": "#", "━": "-", "╸": "-", "╺": "-", "•": "*"}
)


def _plainly(error: UnicodeError) -> tuple[str, int]:
    """Return what stands for characters that an encoding does not have."""
    if not isinstance(error, UnicodeEncodeError):
        raise error
    beyond = error.object[error.start : error.end]
    text = "".join(_PLAIN.get(c) or c.encode("ascii", "backslashreplace").decode() for c in beyond)
    return text, error.end


codecs.register_error("plainly", _plainly)


class _Stream(io.TextIOWrapper):
    """Text that goes to the terminal or to the next program.

    A reader that has left (``| head -1``) has seen enough: it is told no more, but what was asked
    for is done to its end, and the exit code says how that went.
    """

    def write(self, text: str, /) -> int:
        """Write a text."""
        with self._naming_itself():
            super().write(text)
        return len(text)

    def flush(self) -> None:
        """Pass on what is written."""
        with self._naming_itself():
            super().flush()

    @contextmanager
    def _naming_itself(self) -> Iterator[None]:
        try:
            yield
        except BrokenPipeError:
            os.dup2(os.open(os.devnull, os.O_WRONLY), self.fileno())
        except OSError as error:
            error.filename = STANDARD_OUTPUT
            raise


@contextmanager
def bearing_anything() -> Iterator[None]:
    """Make standard output and error bear any character, and a reader that has left."""
    usual = sys.stdout, sys.stderr
    sys.stdout, sys.stderr = map(_bearing, usual)
    try:
        yield
    finally:
        owns = sys.stderr, sys.stdout
        sys.stdout, sys.stderr = usual
        for own in owns:
            if isinstance(own, _Stream):
                own.detach()  # what it is written to is still the other's


def _bearing(stream: TextIO) -> TextIO:
    if not isinstance(stream, io.TextIOWrapper):
        return stream
    lines, through = stream.line_buffering, stream.write_through
    return _Stream(
        stream.buffer, stream.encoding, "plainly", line_buffering=lines, write_through=through
    )


def speaks_unicode() -> bool:
    """Return whether standard output has every character."""
    encoding = getattr(sys.stdout, "encoding", None) or "utf-8"
    return encoding.lower().startswith("utf")
