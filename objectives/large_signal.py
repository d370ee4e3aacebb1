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

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, TypeAlias

import numpy as np
from numpy.typing import ArrayLike
from scipy.interpolate import CubicSpline

from objectives.batch import BoolArray, FloatArray, IntArray
from objectives.chain import (
    Chain,
    Circuit,
    Link,
    Place,
    device_currents,
    equilibrated_solve,
    jacobian,
    solve_small,
)

if TYPE_CHECKING:
    from objectives.triodes import ConductionLaw

__all__ = [
    "Chain",
    "Emf",
    "Link",
    "Waveforms",
    "clipped_sine",
    "periodic",
    "sampled",
    "simulate",
    "simulate_long",
    "sine",
]

Emf: TypeAlias = Callable[[FloatArray], FloatArray]
"""EMF of the source (V) at the given times (s), same shape."""

GAMMA = 2.0 - np.sqrt(2.0)
"""Where in the step the first half of TR-BDF2 ends, so that both halves share one matrix."""

_TOLERANCE_V = 1e-5
# The error left is of the order of the square of the last Newton step over the voltage scale of
# grid conduction, about 0.1 V: 1e-9 V.
_MOST_ITERATIONS = 60
_MOST_HALVINGS = 12
_FORGOTTEN = 0.02
"""A starting value of which less than this share is left does not steer the joints any more."""
_BLOCK = 512
"""Candidates worked on at once: enough to spread the cost of a call, few enough for the cache."""


# -- signals ---------------------------------------------------------------------------------------


def sine(level_V: float, frequency_Hz: float) -> Emf:
    """Return a sine EMF of the given peak (V), zero and rising at t = 0."""

    def emf(time_s: FloatArray) -> FloatArray:
        return np.asarray(level_V * np.sin(2 * np.pi * frequency_Hz * time_s))

    return emf


def clipped_sine(level_V: float, frequency_Hz: float, clip_V: float) -> Emf:
    """Return a sine EMF of the given peak (V), cut off at ``-clip_V`` and ``+clip_V``."""
    if not clip_V > 0:
        raise ValueError(f"clip_V: {clip_V!r}: must be more than 0")
    whole = sine(level_V, frequency_Hz)

    def emf(time_s: FloatArray) -> FloatArray:
        return np.clip(whole(time_s), -clip_V, clip_V)

    return emf


def sampled(samples_V: ArrayLike, rate_Hz: float) -> Emf:
    """Return the EMF that goes smoothly (cubic spline) through samples; held at both ends.

    The spline is true to a signal well below half the sampling rate; resample first where it is
    not.
    """
    values = np.asarray(samples_V, float)
    if values.ndim != 1 or values.size < 4 or not np.all(np.isfinite(values)):
        raise ValueError(
            f"samples_V: array of shape {values.shape}: must be at least 4 finite samples on one "
            "axis"
        )
    spline = CubicSpline(np.arange(values.size) / rate_Hz, values)
    end = (values.size - 1) / rate_Hz

    def emf(time_s: FloatArray) -> FloatArray:
        return np.asarray(spline(np.clip(time_s, 0.0, end)))

    return emf


# -- results ---------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Waveforms:
    """Voltages to ground over time.

    Attributes
    ----------
    step_s : time between samples (s); the first sample is one step after ``start_s``
    start_s : where the first step began (s)
    voltage_V : by place, shape ``chain.shape + (samples,)``
    rest_V : direct voltage at rest by place, shape ``chain.shape``
    mismatch_V : largest jump (V) of a coupling or bypass capacitor's voltage that is left where
        the solution was joined (start and end of a period, ends of segments); 0 where unjoined
    settled : whether the solution is trusted, shape ``chain.shape``: Newton's method converged at
        every step and the joints closed
    """

    step_s: float
    start_s: float
    voltage_V: dict[Place, FloatArray]
    rest_V: dict[Place, FloatArray]
    mismatch_V: FloatArray
    settled: BoolArray

    @cached_property
    def time_s(self) -> FloatArray:
        """Times of the samples (s)."""
        count = next(iter(self.voltage_V.values())).shape[-1]
        return self.start_s + self.step_s * np.arange(1, count + 1)

    def __getitem__(self, place: Place) -> FloatArray:
        """Return the voltage to ground (V) at a place."""
        return self.voltage_V[place]

    def swing(self, place: Place) -> FloatArray:
        """Return the voltage at a place less its direct voltage at rest (V)."""
        return self.voltage_V[place] - self.rest_V[place][..., None]

    def grid_cathode_V(self, link: int) -> FloatArray:
        """Return the grid-cathode voltage (V) of a link."""
        return self.voltage_V[link, "grid"] - self.voltage_V[link, "cathode"]

    def grid_cathode_rest_V(self, link: int) -> FloatArray:
        """Return the grid-cathode voltage (V) of a link at rest."""
        return self.rest_V[link, "grid"] - self.rest_V[link, "cathode"]


# -- one step --------------------------------------------------------------------------------------


@dataclass
class _State:
    """z and its derivative y (states, N), last port voltages v and their last change (m, N)."""

    z: FloatArray
    y: FloatArray
    v: FloatArray
    trend: FloatArray
    bad: BoolArray

    def at(self, which: IntArray) -> _State:
        """Return some of the candidates."""
        return _State(
            self.z[:, which], self.y[:, which], self.v[:, which], self.trend[:, which],
            self.bad[which],
        )  # fmt: skip

    def put(self, which: IntArray, other: _State) -> None:
        """Replace some of the candidates."""
        for name in ("z", "y", "v", "trend", "bad"):
            getattr(self, name)[..., which] = getattr(other, name)


@dataclass
class _Carry:
    """Derivatives of z and y by the starting values of some states, (states, columns, N).

    ``columns`` are those states; ``scale`` is what one volt across their capacitor is in each, so
    that derivatives by ``columns`` are per volt and moves come out in volts.
    """

    z: FloatArray
    y: FloatArray
    columns: tuple[int, ...]
    scale: FloatArray

    @classmethod
    def start(cls, circuit: Circuit, size: int, columns: tuple[int, ...]) -> _Carry:
        scale = circuit.state_scale[list(columns)]
        z = np.zeros((len(circuit.states), len(columns), size))
        z[list(columns), range(len(columns))] = scale[:, None]
        return cls(z, np.zeros_like(z), columns, scale)

    @property
    def matrix(self) -> FloatArray:
        """What a volt in one of the columns comes to in each of them, (columns, columns, N)."""
        return np.asarray(self.z[list(self.columns)] / self.scale[:, None, None])

    def restarted(self) -> _Carry:
        """Return starting directions in which the other states go along as they did at the end.

        A coupling capacitor whose voltage is changed alone shares its charge with the capacitance
        behind it at once, which would be mistaken for a decay. What remains of a direction after a
        while is free of that; directions of which nothing remains keep the plain unit start.
        """
        back = np.moveaxis(np.linalg.pinv(np.moveaxis(self.matrix, -1, 0), rcond=_FORGOTTEN), 0, -1)
        z = np.einsum("ijn,jkn->ikn", self.z, back)
        z[list(self.columns)] = 0.0
        z[list(self.columns), range(len(self.columns))] = self.scale[:, None]
        return replace(self, z=z, y=np.einsum("ijn,jkn->ikn", self.y, back))


class _Stepper:
    """TR-BDF2 for one circuit and one step size."""

    def __init__(self, circuit: Circuit, step_s: float, places: Sequence[Place]) -> None:
        c = circuit
        self.circuit, self.step_s = circuit, step_s
        self.delta = GAMMA / 2 * step_s
        d, r = self.delta, list(c.states)
        n, width = c.A.shape[0], c.A.shape[1]
        ports = np.broadcast_to(-d * c.Q.T, (n, *c.Q.T.shape))
        unit = np.zeros((n, width, len(r)))
        unit[:, r, range(len(r))] = 1.0
        right = np.concatenate(
            [unit, d * c.source[..., None], d * c.constant[..., None], ports], axis=-1
        )
        solved = equilibrated_solve(c.E + d * c.A, right)
        rows = [c.row(place) for place in places]
        left = np.concatenate(
            [
                c.E[:, r, :] @ solved,
                np.einsum("mj,njk->nmk", c.Q, solved),
                solved[:, rows, :],
            ],
            axis=1,
        )
        table = np.ascontiguousarray(np.moveaxis(left, 0, -1))
        R, m = len(r), c.Q.shape[0]
        self.R, self.m = R, m
        self.by_state = np.ascontiguousarray(table[:, :R])
        self.by_source = np.ascontiguousarray(table[:, R])
        self.fixed = np.ascontiguousarray(table[:, R + 1])
        self.by_current = np.ascontiguousarray(table[:, R + 2 :])
        self.K = np.ascontiguousarray(self.by_current[R : R + m])
        g = GAMMA
        self.weights = 1.0 / (g * (2.0 - g)), (1.0 - g) ** 2 / (g * (2.0 - g))

    def apply(self, matrix: FloatArray, vector: FloatArray) -> FloatArray:
        """Return the product for every column of the batch; one circuit may serve them all."""
        if matrix.shape[-1] == 1:
            columns = int(np.prod(vector.shape[1:]))
            flat = matrix[..., 0] @ vector.reshape(vector.shape[0], columns)
            return np.asarray(flat.reshape(matrix.shape[0], *vector.shape[1:]))
        if vector.ndim == 2:
            return np.asarray(np.einsum("ijn,jn->in", matrix, vector))
        return np.asarray(np.einsum("ijn,jcn->icn", matrix, vector))

    def half(
        self, rhs: FloatArray, emf: FloatArray, guess: FloatArray, state: _State, outputs: bool
    ) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        """Solve one implicit half step; return all rows, v, and the slopes of the devices used."""
        R, m = self.R, self.m
        rows = slice(None) if outputs else slice(R + m)
        w = self.apply(self.by_state[rows], rhs)
        w += self.by_source[rows] * emf
        w += self.fixed[rows]
        p, laws = w[R : R + m], self.circuit.laws
        v, step, i, by_grid, by_plate = self.newton(laws, self.K, guess, p)
        largest = np.abs(step).max(axis=0)
        left = np.flatnonzero(~(largest <= _TOLERANCE_V))
        # Whoever is not there yet goes on alone, so that a few hard ones do not hold up the rest.
        for iteration in range(_MOST_ITERATIONS):
            if not left.size:
                break
            whole = left.size == largest.size
            K = self.K if whole or self.K.shape[-1] == 1 else self.K[..., left]
            own = laws if whole else self.circuit.laws_at(left)
            found = self.newton(own, K, v[:, left], p[:, left], guarded=iteration > 4)
            for all_, part in zip((v, step, i, by_grid, by_plate), found, strict=True):
                all_[:, left] = part
            left = left[~(np.abs(found[1]).max(axis=0) <= _TOLERANCE_V)]
        else:
            state.bad[left] = True
        # The currents of the linearised device at the new v satisfy the network exactly.
        i[0::2] += by_grid[0::2] * step[0::2] + by_plate[0::2] * step[1::2]
        i[1::2] += by_grid[1::2] * step[0::2] + by_plate[1::2] * step[1::2]
        w += self.apply(self.by_current[rows], i)
        return w, v, by_grid, by_plate

    def newton(
        self,
        laws: tuple[ConductionLaw, ...],
        K: FloatArray,
        v: FloatArray,
        p: FloatArray,
        guarded: bool = False,
    ) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]:
        """Return the new v, the step made, and currents and slopes at the old v.

        A guarded step is halved until the equations are met better than before, which ends the
        cycling across the corner where the plate's voltage, and so its current, has gone.
        """
        i, by_grid, by_plate = device_currents(laws, v)
        excess = self.apply(K, i)
        excess += p
        excess -= v
        before = np.abs(excess).max(axis=0) if guarded else None
        step = solve_small(jacobian(K, by_grid, by_plate), excess[:, None])[:, 0]
        if before is not None:
            for _ in range(_MOST_HALVINGS):
                trial = v + step
                after = np.abs(p + self.apply(K, device_currents(laws, trial)[0]) - trial)
                worse = after.max(axis=0) > np.maximum(before, _TOLERANCE_V)
                if not worse.any():
                    break
                step = np.where(worse, 0.5 * step, step)
        return v + step, step, i, by_grid, by_plate

    def carried(self, rhs: FloatArray, by_grid: FloatArray, by_plate: FloatArray) -> FloatArray:
        """Return the change of z for one of the right-hand side, (states, columns, N)."""
        R, m = self.R, self.m
        w = self.apply(self.by_state[: R + m], rhs)
        dv = solve_small(jacobian(self.K, by_grid, by_plate), w[R:].copy())
        di = np.empty_like(dv)
        for port in range(m):
            g = port - port % 2
            di[port] = by_grid[port] * dv[g] + by_plate[port] * dv[g + 1]
        return w[:R] + self.apply(self.by_current[:R], di)

    def run(
        self,
        state: _State,
        emf: FloatArray,
        *,
        record: bool = True,
        carry: _Carry | None = None,
    ) -> FloatArray:
        """Advance the state in place over the samples of ``emf``, shape (steps, 2, N or 1).

        Returns the places recorded, shape (steps, places, N); ``carry`` is advanced in place.
        """
        R, d = self.R, self.delta
        first, second = self.weights
        size = state.z.shape[-1]
        count = self.by_state.shape[0] - R - self.m
        out = np.empty((emf.shape[0] if record else 0, count, size))
        for at in range(emf.shape[0]):
            z, v = state.z, state.v
            guess = v + GAMMA * state.trend
            w, v_mid, *slopes = self.half(z + d * state.y, emf[at, 0], guess, state, False)
            rhs = first * w[:R] - second * z
            if carry is not None:
                middle = self.carried(carry.z + d * carry.y, *slopes)
                carry_rhs = first * middle - second * carry.z
            guess = v_mid + (1.0 - GAMMA) / GAMMA * (v_mid - v)
            w, state.v, *slopes = self.half(rhs, emf[at, 1], guess, state, record)
            state.z = w[:R]
            state.y = (state.z - rhs) / d
            state.trend = state.v - v
            if carry is not None:
                carry.z = self.carried(carry_rhs, *slopes)
                carry.y = (carry.z - carry_rhs) / d
            if record:
                out[at] = w[R + self.m :]
        return out

    def samples(self, emf: Emf, start_s: ArrayLike, steps: int) -> FloatArray:
        """Return the EMF at both halves of every step, shape (steps, 2, starts)."""
        begin = np.asarray(start_s, float).reshape(-1)
        halves = np.arange(steps)[:, None] + np.array([GAMMA, 1.0])
        return emf(halves[..., None] * self.step_s + begin)


def _rest(circuit: Circuit, columns: int) -> _State:
    """Return the state at rest of every candidate, or of one circuit in so many columns."""

    def spread(a: FloatArray) -> FloatArray:
        return np.repeat(a, columns // a.shape[-1], axis=-1)

    z, v = spread(circuit.rest_state), spread(circuit.rest_ports)
    return _State(z, np.zeros_like(z), v, np.zeros_like(v), np.zeros(columns, bool))


# -- the plain run ---------------------------------------------------------------------------------


def simulate(
    chain: Chain, emf: Emf, step_s: float, steps: int, places: Sequence[Place]
) -> Waveforms:
    """Solve every candidate from rest, one step after the other.

    Parameters
    ----------
    chain :
        The stages; its shape is that of the batch.
    emf :
        EMF of the first link's source (V); 0 at rest, before t = 0.
    step_s, steps :
        Fixed step (s) and how many.
    places :
        Where voltages are wanted, e.g. ``((0, "plate"), (1, "grid"), (1, "output"))``.

    Raises
    ------
    ValueError
        If a place does not exist or a part value is impossible.
    """
    _check_step(step_s, steps)
    circuit = chain.circuit
    stepper = _Stepper(circuit, step_s, places)
    state = _rest(circuit, circuit.size)
    out = stepper.run(state, stepper.samples(emf, 0.0, steps))
    return _waveforms(
        chain, places, step_s, 0.0, np.moveaxis(out, (0, 1, 2), (2, 0, 1)),
        np.zeros(circuit.size), ~state.bad,
    )  # fmt: skip


def _waveforms(
    chain: Chain,
    places: Sequence[Place],
    step_s: float,
    start_s: float,
    recorded: FloatArray,
    mismatch: FloatArray,
    settled: BoolArray,
) -> Waveforms:
    """Shape what was recorded, (places, N, samples), like the chain's batch."""
    circuit, shape = chain.circuit, chain.shape
    return Waveforms(
        step_s,
        start_s,
        {place: recorded[at].reshape(*shape, -1) for at, place in enumerate(places)},
        {place: circuit.at_rest(place).reshape(shape) for place in places},
        mismatch.reshape(shape),
        settled.reshape(shape),
    )


# -- the periodic steady state ---------------------------------------------------------------------


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


# -- long signals ----------------------------------------------------------------------------------


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


def _check_step(step_s: float, steps: int) -> None:
    if not (np.isfinite(step_s) and step_s > 0):
        raise ValueError(f"step_s: {step_s!r}: must be more than 0 and finite")
    if steps < 1:
        raise ValueError(f"steps: {steps!r}: must be 1 or more")
