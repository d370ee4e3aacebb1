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

from collections.abc import Mapping
from dataclasses import dataclass
from typing import ClassVar, Literal, TypeAlias

import numpy as np
from numpy.typing import ArrayLike

from objectives.arrays import Batch, FloatArray
from objectives.checks import require
from objectives.devices.law import ConductionLaw, Datum, Linearised, Parameter

Equation: TypeAlias = Literal["child-langmuir", "koren", "dempwolf-zolzer"]
_LABELS: Mapping[str, tuple[str, str]] = {
    "grid_offset_V": ("{grid} offset", "V"),
    "grid_smear_V": ("{grid} smear", "V"),
    "knee_V": ("knee", "V"),
    "offset_A": ("offset", "A"),
}


def _require_positive(of: Batch, *names: str) -> None:
    """Check parameters; an exponent must be above 1, or gm would jump at cut-off."""
    for name, value in of.numeric_fields().items():
        if name in names:
            least = 1.0 if name in ("exponent", "ex") else 0.0
            good = np.isfinite(value) & (value > least)
            require(name, value, good, f"finite and more than {least:g}")


@dataclass(frozen=True)
class GridCurrent(Batch):
    """Grid current of a triode: a softened power law of the grid voltage alone.

    ``I_g = G_g (ln(1 + exp(C_g V_g)) / C_g)^xi_g + I_g0``

    Attributes
    ----------
    perveance : G_g (A / V^xi_g)
    exponent : xi_g (dimensionless), more than 1
    sharpness : C_g (1/V), how abruptly conduction sets in
    offset_A : I_g0 (A), the current that remains at a very negative grid; below 0 it is the reverse
        current of ions and leakage

    Source: K. Dempwolf, U. Zölzer, "A physically-motivated triode model for circuit simulations",
    Proc. 14th Int. Conf. on Digital Audio Effects (DAFx-11), Paris, 2011.
    """

    perveance: Parameter
    exponent: Parameter
    sharpness: Parameter
    offset_A: Parameter = 0.0

    def __post_init__(self) -> None:
        _require_positive(self, "perveance", "exponent", "sharpness")

    def current(self, grid_V: ArrayLike) -> FloatArray:
        """Return the grid current (A)."""
        return np.asarray(self.space_current(grid_V)[0] + self.offset_A)

    def space_current(self, grid_V: ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Return the part that comes from the cathode (A), and its slope (S): no offset."""
        return _softened_power(
            np.asarray(grid_V, float), self.perveance, self.exponent, self.sharpness
        )


class _WithGridCurrent(ConductionLaw):
    """A triode's law, which carries a grid current, or none."""

    equation: ClassVar[Equation]
    """Name of the law in the valve table."""
    parameter_labels: ClassVar[Mapping[str, tuple[str, str]]] = _LABELS
    mu_powers: ClassVar[Mapping[str, float]] = {"mu": 1.0}

    grid: GridCurrent | None

    def grid_parameters(self) -> tuple[Datum, ...]:
        """Return the parameters of the grid current."""
        return () if self.grid is None else self._labelled(self.grid)

    def linearise_grid(self, grid_V: ArrayLike, plate_V: ArrayLike) -> Linearised:
        """Return grid current (A) and its derivatives by grid and plate voltage (S)."""
        shape = np.broadcast_shapes(np.shape(grid_V), np.shape(plate_V), self.shape)
        zeros = np.zeros(shape)
        if self.grid is None:
            return zeros, zeros, zeros
        current, slope = self.grid.space_current(grid_V)
        return current + self.grid.offset_A + zeros, slope + zeros, zeros


@dataclass(frozen=True)
class ChildLangmuir(_WithGridCurrent):
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

    equation: ClassVar[Equation] = "child-langmuir"
    title: ClassVar[str] = "three-halves law of Child and Langmuir"
    current_powers: ClassVar[Mapping[str, float]] = {"perveance": 1.0}

    mu: Parameter
    perveance: Parameter
    grid_offset_V: Parameter = 0.0
    knee_V: Parameter = 5.0
    grid: GridCurrent | None = None

    def __post_init__(self) -> None:
        _require_positive(self, "mu", "perveance", "knee_V")

    def linearise(self, grid_V: ArrayLike, plate_V: ArrayLike) -> Linearised:
        """Return plate current (A), transconductance (S) and plate conductance (S)."""
        vg, vp = np.asarray(grid_V, float), np.asarray(plate_V, float)
        drive = np.maximum(vg + self.grid_offset_V + vp / self.mu, 0.0)
        root = np.sqrt(drive)
        space = self.perveance * drive * root
        slope = 1.5 * self.perveance * root
        gate, gate_slope = _knee(vp, self.knee_V)
        return space * gate, slope * gate, slope / self.mu * gate + space * gate_slope


@dataclass(frozen=True)
class Koren(_WithGridCurrent):
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

    equation: ClassVar[Equation] = "koren"
    title: ClassVar[str] = "Koren"
    current_powers: ClassVar[Mapping[str, float]] = {"kg1": -1.0}

    mu: Parameter
    ex: Parameter
    kg1: Parameter
    kp: Parameter
    kvb: Parameter
    grid_offset_V: Parameter = 0.0
    grid_smear_V: Parameter = 0.0
    grid: GridCurrent | None = None

    def __post_init__(self) -> None:
        _require_positive(self, "mu", "ex", "kg1", "kp", "kvb")
        smear = np.asarray(self.grid_smear_V, float)
        require("grid_smear_V", smear, smear >= 0, "0 or more")

    def plate_current(self, grid_V: ArrayLike, plate_V: ArrayLike) -> FloatArray:
        """Return the plate current (A)."""
        # What solvers call most; the derivatives would double its cost.
        vp = np.maximum(np.asarray(plate_V, float), 0.0)
        reach = np.sqrt(self.kvb + vp * vp)
        width = reach / self.kp + self.grid_smear_V
        u = (reach / self.mu + np.asarray(grid_V, float) + self.grid_offset_V) / width
        drive = vp / reach * width * np.logaddexp(0.0, u)
        return np.asarray(2.0 / self.kg1 * drive**self.ex)

    def linearise(self, grid_V: ArrayLike, plate_V: ArrayLike) -> Linearised:
        """Return plate current (A), transconductance (S) and plate conductance (S)."""
        vg = np.asarray(grid_V, float) + self.grid_offset_V
        vp = np.maximum(np.asarray(plate_V, float), 0.0)
        square = self.kvb + vp * vp
        reach = np.sqrt(square)
        width = reach / self.kp + self.grid_smear_V
        u = (reach / self.mu + vg) / width
        log_term, step = _softplus(u)
        share = vp / reach
        drive = share * width * log_term
        slope = 2.0 * self.ex / self.kg1 * drive ** (self.ex - 1.0)
        current = slope * drive / self.ex
        gm = slope * share * step
        # d(width * log_term)/d(reach); the bracket is an entropy, never negative but for rounding.
        by_reach = np.maximum(log_term - u * step, 0.0) / self.kp + step / self.mu
        narrow = self.kvb / (square * reach)
        gp = slope * (narrow * width * log_term + share * share * by_reach)
        return current, gm, gp


@dataclass(frozen=True)
class DempwolfZolzer(_WithGridCurrent):
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

    equation: ClassVar[Equation] = "dempwolf-zolzer"
    title: ClassVar[str] = "Dempwolf and Zölzer"
    current_powers: ClassVar[Mapping[str, float]] = {"perveance": 1.0}

    mu: Parameter
    perveance: Parameter
    exponent: Parameter
    sharpness: Parameter
    knee_V: Parameter = 5.0
    grid: GridCurrent | None = None

    def __post_init__(self) -> None:
        _require_positive(self, "mu", "perveance", "exponent", "sharpness", "knee_V")

    def linearise(self, grid_V: ArrayLike, plate_V: ArrayLike) -> Linearised:
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


TriodeLaw: TypeAlias = ChildLangmuir | Koren | DempwolfZolzer
LAWS: Mapping[str, type[ChildLangmuir] | type[Koren] | type[DempwolfZolzer]] = {
    law.equation: law for law in (ChildLangmuir, Koren, DempwolfZolzer)
}
"""The laws by the name that the valve table uses."""


def _softened_power(
    volts: FloatArray, perveance: Parameter, exponent: Parameter, sharpness: Parameter
) -> tuple[FloatArray, FloatArray]:
    """Return ``G (ln(1 + exp(C v)) / C)^x`` and its derivative by v, safe at any voltage."""
    log_term, step = _softplus(sharpness * volts)
    drive = log_term / sharpness
    slope = perveance * exponent * drive ** (np.asarray(exponent) - 1.0)
    return np.asarray(slope * drive / exponent), np.asarray(slope * step)


def _softplus(u: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return ``ln(1 + exp(u))`` and its derivative, safe at any u, from one exponential."""
    tail = np.exp(-np.abs(u))
    return np.maximum(u, 0.0) + np.log1p(tail), np.where(u > 0, 1.0, tail) / (1.0 + tail)


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
