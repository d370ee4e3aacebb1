"""What the device makes audible of an amplitude-modulated carrier: square-law detection."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike

from objectives.arrays import ComplexArray, FloatArray
from objectives.checks import require
from objectives.circuit.arrival import Arrival, AtJack
from objectives.circuit.network import Network
from objectives.circuit.noise import to_dBu
from objectives.circuit.small_signal import SmallSignal
from objectives.devices.law import ConductionLaw
from objectives.devices.protocol import OperatingPoint
from objectives.stage import Stage

QUIETEST_DBU = -300.0
"""Detected levels below this are not told apart."""


@dataclass(frozen=True)
class Carrier:
    """An amplitude-modulated carrier, and how it arrives.

    100 mV is a stated example, not a limit from a standard; 30 % is the modulation depth at which
    receivers are customarily measured (common practice, no source).
    """

    emf_V: float = 0.1
    """Root-mean-square EMF (V) of the unmodulated carrier."""
    modulation: float = 0.3
    """Modulation depth, 0 to 1."""
    audio_Hz: float = 1000.0
    """Frequency (Hz) of the modulating tone."""
    arrival: Arrival = field(default_factory=AtJack)
    """Where its EMF enters; the hard case unless stated."""

    def __post_init__(self) -> None:
        emf, depth, tone = self.emf_V, self.modulation, self.audio_Hz
        require("carrier.emf_V", emf, 0 < emf < np.inf, "a finite voltage above 0")
        require("carrier.modulation", depth, 0 <= depth <= 1, "0 to 1")
        require("carrier.audio_Hz", tone, 0 < tone < np.inf, "a finite frequency above 0")


@dataclass(frozen=True)
class Curvature:
    """Second partial derivatives of a law's currents (A/V^2), shape of the voltages."""

    plate_by_grid: FloatArray
    """Of plate current by grid voltage twice: the slope of the transconductance."""
    plate_mixed: FloatArray
    """By grid and plate voltage: how the transconductance moves with the plate."""
    plate_by_plate: FloatArray
    grid_by_grid: FloatArray
    grid_mixed: FloatArray
    grid_by_plate: FloatArray


def curvature(law: ConductionLaw, grid_V: ArrayLike, plate_V: ArrayLike) -> Curvature:
    """Return the second derivatives at grid and plate voltages (V) relative to the cathode.

    The law's exact first derivatives are differenced once, with the five-point central formula, so
    any law serves; steps of 2 mV at the grid and a thousandth of the plate voltage are small
    against the volts over which a law bends and leave at least seven good digits.

    Source: M. Abramowitz, I. A. Stegun, Handbook of Mathematical Functions, 1964, table 25.2 (from
    memory).
    """
    vg, vp = np.asarray(grid_V, float), np.asarray(plate_V, float)
    at_grid = np.full_like(vg, 2e-3)
    at_plate = 1e-3 * np.maximum(np.abs(vp), 1.0)

    def slopes(plus_g: ArrayLike, plus_p: ArrayLike) -> FloatArray:
        _, gm, gp = law.linearise(vg + plus_g, vp + plus_p)
        _, gg, ggp = law.linearise_grid(vg + plus_g, vp + plus_p)
        return np.stack(np.broadcast_arrays(gm, gp, gg, ggp))

    def by(h: FloatArray, along: Callable[[FloatArray], FloatArray]) -> FloatArray:
        near, far = along(h) - along(-h), along(2 * h) - along(-2 * h)
        return (8 * near - far) / (12 * h)

    zero = np.zeros(())
    gm_g, _, gg_g, _ = by(at_grid, lambda h: slopes(h, zero))
    gm_p, gp_p, gg_p, ggp_p = by(at_plate, lambda h: slopes(zero, h))
    return Curvature(gm_g, gm_p, gp_p, gg_g, gg_p, ggp_p)


@dataclass(frozen=True)
class Detection:
    """What a carrier leaves behind as audio, shape (..., frequencies)."""

    frequency_Hz: FloatArray
    """Carrier frequencies, shape (frequencies,)."""
    grid_cathode_V: FloatArray
    """Root-mean-square carrier between grid and cathode."""
    plate_cathode_V: FloatArray
    """Root-mean-square carrier between plate and cathode."""
    input_V: FloatArray
    """Root-mean-square audio at the modulating frequency, referred to the source's EMF."""
    grid_curve_only_V: FloatArray
    """The same with the curvature along the grid voltage alone: (m/2)(gm'/gm)|Vgk|^2 referred."""
    second_harmonic_ratio: float
    """Second harmonic of the tone over the tone: m/4 for a square law."""

    @property
    def level_dBu(self) -> FloatArray:
        """The audio in dBu, not below :data:`QUIETEST_DBU`."""
        return np.maximum(to_dBu(np.maximum(self.input_V, 1e-30)), QUIETEST_DBU)


def detection(
    stage: Stage,
    device: SmallSignal,
    point: OperatingPoint,
    law: ConductionLaw,
    frequency_Hz: ArrayLike,
    carrier: Carrier | None = None,
) -> Detection:
    """Estimate the audio that an amplitude-modulated carrier leaves by square-law detection.

    With v and u the carrier between grid or plate and cathode, the second-order part of the plate
    current is ``gm' v^2/2 + gm_p v u + gp' u^2/2`` (gm' and so on: :class:`Curvature`). Averaged
    over a cycle of carriers with peak phasors V and U it is Q/4 with
    ``Q = gm' |V|^2 + 2 gm_p Re(V U*) + gp' |U|^2``. An envelope ``1 + m cos(W t)`` multiplies it by
    ``(1 + m cos)^2``, whose part at W is ``2 m cos``: a current of peak ``m Q/2`` from plate to
    cathode at the audio frequency, as if a voltage ``m Q/(2 gm)`` stood in series with the grid.
    The curvature of the grid current makes a second one, from grid to cathode. The exact network
    carries both to the output; divided by its gain at the audio frequency they compare with a
    signal at the source.

    At radio frequencies the plate is nearly a short through its capacitance, so U is small and the
    terms with it are too (they are kept). Left out: what fourth and higher orders add, which is
    little while the carrier is small against the volts over which the curve bends.

    The stages are given by their linear device, operating points and law; ``frequency_Hz`` are
    those of the carrier, and ``carrier`` is the customary one if None.

    Source: square-law detection as in e.g. F. E. Terman, Radio Engineers' Handbook, 1943, sec. 7
    (from memory), here with the mixed terms written out.
    """
    wave = carrier or Carrier()
    f = np.atleast_1d(np.asarray(frequency_Hz, float))
    radio = Network(stage.expand(), device.expand(), f, wave.arrival)
    peak = np.sqrt(2) * wave.emf_V
    v = peak * (radio.grid - radio.cathode)
    u = peak * (radio.plate - radio.cathode)
    bend = curvature(law, point.grid_cathode_V, point.plate_cathode_V)
    vv, vu, uu = np.abs(v) ** 2, 2 * (v * u.conj()).real, np.abs(u) ** 2

    def current(gg: FloatArray, gp: FloatArray, pp: FloatArray) -> FloatArray:
        q = gg[..., None] * vv + gp[..., None] * vu + pp[..., None] * uu
        return np.asarray(wave.modulation / 2 * q / np.sqrt(2))

    in_plate = current(bend.plate_by_grid, bend.plate_mixed, bend.plate_by_plate)
    in_grid = current(bend.grid_by_grid, bend.grid_mixed, bend.grid_by_plate)
    audio = Network(stage, device, wave.audio_Hz)
    gm = device.transconductance_S
    gain = np.abs(audio.output)
    # Without transconductance the plate current has no curvature either.
    per_plate_A = audio.output_of("device") / np.where(gm > 0, gm, 1.0)
    per_grid_A = audio.output_of("grid_current")

    def referred(at_output: ComplexArray | FloatArray) -> FloatArray:
        # A stage that passes nothing has no level to refer to: inf.
        size, out = np.abs(at_output), gain[..., None]
        return np.asarray(np.divide(size, out, out=np.full(size.shape, np.inf), where=out > 0))

    both = in_plate * per_plate_A[..., None] + in_grid * per_grid_A[..., None]
    zero = np.zeros_like(bend.plate_by_grid)
    grid_only = current(bend.plate_by_grid, zero, zero) * per_plate_A[..., None]
    return Detection(
        frequency_Hz=f,
        grid_cathode_V=np.abs(v) / np.sqrt(2),
        plate_cathode_V=np.abs(u) / np.sqrt(2),
        input_V=referred(both),
        grid_curve_only_V=referred(grid_only),
        second_harmonic_ratio=wave.modulation / 4,
    )
