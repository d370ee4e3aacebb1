"""One look-up of devices by name, across valves and transistors."""

from __future__ import annotations

import difflib
from collections.abc import Iterable

from objectives.devices.protocol import Device
from objectives.devices.transistor_table import Transistor, transistors
from objectives.devices.valve import Valve, ValveDevice
from objectives.devices.valve_table import valves

__all__ = ["device", "device_names"]


def device(
    name: str,
    *,
    valve_table: Iterable[Valve] | None = None,
    transistor_table: Iterable[Transistor] | None = None,
    shielded: bool = False,
    heater_V: float = 0.0,
) -> Device:
    """Return the device of that name or alias, whatever the case.

    Parameters
    ----------
    name :
        Type number, e.g. ``"12AX7"``, ``"ecc83"`` or ``"J201"``.
    valve_table, transistor_table :
        What to look in; the built-in tables when None. A valve comes first where both have a name.
    shielded, heater_V :
        For a valve: use the capacitances published with shield, and the direct voltage of its
        heater to ground (V).

    Raises
    ------
    ValueError
        If nothing has the name (the message lists what exists, the closest first), or a shield is
        asked of a transistor.

    Examples
    --------
    >>> import objectives
    >>> objectives.device("ecc83").name
    '12AX7'
    """
    valve_table = valves() if valve_table is None else tuple(valve_table)
    transistor_table = transistors() if transistor_table is None else tuple(transistor_table)
    valve_by_name, transistor_by_name = _by_name(valve_table, transistor_table)
    wanted = str(name).strip().casefold()
    if wanted in valve_by_name:
        return ValveDevice(valve_by_name[wanted], shielded=shielded, heater_V=heater_V)
    if wanted in transistor_by_name:
        if shielded:
            raise ValueError(f"shielded: True: must be False, as {name} is a transistor")
        return transistor_by_name[wanted]
    spelled = {
        alias.casefold(): alias
        for entry in (*valve_by_name.values(), *transistor_by_name.values())
        for alias in (entry.name, *entry.aliases)
    }
    close = difflib.get_close_matches(wanted, spelled, n=1, cutoff=0.5)
    hint = f"; did you mean {spelled[close[0]]}?" if close else ""
    allowed = ", ".join(device_names(valve_table=valve_table, transistor_table=transistor_table))
    raise ValueError(f"device: {name!r}: must be one of {allowed}, or an alias of one{hint}")


def device_names(
    *,
    valve_table: Iterable[Valve] | None = None,
    transistor_table: Iterable[Transistor] | None = None,
) -> tuple[str, ...]:
    """Return the names of all devices, valves first, each group in order; aliases left out.

    Examples
    --------
    >>> import objectives
    >>> "12AX7" in objectives.device_names()
    True
    """
    valve_by_name, transistor_by_name = _by_name(valve_table, transistor_table)
    return (
        *sorted({entry.name for entry in valve_by_name.values()}),
        *sorted({entry.name for entry in transistor_by_name.values()}),
    )


def _by_name(
    valve_table: Iterable[Valve] | None, transistor_table: Iterable[Transistor] | None
) -> tuple[dict[str, Valve], dict[str, Transistor]]:
    known_valves = tuple(valves() if valve_table is None else valve_table)
    known_transistors = tuple(transistors() if transistor_table is None else transistor_table)
    return (
        {name.casefold(): entry for entry in known_valves for name in (entry.name, *entry.aliases)},
        {
            name.casefold(): entry
            for entry in known_transistors
            for name in (entry.name, *entry.aliases)
        },
    )
