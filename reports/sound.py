"""The drive made audible: a test tone and a chord before the stopper, after it, at the output.

The signals are our own and invented: a sine at the drive's note, and a plucked chord put together
from decaying harmonics. Both pass the whole cascade sample by sample with the driver's clipping,
grid current and blocking in it, and are written as WAV files at one common loudness.
"""

from __future__ import annotations

import wave
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
import scipy

from objectives.arrays import FloatArray
from objectives.assessment import Assessment
from objectives.checks import require
from objectives.files import drafts
from objectives.transient.cascade import Place
from objectives.transient.excitation import sampled
from objectives.transient.large_signal_study import (
    LargeSignalStudy,
    TestPoint,
    large_signal_study,
)
from objectives.transient.long_run import simulate_long

RATE_HZ: Final = 48_000
_OVERSAMPLING: Final = 2
"""The cascade is solved at 96 kHz; each step of the solver has two halves."""


_TONE_S: Final = 0.5
_CHORD_S: Final = 1.75
_AFTER_S: Final = 0.01
"""Each sound is followed so much longer, so that a change of the rate does not see it break off."""

_RMS_DBFS: Final = -20.0
_PEAK_DBFS: Final = -1.0
_TABLE: Final = 256
"""Samples for which the powers of a partial are worked out singly."""

_RUMBLE_HZ: Final = 15.0
_RATIOS: Final = (1.0, 1.5, 2.0, 2.5, 3.0)
"""The chord over the note: root, fifth, octave, third and fifth above, in pure intervals."""


PLACES: Final[dict[TestPoint, str]] = {
    "input": "before the stopper",
    "grid": "after the stopper",
    "output": "output",
}
"""Where the stage is listened to and drawn, in words."""


@dataclass(frozen=True)
class Recording:
    """A signal at one place, free of its direct voltage.

    Attributes
    ----------
    name : for the file: 'tone-before-the-stopper'
    sound, place : what it is and where, in words
    volts : samples at 48 kHz (V)
    """

    name: str
    sound: str
    place: str
    volts: FloatArray

    @property
    def rms_V(self) -> float:
        """Root mean square (V)."""
        return float(np.sqrt(np.mean(self.volts**2)))

    @property
    def peak_V(self) -> float:
        """Largest magnitude (V)."""
        return float(np.max(np.abs(self.volts)))


@dataclass(frozen=True)
class WavFile:
    """A file written: its recording and the voltage that full scale stands for (V)."""

    path: Path
    recording: Recording
    full_scale_V: float
    bits: int

    @property
    def rms_dBFS(self) -> float:
        """Root mean square relative to full scale (dB)."""
        return float(20 * np.log10(self.recording.rms_V / self.full_scale_V))


def plucked_chord(note_Hz: float, seconds: float, rate_Hz: float = RATE_HZ) -> FloatArray:
    """Return a chord of plucked strings, invented, with a largest magnitude of 1.

    Every string has its harmonics up to 8 kHz, weaker and shorter-lived the higher they are and
    slightly sharp, as stiff strings are; the string is plucked at an eighth of its length, and the
    strings follow each other by 12 ms.

    Raises
    ------
    ValueError
        If the note or the length is not positive, or the note is above 1 kHz.
    """
    require("note_Hz", note_Hz, 0 < note_Hz <= 1000, "more than 0 and at most 1000")
    require("seconds", seconds, 0 < seconds <= 60, "more than 0 and at most 60")
    time = np.arange(round(seconds * rate_Hz)) / rate_Hz
    total = np.zeros(time.size)
    for string, ratio in enumerate(_RATIOS):
        f = ratio * note_Hz
        k = np.arange(1, max(2, int(8e3 / f) + 1))[:, None]
        since = time[time >= 0.012 * string] - 0.012 * string
        partial = k * f * np.sqrt(1 + 5e-5 * k**2)
        weight = np.sin(np.pi * k / 8) / k**1.2
        decay = 0.8 + 0.5 * k * np.sqrt(f / 220.0)
        # A partial is the powers of one number: those of a few samples, times those of as many
        # samples at once, are all of them.
        pole, table = 2j * np.pi * partial - decay, np.arange(_TABLE) / rate_Hz
        turns = (weight * np.exp(pole * since[::_TABLE])).T @ np.exp(pole * table)
        attack = 1 - np.exp(-since / 1e-3)
        total[time.size - since.size :] += turns.imag.ravel()[: since.size] * attack
    fade = np.minimum(1.0, (time[-1] - time) / 0.02)
    total *= fade
    return np.asarray(total / np.max(np.abs(total)))


def recordings(study: LargeSignalStudy) -> tuple[Recording, ...]:
    """Return tone and chord at every place of the study's cascade, six recordings.

    Both come from the source with the drive's level as their peak. The chord is built on the
    drive's note, brought into the octave from 82 Hz.
    """
    drive = study.drive
    tone = np.sin(2 * np.pi * drive.note_Hz * np.arange(round(_TONE_S * RATE_HZ)) / RATE_HZ)
    ramp = scipy.signal.windows.tukey(tone.size, 0.04)
    root = 82.4 * 2 ** (np.log2(drive.note_Hz / 82.4) % 1)
    chord = plucked_chord(root, _CHORD_S)
    rate, signals = _OVERSAMPLING * RATE_HZ, []
    sounds = {"tone": tone * ramp, "chord": chord}
    for sound in sounds.values():
        whole = np.append(drive.level_V * sound, np.zeros(round(_AFTER_S * RATE_HZ)))
        source = np.clip(whole, -drive.clip_V, drive.clip_V)
        fine = np.asarray(scipy.signal.resample_poly(source, _OVERSAMPLING, 1))
        signals.append((sampled(fine, rate), fine.size))
    places: tuple[Place, ...] = tuple(study.place(point) for point in PLACES)
    runs = simulate_long(
        study.cascade, signals, 1 / rate, places, tolerance_V=max(10 * drive.tolerance_V, 1e-6)
    )
    rumble = scipy.signal.butter(2, _RUMBLE_HZ, "highpass", fs=RATE_HZ, output="sos")
    made = []
    for (name, sound), run in zip(sounds.items(), runs, strict=True):
        for words, place in zip(PLACES.values(), places, strict=True):
            slow = scipy.signal.resample_poly(np.ravel(run.swing(place)), 1, _OVERSAMPLING)
            # The bias shift is far below hearing and would only take room.
            heard = np.asarray(scipy.signal.sosfilt(rumble, slow[: sound.size]))
            made.append(Recording(f"{name}-{words.replace(' ', '-')}", name, words, heard))
    return tuple(made)


def under_drive(
    stage: Assessment, folder: Path | None
) -> tuple[LargeSignalStudy, tuple[WavFile, ...]]:
    """Return what its drive does to one stage; where there is a folder, its sound lies there."""
    study = large_signal_study(stage)
    return study, () if folder is None else write_wavs(study, folder)


def write_wavs(
    study: LargeSignalStudy,
    folder: str | Path,
    *,
    bits: int = 24,
    made: Sequence[Recording] | None = None,
) -> tuple[WavFile, ...]:
    """Write the recordings of a study into a folder, each file whole or not at all.

    All are brought to the same r.m.s. value, 20 dB under full scale, so that none sounds better
    for being louder; where a peak would then be cut off, all are lowered together until the
    highest is 1 dB under full scale.

    Parameters
    ----------
    study :
        The study; its cascade is solved again for the two sounds, some seconds of work.
    folder :
        Where to; made if it does not exist.
    bits :
        16 or 24 a sample.
    made :
        The recordings, where they exist already.

    Raises
    ------
    ValueError
        If ``bits`` is neither 16 nor 24.
    OSError
        If the folder cannot be written to.
    """
    require("bits", bits, bits in (16, 24), "16 or 24")
    sounds = recordings(study) if made is None else tuple(made)
    gain_dB = _RMS_DBFS
    for sound in sounds:
        if sound.rms_V > 0:
            crest_dB = 20 * np.log10(sound.peak_V / sound.rms_V)
            gain_dB = min(gain_dB, _PEAK_DBFS - crest_dB)
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    files = []
    for sound in sounds:
        full_scale = sound.rms_V / 10 ** (gain_dB / 20) if sound.rms_V > 0 else 1.0
        path = folder / f"{sound.name}.wav"
        write_wav(path, sound.volts / full_scale, bits=bits)
        files.append(WavFile(path, sound, full_scale, bits))
    return tuple(files)


def write_wav(path: Path, samples: FloatArray, *, bits: int = 24, rate_Hz: int = RATE_HZ) -> None:
    """Write one channel of samples between -1 and +1 as a WAV file, atomically.

    Raises
    ------
    ValueError
        If ``bits`` is neither 16 nor 24, or a sample is beyond full scale.
    """
    require("bits", bits, bits in (16, 24), "16 or 24")
    largest = float(np.max(np.abs(samples), initial=0.0))
    if not largest <= 1.0:
        raise ValueError(f"samples: a magnitude of {largest:.6g}: must be at most 1")
    whole = np.round(np.asarray(samples) * (2 ** (bits - 1) - 1)).astype("<i4")
    frames = whole.view(np.uint8).reshape(-1, 4)[:, : bits // 8].tobytes()
    with drafts(path.parent) as draft, wave.open(str(draft / path.name), "wb") as out:
        out.setnchannels(1)
        out.setsampwidth(bits // 8)
        out.setframerate(rate_Hz)
        out.writeframes(frames)
