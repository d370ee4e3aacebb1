"""The linear network of a cascade as the ports of its devices see it, by its time constants.

With the state ``z = E x`` the network is ``z + M z' = w``. M has as eigenvalues the time constants,
all real because resistors and capacitors alone make no resonance, so that the voltages wanted are::

    y = (d + c (1 + s tau)^-1 b) (u, 1, i)

with u the EMF and i the currents of the devices.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from objectives.arrays import ComplexArray, FloatArray, IntArray
from objectives.transient.cascade import Place, StateSpace
from objectives.transient.systems import equilibrated_solve

_NO_TIME = 1e-7
"""A time constant of this share of the shortest time of interest is none."""

_UNRESOLVED = 1e-13
"""One of this share of the longest, which a full bypass makes hours, is lost in its rounding."""

_IMPLICIT = 0.6
"""Weight of a step's end. At 0.5 phases are right but the fastest modes ring; from 1 they lag."""


@dataclass(frozen=True)
class Modes:
    """The network of every candidate; N candidates, r modes, q voltages wanted, m ports.

    Attributes
    ----------
    tau_s : time constants (s), shape (N, r)
    b : what EMF, direct sources and port currents do to each mode, shape (N, r, 2 + m)
    c : what each mode does to the voltages, shape (N, q, r)
    d : what is instantaneous, shape (N, q, 2 + m)
    """

    tau_s: FloatArray
    b: FloatArray
    c: FloatArray
    d: FloatArray

    @classmethod
    def of(cls, system: StateSpace, places: Sequence[Place], shortest_s: float) -> Modes:
        """Return the modes behind the voltages at the ports and, after them, at the places."""
        rows = list(system.states)
        size, width = system.A.shape[:2]
        unit = np.zeros((size, width, len(rows)))
        unit[:, rows, range(len(rows))] = 1.0
        ports = np.broadcast_to(-system.Q.T, (size, *system.Q.T.shape))
        sources = [unit, system.source[..., None], system.constant[..., None], ports]
        x = equilibrated_solve(system.A, np.concatenate(sources, axis=-1))
        # By volts: charges of picofarads and farads would differ by twelve decades.
        scale = system.state_scale[:, None]
        x[..., : len(rows)] *= scale[:, 0]
        w = system.E[:, rows, :] @ x / scale
        y = np.concatenate([system.Q @ x, x[:, [system.row(place) for place in places], :]], axis=1)
        M, b = w[..., : len(rows)], w[..., len(rows) :]
        tau, right = _ordered(M)
        left = np.swapaxes(_ordered(np.swapaxes(M, 1, 2))[1], 1, 2)
        used = tau > np.maximum(_NO_TIME * shortest_s, _UNRESOLVED * tau[:, :1])
        most = max(1, int(used.sum(axis=1).max(initial=0)))
        tau, used = tau[:, :most], used[:, :most, None]
        right, left = right[..., :most], left[:, :most]
        # Left and right eigenvectors are a pair for distinct time constants only.
        pairs = np.where(used & np.swapaxes(used, 1, 2), left @ right, np.eye(most))
        b = np.where(used, np.linalg.solve(pairs, left @ b), 0.0)
        tau = np.where(used[..., 0], tau, shortest_s)
        # -s/(1 + s tau) = (1/(1 + s tau) - 1)/tau
        c = y[..., : len(rows)] @ right / tau[:, None]
        return cls(tau, b, c, y[..., len(rows) :] - c @ b)

    def at(self, which: IntArray) -> Modes:
        """Return those of some of the candidates."""
        return Modes(self.tau_s[which], self.b[which], self.c[which], self.d[which])

    def response(self, s: ComplexArray) -> ComplexArray:
        """Return the voltages by EMF, direct sources and currents at s (1/s), (N, s, q, 2 + m)."""
        poles = 1.0 / (1.0 + s[:, None] * self.tau_s[:, None])
        shared = self.c[:, None] * poles[:, :, None]
        return np.asarray(shared @ self.b[:, None] + self.d[:, None])

    def stepped(self, step_s: float) -> Steps:
        """Return what the port currents do at the ports from step to step."""
        m = self.b.shape[-1] - 2
        b, c, d = self.b[..., 2:], self.c[:, :m], self.d[:, :m, 2:]
        end = self.tau_s / step_s + _IMPLICIT
        decay = 1.0 - 1.0 / end
        return Steps(
            decay, ((decay * _IMPLICIT + 1.0 - _IMPLICIT) / end)[..., None] * b, c,
            d + c * (_IMPLICIT / end)[:, None] @ b,
        )  # fmt: skip


@dataclass(frozen=True)
class Steps:
    """``z[k + 1] = decay z[k] + b i[k]`` and ``v[k] = c z[k] + d i[k]`` at the ports."""

    decay: FloatArray
    b: FloatArray
    c: FloatArray
    d: FloatArray

    def at(self, which: IntArray) -> Steps:
        """Return those of some of the candidates."""
        return Steps(self.decay[which], self.b[which], self.c[which], self.d[which])

    def response(self, turns: FloatArray) -> ComplexArray:
        """Return the impedance at so many turns a step, shape (N, turns, m, m)."""
        late = np.exp(-2j * np.pi * turns)[:, None]
        shared = self.c[:, None] * (late / (1.0 - late * self.decay[:, None]))[:, :, None]
        return np.asarray(shared @ self.b[:, None] + self.d[:, None])


def _ordered(matrix: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return eigenvalues, largest first, and right eigenvectors."""
    values, vectors = np.linalg.eig(matrix)
    order = np.argsort(-values.real, axis=1)
    return (
        np.take_along_axis(values.real, order, axis=1),
        # Of a pair that rounding has made complex, a sum and a difference: they span the same.
        np.take_along_axis(vectors.real + vectors.imag, order[:, None], axis=2),
    )
