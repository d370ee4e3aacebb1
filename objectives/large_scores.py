"""Scores of a driven stage: what is left of a clipper's harmonics, bias shift and headroom."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from objectives.device import Device
from objectives.stage import Stage

__all__ = ["Drive"]


@dataclass(frozen=True)
class Drive:
    """The signal under which a stage is judged, and the clipper that it comes through.

    With ``stage`` and ``device`` an earlier stage drives ours through an optional divider; its own
    ``source_ohm`` is what the signal comes from, and ``source_ohm`` and ``cable_F`` of our stage,
    which stand for that driver in small-signal work, are put aside. Without them the source of our
    stage itself carries the signal, clipped at ``clip_V`` where that is finite.

    Attributes
    ----------
    level_V : peak of the sine EMF of the source (V)
    note_Hz : its frequency (Hz)
    harmonics_above_Hz : harmonics above this frequency (Hz) count as unwanted
    stage, device : the driver; both or neither
    divider_series_ohm, divider_shunt_ohm, level_fraction : between driver and stage, as in
        :func:`objectives.surroundings.driver_of`
    cable_F : capacitance to ground after the divider (F), with a driver
    clip_V : without a driver, level (V) at which the source's EMF is cut off on both sides
    """

    level_V: float
    note_Hz: float
    harmonics_above_Hz: float = 5e3
    stage: Stage | None = None
    device: Device | None = None
    divider_series_ohm: float = 0.0
    divider_shunt_ohm: float = np.inf
    level_fraction: float = 1.0
    cable_F: float = 0.0
    clip_V: float = np.inf

    def __post_init__(self) -> None:
        for name in ("level_V", "note_Hz", "harmonics_above_Hz"):
            _require(name, getattr(self, name), 0.0, np.inf, "more than 0 and finite")
        if self.harmonics_above_Hz <= self.note_Hz:
            raise ValueError(
                f"harmonics_above_Hz: {self.harmonics_above_Hz!r}: must be more than the note, "
                f"{self.note_Hz!r} Hz"
            )
        if (self.stage is None) != (self.device is None):
            missing = "stage" if self.stage is None else "device"
            raise ValueError(f"{missing}: None: must be given, as the other half of the driver is")
        if not (np.isfinite(self.divider_series_ohm) and self.divider_series_ohm >= 0):
            raise ValueError(
                f"divider_series_ohm: {self.divider_series_ohm!r}: must be 0 or more, finite"
            )
        if not (np.isfinite(self.cable_F) and self.cable_F >= 0):
            raise ValueError(f"cable_F: {self.cable_F!r}: must be 0 or more, finite")
        for name in ("divider_shunt_ohm", "clip_V"):
            if not getattr(self, name) > 0:
                raise ValueError(f"{name}: {getattr(self, name)!r}: must be more than 0")
        if not 0 < self.level_fraction <= 1:
            raise ValueError(
                f"level_fraction: {self.level_fraction!r}: must be more than 0, at most 1"
            )


def _require(name: str, value: float, low: float, high: float, allowed: str) -> None:
    if not low < value < high:
        raise ValueError(f"{name}: {value!r}: must be {allowed}")
