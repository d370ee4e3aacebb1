"""``python -m objectives.fitting refit [TABLE] [--write]``: redo the fits of a valve table."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from importlib import resources
from pathlib import Path

import numpy as np

from objectives.devices.valve import Valve
from objectives.devices.valve_table import load_valves
from objectives.fitting.published import refit
from objectives.fitting.table import write_valves


def _report(entry: Valve) -> str:
    numbers = ", ".join(f"{p.label} {float(p.value):g}" for p in entry.law.parameters())
    lines = [f"{entry.name}: {entry.law.title}: {entry.terms.write(numbers)}"]
    for p in entry.fit.points if entry.fit else ():
        at = ", ".join(f"{k} {v:g}" for k, v in p.conditions.items())
        lines.append(
            f"  {p.used:7} {p.quantity:21} {p.published:10.4g} {p.law:10.4g} "
            f"{p.residual_percent:+6.1f} %  {at}"
        )
    for c in entry.fit.curves if entry.fit else ():
        off = c.plate_error_V(entry.law)
        lines.append(
            f"  {c.used:7} {len(c.readings)} readings off curves: {np.sqrt(np.mean(off**2)):.1f} V "
            f"r.m.s. along the plate voltage, at most {np.max(np.abs(off)):.1f} V  ({c.source})"
        )
    return "\n".join(lines)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run ``python -m objectives.fitting``; return the exit status."""
    parser = argparse.ArgumentParser(
        prog="python -m objectives.fitting", description="Refit the laws of a valve table."
    )
    commands = parser.add_subparsers(dest="command", required=True)
    again = commands.add_parser("refit", help="fit every valve of a table anew to its points")
    again.add_argument("table", nargs="?", help="TOML file; the built-in table when absent")
    again.add_argument("--write", action="store_true", help="write the new laws into the table")
    given = parser.parse_args(arguments)
    try:
        _refit_table(given.table, given.write)
    except (ValueError, OSError) as error:
        print(f"error: {error}", file=sys.stderr)
        return 1
    return 0


def _refit_table(table: str | None, write: bool) -> None:
    with resources.as_file(resources.files("objectives") / "data" / "valves.toml") as built_in:
        path = built_in if table is None else Path(table)
        entries = [refit(v) if v.fit and v.fit.points else v for v in load_valves(path)]
        for entry in entries:
            print(_report(entry))
        if write:
            write_valves(path, entries)


if __name__ == "__main__":
    raise SystemExit(main())
