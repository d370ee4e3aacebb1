"""What can be wrong with a brief, and how it is said: one line a problem.

Checks of the models raise :class:`Faults`; :func:`problem_lines` turns what pydantic gathered of
them into lines ``field: value: what is allowed``, and :class:`BriefError` carries the lines out.
"""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Any, Final, get_args

from pydantic import BaseModel, ValidationError

from explorer.units import QuantityError

__all__ = [
    "ABSENT",
    "Bare",
    "BriefError",
    "Fault",
    "Faults",
    "did_you_mean",
    "problem_line",
    "problem_lines",
    "read_text",
    "read_toml",
]


class BriefError(ValueError):
    """A brief or design that cannot be used.

    Attributes:
        problems: one line each, ``field: value: what is allowed``. ``field`` is the dotted path
            in the file; tables of a list are counted from 1, as in ``targets.radio_bands[1].to``.
        source: the file or the name of the text.
    """

    def __init__(self, problems: Iterable[str], source: str = "brief") -> None:
        self.problems: tuple[str, ...] = tuple(problems)
        self.source = source
        super().__init__("\n".join([f"{source}:", *(f"  {line}" for line in self.problems)]))


@dataclass(frozen=True)
class Fault:
    """One thing that is wrong: its place below the checked table, its value, what is allowed."""

    where: tuple[str | int, ...]
    value: object
    expected: str


class Faults(ValueError):
    """Several problems found by one check, each with its place below the checked table."""

    def __init__(self, *problems: Fault) -> None:
        super().__init__("; ".join(problem.expected for problem in problems))
        self.problems = problems


ABSENT: Final = object()
"""Stands for the value of a key that is not given."""


class Bare(str):
    """A value already written as people write it, to be shown without quotes."""


def _shown(value: object) -> str:
    """Write a value as it stands in the file, cut short."""
    if value is ABSENT:
        return "not given"
    if isinstance(value, Bare):
        return value
    if isinstance(value, Mapping):
        return "{" + ", ".join(f"{key} = …" for key in value) + "}"
    if isinstance(value, bool):
        return "true" if value else "false"
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "…"


def _path(where: Iterable[str | int]) -> str:
    text = ""
    for step in where:
        text += f"[{step + 1}]" if isinstance(step, int) else f".{step}" if text else step
    return text or "brief"


def problem_line(where: Iterable[str | int], value: object, expected: str) -> str:
    """Return ``field: value: what is allowed``."""
    return f"{_path(where)}: {_shown(value)}: {expected}"


def did_you_mean(word: str, known: Iterable[str]) -> str:
    """Return ``"; did you mean 'x'?"`` with the known word that is closest, or nothing."""
    names = sorted(known)
    by_lower = {name.lower(): name for name in names}
    close = difflib.get_close_matches(word.lower(), by_lower, n=1, cutoff=0.6)
    return f"; did you mean {by_lower[close[0]]!r}?" if close else ""


def read_text(path: Path) -> str:
    """Return the text of a file.

    Raises:
        BriefError: the file cannot be read, or is not UTF-8 text.
    """
    try:
        return path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError:
        raise BriefError(
            [f"file: {str(path)!r}: not UTF-8 text: expected TOML"], str(path)
        ) from None
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise BriefError(
            [f"file: {str(path)!r}: {reason}: expected a readable TOML file"], str(path)
        ) from None


def read_toml(text: str, source: str) -> dict[str, Any]:
    """Return what TOML text says.

    Raises:
        BriefError: it is not TOML; the line is quoted.
    """
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        message = str(error)
        match = re.search(r"\(at line (\d+), column (\d+)\)", message)
        reason = message.split(" (at ")[0]
        if match is None:
            raise BriefError([f"end of file: {reason}: expected TOML"], source) from None
        number, column = int(match[1]), int(match[2])
        lines = text.splitlines()
        line = lines[number - 1].strip() if number <= len(lines) else ""
        raise BriefError(
            [f"line {number}, column {column}: {line!r}: {reason}: expected TOML"], source
        ) from None


def problem_lines(error: ValidationError, model: type[BaseModel]) -> list[str]:
    """Translate what pydantic found into lines ``field: value: what is allowed``."""
    lines: list[str] = []
    for found in error.errors(include_url=False):
        where = found["loc"]
        if where[:2] == ("limits", "windows"):
            where = ("limits", *where[2:])
        cause = found.get("ctx", {}).get("error")
        if isinstance(cause, Faults):
            lines += [problem_line((*where, *p.where), p.value, p.expected) for p in cause.problems]
        elif isinstance(cause, QuantityError):
            lines.append(problem_line(where, cause.value, f"expected {cause.allowed}"))
        elif found["type"] == "missing":
            lines.append(problem_line(where, ABSENT, "required" + _what(where, model)))
        elif found["type"] == "extra_forbidden":
            keys = _keys_at(where[:-1], model)
            hint = did_you_mean(str(where[-1]), keys)
            text = f"unknown key; expected one of {', '.join(keys)}{hint}"
            lines.append(problem_line(where, found["input"], text))
        else:
            lines.append(problem_line(where, found["input"], _plainly(found["type"], found["msg"])))
    return list(dict.fromkeys(lines))


_PLAIN: Final[Mapping[str, str]] = MappingProxyType(
    {
        "model_type": "expected a table",
        "string_type": "expected text in quotes",
        "bool_type": "expected true or false",
        "int_type": "expected a whole number",
        "tuple_type": "expected a list",
        "string_too_short": "expected text that is not empty",
    }
)


def _plainly(kind: str, message: str) -> str:
    text = message.removeprefix("Input should be ").replace("Value error, ", "")
    return _PLAIN.get(kind, f"expected {text}")


def _what(where: Sequence[str | int], model: type[BaseModel]) -> str:
    """Return ``": description"`` of the field at ``where``."""
    parent = _model_at(where[:-1], model)
    for name, field in parent.model_fields.items() if parent else ():
        if (field.alias or name) == where[-1] and field.description:
            return f": {field.description.rstrip('.')}"
    return ""


def _keys_at(where: Sequence[str | int], model: type[BaseModel]) -> list[str]:
    found = _model_at(where, model)
    if found is None:
        return []
    return [field.alias or name for name, field in found.model_fields.items()]


def _model_at(where: Sequence[str | int], model: type[BaseModel]) -> type[BaseModel] | None:
    """Return the model of the table at a path, or None."""
    here: type[BaseModel] | None = model
    for step in where:
        if isinstance(step, int) or here is None:
            continue
        fields = {field.alias or name: field for name, field in here.model_fields.items()}
        here = _model_in(fields[step].annotation) if step in fields else None
    return here


def _model_in(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    for argument in get_args(annotation):
        found = _model_in(argument)
        if found is not None:
            return found
    return None
