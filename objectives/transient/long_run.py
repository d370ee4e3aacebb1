"""Long signals, cut into segments that are solved side by side and joined by multiple shooting.

Source: M. J. Gander, S. Vandewalle, "Analysis of the parareal time-parallel time-integration
method", SIAM J. Sci. Comput. 29(2), 2007 (from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from objectives.arrays import FloatArray
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

_COARSE_RATIO = 4
_MOST_PASSES = 24
_FINE_PASSES = 5


def simulate_long(
    cascade: Cascade,
    emf: Emf,
    step_s: float,
    steps: int,
    places: Sequence[Place],
    *,
    segment_s: float = 1.25e-3,
    tolerance_V: float = 1e-3,
) -> Waveforms:
    """Solve one candidate over a long signal, its segments side by side.

    Every segment starts from a guess of its state; after each pass the guesses are replaced by
    where the segment before ended, corrected by what the sensitivities say of the corrections made
    further back, until nothing moves. The first passes take four steps at a time.

    Parameters
    ----------
    emf :
        EMF of the first stage's source (V); 0 at rest, before t = 0.
    step_s, steps :
        Fixed step (s), and the least number of steps: the last segment is run on to its end.
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
    check_step(step_s, steps)
    system = cascade.state_space
    if system.size != 1:
        raise InputError("cascade", system.size, "there must be one candidate")
    length = _COARSE_RATIO * max(1, round(segment_s / step_s / _COARSE_RATIO))
    count = -(-steps // length)
    starts = np.arange(count) * (length * step_s)
    state = SolverState.at_rest(system, count)
    coarse = Stepper(system, _COARSE_RATIO * step_s, ())
    signal = coarse.samples(emf, starts, length // _COARSE_RATIO)
    sensitivity = StateSensitivity.start(system, count, system.slow)
    for number in range(_MOST_PASSES):
        begin = replace(state)
        if number > 0:
            sensitivity = _shifted(sensitivity.restarted(), system)
        coarse.run(state, signal, record=False, sensitivity=sensitivity)
        moved = _join(system, state, begin, sensitivity)
        if not moved.max(initial=0.0) > tolerance_V:
            break
    fine = Stepper(system, step_s, places)
    signal = fine.samples(emf, starts, length)
    for number in range(_FINE_PASSES):
        begin = replace(state)
        state.bad[:] = False
        out = fine.run(state, signal, record=number > 0)
        bad = state.bad.any()
        moved = _join(system, state, begin, sensitivity)
        if number > 0 and not moved.max(initial=0.0) > tolerance_V:
            break
    # (samples, places, segments) to (places, 1, samples in order)
    flat = np.moveaxis(out, 2, 0).reshape(count * length, len(places)).T[:, None, :]
    settled = np.array([not bad and moved.max(initial=0.0) <= tolerance_V])
    return Waveforms.of(cascade, places, step_s, flat, settled)


def _shifted(sensitivity: StateSensitivity, system: StateSpace) -> StateSensitivity:
    """Hand the directions at each segment's end to the next segment's start."""
    first = StateSensitivity.start(system, 1, sensitivity.columns)
    return replace(
        sensitivity,
        z=np.concatenate([first.z, sensitivity.z[..., :-1]], axis=-1),
        y=np.concatenate([first.y, sensitivity.y[..., :-1]], axis=-1),
    )


def _join(
    system: StateSpace, state: SolverState, begin: SolverState, sensitivity: StateSensitivity
) -> FloatArray:
    """Let each segment start where the one before it ends; return the slow moves made (V)."""
    slow = list(system.slow)
    z, y = begin.z.copy(), begin.y.copy()
    move = np.zeros(len(slow))
    moved = np.zeros((len(slow), z.shape[-1]))
    for at in range(z.shape[-1] - 1):
        z[:, at + 1] = state.z[:, at] + sensitivity.z[..., at] @ move
        y[:, at + 1] = state.y[:, at] + sensitivity.y[..., at] @ move
        move = z[slow, at + 1] - begin.z[slow, at + 1]
        moved[:, at + 1] = move
    state.z, state.y = z, y
    for name in ("v", "trend"):
        ends = getattr(state, name)
        starts = np.concatenate([getattr(begin, name)[:, :1], ends[:, :-1]], axis=1)
        setattr(state, name, starts)
    return np.asarray(np.abs(moved))
