"""What a part must bear, and what to order for it: the next standard power and voltage above that.

Capacitors are rated in R5 numbers (IEC 60384-1, from memory) and, electrolytic ones, in the
voltages that makers keep (common practice, no source). Resistors: common practice, no source, on
the cautious side of film resistors on sale.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np

from objectives.arrays import FloatArray
from objectives.assessment import Assessment
from objectives.circuit.corners import level_dB
from objectives.circuit.network import Network
from objectives.elements import BIAS_LOWER, BIAS_UPPER, ELEMENTS
from objectives.targets import PartRating
from objectives.tolerance.bought import ELECTROLYTIC_FROM_F

RESISTOR_SIZES: Final = (
    (0.125, 150.0), (0.25, 250.0), (0.5, 350.0), (1.0, 500.0), (2.0, 500.0), (3.0, 500.0),
    (5.0, 500.0), (10.0, 500.0),
)  # fmt: skip
"""Rated power (W) and working voltage (V) of each size."""


FILM_V: Final = (63.0, 100.0, 160.0, 250.0, 400.0, 630.0, 1000.0)
"""Rated voltages of film capacitors."""


LARGE_V: Final = (
    6.3, 10.0, 16.0, 25.0, 35.0, 50.0, 63.0, 100.0, 160.0, 200.0, 250.0, 400.0, 450.0, 630.0,
    1000.0,
)  # fmt: skip
"""Rated voltages of capacitors of 1 µF and more: electrolytic, and above 450 V film."""


POWER_SHARE: Final = 0.5
"""A resistor is chosen for half its rated power at most, to stay cool (common practice, no
source)."""


WITHIN_DB: Final = 0.5
"""A capacitor that takes the place of an ideal one may change the level by this much, which is the
least that matters of a gain."""

When = Literal["", "at rest", "at switch-on", "with the largest signal"]


@dataclass(frozen=True)
class Stress:
    """What a part must bear, with the supply at its highest; nan where signals alone reach it."""

    power_W: float = math.nan
    voltage_V: float = math.nan
    when: When = ""
    at_most_V: float = math.nan
    """Of a bypass: with the device fully conducting."""

    @property
    def worst_V(self) -> float:
        """The voltage to order for; 0 where signals alone reach the part."""
        return float(np.nanmax([0.0, self.voltage_V, self.at_most_V]))


SIGNALS_ONLY: Final = Stress()
"""No direct voltage, and next to no power."""


@dataclass(frozen=True)
class Order:
    """What to ask a shop for; a rating is inf where no standard part will do."""

    tolerance: tuple[float, float]
    """Least and greatest deviation from the value: (-0.05, 0.05)."""
    power_W: float
    """nan for a capacitor."""
    voltage_V: float


def supply_rise(a: Assessment) -> float:
    """Return how far the supply may rise, a fraction: by its limit or its spread, the larger."""
    spreads = () if a.targets.tolerance is None else a.targets.tolerance.spreads
    return max([a.targets.supply_rise, *(s.high for s in spreads if s.quantity == "supply_V")])


def stresses(a: Assessment, source_V: float = math.nan) -> dict[str, Stress]:
    """Return what each part of one stage must bear, by element, with the supply at its highest.

    Parameters
    ----------
    a :
        One stage.
    source_V :
        Supply of the stage that drives it (V); nan where a plain source does, whose direct voltage
        nobody states: the stage's own supply stands for it, the cautious choice.

    Notes
    -----
    At rest for resistors and the bypass; at switch-on, before the valve is warm, coupling and
    decoupling capacitors have the full supply across them, as it is ahead of the decoupling, that
    from a driving stage the driver's.
    """
    rise = supply_rise(a)
    raised = a.single().with_supply_raised(rise)
    point, stage = raised.point, raised.stage
    bypassed, decoupling = stage.cathode_resistor_ohm, float(stage.decoupling_ohm)
    drawn = float(point.supply_current_A) + float(stage.supply_V / sum(stage.bias_divider_ohm))
    # What is ahead of the decoupling stands behind it as long as nothing draws current.
    supply = float(stage.supply_V) + drawn * decoupling
    before = supply if math.isnan(source_V) else source_V * (1 + rise)
    currents = {"supply": point.supply_current_A, "cathode": point.cathode_current_A}
    at_rest = float(point.cathode_current_A * bypassed)
    # The end of the load line; a grid current aside, a cathode can rise no further.
    at_most = float(supply * bypassed / (stage.cathode_total_ohm + stage.plate_load_ohm))
    at_capacitor = {
        "supply_V": Stress(voltage_V=supply, when="at switch-on"),
        "cathode_V": Stress(voltage_V=at_rest, when="at rest", at_most_V=at_most),
        "source_V": Stress(voltage_V=before, when="at switch-on"),
    }
    borne = {"decoupling_ohm": Stress(drawn**2 * decoupling, drawn * decoupling, "at rest")}
    if stage.decoupling_F > 0:  # which is empty at first
        borne["decoupling_ohm"] = Stress(drawn**2 * decoupling, supply, "at switch-on")
    for name, element in ELEMENTS.items():
        if element.direct_current:
            amperes, ohms = float(currents[element.direct_current]), float(getattr(stage, name))
            borne[name] = Stress(amperes**2 * ohms, amperes * ohms, "at rest")
        elif element.voltage in at_capacitor:
            borne[name] = at_capacitor[element.voltage]
    for name, ohm, across in zip(
        (BIAS_UPPER, BIAS_LOWER),
        stage.bias_divider_ohm,
        (float(stage.supply_V - stage.bias_V), float(stage.bias_V)),
        strict=True,
    ):
        borne[name] = Stress(across**2 / float(ohm), across, "at rest")
    return borne


def signal_stresses(ohms: Sequence[float], supply_V: float) -> tuple[Stress, ...]:
    """Return what resistors in series must bear of a driving stage behind its coupling capacitor.

    Its largest sine swings from ground to its supply (V), half of that each way.
    """
    volts = supply_V / (2 * math.sqrt(2))
    return tuple(
        Stress((volts / sum(ohms)) ** 2 * ohm, volts * ohm / sum(ohms), "with the largest signal")
        for ohm in ohms
    )


def resistor_rating(least_W: float, least_V: float) -> tuple[float, float]:
    """Return rated power (W) and working voltage (V) of the smallest size with at least these.

    Examples
    --------
    A plate load of 100 kΩ that carries 1.2 mA, 0.14 W and 120 V, used to half its power:

    >>> from objectives.ordering import resistor_rating
    >>> resistor_rating(0.144 / 0.5, 120.0)
    (0.5, 350.0)
    """
    enough = ((p, v) for p, v in RESISTOR_SIZES if p >= least_W and v >= least_V)
    return next(enough, (math.inf, math.inf))


def capacitor_voltage(capacitance_F: float, least_V: float) -> float:
    """Return the lowest standard rated voltage (V) of at least this; inf where there is none."""
    rated = LARGE_V if capacitance_F >= ELECTROLYTIC_FROM_F else FILM_V
    return next((v for v in rated if v >= least_V), math.inf)


def order(
    capacitance_F: float | None,
    stress: Stress,
    tolerance: tuple[float, float],
    derating: float = 1.0,
    rating: PartRating | None = None,
) -> Order:
    """Return what to order for a part.

    Parameters
    ----------
    capacitance_F :
        Of a capacitor; None for a resistor.
    stress, tolerance :
        What it must bear, and how far it may lie from its value.
    derating :
        Share of a rating that may be used; of a resistor's power never more than
        :data:`POWER_SHARE`, unless its rating is stated.
    rating :
        Of a resistor, where it is stated.
    """
    least_V = stress.worst_V / derating
    if capacitance_F is not None:
        return Order(tolerance, math.nan, capacitor_voltage(capacitance_F, least_V))
    stated = rating or PartRating()
    least_W = float(np.nan_to_num(stress.power_W)) / min(derating, POWER_SHARE)
    if math.isfinite(stated.power_W):
        least_W = stated.power_W
    if math.isfinite(stated.voltage_V):
        least_V = stated.voltage_V
    return Order(tolerance, *resistor_rating(least_W, least_V))


def sufficient_capacitor_F(
    a: Assessment, part: str, values_F: FloatArray, lowest_Hz: float
) -> FloatArray:
    """Return the smallest capacitor that does what an ideal one would, down to a frequency.

    Parameters
    ----------
    a :
        A batch of stages.
    part :
        ``bypass_F`` or ``output_coupling_F``.
    values_F :
        Values to choose from (F), shape (n,), ascending.
    lowest_Hz :
        The output level here may differ by :data:`WITHIN_DB` from that with an infinite capacitor.

    Returns
    -------
    Capacitances (F), shape of the batch; nan where none is large enough.
    """
    ideal = replace(a.loaded, **{part: np.inf})
    real = replace(a.loaded.expand(), **{part: values_F})
    wanted = level_dB(Network(ideal, a.linear, lowest_Hz), "output")
    levels = level_dB(Network(real, a.linear.expand(), lowest_Hz), "output")
    near = np.abs(levels - wanted[..., np.newaxis]) <= WITHIN_DB
    # From here up all do: a resonance could bring a smaller one near by chance.
    near = np.logical_and.accumulate(near[..., ::-1], axis=-1)[..., ::-1]
    return np.where(near.any(axis=-1), values_F[near.argmax(axis=-1)], np.nan)
