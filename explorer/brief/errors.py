"""What is wrong with a brief, one line a problem: ``field: value: what is allowed``.

Validators raise an :class:`InputError`, or several at once as :class:`Mistakes`, each named by its
path below the checked table. :func:`errors_of` gathers what pydantic found of them, and
:class:`BriefError` carries all of it to the terminal.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from types import MappingProxyType
from typing import Any, Final, get_args

from pydantic import BaseModel, ValidationError

from objectives.checks import InputError, Written, did_you_mean, shown


class BriefError(ValueError):
    """A brief, a design or a drawer that cannot be used.

    Attributes
    ----------
    errors : every mistake; its field is the dotted path in the file, with tables of a list counted
        from 1, as in ``targets.radio_bands[1].to``
    problems : one line for each
    source : the file or the name of the text
    """

    def __init__(self, errors: Iterable[InputError], source: str = "brief") -> None:
        self.errors = tuple(errors)
        self.problems = tuple(dict.fromkeys(map(line, self.errors)))
        self.source = source
        super().__init__("\n".join([f"{source}:", *(f"  {text}" for text in self.problems)]))


class Mistakes(ValueError):
    """Several mistakes found by one check."""

    def __init__(self, errors: Iterable[InputError]) -> None:
        self.errors = tuple(errors)
        super().__init__("; ".join(map(line, self.errors)))

    @classmethod
    def raise_any(cls, errors: Iterable[InputError]) -> None:
        """Raise the mistakes, if there are any."""
        if found := tuple(errors):
            raise cls(found)


NOT_GIVEN: Final = Written("not given")
"""Stands for the value of a key that is left out."""


def line(error: InputError) -> str:
    """Return ``field: value: what is allowed``, the value cut short."""
    value = error.value
    text = str(value).lower() if isinstance(value, bool) else shown(value)
    return f"{error.field or 'brief'}: {text}: {error.allowed}"


def errors_of(error: ValidationError, model: type[BaseModel]) -> list[InputError]:
    """Return what pydantic found, each mistake with its path in the file."""
    found: list[InputError] = []
    for detail in error.errors(include_url=False):
        where, given = detail["loc"], detail["input"]
        if where[:2] == ("limits", "windows"):  # in the file they stand directly under [limits]
            where = where[:1] + where[2:]
        where = tuple(step for step in where if not str(step).startswith("="))
        cause = detail.get("ctx", {}).get("error")
        if isinstance(cause, InputError | Mistakes):
            for own in cause.errors if isinstance(cause, Mistakes) else (cause,):
                found.append(InputError(_path(where, own.field), own.value, own.allowed))
            continue
        match detail["type"]:
            case "missing":
                given, allowed = NOT_GIVEN, "required" + _description(where, model)
            case "extra_forbidden":
                keys = _keys(_model_at(where[:-1], model))
                hint = did_you_mean(str(where[-1]), keys)
                allowed = f"unknown key; expected one of {', '.join(keys)}{hint}"
            case kind:
                text = detail["msg"].removeprefix("Input should be ").replace("Value error, ", "")
                allowed = "expected " + _PLAIN.get(kind, text)
        found.append(InputError(_path(where), given, allowed))
    return found


_PLAIN: Final[Mapping[str, str]] = MappingProxyType(
    {
        "model_type": "a table",
        "string_type": "text in quotes",
        "bool_type": "true or false",
        "int_type": "a whole number",
        "tuple_type": "a list",
        "string_too_short": "text that is not empty",
    }
)


def _path(where: Iterable[str | int], below: str = "") -> str:
    """Return a path as people write it, with a path below it."""
    text = ""
    for step in where:
        text += f"[{step + 1}]" if isinstance(step, int) else f".{step}" if text else step
    return f"{text}.{below}" if text and below else text or below


def _description(where: Sequence[str | int], model: type[BaseModel]) -> str:
    """Return ``": description"`` of the field at ``where``."""
    parent = _model_at(where[:-1], model)
    for name, field in parent.model_fields.items() if parent else ():
        if (field.alias or name) == where[-1] and field.description:
            return f": {field.description.rstrip('.')}"
    return ""


def _keys(model: type[BaseModel] | None) -> list[str]:
    fields = model.model_fields.items() if model else ()
    return [field.alias or name for name, field in fields]


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
    return next(filter(None, map(_model_in, get_args(annotation))), None)
