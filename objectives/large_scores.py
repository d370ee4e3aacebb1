"""Scores of a driven stage: what is left of a clipper's harmonics, bias shift and headroom.

Importing this module enters its scores into :data:`objectives.scores.REGISTRY`.

Every candidate is solved together with the driver, loading it as it does in truth: one period of
the periodic steady state (:func:`objectives.large_signal.periodic`), with as many steps as the
highest frequency that counts asks for. What the harmonics fell from is the driver's open-circuit
output, which is the same for every candidate.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from scipy import fft

from objectives.batch import BoolArray, FloatArray
from objectives.chain import Chain, Link, Place
from objectives.device import Device
from objectives.headroom import Headroom, headroom
from objectives.large_signal import Emf, Waveforms, clipped_sine, periodic, sine
from objectives.scores import Assessment, least, score, score_of_facets
from objectives.spectrum import distortion_percent, harmonics, high_harmonics_dB
from objectives.stage import Stage

__all__ = ["Drive", "Driven", "driven", "headroom_of", "high_harmonics_of_dB"]

_SAMPLES_AT_LIMIT = 16
"""Steps in one period of the frequency above which harmonics count: the solver's error there is
0.04 (2 pi/16)^2 = 0.6 %, and harmonics two octaves higher are still sampled four times."""
_OCTAVES = 4.0
"""Harmonics count up to so many times that frequency. Where amplitudes fall as 1/n^2 or faster,
as they do behind any plate's capacitance, less than 2 % of the power lies beyond."""
_FEWEST, _MOST = 128, 16384
_AUDIBLE_CLIPPING_DB = -100.0
_MISMATCH = 3e-4
_BLOCK = 512
_LARGEST_RATIO = 1e3
"""A ratio beyond this is reported as this, so that every candidate can be compared."""


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
    stage, device : the driver, one of it; both or neither
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
            value = getattr(self, name)
            _require(name, value, 0 < value < np.inf, "more than 0 and finite")
        _require(
            "harmonics_above_Hz",
            self.harmonics_above_Hz,
            self.note_Hz < self.harmonics_above_Hz <= _MOST / _SAMPLES_AT_LIMIT * self.note_Hz,
            f"more than the note, {self.note_Hz:g} Hz, and at most "
            f"{_MOST // _SAMPLES_AT_LIMIT} times it",
        )
        if (self.stage is None) != (self.device is None):
            missing = "stage" if self.stage is None else "device"
            raise ValueError(f"{missing}: None: must be given, as the other half of the driver is")
        if self.stage is not None and int(np.prod(self.stage.shape)) != 1:
            raise ValueError(f"stage: batch of shape {self.stage.shape}: must be one driver")
        for name in ("divider_series_ohm", "cable_F"):
            value = getattr(self, name)
            _require(name, value, 0 <= value < np.inf, "0 or more, finite")
        for name in ("divider_shunt_ohm", "clip_V"):
            value = getattr(self, name)
            _require(name, value, value > 0, "more than 0")
        _require(
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
        """Steps in a period of the note that the harmonics which count ask for."""
        wanted = int(np.ceil(_SAMPLES_AT_LIMIT * self.harmonics_above_Hz / self.note_Hz))
        return int(fft.next_fast_len(max(wanted, _FEWEST), real=True))

    @cached_property
    def driver(self) -> Link | None:
        """The driver as a link of a chain; None where there is none."""
        if self.stage is None or self.device is None:
            return None
        return Link.of(self.stage.map(lambda a: np.reshape(a, ())), self.device)

    def chain(self, link: Link) -> Chain:
        """Return driver and stages as one chain."""
        if self.driver is None:
            return Chain((link,))
        shunt, share = self.divider_shunt_ohm, self.level_fraction
        above = (1.0 - share) * shunt if np.isfinite(shunt) else 0.0
        return Chain(
            (self.driver, replace(link, stage=replace(link.stage, cable_F=self.cable_F))),
            self.divider_series_ohm + above,
            share * shunt,
        )

    @cached_property
    def open_circuit(self) -> Waveforms | None:
        """One period of the driver's output with nothing connected; None without a driver."""
        if self.driver is None:
            return None
        return periodic(
            Chain((self.driver,)), self.emf, 1 / self.note_Hz, self.steps,
            ((0, "plate"), (0, "output")),
        )  # fmt: skip

    @cached_property
    def open_circuit_V(self) -> FloatArray:
        """One period of the EMF behind whatever drives the stage (V), shape (steps,)."""
        if self.open_circuit is not None:
            return np.ravel(self.open_circuit[0, "output"])
        return self.emf(np.arange(1, self.steps + 1) / (self.steps * self.note_Hz))

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
        ValueError
            If the driver does not clip: then there are no harmonics to speak of.
        """
        level = float(high_harmonics_of_dB(self, harmonics(self.open_circuit_V)))
        if level < _AUDIBLE_CLIPPING_DB:
            what = "drive the driver into clipping" if self.driver else "be more than clip_V"
            raise ValueError(
                f"drive.level_V: {self.level_V!r}: must {what}; harmonics above "
                f"{self.harmonics_above_Hz:g} Hz are {-level:.0f} dB under the note"
            )
        return level


def high_harmonics_of_dB(drive: Drive, amplitudes: FloatArray | Any) -> FloatArray:
    """Return the power of the harmonics that the drive counts, relative to the fundamental (dB).

    ``amplitudes`` as :func:`objectives.spectrum.harmonics` returns them.
    """
    above = drive.harmonics_above_Hz
    return high_harmonics_dB(amplitudes, drive.note_Hz, above, _OCTAVES * above)


@dataclass(frozen=True)
class Driven:
    """A batch of stages in the periodic steady state of a drive; shape of the batch.

    Attributes
    ----------
    high_at_input_dB, high_at_grid_dB : power of the unwanted harmonics before the stopper, in
        circuit (after source resistance or divider), and after it, at the grid electrode; each
        relative to the fundamental there (dB)
    bias_shift_V : mean grid-cathode voltage less that at rest (V); negative where grid current
        charges the coupling capacitor
    distortion_percent : total harmonic distortion at the output (%)
    output_V : peak of the output's fundamental (V)
    settled : whether the solution converged; the others are nan where it did not
    """

    high_at_input_dB: FloatArray
    high_at_grid_dB: FloatArray
    bias_shift_V: FloatArray
    distortion_percent: FloatArray
    output_V: FloatArray
    settled: BoolArray


def driven(assessment: Assessment) -> Driven:
    """Return the driven stages of an assessment, worked out once.

    Raises
    ------
    ValueError
        If the targets have no drive.
    """
    found: Driven = _once(assessment, "_driven", _driven)
    return found


def headroom_of(assessment: Assessment) -> Headroom:
    """Return the headroom of an assessment at its reference frequency, worked out once."""
    found: Headroom = _once(
        assessment, "_headroom", lambda a: headroom(a.device.law, a.point, a.reference)
    )
    return found


def _once(assessment: Assessment, name: str, work: Any) -> Any:
    # As functools.cached_property does: in the instance's dictionary, past the frozen attributes.
    kept = assessment.__dict__
    if name not in kept:
        kept[name] = work(assessment)
    return kept[name]


def _driven(assessment: Assessment) -> Driven:
    drive = assessment.targets.drive
    if drive is None:
        raise ValueError("targets.drive: not given: large-signal scores need it")
    shape = assessment.point.plate_current_A.shape
    link = Link.of_assessment(assessment).flat()
    size = int(np.prod(shape))
    rows = np.empty((6, size))
    for first in range(0, size, _BLOCK):
        block = slice(first, first + _BLOCK)
        rows[:, block] = _driven_block(drive, link.at(block))
    before, after, shift, distortion, output, settled = (row.reshape(shape) for row in rows)
    return Driven(before, after, shift, distortion, output, settled > 0)


def _driven_block(drive: Drive, link: Link) -> FloatArray:
    chain = drive.chain(link)
    last = len(chain.links) - 1
    places: tuple[Place, ...] = tuple(
        (last, name) for name in ("input", "grid", "cathode", "output")
    )
    run = periodic(
        chain, drive.emf, 1 / drive.note_Hz, drive.steps, places, tolerance_V=drive.tolerance_V
    )
    before, grid, output = (harmonics(run[last, at]) for at in ("input", "grid", "output"))
    shift = run.grid_cathode_V(last).mean(axis=-1) - run.grid_cathode_rest_V(last)
    found = np.stack(
        [
            high_harmonics_of_dB(drive, before),
            high_harmonics_of_dB(drive, grid),
            shift,
            distortion_percent(output),
            np.abs(output[..., 1]),
        ]
    )
    found = np.where(run.settled, found, np.nan)
    return np.concatenate([found, run.settled[None].astype(float)]).reshape(6, -1)


# -- scores ----------------------------------------------------------------------------------------


@score(
    "harmonic_fall_dB", "dB", "maximise",
    "by how much the power of the driver's harmonics above the stated frequency, relative to the "
    "note, is less at the grid than in the driver's open-circuit output",
    requires=("drive",),
    costly=True,
)  # fmt: skip
def _harmonic_fall(a: Assessment) -> FloatArray:
    if a.targets.drive is None:
        raise ValueError("targets.drive: not given: harmonic_fall_dB needs it")
    before = a.targets.drive.open_circuit_high_dB
    return np.asarray(before - driven(a).high_at_grid_dB)


@score(
    "harmonic_fall_across_stopper_dB", "dB", "maximise",
    "by how much the power of harmonics above the stated frequency, relative to the note, is less "
    "at the grid than before the stopper, in circuit",
    requires=("drive",),
    costly=True,
)  # fmt: skip
def _fall_across_stopper(a: Assessment) -> FloatArray:
    found = driven(a)
    return found.high_at_input_dB - found.high_at_grid_dB


@score(
    "bias_shift_V", "V", "neither",
    "mean grid-cathode voltage under the drive, less that at rest",
    requires=("drive",),
    costly=True,
)  # fmt: skip
def _bias_shift(a: Assessment) -> FloatArray:
    return driven(a).bias_shift_V


@score(
    "driven_distortion_percent", "%", "neither",
    "total harmonic distortion at the output under the drive",
    requires=("drive",),
    costly=True,
)  # fmt: skip
def _driven_distortion(a: Assessment) -> FloatArray:
    return driven(a).distortion_percent


@score_of_facets(
    "headroom_V", "V", "maximise",
    "smaller of the peak output swings to cut-off and to grid conduction on the AC load line",
    least,
    source="load-line construction; cut-off: 1 % of the quiescent current; conduction: grid at "
    "the cathode's voltage",
)  # fmt: skip
def _headroom(a: Assessment) -> Sequence[FloatArray]:
    return headroom_of(a).peaks_V


@score(
    "headroom_asymmetry_ratio", "", "minimise",
    "larger of the peak output swings to cut-off and to grid conduction over the smaller",
)  # fmt: skip
def _asymmetry(a: Assessment) -> FloatArray:
    return np.minimum(headroom_of(a).asymmetry_ratio, _LARGEST_RATIO)


@score_of_facets(
    "undistorted_output_V", "V", "maximise",
    "r.m.s. value of the largest sine at the output that reaches neither cut-off nor grid "
    "conduction",
    least,
)  # fmt: skip
def _undistorted(a: Assessment) -> Sequence[FloatArray]:
    return tuple(peak / np.sqrt(2.0) for peak in headroom_of(a).peaks_V)


@score(
    "output_at_5_percent_V", "V", "maximise",
    "r.m.s. output at 5 % total harmonic distortion, or at grid conduction if that comes first",
    source="the criterion of resistance-coupled amplifier charts (from memory)",
)  # fmt: skip
def _output_at_5(a: Assessment) -> FloatArray:
    return headroom_of(a).output_V_rms(5.0)


def _require(name: str, value: float, good: bool, allowed: str) -> None:
    if not good:
        raise ValueError(f"{name}: {value!r}: must be {allowed}")
