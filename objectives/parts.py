"""Scores of the parts as one buys and stocks them: how many, how many different, at what price.

They are numbers of the design and not of a built stage: no draw of a tolerance study changes them.
"""

from __future__ import annotations

import numpy as np

from objectives.batch import BoolArray, FloatArray
from objectives.scores import Assessment, score
from objectives.stage import CAPACITORS, RESISTORS, Stage

__all__ = ["fitted_values"]

_SAME = 0.005
"""Values that differ by less than this fraction are one: they are the same part."""


def fitted_values(stage: Stage, fields: tuple[str, ...]) -> FloatArray:
    """Return the values of the parts that are fitted, nan where none is, shape (..., fields).

    A resistance of 0 or inf and a shunt capacitor of 0 are no part, nor is a coupling capacitor of
    inf (direct). A full bypass (inf) is one, of whatever value is large enough; without a cathode
    resistor there is no bypass, without a bypass none of its resistor in series.
    """
    shape = stage.shape
    resistor = np.broadcast_to(np.asarray(stage.cathode_resistor_ohm, float) > 0, shape)
    bypassed = resistor & np.broadcast_to(np.asarray(stage.bypass_F, float) > 0, shape)
    columns = []
    for field in fields:
        value = np.broadcast_to(np.asarray(getattr(stage, field), float), shape)
        fitted: BoolArray = np.asarray((value > 0) & np.isfinite(value))
        if field == "bypass_F":
            fitted = bypassed
        elif field == "bypass_series_ohm":
            fitted = fitted & bypassed
        columns.append(np.where(fitted, value, np.nan))
    return np.stack(columns, axis=-1)


@score(
    "fitted_parts_count", "", "minimise",
    "resistors and capacitors of the stage itself, what is before and behind it left out",
    of_stock=True,
)  # fmt: skip
def _fitted_parts(a: Assessment) -> FloatArray:
    values = fitted_values(a.stage, (*RESISTORS, *CAPACITORS))
    return np.asarray(np.count_nonzero(~np.isnan(values), axis=-1), float)


@score(
    "distinct_values_count", "", "minimise",
    "different values among the resistors and the capacitors of the stage",
    of_stock=True,
)  # fmt: skip
def _distinct_values(a: Assessment) -> FloatArray:
    return _distinct(fitted_values(a.stage, RESISTORS)) + _distinct(
        fitted_values(a.stage, CAPACITORS)
    )


def _distinct(values: FloatArray) -> FloatArray:
    # Parts that are not there sort to the end, and a step to them is no step.
    ordered = np.sort(values, axis=-1)
    steps = ordered[..., 1:] > ordered[..., :-1] * (1 + _SAME)
    return np.asarray(np.count_nonzero(steps, axis=-1) + ~np.isnan(ordered[..., 0]), float)


@score(
    "parts_price_sum", "", "minimise",
    "price of the varied parts out of the drawer, in its own currency; no number where the drawer "
    "has none of that value",
    source="the drawer's price column",
    requires=("prices",),
    of_stock=True,
)  # fmt: skip
def _price(a: Assessment) -> FloatArray:
    prices = a.targets.prices
    if not prices:
        raise ValueError("targets.prices: not given: parts_price_sum needs a drawer with prices")
    fields = tuple(prices)
    values = fitted_values(a.stage, fields)
    total = np.zeros(values.shape[:-1])
    for at, field in enumerate(fields):
        total = total + np.where(
            np.isnan(values[..., at]), 0.0, _price_of(values[..., at], *prices[field])
        )
    return total


def _price_of(value: FloatArray, known: FloatArray, price: FloatArray) -> FloatArray:
    """Return the least price among the drawer's parts of each value, nan where it has none."""
    with np.errstate(invalid="ignore"):
        same = np.abs(value[..., np.newaxis] / known - 1) < _SAME
    least = np.min(np.where(same & ~np.isnan(price), price, np.inf), axis=-1, initial=np.inf)
    return np.where(np.isfinite(least), least, np.nan)
