"""What a stage is measured against: reference, corner, radio bands, ratings, tolerance, drive."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from objectives.arrays import FloatArray
from objectives.radio.detection import Carrier
from objectives.tolerance.setup import ToleranceSetup
from objectives.transient.drive_signal import DriveSignal

BAND_POINTS = 9
"""Frequencies at which a radio band is sampled, spread evenly in log f, both edges included."""


@dataclass(frozen=True)
class RadioBand:
    """A band (Hz) in which the grid must be attenuated by at least so many dB."""

    name: str
    low_Hz: float
    high_Hz: float
    attenuation_dB: float

    @property
    def frequencies_Hz(self) -> FloatArray:
        """Where the band is sampled, shape (BAND_POINTS,)."""
        return np.geomspace(self.low_Hz, self.high_Hz, BAND_POINTS)


@dataclass(frozen=True)
class Ripple:
    """What is left of the mains on a supply: r.m.s. voltage (V) and frequency (Hz)."""

    voltage_V: float
    frequency_Hz: float = 100.0


@dataclass(frozen=True)
class PartRating:
    """Maximum power (W) and voltage (V) of a fitted resistor; inf where not stated."""

    power_W: float = np.inf
    voltage_V: float = np.inf


@dataclass(frozen=True)
class Targets:
    """What the stage is measured against."""

    reference_Hz: float = 1000.0
    temperature_K: float = 300.0
    noise_band_Hz: tuple[float, float] = (20.0, 20e3)
    input_corner_Hz: float | None = None
    radio_bands: tuple[RadioBand, ...] = ()
    preferred: Mapping[str, FloatArray] = field(default_factory=dict)
    """For each varied part (a field of Stage) the values that count as preferred."""
    stock: str = "the series"
    """What these values are: ``E12``, ``the drawer``."""
    prices: Mapping[str, tuple[FloatArray, FloatArray]] = field(default_factory=dict)
    """For each varied part the values of the drawer (ascending) and the price of each."""
    part_ratings: Mapping[str, PartRating] = field(default_factory=dict)
    """Ratings of resistors that carry direct current, by field of Stage."""
    excess_noise_per_V: Mapping[str, float] = field(default_factory=dict)
    """R.m.s. excess noise of resistors in a decade, over the direct voltage across them (V/V), by
    field of Stage; of the grid leak it is that of a bias divider's two. None where not stated."""
    derating: float = 1.0
    """Share of every rating that may be used."""
    supply_rise: float = 0.0
    """Ratings are checked with the supply this much (a fraction) above its voltage."""
    ripple: Ripple | None = None
    """The supply's ripple, ahead of its decoupling, that hum is stated for."""
    tolerance: ToleranceSetup | None = None
    """Spreads, windows and draws of the tolerance yield."""
    drive: DriveSignal | None = None
    """The signal, and the stage it comes from, under which large-signal scores are stated."""
    carrier: Carrier = field(default_factory=Carrier)
    """The radio carrier: how it arrives, and the level that detection is stated for."""

    @property
    def trusted_Hz(self) -> float:
        """The frequency up to which anything is said of radio."""
        return self.carrier.arrival.trust.highest_Hz

    @property
    def scored_bands(self) -> tuple[RadioBand, ...]:
        """The radio bands, each up to where the network is trusted; those beyond are left out."""
        top = self.trusted_Hz
        return tuple(
            replace(band, high_Hz=min(band.high_Hz, top))
            for band in self.radio_bands
            if band.low_Hz < top
        )

    @property
    def unscored_bands(self) -> tuple[RadioBand, ...]:
        """What of the radio bands lies beyond, and counts nowhere."""
        top = self.trusted_Hz
        return tuple(
            replace(band, low_Hz=max(band.low_Hz, top))
            for band in self.radio_bands
            if band.high_Hz > top
        )
