"""A brief as a form: a field for each value of its TOML, which stays the one source of both."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import Array, Bool, Item, String

from explorer.brief.errors import BriefError, line
from explorer.brief.loading import parse_brief
from explorer.brief.model import Brief
from explorer.brief.reading import read_toml
from explorer.formulation import formulate
from objectives.checks import InputError
from objectives.format import plain_words, sentence
from reports.live import FormField, FormGroup


def checked(
    text: str, folder: Traversable | Path, source: str
) -> tuple[Brief | None, list[dict[str, str]]]:
    """Return the brief that a text states, and what is wrong with it: field and message."""
    try:
        brief = parse_brief(text, folder, source)
        formulate(brief)
    except BriefError as error:
        return None, [{"field": own.field, "text": line(own)} for own in error.errors]
    return brief, []


def edited(text: str, path: str, value: str) -> str:
    """Return the TOML text with another value at a path such as ``targets.radio_bands[1].to``.

    Text stays text and a list a list; of anything else what does not read as TOML becomes text,
    for the check of the brief to judge.

    Raises
    ------
    BriefError
        If the text is no TOML, there is no such place, or a list is not written as one.
    """
    read_toml(text, "brief")
    document = tomlkit.parse(text)
    *above, last = _steps(path)
    try:
        table: Any = document
        for step in above:
            table = table[step]
        old = table[last]
    except (LookupError, TypeError, TOMLKitError):
        raise BriefError([InputError(path, value, "no such place in the brief")]) from None
    try:
        new: Item | str = value if isinstance(old, String) else tomlkit.value(value)
    except (TOMLKitError, ValueError):
        if isinstance(old, Array):
            allowed = 'expected a list, such as ["100k", "150k"]'
            raise BriefError([InputError(path, value, allowed)]) from None
        new = value
    table[last] = new
    return tomlkit.dumps(document)


def form_groups(text: str) -> list[FormGroup]:
    """Return the fields of a brief by the table that they stand in; none where it is no TOML."""
    try:
        read_toml(text, "brief")
    except BriefError:
        return []
    document = tomlkit.parse(text)
    groups: dict[str, list[FormField]] = {}
    for path, item in _leaves(document):
        table, _, key = path.rpartition(".")
        shown = item.as_string() if isinstance(item, Array | Bool) else str(item.unwrap())
        field = FormField(path, sentence(plain_words(key)), shown, "\n" in shown or len(shown) > 60)
        groups.setdefault(table, []).append(field)
    return [FormGroup(_title(table), fields) for table, fields in groups.items()]


def _title(table: str) -> str:
    return " › ".join(sentence(step.replace("_", " ")) for step in table.split(".")) or "Job"


def _leaves(table: Mapping[str, Any], above: str = "") -> Iterator[tuple[str, Item]]:
    """Yield the path and the item of each value that is no table."""
    for key, item in table.items():
        path = f"{above}.{key}" if above else key
        if isinstance(item, Mapping):
            yield from _leaves(item, path)
        elif isinstance(item, list) and item and all(isinstance(one, Mapping) for one in item):
            for number, one in enumerate(item, start=1):
                yield from _leaves(one, f"{path}[{number}]")
        else:
            yield path, item


def _steps(path: str) -> list[str | int]:
    """Return a path as keys and positions."""
    found = re.findall(r"([^.\[\]]+)|\[(\d{1,4})\]", path)
    return [key or int(number) - 1 for key, number in found]
