"""Small dense systems, solved for many candidates at once, and the devices' currents in them."""

from __future__ import annotations

import numpy as np

from objectives.arrays import FloatArray
from objectives.devices.law import ConductionLaw

_FEW = 48
"""Up to so many systems the dense solver is the faster one."""


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
        p = g + 1
        J[:, g] = -(K[:, g] * by_grid[g] + K[:, p] * by_grid[p])
        J[:, p] = -(K[:, g] * by_plate[g] + K[:, p] * by_plate[p])
    for k in range(m):
        J[k, k] += 1.0
    return J


def equilibrated_solve(matrix: FloatArray, right: FloatArray) -> FloatArray:
    """Solve (N, n, n) x = (N, n, k) with rows scaled: they differ by twenty decades."""
    scale = 1.0 / np.abs(matrix).max(axis=-1, keepdims=True)
    return np.linalg.solve(matrix * scale, right * scale)
