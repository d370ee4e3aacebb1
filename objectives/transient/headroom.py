"""Headroom: how far a stage swings along its AC load line before it cuts off or draws grid current.

The load line is straight: it takes the magnitudes of the plate and cathode impedances at the
reference frequency, and neglects what grid current does to the cathode. Its slope is that of plate
load and what follows in parallel, plus whatever of the cathode circuit is not bypassed.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy import fft
from scipy.optimize import elementwise

from objectives.arrays import FloatArray
from objectives.circuit.network import Network
from objectives.devices.protocol import ConductionLaw, OperatingPoint, flat_law, law_shape

__all__ = ["Headroom", "LoadLine", "headroom"]

_POINTS = 24
"""Points over half a period at which a driven stage is solved: harmonics up to the 23rd."""


_DRIVEN_V = 5.0
"""No junction takes this much more than at rest: the current would rise beyond any bound."""


_BEYOND = 4.0
"""A drive of so many times the swing to cut-off clips a stage far beyond any criterion."""


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
    def of(cls, law: ConductionLaw, point: OperatingPoint, network: Network) -> LoadLine:
        """Return the load lines of stages whose network is given at the reference frequency."""
        shape = np.broadcast_shapes(
            np.shape(point.plate_current_A), np.shape(network.plate_impedance_ohm)
        )

        def flat(value: FloatArray) -> FloatArray:
            return np.broadcast_to(np.asarray(value, float), shape).ravel()

        return cls(
            flat_law(law, shape),
            flat(point.grid_cathode_V),
            flat(point.plate_cathode_V),
            flat(point.plate_current_A),
            flat(np.abs(network.plate_impedance_ohm)),
            flat(np.abs(network.cathode_impedance_ohm)),
            flat(np.abs(network.output / network.plate)),
        )

    @cached_property
    def _one_law(self) -> bool:
        return law_shape(self.law) == ()

    def law_at(self, which: FloatArray) -> ConductionLaw:
        """Return the law of some stages, numbered by floats as the root finder passes them."""
        return self.law if self._one_law else self.law.at(which.astype(np.intp))

    @property
    def numbers(self) -> FloatArray:
        """Number of each stage, as a float."""
        return np.arange(self.plate_current_A.size, dtype=float)

    def plate_current(self, grid_swing_V: FloatArray, which: FloatArray) -> FloatArray:
        """Return the plate current (A) with the grid moved to ground by so much (V).

        For a plate current x the cathode has followed by ``r_k (x - I_0)`` and the plate-cathode
        voltage has fallen by ``(r_p + r_k)(x - I_0)``; what the device then gives, less x, falls
        with x, is not negative at 0 and negative where no plate voltage is left.
        """
        index = which.astype(np.intp)
        v0, u0, i0 = (
            a[index] for a in (self.grid_cathode_V, self.plate_cathode_V, self.plate_current_A)
        )
        rk = self.cathode_ohm[index]
        total = np.maximum(self.plate_ohm[index] + rk, 1e-3)

        def excess(x: FloatArray, *args: FloatArray) -> FloatArray:
            v, u, i, k, t, n = args
            given = self.law_at(n).plate_current(v - k * (x - i), u - t * (x - i))
            return np.asarray(given - x)

        high = i0 + np.maximum(u0, 0.0) / total + 1e-12
        return _root(
            excess, np.zeros(high.shape), high, v0 + grid_swing_V, u0, i0, rk, total, which
        )

    def harmonics(self, amplitude_V: FloatArray, which: FloatArray) -> FloatArray:
        """Return the plate current's cosine amplitudes (A), shape (..., harmonics), mean first.

        The grid is driven to ground by ``amplitude_V cos(wt)`` from a source without resistance.
        """
        angle = np.pi * (np.arange(_POINTS) + 0.5) / _POINTS
        swing = amplitude_V[..., None] * np.cos(angle)
        numbers = np.broadcast_to(which[..., None], swing.shape)
        current = self.plate_current(swing, np.ascontiguousarray(numbers))
        found = np.asarray(fft.dct(current, axis=-1)) / _POINTS
        found[..., 0] /= 2.0
        return found


@dataclass(frozen=True)
class Headroom:
    """Swings from the operating point, shape of the batch; peak values, not peak to peak.

    Where the law states a ``saturation_V``, as that of a bipolar transistor does, whose base always
    conducts, reaching it takes the place of grid conduction.

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
        larger = np.maximum(*self.peaks_V)
        smaller = self.smaller_V
        ratio = np.divide(larger, smaller, where=smaller > 0, out=np.full(larger.shape, np.inf))
        return np.asarray(ratio)

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
        ValueError
            If the percentage is not between 0 and 30.
        """
        if not 0 < distortion_percent <= 30:
            raise ValueError(
                f"distortion_percent: {distortion_percent!r}: must be more than 0, at most 30"
            )
        line, shape = self.line, self.output_to_cutoff_V.shape
        which = line.numbers
        cut, conduction = self.grid_to_cutoff_V.ravel(), self.grid_to_conduction_V.ravel()

        def excess(amplitude: FloatArray, number: FloatArray) -> FloatArray:
            found = line.harmonics(amplitude, number)
            rest = np.sqrt(np.sum(found[..., 2:] ** 2, axis=-1))
            return np.asarray(rest - distortion_percent / 100.0 * np.abs(found[..., 1]))

        amplitude = np.zeros(cut.shape)
        alive = np.flatnonzero((cut > 0) & (conduction > 0))
        if alive.size:
            at = _root(excess, 1e-4 * cut[alive], _BEYOND * cut[alive], which[alive], rtol=1e-6)
            amplitude[alive] = np.minimum(at, conduction[alive])
        first = np.abs(line.harmonics(amplitude, which)[..., 1])
        out = first * line.plate_ohm * line.to_output / np.sqrt(2.0)
        return np.asarray(np.where(amplitude > 0, out, 0.0).reshape(shape))


def headroom(
    law: ConductionLaw,
    point: OperatingPoint,
    network: Network,
    *,
    cutoff_share: float = 0.01,
    grid_current_A: float | None = None,
) -> Headroom:
    """Find the swings of every stage to cut-off and to grid conduction.

    Parameters
    ----------
    law, point :
        The device and its operating points.
    network :
        The linearised stages at one reference frequency, of the same shape.
    cutoff_share :
        The stage counts as cut off where this share of its quiescent plate current is left; a
        valve's current has a tail and no end.
    grid_current_A :
        The grid counts as conducting where it draws this current; None: where it reaches the
        cathode's voltage. A stage whose grid conducts at rest has no swing left that way.

    Raises
    ------
    ValueError
        If a threshold is not positive, or the law has no grid current to reach it.

    Source: load-line construction, e.g. F. Langford-Smith (ed.), Radiotron Designer's Handbook,
    4th ed., 1953, ch. 12 (from memory).
    """
    if not 0 < cutoff_share < 1:
        raise ValueError(f"cutoff_share: {cutoff_share!r}: must be between 0 and 1")
    if grid_current_A is not None and not grid_current_A > 0:
        raise ValueError(f"grid_current_A: {grid_current_A!r}: must be more than 0, or None")
    line = LoadLine.of(law, point, network)
    shape = np.broadcast_shapes(
        np.shape(point.plate_current_A), np.shape(network.plate_impedance_ohm)
    )
    which = line.numbers
    v0, u0, i0 = line.grid_cathode_V, line.plate_cathode_V, line.plate_current_A
    passed = line.plate_ohm * line.to_output

    # Cut-off: the current that is left, hence the voltages on the load line, are known.
    left = cutoff_share * i0
    rise = (i0 - left) * (line.plate_ohm + line.cathode_ohm)

    def too_much(v: FloatArray, u: FloatArray, i: FloatArray, n: FloatArray) -> FloatArray:
        return np.asarray(line.law_at(n).plate_current(v, u) - i)

    alive = np.flatnonzero(i0 > 0)
    cut_V = v0.copy()
    if alive.size:
        plate = (u0 + rise)[alive]
        cut_V[alive] = _root(
            too_much, v0[alive] - np.maximum(plate, 1.0), v0[alive], plate, left[alive],
            which[alive],
        )  # fmt: skip
    to_cutoff = np.maximum(v0 - cut_V, 0.0) + (i0 - left) * line.cathode_ohm
    out_cutoff = (i0 - left) * passed

    total = np.maximum(line.plate_ohm + line.cathode_ohm, 1e-3)
    saturation_V = getattr(law, "saturation_V", None)
    if saturation_V is not None:
        # Saturation: the plate voltage is known, hence the current on the load line.
        more = np.maximum(u0 - saturation_V, 0.0) / total
        driven_V = v0.copy()
        open_ = np.flatnonzero((i0 > 0) & (more > 0))
        if open_.size:
            at = np.full(open_.size, saturation_V)
            driven_V[open_] = _root(
                too_much, v0[open_], v0[open_] + _DRIVEN_V, at, (i0 + more)[open_], which[open_]
            )
        to_saturation = np.maximum(driven_V - v0, 0.0) + more * line.cathode_ohm
        return Headroom(
            out_cutoff.reshape(shape),
            (more * passed).reshape(shape),
            to_cutoff.reshape(shape),
            to_saturation.reshape(shape),
            line,
        )

    # Conduction: the grid voltage is known, the current on the load line is not.
    onset = np.maximum(_onset(line, grid_current_A), v0)

    def too_little(x: FloatArray, *args: FloatArray) -> FloatArray:
        v, u, i, total, n = args
        return np.asarray(line.law_at(n).plate_current(v, u - total * (x - i)) - x)

    more = np.zeros(i0.shape)
    reach = np.flatnonzero(onset > v0)
    if reach.size:
        high = i0 + np.maximum(u0, 0.0) / total + 1e-12
        found = _root(
            too_little, i0[reach], high[reach], onset[reach], u0[reach], i0[reach], total[reach],
            which[reach],
        )  # fmt: skip
        more[reach] = np.maximum(found - i0[reach], 0.0)
    to_conduction = onset - v0 + more * line.cathode_ohm
    return Headroom(
        out_cutoff.reshape(shape),
        (more * passed).reshape(shape),
        to_cutoff.reshape(shape),
        to_conduction.reshape(shape),
        line,
    )


def _onset(line: LoadLine, grid_current_A: float | None) -> FloatArray:
    """Return the grid-cathode voltage (V) at which the grid counts as conducting."""
    if grid_current_A is None:
        return np.zeros(line.grid_cathode_V.shape)
    u, which = line.plate_cathode_V, line.numbers
    highest = np.full(u.shape, 50.0)
    if np.any(line.law.grid_current(highest, u) < grid_current_A):
        raise ValueError(
            f"grid_current_A: {grid_current_A!r}: must be None, or what the valve's law reaches "
            "below 50 V on the grid"
        )

    def excess(v: FloatArray, u: FloatArray, n: FloatArray) -> FloatArray:
        # The sources of grid current make it depend on the grid voltage alone while the valve
        # amplifies, so the plate voltage at rest serves for the whole swing.
        return np.asarray(line.law_at(n).grid_current(v, u) - grid_current_A)

    return _root(excess, np.full(u.shape, -50.0), highest, u, which)


def _root(
    function: Callable[..., FloatArray],
    low: FloatArray,
    high: FloatArray,
    *args: FloatArray,
    rtol: float = 1e-12,
) -> FloatArray:
    """Return the bracketed root of every element; an end that is a root already is returned."""
    args = tuple(np.broadcast_to(a, low.shape) for a in args)
    found = elementwise.find_root(
        function, (low, high), args=args, maxiter=200, tolerances={"xrtol": rtol, "xatol": 1e-15}
    )
    return np.asarray(found.x, float)
