"""The valve table: what is published of each valve, and the law that we fitted to it.

The built-in table is ``objectives/data/valves.toml``; a user's own file has the same format
(:func:`load_valves`, and ``objectives.fitting.table``, which writes an entry).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import MISSING, fields
from functools import cache, reduce
from importlib import resources
from operator import or_
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field, create_model

from objectives.devices.connection_entries import (
    BaseEntry,
    HeaterEntry,
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
from objectives.devices.noise_entry import NoiseEntry
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
from objectives.devices.triodes import LAWS, GridCurrent
from objectives.devices.valve import Valve, valve_spreads
from objectives.tolerance.spreads import Spread
from objectives.user_files import read_text

PICO = 1e-12
PAIRS = ("grid_plate", "grid_cathode", "plate_cathode")
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


class RatingsEntry(Sourced):
    """What the makers allow."""

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
    ratings: RatingsEntry | None = None
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
            pF = of.model_dump(include={f"{pair}_pF" for pair in PAIRS})
            given |= {f"c_{pair}{shield}_F": pF[f"{pair}_pF"] * PICO for pair in PAIRS}
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
