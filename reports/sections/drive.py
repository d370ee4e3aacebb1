"""The section on large signals: what the drive, the stopper and the grid make of the sound."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pandas as pd

from objectives.assessment import Assessment
from objectives.format import first, fixed, number, quantity
from objectives.transient.drive_signal import DriveSignal
from objectives.transient.headroom import Headroom
from objectives.transient.large_signal_study import LargeSignalStudy, large_signal_study
from reports.charts.drive import _EVEN, _LABELS, blocking_chart, spectrum_chart, waveform_chart
from reports.model import Block, Figure, Note, Prose, Section, Table
from reports.sound import WavFile

__all__ = ["drive_section", "headroom_table"]


def drive_section(
    assessment: Assessment,
    drive: DriveSignal | None = None,
    *,
    study: LargeSignalStudy | None = None,
    wavs: Sequence[WavFile] = (),
) -> Section:
    """Return the section on a stage under its drive.

    Parameters
    ----------
    assessment :
        The pick, a batch of one.
    drive :
        The signal; that of the targets when None.
    study :
        The drive study, where it has been worked out already.
    wavs :
        Files written from it, to be listed.

    Raises
    ------
    ValueError
        As :func:`objectives.large_signal_study.large_signal_study`.
    """
    found = large_signal_study(assessment, drive) if study is None else study
    blocks: list[Block] = [
        Prose(_opening(found)),
        *_findings(found),
        Figure(
            "waveforms",
            waveform_chart(found),
            "One period of the steady state, voltages at rest taken off. Between the two upper "
            "curves lie the voltage that the coupling capacitor has taken on and the drop in the "
            "stopper.",
        ),
        Figure(
            "spectra",
            spectrum_chart(found),
            "Harmonics relative to the note. Upright line: the frequency above which harmonics "
            "count as unwanted.",
        ),
        _level_table(found),
        Figure(
            "blocking",
            blocking_chart(found),
            "A quiet note that is overloaded for a while (shaded): its mean grid–cathode voltage, "
            "and how loud the note is at the output, period by period.",
        ),
        headroom_table(found.headroom),
    ]
    if wavs:
        blocks.append(_wav_table(found, wavs))
    blocks.append(
        Note(
            "Solved in time with the valve's own equation, grid current, every capacitor of the "
            "network and the driver loaded by the stage. Lead inductances are left out, the supply "
            "is stiff, and capacitances of the valve do not move with its voltages."
        )
    )
    return Section("sound", "Under drive: harmonics, blocking, headroom", blocks)


def _opening(study: LargeSignalStudy) -> list[str]:
    drive = study.drive
    note = f"{quantity(drive.level_V, 'V')} peak at {quantity(drive.note_Hz, 'Hz')}"
    if drive.driver is not None and drive.device is not None:
        text = (
            f"The source gives {note} to the driver, one section of the {drive.device.name}, which "
            "drives this stage"
        )
        shunt = drive.divider_shunt_ohm
        if drive.divider_series_ohm > 0 or math.isfinite(shunt):
            share = drive.level_fraction * shunt / (drive.divider_series_ohm + shunt)
            parts = f"{quantity(drive.divider_series_ohm, 'ohm')} in series"
            if math.isfinite(shunt):
                parts += f", {quantity(shunt, 'ohm')} to ground"
                text += f" through a divider ({parts}; {fixed(100 * share, 1)} % of the voltage)"
            else:
                text += f" through {parts}"
        text += "."
    elif math.isfinite(drive.clip_V):
        text = f"The source of the stage gives {note}, clipped at ±{quantity(drive.clip_V, 'V')}."
    else:
        text = f"The source of the stage gives {note}."
    return [text]


def _findings(study: LargeSignalStudy) -> list[Block]:
    blocks: list[Block] = []
    above = quantity(study.drive.harmonics_above_Hz, "Hz")
    fall, across = study.fall_dB, study.fall_across_stopper_dB
    if study.open_circuit_high_dB > -100:
        text = (
            f"The power of the harmonics above {above}, relative to the note, {_moved(fall)} from "
            f"the open-circuit {'output of the driver' if study.drive.driver else 'source'} to the "
            f"grid, and {_moved(across)} from before the stopper to after it."
        )
        if min(fall, across) < -_EVEN and study.conducting_share > 0.01:
            text += (
                f" The grid conducts for {_percent(study.conducting_share)} of the period: it "
                "clips the signal behind the stopper, and those edges no stopper can take off. A "
                "smaller signal at the grid would let the stopper do its work."
            )
        blocks.append(Note(text, "finding" if fall > 0 else "caution"))
    else:
        blocks.append(Note("This drive is too small to make harmonics worth counting."))
    blocks.append(_blocking_note(study))
    if not study.settled:
        blocks.append(Note("The steady state was not found to the accuracy asked for.", "caution"))
    return blocks


def _moved(fall_dB: float) -> str:
    if abs(fall_dB) < 0.05:
        return "stays the same"
    return f"{'falls' if fall_dB > 0 else 'rises'} by {fixed(abs(fall_dB), 1)} dB"


def _blocking_note(study: LargeSignalStudy) -> Note:
    blocking = study.blocking
    shift = study.bias_shift_V
    text = (
        f"Under the drive the mean grid–cathode voltage is {quantity(study.bias_V, 'V', 3)}, at "
        f"rest {quantity(study.rest_bias_V, 'V', 3)}: a shift of {quantity(shift, 'V', 3)}. "
    )
    silence, recovery = blocking.silence_s, blocking.recovery_s
    if math.isinf(silence):
        after = float(blocking.time_s[-1]) - blocking.loud_to_s
        text += f"A quiet note is still not back within 3 dB {quantity(after, 's', 2)} afterwards."
    elif silence == 0:
        text += "A quiet note afterwards is never more than 3 dB off its level: no blocking."
    else:
        text += (
            f"After {quantity(blocking.loud_to_s - blocking.loud_from_s, 's', 2)} of it a quiet "
            f"note takes {quantity(silence, 's', 2)} to come back within 3 dB of its level"
        )
        if 0 < recovery < math.inf:
            text += f", and the bias {quantity(recovery, 's', 2)} to come back within a tenth"
        text += "."
    return Note(text, "caution" if silence > 0.05 else "remark")


def _percent(share: float) -> str:
    return f"{fixed(100 * share, 0)} %"


def headroom_table(found: Headroom) -> Table:
    """Return the swings of the first stage of a batch as a table."""
    rows = [
        (
            "to cut-off",
            quantity(first(found.grid_to_cutoff_V), "V", 3),
            quantity(first(found.output_to_cutoff_V), "V", 3),
        ),
        (
            "to grid conduction",
            quantity(first(found.grid_to_conduction_V), "V", 3),
            quantity(first(found.output_to_conduction_V), "V", 3),
        ),
    ]
    smaller, ratio = first(found.smaller_V), first(found.asymmetry_ratio)
    rms, at_5 = first(found.undistorted_V_rms), first(found.output_V_rms(5.0))
    return Table(
        pd.DataFrame(rows, columns=["swing", "at the grid (peak)", "at the output (peak)"]),
        f"Headroom on the AC load line from the operating point. The smaller swing, "
        f"{quantity(smaller, 'V', 3)}, allows {quantity(rms, 'V', 3)} r.m.s. at the output; the "
        f"swings differ by a factor of {number(ratio, 3)}. At 5 % distortion, or where the grid "
        f"begins to conduct, the output is {quantity(at_5, 'V', 3)} r.m.s. Cut-off: 1 % of the "
        "quiescent current left; conduction: grid at the cathode's voltage.",
    )


def _level_table(study: LargeSignalStudy) -> Table:
    above = quantity(study.drive.harmonics_above_Hz, "Hz")
    rows = [
        {
            "place": _LABELS[point],
            "note (peak)": quantity(float(np.abs(study.amplitudes_V[point][1])), "V", 3),
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


def _wav_table(study: LargeSignalStudy, wavs: Sequence[WavFile]) -> Table:
    sounds = {
        "tone": f"test tone, {quantity(study.drive.note_Hz, 'Hz')}",
        "chord": "plucked chord, synthesized",
    }
    frame = pd.DataFrame(
        {
            "file": [wav.path.name for wav in wavs],
            "sound": [sounds.get(wav.recording.sound, wav.recording.sound) for wav in wavs],
            "place": [wav.recording.place for wav in wavs],
            "r.m.s.": [quantity(wav.recording.rms_V, "V", 3) for wav in wavs],
            "full scale": [quantity(wav.full_scale_V, "V", 3) for wav in wavs],
        }
    )
    return Table(
        frame,
        f"Sound files, 48 kHz, {wavs[0].bits} bits, one channel, all at the same loudness "
        f"({fixed(wavs[0].rms_dBFS, 1)} dB r.m.s. relative to full scale). Both sounds are made by "
        "us from sines; nothing is recorded.",
    )
