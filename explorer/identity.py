"""TODO explorer.identity."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from explorer.brief.model import Brief
from explorer.brief.parts import Continuous
from explorer.devices import _own_device, valve_table
from explorer.problem import Choice
from explorer.stock import _preferred
from objectives.arrays import FloatArray
from objectives.devices.valve_table import valve


def _identity(brief: Brief, choices: tuple[Choice, ...]) -> Mapping[str, Any]:
    """Return what a stored search must agree on: all of the brief but its words and budget.

    Only what was read is taken, nothing that was worked out: workers on other machines, whose
    arithmetic may differ in the last digit, must come to the same.
    """
    stated = brief.model_dump(mode="json", by_alias=True)
    for key in ("title", "scenario", "valve_table"):  # the table's content counts, below
        stated.pop(key, None)
    for key in ("evaluations", "storage", "exact_up_to", "seed", "sampler"):
        stated["search"].pop(key, None)
    # A table with another valve of that name, or another drawer, scores candidates anew.
    table = valve_table(brief)
    others = (brief.driver.stage, brief.load.stage, brief.load.cathode_follower)
    names = [brief.valve] if brief.valve is not None else []
    names += [other.valve for other in others if other is not None]
    values: list[Mapping[str, FloatArray | Continuous]] = [
        brief.choices(),
        _preferred(brief, choices),
    ]
    return {
        "brief": stated,
        "valves": [repr(replace(valve(name, table), fit=None)) for name in names],
        "transistor": repr(_own_device(brief)) if brief.transistor is not None else "",
        "values": [{part: _listed(found) for part, found in of.items()} for of in values],
    }


def _listed(values: FloatArray | Continuous) -> Any:
    return repr(values) if isinstance(values, Continuous) else values.tolist()
