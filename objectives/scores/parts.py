"""Scores of the parts as one buys and stocks them: how many, how many different, at what price.

They are numbers of the design and not of a built stage: no draw of a tolerance study changes them.
"""

from __future__ import annotations

import numpy as np

from objectives.arrays import BoolArray, FloatArray
from objectives.assessment import Assessment
from objectives.elements import CAPACITORS, ELEMENTS, RESISTORS
from objectives.scores.registry import Step, score
from objectives.stage import Stage

_ONE = Step(1.0, "a part more or less")
_SAME = 0.005
"""Values that differ by less than this fraction are one: they are the same part."""


def fitted_values(stage: Stage, fields: tuple[str, ...]) -> FloatArray:
    """Return the values of the parts that are fitted, nan where none is, shape (..., fields).

    A resistance of 0 or inf and a shunt capacitor of 0 are no part, nor is a coupling capacitor of
    inf (direct). A full bypass (inf) is one, of whatever value is large enough; without a cathode
    resistor there is no bypass, without a bypass none of its resistor in series.
    """
    columns = [np.where(_fitted(stage, name), getattr(stage, name), np.nan) for name in fields]
    return np.stack([np.broadcast_to(column, stage.shape) for column in columns], axis=-1)


def _fitted(stage: Stage, name: str) -> BoolArray:
    value: FloatArray = getattr(stage, name)
    needed = ELEMENTS[name].needs
    there = value > 0 if name == "bypass_F" else (value > 0) & np.isfinite(value)
    return there & _fitted(stage, needed) if needed else there


@score(
    "fitted_parts_count", "", "minimise",
    "resistors and capacitors of the stage itself, without its driver and load",
    of_bought_parts=True,
    step=_ONE,
    superlative="fewest parts",
)  # fmt: skip
def _fitted_parts(a: Assessment) -> FloatArray:
    values = fitted_values(a.stage, (*RESISTORS, *CAPACITORS))
    return np.asarray(np.count_nonzero(~np.isnan(values), axis=-1), float)


@score(
    "distinct_values_count", "", "minimise",
    "different values among the resistors and the capacitors of the stage",
    of_bought_parts=True,
    step=_ONE,
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
    "price of the varied parts in the drawer, in its own currency; undefined where the drawer "
    "has none of that value",
    source="the drawer's price column",
    requires=("prices",),
    of_bought_parts=True,
    step=Step(0.05, "prices move by as much", relative=True),
    superlative="cheapest",
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


def departure_percent(a: Assessment) -> FloatArray:
    """Return 100 |ln(value/nearest preferred value)| per varied part, shape (..., parts)."""
    shape = a.stage.shape
    columns = []
    for part, preferred in a.targets.preferred.items():
        value = np.broadcast_to(np.asarray(getattr(a.stage, part), float), shape)
        usable = np.isfinite(value) & (value > 0)  # none, full and direct are not part values
        logs = np.log(preferred)
        at = np.log(np.where(usable, value, preferred[0]))
        right = np.clip(np.searchsorted(logs, at), 1, len(logs) - 1) if len(logs) > 1 else 0
        near = np.minimum(np.abs(at - logs[right]), np.abs(at - logs[np.maximum(right - 1, 0)]))
        columns.append(np.where(usable, 100 * near, 0.0))
    return np.stack(columns, axis=-1) if columns else np.zeros((*shape, 1))


@score(
    "series_departure_percent", "%", "minimise",
    "largest distance of a varied part from its nearest value in {stock}, |ln ratio|",
    label="departure from {stock}",
    phrase="off {stock} by {value}",
    superlative="commonest values",
    source="IEC 60063 for the preferred values",
    of_bought_parts=True,
)  # fmt: skip
def _departure(a: Assessment) -> FloatArray:
    # A value of the series may differ from it by rounding in its last digit: no departure.
    return np.asarray(np.round(departure_percent(a).max(axis=-1), 9))


@score(
    "series_departure_rms_percent", "%", "minimise",
    "root-mean-square distance of the varied parts from their nearest values in {stock}",
    label="r.m.s. departure from {stock}",
    phrase="off {stock} by {value} r.m.s.",
    source="IEC 60063 for the preferred values",
    of_bought_parts=True,
)  # fmt: skip
def _departure_rms(a: Assessment) -> FloatArray:
    return np.asarray(np.round(np.sqrt(np.mean(departure_percent(a) ** 2, axis=-1)), 9))
