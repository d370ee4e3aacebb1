"""What makes two searches the same search, and what tells one program from another."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import replace
from functools import cache
from importlib.metadata import version
from pathlib import Path
from typing import Any

import objectives
from explorer.brief.model import Brief
from explorer.brief.parts import Continuous
from objectives.arrays import FloatArray
from objectives.devices.protocol import Device
from objectives.devices.valve_table import valve


def identity_of(
    brief: Brief, device: Device, preferred: Mapping[str, FloatArray]
) -> Mapping[str, Any]:
    """Return what a stored search must agree on: all of the brief but its words and budget.

    Only what was read is taken, nothing that was worked out: workers on other machines, whose
    arithmetic may differ in the last digit, must come to the same.
    """
    stated = brief.model_dump(mode="json", by_alias=True)
    for key in ("schema", "title", "scenario", "valve_table"):  # the table's content counts, below
        stated.pop(key, None)
    for key in ("evaluations", "batch", "storage", "patience", "seed", "sampler"):
        stated["search"].pop(key, None)
    # A table with another valve of that name, or another drawer, scores candidates anew.
    values: tuple[Mapping[str, FloatArray | Continuous], ...] = (brief.choices(), preferred)
    valves = (valve(name, brief.valves) for _, name in brief.valve_names())
    stocks = [choice.stock for choice in brief.all_choices() if choice.stock is not None]
    return {
        "brief": stated,
        "valves": [repr(replace(entry, fit=None)) for entry in valves],
        "transistor": repr(device) if brief.transistor is not None else "",
        "values": [{part: _listed(found) for part, found in of.items()} for of in values],
        "drawers": [
            [s.value.tolist(), s.price.tolist(), s.tolerance_percent.tolist(), s.style]
            for s in stocks
        ],
    }


def _listed(values: FloatArray | Continuous) -> Any:
    return repr(values) if isinstance(values, Continuous) else values.tolist()


@cache
def program() -> str:
    """Return the version of the program and a fingerprint of its physics and tables.

    These are the files of ``objectives``, so that what a changed law or table has worked out is not
    taken for what this one would.
    """
    folder = Path(objectives.__file__).parent
    digest = hashlib.sha256()
    for file in sorted(f for f in folder.rglob("*") if f.suffix in {".py", ".toml"}):
        digest.update(f"{file.relative_to(folder).as_posix()}\0".encode())
        digest.update(file.read_bytes())
    return f"{version('stagefront')}+{digest.hexdigest()[:12]}"
