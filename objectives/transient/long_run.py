"""TODO objectives.transient.long_run."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from objectives.arrays import FloatArray
from objectives.transient.cascade import Chain, Circuit, Place
from objectives.transient.excitation import Emf
from objectives.transient.integrator import (
    Waveforms,
    _Carry,
    _check_step,
    _rest,
    _State,
    _Stepper,
    _waveforms,
)

__all__ = ["simulate_long"]


def simulate_long(
    chain: Chain,
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
    chain :
        One candidate: a chain of one element.
    emf, step_s, places :
        As in :func:`simulate`.
    steps :
        At least so many steps; the signal is run on to the end of the last segment.
    segment_s :
        Least length of a segment (s): longer than any memory of the network but that of its
        coupling and bypass capacitors.
    tolerance_V :
        How far (V) such a capacitor's voltage may jump from segment to segment.

    Raises
    ------
    ValueError
        If the chain has more than one candidate, or as :func:`simulate`.
    """
    _check_step(step_s, steps)
    circuit = chain.circuit
    if circuit.size != 1:
        raise ValueError(f"chain: {circuit.size} candidates: must be one")
    length = _COARSE_RATIO * max(1, round(segment_s / step_s / _COARSE_RATIO))
    count = -(-steps // length)
    starts = np.arange(count) * (length * step_s)
    state = _rest(circuit, count)
    coarse = _Stepper(circuit, _COARSE_RATIO * step_s, ())
    signal = coarse.samples(emf, starts, length // _COARSE_RATIO)
    carry = _Carry.start(circuit, count, circuit.slow)
    for number in range(_MOST_PASSES):
        begin = replace(state)
        if number > 0:
            carry = _shifted(carry.restarted(), circuit)
        coarse.run(state, signal, record=False, carry=carry)
        moved = _join(circuit, state, begin, carry)
        if not moved.max(initial=0.0) > tolerance_V:
            break
    fine = _Stepper(circuit, step_s, places)
    signal = fine.samples(emf, starts, length)
    for number in range(_FINE_PASSES):
        begin = replace(state)
        state.bad[:] = False
        out = fine.run(state, signal, record=number > 0)
        bad = state.bad.any()
        moved = _join(circuit, state, begin, carry)
        if number > 0 and not moved.max(initial=0.0) > tolerance_V:
            break
    # (samples, places, segments) to (places, 1, samples in order)
    flat = np.moveaxis(out, 2, 0).reshape(count * length, len(places)).T[:, None, :]
    mismatch = np.array([moved.max(initial=0.0)])
    return _waveforms(
        chain, places, step_s, 0.0, flat, mismatch, np.array([not bad]) & (mismatch <= tolerance_V)
    )


_COARSE_RATIO = 4
_MOST_PASSES = 24
_FINE_PASSES = 5


def _shifted(carry: _Carry, circuit: Circuit) -> _Carry:
    """Hand the directions at each segment's end to the next segment's start."""
    first = _Carry.start(circuit, 1, carry.columns)
    return replace(
        carry,
        z=np.concatenate([first.z, carry.z[..., :-1]], axis=-1),
        y=np.concatenate([first.y, carry.y[..., :-1]], axis=-1),
    )


def _join(circuit: Circuit, state: _State, begin: _State, carry: _Carry) -> FloatArray:
    """Let each segment start where the one before it ends; return the slow moves made (V).

    ``state`` holds the ends and is left holding the new starts.
    """
    slow = list(circuit.slow)
    z, y = begin.z.copy(), begin.y.copy()
    move = np.zeros(len(slow))
    moved = np.zeros((len(slow), z.shape[-1]))
    for at in range(z.shape[-1] - 1):
        z[:, at + 1] = state.z[:, at] + carry.z[..., at] @ move
        y[:, at + 1] = state.y[:, at] + carry.y[..., at] @ move
        move = z[slow, at + 1] - begin.z[slow, at + 1]
        moved[:, at + 1] = move
    state.z, state.y = z, y
    for name in ("v", "trend"):
        ends = getattr(state, name)
        starts = np.concatenate([getattr(begin, name)[:, :1], ends[:, :-1]], axis=1)
        setattr(state, name, starts)
    return np.asarray(np.abs(moved))
