"""The section on large signals: what the drive, the stopper and the grid make of the signal."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import numpy as np
import pandas as pd

from objectives.assessment import Assessment
from objectives.devices.protocol import Device
from objectives.devices.terms import VALVE, Terms
from objectives.format import fixed, number, percent, quantity
from objectives.transient.headroom import Headroom
from objectives.transient.large_signal_study import FULL_BYPASS_CORNER_HZ, LargeSignalStudy
from reports.charts.drive import (
    blocking_chart,
    blocking_title,
    spectrum_chart,
    spectrum_title,
    waveform_chart,
    waveform_title,
)
from reports.layout import Block, Figure, Note, Prose, Section, Sounds, Table
from reports.sound import PLACES, WavFile

_UNCHANGED_DB: Final = 1.0
"""Harmonics that rise by less than this count as unchanged."""


def drive_section(
    assessment: Assessment, *, study: LargeSignalStudy, wavs: Sequence[WavFile] = ()
) -> Section:
    """Return the section on a stage under its drive.

    Parameters
    ----------
    assessment :
        The pick, a batch of one.
    study :
        Its drive study.
    wavs :
        Files written from it, to be listed.
    """
    t = assessment.device.terms
    blocks: list[Block] = [
        Prose([_opening(study)]),
        *_findings(study, assessment.device),
        *([_sounds(study, wavs)] if wavs else []),
        Figure(
            "spectra",
            spectrum_chart(study),
            "Harmonics relative to the note. Vertical line: the frequency above which harmonics "
            "are unwanted.",
            spectrum_title(study),
        ),
    ]
    details: list[Block] = [
        headroom_table(study.headroom, t),
        _level_table(study),
        Figure(
            "waveforms",
            waveform_chart(study),
            "One period of the steady state, minus the voltages at rest. The two upper curves "
            "differ by what the coupling capacitor has charged to and by the drop in the stopper.",
            waveform_title(study),
        ),
        Figure(
            "blocking",
            blocking_chart(study, t),
            f"A quiet note with an overload in the middle (shaded): the mean {t.grid}–{t.cathode} "
            "voltage, and how loud the note is at the output, period by period.",
            blocking_title(study),
        ),
        *([_wav_table(study, wavs)] if wavs else []),
        Note(
            f"Solved with the {t.kind}'s own equation, {t.grid} current, every capacitor of the "
            "network and the driver loaded by the stage: the steady state by harmonic balance, "
            "the overload and the sound step by step in time. Lead inductances "
            f"are left out, the supply is stiff, and the capacitances of the {t.kind} "
            "do not change with its voltages. In the steady state a full bypass holds the voltage "
            "at which it takes no charge; through the overload and in the sound files it is a "
            f"capacitor with a corner of {quantity(FULL_BYPASS_CORNER_HZ, 'Hz')}."
        ),
    ]
    return Section("sound", "Under drive", blocks, details)


def _sounds(study: LargeSignalStudy, wavs: Sequence[WavFile]) -> Sounds:
    """Return the sound files as they are played: each sound from place to place."""
    rows = [(f"{_sound_name(study, wav)}, {wav.recording.place}", wav.path.name) for wav in wavs]
    return Sounds(
        wavs[0].path.parent.name,
        rows,
        "Synthesized, not recorded; all at the same loudness, so that only the tone differs.",
    )


def _opening(study: LargeSignalStudy) -> str:
    drive = study.drive
    note = f"{quantity(drive.level_V, 'V')} peak at {quantity(drive.note_Hz, 'Hz')}"
    if drive.device is None:
        clipped = f", clipped at ±{quantity(drive.clip_V, 'V')}" * math.isfinite(drive.clip_V)
        return f"The source of the stage gives {note}{clipped}."
    text = (
        f"The source gives {note} to the driver, one section of the {drive.device.name}, which "
        "drives this stage"
    )
    series, shunt = drive.divider_series_ohm, drive.divider_shunt_ohm
    if math.isfinite(shunt):
        share = percent(drive.level_fraction * shunt / (series + shunt), 1)
        text += (
            f" through a divider ({quantity(series, 'ohm')} in series, {quantity(shunt, 'ohm')} to "
            f"ground; {share} of the voltage)"
        )
    elif series > 0:
        text += f" through {quantity(series, 'ohm')} in series"
    return text + "."


def _findings(study: LargeSignalStudy, device: Device) -> list[Block]:
    t = device.terms
    blocks: list[Block] = []
    fall, across = study.fall_dB, study.fall_across_stopper_dB
    if study.open_circuit_high_dB > -100:
        text = (
            f"The power of the harmonics above {quantity(study.drive.harmonics_above_Hz, 'Hz')}, "
            f"relative to the note, {_moved(fall)} from the open-circuit "
            f"{'output of the driver' if study.drive.driver else 'source'} to the {t.grid}, and "
            f"{_moved(across)} from before the stopper to after it."
        )
        if study.cascade.stages[-1].parts.bypass_F.max() > 0:
            text += (
                f" The harmonics at the {t.grid} are the sum of what passes the stopper and of "
                f"what {t.grid} current and feedback from the {t.plate} make there. They add or "
                f"cancel by phase, which the {t.cathode}'s bypass turns: a larger bypass can raise "
                "the fall or lower it."
            )
        if min(fall, across) < -_UNCHANGED_DB and study.conducting_share > 0.01:
            text += (
                f" The {t.grid} conducts for {percent(study.conducting_share)} of the period: it "
                "clips the signal behind the stopper, and no stopper can remove those edges. A "
                f"smaller signal at the {t.grid} would let the stopper do its work."
            )
        blocks.append(Note(text, "finding" if fall > 0 else "caution"))
    else:
        blocks.append(Note("This drive is too small to make noticeable harmonics."))
    blocks.append(_blocking_note(study, t))
    if device.sources.grid_current_is_illustrative:
        blocks.append(
            Note(
                f"Of the {t.grid} current of the {device.name} nothing published or measured was "
                "at hand; it is scaled from another type. Bias shift and blocking show what to "
                "expect, not how much."
            )
        )
    if not study.settled:
        blocks.append(Note("The steady state was not reached to the accuracy required.", "caution"))
    return blocks


def _moved(fall_dB: float) -> str:
    if abs(fall_dB) < 0.05:
        return "stays the same"
    return f"{'falls' if fall_dB > 0 else 'rises'} by {fixed(abs(fall_dB), 1)} dB"


def _blocking_note(study: LargeSignalStudy, t: Terms) -> Note:
    blocking = study.blocking
    text = (
        f"Under the drive the mean {t.grid}–{t.cathode} voltage is "
        f"{quantity(study.bias_V, 'V', 3)}, at rest {quantity(study.rest_bias_V, 'V', 3)}: a shift "
        f"of {quantity(study.bias_shift_V, 'V', 3)}. "
    )
    silence, recovery = blocking.silence_s, blocking.recovery_s
    if math.isinf(silence):
        after = float(blocking.time_s[-1]) - blocking.loud_to_s
        text += (
            f"{quantity(after, 's', 2)} later a quiet note is still more than 3 dB off its level."
        )
    elif silence == 0:
        text += "A quiet note afterwards is never more than 3 dB off its level: no blocking."
    else:
        text += (
            f"After {quantity(blocking.loud_to_s - blocking.loud_from_s, 's', 2)} of it a quiet "
            f"note takes {quantity(silence, 's', 2)} to return to within 3 dB of its level"
        )
        if 0 < recovery < math.inf:
            text += f", and the bias {quantity(recovery, 's', 2)} to lose nine tenths of its shift"
        text += "."
    return Note(text, "caution" if silence > 0.05 else "remark")


def headroom_table(found: Headroom, terms: Terms = VALVE) -> Table:
    """Return the swings of the first stage of a batch as a table."""
    t = terms
    rows = [
        (f"to {end}", quantity(grid_V, "V", 3), quantity(output_V, "V", 3))
        for end, grid_V, output_V in (
            ("cut-off", found.grid_to_cutoff_V, found.output_to_cutoff_V),
            (t.conduction, found.grid_to_conduction_V, found.output_to_conduction_V),
        )
    ]
    return Table(
        pd.DataFrame(rows, columns=["swing", f"at the {t.grid} (peak)", "at the output (peak)"]),
        f"Headroom on the AC load line from the operating point. The smaller swing, "
        f"{quantity(found.smaller_V, 'V', 3)}, allows {quantity(found.undistorted_V_rms, 'V', 3)} "
        f"r.m.s. at the output; the swings differ by a factor of "
        f"{number(found.asymmetry_ratio, 3)}. At 5 % distortion, or where {t.conduction_begins}, "
        f"the output is {quantity(found.output_V_rms(5.0), 'V', 3)} r.m.s. Cut-off: 1 % of the "
        f"quiescent current left; {t.conduction}: {t.conduction_at}.",
    )


def _level_table(study: LargeSignalStudy) -> Table:
    above = quantity(study.drive.harmonics_above_Hz, "Hz")
    driver = study.drive.device
    places = PLACES if driver is None else {"driver": f"driver's {driver.terms.plate}", **PLACES}
    rows = [
        {
            "place": places[point],
            "note (peak)": quantity(np.abs(study.amplitudes_V[point][1]), "V", 3),
            "distortion (%)": fixed(study.distortion_percent(point), 1),
            f"harmonics above {above} (dB)": fixed(study.high_dB(point), 1),
            "above mid-swing (%)": fixed(100 * study.duty(point), 0),
        }
        for point in study.points
    ]
    return Table(
        pd.DataFrame(rows),
        "Levels under the drive. Harmonics: their power relative to the note's, up to two octaves "
        "above the limit. Above mid-swing: share of the period; 50 % is symmetrical in time.",
    )


def _sound_name(study: LargeSignalStudy, wav: WavFile) -> str:
    sounds = {
        "tone": f"test tone of {quantity(study.drive.note_Hz, 'Hz')}",
        "chord": "plucked chord, synthesized",
    }
    return sounds.get(wav.recording.sound, wav.recording.sound)


def _wav_table(study: LargeSignalStudy, wavs: Sequence[WavFile]) -> Table:
    frame = pd.DataFrame(
        {
            "file": [wav.path.name for wav in wavs],
            "sound": [_sound_name(study, wav) for wav in wavs],
            "place": [wav.recording.place for wav in wavs],
            "r.m.s.": [quantity(wav.recording.rms_V, "V", 3) for wav in wavs],
            "full scale": [quantity(wav.full_scale_V, "V", 3) for wav in wavs],
        }
    )
    return Table(
        frame,
        f"Sound files, 48 kHz, {wavs[0].bits} bits, one channel, all at the same loudness "
        f"({fixed(wavs[0].rms_dBFS, 1)} dB r.m.s. relative to full scale). Both sounds are "
        "synthesized from sines; nothing is recorded.",
    )
