"""Writes entries of the valve table as TOML."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import asdict, astuple
from typing import Any

import tomlkit

from objectives.checks import InputError
from objectives.devices.connection_entries import connection_tables
from objectives.devices.noise_entry import noise_table
from objectives.devices.triodes import GridCurrent, TriodeLaw
from objectives.devices.valve import Valve
from objectives.devices.valve_table import PAIRS, PICO, RatingsEntry


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
    ratings = {name: vars(entry)[name] for name in RatingsEntry.model_fields if name != "source"}
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
        f"{pair}_pF": None if value is None else float(f"{value / PICO:.12g}")
        for pair, value in zip(PAIRS, farads, strict=True)
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
