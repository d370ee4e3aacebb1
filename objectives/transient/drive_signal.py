"""The signal that drives a stage: a sine, clipped or through a driver, and what of it counts."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from objectives.arrays import ComplexArray, FloatArray
from objectives.checks import InputError, require
from objectives.devices.protocol import Device
from objectives.stage import Stage
from objectives.transient.cascade import Cascade, CascadeStage
from objectives.transient.excitation import Emf, clipped_sine, sine
from objectives.transient.spectrum import harmonics, high_harmonics_dB
from objectives.transient.steady_state import periodic, points_for

_SAMPLES_AT_LIMIT = 10
"""Samples in one period of the frequency above which harmonics count: those two octaves higher are
still sampled more than twice."""

_UP_TO_TIMES = 4.0
"""Harmonics count up to so many times that frequency. Where amplitudes fall as 1/n^2 or faster,
as they do behind any plate's capacitance, less than 2 % of the power lies beyond."""

_MOST = 16384
_AUDIBLE_CLIPPING_DB = -100.0
_MISMATCH = 3e-4


@dataclass(frozen=True)
class DriveSignal:
    """The signal under which a stage is judged, and the clipper that it comes through.

    With ``stage`` and ``device`` an earlier stage drives ours through an optional divider; its own
    ``source_ohm`` is what the signal comes from, and ``source_ohm`` and ``cable_F`` of our stage,
    which stand for that driver in small-signal work, do not count. Without them the source of our
    stage itself carries the signal, clipped at ``clip_V`` where that is finite.

    Attributes
    ----------
    level_V : peak of the sine EMF of the source (V)
    note_Hz : its frequency (Hz)
    harmonics_above_Hz : harmonics above this frequency (Hz) count as unwanted
    stage, device : the driver, one of it; both or neither
    divider_series_ohm, divider_shunt_ohm, level_fraction : between driver and stage, as in
        :func:`objectives.circuit.neighbours.driver_of`
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
            value = getattr(self, name)
            require(name, value, 0 < value < np.inf, "more than 0 and finite")
        require(
            "harmonics_above_Hz",
            self.harmonics_above_Hz,
            self.note_Hz < self.harmonics_above_Hz <= _MOST / _SAMPLES_AT_LIMIT * self.note_Hz,
            f"more than the note, {self.note_Hz:g} Hz, and at most "
            f"{_MOST // _SAMPLES_AT_LIMIT} times it",
        )
        if (self.stage is None) != (self.device is None):
            missing = "stage" if self.stage is None else "device"
            raise InputError(missing, None, "must be given, as the other half of the driver is")
        if self.stage is not None and int(np.prod(self.stage.shape)) != 1:
            raise InputError("stage", self.stage.shape, "the batch must be one driver")
        for name in ("divider_series_ohm", "cable_F"):
            value = getattr(self, name)
            require(name, value, 0 <= value < np.inf, "0 or more, finite")
        for name in ("divider_shunt_ohm", "clip_V"):
            value = getattr(self, name)
            require(name, value, value > 0, "more than 0")
        require(
            "level_fraction", self.level_fraction, 0 < self.level_fraction <= 1,
            "more than 0, at most 1",
        )  # fmt: skip

    @property
    def emf(self) -> Emf:
        """EMF of the source."""
        if self.stage is None and np.isfinite(self.clip_V):
            return clipped_sine(self.level_V, self.note_Hz, self.clip_V)
        return sine(self.level_V, self.note_Hz)

    @property
    def steps(self) -> int:
        """Samples in a period of the note that the harmonics which count ask for."""
        wanted = int(np.ceil(_SAMPLES_AT_LIMIT * self.harmonics_above_Hz / self.note_Hz))
        return points_for(wanted)

    @cached_property
    def driver(self) -> CascadeStage | None:
        """The driver as a stage of a cascade; None where there is none."""
        if self.stage is None or self.device is None:
            return None
        return CascadeStage.of(self.stage.map(lambda a: np.reshape(a, ())), self.device)

    def cascade(self, driven: CascadeStage) -> Cascade:
        """Return driver and driven stages as one cascade."""
        if self.driver is None:
            return Cascade((driven,))
        shunt, share = self.divider_shunt_ohm, self.level_fraction
        above = (1.0 - share) * shunt if np.isfinite(shunt) else 0.0
        return Cascade(
            (self.driver, replace(driven, parts=replace(driven.parts, cable_F=self.cable_F))),
            self.divider_series_ohm + above,
            share * shunt,
        )

    @cached_property
    def open_circuit_V(self) -> FloatArray:
        """One period of the EMF behind whatever drives the stage (V), shape (steps,).

        That is the output of the driver with nothing connected, or the source's own EMF.
        """
        period, output = 1 / self.note_Hz, (0, "output")
        if self.driver is None:
            return self.emf(np.asarray(period / self.steps * np.arange(1, self.steps + 1), float))
        alone = periodic(Cascade((self.driver,)), self.emf, period, self.steps, (output,))
        return np.ravel(alone[output])

    @property
    def tolerance_V(self) -> float:
        """How far (V) a capacitor may be from ending a period where it began.

        The sawtooth that this leaves is 90 dB and more under the note in any harmonic that counts.
        """
        shunt, share = self.divider_shunt_ohm, 1.0
        if self.driver is not None and np.isfinite(shunt):
            share = self.level_fraction * shunt / (self.divider_series_ohm + shunt)
        return float(_MISMATCH * share * np.ptp(self.open_circuit_V))

    @cached_property
    def open_circuit_high_dB(self) -> float:
        """Power of the unwanted harmonics of that EMF relative to its fundamental (dB).

        Raises
        ------
        InputError
            If the driver does not clip: then there are no harmonics to speak of.
        """
        level = float(self.high_harmonics_dB(harmonics(self.open_circuit_V)))
        if level < _AUDIBLE_CLIPPING_DB:
            enough = "high enough to make the driver clip" if self.driver else "more than clip_V"
            raise InputError(
                "drive.level_V", self.level_V,
                f"must be {enough}; harmonics above {self.harmonics_above_Hz:g} Hz are "
                f"{-level:.0f} dB under the note",
            )  # fmt: skip
        return level

    def high_harmonics_dB(self, amplitudes: ComplexArray) -> FloatArray:
        """Return the power of the unwanted harmonics relative to the fundamental (dB).

        ``amplitudes`` as :func:`objectives.transient.spectrum.harmonics` returns them.
        """
        above = self.harmonics_above_Hz
        return high_harmonics_dB(amplitudes, self.note_Hz, above, _UP_TO_TIMES * above)
