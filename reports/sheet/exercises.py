"""Exercises about one stage: numbers drawn by a seed, answers worked out as the stage itself is."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TypeAlias

import numpy as np
from eseries import E12, find_greater_than, find_less_than, find_nearest
from numpy.typing import ArrayLike

from objectives.assessment import Assessment
from objectives.circuit.three_connections import connection
from objectives.format import first, listed, quantity, signed_percent
from objectives.stage import parallel
from objectives.textbook import percent_off
from reports.sheet.connections import follower_name, follower_step
from reports.sheet.formula import of
from reports.sheet.model import ALL, SWITCHES, study, worked_under
from reports.sheet.steps import (
    ONE,
    TWO_PI,
    Equation,
    Step,
    Worked,
    capacitance_step,
    conducts,
    corner_step,
    gain_step,
    load_step,
    resistance_step,
)

_Rng: TypeAlias = np.random.Generator


@dataclass(frozen=True)
class Exercise:
    """One exercise with its worked solution.

    ``given`` are the numbers drawn, by field of :class:`~objectives.stage.Stage`, to be put in the
    place of the stage's own; ``value`` (SI) is what is asked for.
    """

    key: str
    question: str
    solution: Sequence[Step]
    answer: str
    value: float
    given: Mapping[str, float]


def exercises(whole: Assessment, seed: int) -> list[Exercise]:
    """Return the exercises that this stage allows, with the numbers of a seed."""
    kinds = (_miller, _stopper, _next_value, _blame, _bypass, _capacitor, _follower, _lead)
    made = (
        kind(Worked.of(whole), np.random.default_rng([seed, n])) for n, kind in enumerate(kinds)
    )
    return [exercise for exercise in made if exercise is not None]


def restaged(whole: Assessment, given: Mapping[str, float]) -> Assessment:
    """Return the stage with some of its values replaced, worked out anew."""
    return replace(whole, stage=replace(whole.stage, **given))


def _miller(worked: Worked, rng: _Rng) -> Exercise:
    t, own = worked.terms, first(worked.whole.stage.plate_load_ohm)
    step = find_greater_than if rng.random() < 0.5 else find_less_than
    value = own
    for _ in range(int(rng.integers(1, 4))):
        value = step(E12, value)
    given = {"plate_load_ohm": value}
    new = Worked.of(restaged(worked.whole, given))
    gm, rp = first(new.whole.linear.transconductance_S), first(new.hand.plate_resistance_ohm)
    return Exercise(
        "miller",
        f"The {t.plate} load is {_q(value, 'ohm')} in place of {_q(own, 'ohm')}. At the operating "
        f"point that this makes, transconductance is {_q(gm, 'S')} and {t.plate_resistance} "
        f"{_q(rp, 'ohm')}. How large are gain and input capacitance?",
        [load_step(new), gain_step(new), capacitance_step(new)],
        f"Gain {_q(new.hand.gain_magnitude, 'ratio')}, input capacitance "
        f"{_q(new.hand.input_F, 'F')}; in the stage of this sheet {_q(worked.hand.input_F, 'F')}.",
        first(new.hand.input_F),
        given,
    )


def _stopper(worked: Worked, rng: _Rng) -> Exercise | None:
    """Return the exercise of a stopper for a corner, where one time constant makes the corner."""
    t, e, stage = worked.terms, worked.hand, worked.stage
    if conducts(worked) or first(e.cable_F) > 0 or not math.isfinite(first(e.corner_Hz)):
        return None
    source, leak = first(stage.source_ohm), first(stage.grid_leak_ohm)
    at_grid = first(stage.leak_at_grid) > 0.5
    wanted = _two_figures(first(e.corner_Hz) * rng.choice([0.5, 0.6, 0.7, 0.8, 1.25, 1.4]))
    capacitance = of("C_in", first(e.input_F), "F")
    seen = of("R_th", 1.0 / (2 * math.pi * wanted * capacitance.value), "ohm")
    f, rl = of("f", wanted, "Hz"), of(t.R_leak, leak, "ohm")
    equations = [Equation(seen, ONE / (TWO_PI * f * capacitance))]
    if at_grid and math.isfinite(leak):
        through = seen.value * leak / (leak - seen.value)
        value, ahead = through - source, of("R", through, "ohm")
        equations.append(Equation(ahead, seen * rl / (rl - seen)))
        right = ahead - of(t.R_s, source, "ohm")
    else:
        value = seen.value - first(parallel(source, leak))
        rs = of(t.R_s, source, "ohm")
        right = seen - (rs | rl if math.isfinite(leak) else rs)
    if not value > 0 or not math.isfinite(value):
        return None
    equations.append(Equation(of(t.R_g, value, "ohm"), right))
    nearest = float(find_nearest(E12, value))
    exact = restaged(worked.whole, {"stopper_ohm": nearest}).textbook.exact_corner_Hz
    return Exercise(
        "stopper",
        f"Which {t.grid} stopper puts the input corner at {_q(wanted, 'Hz')}? Which E12 value is "
        "nearest?",
        [Step("turned", "Turn the formula round", f"The {t.grid} is to see R_th.", equations)],
        f"{_q(value, 'ohm')}; the nearest E12 value is {_q(nearest, 'ohm')}, with which the whole "
        f"network has its corner at {_q(exact, 'Hz')}.",
        value,
        {"stopper_ohm": nearest},
    )


def _next_value(worked: Worked, rng: _Rng) -> Exercise | None:
    t, own = worked.terms, first(worked.whole.stage.stopper_ohm)
    if not own > 0:
        return None
    up = bool(rng.random() < 0.5)
    value = float((find_greater_than if up else find_less_than)(E12, own))
    given = {"stopper_ohm": value}
    new = Worked.of(restaged(worked.whole, given))
    moved = percent_off(new.hand.corner_Hz, worked.hand.corner_Hz)
    exact = percent_off(new.whole.textbook.exact_corner_Hz, worked.whole.textbook.exact_corner_Hz)
    return Exercise(
        "next-value",
        f"The {t.grid} stopper is changed from {_q(own, 'ohm')} to the next "
        f"{'higher' if up else 'lower'} E12 value. By how many per cent does the corner move?",
        [resistance_step(new), corner_step(new, new.whole.targets.reference_Hz)],
        f"From {_q(worked.hand.corner_Hz, 'Hz')} to {_q(new.hand.corner_Hz, 'Hz')}: "
        f"{signed_percent(first(moved))} by hand, {signed_percent(first(exact))} in the whole "
        f"network. The stopper itself moves by {signed_percent(100 * (value / own - 1))}; what "
        f"else the {t.grid} sees does not.",
        first(moved),
        given,
    )


def _blame(worked: Worked, rng: _Rng) -> Exercise | None:
    t = worked.terms
    given = {"source_ohm": float(rng.choice([10e3, 15e3, 22e3, 33e3, 47e3, 68e3, 100e3]))}
    whole = restaged(worked.whole, given)
    found = study(whole)
    case, new = found.cases[ALL], worked_under(whole, ALL)
    if not math.isfinite(case.hand_Hz) or not math.isfinite(found.exact_Hz):
        return None
    alone = {
        t.write(switch.label): 100 * (found.cases[1 << n].network_Hz / found.exact_Hz - 1)
        for n, switch in enumerate(SWITCHES)
    }
    worst = max(alone, key=lambda label: abs(alone[label]))
    error = 100 * (case.hand_Hz / found.exact_Hz - 1)
    each = listed([f"{label} {signed_percent(value)}" for label, value in alone.items()])
    return Exercise(
        "blame",
        f"The {t.source} has {_q(given['source_ohm'], 'ohm')}. Somebody in a hurry makes all six "
        "assumptions at once. By how much is the corner wrong, and which assumption is most to "
        "blame?",
        [
            load_step(new),
            gain_step(new),
            capacitance_step(new),
            resistance_step(new),
            corner_step(new, found.reference_Hz),
            Step(
                "alone",
                "Each alone, in the whole network",
                f"The exact corner is {_q(found.exact_Hz, 'Hz')}. Made alone, each moves it so: "
                f"{each}.",
            ),
        ],
        f"{_q(case.hand_Hz, 'Hz')} in place of {_q(found.exact_Hz, 'Hz')}: "
        f"{signed_percent(error)}. Most to blame is “{worst}”, alone "
        f"{signed_percent(alone[worst])}.",
        error,
        given,
    )


def _bypass(worked: Worked, _: _Rng) -> Exercise | None:
    t, stage = worked.terms, worked.whole.stage
    if first(stage.cathode_total_ohm) == 0:
        return None
    fitted = first(stage.bypass_F) > 0
    given = {"bypass_F": 0.0 if fitted else math.inf}
    new = Worked.of(restaged(worked.whole, given))
    what = "The bypass comes loose." if fitted else f"A large bypass is put across {t.R_k}."
    return Exercise(
        "bypass",
        f"{what} What becomes of gain and input corner?",
        [gain_step(new), capacitance_step(new), corner_step(new, new.whole.targets.reference_Hz)],
        f"The gain goes from {_q(worked.hand.gain_magnitude, 'ratio')} to "
        f"{_q(new.hand.gain_magnitude, 'ratio')}, the corner from "
        f"{_q(worked.hand.corner_Hz, 'Hz')} to {_q(new.hand.corner_Hz, 'Hz')} (in the whole "
        f"network {_q(new.whole.textbook.exact_corner_Hz, 'Hz')}).",
        first(new.hand.corner_Hz),
        given,
    )


def _capacitor(worked: Worked, rng: _Rng) -> Exercise | None:
    """Return the exercise of a capacitor in the place of resistance."""
    t, e, stage = worked.terms, worked.hand, worked.whole.stage
    if conducts(worked) or first(e.cable_F) > 0 or not first(stage.stopper_ohm) > 0:
        return None
    share = float(rng.choice([0.33, 0.5, 0.68]))
    stopper = float(find_nearest(E12, share * first(stage.stopper_ohm)))
    less = Worked.of(restaged(worked.whole, {"stopper_ohm": stopper}))
    now, then = (
        of("R_th", first(e.thevenin_ohm), "ohm"),
        of("R_th′", first(less.hand.thevenin_ohm), "ohm"),
    )
    c_in = of("C_in", first(e.input_F), "F")
    value = c_in.value * (now.value / then.value - 1.0)
    given = {"stopper_ohm": stopper, "grid_capacitor_F": first(stage.grid_capacitor_F) + value}
    exact = restaged(worked.whole, given).textbook.exact_corner_Hz
    return Exercise(
        "capacitor",
        f"To make less noise the {t.grid} stopper is to be {_q(stopper, 'ohm')}. Which capacitor "
        f"from {t.grid} to ground keeps the corner where it is by hand?",
        [
            resistance_step(less),
            Step(
                "same",
                "Keep the time constant",
                "Resistance times capacitance stays the same; the input has C_in already.",
                [Equation(of("C", value, "F"), c_in * now / then - c_in)],
            ),
        ],
        f"{_q(value, 'F')}. With it the whole network has its corner at {_q(exact, 'Hz')}; it was "
        f"{_q(worked.whole.textbook.exact_corner_Hz, 'Hz')}.",
        value,
        given,
    )


def _follower(worked: Worked, rng: _Rng) -> Exercise:
    t = worked.terms
    load = float(rng.choice([0.22, 0.33, 0.47, 0.68, 1.5])) * first(worked.hand.load_line_ohm)
    load = float(find_nearest(E12, load))
    moved = replace(worked, hand=replace(worked.hand, load_line_ohm=np.array([load])))
    it = connection("plate", worked.whole.linear, np.array([load]), worked.hand.thevenin_ohm)
    return Exercise(
        "follower",
        f"The {t.kind} works as {follower_name(worked)} into {_q(load, 'ohm')}, at the same "
        "operating point. How large is its input capacitance, and where is the input corner if "
        f"the {t.grid} sees what it sees in the stage of this sheet?",
        [follower_step(moved, it)],
        f"{_q(it.input_F, 'F')}; by hand the corner is at {_q(it.corner_Hz, 'Hz')}, exactly at "
        f"{_q(it.exact_corner_Hz, 'Hz')}, with the {t.cathode} grounded at "
        f"{_q(worked.hand.corner_Hz, 'Hz')}.",
        first(it.input_F),
        {"cathode_resistor_ohm": load},
    )


def _lead(worked: Worked, rng: _Rng) -> Exercise:
    t, stage = worked.terms, worked.whole.stage
    more = float(rng.choice([0.3, 0.5, 0.8, 1.0, 1.5])) * 1e-12
    given = {"stray_grid_plate_F": first(stage.stray_grid_plate_F) + more}
    new = Worked.of(restaged(worked.whole, given))
    return Exercise(
        "lead",
        f"The {t.grid}'s wire is laid beside the {t.plate}'s, which adds {_q(more, 'F')} between "
        "them. Where does the input corner go?",
        [capacitance_step(new), corner_step(new, new.whole.targets.reference_Hz)],
        f"From {_q(worked.hand.corner_Hz, 'Hz')} to {_q(new.hand.corner_Hz, 'Hz')} (in the whole "
        f"network {_q(new.whole.textbook.exact_corner_Hz, 'Hz')}): {_q(more, 'F')} of wire weigh "
        f"{_q(new.hand.input_F - worked.hand.input_F, 'F')}.",
        first(new.hand.corner_Hz),
        given,
    )


def _two_figures(value: float) -> float:
    return float(f"{value:.2g}")


def _q(value: ArrayLike, unit: str) -> str:
    return quantity(value, unit, 3)
