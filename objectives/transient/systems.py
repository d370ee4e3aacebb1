"""Small dense systems, solved for many candidates at once, and the devices' currents in them."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from objectives.arrays import FloatArray, IntArray
from objectives.devices.law import ConductionLaw

_FEW = 48
"""Up to so many systems the dense solver is the faster one."""

_TOLERANCE_V = 1e-5

# The error left is of the order of the square of the last Newton step over the voltage scale of
# grid conduction, about 0.1 V: 1e-9 V.
_MOST_ITERATIONS = 60
_MOST_HALVINGS = 12


def laws_at(laws: tuple[ConductionLaw, ...], index: IntArray) -> tuple[ConductionLaw, ...]:
    """Return the laws of some of the candidates."""
    return laws if all(law.shape == () for law in laws) else tuple(law.at(index) for law in laws)


def device_currents(
    laws: tuple[ConductionLaw, ...], v: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return currents i and the two columns of their derivatives, each of shape (m, N).

    ``by_grid[k]`` and ``by_plate[k]`` are the derivatives of ``i[k]`` by the grid-cathode and the
    plate-cathode voltage of the same device; devices meet only through the network.
    """
    i, by_grid, by_plate = np.empty_like(v), np.empty_like(v), np.empty_like(v)
    if len(laws) == 2 and laws[0] is laws[1]:
        # One type of valve in both places: one call for the two.
        grids, plates = v[0::2], v[1::2]
        i[1::2], by_grid[1::2], by_plate[1::2] = laws[0].linearise(grids, plates)
        i[0::2], by_grid[0::2], by_plate[0::2] = laws[0].linearise_grid(grids, plates)
        return i, by_grid, by_plate
    for at, law in enumerate(laws):
        g, p = 2 * at, 2 * at + 1
        i[p], by_grid[p], by_plate[p] = law.linearise(v[g], v[p])
        i[g], by_grid[g], by_plate[g] = law.linearise_grid(v[g], v[p])
    return i, by_grid, by_plate


def solve_small(matrix: FloatArray, right: FloatArray) -> FloatArray:
    """Solve many small systems at once; shapes (m, m, N) and (m, columns, N). Uses up both.

    The dense solver takes about a microsecond a matrix, so beyond a few candidates Gaussian
    elimination with the batch on the last axis, every operation one array operation, is many times
    as fast. It does not pivot: the matrices are ``1 + Z G`` of a passive network Z and a triode G,
    whose diagonal stays above 1.
    """
    m, size = matrix.shape[0], matrix.shape[-1]
    if size <= _FEW:
        solved = np.linalg.solve(np.moveaxis(matrix, -1, 0), np.moveaxis(right, -1, 0))
        return np.asarray(np.moveaxis(solved, 0, -1), float)
    for k in range(m):
        factor = matrix[k + 1 :, k] / matrix[k, k]
        matrix[k + 1 :, k + 1 :] -= factor[:, None] * matrix[k, k + 1 :]
        right[k + 1 :] -= factor[:, None] * right[k]
    for k in range(m - 1, -1, -1):
        right[k] /= matrix[k, k]
        right[:k] -= matrix[:k, k, None] * right[k]
    return right


def jacobian(K: FloatArray, by_grid: FloatArray, by_plate: FloatArray) -> FloatArray:
    """Return ``1 - K D`` of ``F(v) = v - p - K i(v)``, shape (m, m, N)."""
    m, n = by_grid.shape
    J = np.empty((m, m, n))
    for g in range(0, m, 2):
        own = slice(g, g + 2)
        J[:, own] = applied(K[:, own], -np.stack([by_grid[own], by_plate[own]], axis=1))
    for k in range(m):
        J[k, k] += 1.0
    return J


def equilibrated_solve(matrix: FloatArray, right: FloatArray) -> FloatArray:
    """Solve (N, n, n) x = (N, n, k) with rows scaled: they differ by twenty decades."""
    scale = 1.0 / np.abs(matrix).max(axis=-1, keepdims=True)
    return np.linalg.solve(matrix * scale, right * scale)


def applied(matrix: FloatArray, vector: FloatArray) -> FloatArray:
    """Return the product for every column of the batch; one candidate may serve them all."""
    if matrix.shape[-1] == 1:
        flat = matrix[..., 0] @ vector.reshape(len(vector), math.prod(vector.shape[1:]))
        return np.asarray(flat.reshape(matrix.shape[0], *vector.shape[1:]))
    if vector.ndim == 2:
        return np.asarray(np.einsum("ijn,jn->in", matrix, vector))
    return np.asarray(np.einsum("ijn,jcn->icn", matrix, vector))


@dataclass
class Ports:
    """Voltages v at the ports, currents i there and the slopes of the devices, shape (m, N).

    ``bad`` are the numbers of those that were not solved.
    """

    v: FloatArray
    i: FloatArray
    by_grid: FloatArray
    by_plate: FloatArray
    bad: IntArray

    def change(self, dv: FloatArray) -> FloatArray:
        """Return what changes of the voltages, (m, ..., N), do to the currents, by the slopes."""
        di = np.empty_like(dv)
        for port in range(len(dv)):
            g = port - port % 2
            di[port] = self.by_grid[port] * dv[g] + self.by_plate[port] * dv[g + 1]
        return di


def solve_ports(
    laws: tuple[ConductionLaw, ...], K: FloatArray, p: FloatArray, guess: FloatArray
) -> Ports:
    """Solve ``v = p + K i(v)`` by Newton's method; K has shape (m, m, N or 1), p (m, N).

    The currents are those of the linearised devices at the new v: with it they satisfy the network
    exactly.
    """
    v, step, i, by_grid, by_plate = _newton(laws, K, guess, p)
    largest = np.abs(step).max(axis=0)
    left = np.flatnonzero(~(largest <= _TOLERANCE_V))
    # Whoever is not there yet goes on alone, so that a few hard ones do not hold up the rest.
    for iteration in range(_MOST_ITERATIONS):
        if not left.size:
            break
        whole = left.size == largest.size
        own_K = K if whole or K.shape[-1] == 1 else K[..., left]
        own = laws if whole else laws_at(laws, left)
        parts = _newton(own, own_K, v[:, left], p[:, left], guarded=iteration > 4)
        for whole_array, part in zip((v, step, i, by_grid, by_plate), parts, strict=True):
            whole_array[:, left] = part
        left = left[~(np.abs(parts[1]).max(axis=0) <= _TOLERANCE_V)]
    ports = Ports(v, i, by_grid, by_plate, left)
    i += ports.change(step)
    return ports


def _newton(
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
    excess = applied(K, i)
    excess += p
    excess -= v
    before = np.abs(excess).max(axis=0) if guarded else None
    step = solve_small(jacobian(K, by_grid, by_plate), excess[:, None])[:, 0]
    if before is not None:
        for _ in range(_MOST_HALVINGS):
            trial = v + step
            after = np.abs(p + applied(K, device_currents(laws, trial)[0]) - trial)
            worse = after.max(axis=0) > np.maximum(before, _TOLERANCE_V)
            if not worse.any():
                break
            step = np.where(worse, 0.5 * step, step)
    return v + step, step, i, by_grid, by_plate
