"""Entries for the valve table made of a fit, and the writing of whole tables."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from objectives.devices.valve import Valve
from objectives.devices.valve_table import format_valves, load_valves, read_valves, valve
from objectives.files import drafts
from objectives.fitting.measured import Fit

__all__ = ["valve_entry_toml", "write_valves"]


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
    name :
        Name of the new entry.
    fit :
        What :func:`fit_law` gave.
    like :
        Valve (or its name) that capacitances, ratings, heater, noise and spread are taken from.
    capacitances_F :
        Grid-cathode, grid-plate and plate-cathode capacitance (F) instead of those.
    capacitance_source, aliases, description :
        Words for the entry.
    into :
        TOML file of valves; the entry replaces the one of its name or joins the others. The file
        is replaced as a whole, never left half written; comments in it are not kept.

    Raises
    ------
    ValueError
        If neither ``like`` nor ``capacitances_F`` is given, or ``into`` cannot be read as a
        table.
    """
    if not name.strip():
        raise ValueError(f"name: {name!r}: must not be empty")
    model = valve(like) if isinstance(like, str) else like
    given: dict[str, Any] = {
        "name": name.strip(),
        "aliases": tuple(aliases),
        "description": description,
        "law": fit.law,
        "law_source": f"fitted with stagefront to {fit.fitted.source}",
        "fit": fit.record,
    }
    if fit.law.grid is not None:
        given["grid_current_source"] = "not fitted: carried over by the user"
        if model is not None and model.law.grid == fit.law.grid:
            given["grid_current_source"] = f"as {model.name}: {model.grid_current_source}"
    if capacitances_F is not None:
        for field, value in zip(
            ("c_grid_cathode_F", "c_grid_plate_F", "c_plate_cathode_F"),
            capacitances_F,
            strict=True,
        ):
            if not (0 <= value < 1e-6):
                raise ValueError(f"{field}: {value!r}: must be in farads, from 0 to 1e-6")
            given[field] = float(value)
        given["capacitance_source"] = capacitance_source
        for field in ("c_grid_plate", "c_grid_cathode", "c_plate_cathode"):
            given[f"{field}_shielded_F"] = None
    elif model is None:
        raise ValueError("capacitances_F: None: must be given, or a valve to take them from (like)")
    else:
        given["capacitance_source"] = f"as {model.name}: {model.capacitance_source}"
    entry = Valve(**given) if model is None else replace(model, **given)
    if into is not None:
        path = Path(into)
        others = load_valves(path) if path.exists() else ()
        kept = [v for v in others if v.name.casefold() != entry.name.casefold()]
        write_valves(path, [*kept, entry])
    return format_valves([entry])


def write_valves(path: str | Path, entries: Iterable[Valve], header: str = "") -> None:
    """Write a valve table, all of it or nothing.

    Raises
    ------
    ValueError
        If the entries do not read back (two of one name), before anything is written.
    OSError
        If the folder cannot be written to.
    """
    path = Path(path)
    text = format_valves(entries, header)
    read_valves(text, str(path))
    with drafts(path.parent) as draft:
        (draft / path.name).write_text(text, "utf-8", newline="\n")


TABLE_HEADER = """\
Valve table of stagefront: one [[valve]] per type, one section of it.

Each law is fitted by us; [valve.fit] lists every published number with what the law gives for it
and whether the fit has used it ("fitted") or not ("tested"). "from memory" marks a value that was
not checked against the document it names. Refit and rewrite the whole file:
python -m objectives.fitting refit objectives/data/valves.toml --write"""
