"""TODO explorer.devices."""

from __future__ import annotations

from explorer.brief.errors import BriefError
from explorer.brief.model import Brief
from objectives.devices.lookup import device as named_device
from objectives.devices.protocol import Device
from objectives.devices.valve import Valve, ValveDevice
from objectives.devices.valve_table import load_valves, valve, valves

__all__ = ["valve_table"]


def valve_table(brief: Brief) -> tuple[Valve, ...]:
    """Return the valves that a brief may name: its own table first, then the built-in one."""
    own = load_valves(brief.valve_table_path) if brief.valve_table_path is not None else ()
    taken = {name.casefold() for entry in own for name in entry.names}
    return own + tuple(v for v in valves() if not taken & {n.casefold() for n in v.names})


def _device(brief: Brief, name: str, field: str) -> Device:
    try:
        entry = valve(name, valve_table(brief))
    except ValueError as error:
        raise BriefError([f"{field}: {error}"], brief.source) from None
    if brief.strays.shielded and entry.c_grid_plate_shielded_F is None:
        raise BriefError(
            [
                f"strays.shielded: true: the table has no capacitances of the {entry.name} with "
                "shield; expected false"
            ],
            brief.source,
        )
    return ValveDevice(entry, brief.strays.shielded, brief.supply.heater_elevation)


def _own_device(brief: Brief) -> Device:
    """Return the device of the stage itself: a valve, or a transistor in its place."""
    if brief.transistor is not None:
        return named_device(brief.transistor, valve_table=())
    return _device(brief, brief.device, "valve")
