"""A chain of stages solved in time: large signals, grid current, every candidate at once.

**Scheme.** TR-BDF2 with a fixed step h: a trapezoidal step to ``t + g h``, then a second-order
backward difference to ``t + h``, with ``g = 2 - sqrt(2)`` so that both need the same matrix. It is
of second order and L-stable: the fast poles of Miller capacitances and the jerks of grid conduction
neither limit the step nor leave ringing behind. In each half the linear network is eliminated
beforehand, which leaves the voltages between the electrodes as the only unknowns, two a valve::

    v = p + K i(v)

solved by Newton's method for every candidate in one go of array operations.

**Slow states.** Coupling and bypass capacitors take tens of periods to settle. Their sensitivity to
their own starting values is carried along with the solution, and used twice: :func:`periodic` is
Newton's shooting method for the periodic steady state, and :func:`simulate_long` cuts a long signal
into segments that are solved side by side and joined by multiple shooting.

Sources (all from memory): R. E. Bank et al., "Transient simulation of silicon devices and
circuits", IEEE Trans. Comput.-Aided Des. 4(4), 1985; M. E. Hosea, L. F. Shampine, "Analysis and
implementation of TR-BDF2", Appl. Numer. Math. 20, 1996; T. J. Aprille, T. N. Trick, "Steady-state
analysis of nonlinear circuits with periodic inputs", Proc. IEEE 60(1), 1972; M. J. Gander,
S. Vandewalle, "Analysis of the parareal time-parallel time-integration method", SIAM J. Sci.
Comput. 29(2), 2007.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from objectives.arrays import BoolArray, FloatArray, IntArray
from objectives.transient.cascade import Chain, Circuit, Place
from objectives.transient.excitation import Emf
from objectives.transient.integrator import (
    _BLOCK,
    Waveforms,
    _Carry,
    _check_step,
    _rest,
    _State,
    _Stepper,
    _waveforms,
)

__all__ = ["periodic"]


def periodic(
    chain: Chain,
    emf: Emf,
    period_s: float,
    steps: int,
    places: Sequence[Place],
    *,
    tolerance_V: float = 1e-3,
) -> Waveforms:
    """Solve one period of the periodic steady state of every candidate.

    Shooting: the slow states' starting values are moved by Newton's method until the period ends
    where it began, first with a coarse step, where only the slow states matter, then with the
    step asked for. The others are forgotten within a period and follow by themselves.

    Parameters
    ----------
    chain, emf, places :
        As in :func:`simulate`; ``emf`` must have the period.
    period_s, steps :
        The period (s) and the number of steps in it.
    tolerance_V :
        How far (V) a coupling or bypass capacitor may be from ending where it began. What is left
        shows as a sawtooth of that height in every spectrum.

    Returns
    -------
    Waveforms of one period; ``settled`` is false where the tolerance was not met.
    """
    step_s = period_s / steps
    _check_step(step_s, steps)
    whole = chain.circuit
    recorded = np.empty((len(places), whole.size, steps))
    mismatch, settled = np.empty(whole.size), np.empty(whole.size, bool)
    for first in range(0, whole.size, _BLOCK):
        block = slice(first, first + _BLOCK)
        recorded[:, block], mismatch[block], settled[block] = _periodic(
            whole.at(block), emf, period_s, steps, places, tolerance_V
        )
    return _waveforms(chain, places, step_s, 0.0, recorded, mismatch, settled)


_COARSE_STEPS = 96
_SLOW_PERIODS = 8
_ALL_PERIODS = 16


def _periodic(
    circuit: Circuit,
    emf: Emf,
    period_s: float,
    steps: int,
    places: Sequence[Place],
    tolerance_V: float,
) -> tuple[FloatArray, FloatArray, BoolArray]:
    slow, everyone = circuit.slow, np.arange(circuit.size)
    few = min(steps, _COARSE_STEPS)
    coarse = _Stepper(circuit, period_s / few, ())
    signal = coarse.samples(emf, 0.0, few)
    state = _rest(circuit, circuit.size)
    carry = _Carry.start(circuit, circuit.size, slow)
    coarse.run(state, signal, record=False, carry=carry)
    left = everyone
    for _ in range(_SLOW_PERIODS):
        begin = state.z
        carry = carry.restarted()
        coarse.run(state, signal, record=False, carry=carry)
        left = np.flatnonzero(_shoot(circuit, state, begin, carry, signal) > tolerance_V)
        if not left.size:
            break
    if left.size:
        _shoot_all(circuit.at(left), state, left, period_s / few, signal, tolerance_V)

    fine = _Stepper(circuit, period_s / steps, places)
    signal = fine.samples(emf, 0.0, steps)
    begin = state.z
    fine.run(state, signal, record=False)
    settled_already = np.setdiff1d(everyone, left)
    _shoot(circuit, state, begin, carry, signal, only=settled_already)
    begin = state.z
    state.bad[:] = False
    out = np.moveaxis(fine.run(state, signal), (0, 1, 2), (2, 0, 1))
    mismatch = _mismatch(circuit, state, begin)
    left = np.flatnonzero((mismatch > tolerance_V) | state.bad)
    if left.size:
        again = _shoot_all(
            circuit.at(left), state, left, period_s / steps, signal, tolerance_V, places
        )
        out[:, left], mismatch[left] = again
    return out, mismatch, ~state.bad & (mismatch <= tolerance_V)


def _mismatch(circuit: Circuit, state: _State, begin: FloatArray) -> FloatArray:
    """Return the largest jump (V) of a slow state from the end of a period to its start."""
    slow = list(circuit.slow)
    return np.asarray(np.abs(state.z[slow] - begin[slow]).max(axis=0, initial=0.0))


def _shoot_all(
    circuit: Circuit,
    whole: _State,
    which: IntArray,
    step_s: float,
    signal: FloatArray,
    tolerance_V: float,
    places: Sequence[Place] = (),
) -> tuple[FloatArray, FloatArray]:
    """Shoot with every state, not the slow ones alone, for the few candidates that need it.

    Where a period is short beside the memory of states taken as fast, or a state all but keeps its
    value from period to period, the shorter method may not converge. ``whole`` is updated at
    ``which``; returns what was recorded in the last period, and its mismatch.
    """
    stepper, state = _Stepper(circuit, step_s, places), whole.at(which)
    columns = tuple(range(len(circuit.states)))
    for number in range(_ALL_PERIODS):
        begin = state.z
        carry = _Carry.start(circuit, circuit.size, columns)
        state.bad[:] = False
        out = stepper.run(state, signal, record=bool(places), carry=carry)
        mismatch = _mismatch(circuit, state, begin)
        if places and number > 0 and not mismatch.max() > tolerance_V:
            break
        moved = _shoot(circuit, state, begin, carry, signal)
        if not places and not moved.max() > tolerance_V:
            break
    whole.put(which, state)
    return np.moveaxis(out, (0, 1, 2), (2, 0, 1)), mismatch


def _shoot(
    circuit: Circuit,
    state: _State,
    begin: FloatArray,
    carry: _Carry,
    signal: FloatArray,
    only: IntArray | None = None,
) -> FloatArray:
    """Move the state at the end of a period towards the periodic one.

    Returns the largest move (V) of each candidate among the carried states.
    """
    columns, size = list(carry.columns), state.z.shape[-1]
    if not columns:
        return np.zeros(size)
    excess = (state.z[columns] - begin[columns]) / carry.scale[:, None]
    matrix = -carry.matrix
    matrix[range(len(columns)), range(len(columns))] += 1.0
    # Dense, a few unknowns a candidate, and only once a period.
    solved = np.linalg.solve(np.moveaxis(matrix, -1, 0), excess.T[..., None])
    move = np.asarray(solved[..., 0].T, float)
    largest = np.asarray(np.abs(move).max(axis=0))
    # No capacitor is ever charged beyond what supplies and source can do; a move that asks for
    # more has been led astray by a valve that is cut off in one guess and conducts in the next.
    reach = circuit.reach_V + np.abs(signal).max()
    move = move * np.minimum(1.0, reach / np.maximum(largest, 1e-30))
    if only is not None:
        kept = np.zeros(size)
        kept[only] = 1.0
        move = move * kept
    state.z = state.z + np.einsum("ijn,jn->in", carry.z, move)
    state.y = state.y + np.einsum("ijn,jn->in", carry.y, move)
    return largest
