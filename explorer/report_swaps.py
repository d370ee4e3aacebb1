"""The same stage with other devices: what each would do in it, and what its own does when worn."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

from explorer.brief.model import Brief
from explorer.decision import built_well
from explorer.evaluation import Parts
from explorer.formulation import formulate
from explorer.problem import Problem
from objectives.devices.connections import Connections
from objectives.devices.transistor_table import transistors
from objectives.format import shown_name
from objectives.scores.registry import REGISTRY
from objectives.tolerance.setup import YIELD
from objectives.tolerance.varied_device import at_end_of_life
from reports.swaps import Rewiring, Swap

_ORDER: tuple[Rewiring, ...] = ("none", "heater", "pins", "unknown")


def swaps(brief: Brief, problem: Problem, parts: Parts, *, slow: bool = False) -> tuple[Swap, ...]:
    """Return one stage as it is, with its valve at the end of its life, and with each other device.

    Other devices are those of its kind in the table; those that need least rewiring come first.

    Parameters
    ----------
    brief, problem :
        The job; the problem may have come from it by more choices of parts.
    parts :
        The values of one candidate, each of shape (1,), at least one.
    slow :
        Whether scores that take a solution in time, a second or more a device, are worked out.
    """
    ((_, own, parts),) = problem.by_device(parts)
    rows = [_swap(own, parts, "present", slow)]
    if own.device.symbol == "triode":
        rows.append(_swap(_worn(own), parts, "worn", slow))
    others = [_swap(other, parts, wiring, slow) for other, wiring in _others(brief, own)]
    return (*rows, *sorted(others, key=lambda row: _ORDER.index(row.rewiring)))


def _worn(problem: Problem) -> Problem:
    """Return the problem with its device at the end of life, which its transconductance defines."""
    setup = problem.targets.tolerance
    if setup is not None:
        spreads = (s for s in setup.spreads if s.quantity != "valve_transconductance")
        setup = replace(setup, spreads=tuple(spreads))
    targets = replace(problem.targets, tolerance=setup)
    return replace(problem, device=at_end_of_life(problem.device), targets=targets)


def _others(brief: Brief, problem: Problem) -> Iterator[tuple[Problem, Rewiring]]:
    """Yield the problem with each other device, and what must be rewired for it."""
    shielded = brief.strays.shielded
    if brief.transistor is None:
        known = (v for v in brief.valves if not shielded or v.c_grid_plate_shielded_F is not None)
        changes: list[dict[str, Any]] = [{"valve": tuple(valve.name for valve in known)}]
    else:
        changes = [{"transistor": transistor.name} for transistor in transistors()]
    for change in changes:
        other = formulate(brief.model_copy(update=change)).problem
        for device, setup in ((other.device, other.targets.tolerance), *other.others):
            if device.symbol == problem.device.symbol and device.name != problem.device.name:
                targets = replace(problem.targets, tolerance=setup)
                wiring = _rewiring(problem.device.connections, device.connections)
                yield replace(problem, device=device, targets=targets), wiring


def _rewiring(wired: Connections, other: Connections) -> Rewiring:
    if not (wired.sections and other.sections):
        return "unknown"
    if wired.sections != other.sections:
        return "pins"
    heaters = [
        heater and (heater.voltage_V, heater.pins, heater.centre_tap)
        for heater in (wired.heater, other.heater)
    ]
    return "none" if heaters[0] == heaters[1] and wired.shield == other.shield else "heater"


def _swap(problem: Problem, parts: Parts, rewiring: Rewiring, slow: bool) -> Swap:
    stage = problem.evaluate(parts)
    named = (*(f.name for f in problem.free), *problem.score_names, *REGISTRY)
    names = [
        name
        for name in dict.fromkeys(map(shown_name, named))
        if REGISTRY[name].served_by(problem.targets)
        and ((name in problem.score_names and slow) or not REGISTRY[name].slow)
        and name != YIELD
        and not REGISTRY[name].of_bought_parts
    ]
    broken = [name for name, excess in stage.excess.items() if excess[0] > 0]
    missed = zip(problem.goals, problem.missed_goals(stage)[0], strict=True)
    return Swap(
        problem.device.name,
        rewiring,
        {name: float(value[0]) for name, value in problem.scores(parts, names).items()},
        [*map(shown_name, (*broken, *(goal.name for goal, steps in missed if steps > 0)))],
        [name for name in broken if name not in REGISTRY],
        bool(problem.trusted(parts)[0]),
        float(built_well(problem, parts)[0]),
    )
