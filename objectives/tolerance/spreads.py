"""Spreads: how far parts, supply and device differ from their nominal values, and how.

A *spread* belongs to one quantity: a field of the stage, or a property of the valve. A *draw* is
one set of factors for all quantities; a *built stage* is a stage whose parts have them. All designs
share the same draws (common random numbers), so two designs differ by what they are and not by
their luck, and a yield is a repeatable function of the parts that a search can climb.

Draws are points of a scrambled Sobol sequence: I. M. Sobol, USSR Comput. Math. Math. Phys. 7(4),
1967; A. B. Owen, Scrambled net variance for integrals of smooth functions, Ann. Statist. 25(4),
1997 (both from memory). Their error in a yield falls faster than that of independent draws.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, fields
from importlib.metadata import version
from statistics import NormalDist
from typing import Literal, get_args

import numpy as np
from numpy.typing import ArrayLike

from objectives.arrays import FloatArray
from objectives.checks import InputError, did_you_mean, one_of
from objectives.kept import kept
from objectives.stage import Stage

Distribution = Literal["uniform", "normal", "rounded", "selected out"]
VALVE_QUANTITIES: Mapping[str, str] = {
    "valve_transconductance": "{plate} current and transconductance at any given voltages",
    "valve_amplification_factor": "{amplification_factor} at any given current",
    "valve_capacitance": "all three interelectrode capacitances together",
    "valve_grid_cathode_F": "capacitance {grid} to {cathode}",
    "valve_grid_plate_F": "capacitance {grid} to {plate}",
    "valve_plate_cathode_F": "capacitance {plate} to {cathode}",
}
"""What of a valve may spread, and a template of what the factor of a spread multiplies.

The capacitances are those of a transistor too.
"""

TRANSISTOR_QUANTITIES: Mapping[str, str] = {
    "transistor_cutoff_voltage": "cut-off voltage, and I_dss to the power that its limits give",
    "transistor_current_gain": "current gain at any given current",
}
"""What of a transistor may spread instead of a valve's current and amplification factor."""

END_OF_LIFE = 0.65
"""Share of its published transconductance, and current, with which a valve is called worn out.

Common practice, 65 to 70 %, no standard: R. Matthews, The myth of "tests as new", Leeds Radio, has
66 % for the least of a good valve. The lower, since designs that bear it bear the other.
"""

DEVICE_QUANTITIES = {**VALVE_QUANTITIES, **TRANSISTOR_QUANTITIES}
_STAGE_FIELDS = tuple(f.name for f in fields(Stage) if f.name != "leak_at_grid")

# SciPy's quantiles are quicker on many numbers, and take a fifth of a second to load.
_NORMAL = NormalDist()
_normal_quantile = np.vectorize(_NORMAL.inv_cdf, otypes=[float])

# A spread this wide is no tolerance any more, and keeps every factor positive.
_WIDEST = 0.95
_LARGEST_RISE = 10.0


@dataclass(frozen=True)
class Spread:
    """How one quantity differs from its nominal value.

    Attributes
    ----------
    quantity : a field of :class:`~objectives.stage.Stage`, or one of :data:`VALVE_QUANTITIES` or
        :data:`TRANSISTOR_QUANTITIES`
    low, high : ends of the relative deviation (dimensionless), e.g. -0.2 and 0.5
    distribution :
        between the ends:

        - ``"uniform"``: every deviation alike, the cautious choice where nothing is known;
        - ``"normal"``: normal round the middle, the ends at three sigma, cut off there;
        - ``"rounded"``: beta(2, 2), between the two above;
        - ``"selected out"``: that normal without its inner half, because the parts within half
          the tolerance were sold as a closer grade; two humps.
    source : where the figure comes from
    powers : parameters of the device's law that a quantity of its own multiplies, each to this
        power

    Raises
    ------
    ValueError
        If the quantity or the distribution is unknown, or not -0.95 <= low <= high <= 10 with
        low <= 0 <= high.

    The four shapes are common practice, no source; that closer grades are picked out of the
    middle is a trade fact that holds for some makers and lots only.
    """

    quantity: str
    low: float
    high: float
    distribution: Distribution = "uniform"
    source: str = "common practice, no source"
    powers: Mapping[str, float] = field(default_factory=dict, hash=False)

    def __post_init__(self) -> None:
        allowed = (*_STAGE_FIELDS, *DEVICE_QUANTITIES)
        if self.quantity not in allowed:
            raise InputError(
                "spread.quantity",
                self.quantity,
                f"must be a field of a stage or one of {', '.join(DEVICE_QUANTITIES)}"
                + did_you_mean(self.quantity, allowed),
            )
        one_of(f"spread.distribution of {self.quantity}", self.distribution, get_args(Distribution))
        for end, value, least, most in (
            ("low", self.low, -_WIDEST, 0.0),
            ("high", self.high, 0.0, _LARGEST_RISE),
        ):
            if not least <= value <= most:
                raise InputError(
                    f"spread.{end} of {self.quantity}",
                    value,
                    f"must be a relative deviation from {least:g} to {most:g} (0.05 is 5 %)",
                )

    @classmethod
    def plus_minus(
        cls,
        quantity: str,
        tolerance: float,
        distribution: Distribution = "uniform",
        source: str = "common practice, no source",
    ) -> Spread:
        """Return the symmetric spread of a relative tolerance (0.05 is +/-5 %)."""
        return cls(quantity, -tolerance, tolerance, distribution, source)

    def factor(self, unit: ArrayLike) -> FloatArray:
        """Return what the nominal value is multiplied by, shape of ``unit``.

        ``unit`` is the cumulative probability (0 to 1): this is the quantile function, so uniform
        numbers give the distribution, 0 and 1 its ends and 1/2 its median.
        """
        u = np.asarray(unit, float)
        middle, half = 1 + (self.high + self.low) / 2, (self.high - self.low) / 2
        if self.distribution == "uniform":
            at = 2 * u - 1
        elif self.distribution == "normal":
            tail = _NORMAL.cdf(-3.0)
            at = _normal_quantile(tail + u * (1 - 2 * tail)) / 3
        elif self.distribution == "rounded":
            # The root between 0 and 1 of 3 x**2 - 2 x**3 = u, by a third of an angle.
            at = 2 * np.sin(np.arcsin(2 * u - 1) / 3)
        else:
            # Each hump is the normal from 1.5 to 3 sigma; the lower takes u below 1/2.
            tail, inner = _NORMAL.cdf(-3.0), _NORMAL.cdf(-1.5)
            mirrored = np.minimum(u, 1 - u)
            at = np.sign(u - 0.5) * -_normal_quantile(tail + 2 * mirrored * (inner - tail)) / 3
        return np.asarray(middle + half * np.clip(at, -1, 1))

    def words(self) -> str:
        """Return the ends and the shape in words, e.g. '±5 %, uniform'."""
        if self.low == -self.high:
            ends = f"±{100 * self.high:.3g} %"
        else:
            ends = f"{100 * self.low:+.3g} % to {100 * self.high:+.3g} %".replace("-", "−")
        return f"{ends}, {self.distribution}"


MAINS_SUPPLY = Spread(
    "supply_V", -0.1, 0.1, "uniform", "mains voltage, EN 50160 and IEC 60038: ±10 %"
)
"""The supply of an unregulated set follows the mains."""


def quantities(spreads: Iterable[Spread]) -> tuple[str, ...]:
    """Return the quantities of the spreads.

    Raises
    ------
    ValueError
        If one has two spreads.
    """
    names = tuple(spread.quantity for spread in spreads)
    for name in names:
        if names.count(name) > 1:
            raise ValueError(f"tolerance.spreads: {name!r} twice: must have one spread at most")
    return names


def draw_units(spreads: Sequence[Spread], draws: int, seed: int) -> FloatArray:
    """Return cumulative probabilities, shape (draws, spreads): a scrambled Sobol sequence.

    The same seed gives the same numbers; a longer run starts with those of a shorter one.
    """
    if not spreads:
        return np.empty((draws, 0))

    def made() -> bytes:
        from scipy.stats import qmc  # a second, and in most runs more than all else

        sequence = qmc.Sobol(len(spreads), scramble=True, rng=np.random.default_rng(seed))
        points = sequence.random_base2(max(math.ceil(math.log2(draws)), 0))[:draws]
        return np.asarray(points, float).tobytes()

    made_by = f"scipy-{version('scipy')}-numpy-{version('numpy')}"
    points = kept(f"sobol-{made_by}-{len(spreads)}-{draws}-{seed}", made)
    return np.frombuffer(points).reshape(draws, len(spreads)).copy()


def draw_factors(spreads: Sequence[Spread], units: FloatArray) -> FloatArray:
    """Return what each quantity is multiplied by, shape (draws, spreads) as ``units``.

    ``units`` of another number of columns than spreads are an InputError.
    """
    if units.shape[1:] != (len(spreads),):
        raise InputError("units", units.shape, f"must have one column a spread, {len(spreads)}")
    if not spreads:
        return np.empty(units.shape)
    return np.stack([s.factor(units[:, at]) for at, s in enumerate(spreads)], axis=-1)
