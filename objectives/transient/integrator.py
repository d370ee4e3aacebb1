"""TODO objectives.transient.integrator."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike

from objectives.arrays import BoolArray, FloatArray, IntArray
from objectives.devices.protocol import ConductionLaw
from objectives.transient.cascade import Chain, Circuit, Place
from objectives.transient.excitation import Emf
from objectives.transient.systems import device_currents, equilibrated_solve, jacobian, solve_small

__all__ = ["Waveforms", "simulate"]

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


def _check_step(step_s: float, steps: int) -> None:
    if not (np.isfinite(step_s) and step_s > 0):
        raise ValueError(f"step_s: {step_s!r}: must be more than 0 and finite")
    if steps < 1:
        raise ValueError(f"steps: {steps!r}: must be 1 or more")
