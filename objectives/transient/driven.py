"""A batch of stages in the periodic steady state of a drive: what of the signal reaches the grid.

Every candidate is solved together with the driver, which it loads: one period of the periodic
steady state, with as many harmonics as the highest frequency that counts asks for.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from objectives.arrays import BoolArray, FloatArray
from objectives.transient.cascade import CascadeStage
from objectives.transient.drive_signal import DriveSignal
from objectives.transient.spectrum import distortion_percent, harmonics
from objectives.transient.steady_state import periodic

_BLOCK = 128
"""Candidates worked on at once: enough to spread the cost of a call, few enough for the cache."""


@dataclass(frozen=True)
class DrivenStages:
    """A batch of stages in the periodic steady state of a drive; shape of the batch.

    Attributes
    ----------
    drive : the signal
    high_at_input_dB, high_at_grid_dB : power of the unwanted harmonics before the stopper, in
        circuit (after source resistance or divider), and after it, at the grid electrode; each
        relative to the fundamental there (dB)
    bias_shift_V : mean grid-cathode voltage less that at rest (V); negative where grid current
        charges the coupling capacitor
    distortion_percent : total harmonic distortion at the output (%)
    settled : whether the solution converged; the others are nan where it did not
    """

    drive: DriveSignal
    high_at_input_dB: FloatArray
    high_at_grid_dB: FloatArray
    bias_shift_V: FloatArray
    distortion_percent: FloatArray
    settled: BoolArray

    @classmethod
    def of(cls, drive: DriveSignal, stage: CascadeStage) -> DrivenStages:
        """Return the stages under their drive, worked out some hundred at a time."""
        shape, flat = stage.shape, stage.flat()
        size = int(np.prod(shape))
        blocks = [_columns(drive, flat.at(slice(at, at + _BLOCK))) for at in range(0, size, _BLOCK)]
        rows = np.concatenate(blocks, axis=-1)
        before, after, shift, distortion = (row.reshape(shape) for row in rows)
        return cls(drive, before, after, shift, distortion, ~np.isnan(distortion))


def _columns(drive: DriveSignal, stage: CascadeStage) -> FloatArray:
    """Return the four rows of numbers, shape (4, candidates)."""
    cascade = drive.cascade(stage)
    last = cascade.last
    places = tuple((last, name) for name in ("input", "grid", "cathode", "output"))
    run = periodic(cascade, drive.emf, 1 / drive.note_Hz, drive.steps, places)
    before, grid, output = (harmonics(run[last, at]) for at in ("input", "grid", "output"))
    rows = np.stack(
        [
            drive.high_harmonics_dB(before),
            drive.high_harmonics_dB(grid),
            run.grid_cathode_V(last).mean(axis=-1) - run.grid_cathode_rest_V(last),
            distortion_percent(output),
        ]
    )
    return np.where(run.settled, rows, np.nan)
