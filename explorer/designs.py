"""A design: one value for every part of a brief, the existing stage that is assessed."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Any, Final

from pydantic import ValidationError

from explorer.brief.errors import (
    ABSENT,
    BriefError,
    did_you_mean,
    problem_line,
    problem_lines,
    read_text,
    read_toml,
)
from explorer.brief.model import Brief
from explorer.brief.parts import PARTS

__all__ = ["Design", "load_design", "parse_design"]


@dataclass(frozen=True)
class Design:
    """One value for every part of a brief: a concrete stage in the brief's surroundings."""

    parts: Mapping[str, float]
    """Value (ohm or F) of every part of :data:`PARTS`, by key."""
    leak_at_grid: bool = False
    """Whether the grid leak is on the grid side of the stopper."""
    title: str = ""

    def stage_fields(self) -> dict[str, float]:
        """Return the values by field of ``objectives.stage.Stage``, with ``leak_at_grid``."""
        found = {PARTS[name].stage_field: value for name, value in self.parts.items()}
        return {**found, "leak_at_grid": float(self.leak_at_grid)}


_POSITION: Final = "grid_leak_position"


def load_design(path: str | Path, brief: Brief) -> Design:
    """Read a design from the ``[design]`` table of a TOML file.

    The table gives a value for each part by its key of ``[parts]``, and may give
    ``grid_leak_position`` and ``title``; a part the brief fixes may be left out.

    Raises:
        BriefError: the file or a value is wrong, or a part is missing.
    """
    file = Path(path)
    data = read_toml(read_text(file), str(path))
    problems = [
        problem_line((key,), value, "unknown key; expected one table, [design]")
        for key, value in data.items()
        if key != "design"
    ]
    table = data.get("design", ABSENT)
    if not isinstance(table, Mapping):
        problems.append(
            problem_line(("design",), table, "expected a table with a value for each part")
        )
    if problems:
        raise BriefError(problems, str(path))
    assert isinstance(table, Mapping)
    return _read_design(table, brief, str(path))


def parse_design(pairs: Iterable[str], brief: Brief) -> Design:
    """Read a design from ``part=value`` pairs, as given on a command line.

    Raises:
        BriefError: a pair or a value is wrong, or a part is missing.
    """
    table: dict[str, str] = {}
    problems = []
    for pair in pairs:
        name, mark, value = pair.partition("=")
        name = name.strip()
        if not mark or not name:
            problems.append(f"design: {pair!r}: expected part=value, such as stopper=68k")
        elif name in table:
            problems.append(f"design.{name}: {value.strip()!r}: given twice: expected once")
        else:
            table[name] = value.strip()
    if problems:
        raise BriefError(problems, "design")
    return _read_design(table, brief, "design")


def _read_design(table: Mapping[str, Any], brief: Brief, source: str) -> Design:
    known = (*PARTS, _POSITION, "title")
    problems = [
        problem_line(("design", key), value, f"unknown part; expected one of {', '.join(known)}")
        + did_you_mean(key, known)
        for key, value in table.items()
        if key not in known
    ]
    parts: dict[str, float] = {}
    for name, choice in brief.parts.items():
        if name in table:
            try:
                given = type(choice).model_validate({"value": table[name]})
            except ValidationError as error:
                lines = problem_lines(error, type(choice))
                problems += [f"design.{name}" + line.removeprefix("value") for line in lines]
            else:
                parts[name] = given.ends()[0]
        elif choice.varied and not (name == "grid_leak" and len(choice.ends()) == 1):
            problems.append(
                problem_line(("design", name), ABSENT, "required: the brief leaves it free")
            )
        else:
            parts[name] = choice.ends()[0]
    position = table.get(_POSITION, brief.parts.grid_leak.position)
    if position not in ("before stopper", "after stopper"):
        shown = table.get(_POSITION, ABSENT)
        expected = "expected 'before stopper' or 'after stopper'"
        problems.append(problem_line(("design", _POSITION), shown, expected))
    title = table.get("title", "")
    if not isinstance(title, str):
        problems.append(problem_line(("design", "title"), title, "expected text in quotes"))
    if problems:
        raise BriefError(problems, source)
    return Design(MappingProxyType(parts), position == "after stopper", title)
