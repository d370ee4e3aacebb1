"""The response that a stage should show on the bench, and where readings leave its band."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Literal

import numpy as np

from objectives.arrays import FloatArray
from objectives.assessment import Assessment
from objectives.circuit.corners import Port, swept_level_dB
from objectives.format import first
from objectives.tolerance.builds import PERCENTILES, built_stages, one_axis
from objectives.tolerance.setup import ToleranceSetup
from objectives.tolerance.spreads import draw_factors, draw_units

_DRAWS = 512
_READING_SIGMAS = 2.0
"""A reading this many of its own errors beyond the band is outside it."""


@dataclass(frozen=True)
class Readings:
    """Levels read on the bench, in ascending order of frequency; arrays of shape (readings,).

    Attributes
    ----------
    sigma_dB : standard error of each reading
    absolute : whether the levels are gains from the source's EMF; else they are relative to an
        unknown reference, and only the shape of the response is compared
    port : where they were read
    """

    frequency_Hz: FloatArray
    level_dB: FloatArray
    sigma_dB: FloatArray
    absolute: bool = False
    port: Port = "output"


@dataclass(frozen=True)
class Departure:
    """Neighbouring readings outside the band, all on one side of it.

    Attributes
    ----------
    low_Hz, high_Hz : first and last of the readings
    worst_dB : the farthest beyond the edge of the band; negative is below
    readings : how many
    region : below the reference frequency, above it, or on both sides
    """

    low_Hz: float
    high_Hz: float
    worst_dB: float
    readings: int
    region: Literal["low", "high", "both"]


@dataclass(frozen=True)
class Prediction:
    """What a stage with spreads should show at the frequencies of readings.

    ``nominal`` is a batch of one.
    """

    nominal: Assessment
    setup: ToleranceSetup
    readings: Readings

    @cached_property
    def base(self) -> Assessment:
        """The stage on one axis, which its builds share."""
        return one_axis(self.nominal)

    @cached_property
    def builds(self) -> Assessment:
        """The stage as built, shape (1, draws)."""
        spreads = self.setup.spreads
        units = draw_units(spreads, _DRAWS, self.setup.seed)
        return built_stages(self.base, slice(0, 1), spreads, draw_factors(spreads, units))

    @cached_property
    def nominal_dB(self) -> FloatArray:
        """Level of the stage with every value nominal, shape (readings,)."""
        return np.asarray(self._swept(self.base)[0])

    @cached_property
    def offset_dB(self) -> float:
        """The reference of relative levels: the median of measured minus nominal."""
        if self.readings.absolute:
            return 0.0
        return float(np.median(self.readings.level_dB - self.nominal_dB))

    @cached_property
    def measured_dB(self) -> FloatArray:
        """The readings on the scale of the nominal response, shape (readings,)."""
        return self.readings.level_dB - self.offset_dB

    @cached_property
    def band_dB(self) -> FloatArray:
        """The 5th, 50th and 95th percentile over the builds, shape (3, readings).

        Of relative levels each build is set on the nominal response as the readings are.
        """
        levels = self._swept(self.builds)[0]
        if not self.readings.absolute:
            levels = levels - np.median(levels - self.nominal_dB, axis=1, keepdims=True)
        return np.asarray(np.percentile(levels, PERCENTILES, axis=0))

    @cached_property
    def rest_dB2(self) -> FloatArray:
        """Second moment about the nominal level of builds whose fitted values are nominal (dB²).

        Shape (readings, readings): what the spreads of all other values do to the response.
        """
        built, own = self.builds, self.base.linear
        ratio = own.transconductance_S[:, np.newaxis] / built.linear.transconductance_S
        linear = replace(
            built.linear,
            transconductance_S=own.transconductance_S[:, np.newaxis],
            plate_conductance_S=built.linear.plate_conductance_S * ratio,
            grid_plate_F=np.broadcast_to(first(own.grid_plate_F), ratio.shape),
        )
        loaded = replace(built.loaded, source_ohm=first(self.base.stage.source_ohm))
        levels = swept_level_dB(loaded, linear, self.readings.frequency_Hz, self.readings.port)[0]
        moved = levels - self.nominal_dB
        return np.asarray(moved.T @ moved / len(moved))

    def _swept(self, stages: Assessment) -> FloatArray:
        return swept_level_dB(
            stages.loaded, stages.linear, self.readings.frequency_Hz, self.readings.port
        )

    def departures(self) -> tuple[Departure, ...]:
        """Return where the readings lie outside the band by more than their own error."""
        return tuple(self._departures())

    def _departures(self) -> Iterator[Departure]:
        low, _, high = self.band_dB
        beyond = np.maximum(self.measured_dB - high, 0) + np.minimum(self.measured_dB - low, 0)
        side = np.sign(beyond) * (np.abs(beyond) > _READING_SIGMAS * self.readings.sigma_dB)
        frequency, reference = self.readings.frequency_Hz, self.nominal.targets.reference_Hz
        ends = np.flatnonzero(np.diff(side)) + 1
        for run in np.split(np.arange(side.size), ends):
            if side[run[0]] == 0:
                continue
            first_Hz, last_Hz = float(frequency[run[0]]), float(frequency[run[-1]])
            region: Literal["low", "high", "both"] = "both"
            if last_Hz <= reference:
                region = "low"
            elif first_Hz >= reference:
                region = "high"
            worst = beyond[run][np.argmax(np.abs(beyond[run]))]
            yield Departure(first_Hz, last_Hz, float(worst), run.size, region)
