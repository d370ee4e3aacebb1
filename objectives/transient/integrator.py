"""Steps through time: a cascade's waveforms by TR-BDF2 with a fixed step, all candidates at once.

TR-BDF2 takes a trapezoidal step to ``t + g h``, then a second-order backward difference to
``t + h``, with ``g = 2 - sqrt(2)`` so that both need the same matrix. It is of second order and
L-stable: the fast poles of Miller capacitances and the jerks of grid conduction neither limit the
step nor leave ringing behind. In each half the linear network is eliminated beforehand, which
leaves the voltages between the electrodes as the only unknowns, two a device::

    v = p + K i(v)

solved by Newton's method for every candidate in one go of array operations.

Sources (from memory): R. E. Bank et al., "Transient simulation of silicon devices and circuits",
IEEE Trans. Comput.-Aided Des. 4(4), 1985; M. E. Hosea, L. F. Shampine, "Analysis and
implementation of TR-BDF2", Appl. Numer. Math. 20, 1996.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike

from objectives.arrays import BoolArray, FloatArray
from objectives.checks import require
from objectives.transient.cascade import Cascade, Place, StateSpace
from objectives.transient.excitation import Emf
from objectives.transient.systems import (
    Ports,
    applied,
    equilibrated_solve,
    jacobian,
    solve_ports,
    solve_small,
)

GAMMA = 2.0 - np.sqrt(2.0)
"""Where in the step the first half of TR-BDF2 ends, so that both halves share one matrix."""

_FORGOTTEN = 0.02
"""A starting value of which less than this share is left does not steer the joints any more."""


@dataclass(frozen=True)
class Waveforms:
    """Voltages to ground over time.

    Attributes
    ----------
    step_s : time between samples (s); the first sample is one step after t = 0
    voltage_V : by place, shape ``cascade.shape + (samples,)``
    rest_V : direct voltage at rest by place, shape ``cascade.shape``
    settled : whether the solution is trusted, shape ``cascade.shape``: Newton's method converged
        everywhere, and segments join where a signal was cut into some
    """

    step_s: float
    voltage_V: dict[Place, FloatArray]
    rest_V: dict[Place, FloatArray]
    settled: BoolArray

    @classmethod
    def of(
        cls,
        cascade: Cascade,
        places: Sequence[Place],
        step_s: float,
        recorded: FloatArray,
        settled: BoolArray,
    ) -> Waveforms:
        """Return what was recorded, (places, N, samples), in the shape of the cascade's batch."""
        system, shape = cascade.state_space, cascade.shape
        return cls(
            step_s,
            {place: recorded[at].reshape(*shape, -1) for at, place in enumerate(places)},
            {place: system.at_rest(place).reshape(shape) for place in places},
            settled.reshape(shape),
        )

    @cached_property
    def time_s(self) -> FloatArray:
        """Times of the samples (s)."""
        count = next(iter(self.voltage_V.values())).shape[-1]
        return self.step_s * np.arange(1, count + 1)

    def __getitem__(self, place: Place) -> FloatArray:
        """Return the voltage to ground (V) at a place."""
        return self.voltage_V[place]

    def swing(self, place: Place) -> FloatArray:
        """Return the voltage at a place less its direct voltage at rest (V)."""
        return self.voltage_V[place] - self.rest_V[place][..., None]

    def grid_cathode_V(self, stage: int) -> FloatArray:
        """Return the grid-cathode voltage (V) of a stage."""
        return self.voltage_V[stage, "grid"] - self.voltage_V[stage, "cathode"]

    def grid_cathode_rest_V(self, stage: int) -> FloatArray:
        """Return the grid-cathode voltage (V) of a stage at rest."""
        return self.rest_V[stage, "grid"] - self.rest_V[stage, "cathode"]


@dataclass
class SolverState:
    """z and its derivative y (states, N), last port voltages v and their last change (m, N)."""

    z: FloatArray
    y: FloatArray
    v: FloatArray
    trend: FloatArray
    bad: BoolArray

    @classmethod
    def at_rest(cls, system: StateSpace, columns: int) -> SolverState:
        """Return the state at rest of every candidate, or of one candidate in so many columns."""
        z, v = (
            np.repeat(a, columns // a.shape[-1], axis=-1)
            for a in (system.rest_state, system.rest_ports)
        )
        return cls(z, np.zeros_like(z), v, np.zeros_like(v), np.zeros(columns, bool))


@dataclass
class StateSensitivity:
    """Derivatives of z and y by the starting values of some states, (states, columns, N).

    ``columns`` are those states; ``scale`` is what one volt across their capacitor is in each, so
    that derivatives by ``columns`` are per volt and moves come out in volts.
    """

    z: FloatArray
    y: FloatArray
    columns: tuple[int, ...]
    scale: FloatArray

    @classmethod
    def start(cls, system: StateSpace, size: int, columns: tuple[int, ...]) -> StateSensitivity:
        """Return that of the first instant, where each column is its own starting value."""
        scale = system.state_scale[list(columns)]
        z = np.zeros((len(system.states), len(columns), size))
        z[list(columns), range(len(columns))] = scale[:, None]
        return cls(z, np.zeros_like(z), columns, scale)

    @property
    def matrix(self) -> FloatArray:
        """What a volt in one of the columns comes to in each of them, (columns, columns, N)."""
        return np.asarray(self.z[list(self.columns)] / self.scale[:, None, None])

    def restarted(self) -> StateSensitivity:
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


class Stepper:
    """TR-BDF2 for one state space and one step size."""

    def __init__(self, system: StateSpace, step_s: float, places: Sequence[Place]) -> None:
        c = system
        self.system, self.step_s = system, step_s
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
            [c.E[:, r, :] @ solved, np.einsum("mj,njk->nmk", c.Q, solved), solved[:, rows, :]],
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

    def half(
        self, rhs: FloatArray, emf: FloatArray, guess: FloatArray, state: SolverState, outputs: bool
    ) -> tuple[FloatArray, Ports]:
        """Solve one implicit half step; return all rows, and the ports."""
        R, m = self.R, self.m
        rows = slice(None) if outputs else slice(R + m)
        w = applied(self.by_state[rows], rhs)
        w += self.by_source[rows] * emf
        w += self.fixed[rows]
        ports = solve_ports(self.system.laws, self.K, w[R : R + m], guess)
        state.bad[ports.bad] = True
        w += applied(self.by_current[rows], ports.i)
        return w, ports

    def propagated(self, rhs: FloatArray, ports: Ports) -> FloatArray:
        """Return the change of z for one of the right-hand side, (states, columns, N)."""
        R, m = self.R, self.m
        w = applied(self.by_state[: R + m], rhs)
        dv = solve_small(jacobian(self.K, ports.by_grid, ports.by_plate), w[R:].copy())
        return w[:R] + applied(self.by_current[:R], ports.change(dv))

    def run(
        self,
        state: SolverState,
        emf: FloatArray,
        *,
        record: bool = True,
        sensitivity: StateSensitivity | None = None,
        near: FloatArray | None = None,
    ) -> tuple[FloatArray, FloatArray]:
        """Advance the state in place over the samples of ``emf``, shape (steps, 2, N or 1).

        Returns the places recorded, shape (steps, places, N), and the voltages at the ports in both
        halves of every step, (steps, 2, m, N). Those of an earlier run that began nearby may be
        given as ``near``: Newton's method then starts from them. ``sensitivity`` is advanced in
        place.
        """
        R, d = self.R, self.delta
        first, second = self.weights
        size = state.z.shape[-1]
        count = self.by_state.shape[0] - R - self.m
        out = np.empty((emf.shape[0] if record else 0, count, size))
        passed = np.empty((*emf.shape[:2], self.m, size))
        for at in range(emf.shape[0]):
            z, v = state.z, state.v
            guess = v + GAMMA * state.trend
            if near is not None and at > 0:
                # As far from the earlier run as half a step before.
                guess = near[at, 0] + (v - near[at - 1, 1])
            w, middle = self.half(z + d * state.y, emf[at, 0], guess, state, False)
            rhs = first * w[:R] - second * z
            if sensitivity is not None:
                moved = self.propagated(sensitivity.z + d * sensitivity.y, middle)
                sensitivity_rhs = first * moved - second * sensitivity.z
            guess = middle.v + (1.0 - GAMMA) / GAMMA * (middle.v - v)
            if near is not None:
                guess = near[at, 1] + (middle.v - near[at, 0])
            w, end = self.half(rhs, emf[at, 1], guess, state, record)
            state.v = end.v
            passed[at] = middle.v, end.v
            state.z = w[:R]
            state.y = (state.z - rhs) / d
            state.trend = state.v - v
            if sensitivity is not None:
                sensitivity.z = self.propagated(sensitivity_rhs, end)
                sensitivity.y = (sensitivity.z - sensitivity_rhs) / d
            if record:
                out[at] = w[R + self.m :]
        return out, passed

    def samples(self, emf: Emf, start_s: ArrayLike, steps: int) -> FloatArray:
        """Return the EMF at both halves of every step, shape (steps, 2, starts)."""
        begin = np.asarray(start_s, float).reshape(-1)
        halves = np.arange(steps)[:, None] + np.array([GAMMA, 1.0])
        return emf(halves[..., None] * self.step_s + begin)


def check_step(step_s: float, steps: int) -> None:
    """Raise an InputError for an impossible step (s) or number of steps."""
    require("step_s", step_s, np.isfinite(step_s) and step_s > 0, "more than 0 and finite")
    require("steps", steps, steps >= 1, "1 or more")
