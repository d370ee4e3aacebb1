"""TODO objectives.devices.junctions."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import ArrayLike
from scipy import constants

from objectives.arrays import FloatArray
from objectives.devices.protocol import OperatingPoint, Rating

__all__ = ["DataSources", "depletion_capacitance_F", "thermal_V"]

Parameter: TypeAlias = float | FloatArray

# Beyond this many thermal voltages an exponential goes on along its tangent: about 2 V at room
# temperature, far past any current that a device survives, and products of it stay finite.
_STEEPEST = 80.0

# A junction is taken as parabolic up to this share of its built-in potential and as straight
# beyond, where the depletion formula would run to infinity.
_FORWARD_SHARE = 0.5

# Least current and transconductance that noise is divided by, so that cut-off gives a number.
_LEAST_A, _LEAST_S = 1e-15, 1e-12


def thermal_V(temperature_K: ArrayLike) -> FloatArray:
    """Return the thermal voltage kT/q (V)."""
    return np.asarray(constants.k / constants.e * np.asarray(temperature_K, float))


def depletion_capacitance_F(
    forward_V: ArrayLike, zero_bias_F: ArrayLike, built_in_V: ArrayLike, grading: ArrayLike
) -> FloatArray:
    """Return the depletion capacitance (F) of a junction, ``C_0 / (1 - V/phi)^m``.

    From half the built-in potential on it continues along its tangent; all shapes broadcast.

    Parameters
    ----------
    forward_V :
        Voltage across the junction, positive forward.
    zero_bias_F, built_in_V, grading :
        C_0 (F), phi (V) and m (1/2 for an abrupt, 1/3 for a graded junction).

    Source: the depletion approximation, e.g. S. M. Sze, Physics of Semiconductor Devices, 2nd ed.,
    Wiley, 1981 (from memory); going on along the tangent is common practice, no source.
    """
    share = np.asarray(forward_V, float) / built_in_V
    held = np.minimum(share, _FORWARD_SHARE)
    m = np.asarray(grading, float)
    at_held = np.asarray(zero_bias_F, float) * (1.0 - held) ** -m
    return np.asarray(at_held * (1.0 + m * (share - held) / (1.0 - held)))


def _exponential(x: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return exp(x), continued along its tangent beyond :data:`_STEEPEST`, and its slope."""
    slope = np.exp(np.minimum(x, _STEEPEST))
    return np.asarray(slope * (1.0 + np.maximum(x - _STEEPEST, 0.0))), np.asarray(slope)


def _require_positive(**values: Parameter) -> None:
    for name, value in values.items():
        array = np.asarray(value, float)
        if not np.all((array > 0) & np.isfinite(array)):
            raise ValueError(f"{name}: {value!r}: must be finite and more than 0")


def _require_not_negative(**values: Parameter) -> None:
    for name, value in values.items():
        array = np.asarray(value, float)
        if not np.all((array >= 0) & np.isfinite(array)):
            raise ValueError(f"{name}: {value!r}: must be finite and not less than 0")


@dataclass(frozen=True)
class ParameterSpread:
    """How far parameters of a law stray together from transistor to transistor of one type.

    Attributes
    ----------
    quantity : what strays, one of :data:`objectives.spreads.TRANSISTOR_QUANTITIES`
    low, high : ends of its relative deviation (dimensionless)
    powers : fields of the law; each is multiplied by the factor to its power
    """

    quantity: str
    low: float
    high: float
    powers: Mapping[str, float]


@dataclass(frozen=True)
class DataSources:
    """Where the numbers of a table entry come from."""

    law: str
    capacitance: str
    noise: str
    ratings: str
    spread: str


class _Sourced:
    """The sources under the names that an entry of the valve table has for them."""

    sources: DataSources

    @property
    def law_source(self) -> str:
        """Where the law comes from."""
        return self.sources.law

    @property
    def capacitance_source(self) -> str:
        """Where the capacitances come from."""
        return self.sources.capacitance

    @property
    def ratings_source(self) -> str:
        """Where the ratings come from."""
        return self.sources.ratings


def _dissipation_W(point: OperatingPoint) -> FloatArray:
    control = np.maximum(point.grid_current_A * point.grid_cathode_V, 0.0)
    return np.asarray(point.plate_dissipation_W + control)


def _positive(value: FloatArray) -> FloatArray:
    """Return what counts against a rating of one direction: nothing in the other."""
    return np.maximum(value, 0.0)


def _ratings(source: str, *rows: tuple[str, FloatArray, float | None, str]) -> list[Rating]:
    return [
        Rating(name, np.asarray(value), np.asarray(allowed, float), unit, source)
        for name, value, allowed, unit in rows
        if allowed is not None
    ]
