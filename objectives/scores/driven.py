"""Scores of a driven stage: what is left of a clipper's harmonics, bias shift and headroom.

What the harmonics fall from is the driver's open-circuit output, which is the same for every
candidate.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from objectives.arrays import FloatArray
from objectives.assessment import Assessment
from objectives.scores.registry import Step, least, score

_LARGEST_RATIO = 1e3
"""A ratio beyond this is reported as this, so that every candidate can be compared."""


@score(
    "harmonic_fall_dB", "dB", "maximise",
    "reduction of the power of the driver's harmonics above the stated frequency, relative to the "
    "note, from the driver's open-circuit output to the {grid}",
    requires=("drive",),
    slow=True,
)  # fmt: skip
def _harmonic_fall(a: Assessment) -> FloatArray:
    return a.driven.drive.open_circuit_high_dB - a.driven.high_at_grid_dB


@score(
    "harmonic_fall_across_stopper_dB", "dB", "maximise",
    "reduction of the power of harmonics above the stated frequency, relative to the note, from "
    "before the stopper to the {grid}, in circuit",
    requires=("drive",),
    slow=True,
)  # fmt: skip
def _fall_across_stopper(a: Assessment) -> FloatArray:
    return a.driven.high_at_input_dB - a.driven.high_at_grid_dB


@score(
    "bias_shift_V", "V", "neither",
    "mean {grid}-{cathode} voltage under the drive, minus that at rest",
    step=Step(0.05, "valves of one type differ by as much (common practice, no source)"),
    requires=("drive",),
    slow=True,
)  # fmt: skip
def _bias_shift(a: Assessment) -> FloatArray:
    return a.driven.bias_shift_V


@score(
    "driven_distortion_percent", "%", "neither",
    "total harmonic distortion at the output under the drive",
    requires=("drive",),
    slow=True,
)  # fmt: skip
def _driven_distortion(a: Assessment) -> FloatArray:
    return a.driven.distortion_percent


@score(
    "headroom_V", "V", "maximise",
    "smaller of the peak output swings to cut-off and to {conduction} on the AC load line",
    combine=least,
    source="load-line construction; cut-off: 1 % of the quiescent current; conduction: grid at "
    "the cathode's voltage",
)  # fmt: skip
def _headroom(a: Assessment) -> Sequence[FloatArray]:
    return a.headroom.peaks_V


@score(
    "headroom_asymmetry_ratio", "", "minimise",
    "larger of the peak output swings to cut-off and to {conduction} over the smaller",
)  # fmt: skip
def _asymmetry(a: Assessment) -> FloatArray:
    return np.minimum(a.headroom.asymmetry_ratio, _LARGEST_RATIO)


@score(
    "undistorted_output_V", "V", "maximise",
    "r.m.s. value of the largest sine at the output that reaches neither cut-off nor "
    "{conduction}",
    combine=least,
)  # fmt: skip
def _undistorted(a: Assessment) -> Sequence[FloatArray]:
    return tuple(peak / np.sqrt(2.0) for peak in a.headroom.peaks_V)


@score(
    "output_at_5_percent_V", "V", "maximise",
    "r.m.s. output at 5 % total harmonic distortion, or at {conduction} if that comes first",
    source="the criterion of resistance-coupled amplifier charts (from memory)",
)  # fmt: skip
def _output_at_5(a: Assessment) -> FloatArray:
    return a.headroom.output_V_rms(5.0)
