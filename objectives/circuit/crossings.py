"""Where the level at a port first falls to a share of that at the reference."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from objectives.arrays import BoolArray, ComplexArray, FloatArray, IntArray
from objectives.circuit.arrival import QUASI_STATIC_HZ
from objectives.circuit.fraction import inverse_differences, zero_of_fraction
from objectives.circuit.network import FLAT_BLOCK, Network, Port
from objectives.circuit.nodal import NODE_OF, UNKNOWNS, descriptor
from objectives.circuit.poles import LOWEST_HZ, ON_AXIS, in_chunks, pencil_eigenvalues
from objectives.circuit.small_signal import SmallSignal
from objectives.roots import bracketed_roots
from objectives.stage import Stage

HIGHEST_HZ: Final = QUASI_STATIC_HZ
"""An upper corner beyond this is reported as inf: the network no longer describes the device."""

WALKED_HZ = 10e6
STEP: Final = math.log2(10) / 4
"""Length of a step of the walk, a quarter decade in octaves."""
_FLAT = 1e-10
"""A power that changes by less of itself from step to step is flat but for rounding."""
_SHARING: Final = 6
"""How many stages of an outer product are worked out in the time of one alone."""
_ROUND: Final = 9
"""Steps of the walk of an outer product that a crossing is looked for through."""
_BEYOND: Final = 4
"""How many of them lie beyond it, where there are as many."""
_NEAREST: Final = np.stack(
    [np.argsort(np.abs(np.arange(_ROUND) - met + 0.5), kind="stable") for met in range(_ROUND)],
    axis=1,
)[[0, 1, *range(3, _ROUND), 2]]
"""Of each column the steps round a crossing that lies before that step, the nearest first. But the
third nearest comes last: without it a fraction that is not exact leads elsewhere."""
_CLOSER: Final = (3, 2), (5, 1), (_ROUND, 2)
"""Through how many of these points a fraction leads, and how many of Newton's steps to its zero."""
_AGREED: Final = 1e-11
"""A fraction is relied on where that without the last point moves its zero by no more of it."""
_FEW: Final = np.array([[0], [-1], [1], [-2], [-3], [-4]])
"""Steps round a crossing, from the first below the level, where each stage takes a network."""
_BEFORE: Final = -np.arange(len(_FEW))[:, np.newaxis]
"""The same where no step beyond the crossing is known."""
_NEWTON_STEPS: Final = 1, 4
"""Newton's steps that lead to the zero of a straight line, and of a fraction of more points."""
_REFINEMENTS = 8
_SETTLED: Final = 3e-6
_NEAR: Final = 0.01
"""How far (as a share) the power at a crossing is off at most: beside a notch the level falls by
1e4 dB an octave."""


@dataclass(frozen=True)
class Levels:
    """Power at one port of a block of stages, over frequencies outward from a reference.

    Attributes
    ----------
    shape : of the block
    upper : whether outward is up in frequency
    start : log2 of the reference (Hz), a number for all or of a flat stage each
    share : what of the power at the reference counts as a crossing
    """

    stage: Stage
    device: SmallSignal
    port: Port
    shape: tuple[int, ...]
    upper: bool
    start: FloatArray
    share: float

    @property
    def outward(self) -> float:
        """The sign of a step away from the reference."""
        return 1.0 if self.upper else -1.0

    @property
    def size(self) -> int:
        """The number of stages."""
        return math.prod(self.shape)

    def power(self, log2_f: FloatArray) -> FloatArray:
        """Return |V(port)/V(source)|^2 at a frequency for all stages or at one each; flat."""
        f = 2.0 ** log2_f.reshape(() if log2_f.size == 1 else self.shape)
        power = Network(self.stage, self.device, f).power(self.port)
        return np.broadcast_to(power, self.shape).ravel()

    def powers(self, log2_f: FloatArray) -> FloatArray:
        """Return the same at several, shape (frequencies, stages); one column may be for all."""
        own = self.shape if log2_f.shape[1] > 1 else np.ones_like(self.shape)
        f = 2.0 ** log2_f.reshape(-1, *own)
        power = Network(self.stage, self.device, f).power(self.port)
        return np.broadcast_to(power, (len(f), *self.shape)).reshape(len(f), -1)

    def some(self, rows: IntArray) -> Levels:
        """Return some of the stages, in one axis."""
        return self if rows.size == self.size else self._flat(rows)

    def _flat(self, rows: IntArray) -> Levels:
        stage, device = self.stage.take(rows, self.shape), self.device.take(rows, self.shape)
        return replace(
            self, stage=stage, device=device, shape=rows.shape, start=_of(self.start, rows)
        )

    # -- the walk ------------------------------------------------------------------------------

    def first_crossing(self) -> FloatArray:
        """Return log2 f of the crossing; nan where the walk does not come to one."""
        sought = self.share * self.power(self.start)
        result = np.full(self.size, np.nan)
        ratio, known, met, dipped = self._walk(sought)
        rows = np.flatnonzero((met > 0) & ~dipped)
        # The last step, before a row of nan, is shorter than the others, and may be much shorter.
        known = min(known, len(ratio) - 3)
        if len(self.shape) > 1 and self.start.size == 1 and known + 1 >= _ROUND:
            result[rows], agreed = self._interpolated(ratio, known, rows, met[rows])
            rows = rows[~agreed]
        if rows.size:
            beyond = ratio[met[rows] + 1, rows]
            step = met[rows] + np.where(np.isnan(beyond), _BEFORE, _FEW)
            y = np.where(step < 0, np.nan, ratio[np.maximum(step, 0), rows])
            x = self._reached(_of(self.start, rows), step)
            result[rows] = self.some(rows).close_in(x, y, sought[rows])
        if dipped.any():
            rows = np.flatnonzero(dipped)
            own = self._flat(rows)
            result[rows] = own.between_crossings(own.start + np.zeros(rows.size))
        return result

    def _walk(self, sought: FloatArray) -> tuple[FloatArray, int, IntArray, BoolArray]:
        """Walk until below the level sought, and in an outer product some steps beyond.

        Return the power over that sought, shape (2 + steps, stages), nan where it was not looked
        at; the last step up to which all stages were looked at; the step that first lies below, 0
        where none does; and whose level falls and rises again on the way there: a dip between two
        steps may reach the level sought.
        """
        rows, levels, inside = np.arange(self.size), self, self._steps()
        most = int(inside.max(initial=0))
        ratio = np.full((most + 2, self.size), np.nan)
        ratio[0] = past = np.full(self.size, 1.0 / self.share)
        met, dipped = np.zeros(self.size, np.intp), np.zeros(self.size, bool)
        on, fell = ~dipped, dipped.copy()
        done = known = 0
        while done < most:
            # As few as are left look several steps ahead at once.
            ahead = done + np.arange(1, min(most - done, max(1, FLAT_BLOCK // rows.size)) + 1)
            reached = self._reached(levels.start, ahead[:, np.newaxis])
            for step, now in zip(ahead, levels.powers(reached) / sought[rows], strict=True):
                done = int(step)
                if rows.size == self.size:
                    ratio[done], known = now, done
                else:
                    ratio[done, rows] = now
                below = (now < 1) & (done <= inside)
                met[rows[on & below]] = done
                on &= ~below
                counts = on & (done <= inside)
                dipped[rows[counts & fell & (now > past * (1 + _FLAT))]] = True
                fell |= counts & (now < past * (1 - _FLAT))
                past = now
            left = np.flatnonzero(on)
            if left.size == 0:
                break
            # Fewer are quicker one by one than all of them with what they share.
            if (_SHARING if len(levels.shape) > 1 else 2) * left.size < on.size:
                rows, levels, on, fell, past = (
                    rows[left], levels.some(left), on[left], fell[left], past[left]
                )  # fmt: skip
                inside = inside if inside.size == 1 else inside[left]
        if len(self.shape) > 1 and self.start.size == 1 and met.any():
            for beyond in range(known + 1, min(max(known + _BEYOND, _ROUND), most + 1)):
                reached = self._reached(self.start, np.asarray(beyond))
                ratio[beyond], known = self.power(reached) / sought, beyond
        return ratio, known, met, dipped

    def _interpolated(
        self, ratio: FloatArray, known: int, rows: IntArray, met: IntArray
    ) -> tuple[FloatArray, BoolArray]:
        """Return log2 f of the crossings before some steps, and which of them to rely on.

        By a continued fraction through points of the walk, which all stages share; see
        :meth:`settle`. With as many points as 1/power has degrees of freedom it is exact, and then
        one more changes nothing.
        """
        twice = 2.0 * self.outward
        walked = twice * self._reached(self.start, np.arange(known + 1))
        log2_f, agreed = np.empty(rows.size), np.empty(rows.size, bool)
        for at in range(0, rows.size, FLAT_BLOCK):
            some = slice(at, at + FLAT_BLOCK)
            own = np.minimum(met[some], known)
            first = np.maximum(np.minimum(own + _BEYOND, known + 1) - _ROUND, 0)
            step = first + _NEAREST[:, own - first]
            w = np.exp2(walked - walked[0])[step]
            a = inverse_differences(w, 1.0 / ratio[step, rows[some]] - 1.0)
            here = (w[0] + w[1]) / 2
            for points, steps in _CLOSER:
                here, slope = zero_of_fraction(w[:points], a[:points], here, steps)
            without, _ = zero_of_fraction(w[:-1], a[:-1], here, 1)
            inside = (w[0] <= here) & (here <= w[1]) & (slope > 0) & (met[some] <= known)
            agreed[some] = inside & (np.abs(without - here) < _AGREED * here)
            log2_f[some] = (walked[0] + np.log2(here)) / twice
        return log2_f, agreed

    @property
    def _end(self) -> float:
        """log2 of the frequency that the walk ends at."""
        return math.log2(WALKED_HZ if self.upper else LOWEST_HZ)

    def _reached(self, start: FloatArray, steps: IntArray) -> FloatArray:
        """Return where so many steps lead: at the end the last is shorter."""
        far = self.outward * start + steps * STEP
        return np.asarray(self.outward * np.minimum(far, self.outward * self._end))

    def _steps(self) -> IntArray:
        """Return how many steps lead from the reference to the end of the walk."""
        steps = np.ceil((self._end - self.start) * self.outward / STEP - 1e-9)
        return np.asarray(np.maximum(np.nan_to_num(steps), 0.0), np.intp)

    def crossed_by(self, bounds_Hz: Sequence[float]) -> IntArray:
        """Return how many bounds that the walk comes to have the crossing before them; flat.

        Either there they are below, or at a step of the walk before. The reference is one for all.
        """
        start, sought = float(self.start[0]), self.share * self.power(self.start)
        ends = [float(end) for end in np.log2(bounds_Hz) if (end - start) * self.outward > 0]
        last = max(ends, key=lambda end: end * self.outward, default=start)
        steps = start + self.outward * STEP * np.arange(1, int(abs(last - start) / STEP) + 1)
        below, crossed = np.zeros(self.size, bool), np.zeros(self.size, np.intp)
        for here in sorted({*ends, *steps.tolist()}, key=lambda at: at * self.outward):
            below |= self.power(np.asarray(here)) < sought
            crossed += ends.count(here) * below
        return crossed

    # -- closing in ----------------------------------------------------------------------------

    def close_in(self, x: FloatArray, y: FloatArray, sought: FloatArray) -> FloatArray:
        """Return log2 f of a crossing between the first two of the points of :meth:`settle`."""
        low, high = np.minimum(x[0], x[1]), np.maximum(x[0], x[1])
        log2_f, settled = self.settle(x, y, sought)
        left = np.flatnonzero(~(settled & (low <= log2_f) & (log2_f <= high)))
        if left.size:
            levels, sought = self.some(left), sought[left]

            def excess(x: FloatArray, at: IntArray) -> FloatArray:
                return np.log2(levels.some(at).power(x) / sought[at])

            log2_f[left] = bracketed_roots(excess, low[left], high[left], tolerance=(1e-10, 0.0)).x
        return log2_f

    def settle(
        self, x: FloatArray, y: FloatArray, sought: FloatArray
    ) -> tuple[FloatArray, BoolArray]:
        """Interpolate through points and what is added; return log2 f, and where that has settled.

        ``x`` and ``y``, log2 f and power over that sought, have the shape (points, stages), the
        nearest first. Of the square of f (below the reference that of 1/f) 1/power is a rational
        function, a straight line for one RC section; so a continued fraction in it comes close. It
        has settled where the point that was added last moves its zero by less than 3e-6 of it: what
        is left is of the order of the square of that.
        """
        twice, settled = 2.0 * self.outward, np.zeros(self.size, bool)
        w, q = np.full((2, max(len(x), 3), self.size), np.nan)
        given = len(x)
        w[:given], q[:given] = np.exp2(twice * (x - x[0])), 1.0 / y - 1.0
        zero, left = np.full(self.size, np.nan), np.arange(self.size)
        for number in range(_REFINEMENTS):
            # Here nothing is shared any more.
            for at in range(0, left.size, FLAT_BLOCK):
                rows = left[at : at + FLAT_BLOCK]
                some = rows if left.size < self.size else slice(at, at + FLAT_BLOCK)
                own_w, own_q, here = w[:given, some], q[:given, some], zero[some]
                if number == 0:
                    a = inverse_differences(own_w, own_q)
                    here, _ = zero_of_fraction(own_w, a, own_w[0], _NEWTON_STEPS[given > 2])
                level = self.some(rows).power(x[0, some] + np.log2(here) / twice)
                own_w = np.stack([here, *own_w])[: len(w)]
                own_q = np.stack([sought[some] / level - 1.0, *own_q])[: len(w)]
                a = inverse_differences(own_w, own_q)
                there, slope = zero_of_fraction(own_w, a, here, 1)
                settled[some] = (np.abs(there - here) < _SETTLED * here) & (slope > 0)
                # Two points in one place lead to it, whatever their level.
                settled[some] &= np.abs(own_q[0]) < _NEAR
                zero[some] = there
                on = np.flatnonzero(~settled[some])
                w[:, rows[on]], q[:, rows[on]] = own_w[:, on], own_q[:, on]
            left, given = left[~settled[left]], len(w)
            if left.size == 0:
                break
        return x[0] + np.log2(zero) / twice, settled

    def near(self, expected: FloatArray) -> tuple[FloatArray, BoolArray]:
        """Close in from log2 of a frequency that is expected; see :meth:`settle`."""
        sought = self.share * self.power(self.start)
        known = np.isfinite(expected)
        first = np.where(known, expected, self.start)
        y = self.power(first) / sought
        # At the corner of one RC section the level falls at half its final slope, 3 dB an octave.
        second = first + self.outward * np.clip(np.log2(y), -0.5, 0.5)
        levels = np.stack([self.power(second) / sought, y])
        log2_f, settled = self.settle(np.stack([second, first]), levels, sought)
        settled &= (log2_f <= np.log2(HIGHEST_HZ)) & (log2_f >= np.log2(LOWEST_HZ))
        return log2_f, settled & known & (np.abs(log2_f - first) <= 1.0)

    # -- beyond the walk -----------------------------------------------------------------------

    def beyond(self) -> FloatArray:
        """Return log2 f of the first crossing above the walk of stages in one axis; inf: none."""
        end = self._reached(self.start, self._steps())
        return self.between_crossings(end + np.zeros(self.size))

    def between_crossings(self, inner: FloatArray) -> FloatArray:
        """Return log2 f of the first crossing outward from there, of stages in one axis.

        Infinite, of the sign of ``outward``, where there is none.
        """
        sought = self.share * self.power(self.start)
        # Scaled so that the level sought is 1 V.
        scaled = replace(self.stage, source_ratio=self.stage.source_ratio / np.sqrt(sought))
        middles = _between_crossings(scaled, self.device, self.port, inner, upper=self.upper)
        below = np.zeros(middles.shape, bool)
        for column in range(middles.shape[1]):
            left = np.flatnonzero(~below.any(axis=1))
            here = self.some(left).power(middles[left, column])
            below[left, column] = here < sought[left]
        met = np.flatnonzero(below.any(axis=1))
        result = np.full(self.size, self.outward * np.inf)
        if met.size:
            # Points on the way there: where it begins, then the middles.
            way = np.concatenate([inner[:, np.newaxis], middles], axis=1)[met]
            ends = below[met].argmax(axis=1)[:, np.newaxis] + np.arange(2)
            x = np.take_along_axis(way, ends, axis=1)
            own, sought = self.some(met), sought[met]
            x = x.T[::-1]
            result[met] = own.close_in(x, own.powers(x) / sought, sought)
        return result


def _of(a: FloatArray, rows: IntArray) -> FloatArray:
    """Return an array of one axis, or of one number for all, at some rows."""
    return a if a.size == 1 else a[rows]


def _between_crossings(
    stage: Stage, device: SmallSignal, port: Port, from_log2_Hz: FloatArray, *, upper: bool
) -> FloatArray:
    """Return log2 of frequencies (Hz) between all where the port has 1 V, shape (stages, points).

    Outward, from ``from_log2_Hz`` to HIGHEST_HZ or LOWEST_HZ. With ``H`` the response, the zeros of
    ``H(s) H(-s) - 1`` hold every such frequency on the imaginary axis and are the eigenvalues of a
    pencil of twice the size of the network's. One that rounding takes for a crossing does no harm.

    Source: S. Boyd, V. Balakrishnan, P. Kabamba, A bisection method for computing the H-infinity
    norm of a transfer matrix and related problems, Math. Control Signals Systems 2, 1989, p. 207
    (from memory).
    """
    zeros = in_chunks(stage, device, lambda s, d: _unit_zeros(s, d, port))
    crossing = (np.abs(zeros.real) <= ON_AXIS * np.abs(zeros)) & (zeros.imag > 0)
    outward, end = (1.0, np.log2(HIGHEST_HZ)) if upper else (-1.0, np.log2(LOWEST_HZ))
    log2_f = np.log2(np.where(crossing, zeros.imag, 1.0) / (2 * np.pi))
    first = from_log2_Hz[:, np.newaxis]
    between = (outward * (log2_f - first) > 0) & (outward * (end - log2_f) > 0)
    kept = np.where(crossing & between, log2_f, end)
    ends = np.concatenate([first, kept, np.full_like(first, end)], axis=-1)
    ends = outward * np.sort(outward * ends, axis=-1)
    return np.asarray((ends[:, :-1] + ends[:, 1:]) / 2)


def _unit_zeros(stage: Stage, device: SmallSignal, port: Port) -> ComplexArray:
    """Return the zeros (rad/s) of ``H(s) H(-s) - 1``."""
    system = descriptor(stage, device)
    lead, n, at = system.B.shape[:-1], system.B.shape[-1], UNKNOWNS.index(NODE_OF[port])
    E, A = (np.zeros((*lead, 2 * n + 1, 2 * n + 1)) for _ in range(2))
    E[..., :n, :n], E[..., n:-1, n:-1] = system.E, -system.E
    A[..., :n, :n], A[..., n:-1, n:-1] = system.A, system.A
    # Driven by 1 V, the network at s drives itself at -s, and 1 V is to come out.
    A[..., :n, -1], A[..., n:-1, at] = -system.B, -system.B
    A[..., -1, n + at], A[..., -1, -1] = 1.0, -1.0
    return pencil_eigenvalues(E, A)
