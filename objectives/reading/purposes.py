"""What each part of a stage is for: the stage without it, or with the customary value instead."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np

from objectives.assessment import Assessment
from objectives.circuit.stability import WELL_DAMPED
from objectives.elements import ELEMENTS
from objectives.format import first
from objectives.reading.differences import (
    RADIO,
    Aspect,
    Difference,
    as_read,
    changed,
    customary_lead_H,
    differences,
    figures,
)
from objectives.scores.registry import REGISTRY

AUDIO_HZ: Final = (20.0, 20e3)
"""The audio band: common practice, no source."""

_EDGE: Final = 2.0
"""A corner within an octave of the end of the audio band lies at its edge."""

_LARGER: Final = 10.0
"""A coupling capacitor so many times as large takes no part in the audio band's lower end."""

_RADIO_DB: Final = 6.0
_FEEDBACK_DB: Final = 1.0
_LOPSIDED: Final = 2.0
"""From such a ratio of its swings on a stage clips on one side long before the other."""

Kind = Literal["without", "full", "bypassed", "moved", "larger", "perfect"]
"""What is done to a part: left out; a bypass made a short; the section beside a bypass bypassed
too; moved to the other side of the stopper; ten times as large; a source without resistance."""


@dataclass(frozen=True)
class Purpose:
    """What one part does, told by what a change of it does."""

    part: str
    """Field of :class:`~objectives.stage.Stage`; ``source_ohm`` and ``load_ohm`` stand for all of
    the source and of the load."""
    kind: Kind
    value: float
    """Of the part as it is."""
    differences: tuple[Difference, ...]
    """In every score; those of a step and more are :attr:`noticeable`."""

    @property
    def noticeable(self) -> tuple[Difference, ...]:
        """The differences of at least one noticeable step."""
        return tuple(d for d in self.differences if d.noticeable)

    def of(self, score: str) -> Difference:
        """Return the difference in one score; of radio that in the first band."""
        return next(d for d in self.differences if d.aspect.score == score)


@dataclass(frozen=True)
class Corner:
    """A corner frequency, and what makes it."""

    score: str
    value_Hz: float
    place: Literal["inside", "edge", "outside"]
    """Of the audio band; inside by more than an octave it looks deliberate."""
    part: str
    """The part whose change moves it furthest out of the band, one of the stage if by an octave;
    empty where none does."""


@dataclass(frozen=True)
class Guess:
    """What a designer may have wanted: a guess from the facts beside it.

    Attributes
    ----------
    aim : what for
    part : the part that does it; empty where the whole stage does
    value, other : the facts, by aim: a corner (Hz); the most attenuation that the stopper adds (dB)
        and the band in ``band``; least damping without and with it; gain given up (dB); peak output
        to cut-off and to conduction (V)
    """

    aim: Literal[
        "treble_cut", "bass_cut", "wide_band", "radio", "stability", "feedback", "cutoff_first",
        "conduction_first", "centred",
    ]  # fmt: skip
    part: str = ""
    value: float = math.nan
    other: float = math.nan
    band: str = ""


@dataclass(frozen=True)
class Reading:
    """A stage, read."""

    assessment: Assessment
    """The one stage, with the radio bands that it was read by."""
    figures: Mapping[Aspect, float]
    """What it does."""
    lead_H: float
    """Inductance assumed of each lead (common practice); 0 where the stage states its own."""
    corners: tuple[Corner, ...]
    purposes: tuple[Purpose, ...]
    guesses: tuple[Guess, ...]


def read_stage(assessment: Assessment) -> Reading:
    """Read one stage.

    Every part that can be left out, or has a customary value in its place, is changed alone and
    all scores are worked out again, the operating point included. The unbypassed section of a
    cathode resistor is put under the bypass, so that it is shorted for signals and the bias stays.

    Raises
    ------
    ValueError
        If the assessment is not of one stage.
    """
    one = as_read(assessment)
    lead_H = customary_lead_H(one)
    own = figures(one, lead_H)
    purposes = _purposes(one, lead_H)
    corners = tuple(
        _corner(score, first(own[Aspect(score)]), purposes)
        for score in ("input_corner_Hz", "lower_corner_Hz", "upper_corner_Hz")
    )
    return Reading(
        one,
        {aspect: first(value) for aspect, value in own.items()},
        lead_H,
        corners,
        purposes,
        tuple(_guesses(one, corners, purposes)),
    )


def _variants(
    stage: Mapping[str, float], *, follower: bool
) -> Iterator[tuple[str, Kind, dict[str, float]]]:
    """Yield the part, what is done to it, and the fields of the stage that this changes."""

    def fitted(name: str) -> bool:
        return 0 < stage[name] < math.inf

    stopper = fitted("stopper_ohm")
    if stopper:
        yield "stopper_ohm", "without", {"stopper_ohm": 0.0, "stopper_lead_H": 0.0}
    if fitted("grid_leak_ohm"):
        if stopper:
            yield "grid_leak_ohm", "moved", {"leak_at_grid": 1.0 - stage["leak_at_grid"]}
        yield "grid_leak_ohm", "larger", {"grid_leak_ohm": _LARGER * stage["grid_leak_ohm"]}
    if fitted("cathode_resistor_ohm"):
        if stage["bypass_F"] > 0:
            yield "bypass_F", "without", {"bypass_F": 0.0}
            if fitted("bypass_series_ohm"):
                yield "bypass_series_ohm", "without", {"bypass_series_ohm": 0.0}
            if fitted("cathode_unbypassed_ohm"):
                whole = stage["cathode_resistor_ohm"] + stage["cathode_unbypassed_ohm"]
                both = {"cathode_resistor_ohm": whole, "cathode_unbypassed_ohm": 0.0}
                yield "cathode_unbypassed_ohm", "bypassed", both
        if stage["bypass_F"] < math.inf:
            yield "bypass_F", "full", {"bypass_F": math.inf}
    for name in ("plate_capacitor_F", "grid_capacitor_F"):
        if fitted(name):
            yield name, "without", {name: 0.0}
    if fitted("plate_capacitor_F") and fitted("plate_capacitor_series_ohm"):
        yield "plate_capacitor_series_ohm", "without", {"plate_capacitor_series_ohm": 0.0}
    for name in ("input_coupling_F", "output_coupling_F"):
        if fitted(name):
            yield name, "larger", {name: _LARGER * stage[name]}
    if fitted("source_ohm"):
        yield "source_ohm", "perfect", {"source_ohm": 0.0, "cable_F": 0.0}
        if fitted("cable_F"):
            yield "cable_F", "without", {"cable_F": 0.0}
    if not follower and (fitted("load_ohm") or fitted("load_F")):
        yield "load_ohm", "without", {"load_ohm": math.inf, "load_F": 0.0}


def _purposes(one: Assessment, lead_H: float) -> tuple[Purpose, ...]:
    own = figures(one, lead_H)
    stage = {name: first(value) for name, value in one.stage.numeric_fields().items()}
    variants = list(_variants(stage, follower=one.follower is not None))
    others = (
        figures(changed(one, [fields for _, _, fields in variants]), lead_H) if variants else {}
    )
    purposes = [
        Purpose(part, kind, stage[part], differences(own, others, row))
        for row, (part, kind, _) in enumerate(variants)
    ]
    if one.follower is not None:
        alone = figures(replace(one, follower=None), lead_H)
        gone = differences(own, alone, 0)
        purposes.append(Purpose("load_ohm", "without", stage["load_ohm"], gone))
    return tuple(purposes)


def _corner(score: str, value_Hz: float, purposes: Sequence[Purpose]) -> Corner:
    low, high = AUDIO_HZ
    lower = score == "lower_corner_Hz"
    inside_by = value_Hz / low if lower else high / value_Hz
    place: Literal["inside", "edge", "outside"] = "edge"
    if inside_by < 1 or inside_by > high / low:
        place = "outside"
    elif inside_by > _EDGE:
        place = "inside"
    # A lower corner is made by a capacitor and all that it works into; the capacitor is the part.
    made = [p for p in purposes if not lower or ELEMENTS[p.part].kind == "capacitor"]
    outward = {p.part: p.of(score).steps * (-1 if lower else 1) for p in made}
    # What belongs to the stage goes before the surroundings, where it moves the corner an octave.
    octave = abs(float(np.diff(REGISTRY[score].step.count(np.array([1.0, 2.0])))[0]))
    own = {p: steps for p, steps in outward.items() if ELEMENTS[p].part and steps >= octave}
    part = max(own or outward, key=outward.__getitem__, default="")
    return Corner(score, value_Hz, place, part if outward.get(part, 0.0) >= 1 else "")


def _guesses(
    one: Assessment, corners: Sequence[Corner], purposes: Sequence[Purpose]
) -> Iterator[Guess]:
    told: set[str] = set()
    for corner in corners:
        own = bool(corner.part) and ELEMENTS[corner.part].part and corner.part not in told
        if corner.place == "inside" and own:
            told.add(corner.part)
            low = corner.score == "lower_corner_Hz"
            yield Guess("bass_cut" if low else "treble_cut", corner.part, corner.value_Hz)
    if all(corner.place != "inside" for corner in corners):
        yield Guess("wide_band")
    for purpose in purposes:
        if purpose.part == "stopper_ohm" and purpose.part not in told:
            radio = [d for d in purpose.differences if d.aspect.score == RADIO]
            most = max(radio, key=lambda d: d.value - d.changed)
            if most.value - most.changed >= _RADIO_DB:
                yield Guess("radio", purpose.part, most.value - most.changed, band=most.aspect.band)
        if purpose.part == "stopper_ohm":
            damping = purpose.of("least_damping_ratio")
            if damping.changed < WELL_DAMPED <= damping.value:
                yield Guess("stability", purpose.part, damping.changed, damping.value)
        if purpose.kind in ("full", "bypassed"):
            gain = purpose.of("gain_dB")
            if gain.changed - gain.value >= _FEEDBACK_DB:
                yield Guess("feedback", purpose.part, gain.changed - gain.value)
    yield _clipping(one)


def _clipping(one: Assessment) -> Guess:
    """Return which side the stage clips on first."""
    cutoff, conduction = (first(peak) for peak in one.headroom.peaks_V)
    if cutoff * _LOPSIDED < conduction:
        return Guess("cutoff_first", "cathode_resistor_ohm", cutoff, conduction)
    if conduction * _LOPSIDED < cutoff:
        return Guess("conduction_first", "cathode_resistor_ohm", cutoff, conduction)
    return Guess("centred", "cathode_resistor_ohm", cutoff, conduction)
