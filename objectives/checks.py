"""Bad input, named: which field, what it holds, and what is allowed there."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Mapping

import numpy as np
from numpy.typing import ArrayLike


class Written(str):
    """A value that is shown as it stands, without quotes."""

    __slots__ = ()

    def __repr__(self) -> str:
        return str(self)


_LONGEST_SHOWN = 200
"""Characters of a value that a message shows: the paths of files are longer than numbers."""

_LONGEST_GUESSED = 100
"""Characters of a name that a closest one is looked for: that takes quadratic time."""


def shown(value: object) -> str:
    """Return a value as messages show it, cut short unless it is :class:`Written`."""
    if isinstance(value, Mapping):
        keys = [*value][:10]
        return "{" + ", ".join(f"{str(key)[:_LONGEST_SHOWN]} = …" for key in keys) + "}"
    if isinstance(value, int) and value.bit_length() > 64:
        return "a whole number beyond 64 bits"
    text = repr(value)
    return (
        text
        if isinstance(value, Written) or len(text) <= _LONGEST_SHOWN
        else text[: _LONGEST_SHOWN - 3] + "…"
    )


class InputError(ValueError):
    """Something that a user gave cannot be.

    Attributes
    ----------
    field : name of what is wrong, as the user wrote it where possible: ``parts.stopper.from``
    value : what it holds
    allowed : what it may hold, in words: ``must be more than 0``
    """

    def __init__(self, field: str, value: object, allowed: str) -> None:
        super().__init__(f"{field}: {shown(value)}: {allowed}")
        self.field, self.value, self.allowed = field, value, allowed


def require(field: str, value: ArrayLike, good: ArrayLike, allowed: str) -> None:
    """Check a number, or every number of an array, by whether each is good (the two broadcast).

    ``allowed`` is what is allowed, after "must be": ``"more than 0"``.

    Raises
    ------
    InputError
        Naming the field and the first value that may not be.
    """
    fine = np.asarray(good, bool)
    if not fine.all():
        values, fine = np.broadcast_arrays(np.asarray(value), fine)
        raise InputError(field, values[~fine].ravel()[0].item(), f"must be {allowed}")


def did_you_mean(name: str, known: Iterable[str]) -> str:
    """Return a hint at the known name closest to a misspelt one, or nothing: ``; did you mean x?``.

    Upper and lower case count as the same letter.
    """
    if len(name) > _LONGEST_GUESSED:
        return ""
    spelled = {entry.casefold(): entry for entry in known}
    close = difflib.get_close_matches(name.casefold(), spelled, n=1, cutoff=0.5)
    return f"; did you mean {spelled[close[0]]}?" if close else ""


def one_of(field: str, name: str, known: Iterable[str]) -> None:
    """Check that a name is one of those known.

    Raises
    ------
    InputError
        If it is not; the message lists what is known and hints at the closest.
    """
    names = tuple(known)
    if name not in names:
        hint = did_you_mean(name, names)
        raise InputError(field, name, f"must be one of {', '.join(names)}{hint}")
