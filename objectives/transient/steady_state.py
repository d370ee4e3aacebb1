"""The periodic steady state of a cascade, by Newton's shooting method, every candidate at once.

Coupling and bypass capacitors take tens of periods to settle. Their sensitivity to their own
starting values is propagated along with the solution, and tells where they must start for the
period to end where it began.

Source: T. J. Aprille, T. N. Trick, "Steady-state analysis of nonlinear circuits with periodic
inputs", Proc. IEEE 60(1), 1972 (from memory).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from objectives.arrays import BoolArray, FloatArray, IntArray
from objectives.transient.cascade import Cascade, Place, StateSpace
from objectives.transient.excitation import Emf
from objectives.transient.integrator import (
    SolverState,
    StateSensitivity,
    Stepper,
    Waveforms,
    check_step,
)

_NEAR_V = 1e-5
"""So near the periodic steady state is near enough for any capacitor's voltage. Rounding hides less
where one remembers a hundred thousand periods, as a full bypass does."""

_COARSE_STEPS = 96
_SLOW_PERIODS = 8
_ALL_PERIODS = 16


def periodic(
    cascade: Cascade,
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
    step asked for. The others are forgotten within a period and follow by themselves. Some hundred
    candidates at a time make the best use of the processor's cache.

    Parameters
    ----------
    emf, period_s, steps :
        EMF of the first stage's source (V), its period (s) and the number of steps in it.
    places :
        Where voltages are wanted, e.g. ``((0, "plate"), (1, "grid"), (1, "output"))``.
    tolerance_V :
        How far (V) a coupling or bypass capacitor may be from ending where it began, which shows as
        a sawtooth of that height in every spectrum; ``settled`` is false where it is not met.

    Raises
    ------
    InputError
        If a place does not exist or a step is impossible.
    """
    step_s = period_s / steps
    check_step(step_s, steps)
    system = cascade.state_space
    few = min(steps, _COARSE_STEPS)
    coarse = Stepper(system, period_s / few, ())
    signal = coarse.samples(emf, 0.0, few)
    state = SolverState.at_rest(system, system.size)
    sensitivity = StateSensitivity.start(system, system.size, system.slow)
    coarse.run(state, signal, record=False, sensitivity=sensitivity)
    everyone = left = np.arange(system.size)
    for _ in range(_SLOW_PERIODS):
        begin = state.z
        sensitivity = sensitivity.restarted()
        coarse.run(state, signal, record=False, sensitivity=sensitivity)
        left = np.flatnonzero(_shoot(system, state, begin, sensitivity, signal) > tolerance_V)
        if not left.size:
            break
    if left.size:
        _shoot_all(system.at(left), state, left, period_s / few, signal, tolerance_V)

    fine = Stepper(system, step_s, places)
    signal = fine.samples(emf, 0.0, steps)
    begin = state.z
    fine.run(state, signal, record=False)
    settled_already = np.setdiff1d(everyone, left)
    _shoot(system, state, begin, sensitivity, signal, only=settled_already)
    begin = state.z
    state.bad[:] = False
    recorded = np.moveaxis(fine.run(state, signal), (0, 1, 2), (2, 0, 1))
    mismatch = _mismatch(system, state, begin)
    # A large capacitor ends a period where it began wherever it stands: ask for its move as well.
    off = np.abs(_moves(state, begin, sensitivity)).max(axis=0, initial=0.0)
    left = np.flatnonzero(~_there(mismatch, off, tolerance_V) | state.bad)
    if left.size:
        recorded[:, left], mismatch[left], off[left] = _shoot_all(
            system.at(left), state, left, step_s, signal, tolerance_V, places
        )
    settled = ~state.bad & _there(mismatch, off, tolerance_V)
    return Waveforms.of(cascade, places, step_s, recorded, mismatch, settled)


def _mismatch(system: StateSpace, state: SolverState, begin: FloatArray) -> FloatArray:
    """Return the largest jump (V) of a slow state from the end of a period to its start."""
    slow = list(system.slow)
    return np.asarray(np.abs(state.z[slow] - begin[slow]).max(axis=0, initial=0.0))


def _there(mismatch: FloatArray, off: FloatArray, tolerance_V: float) -> BoolArray:
    """Return where the period closes and no state is far (V) from where it belongs."""
    return np.asarray((mismatch <= tolerance_V) & (off <= max(tolerance_V, _NEAR_V)))


def _shoot_all(
    system: StateSpace,
    whole: SolverState,
    which: IntArray,
    step_s: float,
    signal: FloatArray,
    tolerance_V: float,
    places: Sequence[Place] = (),
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Shoot with every state of the few candidates in which shooting with the slow ones fails.

    Returns what was recorded, the mismatch (V) and how far (V) the states still are from periodic.
    """
    # There a period is short beside the memory of states taken as fast, or one all but keeps its
    # value from period to period.
    stepper, state = Stepper(system, step_s, places), whole.at(which)
    columns = tuple(range(len(system.states)))
    for number in range(_ALL_PERIODS):
        begin = state.z
        sensitivity = StateSensitivity.start(system, system.size, columns)
        state.bad[:] = False
        out = stepper.run(state, signal, record=bool(places), sensitivity=sensitivity)
        mismatch = _mismatch(system, state, begin)
        off = np.abs(_moves(state, begin, sensitivity)).max(axis=0, initial=0.0)
        there = _there(mismatch, off, tolerance_V).all()
        if places and number > 0 and there:
            break
        _shoot(system, state, begin, sensitivity, signal)
        if not places and there:
            break
    whole.put(which, state)
    return np.moveaxis(out, (0, 1, 2), (2, 0, 1)), mismatch, off


def _moves(state: SolverState, begin: FloatArray, sensitivity: StateSensitivity) -> FloatArray:
    """Return how far (V) the propagated states are from periodic, by Newton's method."""
    columns = list(sensitivity.columns)
    excess = (state.z[columns] - begin[columns]) / sensitivity.scale[:, None]
    matrix = -sensitivity.matrix
    matrix[range(len(columns)), range(len(columns))] += 1.0
    # Dense, a few unknowns a candidate, and only once a period.
    solved = np.linalg.solve(np.moveaxis(matrix, -1, 0), excess.T[..., None])
    return np.asarray(solved[..., 0].T, float)


def _shoot(
    system: StateSpace,
    state: SolverState,
    begin: FloatArray,
    sensitivity: StateSensitivity,
    signal: FloatArray,
    only: IntArray | None = None,
) -> FloatArray:
    """Move the state at the end of a period towards the periodic one.

    Returns the largest move (V) of each candidate among the propagated states.
    """
    move = _moves(state, begin, sensitivity)
    largest = np.asarray(np.abs(move).max(axis=0, initial=0.0))
    # No capacitor is ever charged beyond what supplies and source can do; a move that asks for
    # more has been led astray by a valve that is cut off in one guess and conducts in the next.
    reach = system.reach_V + np.abs(signal).max()
    move = move * np.minimum(1.0, reach / np.maximum(largest, 1e-30))
    if only is not None:
        kept = np.zeros(largest.size)
        kept[only] = 1.0
        move = move * kept
    state.z = state.z + np.einsum("ijn,jn->in", sensitivity.z, move)
    state.y = state.y + np.einsum("ijn,jn->in", sensitivity.y, move)
    return largest
