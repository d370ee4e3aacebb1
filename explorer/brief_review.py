"""What a designer would ask about a brief: its working point, and what in it is doubtful.

Everything is judged at the middle of the space, at its corners and at a sample, so that it takes a
moment; the search alone knows the whole space.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from itertools import islice, product
from types import MappingProxyType
from typing import Final, Literal

import numpy as np

from explorer.aims import FreeScore, Window, merged
from explorer.brief.model import Brief
from explorer.brief.parts import highest
from explorer.evaluation import Evaluation
from explorer.formulation import Formulation
from explorer.problem import ALL_FINITE, Problem
from explorer.sweep import middle
from objectives.assessment import Assessment
from objectives.format import first
from objectives.scores.registry import REGISTRY

WORKING_POINT: Final = (
    "plate_current_A", "plate_voltage_V", "grid_cathode_voltage_V", "gain_dB", "input_corner_Hz",
)  # fmt: skip
"""The scores that a working point is shown by."""

SAMPLED: Final = 256
_CORNERS: Final = 256
"""Candidates drawn from the whole space, and the most of its corners, that are looked at."""

DoubtKind = Literal[
    "band beyond the wiring", "band beyond the cable", "band beyond the device",
    "corner near the reference", "corner out of reach",
    "limit out of reach", "rating out of reach",
    "below custom", "above custom", "load below half the plate resistance", "wide range",
    "leak above rating", "supply above rating", "supply below the data", "drawer without range",
    "plate near supply",
    "plate near cathode", "grid conducts", "little current", "current outside the data",
    "voltage outside the data", "rating broken",
]  # fmt: skip

# Common practice, no source: beyond these a stage of a small-signal valve is a slip of the pen more
# often than a design. Field of Stage to least and greatest.
_CUSTOMARY: Final[Mapping[str, tuple[float, float]]] = MappingProxyType(
    {
        "plate_load_ohm": (0.0, 470e3),
        "cathode_resistor_ohm": (47.0, 47e3),
        "stopper_ohm": (0.0, 820e3),
        "grid_leak_ohm": (10e3, math.inf),
        "bypass_F": (10e-9, 4.7e-3),
        "input_coupling_F": (100e-12, 10e-6),
        "output_coupling_F": (100e-12, 47e-6),
        "plate_capacitor_F": (0.0, 47e-9),
        "grid_capacitor_F": (0.0, 22e-9),
    }
)
_WIDEST: Final = 1e3
"""Ratio of from and to beyond which one of them is doubtful (common practice, no source)."""

_APART: Final = 2.0
"""Ratio of a corner to the reference frequency under which the level there is down already.

A single pole is down by 1 dB at half its corner.
"""

_RAIL: Final = 0.1
"""Share of the supply, from either end of it, in which a plate hardly swings (no source)."""

_LITTLE: Final = 0.01
"""Share of the rated current below which a valve is starved (common practice, no source)."""

# Data sheets state the grid voltage at which 0.3 µA of grid current flows, and count a grid as
# conducting from there (Philips, ECC83 data sheet, from memory).
_CONDUCTING_A: Final = 0.3e-6


@dataclass(frozen=True)
class Doubt:
    """One thing in a brief that a designer would ask about.

    Attributes
    ----------
    kind : what is doubtful
    field : where it stands in the brief; empty where it is the working point's
    value : what the brief says, or what comes of it; nan where there is no number
    at_least, at_most : what would not be doubtful
    unit : of these numbers
    name : of the score, the rating, the radio band or the device; the field of Stage of a part
    """

    kind: DoubtKind
    field: str = ""
    value: float = math.nan
    at_least: float = -math.inf
    at_most: float = math.inf
    unit: str = ""
    name: str = ""


@dataclass(frozen=True)
class WorkingPoint:
    """The middle of the space with one device: part values and what they come to."""

    device: str
    parts: Mapping[str, float]
    scores: Mapping[str, float]


@dataclass(frozen=True)
class BriefReview:
    """The working point with each device, and what is doubtful."""

    points: tuple[WorkingPoint, ...]
    doubts: tuple[Doubt, ...]


def review(formulation: Formulation) -> BriefReview:
    """Return the working point of the middle of a brief's space, and what is doubtful in it."""
    problem, brief = formulation.problem, formulation.brief
    points, doubts = [], [*_bands(problem), *_choices(brief, problem), *_samples(brief, problem)]
    values = middle(problem)
    least = {"plate_load_ohm": brief.parts["plate_load"].ends()[0]}
    for number in range(1 + len(problem.others)):
        chosen = values | ({"device": float(number)} if problem.others else {})
        # The second of the batch has the least plate load.
        assessment = problem.assess({n: np.array([v, least.get(n, v)]) for n, v in chosen.items()})
        scores = {name: first(assessment[name]) for name in WORKING_POINT}
        points.append(WorkingPoint(assessment.device.name, chosen, scores))
        doubts += [*_against_device(brief, assessment), *_working_point(assessment)]
    return BriefReview(tuple(points), tuple(dict.fromkeys(doubts)))


def _bands(problem: Problem) -> Iterator[Doubt]:
    """Yield the radio bands that are not scored, or not in full, and what it is that ends them."""
    top, because = problem.targets.carrier.arrival.trust
    kinds: dict[str, DoubtKind] = {
        "wiring": "band beyond the wiring", "cable": "band beyond the cable",
        "device": "band beyond the device",
    }  # fmt: skip
    for number, band in enumerate(problem.targets.radio_bands, start=1):
        if band.high_Hz > top:
            yield Doubt(kinds[because], f"targets.radio_bands[{number}]", band.high_Hz,
                        at_most=top, unit="Hz", name=band.name)  # fmt: skip


def _choices(brief: Brief, problem: Problem) -> Iterator[Doubt]:
    """Yield what is doubtful in the values of each part by themselves."""
    of_valve = problem.device.symbol == "triode"
    for key, choice in brief.parts.items():
        where, name, unit = f"parts.{key}", choice.element.name, choice.element.unit
        if choice.drawer is not None and choice.low is None and choice.high is None:
            yield Doubt("drawer without range", where, float(len(choice.ends())), name=name)
            continue
        if choice.low and choice.high and choice.high / choice.low > _WIDEST:
            yield Doubt("wide range", where, choice.high / choice.low, at_most=_WIDEST, name=name)
        low, high = _CUSTOMARY.get(name, (0.0, math.inf)) if of_valve else (0.0, math.inf)
        stated = [v for v in choice.ends() if v > 0 and math.isfinite(v)]
        if min(stated, default=math.inf) < low:
            yield Doubt("below custom", where, min(stated), at_least=low, unit=unit, name=name)
        if max(stated, default=0.0) > high:
            yield Doubt("above custom", where, max(stated), at_most=high, unit=unit, name=name)


def _samples(brief: Brief, problem: Problem) -> Iterator[Doubt]:
    """Yield what neither the corners of the space nor a sample of it reach."""
    bounds = (*problem.goals, *problem.windows)
    windows = {w.name: w for w in merged(w for w in bounds if not REGISTRY[w.name].slow)}
    found = _evaluated(problem, tuple(windows.values()))
    target, corners = brief.targets.input_corner, found.scores["input_corner_Hz"]
    low, high = float(corners.min()), float(corners.max())
    reference, place = brief.reference.frequency, "targets.input_corner"
    said = {ALL_FINITE}
    if target is not None and target < _APART * reference:
        yield Doubt("corner near the reference", place, target, _APART * reference, unit="Hz")
        said.add("input_corner_error_octaves")
    elif target is not None and not low <= target <= high:
        yield Doubt("corner out of reach", place, target, low, high, "Hz", "input_corner_Hz")
        said.add("input_corner_error_octaves")
    for name, excess in found.excess.items():
        best = int(np.argmin(excess))
        if excess[best] <= 0 or name in said:
            continue
        if name not in windows:
            yield Doubt("rating out of reach", "limits.ratings", 100 * float(excess[best]),
                        at_most=0.0, unit="%", name=name)  # fmt: skip
            continue
        window, value = windows[name], float(found.scores[name][best])
        yield Doubt("limit out of reach", _place(brief, name), value, window.at_least,
                    window.at_most, REGISTRY[name].unit, name)  # fmt: skip


def _place(brief: Brief, name: str) -> str:
    """Return where a brief bounds a score: by a limit, by its use, or by a target."""
    if name in brief.limits.windows:
        return f"limits.{name}"
    if not isinstance(brief.scores.get(name), FreeScore | None):
        return f"scores.{name}"
    targets = {"rf_margin_dB": "radio_bands", "input_corner_error_octaves": "input_corner"}
    return f"targets.{targets[name]}" if name in targets else f"scores.{name}"


def _evaluated(problem: Problem, windows: tuple[Window, ...]) -> Evaluation:
    """Return corners and a sample of the space, with these limits."""
    ends = [
        (c.low, c.high) if c.continuous else tuple({c.values[0], c.values[-1]})
        for c in problem.choices
    ]
    corners = np.array(list(islice(product(*ends), _CORNERS)))
    sample = problem.draw(SAMPLED, np.random.default_rng(0))
    parts = {
        c.part: np.concatenate([corners[:, at], sample[c.part]])
        for at, c in enumerate(problem.choices)
    }
    corner = (FreeScore("input_corner_Hz", "maximise"),)
    return replace(problem, free=corner, windows=windows, goals=()).evaluate(parts)


def _against_device(brief: Brief, assessment: Assessment) -> Iterator[Doubt]:
    """Yield what of supply, load and leak does not go with the device."""
    device, point, stage = assessment.device, assessment.point, assessment.stage
    supply, rated = highest(brief.supply.voltage), device.plate_voltage_max_V
    if rated is not None and supply > rated:
        yield Doubt("supply above rating", "supply.voltage", supply, at_most=rated, unit="V",
                    name=device.name)  # fmt: skip
    lowest = device.trusted.plate_voltage_V[0] if device.trusted is not None else 0.0
    if supply < lowest:
        yield Doubt("supply below the data", "supply.voltage", supply, at_least=lowest, unit="V",
                    name=device.name)  # fmt: skip
    load, half = float(stage.plate_load_ohm[-1]), 0.5 * float(point.plate_resistance_ohm[-1])
    if device.symbol == "triode" and load < half:
        yield Doubt("load below half the plate resistance", "parts.plate_load", load, half,
                    unit="ohm", name=device.name)  # fmt: skip
    leaks = [v for v in brief.parts.leak.ends() if math.isfinite(v)]
    allowed = [first(r.allowed) for r in assessment.ratings if r.name == "grid leak"]
    if leaks and allowed and leaks[-1] > allowed[0]:
        yield Doubt("leak above rating", "parts.grid_leak", leaks[-1], at_most=allowed[0],
                    unit="ohm", name=device.name)  # fmt: skip


def _working_point(assessment: Assessment) -> Iterator[Doubt]:
    """Yield what is doubtful in the working point of the first stage of a batch."""
    device, point, supply = assessment.device, assessment.point, first(assessment.stage.supply_V)
    plate, across, current = map(
        first, (point.plate_V, point.plate_cathode_V, point.plate_current_A)
    )
    if plate > (1 - _RAIL) * supply:
        yield Doubt("plate near supply", value=plate, at_most=(1 - _RAIL) * supply, unit="V",
                    name=device.name)  # fmt: skip
    if across < _RAIL * supply:
        yield Doubt("plate near cathode", value=across, at_least=_RAIL * supply, unit="V",
                    name=device.name)  # fmt: skip
    if device.law.saturation_V is None and first(point.grid_current_A) > _CONDUCTING_A:
        yield Doubt("grid conducts", value=first(point.grid_cathode_V), unit="V",
                    name=device.name)  # fmt: skip
    # A transistor works at a small share of what it stands.
    rated = [first(m.value) for m in device.maxima if m.unit == "A" and device.symbol == "triode"]
    if rated and current < _LITTLE * rated[0]:
        yield Doubt("little current", value=current, at_least=_LITTLE * rated[0], unit="A",
                    name=device.name)  # fmt: skip
    if device.trusted is not None:
        of_current, of_voltage = device.trusted.plate_current_A, device.trusted.plate_voltage_V
        if not of_current[0] <= current <= of_current[1]:
            yield Doubt("current outside the data", value=current, unit="A", name=device.name,
                        at_least=of_current[0], at_most=of_current[1])  # fmt: skip
        if not of_voltage[0] <= across <= of_voltage[1]:
            yield Doubt("voltage outside the data", value=across, unit="V", name=device.name,
                        at_least=of_voltage[0], at_most=of_voltage[1])  # fmt: skip
    for rating in assessment.ratings:
        if rating.name != "grid leak" and first(rating.excess) > 0:  # of the leak see above
            yield Doubt("rating broken", value=first(rating.value), at_most=first(rating.allowed),
                        unit=rating.unit, name=rating.name)  # fmt: skip
