"""Noise of a stage: thermal noise of every resistor and the device's own, A-weighted."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from objectives import constants
from objectives.arrays import FloatArray
from objectives.circuit.network import Network, networks, squared
from objectives.circuit.small_signal import SmallSignal
from objectives.devices.protocol import DeviceNoise
from objectives.elements import ELEMENTS
from objectives.stage import Stage

DBU_REFERENCE_V = np.sqrt(0.6)
"""0 dBu: the voltage of 1 mW in 600 ohm, 0.7746 V (ITU-R/AES usage)."""

_POINTS = 24


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


@dataclass(frozen=True)
class NoiseBudget:
    """A-weighted noise referred to the source, in all and by origin; shape of the stage."""

    total_dBu: FloatArray
    by_origin_dBu: Mapping[str, FloatArray]
    excess_dBu: Mapping[str, FloatArray]
    """Excess noise of resistors, beside their thermal noise."""
    unweighted_total_dBu: FloatArray


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
    low, high = np.log(band_Hz[0]), np.log(band_Hz[1])
    node, weight = np.polynomial.legendre.leggauss(_POINTS)
    f = np.exp(low + (node + 1) / 2 * (high - low))
    df = weight * (high - low) / 2 * f
    a_weighted = df * 10 ** (a_weighting_dB(f) / 10)
    # Columns: A-weighted and plain, each for a white spectrum and for one that falls as 1/f.
    bands = np.stack([a_weighted, df, a_weighted / f, df / f], axis=-1)
    shape = np.broadcast_shapes(stage.shape, device.shape, np.shape(device_noise.white_V2_per_Hz))
    densities = _white_V2_per_Hz(stage, device_noise, thermal_load_ohm, temperature_K)
    decades = {name: volt for name, volt in (excess_V or {}).items() if np.any(volt)}
    flicker_Hz = {"device": device_noise.flicker_corner_Hz, "source": stage.driver_flicker_Hz}
    origins = tuple({**densities, **decades})
    transfers = _transfers(stage, device, f, bands, origins, shape)
    gain_squared = squared(Network(stage, device, reference_Hz).output)
    powers, excess, plain = {}, {}, 0.0
    for origin in origins:
        a_white, white, a_flicker, flicker = np.moveaxis(transfers[origin], -1, 0)
        if origin in densities:
            density, corner = densities[origin] / gain_squared, flicker_Hz.get(origin, 0.0)
            powers[origin] = density * (a_white + corner * a_flicker)
            plain = plain + density * (white + corner * flicker)
        if origin in decades:
            # The power in a decade is that at 1 Hz times ln 10.
            at_1_Hz = decades[origin] ** 2 / np.log(10) / gain_squared
            excess[origin] = at_1_Hz * a_flicker
            plain = plain + at_1_Hz * flicker
    with np.errstate(divide="ignore"):
        return NoiseBudget(
            total_dBu=to_dBu(np.sqrt(np.sum([*powers.values(), *excess.values()], axis=0))),
            by_origin_dBu={name: to_dBu(np.sqrt(power)) for name, power in powers.items()},
            excess_dBu={name: to_dBu(np.sqrt(power)) for name, power in excess.items()},
            unweighted_total_dBu=to_dBu(np.sqrt(plain)),
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
    powers = (density * network.output_power_of(origin) for origin, density in white.items())
    return np.asarray(sum(powers, 0.0))


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


def _transfers(
    stage: Stage,
    device: SmallSignal,
    frequency_Hz: FloatArray,
    bands: FloatArray,
    origins: tuple[str, ...],
    shape: tuple[int, ...],
) -> dict[str, FloatArray]:
    """Return for each origin the squared transfer to the output summed over the bands."""
    found = {origin: np.empty((*shape, bands.shape[1])) for origin in origins}
    for block, network in networks(stage, device, frequency_Hz, shape):
        for origin in origins:
            found[origin][block] = network.output_power_of(origin) @ bands
    return found
