"""The periodic steady state of a cascade, by harmonic balance, every candidate at once.

The linear network is exact at the harmonics up to a quarter of the sampling rate (above, it fades
to one that goes in steps, so that corners do not ring), the devices are evaluated over one period,
and Newton's method balances the two at the ports, ``v = p + Z i(v)``. Its Jacobian is that of a
network that goes from point to point in time (:class:`objectives.transient.modes.Steps`), which
is solved in the time of some multiplications of small matrices a point, where a Jacobian of the
harmonics would be dense. After each step the devices are solved point by point, with what the
network remembers held: the hard corners of clipping never meet the harmonics unsolved.

Sources (from memory): M. S. Nakhla, J. Vlach, "A piecewise harmonic balance technique for
determination of periodic response of nonlinear systems", IEEE Trans. Circuits Syst. 23(2), 1976;
K. S. Kundert, A. Sangiovanni-Vincentelli, "Simulation of nonlinear circuits in the frequency
domain", IEEE Trans. Comput.-Aided Des. 5(4), 1986.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from objectives.arrays import BoolArray, ComplexArray, FloatArray, IntArray
from objectives.checks import require
from objectives.devices.law import ConductionLaw
from objectives.transient.cascade import Cascade, Place
from objectives.transient.excitation import Emf
from objectives.transient.integrator import Waveforms
from objectives.transient.modes import Modes, Steps
from objectives.transient.systems import (
    Ports,
    applied,
    device_currents,
    jacobian,
    laws_at,
    solve_ports,
    solve_small,
)

_TOLERANCE_V = 1e-5
_MOST_ITERATIONS = 60
_LEAST_SHARE = 1 / 32

_DRIVES = (1 / 16, 1 / 8, 1 / 4, 1 / 2, 3 / 4, 1.0)
"""Shares of the drive by which stages are led that Newton's method does not find at once."""

_BLOCK = 32
"""Points come in so many, so that halving gets far and Fourier transforms are fast."""

_FEWEST, _MOST = 128, 2048
_TAIL = 3e-5
"""Share of the largest harmonic that is left at the highest ones; with more the points double."""

_EXACT_UP_TO, _STEPPED_FROM = 0.5, 0.9
"""Shares of half the sampling rate between which the network at the harmonics gives way to that of
the steps: there the two have little in common, and Newton's method would go astray."""

_FINER = 8
"""A corner of the EMF lies between the points; its harmonics are taken from so many times more."""


def points_for(samples: int) -> int:
    """Return at how many points a period is solved of which so many samples are wanted."""
    return _BLOCK * -(-max(samples, _FEWEST) // _BLOCK)


def periodic(
    cascade: Cascade, emf: Emf, period_s: float, samples: int, places: Sequence[Place]
) -> Waveforms:
    """Solve one period of the periodic steady state of every candidate.

    Some hundred candidates at a time make the best use of the processor's cache.

    Parameters
    ----------
    emf, period_s, samples :
        EMF of the first stage's source (V), its period (s), and how often in it the voltages are
        given; they are solved at as many points or more, until hardly anything is left at the
        highest harmonics.
    places :
        Where voltages are wanted, e.g. ``((0, "plate"), (1, "grid"), (1, "output"))``.

    Raises
    ------
    InputError
        If a place does not exist, or the period or the number of samples is impossible.
    """
    require("period_s", period_s, np.isfinite(period_s) and period_s > 0, "more than 0 and finite")
    require("samples", samples, samples >= 1, "1 or more")
    system = cascade.state_space
    n = first = points_for(samples)
    modes = Modes.of(system, places, period_s / n)
    recorded = np.empty((len(places), system.size, samples))
    settled = np.zeros(system.size, bool)
    left = np.arange(system.size)
    v = system.rest_ports[:, None]
    while True:
        harmonics, forced = _network(modes.at(left), emf, period_s, n)
        m = len(v)
        problem = _Balance(
            n, laws_at(system.laws, left), harmonics[:m], np.fft.irfft(forced[:m], n, axis=1),
            modes.at(left).stepped(period_s / n),
        )  # fmt: skip
        v = np.broadcast_to(v, (m, n, left.size))
        if n == first:
            # Others are more like the first one under its drive than like themselves at rest.
            one, there = _solve(problem.at(left[:1]), v[..., :1])
            v = np.broadcast_to(one, v.shape) if there.all() else v
        v, done = _solve(problem, v)
        if not done.all():
            astray = np.flatnonzero(~done)
            v[..., astray], done[astray] = _led(
                problem.at(astray), system.rest_ports[:, None, left[astray]]
            )
        i = np.fft.rfft(device_currents(problem.laws, v)[0], axis=1)
        spectrum = forced[m:] + np.einsum("ijhn,jhn->ihn", harmonics[m:], i)
        # The first sample is one step after the beginning.
        spectrum *= np.exp(2j * np.pi / samples * np.arange(n // 2 + 1))[:, None] * (samples / n)
        recorded[:, left] = np.moveaxis(np.fft.irfft(spectrum, samples, axis=1), 1, 2)
        size = np.abs(np.fft.rfft(v, axis=1))[:, 1:]
        tail = (size[:, -n // 8 :].max(axis=1) / size.max(axis=1)).max(axis=0)
        settled[left] = done
        again = ~done | (tail > _TAIL)
        if not again.any() or 2 * n > _MOST:
            break
        n *= 2
        v = np.where(done, v, system.rest_ports[:, None, left])[..., again]
        v, left = 2 * np.fft.irfft(np.fft.rfft(v, axis=1), n, axis=1), left[again]
    return Waveforms.of(cascade, places, period_s / samples, recorded, settled)


@dataclass(frozen=True)
class _Balance:
    """The equations ``v = p + Z i(v)`` of c candidates at n points; h harmonics, m ports.

    Attributes
    ----------
    laws : of the candidates
    harmonics : Z at every harmonic, shape (m, m, h, c)
    forced_V : p, shape (m, n, c)
    steps : the network from point to point
    """

    n: int
    laws: tuple[ConductionLaw, ...]
    harmonics: ComplexArray
    forced_V: FloatArray
    steps: Steps

    def at(self, which: IntArray) -> _Balance:
        """Return those of some of the candidates."""
        return replace(
            self, laws=laws_at(self.laws, which), harmonics=self.harmonics[..., which],
            forced_V=self.forced_V[..., which], steps=self.steps.at(which),
        )  # fmt: skip

    @property
    def size(self) -> int:
        """Number of candidates."""
        return int(self.forced_V.shape[-1])

    def everywhere(self, by_candidate: FloatArray) -> FloatArray:
        """Return values of the candidates, (..., c), for every point, (..., n c)."""
        return np.tile(by_candidate, self.n)

    @cached_property
    def laws_everywhere(self) -> tuple[ConductionLaw, ...]:
        """The laws for every point of every candidate."""
        return laws_at(self.laws, np.tile(np.arange(self.size), self.n))

    @cached_property
    def K(self) -> FloatArray:
        """What the currents of a point do at the ports at once (ohm), shape (m, m, n c)."""
        return self.everywhere(np.moveaxis(self.steps.d, 0, -1))

    def move(self, ports: Ports) -> FloatArray:
        """Return the move (V) of the ports by Newton's method, shape (m, n c)."""
        m, n, c = self.forced_V.shape
        i = np.fft.rfft(ports.i.reshape(m, n, c), axis=1)
        excess = np.fft.irfft(np.einsum("ijhn,jhn->ihn", self.harmonics, i), n, axis=1)
        excess += self.forced_V
        # The ports by what is remembered, z, and by the excess: dv = by_z z + rest.
        modes = self.steps.decay.shape[1]
        right = np.empty((m, modes + 1, n * c))
        right[:, :modes] = self.everywhere(np.moveaxis(self.steps.c, 0, -1))
        right[:, modes] = excess.reshape(m, n * c) - ports.v
        dv = solve_small(jacobian(self.K, ports.by_grid, ports.by_plate), right)
        di = ports.change(dv).reshape(m, modes + 1, n, c)
        onward = self.steps.b[:, None] @ np.ascontiguousarray(np.transpose(di, (3, 2, 0, 1)))
        onward[..., range(modes), range(modes)] += self.steps.decay[:, None]
        z = _cyclic(onward[..., :modes], onward[..., modes:])
        z = np.transpose(z[..., 0], (2, 1, 0)).reshape(modes, n * c)
        return np.asarray(np.einsum("mzk,zk->mk", dv[:, :modes], z) + dv[:, modes])


def _solve(problem: _Balance, start: FloatArray) -> tuple[FloatArray, BoolArray]:
    """Return the voltages (V) at the ports, (m, n, c), and where they are found."""
    m, n, c = start.shape
    result, done = start.copy(), np.zeros(c, bool)
    left, share, last = np.arange(c), np.ones(c), np.full(c, np.inf)
    v = start.reshape(m, n * c)
    none = np.empty(0, int)
    ports = Ports(v, *device_currents(problem.laws_everywhere, v), none)
    remembered = v - applied(problem.K, ports.i)

    def largest(change: FloatArray) -> FloatArray:
        return np.asarray(np.abs(change).reshape(m, n, -1).max(axis=(0, 1)))

    for _ in range(_MOST_ITERATIONS):
        dv = problem.move(ports)
        guess = ports.v + dv
        dr = guess - applied(problem.K, ports.i + ports.change(dv)) - remembered
        # Moves that do not become smaller go astray: a part of each goes less far.
        size = largest(dr)
        share = np.where(
            size < last, np.minimum(1.0, 2 * share), np.maximum(share / 2, _LEAST_SHARE)
        )
        last, part = size, problem.everywhere(share)
        remembered = remembered + part * dr
        v = ports.v
        ports = solve_ports(problem.laws_everywhere, problem.K, remembered, v + part * dv)
        there = (largest(ports.v - v) <= _TOLERANCE_V) & (share == 1.0)
        there[ports.bad % left.size] = False
        result[..., left] = ports.v.reshape(m, n, -1)
        done[left] = there
        if there.all():
            break
        if there.any():
            stay = np.flatnonzero(~there)
            left, share, last, problem = left[stay], share[stay], last[stay], problem.at(stay)
            v, i, by_grid, by_plate, remembered = (
                values.reshape(m, n, -1)[..., stay].reshape(m, -1)
                for values in (ports.v, ports.i, ports.by_grid, ports.by_plate, remembered)
            )
            ports = Ports(v, i, by_grid, by_plate, none)
    return result, done


def _led(problem: _Balance, rest: FloatArray) -> tuple[FloatArray, BoolArray]:
    """Return what :func:`_solve` does, led there from rest, (m, 1, c), by more and more drive."""
    v = np.broadcast_to(rest, problem.forced_V.shape)
    still = problem.forced_V.mean(axis=1, keepdims=True)
    for share in _DRIVES:
        forced = still + share * (problem.forced_V - still)
        v, done = _solve(replace(problem, forced_V=forced), v)
    return v, done


def _network(modes: Modes, emf: Emf, period_s: float, n: int) -> tuple[ComplexArray, ComplexArray]:
    """Return Z, (q, m, h, c), and what the sources do, (q, h, c), at every harmonic of n points."""
    turns = np.asarray(np.arange(n // 2 + 1) / n, float)
    response = modes.response(np.asarray(2j * np.pi * turns * n / period_s, complex))
    fine = np.fft.rfft(emf(np.asarray(np.arange(_FINER * n) * (period_s / (_FINER * n)), float)))
    forced = response[..., 0] * (fine[: n // 2 + 1] / _FINER)[:, None]
    forced[:, 0] += n * response[:, 0, :, 1]
    harmonics = response[..., 2:]
    m = harmonics.shape[-1]
    stepped = modes.stepped(period_s / n).response(turns)
    gone = np.clip((2 * turns - _EXACT_UP_TO) / (_STEPPED_FROM - _EXACT_UP_TO), 0.0, 1.0)
    weight = np.cos(np.pi / 2 * gone)[:, None, None] ** 2
    harmonics[:, :, :m] = stepped + weight * (harmonics[:, :, :m] - stepped)
    return (
        np.ascontiguousarray(np.transpose(harmonics, (2, 3, 1, 0))),
        np.ascontiguousarray(np.transpose(forced, (2, 1, 0))),
    )


def _cyclic(onward: FloatArray, added: FloatArray) -> FloatArray:
    """Solve ``z[k + 1] = onward[k] z[k] + added[k]`` round n points, by halving their number.

    Shapes (c, n, r, r) and (c, n, r, 1), as the answer has.
    """
    n, r = onward.shape[1:3]
    z = np.empty_like(added)
    if n % 2 == 0:
        first, second = onward[:, ::2], onward[:, 1::2]
        z[:, ::2] = _cyclic(second @ first, second @ added[:, ::2] + added[:, 1::2])
        z[:, 1::2] = first @ z[:, ::2] + added[:, ::2]
        return z
    whole, total = onward[:, 0], added[:, 0]
    for k in range(1, n):
        whole, total = onward[:, k] @ whole, onward[:, k] @ total + added[:, k]
    z[:, 0] = np.linalg.solve(np.eye(r) - whole, total)
    for k in range(1, n):
        z[:, k] = onward[:, k - 1] @ z[:, k - 1] + added[:, k - 1]
    return z
