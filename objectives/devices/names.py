"""Devices by name: aliases, upper and lower case, and what is meant by a misspelt name."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Protocol, TypeVar

from objectives.checks import InputError, did_you_mean


class Named(Protocol):
    """Anything with a name and aliases."""

    @property
    def name(self) -> str:
        """Type number."""

    @property
    def aliases(self) -> tuple[str, ...]:
        """Other names."""


_N = TypeVar("_N", bound=Named)


def by_name(devices: Iterable[_N], where: str = "") -> dict[str, _N]:
    """Return devices by name and alias in lower case.

    Raises
    ------
    InputError
        If ``where`` is given and two have a name in common.
    """
    known: dict[str, _N] = {}
    for device in devices:
        for name in (device.name, *device.aliases):
            other = known.setdefault(name.casefold(), device)
            if where and other is not device:
                field = f"{where}: {device.name}: name or alias"
                raise InputError(field, name, f"must be unique, but {other.name} has it too")
    return known


def find(name: str, devices: Iterable[_N], what: str) -> _N:
    """Return the device of that name or alias, whatever the case; the first of several.

    Raises
    ------
    InputError
        If none has it; the message lists what there is and hints at the closest.
    """
    devices = tuple(devices)
    known, wanted = by_name(devices), str(name).strip()
    if wanted.casefold() in known:
        return known[wanted.casefold()]
    hint = did_you_mean(wanted, (n for d in devices for n in (d.name, *d.aliases)))
    allowed = ", ".join(dict.fromkeys(device.name for device in devices))
    raise InputError(what, name, f"must be one of {allowed}, or an alias of one{hint}")
