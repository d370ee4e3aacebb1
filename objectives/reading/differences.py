"""What is told of a stage that is read, and the difference that a change in it makes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final, NamedTuple

import numpy as np

from objectives.arrays import FloatArray
from objectives.assessment import Assessment
from objectives.circuit.poles import LOWEST_HZ
from objectives.format import first
from objectives.radio.tables import radio_bands, wire_inductance_H
from objectives.scores.registry import REGISTRY

SCORES: Final = (
    "plate_current_A",
    "plate_cathode_voltage_V",
    "grid_cathode_voltage_V",
    "gain_dB",
    "plate_gain_dB",
    "input_corner_Hz",
    "lower_corner_Hz",
    "upper_corner_Hz",
    "input_capacitance_F",
    "output_resistance_ohm",
    "noise_dBu",
    "headroom_V",
)
"""The scores that a stage is read by, beside radio and stability."""

OF_LEADS: Final = ("least_damping_ratio", "stability_margin_dB")
"""Scores that mean nothing without the inductance of the leads."""

RADIO: Final = "rf_margin_dB"
"""With nothing required of a band its margin is the attenuation at the grid."""

LEAD_MM: Final = 30.0
"""Length of a lead to a socket (common practice, no source)."""

_WIRE_MM: Final = 0.6
_LEADS: Final = ("grid_lead_H", "plate_lead_H", "cathode_lead_H")


class Aspect(NamedTuple):
    """A score; of the attenuation of radio that in one band."""

    score: str
    band: str = ""


Figures = Mapping[Aspect, FloatArray]


@dataclass(frozen=True)
class Difference:
    """What a change of the stage makes of one score."""

    aspect: Aspect
    value: float
    """Of the stage as it is."""
    changed: float
    steps: float
    """Noticeable steps from ``value`` to ``changed``, positive where it rises."""

    @property
    def noticeable(self) -> bool:
        """Whether it is at least one noticeable step."""
        return abs(self.steps) >= 1.0


def as_read(a: Assessment) -> Assessment:
    """Return one stage as it is read: nothing required of radio, the usual bands if none is given.

    Raises
    ------
    ValueError
        If the assessment is not of one stage.
    """
    given = a.targets.radio_bands
    bands = tuple(replace(band, attenuation_dB=0.0) for band in given)
    usual = tuple(band.required(0.0) for band in radio_bands())
    return replace(a.single(), targets=replace(a.targets, radio_bands=bands or usual))


def customary_lead_H(a: Assessment) -> float:
    """Return the inductance (H) to assume of each lead: 0 where the stage states any itself."""
    if any(first(getattr(a.stage, name)) > 0 for name in _LEADS):
        return 0.0
    return first(wire_inductance_H(LEAD_MM * 1e-3, _WIRE_MM * 1e-3))


def figures(a: Assessment, lead_H: float) -> Figures:
    """Return every number that the stages of a batch are read by, each of the batch's shape.

    Parameters
    ----------
    a :
        The batch, its targets as :func:`as_read` makes them.
    lead_H :
        Inductance (H) of each lead for the scores of stability; 0 where the stage states its own.
    """
    wired = a
    if lead_H > 0:
        wired = replace(a, stage=replace(a.stage, **dict.fromkeys(_LEADS, lead_H)))
    shape = a.point.plate_current_A.shape
    radio = {
        Aspect(RADIO, band): np.broadcast_to(margin, shape)
        for band, margin in a.radio_margins_dB.items()
    }
    scores = {Aspect(name): a[name] for name in SCORES}
    return scores | radio | {Aspect(name): wired[name] for name in OF_LEADS}


def changed(a: Assessment, changes: Sequence[Mapping[str, float]]) -> Assessment:
    """Return one stage as a batch: for each change the stage with those fields changed."""
    own = {name: first(value) for name, value in a.stage.numeric_fields().items()}
    touched = dict.fromkeys(name for change in changes for name in change)
    columns = {n: np.array([change.get(n, own[n]) for change in changes]) for n in touched}
    return replace(a, stage=replace(a.stage.broadcast(), **columns))


def differences(as_it_is: Figures, other: Figures, row: int) -> tuple[Difference, ...]:
    """Return what a stage of a batch differs in from one stage as it is."""
    return tuple(
        _difference(aspect, first(value), float(np.ravel(other[aspect])[row]))
        for aspect, value in as_it_is.items()
    )


def _difference(aspect: Aspect, before: float, after: float) -> Difference:
    entry = REGISTRY[aspect.score]
    counted = np.array([before, after])
    if entry.unit == "Hz":  # a corner of 0 is one that was not found above the lowest frequency
        counted = np.maximum(counted, LOWEST_HZ)
    low, high = entry.step.count(counted)
    steps = 0.0 if before == after else float(np.nan_to_num(high - low, nan=np.inf))
    return Difference(aspect, before, after, steps)
