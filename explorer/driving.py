"""What drives the stage: a Thevenin source or an earlier stage, an attenuator and a cable."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike

from objectives.arrays import FloatArray, IntArray
from objectives.circuit.neighbours import Driver, driver_of
from objectives.devices.protocol import Device
from objectives.elements import DRIVER
from objectives.format import first
from objectives.stage import Stage
from objectives.transient.drive_signal import DriveSignal

_ATTENUATOR: Final = ("divider_series_ohm", "divider_shunt_ohm", "level_fraction")
_LITTLE_LOSS_dB: Final = 0.1


def distinct_drivers(parts: Mapping[str, FloatArray]) -> tuple[dict[str, FloatArray], IntArray]:
    """Return the distinct drivers of N candidates, and which of them each candidate has.

    Returns
    -------
    The columns of the M distinct drivers, each of shape (M,), empty where no candidate states a
    driver of its own; and rows of them, shape (N,).
    """
    names = [name for name in parts if name.startswith(DRIVER)]
    if not names:
        return {}, np.zeros(0, np.intp)
    table = np.stack([a.ravel() for a in np.broadcast_arrays(*(parts[n] for n in names))], axis=-1)
    rows, which = np.unique(table, axis=0, return_inverse=True)
    return dict(zip(names, rows.T, strict=True)), which.ravel()


@dataclass(frozen=True)
class Driving:
    """What drives the stage; the fields of an earlier stage and of the attenuator broadcast."""

    reference_Hz: float
    temperature_K: float = 300.0
    resistance_ohm: float = 0.0
    """Of the source, without an earlier stage."""
    stage: Stage | None = None
    device: Device | None = None
    """Of the earlier stage."""
    cable_F: float = 0.0
    divider_series_ohm: ArrayLike = 0.0
    divider_shunt_ohm: ArrayLike = np.inf
    level_fraction: ArrayLike = 1.0

    def at(self, parts: Mapping[str, FloatArray]) -> Driving:
        """Return it with the values that candidates state for it: ``driver.plate_load_ohm``."""
        own = {n.removeprefix(DRIVER): a for n, a in parts.items() if n.startswith(DRIVER)}
        if not own:
            return self
        attenuator: dict[str, Any] = {n: own.pop(n) for n in _ATTENUATOR if n in own}
        stage = replace(self.stage, **own) if self.stage is not None else None
        return replace(self, stage=stage, **attenuator)

    @cached_property
    def driver(self) -> Driver | None:
        """The earlier stage as the stage sees it; None without one."""
        if self.stage is None or self.device is None:
            return None
        attenuator = {name: getattr(self, name) for name in _ATTENUATOR}
        return driver_of(
            self.stage, self.device, self.reference_Hz,
            temperature_K=self.temperature_K, **attenuator,
        )  # fmt: skip

    def fields(self) -> dict[str, FloatArray]:
        """Return the fields of :class:`Stage` that state what drives it.

        The driver's own capacitance counts as the cable's, but behind an attenuator it lies ahead
        of most of the resistance and does little: there it is left out rather than counted at full
        weight.
        """
        if self.driver is not None:
            own_F = np.maximum(self.driver.output_F, 0.0)
            little = self.driver.divider_loss_dB <= _LITTLE_LOSS_dB
            return {
                "source_ohm": self.driver.source_ohm,
                "source_ratio": np.abs(self.driver.thevenin_gain / self.driver.open_circuit_gain),
                "driver_noise_ohm": self.driver.noise_ohm,
                "driver_flicker_Hz": self.driver.flicker_Hz,
                "cable_F": self.cable_F + np.where(little, own_F, 0.0),
            }
        ahead = self.resistance_ohm + np.asarray(self.divider_series_ohm, float)
        track = np.asarray(self.divider_shunt_ohm, float)
        with np.errstate(invalid="ignore"):
            below = np.asarray(self.level_fraction, float) * track
            above = ahead + track - below
            ohm, ratio = below * above / (below + above), below / (below + above)
        return {
            "source_ohm": np.where(np.isinf(track), ahead, ohm),
            "source_ratio": np.where(np.isinf(track), 1.0, ratio),
            "cable_F": np.asarray(self.cable_F),
        }

    def signal(self, drive: DriveSignal) -> DriveSignal:
        """Return a drive that comes through this one driver."""
        if self.stage is None:
            return drive
        attenuator = {name: first(getattr(self, name)) for name in _ATTENUATOR}
        stage = self.stage.map(lambda a: np.reshape(a, ()))
        return replace(drive, stage=stage, device=self.device, cable_F=self.cable_F, **attenuator)
