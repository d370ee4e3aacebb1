"""The valve table: what is published of each valve, and the law that we fitted to it.

The built-in table is ``objectives/data/valves.toml``; a user's own file has the same format
(:func:`load_valves`, and ``objectives.fitting.table``, which writes an entry).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import MISSING, asdict, astuple, fields
from functools import cache, reduce
from importlib import resources
from operator import or_
from pathlib import Path
from typing import Annotated, Any, Literal

import tomlkit
from pydantic import Field, create_model

from objectives.checks import InputError
from objectives.devices.connection_entries import (
    BaseEntry,
    HeaterEntry,
    connection_tables,
    valve_connections,
)
from objectives.devices.fit_record import (
    QUANTITIES,
    CurveReading,
    CurveReadings,
    FitPoint,
    FitRecord,
)
from objectives.devices.names import find
from objectives.devices.noise_entry import NoiseEntry, noise_table
from objectives.devices.protocol import DataSources, TrustedRange
from objectives.devices.table import (
    Entry,
    NamedEntry,
    NotNegative,
    Number,
    Positive,
    Sourced,
    Text,
    read_table,
)
from objectives.devices.triodes import LAWS, GridCurrent, TriodeLaw
from objectives.devices.valve import Valve, valve_spreads
from objectives.tolerance.spreads import Spread
from objectives.user_files import read_text

_PICO = 1e-12
_PAIRS = ("grid_plate", "grid_cathode", "plate_cathode")
_Used = Literal["fitted", "tested"]


def _parameters(kind: type[Any]) -> dict[str, Any]:
    """Return the parameters of a law as fields; the law itself checks what they may be."""
    return {
        f.name: (Number, ... if f.default is MISSING else f.default)
        for f in fields(kind)
        if f.name != "grid"
    }


class _GridSource(Sourced):
    illustrative: bool = False


_GridCurrentEntry = create_model(
    "_GridCurrentEntry", __base__=_GridSource, **_parameters(GridCurrent)
)


def _law_entry(equation: str) -> Any:
    own: dict[str, Any] = {
        "equation": (Literal[equation], ...),
        "grid_current": (_GridCurrentEntry | None, None),
    }
    return create_model(equation, __base__=Sourced, **own, **_parameters(LAWS[equation]))


_LawEntry: Any = reduce(or_, map(_law_entry, LAWS))


class _Shielded(Entry):
    grid_plate_pF: NotNegative
    grid_cathode_pF: NotNegative
    plate_cathode_pF: NotNegative


class _Capacitance(_Shielded, Sourced):
    pass


class _Ratings(Sourced):
    plate_voltage_max_V: Positive | None = None
    plate_dissipation_max_W: Positive | None = None
    cathode_current_max_A: Positive | None = None
    heater_cathode_max_V: Positive | None = None
    grid_leak_cathode_bias_max_ohm: NotNegative | None = None
    grid_leak_fixed_bias_max_ohm: NotNegative | None = None
    grid_negative_max_V: NotNegative | None = None
    grid_positive_max_V: NotNegative | None = None


class _Spread(Entry):
    transconductance: NotNegative
    amplification_factor: NotNegative
    capacitance: NotNegative
    transconductance_source: Text
    amplification_factor_source: Text
    capacitance_source: Text


class _Point(Entry):
    quantity: Literal[tuple(QUANTITIES)]  # type: ignore[valid-type]
    conditions: dict[str, Number]
    published: Positive
    law: NotNegative
    used: _Used
    source: Text


class _Curves(Entry):
    source: Text
    used: _Used
    within_V: Positive
    within_A: Positive
    reading: Annotated[
        list[Annotated[tuple[Number, Positive, Positive, NotNegative], Field(strict=False)]],
        Field(min_length=1),
    ]


_Ends = Annotated[tuple[Positive, Positive], Field(strict=False)]


class _Trusted(Entry):
    plate_current_A: _Ends
    plate_voltage_V: _Ends


class _Fit(Entry):
    method: Text
    point: tuple[_Point, ...] = Field(default=(), strict=False)
    curves: tuple[_Curves, ...] = Field(default=(), strict=False)


class _Valve(NamedEntry):
    law: _LawEntry = Field(discriminator="equation")
    capacitance: _Capacitance
    capacitance_shielded: _Shielded | None = None
    ratings: _Ratings | None = None
    heater: HeaterEntry | None = None
    base: BaseEntry | None = None
    noise: NoiseEntry | None = None
    spread: _Spread | None = None
    trusted: _Trusted | None = None
    fit: _Fit | None = None


class _Table(Entry):
    valve: tuple[_Valve, ...] = Field(default=(), strict=False)


def _valve(entry: _Valve) -> Valve:
    """Return the device that an entry describes."""
    law: Any = entry.law
    given: dict[str, Any] = {}
    for shield, of in (("", entry.capacitance), ("_shielded", entry.capacitance_shielded)):
        if of is not None:
            pF = of.model_dump(include={f"{pair}_pF" for pair in _PAIRS})
            given |= {f"c_{pair}{shield}_F": pF[f"{pair}_pF"] * _PICO for pair in _PAIRS}
    sources: dict[str, Any] = {"law": law.source, "capacitance": entry.capacitance.source}
    if entry.ratings is not None:
        given |= entry.ratings.numbers
        sources["ratings"] = entry.ratings.source
    given["connections"] = valve_connections(entry.heater, entry.base)
    if entry.noise is not None:
        given |= entry.noise.fields()
        sources["noise"] = entry.noise.source
    own = entry.spread
    given["spreads"] = usual_spreads() if own is None else valve_spreads(**own.model_dump())
    if entry.trusted is not None:
        given["trusted"] = TrustedRange(**entry.trusted.model_dump())
    if entry.fit is not None:
        given["fit"] = FitRecord(
            entry.fit.method,
            tuple(FitPoint(**point.model_dump()) for point in entry.fit.point),
            tuple(
                CurveReadings(
                    tuple(CurveReading(*row) for row in c.reading),
                    c.within_V, c.within_A, c.used, c.source,
                )
                for c in entry.fit.curves
            ),
        )  # fmt: skip
    grid = None
    if law.grid_current is not None:
        numbers = law.grid_current.model_dump(exclude={"source", "illustrative"})
        grid = GridCurrent(**numbers)
        sources["grid_current"] = law.grid_current.source
        sources["grid_current_is_illustrative"] = law.grid_current.illustrative
    numbers = law.model_dump(exclude={"equation", "source", "grid_current"})
    given["law"] = LAWS[law.equation](**numbers, grid=grid)
    return Valve(**entry.heading, **given, sources=DataSources(**sources))


def valve(name: str, table: Iterable[Valve] | None = None) -> Valve:
    """Return the valve of that name or alias, whatever the case, of a table or the built-in one.

    Raises
    ------
    InputError
        If no valve has the name; the message lists those that exist, and the closest.
    """
    return find(name, valves() if table is None else table, "valve")


def usual_spreads() -> tuple[Spread, ...]:
    """Return how valves differ whose own entry does not state it: as those of the 12AX7 do."""
    return valve("12AX7").spreads


@cache
def valves() -> tuple[Valve, ...]:
    """Return the built-in table."""
    text = resources.files("objectives").joinpath("data/valves.toml").read_text("utf-8")
    return read_valves(text, "valves.toml")


def load_valves(path: str | Path) -> tuple[Valve, ...]:
    """Return the valves of a user's TOML file.

    Raises
    ------
    ValueError
        Where it is no valve table, naming file, valve, field, value and what is allowed.
    """
    return read_valves(read_text(path, "TOML"), str(path))


def read_valves(text: str, where: str) -> tuple[Valve, ...]:
    """Return the valves of a TOML text; ``where`` names it in errors, as :func:`load_valves`."""
    return read_table(text, where, _Table, lambda table: {"valve": table.valve}, _valve)


def format_valves(entries: Iterable[Valve]) -> str:
    """Return the TOML text that :func:`read_valves` reads back as the same valves."""
    return updated_table("", entries)


def updated_table(text: str, entries: Iterable[Valve]) -> str:
    """Return the TOML text of a valve table with some entries changed or added.

    What an entry does not change stays as it is written, comments included.
    """
    document = tomlkit.parse(text)
    if "valve" not in document:
        document["valve"] = tomlkit.aot()
    present: Any = document["valve"]
    for entry in entries:
        known = {str(table["name"]).casefold(): table for table in present}
        if entry.name.casefold() in known:
            _update(known[entry.name.casefold()], _fields(entry))
        else:
            present.append(_item(_fields(entry)))
    return tomlkit.dumps(document)


def _fields(entry: Valve) -> dict[str, Any]:
    """Return an entry as the table holds it."""
    law, sources = entry.law, entry.sources
    by_quantity = {spread.quantity: spread for spread in entry.spreads}
    spread: dict[str, Any] = {}
    for name, quantity in (
        ("transconductance", "valve_transconductance"),
        ("amplification_factor", "valve_amplification_factor"),
        ("capacitance", "valve_grid_plate_F"),
    ):
        spread[name] = by_quantity[quantity].high
        spread[f"{name}_source"] = by_quantity[quantity].source
    of_law: dict[str, Any] = {"equation": law.equation, **_numbers(law), "source": sources.law}
    if law.grid is not None:
        of_law["grid_current"] = {
            **_numbers(law.grid),
            "illustrative": sources.grid_current_is_illustrative or None,
            "source": sources.grid_current,
        }
    bare = (entry.c_grid_plate_F, entry.c_grid_cathode_F, entry.c_plate_cathode_F)
    shield = (
        entry.c_grid_plate_shielded_F,
        entry.c_grid_cathode_shielded_F,
        entry.c_plate_cathode_shielded_F,
    )
    ratings = {name: vars(entry)[name] for name in _Ratings.model_fields if name != "source"}
    found: dict[str, Any] = {
        "name": entry.name,
        "aliases": list(entry.aliases),
        "description": entry.description,
        "law": of_law,
        "capacitance": {**_in_pF(bare), "source": sources.capacitance},
        "capacitance_shielded": _in_pF(shield),
        "ratings": {**ratings, "source": sources.ratings} if sources.ratings else {},
        **connection_tables(entry.connections),
        "noise": noise_table(entry),
        "spread": spread,
    }
    if entry.trusted is not None:
        found["trusted"] = {name: list(ends) for name, ends in vars(entry.trusted).items()}
    if entry.fit is not None:
        found["fit"] = {
            "method": entry.fit.method,
            "point": [asdict(point) for point in entry.fit.points],
            "curves": [
                {
                    "source": c.source,
                    "used": c.used,
                    "within_V": c.within_V,
                    "within_A": c.within_A,
                    "reading": [list(astuple(r)) for r in c.readings],
                }
                for c in entry.fit.curves
            ],
        }
    return _stated(found)


def _stated(table: Mapping[str, Any]) -> dict[str, Any]:
    """Return a table without what is None and without what is then empty."""
    inner = {k: _stated(v) if isinstance(v, Mapping) else v for k, v in table.items()}
    return {k: v for k, v in inner.items() if v is not None and v not in ({}, [])}


def _numbers(of: TriodeLaw | GridCurrent) -> dict[str, float]:
    for name, value in of.numeric_fields().items():
        if value.ndim > 0:
            raise InputError(
                name, value.shape, "is the shape of an array: must be one number in a valve table"
            )
    return {name: float(value) for name, value in of.numeric_fields().items()}


def _in_pF(farads: tuple[float | None, ...]) -> dict[str, float | None]:
    # Rounded so that 1.7 pF is written as it was read, not as 1.6999999999999998.
    return {
        f"{pair}_pF": None if value is None else float(f"{value / _PICO:.12g}")
        for pair, value in zip(_PAIRS, farads, strict=True)
    }


def _update(old: Any, new: Mapping[str, Any]) -> None:
    """Change what differs in a table and leave the rest as it is written."""
    for name in [name for name in old if name not in new]:
        del old[name]
    for name, value in new.items():
        if isinstance(value, Mapping) and name in old:
            _update(old[name], value)
        elif name not in old or tomlkit.item(old[name]).unwrap() != value:
            old[name] = _item(value, name == "point")


def _item(value: Any, inline: bool = False) -> Any:
    """Return a value as it is laid out: an array of rows takes a line for each."""
    if isinstance(value, Mapping):
        table: Any = tomlkit.inline_table() if inline else tomlkit.table()
        for name, inner in value.items():
            table.append(name, _item(inner, inline or name in ("point", "sections")))
        return table
    if isinstance(value, list) and not inline and value and isinstance(value[0], Mapping):
        tables = tomlkit.aot()
        for row in value:
            tables.append(_item(row))
        return tables
    if isinstance(value, list):
        rows = bool(value) and isinstance(value[0], Mapping | list)
        array = tomlkit.array()
        for row in value:
            array.append(_item(row, True))
        return array.multiline(rows)
    return tomlkit.item(value)
