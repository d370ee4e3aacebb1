"""The reference of a brief: every table and key with an example, made from the models themselves.

Each example is read where the rest of the brief has what it needs and nothing that excludes it.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from typing import Any, Final, Literal, get_args, get_origin

import tomlkit
from pydantic import BaseModel
from pydantic.fields import FieldInfo
from pydantic_core import PydanticUndefined

from explorer.brief.limits import Limits
from explorer.brief.model import REQUIREMENTS, Brief
from explorer.brief.parts import Freed, GridLeakChoice, PartChoice, Parts
from explorer.brief.scores import SCORE_USES
from explorer.drawer import DRAWER_COLUMNS
from explorer.units import UNITS, QuantityField, format_quantity
from objectives.devices.terms import VALVE
from objectives.format import sentence, unit_symbol
from objectives.radio.tables import capacitor_styles, radio_bands, resistor_styles, wirings
from objectives.scores.registry import REGISTRY, Score

_BY_SCORE: Final = ("scores", "windows")
"""Fields whose keys are names of scores."""

_STOPPERS: Final = {
    "value": ('value = "68k"',),
    "values": ('values = ["47k", "68k", "100k"]',),
    "series": ('series = "E12"', 'from = "10k"', 'to = "220k"'),
    "continuous": ("continuous = true", 'from = "10k"', 'to = "220k"'),
    "drawer": ('drawer = "drawer.csv"',),
    "from": ('series = "E12"', 'from = "22k"', 'to = "220k"'),
    "to": ('drawer = "drawer.csv"', 'to = "100k"'),
    "tolerance": ('value = "68k"', 'tolerance = "1 %"'),
}
"""How a stopper may be chosen, an example for each key."""

_WIDTH: Final = 80
_DIRECTIONS: Final = {"maximise": "more is better", "minimise": "less is better"}


def brief_reference() -> str:
    """Return the reference of a brief as Markdown that also reads well on a terminal."""
    return "\n".join([*_head(), *_table("", Brief), *_scores(), *_drawer(), *_names()])


def _head() -> Iterator[str]:
    yield "# The brief, table by table\n"
    yield _paragraph(
        "A brief is a TOML file. Quantities are written in quotes, with their unit or without: "
        "`220k`, `4k7`, `22 uF`, `2.2M`, `R47`. A key with a default may be left out, and so may a "
        "table all of whose keys may."
    )


def _table(path: str, model: type[BaseModel], listed: bool = False) -> Iterator[str]:
    """Yield a table: what it is, its keys, then the tables in it."""
    title = f"[[{path}]]" if listed else f"[{path}]" if path else "At the top of the file"
    yield f"\n## {title}\n"
    yield _paragraph("The job, and what amplifies." if not path else _first_paragraph(model))
    inner: list[tuple[str, type[BaseModel], bool]] = []
    for name, field in model.model_fields.items():
        key = field.alias or name
        table = None if _freed(field) else _model_of(field.annotation)
        if name in _BY_SCORE:
            continue
        if table is None or issubclass(table, PartChoice):
            yield _entry(key, field)
        else:
            several = get_origin(field.annotation) is tuple
            inner.append((f"{path}.{key}".lstrip("."), table, several))
    if model is Limits:
        yield _item("any score, by its name", "Its least and its greatest value.",
                    'gain_dB = { at_least = "30 dB" }')  # fmt: skip
    for deeper in inner:
        yield from _table(*deeper)
        if deeper[1] is Parts:
            yield from _ways()


def _ways() -> Iterator[str]:
    """Yield how a part is chosen, with the stopper for an example."""
    yield "\n## [parts.stopper], and so for every part\n"
    yield _paragraph(_first_paragraph(PartChoice))
    for name, field in PartChoice.model_fields.items():
        key = field.alias or name
        yield _item(f"`{key}`", field.description or "", *_STOPPERS[key])
    position = GridLeakChoice.model_fields["position"]
    yield "\n## [parts.grid_leak]\n"
    yield _paragraph("Like every part, and where it joins.")
    yield _entry("position", position, 'value = "1M"', 'position = "either"')


def _entry(key: str, field: FieldInfo, *example: str) -> str:
    """Return one key: what kind of value, its default, what it means, an example."""
    default = _default(field)
    about = f"{_kind(field)}; {default}" if default else _kind(field)
    more = " Or a table that chooses it like a part." if _freed(field) else ""
    shown = example or (f"{key} = {_example(field)}",)
    return _item(f"`{key}` ({about})", f"{field.description}{more}", *shown)


def _kind(field: FieldInfo) -> str:
    quantity, part = _quantity(field), _model_of(field.annotation)
    if quantity is not None:
        unit = UNITS[quantity.unit]
        several = "two of: " if get_origin(field.annotation) is tuple else ""
        return f"{several}{unit.quantity}" + (f" in {unit.symbol}" if unit.symbol else "")
    if part is not None and issubclass(part, PartChoice):
        return f"a part, {UNITS[part.unit].quantity} in {UNITS[part.unit].symbol}"
    if options := _options(field):
        return "one of " * (len(options) > 1) + ", ".join(map(_toml, options))
    if field.default == ():
        return "a list of text"
    if bool in _flat(field.annotation):
        return "true or false"
    return "a whole number" if int in _flat(field.annotation) else "text"


def _default(field: FieldInfo) -> str:
    """Return what holds where a key is left out; nothing where its description says it."""
    value, quantity = field.default, _quantity(field)
    if field.is_required():
        return "required"
    if value is PydanticUndefined or value is None or value in ("", ()):
        return ""
    if quantity is None:
        return f"default {_toml(value)}"
    words = {meaning: word for word, meaning in quantity.words}
    if quantity.above is not None and value == quantity.above:
        return ""  # stands for a value that comes from elsewhere, and may not be written
    values = value if isinstance(value, tuple) else (value,)
    texts = (words.get(v) or format_quantity(v, quantity.unit) for v in values)
    return f"default {' to '.join(texts)}"


def _example(field: FieldInfo) -> str:
    quantity = _quantity(field)
    if field.examples:
        return _toml(field.examples[0])
    if quantity is not None:
        return _toml(UNITS[quantity.unit].examples[0])
    if options := _options(field):
        return _toml(options[-1])
    return _toml(not field.default if isinstance(field.default, bool) else field.default)


def _scores() -> Iterator[str]:
    yield "\n## [scores]\n"
    yield _paragraph("What each score is used for, by its name, which ends in its unit.")
    for use, meaning in SCORE_USES:
        yield _item(f"`{use.partition(' = ')[2]}`", meaning, use)
    yield "\n### The scores\n"
    for score in REGISTRY.values():
        yield _score(score)


def _score(score: Score) -> str:
    needs = [REQUIREMENTS[n][0] for n in sorted(score.requires) if n in REQUIREMENTS]
    unit = f"{unit_symbol(score.unit)}, " if score.unit else ""
    text = f"{sentence(score.meaning_for(VALVE))}."
    if needs:
        text += f" It needs {' and '.join(f'`{n}`' for n in needs)}."
    use = "show" if score.direction == "neither" else score.direction
    about = _DIRECTIONS.get(score.direction, "neither more nor less is better")
    return _item(f"`{score.name}` ({unit}{about})", text, f'{score.name} = "{use}"')


def _drawer() -> Iterator[str]:
    yield "\n## The columns of a drawer\n"
    yield _paragraph(
        "A drawer is a CSV file of the parts you have. Its first line names its columns, in any "
        "order; lines that start with # and empty lines are skipped."
    )
    for column in DRAWER_COLUMNS:
        needed = " (required)" if column.required else ""
        yield _item(f"`{column.name}`{needed}", f"{column.meaning}.")
    cells = (tuple(c.name for c in DRAWER_COLUMNS), tuple(c.example for c in DRAWER_COLUMNS))
    yield "\n```csv\n" + "\n".join(",".join(row) for row in cells) + "\n```"


def _names() -> Iterator[str]:
    yield "\n## Names that a brief may use\n"
    yield _paragraph("`stagefront devices` lists the valves and the transistors.")
    wiring = {per: [w.name for w in wirings() if w.per == per] for per in ("metre", "piece")}
    for head, names in (
        ("Radio bands", [band.key for band in radio_bands()]),
        ("Cables and wiring by the metre", wiring["metre"]),
        ("Wiring by the piece", wiring["piece"]),
        ("Styles of resistors", [style.name for style in resistor_styles()]),
        ("Styles of capacitors", [style.name for style in capacitor_styles()]),
    ):
        yield _item(head, ", ".join(f"`{name}`" for name in names) + ".")


def _item(head: str, text: str, *example: str) -> str:
    """Return an item of a list, with the lines of its example as code."""
    lines = [_wrapped(f"- {head}: {text}", "  ")]
    if example:
        lines.append(_wrapped("  Example: " + ", ".join(f"`{line}`" for line in example), "  "))
    return "\n".join(lines)


def _paragraph(text: str) -> str:
    return _wrapped(text, "") + "\n"


def _wrapped(text: str, indent: str) -> str:
    return textwrap.fill(
        text, _WIDTH, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False
    )


def _first_paragraph(model: type[BaseModel]) -> str:
    return " ".join((model.__doc__ or "").split("\n\n")[0].split())


def _flat(annotation: Any) -> tuple[Any, ...]:
    """Return an annotation and everything inside it."""
    return (annotation, *(inner for arg in get_args(annotation) for inner in _flat(arg)))


def _model_of(annotation: Any) -> type[BaseModel] | None:
    return next(
        (a for a in _flat(annotation) if isinstance(a, type) and issubclass(a, BaseModel)), None
    )


def _freed(field: FieldInfo) -> Freed | None:
    return next((m for m in _within(field) if isinstance(m, Freed)), None)


def _quantity(field: FieldInfo) -> QuantityField | None:
    """Return how the numbers of a field are read; None where it holds none with a unit."""
    freed = _freed(field)
    if freed is not None:
        return freed.quantity
    return next((m for m in _within(field) if isinstance(m, QuantityField)), None)


def _within(field: FieldInfo) -> tuple[Any, ...]:
    """Return the annotations of a field, and of everything inside it."""
    return (*field.metadata, *_flat(field.annotation))


def _options(field: FieldInfo) -> tuple[Any, ...]:
    return next((get_args(a) for a in _flat(field.annotation) if get_origin(a) is Literal), ())


def _toml(value: Any) -> str:
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {_toml(inner)}" for key, inner in value.items()) + " }"
    return str(tomlkit.item(value).as_string())
