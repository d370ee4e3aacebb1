"""The valve table: what is published of each valve, and the law that we fitted to it.

The built-in table is ``objectives/data/valves.toml``; a user's own file has the same format
(:func:`load_valves`, and ``objectives.fitting.valve_entry_toml``, which writes an entry).
"""

from __future__ import annotations

import difflib
import json
import reprlib
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import MISSING, astuple, fields
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Any

import numpy as np

from objectives.devices.fit_record import (
    QUANTITIES,
    CurveReading,
    CurveReadings,
    FitPoint,
    FitRecord,
    Law,
)
from objectives.devices.triodes import LAWS, GridCurrent
from objectives.devices.valve import Valve, ValveNoise, ValveSpread

__all__ = ["format_valves", "load_valves", "read_valves", "valve", "valves"]

_PICO = 1e-12


def valve(name: str, table: Iterable[Valve] | None = None) -> Valve:
    """Return the valve of that name or alias, whatever the case.

    Parameters
    ----------
    name :
        Type number, e.g. ``"12AX7"`` or ``"ecc83"``.
    table :
        Valves to look in; the built-in table when None.

    Raises
    ------
    ValueError
        If no valve has the name; the message lists those that exist, the closest first.
    """
    known = {
        alias.casefold(): entry
        for entry in (valves() if table is None else tuple(table))
        for alias in entry.names
    }
    wanted = str(name).strip().casefold()
    if wanted in known:
        return known[wanted]
    close = difflib.get_close_matches(wanted, known, n=1, cutoff=0.5)
    spelled = {alias.casefold(): alias for entry in known.values() for alias in entry.names}
    hint = f"; did you mean {spelled[close[0]]}?" if close else ""
    allowed = ", ".join(sorted({entry.name for entry in known.values()}))
    raise ValueError(f"valve: {name!r}: must be one of {allowed}, or an alias of one{hint}")


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
        If the file cannot be read as a valve table; the message names file, valve, field, value
        and what is allowed.
    """
    path = Path(path)
    try:
        text = path.read_text("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise ValueError(f"{path}: not readable as a UTF-8 text file: {error}") from error
    return read_valves(text, str(path))


def read_valves(text: str, where: str) -> tuple[Valve, ...]:
    """Return the valves of a TOML text; ``where`` names it in errors, as :func:`load_valves`."""
    try:
        document = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ValueError(f"{where}: not valid TOML: {error}") from error
    top = _Table(document, where)
    entries = top.tables("valve")
    top.finish()
    if not entries:
        raise ValueError(f"{where}: valve: must hold at least one [[valve]] table")
    found = tuple(_read_valve(entry) for entry in entries)
    seen: dict[str, str] = {}
    for entry in found:
        for name in entry.names:
            if name.casefold() in seen:
                raise ValueError(
                    f"{where}: {entry.name}: name or alias {name!r}: "
                    f"must be unique, but {seen[name.casefold()]} has it too"
                )
            seen[name.casefold()] = entry.name
    return found


def format_valves(entries: Iterable[Valve], header: str = "") -> str:
    """Return the TOML text that :func:`read_valves` reads back as the same valves.

    ``header`` is put on top as comment lines.
    """
    lines = [f"# {line}".rstrip() for line in header.splitlines()]
    for entry in entries:
        lines += ["", *_valve_lines(entry)]
    return "\n".join(lines).lstrip("\n") + "\n"


def _valve_lines(entry: Valve) -> list[str]:
    law_name = next(name for name, kind in LAWS.items() if type(entry.law) is kind)
    lines = ["[[valve]]", *_pairs(name=entry.name, aliases=list(entry.aliases))]
    lines += _pairs(description=entry.description)
    lines += ["", "[valve.law]", *_pairs(equation=law_name, **_numbers(entry.law))]
    lines += _pairs(source=entry.law_source)
    if entry.law.grid is not None:
        lines += ["", "[valve.law.grid_current]", *_pairs(**_numbers(entry.law.grid))]
        lines += _pairs(source=entry.grid_current_source)
    pairs = ("grid_plate", "grid_cathode", "plate_cathode")
    lines += ["", "[valve.capacitance]"]
    lines += _pairs(**{f"{p}_pF": _in_pF(getattr(entry, f"c_{p}_F")) for p in pairs})
    lines += _pairs(source=entry.capacitance_source)
    shielded = {f"{p}_pF": getattr(entry, f"c_{p}_shielded_F") for p in pairs}
    if None not in shielded.values():
        lines += ["", "[valve.capacitance_shielded]"]
        lines += _pairs(**{k: _in_pF(v) for k, v in shielded.items()})
    ratings = {name: getattr(entry, name) for name in _RATINGS}
    if any(v is not None for v in ratings.values()):
        lines += ["", "[valve.ratings]", *_pairs(**ratings, source=entry.ratings_source)]
    if entry.heater_V is not None:
        lines += ["", "[valve.heater]"]
        lines += _pairs(voltage_V=entry.heater_V, current_A=entry.heater_A)
    for title, record in (("noise", entry.noise), ("spread", entry.spread)):
        lines += ["", f"[valve.{title}]"]
        lines += _pairs(**{f.name: getattr(record, f.name) for f in fields(record)})
    if entry.fit is not None:
        lines += ["", "[valve.fit]", *_pairs(method=entry.fit.method)]
        if entry.fit.points:
            rows = [{f.name: getattr(p, f.name) for f in fields(p)} for p in entry.fit.points]
            lines += ["point = [", *(f"    {_toml(row)}," for row in rows), "]"]
        for curve in entry.fit.curves:
            lines += ["", "[[valve.fit.curves]]"]
            lines += _pairs(
                source=curve.source,
                used=curve.used,
                within_V=curve.within_V,
                within_A=curve.within_A,
            )
            lines += ["# grid V, plate V, plate current A, by the law A", "reading = ["]
            lines += [f"    {_toml(astuple(r))}," for r in curve.readings]
            lines += ["]"]
    return lines


def _pairs(**values: object) -> list[str]:
    return [f"{name} = {_toml(value)}" for name, value in values.items() if value is not None]


def _numbers(law: Law | GridCurrent) -> dict[str, float]:
    found = {}
    for parameter in fields(law):
        value = getattr(law, parameter.name)
        if parameter.name == "grid":
            continue
        if np.ndim(value) > 0:
            raise ValueError(
                f"{parameter.name}: an array of shape {np.shape(value)}: "
                "must be one number in a valve table"
            )
        found[parameter.name] = float(value)
    return found


def _in_pF(farads: float) -> float:
    # Rounded so that 1.7 pF is written as it was read, not as 1.6999999999999998.
    return float(f"{farads / _PICO:.12g}")


def _toml(value: object) -> str:
    if isinstance(value, str):
        # JSON's escapes are TOML's, but for DEL, which TOML wants escaped too.
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{k} = {_toml(v)}" for k, v in value.items()) + " }"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_toml(v) for v in value) + "]"
    if isinstance(value, int | float):
        return repr(float(value))
    raise TypeError(f"no TOML form for {value!r}")


class _Table:
    """One TOML table that is read field by field, and in which nothing may be left over."""

    def __init__(self, content: Mapping[str, Any], where: str) -> None:
        self.content = dict(content)
        self.where = where

    def fail(self, field: str, value: object, allowed: str) -> ValueError:
        shown = "missing" if value is None else reprlib.repr(value)
        return ValueError(f"{self.where}: {field}: {shown}: must be {allowed}")

    def text(self, field: str, default: str | None = None) -> str:
        value = self.content.pop(field, default)
        if not isinstance(value, str) or (default is None and not value.strip()):
            raise self.fail(field, value, "a text in quotes")
        return value

    def texts(self, field: str) -> tuple[str, ...]:
        value = self.content.pop(field, [])
        if not isinstance(value, list) or not all(isinstance(v, str) and v.strip() for v in value):
            raise self.fail(field, value, "a list of texts in quotes")
        return tuple(value)

    def numbers(self, field: str) -> dict[str, float]:
        inner = self.needed(field)
        return {name: inner.number(name, least=float("-inf")) for name in tuple(inner.content)}

    def number(
        self, field: str, *, least: float = 0.0, inclusive: bool = False, scale: float = 1.0
    ) -> float:
        found = self.maybe(field, least=least, inclusive=inclusive, scale=scale)
        if found is None:
            raise self.fail(field, None, "a number")
        return found

    def maybe(
        self, field: str, *, least: float = 0.0, inclusive: bool = False, scale: float = 1.0
    ) -> float | None:
        value = self.content.pop(field, None)
        if value is None:
            return None
        allowed = f"a finite number, {'not less' if inclusive else 'more'} than {least:g}"
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise self.fail(field, value, allowed)
        if not (least < value < float("inf") or (inclusive and value == least)):
            raise self.fail(field, value, allowed)
        return float(value) * scale

    def table(self, field: str) -> _Table | None:
        value = self.content.pop(field, None)
        if value is None:
            return None
        if not isinstance(value, dict):
            raise self.fail(field, value, "a table")
        return _Table(value, f"{self.where}: {field}")

    def needed(self, field: str) -> _Table:
        found = self.table(field)
        if found is None:
            raise self.fail(field, None, "a table")
        return found

    def tables(self, field: str) -> list[_Table]:
        value = self.content.pop(field, [])
        if not isinstance(value, list) or not all(isinstance(v, dict) for v in value):
            raise self.fail(field, value, f"an array of tables, [[{field}]]")
        return [_Table(v, f"{self.where}: {field} {i + 1}") for i, v in enumerate(value)]

    def rows(self, field: str, width: int) -> list[tuple[float, ...]]:
        """Read a list of rows of so many finite numbers, at least one."""
        value = self.content.pop(field, None)
        allowed = f"a list of rows of {width} finite numbers each"
        if not isinstance(value, list) or not value:
            raise self.fail(field, value, allowed)
        for row in value:
            good = isinstance(row, list) and len(row) == width
            if not good or not all(
                isinstance(v, int | float) and not isinstance(v, bool) and np.isfinite(v)
                for v in row
            ):
                raise self.fail(field, row, allowed)
        return [tuple(map(float, row)) for row in value]

    def finish(self) -> None:
        for name, value in self.content.items():
            raise ValueError(f"{self.where}: {name}: {value!r}: no such field here")


def _read_valve(entry: _Table) -> Valve:
    name = entry.text("name")
    entry.where = f"{entry.where} ({name})"
    law_table = entry.needed("law")
    law_source = law_table.text("source")
    law, grid_current_source = _read_law(law_table)
    bare = entry.needed("capacitance")
    given: dict[str, Any] = {
        "name": name,
        "aliases": entry.texts("aliases"),
        "description": entry.text("description", ""),
        "law": law,
        "law_source": law_source,
        "grid_current_source": grid_current_source,
        "capacitance_source": bare.text("source"),
    }
    pairs = ("grid_plate", "grid_cathode", "plate_cathode")
    for pair in pairs:
        given[f"c_{pair}_F"] = bare.number(f"{pair}_pF", inclusive=True, scale=_PICO)
    bare.finish()
    if (shield := entry.table("capacitance_shielded")) is not None:
        for pair in pairs:
            given[f"c_{pair}_shielded_F"] = shield.number(f"{pair}_pF", inclusive=True, scale=_PICO)
        shield.finish()
    if (ratings := entry.table("ratings")) is not None:
        given["ratings_source"] = ratings.text("source")
        for field in _RATINGS:
            given[field] = ratings.maybe(field, inclusive=field.startswith("grid_"))
        ratings.finish()
    if (heater := entry.table("heater")) is not None:
        given["heater_V"], given["heater_A"] = (
            heater.number("voltage_V"),
            heater.number("current_A"),
        )
        heater.finish()
    if (noise := entry.table("noise")) is not None:
        given["noise"] = ValveNoise(
            noise.number("resistance_factor"),
            noise.number("flicker_corner_Hz", inclusive=True),
            noise.text("source"),
        )
        noise.finish()
    if (spread := entry.table("spread")) is not None:
        given["spread"] = ValveSpread(
            spread.number("current", inclusive=True),
            spread.number("amplification_factor", inclusive=True),
            spread.number("capacitance", inclusive=True),
            spread.text("source"),
        )
        spread.finish()
    if (fit := entry.table("fit")) is not None:
        given["fit"] = FitRecord(
            fit.text("method"),
            tuple(_read_point(p) for p in fit.tables("point")),
            tuple(_read_curves(c) for c in fit.tables("curves")),
        )
        fit.finish()
    entry.finish()
    return Valve(**given)


_RATINGS = (
    "plate_voltage_max_V",
    "plate_dissipation_max_W",
    "cathode_current_max_A",
    "heater_cathode_max_V",
    "grid_leak_cathode_bias_max_ohm",
    "grid_leak_fixed_bias_max_ohm",
    "grid_negative_max_V",
    "grid_positive_max_V",
)


def _read_law(table: _Table) -> tuple[Law, str]:
    equation = table.text("equation")
    if equation not in LAWS:
        raise table.fail("equation", equation, f"one of {', '.join(LAWS)}")
    kind = LAWS[equation]
    grid_table = table.table("grid_current")
    grid, grid_source = None, ""
    if grid_table is not None:
        grid_source = grid_table.text("source")
        grid = GridCurrent(**_parameters(grid_table, GridCurrent))
        grid_table.finish()
    numbers = _parameters(table, kind)
    table.finish()
    try:
        return kind(**numbers, grid=grid), grid_source
    except ValueError as error:
        raise ValueError(f"{table.where}: {error}") from error


def _parameters(table: _Table, kind: type[Any]) -> dict[str, float]:
    """Read the fields of a law; those with a default may be absent."""
    found = {}
    for parameter in fields(kind):
        if parameter.name == "grid":
            continue
        # Each law checks what its parameters may be; here they need only be numbers.
        value = table.maybe(parameter.name, least=float("-inf"))
        if value is not None:
            found[parameter.name] = value
        elif parameter.default is MISSING:
            raise table.fail(parameter.name, None, "a number")
    return found


def _read_used(table: _Table) -> str:
    used = table.text("used")
    if used not in ("fitted", "tested"):
        raise table.fail("used", used, '"fitted" or "tested"')
    return used


def _read_curves(table: _Table) -> CurveReadings:
    found = CurveReadings(
        tuple(CurveReading(*row) for row in table.rows("reading", len(fields(CurveReading)))),
        table.number("within_V"),
        table.number("within_A"),
        _read_used(table),
        table.text("source"),
    )
    for at, r in enumerate(found.readings):
        if not (r.plate_V > 0 and r.plate_current_A > 0 and r.law_A >= 0):
            raise table.fail(
                f"reading {at + 1}",
                list(astuple(r)),
                "grid V, plate V above 0, plate current above 0 A, current by the law from 0 A",
            )
    table.finish()
    return found


def _read_point(table: _Table) -> FitPoint:
    quantity = table.text("quantity")
    if quantity not in QUANTITIES:
        raise table.fail("quantity", quantity, f"one of {', '.join(QUANTITIES)}")
    point = FitPoint(
        quantity,
        table.numbers("conditions"),
        table.number("published"),
        table.number("law", inclusive=True),
        _read_used(table),
        table.text("source"),
    )
    table.finish()
    return point
