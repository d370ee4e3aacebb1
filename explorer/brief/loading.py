"""Reads a brief: a TOML file, or one that is shipped, and the files that it names.

A brief says which valve, what supplies it, what drives the stage, what it drives, what is wanted,
which parts may vary and over which stock, and how each score is used. Everything wrong with it is
reported at once, in a :class:`BriefError`, one line a problem::

    parts.stopper.from: '22 uF': expected a resistance in Ω, such as 220k, 4k7, 2.2 MΩ, R47
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from explorer.brief.errors import BriefError, errors_of, line
from explorer.brief.model import Brief
from explorer.brief.reading import read_text, read_toml
from explorer.brief.shipped import shipped_briefs
from explorer.drawer import Drawer, read_drawer
from objectives.checks import InputError, did_you_mean
from objectives.devices.valve import Valve
from objectives.devices.valve_table import load_valves
from objectives.user_files import require_bounded


def shipped_brief_text(name: str) -> str:
    """Return the TOML text of a shipped brief.

    Raises
    ------
    BriefError
        If there is none of that name.
    """
    if name not in shipped_briefs():
        hint = did_you_mean(name, shipped_briefs())
        allowed = f"expected a file or one of {', '.join(shipped_briefs())}{hint}"
        raise BriefError([InputError("brief", name, allowed)], name)
    return (files("explorer") / "briefs" / f"{name}.toml").read_text(encoding="utf-8")


def load_brief(source: str | Path) -> Brief:
    """Read a brief from a TOML file, or a shipped brief by its name.

    Parameters
    ----------
    source :
        Path of a file, or one of :func:`shipped_briefs`. Paths inside the file are relative to its
        folder.

    Raises
    ------
    BriefError
        If the file is missing, is not TOML, or says something that cannot be.
    """
    path = Path(source)
    if isinstance(source, str) and source in shipped_briefs() and not path.is_file():
        return parse_brief(shipped_brief_text(source), files("explorer") / "briefs", source)
    if not path.exists() and path.suffix != ".toml" and len(path.parts) == 1:
        shipped_brief_text(str(source))
    return parse_brief(read_text(path, "TOML"), path.parent, str(source))


def folder_of(source: str) -> Traversable | Path:
    """Return the folder that relative paths in a brief start from, by where it was read."""
    shipped = source in shipped_briefs() and not Path(source).is_file()
    return files("explorer") / "briefs" if shipped else Path(source).parent


def parse_brief(
    text: str | Mapping[str, Any], folder: str | Path | Traversable = ".", source: str = "brief"
) -> Brief:
    """Read a brief from TOML text, or from a mapping of the same shape.

    Parameters
    ----------
    text :
        The text.
    folder :
        Folder that relative paths in it start from.
    source :
        Name used in messages.

    Raises
    ------
    BriefError
        With every problem found, one line each.
    """
    if isinstance(text, str):
        data: Mapping[str, Any] = read_toml(text, source)
    else:
        data = text
        try:
            require_bounded(data)
        except InputError as error:
            raise BriefError([error], source) from None
    base = Path(folder) if isinstance(folder, str) else folder
    drawers, errors = _open_drawers(data, base)
    valves, faulty = _open_valves(data, base)
    errors += faulty
    context = {"drawers": drawers, "valves": valves, "unread": bool(errors)}
    try:
        brief = Brief.model_validate(data, context=context)
    except ValidationError as error:
        raise BriefError([*errors, *errors_of(error, Brief)], source) from None
    if errors:
        raise BriefError(errors, source)
    brief._source = source
    brief._text = text if isinstance(text, str) else ""
    named = [*drawers, *([brief.valve_table] if brief.valve_table else [])]
    brief._named = {name: _beside(base, name).read_text("utf-8-sig") for name in named}
    return brief


def _beside(folder: Traversable, name: str) -> Traversable:
    """Return the file ``name``, relative to the folder of the brief."""
    return Path(name) if Path(name).is_absolute() else folder / name


def _open_drawers(
    data: Mapping[str, Any], folder: Traversable
) -> tuple[dict[str, Drawer], list[InputError]]:
    """Read each drawer that a brief names, once, by its name; a faulty one is told once."""
    drawers: dict[str, Drawer] = {}
    errors: dict[str, list[InputError]] = {}
    for field, name in _drawer_names(data):
        if name in drawers or name in errors:
            continue
        try:
            drawers[name] = read_drawer(_beside(folder, name))
        except BriefError as error:
            errors[name] = [InputError(field, name, line(own)) for own in error.errors]
    return drawers, [error for own in errors.values() for error in own]


def _drawer_names(table: Mapping[str, Any], path: str = "") -> Iterator[tuple[str, str]]:
    """Yield the path and the value of every key ``drawer``."""
    for key, value in table.items():
        if isinstance(value, Mapping):
            yield from _drawer_names(value, f"{path}{key}.")
        elif key == "drawer" and isinstance(value, str):
            yield f"{path}{key}", value


def _open_valves(
    data: Mapping[str, Any], folder: Traversable
) -> tuple[tuple[Valve, ...], list[InputError]]:
    """Read the user's own valve table, where the brief names one."""
    name = data.get("valve_table")
    if not isinstance(name, str):
        return (), []
    table = _beside(folder, name)
    try:
        if not (isinstance(table, Path) and table.is_file()):
            raise ValueError("no such file beside the brief: expected a TOML valve table")
        return load_valves(table), []
    except ValueError as error:
        return (), [InputError("valve_table", name, str(error))]
