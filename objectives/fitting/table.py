"""Valve table entries of fitted laws, and writing them into a table file."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from objectives.checks import InputError
from objectives.devices.protocol import DataSources
from objectives.devices.valve import Valve
from objectives.devices.valve_table import (
    read_valves,
    usual_spreads,
    valve,
)
from objectives.devices.valve_writing import format_valves, updated_table
from objectives.files import drafts
from objectives.fitting.measured import Fit
from objectives.fitting.published import trusted_range
from objectives.user_files import read_text


def valve_entry_toml(
    name: str,
    fit: Fit,
    *,
    like: Valve | str | None = None,
    capacitances_F: tuple[float, float, float] | None = None,
    capacitance_source: str = "given by the user",
    aliases: Sequence[str] = (),
    description: str = "",
    into: str | Path | None = None,
) -> str:
    """Return a valve table entry for a fitted law and, on request, write it into a table file.

    Parameters
    ----------
    name, aliases, description :
        Of the new entry.
    fit :
        What :func:`~objectives.fitting.measured.fit_law` gave.
    like :
        Valve (or its name) that capacitances, ratings, heater, noise and spread are taken from.
    capacitances_F, capacitance_source :
        Grid-cathode, grid-plate and plate-cathode capacitance (F) instead, and their source.
    into :
        TOML file of valves; the entry replaces the one of its name or joins the others.

    Raises
    ------
    ValueError
        If neither ``like`` nor ``capacitances_F`` is given, or ``into`` is no table.
    """
    if not name.strip():
        raise InputError("name", name, "must not be empty")
    model = valve(like) if isinstance(like, str) else like
    given: dict[str, Any] = {
        "name": name.strip(),
        "aliases": tuple(aliases),
        "description": description,
        "law": fit.law,
        "fit": fit.record,
        "trusted": trusted_range(fit.law, fit.record.points),
    }
    grid_source = ""
    if fit.law.grid is not None:
        grid_source = "not fitted: carried over by the user"
        if model is not None and model.law.grid == fit.law.grid:
            grid_source = f"as {model.name}: {model.sources.grid_current}"
    if capacitances_F is not None:
        fields = ("c_grid_cathode_F", "c_grid_plate_F", "c_plate_cathode_F")
        for field, value in zip(fields, capacitances_F, strict=True):
            if not (0 <= value < 1e-6):
                raise InputError(field, value, "must be in farads, from 0 to 1e-6")
            given |= {field: float(value), f"{field.removesuffix('_F')}_shielded_F": None}
    elif model is None:
        raise InputError("capacitances_F", None, "must be given, or a valve to take them from")
    else:
        capacitance_source = f"as {model.name}: {model.sources.capacitance}"
    own: dict[str, Any] = {
        "law": f"fitted with stagefront to {fit.fitted.source}",
        "grid_current": grid_source,
        # A grid current is no better known for going with another law.
        "grid_current_is_illustrative": fit.law.grid is not None,
        "capacitance": capacitance_source,
    }
    if model is None:
        entry = Valve(**given, spreads=usual_spreads(), sources=DataSources(**own))
    else:
        entry = replace(model, **given, sources=replace(model.sources, **own))
    if into is not None:
        write_valves(into, [entry])
    return format_valves([entry])


def write_valves(path: str | Path, entries: Iterable[Valve]) -> None:
    """Write entries into a valve table, all of it or nothing.

    An entry replaces the one of its name or joins the others; what it does not change stays as it
    is written, comments included.

    Raises
    ------
    ValueError
        If the table is none of valves, or would not be with the entries; nothing is written.
    OSError
        If the folder cannot be written to.
    """
    path = Path(path)
    text = read_text(path, "TOML") if path.exists() else ""
    if text.strip():
        read_valves(text, str(path))
    text = updated_table(text, entries)
    read_valves(text, str(path))
    with drafts(path.parent) as draft:
        (draft / path.name).write_text(text, "utf-8", newline="\n")
