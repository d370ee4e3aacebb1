"""Long signals, cut into segments that are solved side by side and joined by multiple shooting.

Source: M. J. Gander, S. Vandewalle, "Analysis of the parareal time-parallel time-integration
method", SIAM J. Sci. Comput. 29(2), 2007 (from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from objectives.arrays import FloatArray, IntArray
from objectives.checks import InputError
from objectives.transient.cascade import Cascade, Place, StateSpace
from objectives.transient.excitation import Emf
from objectives.transient.integrator import (
    SolverState,
    StateSensitivity,
    Stepper,
    Waveforms,
    check_step,
)

_COARSE_RATIO = 6
_COARSELY = 100.0
"""Once a coarse pass moves no guess by more than so many tolerances it is the last: the fine passes
correct more than what is left."""

_MOST_PASSES = 24
_FINE_PASSES = 5


def simulate_long(
    cascade: Cascade,
    signals: Sequence[tuple[Emf, int]],
    step_s: float,
    places: Sequence[Place],
    *,
    segment_s: float = 1.25e-3,
    tolerance_V: float = 1e-3,
) -> tuple[Waveforms, ...]:
    """Solve one candidate over some long signals, their segments side by side.

    Every segment starts from a guess of its state; after each pass the guesses are replaced by
    where the segment before ended, corrected by what the sensitivities say of the corrections made
    further back, until nothing moves. The first passes take six steps at a time.

    Parameters
    ----------
    signals :
        EMF of the first stage's source (V), 0 at rest, before t = 0; and the least number of steps:
        the last segment is run on to its end.
    step_s :
        Fixed step (s).
    places :
        Where voltages are wanted, e.g. ``((0, "plate"), (1, "grid"), (1, "output"))``.
    segment_s :
        Least length of a segment (s): longer than any memory of the network but that of its
        coupling and bypass capacitors.
    tolerance_V :
        How far (V) such a capacitor's voltage may jump from segment to segment.

    Raises
    ------
    InputError
        If the cascade has more than one candidate, a place does not exist or a step is impossible.
    """
    for _, steps in signals:
        check_step(step_s, steps)
    system = cascade.state_space
    if system.size != 1:
        raise InputError("cascade", system.size, "there must be one candidate")
    length = _COARSE_RATIO * max(1, round(segment_s / step_s / _COARSE_RATIO))
    counts = [-(-steps // length) for _, steps in signals]
    count, ends = sum(counts), np.cumsum(counts)

    def sampled(stepper: Stepper, steps: int) -> FloatArray:
        starts = (np.arange(count) * (length * step_s) for count in counts)
        every = zip(signals, starts, strict=True)
        return np.concatenate([stepper.samples(emf, at, steps) for (emf, _), at in every], axis=-1)

    state = SolverState.at_rest(system, count)
    coarse = Stepper(system, _COARSE_RATIO * step_s, ())
    signal = sampled(coarse, length // _COARSE_RATIO)
    sensitivity, near = StateSensitivity.start(system, count, system.slow), None
    for number in range(_MOST_PASSES):
        begin = replace(state)
        if number > 0:
            sensitivity = _shifted(sensitivity.restarted(), system)
        near = coarse.run(state, signal, record=False, sensitivity=sensitivity, near=near)[1]
        moved = _join(system, state, begin, sensitivity, ends)
        if not moved.max(initial=0.0) > _COARSELY * tolerance_V:
            break
    fine = Stepper(system, step_s, places)
    signal, near = sampled(fine, length), None
    for number in range(_FINE_PASSES):
        begin = replace(state)
        state.bad[:] = False
        out, near = fine.run(state, signal, record=number > 0, near=near)
        bad = state.bad.any()
        moved = _join(system, state, begin, sensitivity, ends)
        if number > 0 and not moved.max(initial=0.0) > tolerance_V:
            break
    settled = np.array([not bad and moved.max(initial=0.0) <= tolerance_V])
    # (samples, places, segments) to (places, 1, samples in order) of each signal
    flat = (
        np.moveaxis(own, 1, 0).swapaxes(1, 2).reshape(len(places), 1, -1)
        for own in np.split(out, ends[:-1], axis=2)
    )
    return tuple(Waveforms.of(cascade, places, step_s, own, settled) for own in flat)


def _shifted(sensitivity: StateSensitivity, system: StateSpace) -> StateSensitivity:
    """Hand the directions at each segment's end to the next segment's start."""
    first = StateSensitivity.start(system, 1, sensitivity.columns)
    return replace(
        sensitivity,
        z=np.concatenate([first.z, sensitivity.z[..., :-1]], axis=-1),
        y=np.concatenate([first.y, sensitivity.y[..., :-1]], axis=-1),
    )


def _join(
    system: StateSpace,
    state: SolverState,
    begin: SolverState,
    sensitivity: StateSensitivity,
    ends: IntArray,
) -> FloatArray:
    """Let each segment start where the one before it ends; return the slow moves made (V).

    ``ends`` are the numbers of the segments behind the last of each signal.
    """
    slow = list(system.slow)
    z, y = begin.z.copy(), begin.y.copy()
    moved = np.zeros((len(slow), z.shape[-1]))
    follows = np.setdiff1d(np.arange(1, z.shape[-1]), ends)
    for at in follows:
        move = moved[:, at - 1]
        z[:, at] = state.z[:, at - 1] + sensitivity.z[..., at - 1] @ move
        y[:, at] = state.y[:, at - 1] + sensitivity.y[..., at - 1] @ move
        moved[:, at] = z[slow, at] - begin.z[slow, at]
    state.z, state.y = z, y
    for name in ("v", "trend"):
        starts = getattr(begin, name).copy()
        starts[:, follows] = getattr(state, name)[:, follows - 1]
        setattr(state, name, starts)
    return np.asarray(np.abs(moved))
