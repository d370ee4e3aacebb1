"""Reading and checking a table of devices; what valves and transistors have in common."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Annotated, Any, TypeVar

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from objectives import user_files
from objectives.checks import InputError, Written
from objectives.devices.names import Named, by_name

Number = Annotated[float, Field(allow_inf_nan=False)]
Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]
Text = Annotated[str, Field(min_length=1)]


class Entry(BaseModel):
    """A part of a table: no field too many, no type that is only nearly right."""

    # Built when first used: most are read as a part of another, and never by themselves.
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, defer_build=True)


class Sourced(Entry):
    """Numbers, and where they come from."""

    source: Text

    @property
    def numbers(self) -> dict[str, Any]:
        """The numbers that are stated or have a default."""
        return self.model_dump(exclude={"source"}, exclude_none=True)


class NamedEntry(Entry):
    """A device."""

    name: Text
    aliases: Annotated[tuple[Text, ...], Field(strict=False)] = ()
    description: str = ""

    @property
    def heading(self) -> dict[str, Any]:
        """Name, aliases and description."""
        return {"name": self.name, "aliases": self.aliases, "description": self.description}


_N = TypeVar("_N", bound=Named)
_M = TypeVar("_M", bound=BaseModel)
_E = TypeVar("_E")


class _Missing:
    def __repr__(self) -> str:
        return "missing"


def read_table(
    text: str,
    where: str,
    model: type[_M],
    entries: Callable[[_M], Mapping[str, Iterable[_E]]],
    build: Callable[[_E], _N],
) -> tuple[_N, ...]:
    """Return the devices of a TOML text, which errors call ``where``.

    ``model`` is the table's form, ``entries`` gives its entries under the name of their kind, and
    ``build`` makes a device of one.

    Raises
    ------
    InputError
        Naming table, entry, field, value and what is allowed; or if the text is no TOML.
    """
    try:
        document = user_files.read_toml(text)
    except InputError as error:
        # The line itself is not repeated: a brief may name any file as its table.
        raise InputError(where, Written(error.field), error.allowed) from None
    needed = f"must hold at least one {' or '.join(f'[[{k}]]' for k in model.model_fields)} table"
    if not set(document) & set(model.model_fields):
        raise InputError(where, Written("no device" if document else "empty"), needed)
    try:
        table = model.model_validate(document)
    except ValidationError as error:
        raise _first_error(error, document, where) from error
    found: list[_N] = []
    for kind, of_kind in entries(table).items():
        for number, entry in enumerate(of_kind):
            try:
                found.append(build(entry))
            except InputError as error:
                place = _place((kind, number, "law", error.field), document)
                raise InputError(f"{where}: {place}", error.value, error.allowed) from error
    if not found:
        raise InputError(where, Written("empty"), needed)
    by_name(found, where)
    return tuple(found)


def _first_error(error: ValidationError, document: Mapping[str, Any], where: str) -> InputError:
    first = error.errors()[0]
    place = _place(first["loc"], document)
    if first["type"] == "missing":
        return InputError(f"{where}: {place}", _Missing(), "must be given")
    if first["type"] == "extra_forbidden":
        return InputError(f"{where}: {place}", first["input"], "no such field here")
    if first["type"].startswith("union_tag"):
        tag, context = "equation", first["ctx"]
        allowed = str(context.get("expected_tags", "one that is known")).replace("'", "")
        value = first["input"].get(tag, _Missing())
        return InputError(f"{where}: {place}: {tag}", value, f"must be one of {allowed}")
    if first["type"] == "tuple_type" and len(first["loc"]) == 1:
        return InputError(f"{where}: {place}", first["input"], f"must be an array, [[{place}]]")
    allowed = first["msg"].replace("Input should be", "must be")
    return InputError(f"{where}: {place}", first["input"], allowed)


def _place(path: tuple[str | int, ...], document: Mapping[str, Any]) -> str:
    """Return where something stands, with the names of entries: ``valve 1 (T1): law: mu``."""
    words: list[str] = []
    node: Any = document
    for step in path:
        try:
            node = node[step]
        except (KeyError, IndexError, TypeError):
            if step != path[-1]:
                continue  # the kind of a law, which is no step in the file
        if isinstance(step, int):
            words[-1] += f" {step + 1}"
            if isinstance(node, dict) and "name" in node:
                words[-1] += f" ({node['name']})"
        else:
            words.append(step)
    return ": ".join(words)
