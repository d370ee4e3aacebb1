"""Looks up a valve or a transistor by name."""

from __future__ import annotations

from collections.abc import Iterable

from objectives.devices.names import find
from objectives.devices.protocol import Device


def devices() -> tuple[Device, ...]:
    """Return every device of the built-in tables, valves first."""
    # What reads the tables is loaded when they are asked for: the physics does without it.
    from objectives.devices.transistor_table import transistors
    from objectives.devices.valve_table import valves

    return (*valves(), *transistors())


def device(name: str, table: Iterable[Device] | None = None) -> Device:
    """Return the device of that name or alias, whatever the case, e.g. ``"J201"``.

    ``table`` holds the devices to look in; the built-in ones when None.

    Raises
    ------
    InputError
        If nothing has the name; the message lists what exists, and the closest.

    Examples
    --------
    >>> import objectives
    >>> objectives.device("ecc83").name
    '12AX7'
    """
    return find(name, devices() if table is None else table, "device")


def device_names() -> tuple[str, ...]:
    """Return the names of all built-in devices, valves first; aliases left out.

    Examples
    --------
    >>> import objectives
    >>> "12AX7" in objectives.device_names()
    True
    """
    return tuple(device.name for device in devices())
