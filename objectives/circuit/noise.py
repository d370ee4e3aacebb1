"""Noise of a stage: thermal noise of every resistor and the device's own, A-weighted."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache, cached_property
from typing import TypeAlias

import numpy as np
from numpy.typing import ArrayLike

from objectives import constants
from objectives.arrays import FloatArray, cut, varying
from objectives.circuit.network import Network, networks
from objectives.circuit.small_signal import SmallSignal
from objectives.devices.protocol import DeviceNoise
from objectives.elements import ELEMENTS
from objectives.stage import Stage

DBU_REFERENCE_V = np.sqrt(0.6)
"""0 dBu: the voltage of 1 mW in 600 ohm, 0.7746 V (ITU-R/AES usage)."""

# Enough for 0.01 dB where the poles in the band are damped by 0.7 or more; a stage that rings there
# would take more.
_POINTS, _UNWEIGHTED_POINTS = 10, 14
_FINE_POINTS = 200


def a_weighting_dB(frequency_Hz: ArrayLike) -> FloatArray:
    """Return the A-weighting (dB), 0 at 1 kHz.

    Source: IEC 61672-1:2013, 5.5.6 and annex E: poles at 20.60, 107.7, 737.9 and 12194 Hz
    (the analytic form; the constants follow from the standard's f_L = 10^1.5 Hz, f_H = 10^3.9 Hz,
    f_A = 10^2.45 Hz and D^2 = 1/2).
    """
    f2 = np.asarray(frequency_Hz, float) ** 2
    p1, p2, p3, p4 = _a_poles_Hz()

    def shape(x2: FloatArray) -> FloatArray:
        return (
            p4**2 * x2**2
            / ((x2 + p1**2) * np.sqrt((x2 + p2**2) * (x2 + p3**2)) * (x2 + p4**2))
        )  # fmt: skip

    return 20 * np.log10(shape(f2) / shape(np.asarray(1e6)))


def _a_poles_Hz() -> tuple[float, float, float, float]:
    """Return the four pole frequencies of A-weighting from the standard's defining constants."""
    low2, high2, ref2 = 10.0**3.0, 10.0**7.8, 1000.0**2
    b = (ref2 + low2 * high2 / ref2 - np.sqrt(0.5) * (low2 + high2)) / (1 - np.sqrt(0.5))
    c = low2 * high2
    root = np.sqrt(b * b - 4 * c)
    f1, f4 = np.sqrt((-b - root) / 2), np.sqrt((-b + root) / 2)
    fa = 10**2.45
    return f1, (3 - np.sqrt(5)) / 2 * fa, (3 + np.sqrt(5)) / 2 * fa, f4


def to_dBu(voltage_V: ArrayLike) -> FloatArray:
    """Return an r.m.s. voltage in dBu."""
    return np.asarray(20 * np.log10(np.asarray(voltage_V) / DBU_REFERENCE_V))


Density: TypeAlias = tuple[FloatArray, FloatArray]
"""Of a noise source: its white part (V^2/Hz), and at 1 Hz the part that falls as 1/f (V^2/Hz)."""


@dataclass(frozen=True)
class NoiseBudget:
    """Noise at the output over the gain at the reference, A-weighted; shapes of the stage.

    Attributes
    ----------
    densities : of each origin
    excess : of each resistor that has excess noise beside
    """

    stage: Stage
    device: SmallSignal
    densities: Mapping[str, Density]
    excess: Mapping[str, Density]
    reference_Hz: float
    band_Hz: tuple[float, float]

    @cached_property
    def total_dBu(self) -> FloatArray:
        """All of the noise, referred to the source."""
        return to_dBu(np.sqrt(self._integrated([self._whole], weighted=True)[0]))

    @cached_property
    def unweighted_total_dBu(self) -> FloatArray:
        """All of the noise in the band, without weighting."""
        return to_dBu(np.sqrt(self._integrated([self._whole], weighted=False)[0]))

    @cached_property
    def by_origin_dBu(self) -> Mapping[str, FloatArray]:
        """The noise of each origin but for excess noise."""
        return self._by_origin(self.densities)

    @cached_property
    def excess_dBu(self) -> Mapping[str, FloatArray]:
        """Excess noise of resistors, beside their thermal noise."""
        return self._by_origin(self.excess)

    @property
    def _whole(self) -> Mapping[str, Density]:
        both = dict(self.densities)
        for origin, (white, flicker) in self.excess.items():
            other = both.get(origin, (np.asarray(0.0), np.asarray(0.0)))
            both[origin] = other[0] + white, other[1] + flicker
        return both

    def _by_origin(self, densities: Mapping[str, Density]) -> dict[str, FloatArray]:
        groups = [{origin: density} for origin, density in densities.items()]
        power = self._integrated(groups, weighted=True)
        with np.errstate(divide="ignore"):
            return dict(zip(densities, to_dBu(np.sqrt(power)), strict=True))

    def _integrated(self, groups: Sequence[Mapping[str, Density]], *, weighted: bool) -> FloatArray:
        """Return the power of groups of origins in the band, referred to the source.

        A-weighted or as it is; groups lie along the first axis.
        """
        f, df = _quadrature(self.band_Hz, weighted)
        varied = [{name: tuple(map(varying, d)) for name, d in group.items()} for group in groups]
        own = (a.shape for group in groups for density in group.values() for a in density)
        shape = np.broadcast_shapes(self.stage.shape, self.device.shape, *own)
        power = np.empty((len(groups), *shape))
        for block, network in networks(self.stage, self.device, f, shape):
            per_Hz = 1.0 / np.asarray(network.frequency_Hz)
            for at, group in enumerate(varied):
                density = network.output_density({
                    name: cut(white, block) + cut(flicker, block) * per_Hz
                    for name, (white, flicker) in group.items()
                })  # fmt: skip
                power[at, ...][block] = np.tensordot(df, density, 1)
        gain = Network(self.stage, self.device, self.reference_Hz).power("output")
        return np.asarray(power / gain)


@cache
def _quadrature(band_Hz: tuple[float, float], weighted: bool) -> tuple[FloatArray, FloatArray]:
    """Return frequencies (Hz) and what the density at each counts for (Hz).

    The rule of Gauss for integrals over log f with f, and the A-weighting if asked for, as their
    weight: nodes are the eigenvalues of log f among polynomials that are orthogonal under it.

    Source: G. H. Golub, J. H. Welsch, Calculation of Gauss quadrature rules, Math. Comp. 23, 1969
    (from memory), with the integrals of the polynomials by a fine rule of Gauss and Legendre.
    """
    low, high = np.log(band_Hz)
    x, dx = np.polynomial.legendre.leggauss(_FINE_POINTS)
    f = np.exp(low + (x + 1) / 2 * (high - low))
    weight = dx * (high - low) / 2 * f * (10 ** (a_weighting_dB(f) / 10) if weighted else 1.0)
    points = _POINTS if weighted else _UNWEIGHTED_POINTS
    orthogonal = np.linalg.qr(
        np.sqrt(weight)[:, np.newaxis] * np.polynomial.legendre.legvander(x, points - 1)
    )[0]
    node, vectors = np.linalg.eigh(orthogonal.T @ (x[:, np.newaxis] * orthogonal))
    return np.exp(low + (node + 1) / 2 * (high - low)), weight.sum() * vectors[0] ** 2


def noise_budget(
    stage: Stage,
    device: SmallSignal,
    device_noise: DeviceNoise,
    *,
    thermal_load_ohm: ArrayLike | None = None,
    excess_V: Mapping[str, FloatArray] | None = None,
    reference_Hz: float,
    temperature_K: float = 300.0,
    band_Hz: tuple[float, float] = (20.0, 20e3),
) -> NoiseBudget:
    """Return the A-weighted noise at the output, divided by the gain at the reference frequency.

    Each spectrum is carried to the output by the exact network and integrated over the band by
    Gauss-Legendre quadrature in log f. Referred to the source this way the number compares with a
    signal at the reference frequency.

    A driving stage that states its own noise is heard in place of the thermal noise of the
    resistance it is seen as. ``thermal_load_ohm`` is the resistor in ``load_ohm``, if not all of
    that is one: the rest, what the grid of a follower takes for example, loads without thermal
    noise. ``excess_V`` is the r.m.s. excess noise of resistors in a decade of frequency, as an EMF
    by origin; its power falls as 1/f.

    Source of excess noise: IEC 60195, whose noise index is 20 lg of it in microvolts for each volt
    across the resistor.
    """
    densities = _white_V2_per_Hz(stage, device_noise, thermal_load_ohm, temperature_K)
    flicker_Hz = {"device": device_noise.flicker_corner_Hz, "source": stage.driver_flicker_Hz}
    nothing = np.asarray(0.0)
    return NoiseBudget(
        stage,
        device,
        {name: (white, white * flicker_Hz.get(name, nothing)) for name, white in densities.items()},
        # The power in a decade is that at 1 Hz times ln 10.
        {
            name: (nothing, np.asarray(volt) ** 2 / np.log(10))
            for name, volt in (excess_V or {}).items()
            if np.any(volt)
        },
        reference_Hz,
        band_Hz,
    )


def output_noise_V2_per_Hz(
    stage: Stage,
    device: SmallSignal,
    device_noise: DeviceNoise,
    *,
    frequency_Hz: float,
    temperature_K: float = 300.0,
) -> FloatArray:
    """Return the white part of the noise density at the output (V^2/Hz), without weighting."""
    network = Network(stage, device, frequency_Hz)
    white = _white_V2_per_Hz(stage, device_noise, None, temperature_K)
    return network.output_density(white)


def _white_V2_per_Hz(
    stage: Stage,
    device_noise: DeviceNoise,
    thermal_load_ohm: ArrayLike | None,
    temperature_K: float,
) -> dict[str, FloatArray]:
    """Return the white density of every origin that makes noise: EMF, or current of the grid."""
    resistors = {
        element.key: getattr(stage, element.name)
        for element in ELEMENTS.values()
        if element.kind == "resistor" and element.between
    }
    densities = {
        name: 4 * constants.k * temperature_K * np.where(np.isfinite(r), r, 0.0)
        for name, r in resistors.items()
    }
    if thermal_load_ohm is not None:
        # The resistor's current noise, 4 k T/R, as an EMF in series with the whole load.
        whole, part = stage.load_ohm, np.asarray(thermal_load_ohm, float)
        share = np.divide(whole, part, out=np.zeros(np.broadcast_shapes(whole.shape, part.shape)),
                          where=np.isfinite(part))  # fmt: skip
        densities["load"] = densities["load"] * share
    # What the driving stage makes replaces the thermal noise of the resistance it is seen as.
    driven = stage.driver_noise_ohm > 0
    heard_ohm = np.where(driven, stage.driver_noise_ohm, stage.source_ohm)
    densities["source"] = 4 * constants.k * temperature_K * heard_ohm
    densities["device"] = device_noise.white_V2_per_Hz
    densities["grid_current"] = 2 * constants.e * np.asarray(device_noise.grid_current_A)
    return {name: density for name, density in densities.items() if np.any(density)}
