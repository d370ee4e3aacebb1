"""One stage under its drive in detail: waveforms, spectra, bias shift, blocking, headroom."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property, partial
from typing import Literal

import numpy as np

from objectives.arrays import ComplexArray, FloatArray
from objectives.assessment import Assessment
from objectives.checks import InputError, one_of, require
from objectives.circuit.operating_point import operating_point
from objectives.transient.cascade import Cascade, CascadeStage, Place
from objectives.transient.drive_signal import DriveSignal
from objectives.transient.headroom import Headroom
from objectives.transient.integrator import Waveforms
from objectives.transient.long_run import simulate_long
from objectives.transient.spectrum import distortion_percent, harmonics
from objectives.transient.steady_state import periodic, points_for

TestPoint = Literal["driver", "input", "grid", "output"]
"""Where the study looks: the driver's plate, before the stopper (after source resistance or
divider), the grid electrode after the stopper, and the output."""

_RATE_HZ = 128e3
"""Samples a second of the steady state: enough for a smooth drawing of the hardest corners."""

_SLOW_RATE_HZ = 32e3
"""Steps a second through the burst, where only the note and the bias matter."""

FULL_BYPASS_CORNER_HZ = 2.0
"""Corner that stands for a full bypass in runs in time, a tenth of the lowest audible frequency. An
infinite one would never move; every one that can be fitted follows an overload within a second."""

_AUDIBLE_HZ = 20e3
_QUIET_PERIODS = 8
_QUIET_SHARE = 1e-3
"""Level of the quiet note of the blocking test relative to the drive's, so low that the note itself
shifts nothing."""


@dataclass(frozen=True)
class Blocking:
    """A quiet note that is overloaded for a while, one value for each period of the note.

    Attributes
    ----------
    time_s : middle of each period (s)
    grid_cathode_V : mean grid-cathode voltage of the period (V)
    output_dB : level at the output of what the quiet note alone does, relative to the periods
        before the overload (dB); nan during it
    loud_from_s, loud_to_s : when the overload lasts (s)
    before_V : mean grid-cathode voltage before the overload (V)
    overloaded_V : mean grid-cathode voltage in its last period (V)
    """

    time_s: FloatArray
    grid_cathode_V: FloatArray
    output_dB: FloatArray
    loud_from_s: float
    loud_to_s: float
    before_V: float
    overloaded_V: float

    @property
    def shift_V(self) -> float:
        """Bias shift at the end of the overload (V); negative where the grid has charged."""
        return self.overloaded_V - self.before_V

    @property
    def recovery_s(self) -> float:
        """Time (s) after the overload until a tenth of the bias shift is left; inf if not yet."""
        left = np.abs(self.grid_cathode_V - self.before_V) - 0.1 * abs(self.shift_V)
        return self._until(left)

    @property
    def silence_s(self) -> float:
        """Time (s) after the overload until the note is within 3 dB of its level; inf if not yet.

        This is the blocking time: until then the stage is cut off, or much of its gain is gone.
        """
        return self._until(np.abs(self.output_dB) - 3.0)

    def _until(self, excess: FloatArray) -> float:
        """Return when the excess has become negative for good (s), between periods by a line."""
        after = self.time_s > self.loud_to_s
        time, value = self.time_s[after] - self.loud_to_s, excess[after]
        above = np.flatnonzero(value > 0)
        if not above.size:
            return 0.0
        last = int(above[-1])
        if last + 1 == value.size:
            return float("inf")
        fall = value[last] / (value[last] - value[last + 1])
        return float(time[last] + fall * (time[last + 1] - time[last]))


@dataclass(frozen=True)
class LargeSignalStudy:
    """What a drive does to one stage.

    Attributes
    ----------
    drive : the signal
    cascade : driver and stage as they run through time, with no bypass but a finite one
    steady : one period of the periodic steady state
    blocking : a burst of overload on a quiet note
    headroom : swings on the AC load line, shape (1,)
    """

    drive: DriveSignal
    cascade: Cascade
    steady: Waveforms
    blocking: Blocking
    headroom: Headroom

    @property
    def points(self) -> tuple[TestPoint, ...]:
        """Where there is something to see: all but the driver's plate where there is no driver."""
        rest: tuple[TestPoint, ...] = ("input", "grid", "output")
        return rest if self.drive.driver is None else ("driver", *rest)

    def place(self, point: TestPoint) -> Place:
        """Return the place in the cascade of a point."""
        one_of("point", point, self.points)
        return (0, "plate") if point == "driver" else (self.cascade.last, point)

    def waveform_V(self, point: TestPoint) -> FloatArray:
        """Return one period of the signal at a point, its direct voltage at rest taken off (V)."""
        return np.ravel(self.steady.swing(self.place(point)))

    @property
    def time_s(self) -> FloatArray:
        """Times of the waveforms' samples (s)."""
        return self.steady.time_s

    @cached_property
    def amplitudes_V(self) -> dict[TestPoint, ComplexArray]:
        """Complex peak amplitudes of the harmonics at each point, mean first (V)."""
        return {point: harmonics(self.waveform_V(point)) for point in self.points}

    def levels_dB(self, point: TestPoint) -> tuple[FloatArray, FloatArray]:
        """Return frequencies (Hz) of the audible harmonics and their levels re the note (dB)."""
        size = np.abs(self.amplitudes_V[point])[1:]
        f = self.drive.note_Hz * np.arange(1, size.size + 1)
        heard = f <= _AUDIBLE_HZ
        levels = 20 * np.log10(np.maximum(size[heard] / size[0], 1e-12))
        return np.asarray(f[heard], float), np.asarray(levels, float)

    def high_dB(self, point: TestPoint) -> float:
        """Return the power of the unwanted harmonics at a point relative to the note (dB)."""
        return float(self.drive.high_harmonics_dB(self.amplitudes_V[point]))

    @property
    def open_circuit_high_dB(self) -> float:
        """The same in the EMF that drives the stage (dB)."""
        return float(self.drive.high_harmonics_dB(harmonics(self.drive.open_circuit_V)))

    @property
    def fall_dB(self) -> float:
        """Reduction of the unwanted harmonics from that EMF to the grid (dB)."""
        return self.open_circuit_high_dB - self.high_dB("grid")

    @property
    def fall_across_stopper_dB(self) -> float:
        """Reduction from before the stopper to the grid, in circuit (dB)."""
        return self.high_dB("input") - self.high_dB("grid")

    def distortion_percent(self, point: TestPoint) -> float:
        """Return the total harmonic distortion at a point (%)."""
        return float(distortion_percent(self.amplitudes_V[point]))

    def duty(self, point: TestPoint) -> float:
        """Return the share of the period that the signal spends above the middle of its swing."""
        wave = self.waveform_V(point)
        return float(np.mean(wave > 0.5 * (wave.max() + wave.min())))

    @property
    def bias_V(self) -> float:
        """Mean grid-cathode voltage in the steady state (V)."""
        return float(np.mean(self.steady.grid_cathode_V(self.cascade.last)))

    @property
    def rest_bias_V(self) -> float:
        """Grid-cathode voltage at rest (V)."""
        return float(np.ravel(self.steady.grid_cathode_rest_V(self.cascade.last))[0])

    @property
    def bias_shift_V(self) -> float:
        """The difference: negative where grid current has charged the coupling capacitor (V)."""
        return self.bias_V - self.rest_bias_V

    @property
    def conducting_share(self) -> float:
        """Share of the period for which the grid stands above the cathode."""
        return float(np.mean(self.steady.grid_cathode_V(self.cascade.last) > 0))

    @property
    def settled(self) -> bool:
        """Whether the steady state was found to the accuracy asked for."""
        return bool(np.all(self.steady.settled))


def large_signal_study(
    assessment: Assessment,
    drive: DriveSignal | None = None,
    *,
    loud_s: float = 0.2,
    after_s: float = 0.5,
) -> LargeSignalStudy:
    """Work out what a drive, by default that of the targets, does to one stage.

    The overload lasts for ``loud_s``; the quiet note is followed for ``after_s`` (s) after it.

    Raises
    ------
    ValueError
        If there is no drive, the assessment has more than one stage, or a setting is out of range.
    """
    drive = assessment.targets.drive if drive is None else drive
    if drive is None:
        raise ValueError("targets.drive: not given: a drive study needs it")
    stage = assessment.in_cascade.flat()
    if stage.shape != (1,):
        raise InputError("assessment", stage.shape[0], "there must be one stage")
    for name, value in (("loud_s", loud_s), ("after_s", after_s)):
        require(name, value, 0 < value <= 10, "more than 0, at most 10")
    cascade = drive.cascade(stage)
    last = cascade.last
    places = [(last, name) for name in ("input", "grid", "cathode", "output")]
    if drive.driver is not None:
        places.append((0, "plate"))
    steps = max(drive.steps, points_for(int(_RATE_HZ / drive.note_Hz)))
    steady = periodic(cascade, drive.emf, 1 / drive.note_Hz, steps, places)
    in_time = replace(cascade, stages=tuple(map(_with_finite_bypass, cascade.stages)))
    blocking = _blocking(drive, in_time, loud_s, after_s)
    return LargeSignalStudy(drive, in_time, steady, blocking, assessment.headroom)


def _with_finite_bypass(stage: CascadeStage) -> CascadeStage:
    """Return the stage with a full bypass of :data:`FULL_BYPASS_CORNER_HZ`."""
    parts = stage.parts
    point = operating_point(parts, stage.law, extra_plate_current_A=stage.follower_A)
    # At the cathode the bypass sees its resistor and, with the plate held still, 1/gm: no less.
    enough_S = point.transconductance_S + 1 / np.maximum(parts.cathode_resistor_ohm, 1e-3)
    enough_F = enough_S / (2 * np.pi * FULL_BYPASS_CORNER_HZ)
    full = np.isinf(parts.bypass_F) & (parts.cathode_resistor_ohm > 0)
    return replace(stage, parts=replace(parts, bypass_F=np.where(full, enough_F, parts.bypass_F)))


def _blocking(drive: DriveSignal, cascade: Cascade, loud_s: float, after_s: float) -> Blocking:
    note, whole = drive.note_Hz, drive.emf
    before = _QUIET_PERIODS
    loud, after = (max(2, round(seconds * note)) for seconds in (loud_s, after_s))
    periods = before + loud + after
    start, end = before / note, (before + loud) / note
    quiet = replace(drive, level_V=_QUIET_SHARE * drive.level_V).emf
    per_period = max(48, round(_SLOW_RATE_HZ / note))
    last = cascade.last

    def burst(time_s: FloatArray, share: float) -> FloatArray:
        loudly = (time_s > start) & (time_s < end)
        return np.where(loudly, whole(time_s), share * quiet(time_s))

    def by_period(values: FloatArray) -> FloatArray:
        return np.ravel(values)[: periods * per_period].reshape(periods, per_period)

    steps = periods * per_period
    heard, silent = simulate_long(
        cascade,
        ((partial(burst, share=1.0), steps), (partial(burst, share=0.0), steps)),
        1 / (note * per_period),
        ((last, "grid"), (last, "cathode"), (last, "output")),
        # Finer than for the steady state: the quiet note must stand clear of what is left.
        tolerance_V=0.1 * drive.tolerance_V,
    )
    bias = by_period(heard.grid_cathode_V(last))
    # What the quiet note alone does: the recovery itself has harmonics of the note too.
    alone = by_period(heard[last, "output"] - silent[last, "output"])
    level = np.abs(harmonics(alone)[:, 1])
    level[before : before + loud] = np.nan
    first = float(np.mean(level[before // 2 : before]))
    means = bias.mean(axis=1)
    return Blocking(
        time_s=np.asarray((np.arange(periods) + 0.5) / note, float),
        grid_cathode_V=means,
        output_dB=20 * np.log10(np.maximum(level, 1e-12 * first) / first),
        loud_from_s=start,
        loud_to_s=end,
        before_V=float(np.mean(means[before // 2 : before])),
        overloaded_V=float(means[before + loud - 1]),
    )
