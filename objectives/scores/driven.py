"""Scores of a driven stage: what is left of a clipper's harmonics, bias shift and headroom.

Importing this module enters its scores into :data:`objectives.scores.REGISTRY`.

Every candidate is solved together with the driver, loading it as it does in truth: one period of
the periodic steady state (:func:`objectives.large_signal.periodic`), with as many steps as the
highest frequency that counts asks for. What the harmonics fell from is the driver's open-circuit
output, which is the same for every candidate.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from objectives.arrays import BoolArray, FloatArray
from objectives.assessment import Assessment
from objectives.scores.registry import least, score, score_of_facets
from objectives.transient.cascade import Link, Place
from objectives.transient.drive import Drive, high_harmonics_of_dB
from objectives.transient.headroom import Headroom, headroom
from objectives.transient.spectrum import distortion_percent, harmonics
from objectives.transient.steady_state import periodic

__all__ = ["Driven", "driven", "headroom_of"]

_BLOCK = 512
_LARGEST_RATIO = 1e3
"""A ratio beyond this is reported as this, so that every candidate can be compared."""


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
    link = Link.solved(
        assessment.loaded, assessment.device, assessment.linear, assessment.point
    ).flat()
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
