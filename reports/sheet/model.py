"""What a sheet is made of: the stage under every set of assumptions, by hand and exactly."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from objectives.arrays import FloatArray
from objectives.assessment import Assessment
from objectives.assumptions import Assumptions
from objectives.circuit.corners import swept_level_dB
from objectives.devices.terms import Terms
from objectives.format import first, listed, part_value, quantity
from objectives.textbook import Assumed, assumed, grid_corner_Hz
from reports.sheet.steps import Step, Worked, conducts, derivation

POINTS: Final = 121
"""Frequencies of a curve."""


@dataclass(frozen=True)
class Switch:
    """One assumption: its fields of :class:`Assumptions`, its name and what it leaves out."""

    key: str
    fields: tuple[str, ...]
    label: str
    """Template for :meth:`~objectives.devices.terms.Terms.write`."""
    leaves_out: Callable[[Assessment], str]


def _source_words(a: Assessment) -> str:
    stage = a.loaded
    cable = first(stage.cable_F)
    return f"{_q(stage.source_ohm, 'ohm')} behind the signal" + (
        f", {_q(stage.cable_F, 'F')} of cable" if cable > 0 else ""
    )


def _leak_words(a: Assessment) -> str:
    return f"{_q(a.loaded.grid_leak_ohm, 'ohm')} from the input to ground"


def _bypass_words(a: Assessment) -> str:
    stage, t = a.loaded, a.device.terms
    bypass = part_value("bypass_F", first(stage.bypass_F))
    words = f"{_q(stage.cathode_total_ohm, 'ohm')} at the {t.cathode}, bypass {bypass}"
    if first(stage.bypass_series_ohm) > 0:
        words += f" behind {_q(stage.bypass_series_ohm, 'ohm')}"
    if first(stage.cathode_unbypassed_ohm) > 0:
        words += f", across all but {_q(stage.cathode_unbypassed_ohm, 'ohm')}"
    return words


def _load_words(a: Assessment) -> str:
    stage = a.loaded
    loads = [
        text
        for text, there in (
            (_q(stage.load_ohm, "ohm"), math.isfinite(first(stage.load_ohm))),
            (_q(stage.load_F, "F"), first(stage.load_F) > 0),
        )
        if there
    ]
    return f"{listed(loads)} after the stage" if loads else "nothing: this stage has none"


def _gain_words(a: Assessment) -> str:
    t, second = a.device.terms, a.textbook.second
    corner = 1.0 / (2 * np.pi * second.plate_s)
    return f"the {t.plate}'s own corner at {_q(corner, 'Hz')}"


def _stray_words(a: Assessment) -> str:
    stage, t = a.loaded, a.device.terms
    pairs = (
        (stage.stray_grid_plate_F, f"{t.grid} to {t.plate}"),
        (stage.stray_grid_cathode_F, f"{t.grid} to {t.cathode}"),
        (stage.stray_grid_ground_F, f"{t.grid} to ground"),
        (stage.stray_plate_ground_F, f"{t.plate} to ground"),
        (stage.stopper_shunt_F, "across the stopper"),
    )
    there = [f"{_q(value, 'F')} {where}" for value, where in pairs if first(value) > 0]
    return ", ".join(there) if there else "nothing: none are stated"


def _q(value: FloatArray, unit: str) -> str:
    return quantity(value, unit, 3)


SWITCHES: Final = (
    Switch("source", ("perfect_source",), "perfect {source}", _source_words),
    Switch("leak", ("no_leak",), "no {leak}", _leak_words),
    Switch("bypass", ("full_bypass",), "full bypass", _bypass_words),
    Switch("next", ("no_next_stage",), "no next stage", _load_words),
    Switch("gain", ("constant_gain",), "constant gain", _gain_words),
    Switch("strays", ("no_strays", "ideal_stopper"), "no strays", _stray_words),
)
"""The assumptions, from the source to the wiring; bit n of a set's number is switch n."""

BASE: Final = 1 << [switch.key for switch in SWITCHES].index("gain")
"""The set that a page shows first: the first estimate, which assumes a constant gain alone."""

ALL: Final = 2 ** len(SWITCHES) - 1


@dataclass(frozen=True)
class Case:
    """The stage under one set of assumptions."""

    steps: Sequence[Step]
    hand_Hz: float
    counted_Hz: float
    """By hand, counted from the level at the reference frequency."""
    network_Hz: float
    """The otherwise exact network with the same assumptions."""
    hand_dB: FloatArray
    network_dB: FloatArray


@dataclass(frozen=True)
class Study:
    """A stage under all sets of assumptions; ``cases[n]`` is the set with the bits of n."""

    whole: Assessment
    exact_Hz: float
    frequency_Hz: FloatArray
    exact_dB: FloatArray
    cases: Sequence[Case]

    @property
    def terms(self) -> Terms:
        """The words of the device."""
        return self.whole.device.terms

    @property
    def reference_Hz(self) -> float:
        """Where the response is counted from."""
        return self.whole.targets.reference_Hz

    def idle(self, switch: int) -> bool:
        """Return whether a switch changes nothing in this stage, whatever the others are."""
        bit = 1 << switch
        pairs = [(case, self.cases[n ^ bit]) for n, case in enumerate(self.cases)]
        return all(
            math.isclose(a.hand_Hz, b.hand_Hz, rel_tol=1e-6)
            and math.isclose(a.network_Hz, b.network_Hz, rel_tol=1e-6)
            for a, b in pairs
        )


def assumptions_of(numbers: FloatArray) -> Assumptions:
    """Return sets of assumptions by their numbers, shape of ``numbers``."""
    return Assumptions(
        **{
            field: (numbers.astype(int) >> bit) & 1
            for bit, switch in enumerate(SWITCHES)
            for field in switch.fields
        }
    )


def worked_under(whole: Assessment, number: int) -> Worked:
    """Return one stage as the hand works it out under one set of assumptions."""
    made = assumed(
        whole.loaded, whole.linear, assumptions_of(np.array([number])), whole.targets.reference_Hz
    )
    return Worked(whole, made.stage, made.hand, constant_gain=bool(number & BASE))


def study(whole: Assessment) -> Study:
    """Work out one stage, a batch of one, under every set of assumptions."""
    reference = whole.targets.reference_Hz
    numbers = np.arange(ALL + 1)
    made = assumed(whole.loaded, whole.linear, assumptions_of(numbers), reference)
    network = grid_corner_Hz(made.stage, made.device, reference)
    exact = first(grid_corner_Hz(whole.loaded.broadcast(), whole.linear.broadcast(), reference))
    frequency = _frequencies(np.array([exact, *network, *made.counted_Hz]), reference)
    swept = np.append(frequency, reference)
    level = swept_level_dB(made.stage, made.device, swept, "grid")
    own = swept_level_dB(whole.loaded.broadcast(), whole.linear.broadcast(), swept, "grid")[0]
    hand = _hand_dB(made, swept)
    conducting = conducts(Worked.of(whole))
    return Study(
        whole,
        exact,
        frequency,
        (own - own[-1])[:-1],
        [
            Case(
                derivation(
                    Worked(whole, made.stage.at(n), made.hand.at(n), bool(n & BASE)),
                    reference,
                    conducting=conducting,
                ),
                float(made.corner_Hz[n]),
                float(made.counted_Hz[n]),
                float(network[n]),
                (hand[n] - hand[n, -1])[:-1],
                (level[n] - level[n, -1])[:-1],
            )
            for n in numbers
        ],
    )


def _hand_dB(made: Assumed, frequency_Hz: FloatArray) -> FloatArray:
    """Return the level at the grid by hand: one RC section, or two time constants."""
    ratio = frequency_Hz / made.hand.corner_Hz[:, np.newaxis]
    section = 1.0 / (1.0 + ratio**2)
    second = made.hand.second.expand().share(frequency_Hz)
    constant = np.arange(len(section)) & BASE > 0
    return 10 * np.log10(np.where(constant[:, np.newaxis], section, second))


def _frequencies(corners_Hz: FloatArray, reference_Hz: float) -> FloatArray:
    """Return frequencies about the corners, and from the reference where it is not far off."""
    finite = corners_Hz[np.isfinite(corners_Hz)]
    corners = finite if finite.size else np.array([1e5])
    low = corners.min() / 6
    if reference_Hz > low / 6:
        low = min(low, 0.8 * reference_Hz)
    return np.geomspace(low, 6 * corners.max(), POINTS)
