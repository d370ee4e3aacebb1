"""Equations of the triode: currents and their exact partial derivatives, batched.

Voltages are relative to the cathode, currents flow into the electrode. Parameters of a law are
floats or arrays that broadcast with the voltages, so that one call evaluates a valve that differs
from candidate to candidate (tolerance draws).

Every law here is non-negative and non-decreasing in the grid voltage and in the plate voltage
(:class:`DempwolfZolzer` says under which condition), has continuous first derivatives, and is zero
where the plate is not positive: a plate that attracts no electrons carries no current, whatever
the grid does.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from functools import cached_property
from typing import Any, Self, TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import expit

__all__ = ["LAWS", "ChildLangmuir", "DempwolfZolzer", "GridCurrent", "Koren"]

FloatArray = NDArray[np.float64]
Parameter: TypeAlias = float | FloatArray


@dataclass(frozen=True)
class _Parameters:
    """Shared by the laws: checking and indexing of parameters that may be arrays."""

    def __post_init__(self) -> None:
        for name in self._positive():
            value = getattr(self, name)
            least = self._least(name)
            if not (np.all(np.isfinite(value)) and np.all(np.asarray(value) > least)):
                raise ValueError(f"{name}: {value!r}: must be finite and more than {least:g}")

    @classmethod
    def _positive(cls) -> tuple[str, ...]:
        raise NotImplementedError

    @staticmethod
    def _least(name: str) -> float:
        # With an exponent of 1 or less the transconductance would jump at cut-off.
        return 1.0 if name in ("exponent", "ex") else 0.0

    @cached_property
    def parameter_shape(self) -> tuple[int, ...]:
        """Common shape of all parameters; ``()`` for a single valve."""
        shapes = []
        for field in fields(self):
            value = getattr(self, field.name)
            if isinstance(value, _Parameters):
                shapes.append(value.parameter_shape)
            elif value is not None:
                shapes.append(np.shape(value))
        return np.broadcast_shapes(*shapes)

    def at(self, index: Any) -> Self:
        """Return a copy with array parameters indexed.

        Arrays are first broadcast to the common shape of all parameters, so ``index`` means the
        same valve in each; scalar parameters hold for every valve and stay.
        """
        return self._at(index, self.parameter_shape)

    def _at(self, index: Any, shape: tuple[int, ...]) -> Self:
        changed: dict[str, Any] = {}
        for field in fields(self):
            value = getattr(self, field.name)
            if isinstance(value, _Parameters):
                changed[field.name] = value._at(index, shape)
            elif value is not None and np.ndim(value) > 0:
                changed[field.name] = np.broadcast_to(value, shape)[index]
        return replace(self, **changed)


@dataclass(frozen=True)
class GridCurrent(_Parameters):
    """Grid current of a triode: a softened power law of the grid voltage alone.

    ``I_g = G_g (ln(1 + exp(C_g V_g)) / C_g)^xi_g + I_g0``

    Attributes
    ----------
    perveance : G_g (A / V^xi_g)
    exponent : xi_g (dimensionless), more than 1
    sharpness : C_g (1/V), how abruptly conduction sets in
    offset_A : I_g0 (A), the current that remains at a very negative grid

    Source: K. Dempwolf, U. Zölzer, "A physically-motivated triode model for circuit simulations",
    Proc. 14th Int. Conf. on Digital Audio Effects (DAFx-11), Paris, 2011.
    """

    perveance: Parameter
    exponent: Parameter
    sharpness: Parameter
    offset_A: Parameter = 0.0

    @classmethod
    def _positive(cls) -> tuple[str, ...]:
        return ("perveance", "exponent", "sharpness")

    def current(self, grid_V: ArrayLike) -> FloatArray:
        """Return the grid current (A)."""
        return np.asarray(self.space_current(grid_V)[0] + self.offset_A)

    def space_current(self, grid_V: ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Return the part that comes from the cathode (A), and its slope (S): no offset."""
        return _softened_power(
            np.asarray(grid_V, float), self.perveance, self.exponent, self.sharpness
        )


class _WithGrid(_Parameters):
    """A law that carries a grid current, or none."""

    grid: GridCurrent | None

    def grid_current(self, grid_V: ArrayLike, plate_V: ArrayLike) -> FloatArray:
        """Return the grid current (A); zeros without a grid-current component."""
        return self.linearise_grid(grid_V, plate_V)[0]

    def linearise_grid(
        self, grid_V: ArrayLike, plate_V: ArrayLike
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return grid current (A) and its derivatives by grid and plate voltage (S)."""
        shape = np.broadcast_shapes(np.shape(grid_V), np.shape(plate_V), self.parameter_shape)
        zeros = np.zeros(shape)
        if self.grid is None:
            return zeros, zeros, zeros
        current, slope = self.grid.space_current(grid_V)
        return current + self.grid.offset_A + zeros, slope + zeros, zeros


@dataclass(frozen=True)
class ChildLangmuir(_WithGrid):
    """The three-halves law of the space-charge-limited triode.

    ``I_p = G (V_g + V_0 + V_p / mu)^(3/2)`` where the bracket is positive, else zero.

    Attributes
    ----------
    mu : amplification factor (dimensionless)
    perveance : G (A / V^1.5), referred to the grid
    grid_offset_V : V_0 (V), contact potential in series with the grid
    knee_V : plate voltage (V) within which the current is brought to zero, see :func:`_knee`
    grid : grid current, if any; it adds to the cathode current and leaves the plate current

    Source: C. D. Child, Phys. Rev. (Ser. I) 32, 492, 1911; I. Langmuir, Phys. Rev. 2, 450, 1913;
    as written for triodes in K. R. Spangenberg, Vacuum Tubes, McGraw-Hill, 1948 (from memory).
    """

    mu: Parameter
    perveance: Parameter
    grid_offset_V: Parameter = 0.0
    knee_V: Parameter = 5.0
    grid: GridCurrent | None = None

    @classmethod
    def _positive(cls) -> tuple[str, ...]:
        return ("mu", "perveance", "knee_V")

    def plate_current(self, grid_V: ArrayLike, plate_V: ArrayLike) -> FloatArray:
        """Return the plate current (A)."""
        return self.linearise(grid_V, plate_V)[0]

    def linearise(
        self, grid_V: ArrayLike, plate_V: ArrayLike
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return plate current (A), transconductance (S) and plate conductance (S)."""
        vg, vp = np.asarray(grid_V, float), np.asarray(plate_V, float)
        drive = np.maximum(vg + self.grid_offset_V + vp / self.mu, 0.0)
        root = np.sqrt(drive)
        space = self.perveance * drive * root
        slope = 1.5 * self.perveance * root
        gate, gate_slope = _knee(vp, self.knee_V)
        return space * gate, slope * gate, slope / self.mu * gate + space * gate_slope

    def varied(self, *, current: ArrayLike = 1.0, mu: ArrayLike = 1.0) -> Self:
        """Return the law with plate current and amplification factor multiplied."""
        return replace(self, perveance=_times(self.perveance, current), mu=_times(self.mu, mu))


@dataclass(frozen=True)
class Koren(_WithGrid):
    """Koren's phenomenological triode, with two parameters more that are 0 in the published form.

    ``I_p = 2 E_1^ex / k_g1`` with ``E_1 = (V_p / s) w ln(1 + exp((s / mu + V_g + V_0) / w))``,
    ``s = sqrt(k_vb + V_p^2)`` and ``w = s / k_p + w_0``; zero for V_p <= 0.

    For V_0 = w_0 = 0 this is, term by term, Koren's
    ``E_1 = (V_p / k_p) ln(1 + exp(k_p (1 / mu + V_g / s)))``. The bracket is the drive in volts at
    the grid and w the width, in volts at the grid, over which the cut-off is smeared. Koren's
    smear grows in proportion to the plate voltage, so it all but vanishes at 100 V; the part w_0
    that does not, put here by us for the scatter of contact potential and emission velocity over
    the cathode, is what the low-supply rows of resistance-coupled charts need.

    E_1 is proportional to V_p near zero and the exponent is above 1, so current and plate
    conductance both vanish continuously at V_p = 0.

    Attributes
    ----------
    mu : amplification factor (dimensionless)
    ex : exponent (dimensionless), more than 1
    kg1 : inverse of perveance (V^ex / A)
    kp : sharpness of the cut-off (dimensionless)
    kvb : shape of the knee (V^2)
    grid_offset_V : V_0 (V), contact potential in series with the grid
    grid_smear_V : w_0 (V), 0 or more
    grid : grid current, if any; it adds to the cathode current and leaves the plate current

    Source: N. Koren, "Improved vacuum tube models", Glass Audio 8(5), 1996. The offset is that
    of I. Cohen, T. Hélie, "Measures and parameter estimation of triodes, for the real-time
    simulation of a multi-stage guitar preamplifier", AES 129th Convention, 2010.
    """

    mu: Parameter
    ex: Parameter
    kg1: Parameter
    kp: Parameter
    kvb: Parameter
    grid_offset_V: Parameter = 0.0
    grid_smear_V: Parameter = 0.0
    grid: GridCurrent | None = None

    def __post_init__(self) -> None:
        super().__post_init__()
        if not np.all(np.asarray(self.grid_smear_V) >= 0):
            raise ValueError(f"grid_smear_V: {self.grid_smear_V!r}: must be 0 or more")

    @classmethod
    def _positive(cls) -> tuple[str, ...]:
        return ("mu", "ex", "kg1", "kp", "kvb")

    def plate_current(self, grid_V: ArrayLike, plate_V: ArrayLike) -> FloatArray:
        """Return the plate current (A)."""
        # What solvers call most; the derivatives would double its cost.
        vp = np.maximum(np.asarray(plate_V, float), 0.0)
        reach = np.sqrt(self.kvb + vp * vp)
        width = reach / self.kp + self.grid_smear_V
        u = (reach / self.mu + np.asarray(grid_V, float) + self.grid_offset_V) / width
        drive = vp / reach * width * np.logaddexp(0.0, u)
        return np.asarray(2.0 / self.kg1 * drive**self.ex)

    def linearise(
        self, grid_V: ArrayLike, plate_V: ArrayLike
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return plate current (A), transconductance (S) and plate conductance (S)."""
        vg = np.asarray(grid_V, float) + self.grid_offset_V
        vp = np.maximum(np.asarray(plate_V, float), 0.0)
        reach = np.sqrt(self.kvb + vp * vp)
        width = reach / self.kp + self.grid_smear_V
        u = (reach / self.mu + vg) / width
        log_term, step = np.logaddexp(0.0, u), expit(u)
        share = vp / reach
        drive = share * width * log_term
        slope = 2.0 * self.ex / self.kg1 * drive ** (self.ex - 1.0)
        current = slope * drive / self.ex
        gm = slope * share * step
        # d(width * log_term)/d(reach); the bracket is an entropy, never negative but for rounding.
        by_reach = np.maximum(log_term - u * step, 0.0) / self.kp + step / self.mu
        gp = slope * (self.kvb / reach**3 * width * log_term + share * share * by_reach)
        return current, gm, gp

    def varied(self, *, current: ArrayLike = 1.0, mu: ArrayLike = 1.0) -> Self:
        """Return the law with plate current and amplification factor multiplied."""
        return replace(
            self, kg1=_times(self.kg1, 1.0 / np.asarray(current, float)), mu=_times(self.mu, mu)
        )


@dataclass(frozen=True)
class DempwolfZolzer(_WithGrid):
    """Dempwolf and Zölzer's physically motivated triode.

    ``I_k = G (ln(1 + exp(C (V_p / mu + V_g))) / C)^gamma``, ``I_p = I_k - I_g``

    with the grid current of :class:`GridCurrent`. Two departures, both without effect where the
    source was fitted: the plate current is multiplied by a factor that takes it to zero with the
    plate voltage (:func:`_knee`; the source leaves current at a negative plate), and the constant
    grid current I_g0 is not taken from the plate, which would drive it negative in cut-off.

    The plate current is monotone in the grid voltage as long as the cathode emits more than the
    grid takes (G > G_g, C < C_g, and exponents alike, as in every published set); where it does
    not the plate current is held at zero.

    Attributes
    ----------
    mu : amplification factor (dimensionless)
    perveance : G (A / V^gamma)
    exponent : gamma (dimensionless), more than 1
    sharpness : C (1/V)
    knee_V : plate voltage (V) within which the current is brought to zero
    grid : grid current, if any

    Source: K. Dempwolf, U. Zölzer, "A physically-motivated triode model for circuit simulations",
    Proc. 14th Int. Conf. on Digital Audio Effects (DAFx-11), Paris, 2011.
    """

    mu: Parameter
    perveance: Parameter
    exponent: Parameter
    sharpness: Parameter
    knee_V: Parameter = 5.0
    grid: GridCurrent | None = None

    @classmethod
    def _positive(cls) -> tuple[str, ...]:
        return ("mu", "perveance", "exponent", "sharpness", "knee_V")

    def plate_current(self, grid_V: ArrayLike, plate_V: ArrayLike) -> FloatArray:
        """Return the plate current (A)."""
        return self.linearise(grid_V, plate_V)[0]

    def linearise(
        self, grid_V: ArrayLike, plate_V: ArrayLike
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return plate current (A), transconductance (S) and plate conductance (S)."""
        vg, vp = np.asarray(grid_V, float), np.asarray(plate_V, float)
        space, by_grid = _softened_power(
            vg + vp / self.mu, self.perveance, self.exponent, self.sharpness
        )
        by_plate = by_grid / self.mu
        if self.grid is not None:
            taken, taken_slope = self.grid.space_current(vg)
            emits = space > taken
            space = np.where(emits, space - taken, 0.0)
            by_grid = np.where(emits, by_grid - taken_slope, 0.0)
            by_plate = np.where(emits, by_plate, 0.0)
        gate, gate_slope = _knee(vp, self.knee_V)
        return space * gate, by_grid * gate, by_plate * gate + space * gate_slope

    def varied(self, *, current: ArrayLike = 1.0, mu: ArrayLike = 1.0) -> Self:
        """Return the law with cathode current and amplification factor multiplied."""
        return replace(self, perveance=_times(self.perveance, current), mu=_times(self.mu, mu))


LAWS: dict[str, type[ChildLangmuir] | type[Koren] | type[DempwolfZolzer]] = {
    "child-langmuir": ChildLangmuir,
    "koren": Koren,
    "dempwolf-zolzer": DempwolfZolzer,
}
"""The laws by the name that the valve table uses."""


def _softened_power(
    volts: FloatArray, perveance: Parameter, exponent: Parameter, sharpness: Parameter
) -> tuple[FloatArray, FloatArray]:
    """Return ``G (ln(1 + exp(C v)) / C)^x`` and its derivative by v, safe at any voltage."""
    u = sharpness * volts
    drive = np.logaddexp(0.0, u) / sharpness
    slope = perveance * exponent * drive ** (np.asarray(exponent) - 1.0)
    return np.asarray(slope * drive / exponent), np.asarray(slope * expit(u))


def _knee(plate_V: FloatArray, knee_V: Parameter) -> tuple[FloatArray, FloatArray]:
    """Return the factor ``1 - exp(-(V_p / knee)^2)`` (0 for V_p <= 0) and its derivative (1/V).

    Value and slope are zero at V_p = 0, so the current starts there with continuous first
    derivatives; four knees up the factor is 1 within 2e-7 and the source's equation is untouched.
    """
    x = np.maximum(plate_V, 0.0) / knee_V
    # exp(-x^2) is zero in double precision from x = 28 on; the bound keeps x^2 from overflowing
    # for any plate voltage.
    square = np.minimum(x, 40.0) ** 2
    return np.asarray(-np.expm1(-square)), np.asarray(2.0 * x / knee_V * np.exp(-square))


def _times(parameter: Parameter, factor: ArrayLike) -> Parameter:
    product = np.asarray(parameter, float) * np.asarray(factor, float)
    return float(product) if product.ndim == 0 else product
