"""The noise of a valve as the valve table states it."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any, Self

from pydantic import model_validator
from pydantic_core import PydanticCustomError

from objectives.devices.table import Entry, NotNegative, Positive, Sourced
from objectives.devices.valve import FlickerVoltage, Valve


class _Flicker(Entry):
    V_per_rtHz: NotNegative
    at_Hz: Positive
    at_A: Positive | None = None


class NoiseEntry(Sourced):
    """White noise by the transconductance; flicker as a voltage of its own, or by a corner."""

    resistance_factor: Positive
    flicker: _Flicker | None = None
    flicker_corner_Hz: NotNegative | None = None

    @model_validator(mode="after")
    def _one_flicker(self) -> Self:
        if (self.flicker is None) == (self.flicker_corner_Hz is None):
            raise PydanticCustomError("flicker", "must have either flicker or flicker_corner_Hz")
        return self

    def fields(self) -> dict[str, Any]:
        """Return it as fields of :class:`~objectives.devices.valve.Valve`."""
        white = {"noise_resistance_factor": self.resistance_factor}
        if self.flicker is None:
            return {**white, "flicker_corner_Hz": self.flicker_corner_Hz}
        return {**white, "flicker": FlickerVoltage(**self.flicker.model_dump())}


def noise_table(of: Valve) -> dict[str, Any]:
    """Return the noise of a valve as its entry states it; None where a field is left out."""
    return {
        "resistance_factor": of.noise_resistance_factor,
        "flicker": of.flicker and asdict(of.flicker),
        "flicker_corner_Hz": None if of.flicker else of.flicker_corner_Hz,
        "source": of.sources.noise,
    }
