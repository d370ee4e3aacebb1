"""Spreads: how far parts, supply and valve stray from their nominal values, and how.

A *spread* belongs to one quantity: a field of the stage, or a property of the valve. Spreads turn
a batch of nominal stages into a batch of built ones (:func:`spread_batch`).
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from typing import Any, Literal, Protocol, Self, cast, get_args

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import betaincinv, ndtr, ndtri

from objectives.batch import FloatArray
from objectives.device import Device, Rating
from objectives.noise import DeviceNoise
from objectives.operating_point import OperatingPoint, operating_point
from objectives.stage import CAPACITORS, RESISTORS, Stage
from objectives.terms import Terms, terms_of
from objectives.triodes import ConductionLaw

__all__ = [
    "MAINS_SUPPLY",
    "SERIES_TOLERANCE",
    "TRANSISTOR_QUANTITIES",
    "VALVE_QUANTITIES",
    "Distribution",
    "Spread",
    "SpreadDevice",
    "default_spreads",
    "published_spreads",
    "quantities",
    "spread_batch",
]

Distribution = Literal["uniform", "normal", "rounded", "selected out"]

VALVE_QUANTITIES: Mapping[str, str] = {
    "valve_transconductance": "plate current and transconductance at any given voltages",
    "valve_amplification_factor": "amplification factor at any given current",
    "valve_capacitance": "all three interelectrode capacitances together",
    "valve_grid_cathode_F": "capacitance grid to cathode",
    "valve_grid_plate_F": "capacitance grid to plate",
    "valve_plate_cathode_F": "capacitance plate to cathode",
}
"""What of a valve may spread, and what the factor of a spread multiplies.

The capacitances are those of a transistor too.
"""

TRANSISTOR_QUANTITIES: Mapping[str, str] = {
    "transistor_cutoff_voltage": "cut-off voltage, and I_dss to the power that its limits give",
    "transistor_current_gain": "current gain at any given current",
}
"""What of a transistor may spread instead of a valve's current and amplification factor."""

_DEVICE_QUANTITIES = {**VALVE_QUANTITIES, **TRANSISTOR_QUANTITIES}

_STAGE_FIELDS = tuple(f.name for f in fields(Stage) if f.name != "leak_at_grid")
# A spread this wide is no tolerance any more, and keeps every factor positive.
_WIDEST = 0.95
_LARGEST_RISE = 10.0
_MU_STEP = 1e-4


# -- spreads ---------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Spread:
    """How one quantity strays from its nominal value.

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

    def __post_init__(self) -> None:
        allowed = (*_STAGE_FIELDS, *_DEVICE_QUANTITIES)
        if self.quantity not in allowed:
            close = difflib.get_close_matches(self.quantity, allowed, n=1)
            hint = f"; did you mean {close[0]}?" if close else ""
            raise ValueError(
                f"spread.quantity: {self.quantity!r}: must be a field of a stage or one of "
                f"{', '.join(_DEVICE_QUANTITIES)}{hint}"
            )
        if self.distribution not in get_args(Distribution):
            raise ValueError(
                f"spread.distribution of {self.quantity}: {self.distribution!r}: must be one of "
                f"{', '.join(get_args(Distribution))}"
            )
        for end, value, least, most in (
            ("low", self.low, -_WIDEST, 0.0),
            ("high", self.high, 0.0, _LARGEST_RISE),
        ):
            if not least <= value <= most:
                raise ValueError(
                    f"spread.{end} of {self.quantity}: {value!r}: must be a relative deviation "
                    f"from {least:g} to {most:g} (0.05 is 5 %)"
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
            tail = ndtr(-3.0)
            at = ndtri(tail + u * (1 - 2 * tail)) / 3
        elif self.distribution == "rounded":
            at = 2 * betaincinv(2.0, 2.0, u) - 1
        else:
            # Each hump is the normal from 1.5 to 3 sigma; the lower takes u below 1/2.
            tail, inner = ndtr(-3.0), ndtr(-1.5)
            mirrored = np.minimum(u, 1 - u)
            at = np.sign(u - 0.5) * -ndtri(tail + 2 * mirrored * (inner - tail)) / 3
        return np.asarray(middle + half * np.clip(at, -1, 1))

    def words(self) -> str:
        """Return the ends and the shape in words, e.g. '±5 %, uniform'."""
        if self.low == -self.high:
            ends = f"±{100 * self.high:.3g} %"
        else:
            ends = f"{100 * self.low:+.3g} % to {100 * self.high:+.3g} %".replace("-", "−")
        return f"{ends}, {self.distribution}"


SERIES_TOLERANCE: Mapping[str, float] = {
    "E3": 0.4, "E6": 0.2, "E12": 0.1, "E24": 0.05, "E48": 0.02, "E96": 0.01, "E192": 0.005,
}  # fmt: skip
"""Relative tolerance that goes with a series: the step of a series is about twice the tolerance,
so that neighbours just meet. IEC 60063 for E6 to E192 (from memory); it gives E3 only as more
than 20 %, and 40 % is where its neighbours meet."""

MAINS_SUPPLY = Spread(
    "supply_V", -0.1, 0.1, "uniform", "mains voltage, EN 50160 and IEC 60038: ±10 %"
)
"""The supply of an unregulated set follows the mains."""

_ELECTROLYTIC_FROM_F = 1e-6
_CURRENT_SOURCE = (
    "JAN acceptance limits of receiving triodes at fixed voltages (6SL7: 1200 to 2000 µS, 1.4 to "
    "3.2 mA, amplification factor 55 to 85), J. F. Blackburn (ed.), Components Handbook, MIT "
    "Radiation Laboratory Series 17, 1949, quoted second-hand"
)
_FACTOR_SOURCE = (
    "with it, current and transconductance spread as widely as those limits let them; the limits "
    "of the factor itself are wider"
)


def default_spreads(
    stage: Stage,
    *,
    series: Mapping[str, str] | None = None,
    valve: tuple[float, float, float] = (0.25, 0.10, 0.10),
    valve_source: str | None = None,
) -> tuple[Spread, ...]:
    """Return a spread for the supply, every part that is fitted, and the valve.

    Parameters
    ----------
    stage :
        The stages; a part that none of them fits (0 or inf) gets no spread.
    series :
        For each part (a field of Stage) the IEC 60063 series it is bought from: its tolerance is
        then the one of :data:`SERIES_TOLERANCE`. Without: resistors 5 %, film and ceramic
        capacitors 10 %, capacitors from 1 µF up -20/+50 % (aluminium electrolytic).
    valve :
        Relative tolerance of transconductance, amplification factor and each capacitance, taken
        as three sigma of a normal distribution.
    valve_source :
        Where they come from; where None, the sources of the default.

    Raises
    ------
    ValueError
        If a series is unknown.
    """
    series = series or {}
    found = [MAINS_SUPPLY]
    for part in (*RESISTORS, *CAPACITORS):
        value = np.asarray(getattr(stage, part), float)
        fitted = value[np.isfinite(value) & (value > 0)]
        if fitted.size == 0:
            continue
        if part in series:
            if series[part] not in SERIES_TOLERANCE:
                raise ValueError(
                    f"series of {part}: {series[part]!r}: must be one of "
                    f"{', '.join(SERIES_TOLERANCE)}"
                )
            found.append(
                Spread.plus_minus(
                    part,
                    SERIES_TOLERANCE[series[part]],
                    source=f"tolerance that goes with {series[part]}, IEC 60063 (from memory)",
                )
            )
        elif part in RESISTORS:
            found.append(Spread.plus_minus(part, 0.05, source="E24 part, IEC 60063 (from memory)"))
        elif fitted.max() >= _ELECTROLYTIC_FROM_F:
            found.append(
                Spread(
                    part, -0.2, 0.5, "rounded",
                    "aluminium electrolytic, code S of IEC 60062, −20/+50 % (from memory)",
                )
            )  # fmt: skip
        else:
            found.append(
                Spread.plus_minus(part, 0.1, source="film capacitor, common practice, no source")
            )
    common = "common practice, no source"
    for name, tolerance, source in (
        ("valve_transconductance", valve[0], _CURRENT_SOURCE),
        ("valve_amplification_factor", valve[1], _FACTOR_SOURCE),
        ("valve_grid_cathode_F", valve[2], common),
        ("valve_grid_plate_F", valve[2], common),
        ("valve_plate_cathode_F", valve[2], common),
    ):
        found.append(Spread.plus_minus(name, tolerance, "normal", valve_source or source))
    return tuple(found)


def published_spreads(device: Device) -> tuple[Spread, ...]:
    """Return how a transistor's parameters spread between the limits of its data sheet.

    Nothing for a device that publishes none. The shape between the limits is common practice, no
    source: makers say nothing of it, and few transistors lie at either end.
    """
    stated = getattr(device, "parameter_spread", ())
    return tuple(
        Spread(own.quantity, own.low, own.high, "rounded", device.sources.spread)  # type: ignore[attr-defined]
        for own in stated
    )


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


# -- the valve ---------------------------------------------------------------------------------


class _VariedLaw(ConductionLaw, Protocol):
    """A conduction law whose current and amplification factor can be multiplied."""

    def varied(self, *, current: ArrayLike = 1.0, mu: ArrayLike = 1.0) -> Self:
        """Return the law with plate current and amplification factor multiplied."""


@dataclass(frozen=True)
class SpreadDevice:
    """A device whose law and capacitances differ from draw to draw; all else is the nominal's."""

    nominal: Device
    law: ConductionLaw
    capacitance_factors: tuple[ArrayLike, ArrayLike, ArrayLike] = (1.0, 1.0, 1.0)
    """Of grid-cathode, grid-plate and plate-cathode capacitance."""

    @property
    def name(self) -> str:
        """Name for reports."""
        return self.nominal.name

    @property
    def terms(self) -> Terms:
        """What people call it and its electrodes."""
        return terms_of(self.nominal)

    def capacitances(self, point: OperatingPoint) -> tuple[ArrayLike, ArrayLike, ArrayLike]:
        """Return grid-cathode, grid-plate and plate-cathode capacitance (F)."""
        gk, gp, pk = (
            np.asarray(nominal, float) * np.asarray(factor, float)
            for nominal, factor in zip(
                self.nominal.capacitances(point), self.capacitance_factors, strict=True
            )
        )
        return gk, gp, pk

    def noise(self, point: OperatingPoint, temperature_K: float) -> DeviceNoise:
        """Return the device's noise at the drawn operating point."""
        return self.nominal.noise(point, temperature_K)

    def ratings(self, stage: Stage, point: OperatingPoint) -> list[Rating]:
        """Return every published maximum with the drawn stage's value beside it."""
        return self.nominal.ratings(stage, point)


def spread_batch(
    stage: Stage,
    device: Device,
    spreads: Sequence[Spread],
    factors: FloatArray,
    *,
    point: OperatingPoint | None = None,
) -> tuple[Stage, SpreadDevice]:
    """Return the stages and the device with their quantities multiplied.

    The valve: the factor of ``valve_transconductance`` multiplies plate current and
    transconductance at any given voltages; that of ``valve_amplification_factor`` multiplies the
    amplification factor at any given current and leaves the transconductance at that current
    alone. Both are exact for the three-halves law and for Dempwolf and Zölzer's without grid
    current. Where the amplification factor is not the law's parameter itself (Koren, transistors)
    it scales as asked to first order round the nominal operating point. In a stage with a cathode
    resistor both move the operating point, so what is left of them there is less than what was
    put in.

    Parameters
    ----------
    stage :
        Nominal stages, any batch shape.
    device :
        One nominal device; its law must have scalar parameters.
    factors :
        Shape (draws, spreads): what each quantity is multiplied by.
    point :
        The nominal operating points, if they are known already.

    Raises
    ------
    ValueError
        If the law has array parameters, or cannot be varied.
    """
    names = quantities(spreads)
    count = len(factors)
    shape = (*(stage.shape or (1,)), count)
    by_name = {name: np.asarray(factors[:, at], float) for at, name in enumerate(names)}
    drawn = stage.expand()
    changed: dict[str, Any] = {
        name: np.asarray(getattr(drawn, name), float) * factor
        for name, factor in by_name.items()
        if name not in _DEVICE_QUANTITIES
    }
    # One field of the full shape makes the whole batch have it, whatever else spreads.
    changed["supply_V"] = np.broadcast_to(changed.get("supply_V", drawn.supply_V), shape)
    law = device.law
    current = by_name.get("valve_transconductance")
    mu = by_name.get("valve_amplification_factor")
    if current is not None or mu is not None:
        if np.shape(law.plate_current(0.0, 100.0)) != ():
            raise ValueError("device.law: array parameters: a spread starts from one valve")
        if not hasattr(law, "varied"):
            raise ValueError(f"device.law: {type(law).__name__}: has no way to vary the valve")
        varied = cast(_VariedLaw, law)
        ones = np.ones(shape)
        mu_factor: ArrayLike = ones
        if mu is not None:
            point = operating_point(stage, law) if point is None else point
            needed = _step_needed(varied, point)[..., np.newaxis]
            mu_factor = 1 / np.maximum(1 - needed * (1 - 1 / mu), 0.05) * ones
        law = cast(
            ConductionLaw,
            varied.varied(current=ones if current is None else current * ones, mu=mu_factor),
        )
    law = _of_other_parameters(device, law, by_name, np.ones(shape))
    together = by_name.get("valve_capacitance", 1.0)
    gk, gp, pk = (
        np.asarray(by_name.get(name, 1.0) * together)
        for name in ("valve_grid_cathode_F", "valve_grid_plate_F", "valve_plate_cathode_F")
    )
    return replace(drawn, **changed), SpreadDevice(device, law, (gk, gp, pk))


def _of_other_parameters(
    device: Device, law: ConductionLaw, factors: Mapping[str, FloatArray], ones: FloatArray
) -> ConductionLaw:
    """Return the law with the parameters behind a transistor's own quantities multiplied."""
    known = {own.quantity: own.powers for own in getattr(device, "parameter_spread", ())}
    for quantity in TRANSISTOR_QUANTITIES.keys() & factors.keys():
        if quantity not in known:
            raise ValueError(
                f"spread.quantity: {quantity!r}: must be one that the {device.name} publishes, "
                f"{', '.join(known) or 'which is none'}"
            )
        changed: dict[str, Any] = {
            name: np.asarray(getattr(law, name), float) * factors[quantity] ** power * ones
            for name, power in known[quantity].items()
        }
        law = replace(law, **changed)  # type: ignore[type-var]
    return law


def _step_needed(law: _VariedLaw, point: OperatingPoint) -> FloatArray:
    """Return the relative step of a law's mu for one of its true amplification factor.

    At given plate current and voltage, by central differences; shape of the point.
    """
    grid_V, plate_V = point.grid_cathode_V, point.plate_cathode_V
    current, gm, _ = law.linearise(grid_V, plate_V)
    factors = []
    for side in (-1.0, 1.0):
        other = law.varied(mu=1.0 + side * _MU_STEP)
        moved = grid_V
        for _ in range(2):
            # Newton's steps to the grid voltage that restores the current.
            excess, slope, _ = other.linearise(moved, plate_V)
            step = (excess - current) / np.where(slope > 0, slope, np.inf)
            moved = moved - np.clip(step, -1.0, 1.0)
        _, gm, gp = other.linearise(moved, plate_V)
        factors.append(gm / np.where(gp > 0, gp, np.nan))
    with np.errstate(divide="ignore", invalid="ignore"):
        answer = np.log(factors[1] / factors[0]) / (2 * _MU_STEP)
    # Near cut-off the factor hardly follows the parameter; the step is held there.
    return np.asarray(1.0 / np.clip(np.nan_to_num(answer, nan=1.0), 0.5, 2.0))
