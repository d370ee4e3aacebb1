"""A design: one value for every part of a brief, the existing stage that is assessed."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Any, Final

import numpy as np
from pydantic import ValidationError

from explorer.brief.errors import NOT_GIVEN, BriefError, errors_of
from explorer.brief.model import Brief
from explorer.brief.reading import read_text, read_toml
from objectives.arrays import FloatArray
from objectives.checks import InputError, did_you_mean
from objectives.elements import ELEMENTS


@dataclass(frozen=True)
class Design:
    """One value for every part of a brief: a concrete stage in the brief's surroundings."""

    parts: Mapping[str, float]
    """Value (SI units) of every part of the brief, and of what is chosen around it, by key."""
    leak_at_grid: bool = False
    """Whether the grid leak is on the grid side of the stopper."""
    device: int | None = None
    """Number of the valve among those that the brief lists; None where it names one."""
    title: str = ""

    def stage_fields(self) -> dict[str, float]:
        """Return the values by field of ``objectives.stage.Stage``, with ``leak_at_grid``."""
        fields = {_BY_KEY[key].name: value for key, value in self.parts.items()}
        device = {} if self.device is None else {"device": float(self.device)}
        return {**fields, **device, "leak_at_grid": float(self.leak_at_grid)}

    def batch(self) -> dict[str, FloatArray]:
        """Return the :meth:`stage_fields` as a batch of one candidate, each of shape (1,)."""
        return {name: np.array([value]) for name, value in self.stage_fields().items()}

    @classmethod
    def of(cls, brief: Brief, fields: Mapping[str, float]) -> Design:
        """Return the design with these fields of a stage; what the brief fixes may be left out."""
        parts = {
            choice.element.key: fields.get(choice.element.name, choice.ends()[0])
            for choice in brief.all_choices()
        }
        number = fields.get("device")
        return cls(
            MappingProxyType(parts),
            fields.get("leak_at_grid", brief.parts.leak.positions()[0]) > 0.5,
            None if number is None else int(number),
        )


_POSITION: Final = "grid_leak_position"
_BY_KEY: Final = {element.key: element for element in ELEMENTS.values()}


def load_design(path: str | Path, brief: Brief) -> Design:
    """Read a design from the ``[design]`` table of a TOML file.

    The table gives a value for each part by its key of ``[parts]``, and may give
    ``grid_leak_position`` and ``title``; a part the brief fixes may be left out.

    Raises
    ------
    BriefError
        If the file or a value is wrong, or a part is missing.
    """
    data = read_toml(read_text(Path(path), "TOML"), str(path))
    errors = [
        InputError(key, value, "unknown key; expected one table, [design]")
        for key, value in data.items()
        if key != "design"
    ]
    table = data.get("design", NOT_GIVEN)
    if errors or not isinstance(table, Mapping):
        if not isinstance(table, Mapping):
            allowed = "expected a table with a value for each part"
            errors.append(InputError("design", table, allowed))
        raise BriefError(errors, str(path))
    return _read_design(table, brief, str(path))


def parse_design(pairs: Iterable[str], brief: Brief, start: Design | None = None) -> Design:
    """Read a design from ``part=value`` pairs, as given on a command line.

    With a design to start from, what is not given stays as it is there.

    Raises
    ------
    BriefError
        If a pair or a value is wrong, or a part is missing.
    """
    table: dict[str, str] = {}
    errors = []
    for pair in pairs:
        name, mark, value = (text.strip() for text in pair.partition("="))
        if not mark or not name:
            errors.append(InputError("design", pair, "expected part=value, such as stopper=68k"))
        elif name in table:
            errors.append(InputError(f"design.{name}", value, "given twice: expected once"))
        else:
            table[name] = value
    if errors:
        raise BriefError(errors, "design")
    return _read_design(table, brief, "design", start)


def _read_design(
    table: Mapping[str, Any], brief: Brief, source: str, start: Design | None = None
) -> Design:
    choices = {choice.element.key: choice for choice in brief.all_choices()}
    valves = brief.devices if len(brief.devices) > 1 else ()
    known = (*choices, *(["valve"] if valves else []), _POSITION, "title")
    errors = [
        InputError(
            f"design.{key}",
            value,
            f"unknown part; expected one of {', '.join(known)}{did_you_mean(key, known)}",
        )
        for key, value in table.items()
        if key not in known
    ]
    parts: dict[str, float] = {}
    for name, choice in choices.items():
        if name in table:
            try:
                parts[name] = type(choice)(value=table[name]).ends()[0]
            except ValidationError as error:
                errors += [
                    InputError(f"design.{name}", own.value, own.allowed)
                    for own in errors_of(error, type(choice))
                ]
        elif start is not None:
            parts[name] = start.parts[name]
        elif choice.varied and not (name == "grid_leak" and len(choice.ends()) == 1):
            allowed = "required: the brief leaves it free"
            errors.append(InputError(f"design.{name}", NOT_GIVEN, allowed))
        else:
            parts[name] = choice.ends()[0]
    usual = brief.parts.leak.position
    if start is not None:
        usual = "after stopper" if start.leak_at_grid else "before stopper"
    position = table.get(_POSITION, usual)
    if position not in ("before stopper", "after stopper"):
        shown = table.get(_POSITION, NOT_GIVEN)
        allowed = "expected 'before stopper' or 'after stopper'"
        errors.append(InputError(f"design.{_POSITION}", shown, allowed))
    device = None if start is None else start.device
    if valves and ("valve" in table or device is None):
        wanted = table.get("valve", NOT_GIVEN)
        names = [name.casefold() for name in valves]
        if str(wanted).casefold() in names:
            device = names.index(str(wanted).casefold())
        else:
            errors.append(
                InputError("design.valve", wanted, f"expected one of {', '.join(valves)}")
            )
    title = table.get("title", "")
    if not isinstance(title, str):
        errors.append(InputError("design.title", title, "expected text in quotes"))
    if errors:
        raise BriefError(errors, source)
    return Design(MappingProxyType(parts), position == "after stopper", device, title)
