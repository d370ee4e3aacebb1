"""Headroom: how far a stage swings along its AC load line before it cuts off or draws grid current.

The load line is straight: it takes the magnitudes of the plate and cathode impedances at the
reference frequency, and neglects what grid current does to the cathode. Its slope is that of plate
load and what follows in parallel, plus whatever of the cathode circuit is not bypassed.

Source: load-line construction, e.g. F. Langford-Smith (ed.), Radiotron Designer's Handbook,
4th ed., 1953, ch. 12 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from objectives.arrays import BoolArray, FloatArray, IntArray
from objectives.checks import require
from objectives.circuit.network import Network
from objectives.devices.law import ConductionLaw
from objectives.devices.protocol import OperatingPoint
from objectives.roots import SMALL_STEP_V, Step, newton_roots

_CUTOFF_SHARE = 0.01
"""A stage counts as cut off where this share of its quiescent plate current is left; the current of
a valve has a tail and no end."""

_POINTS = 24
"""Points over half a period at which a driven stage is solved: harmonics up to the 23rd."""

_MOST_INTO_SATURATION_V = 5.0
"""No junction takes this much more than at rest: the current would rise beyond any bound."""

_MOST_DRIVE = 4.0
"""A drive of so many times the swing to cut-off clips a stage far beyond any criterion."""

_ACCURACY = 1e-15, 1e-12
"""Of currents and voltages on the load line: absolute (A or V), relative."""

_SMALL_SHARE = 1e-7
"""Newton's step of a current or an amplitude, as a share of it, of which the square is nothing."""

_LOOKS = 8
"""Amplitudes at which a distortion is first looked for: it may fall again beyond."""

_LEAST_SHARE = 1e-4
"""Share of the largest amplitude at which nothing is distorted."""

_SHARE_FURTHER = 1e-4
"""Share by which an amplitude is raised to take a slope by differences."""

_LEAST_OHM = 1e-3
"""Keeps the slope of a load line of no resistance finite."""


@dataclass(frozen=True)
class LoadLine:
    """The AC load line of every stage in a batch, on one flat axis.

    Attributes
    ----------
    law : equation of the device
    grid_cathode_V, plate_cathode_V, plate_current_A : the operating point
    plate_ohm, cathode_ohm : impedances (magnitude) that plate and cathode work into for signals
    to_output : share of the plate's signal that reaches the output
    """

    law: ConductionLaw
    grid_cathode_V: FloatArray
    plate_cathode_V: FloatArray
    plate_current_A: FloatArray
    plate_ohm: FloatArray
    cathode_ohm: FloatArray
    to_output: FloatArray

    @classmethod
    def of(
        cls, law: ConductionLaw, point: OperatingPoint, network: Network, shape: tuple[int, ...]
    ) -> LoadLine:
        """Return the load lines of stages whose network is given at the reference frequency."""
        values = (
            point.grid_cathode_V,
            point.plate_cathode_V,
            point.plate_current_A,
            np.abs(network.plate_impedance_ohm),
            np.abs(network.cathode_impedance_ohm),
            np.abs(network.output / network.plate),
        )
        return cls(law.flat(shape), *(np.broadcast_to(a, shape).ravel() for a in values))

    @property
    def total_ohm(self) -> FloatArray:
        """Impedance from plate to cathode round the load line (ohm)."""
        return np.maximum(self.plate_ohm + self.cathode_ohm, _LEAST_OHM)

    def law_at(self, index: IntArray) -> ConductionLaw:
        """Return the law of the stages of these numbers."""
        return self.law if self._one_law else self.law.at(index)

    @cached_property
    def _one_law(self) -> bool:
        return self.law.shape == ()

    def plate_current(self, grid_swing_V: FloatArray, index: IntArray) -> FloatArray:
        """Return the plate current (A) with the grid moved to ground by so much (V).

        For a plate current x the cathode has followed by ``r_k (x - I_0)`` and the plate-cathode
        voltage has fallen by ``(r_p + r_k)(x - I_0)``; what the device then gives, less x, falls
        with x, is not negative at 0 and negative where no plate voltage is left.
        """
        grid_V, none = self.grid_cathode_V[index] + grid_swing_V, np.zeros(index.shape)
        return self._current(grid_V, self.cathode_ohm[index], index, none)

    def current_at(self, grid_cathode_V: FloatArray, index: IntArray) -> FloatArray:
        """Return the plate current (A), not below that at rest, at a grid-cathode voltage (V)."""
        none = np.zeros(index.shape)
        return self._current(grid_cathode_V, none, index, self.plate_current_A[index])

    def _current(
        self, grid_V: FloatArray, cathode_ohm: FloatArray, index: IntArray, least_A: FloatArray
    ) -> FloatArray:
        u0, i0 = self.plate_cathode_V[index], self.plate_current_A[index]
        total = self.total_ohm[index]

        def excess(x: FloatArray, at: IntArray) -> FloatArray:
            more = x - i0[at]
            given = self.law_at(index[at]).plate_current(
                grid_V[at] - cathode_ohm[at] * more, u0[at] - total[at] * more
            )
            return given - x

        def step_of(at: IntArray) -> Step:
            law, own = self.law_at(index[at]), (u0[at], i0[at], total[at], grid_V[at])
            rk = cathode_ohm[at]

            def step(x: FloatArray) -> tuple[FloatArray, BoolArray]:
                u0, i0, total, grid_V = own
                given, gm, gp = law.linearise(grid_V - rk * (x - i0), u0 - total * (x - i0))
                move = (given - x) / (1.0 + gm * rk + gp * total)
                return move, np.abs(move) <= _SMALL_SHARE * np.abs(x) + _ACCURACY[0]

            return step

        most_A = i0 + np.maximum(u0, 0.0) / total + 1e-12
        return newton_roots(step_of, excess, i0, least_A, most_A, tolerance=_ACCURACY)

    def grid_voltage(
        self,
        plate_cathode_V: FloatArray,
        plate_current_A: FloatArray,
        reach_V: FloatArray,
        alive: BoolArray,
    ) -> FloatArray:
        """Return the grid-cathode voltage (V) of a plate voltage and current.

        It lies between that at rest and ``reach_V`` beyond; that at rest where not ``alive``.
        """
        v0 = self.grid_cathode_V
        index = np.flatnonzero(alive)
        if not index.size:
            return v0

        def too_much(v: FloatArray, at: IntArray) -> FloatArray:
            return self.law_at(at).plate_current(v, plate_cathode_V[at]) - plate_current_A[at]

        def step_of(at: IntArray) -> Step:
            law, plate_V, wanted_A = self.law_at(at), plate_cathode_V[at], plate_current_A[at]

            def step(v: FloatArray) -> tuple[FloatArray, BoolArray]:
                given, gm, _ = law.linearise(v, plate_V)
                move = (wanted_A - given) / gm
                return move, np.abs(move) <= SMALL_STEP_V

            return step

        low, high = np.sort([v0[index], (v0 + reach_V)[index]], axis=0)
        grid_V = v0.copy()
        grid_V[index] = newton_roots(
            step_of, too_much, v0[index], low, high, index, tolerance=_ACCURACY
        )
        return grid_V

    def harmonics(self, amplitude_V: FloatArray, which: IntArray) -> FloatArray:
        """Return the plate current's cosine amplitudes (A), shape (..., harmonics), mean first.

        The grid is driven to ground by ``amplitude_V cos(wt)`` from a source without resistance.
        """
        angle = np.pi * (np.arange(_POINTS) + 0.5) / _POINTS
        swing = amplitude_V[..., None] * np.cos(angle)
        numbers = np.broadcast_to(which[..., None], swing.shape)
        current = self.plate_current(swing.ravel(), numbers.ravel()).reshape(swing.shape)
        # As SciPy's cosine transform, which takes longer to load than many a command.
        amplitudes = current @ np.cos(np.outer(angle, np.arange(_POINTS))) * (2.0 / _POINTS)
        amplitudes[..., 0] /= 2.0
        return np.asarray(amplitudes)


@dataclass(frozen=True)
class Headroom:
    """Swings from the operating point, shape of the batch; peak values, not peak to peak.

    The grid conducts where it reaches the cathode's voltage. Where the law states a
    ``saturation_V``, as that of a bipolar transistor does, whose base always conducts, reaching it
    takes the place of grid conduction.

    Attributes
    ----------
    output_to_cutoff_V, output_to_conduction_V : at the output, towards cut-off and towards grid
        conduction (V peak)
    grid_to_cutoff_V, grid_to_conduction_V : at the grid, to ground (V peak)
    """

    output_to_cutoff_V: FloatArray
    output_to_conduction_V: FloatArray
    grid_to_cutoff_V: FloatArray
    grid_to_conduction_V: FloatArray
    line: LoadLine

    @property
    def peaks_V(self) -> tuple[FloatArray, FloatArray]:
        """Peaks at the output to cut-off and to grid conduction (V peak)."""
        return self.output_to_cutoff_V, self.output_to_conduction_V

    @property
    def smaller_V(self) -> FloatArray:
        """The smaller of the two peaks at the output (V peak)."""
        return np.minimum(*self.peaks_V)

    @property
    def asymmetry_ratio(self) -> FloatArray:
        """The larger of the two peaks at the output over the smaller; 1 is symmetrical."""
        larger, smaller = np.maximum(*self.peaks_V), self.smaller_V
        out = np.full(larger.shape, np.inf)
        return np.asarray(np.divide(larger, smaller, where=smaller > 0, out=out))

    @property
    def undistorted_V_rms(self) -> FloatArray:
        """Largest sine at the output that reaches neither limit (V r.m.s.)."""
        return np.asarray(self.smaller_V / np.sqrt(2.0))

    def output_V_rms(self, distortion_percent: float = 5.0) -> FloatArray:
        """Return the output (V r.m.s., fundamental) at a distortion, or at grid conduction.

        The sine at the grid grows, from a source without resistance, until the plate current has
        that much total harmonic distortion or the grid begins to conduct, whichever comes first.
        Resistance-coupled charts state their output at about 5 % (from memory).

        Raises
        ------
        InputError
            If the percentage is not between 0 and 30.
        """
        require(
            "distortion_percent", distortion_percent, 0 < distortion_percent <= 30,
            "more than 0, at most 30",
        )  # fmt: skip
        line, shape = self.line, self.output_to_cutoff_V.shape
        cut, conduction = self.grid_to_cutoff_V.ravel(), self.grid_to_conduction_V.ravel()

        def share(amplitude: FloatArray, which: IntArray) -> FloatArray:
            harmonic = line.harmonics(amplitude, which)
            rest = np.sqrt(np.sum(harmonic[..., 2:] ** 2, axis=-1))
            asked = distortion_percent / 100.0 * np.abs(harmonic[..., 1])
            with np.errstate(divide="ignore", invalid="ignore"):
                return np.asarray(rest / asked)

        def excess(amplitude: FloatArray, which: IntArray) -> FloatArray:
            return share(amplitude, which) - 1.0

        def step_of(which: IntArray) -> Step:
            def step(amplitude: FloatArray) -> tuple[FloatArray, BoolArray]:
                # Distortion grows by some power of the amplitude, most often the first.
                more = np.log1p(_SHARE_FURTHER)
                here = np.log(share(amplitude, which))
                power = (np.log(share(np.exp(more) * amplitude, which)) - here) / more
                move = np.expm1(-here / power) * amplitude
                return move, np.abs(move) <= _SMALL_SHARE * amplitude

            return step

        amplitude = np.zeros(cut.shape)
        alive = np.flatnonzero((cut > 0) & (conduction > 0))
        if alive.size:
            most = amplitude[alive] = np.minimum(_MOST_DRIVE * cut, conduction)[alive]
            parts = np.arange(1, _LOOKS + 1)[:, None] / _LOOKS
            looks = share(parts * most, np.broadcast_to(alive, (_LOOKS, alive.size)))
            # Where none has that much the grid conducts first.
            found = np.flatnonzero((looks > 1).any(axis=0))
            if found.size:
                at = np.argmax(looks[:, found] > 1, axis=0)
                high = parts[at, 0] * most[found]
                low = np.maximum(high - most[found] / _LOOKS, _LEAST_SHARE * most[found])
                start = np.clip(high / looks[at, found], low, high)
                amplitude[alive[found]] = newton_roots(
                    step_of, excess, start, low, high, alive[found], tolerance=_ACCURACY
                )
        fundamental = np.abs(line.harmonics(amplitude, np.arange(cut.size))[..., 1])
        out = fundamental * line.plate_ohm * line.to_output / np.sqrt(2.0)
        return np.where(amplitude > 0, out, 0.0).reshape(shape)


def headroom(law: ConductionLaw, point: OperatingPoint, network: Network) -> Headroom:
    """Find the swings of every stage to cut-off and to grid conduction.

    A stage whose grid conducts at rest has no swing left that way. ``network`` holds the linearised
    stages at one reference frequency, of the shape of ``point``.
    """
    shape = np.broadcast_shapes(
        np.shape(point.plate_current_A), np.shape(network.plate_impedance_ohm)
    )
    line = LoadLine.of(law, point, network, shape)
    v0, u0, i0 = line.grid_cathode_V, line.plate_cathode_V, line.plate_current_A

    # Cut-off: the current that is left, hence the voltages on the load line, are known.
    less = (1.0 - _CUTOFF_SHARE) * i0
    plate_V = u0 + less * (line.plate_ohm + line.cathode_ohm)
    cut_V = line.grid_voltage(plate_V, i0 - less, -np.maximum(plate_V, 1.0), i0 > 0)

    saturation_V = law.saturation_V
    if saturation_V is not None:
        # Saturation: the plate voltage is known, hence the current on the load line.
        more = np.maximum(u0 - saturation_V, 0.0) / line.total_ohm
        onset_V = line.grid_voltage(
            np.full(u0.shape, saturation_V), i0 + more,
            np.full(u0.shape, _MOST_INTO_SATURATION_V), (i0 > 0) & (more > 0),
        )  # fmt: skip
    else:
        # Conduction: the grid voltage is known, the current on the load line is not.
        onset_V, more = np.maximum(0.0, v0), np.zeros(i0.shape)
        reach = np.flatnonzero(onset_V > v0)
        if reach.size:
            more[reach] = np.maximum(line.current_at(onset_V[reach], reach) - i0[reach], 0.0)

    swings = (
        less * line.plate_ohm * line.to_output,
        more * line.plate_ohm * line.to_output,
        np.maximum(v0 - cut_V, 0.0) + less * line.cathode_ohm,
        np.maximum(onset_V - v0, 0.0) + more * line.cathode_ohm,
    )
    out_cutoff, out_conduction, cutoff, conduction = (swing.reshape(shape) for swing in swings)
    return Headroom(out_cutoff, out_conduction, cutoff, conduction, line)
