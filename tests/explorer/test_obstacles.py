"""When nothing fits: the least relaxation by brute force, and briefs changed as they are told."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace
from functools import reduce

import numpy as np
import pytest

from explorer.evaluation import Evaluation
from explorer.exploration import Exploration, explore
from explorer.formulation import Formulation
from explorer.nearest import may_be_nearest
from explorer.obstacles import more_choice, obstacles
from explorer.search import enumerate_front
from explorer.settings import Settings
from fixture_types import MakeFormulation
from objectives.format import part_value
from reports.obstacles import Obstacles

# A corner above 35 kHz needs a small stopper, 3 dB of radio margin a large one.
OPPOSED = ("[limits]", '[limits]\ninput_corner_Hz = { at_least = "35 kHz" }\n'
           'rf_margin_dB = { at_least = "3 dB" }')  # fmt: skip
# A loud stage wants a large plate load and a full bypass, which the current and the noise forbid.
CURRENT = 'plate_current_A = { at_least = "0.6 mA", at_most = "0.9 mA" }'
STARVED = (CURRENT, 'gain_dB = { at_least = "35 dB" }\n'
           'plate_current_A = { at_least = "1.1 mA", at_most = "2 mA" }\n'
           'rf_margin_dB = { at_least = "5 dB" }')  # fmt: skip


def exact(formulation: Formulation) -> Exploration:
    return explore(formulation, Settings(), method="exact")


def blocked(ex: Exploration) -> Obstacles:
    what = obstacles(ex)
    assert what is not None
    return what


def everything(ex: Exploration) -> tuple[list[str], np.ndarray]:
    """Return the names of the windows and the steps by which each candidate misses each."""
    problem = ex.problem
    rows = np.array(list(itertools.product(*(c.values for c in problem.choices))))
    scored = problem.evaluate({c.part: rows[:, at] for at, c in enumerate(problem.choices)})
    ratings = [e for name, e in scored.excess.items() if name.endswith(" rating")]
    assert np.max(ratings) <= 0  # or they would have to be counted as well
    missed = []
    for window in problem.windows:
        steps = []
        for value in scored.scores[window.name]:
            low, high = window.at_least, window.at_most
            short = low / value if value < low else value / high if value > high else 1.0
            away = low - value if value < low else max(value - high, 0.0)
            # The noticeable steps of DESIGN: half a decibel of gain, a decibel of radio margin,
            # a twentieth of an octave of a corner, 5 % of a current.
            steps.append(
                {
                    "gain_dB": away / 0.5,
                    "rf_margin_dB": away / 1.0,
                    "input_corner_Hz": math.log2(short) / 0.05 if short > 1 else 0.0,
                    "plate_current_A": math.log(short) / math.log(1.05) if short > 1 else 0.0,
                }[window.name]
            )
        missed.append(steps)
    return [window.name for window in problem.windows], np.array(missed).T


@pytest.mark.parametrize("change", [OPPOSED, STARVED])
def test_the_least_relaxation_is_that_of_brute_force(
    formulated: MakeFormulation, change: tuple[str, str]
) -> None:
    ex = exact(formulated(change))
    what = blocked(ex)
    names, missed = everything(ex)
    assert (missed.sum(axis=1) > 0).all()
    alone = {}
    for at, name in enumerate(names):
        others = np.delete(missed, at, axis=1).sum(axis=1)
        if (others == 0).any():
            alone[name] = missed[others == 0, at].min()
    told = {one.moved[0].name: one.steps for one in what.alone}
    assert told == pytest.approx(alone, rel=1e-5)
    assert list(told.values()) == sorted(told.values())
    assert {one.name for one in what.not_alone} <= set(names) - set(alone)
    assert what.together is not None
    assert what.together.steps == pytest.approx(missed.sum(axis=1).min(), rel=1e-5)
    least = set(np.array(names)[missed[missed.sum(axis=1).argmin()] > 0])
    assert {one.name for one in what.together.moved} == least


@pytest.mark.slow
@pytest.mark.parametrize("change", [OPPOSED, STARVED])
def test_a_brief_relaxed_as_told_is_feasible_and_no_less_will_do(
    formulated: MakeFormulation, change: tuple[str, str]
) -> None:
    base = formulated(change)
    what = blocked(exact(base))
    relaxations = [*what.alone, *([what.together] if what.together else [])]
    assert relaxations
    for relaxation in relaxations:
        for share, feasible in ((1.0, True), (0.97, False)):
            windows = {window.name: window for window in base.problem.windows}
            for missed in relaxation.moved:
                low = missed.value < missed.at_least
                end = missed.at_least if low else missed.at_most
                # What is told is rounded to the safe side; what the candidate has is not.
                moved = missed.enough if feasible else end + share * (missed.value - end)
                window = windows[missed.name]
                windows[missed.name] = (
                    replace(window, at_least=moved) if low else replace(window, at_most=moved)
                )
            relaxed = replace(base.problem, windows=tuple(windows.values()))
            assert (enumerate_front(relaxed).harvest.feasible > 0) == feasible


def test_a_radio_margin_is_told_as_attenuation_of_the_bands_that_lack_it(
    formulated: MakeFormulation,
) -> None:
    ex = exact(formulated(("[limits]", '[limits]\nrf_margin_dB = { at_least = "14 dB" }')))
    (missed,) = blocked(ex).nearest
    margin = ex.problem.assess({n: a[:1] for n, a in ex.front.parts.items()}).radio_margins_dB
    (band,) = missed.bands
    # The brief asks 12 dB of attenuation and a margin of 14 dB to it.
    assert (band.band, band.asked_dB) == ("medium wave", 26.0)
    assert band.attenuation_dB == pytest.approx(12 + float(margin["medium wave"][0]))
    assert missed.enough <= missed.value < missed.enough + 0.1


def test_a_rating_is_told_with_the_part_that_has_to_bear_it(formulated: MakeFormulation) -> None:
    ex = exact(formulated(("[limits]", '[limits]\nresistor_power.plate_load = "0.03 W"')))
    what = blocked(ex)
    (least,) = what.alone
    (missed,) = least.moved
    parts = {name: values[least.candidate - 1] for name, values in ex.front.parts.items()}
    one = ex.problem.assess({name: np.array([value]) for name, value in parts.items()})
    bears = float(one.point.supply_current_A[0]) ** 2 * parts["plate_load_ohm"]
    assert (missed.part, missed.part_value) == ("plate_load_ohm", parts["plate_load_ohm"])
    assert (missed.value, missed.at_most) == pytest.approx((bears, 0.03))
    assert bears <= missed.enough < 1.01 * bears


@pytest.mark.slow
def test_the_nearest_differ_in_every_part_and_hold_the_least(
    formulated: MakeFormulation, impossible: tuple[str, str]
) -> None:
    for change in (OPPOSED, STARVED, impossible):
        ex = exact(formulated(change))
        total = ex.problem.missed_limits(ex.front).sum(axis=1)
        assert len(total) == 12
        assert (np.diff(total) >= 0).all()
        assert total[0] == pytest.approx(everything(ex)[1].sum(axis=1).min(), rel=1e-5)
        for choice in ex.problem.choices:
            assert np.unique(ex.front.parts[choice.part]).size >= 2


def test_what_is_kept_does_not_grow_with_the_space(
    formulated: MakeFormulation, continuous: tuple[str, str]
) -> None:
    problem = formulated(STARVED, continuous).problem
    pool = problem.evaluate(problem.draw(3000, np.random.default_rng(1)))
    assert not pool.feasible.any()
    whole = may_be_nearest(problem, pool, pool.losses)
    assert len(whole) < 600
    # Streamed past in any pieces the same candidates stay, but for the better of equals.
    pieces = np.array_split(np.arange(len(pool)), 7)
    streamed = reduce(
        lambda kept, rows: may_be_nearest(
            problem, both := Evaluation.join([kept, pool.take(rows)]), both.losses
        ),
        pieces[1:],
        pool.take(pieces[0]),
    )
    assert problem.missed_limits(streamed) == pytest.approx(problem.missed_limits(whole))


@pytest.mark.slow
def test_a_part_at_its_end_helps_as_a_brief_with_more_choice_shows(
    formulated: MakeFormulation,
) -> None:
    # 11.5 dB at most of radio margin with stoppers up to 220 kΩ.
    asked = ("[limits]", '[limits]\nrf_margin_dB = { at_least = "14 dB" }')
    ex = exact(formulated(asked))
    more = more_choice(ex)
    assert more
    stopper = next(one for one in more if one.part == "stopper_ohm")
    assert (stopper.largest, stopper.end) == (True, 220e3)
    assert stopper.beyond in (330e3, 470e3)
    assert stopper.missed == []
    wider = ('to = "220k"', f'to = "{stopper.beyond / 1e3:g}k"')
    assert exact(formulated(asked, wider)).feasible


def test_a_capacitor_at_its_end_is_named_with_the_value_that_does_it(
    formulated: MakeFormulation,
) -> None:
    small = ('values = ["none", "22u"]', 'values = ["330n", "470n", "680n"]')
    one_more = (small[0], 'values = ["1u"]')
    loudest, louder = (
        enumerate_front(formulated(change).problem).front.scores["gain_dB"].max()
        for change in (small, one_more)
    )
    asked = f"[limits]\ngain_dB = {{ at_least = {(loudest + louder) / 2} }}"
    ex = exact(formulated(small, ("[limits]", asked)))
    bypass = next(one for one in more_choice(ex) if one.part == "bypass_F")
    assert (bypass.largest, bypass.missed) == (True, [])
    assert part_value("bypass_F", bypass.beyond).replace("\u00a0", " ") == "1 µF"


def test_a_target_out_of_reach_names_the_part_at_its_end(formulated: MakeFormulation) -> None:
    lower = ('input_corner = "8 kHz"', 'input_corner = "2 kHz"')
    ex = exact(formulated(lower))
    assert ex.decision is not None
    assert ex.decision.missed[ex.decision.pick].sum() > 0
    (more,) = [one for one in more_choice(ex) if one.part == "stopper_ohm"]
    assert (more.largest, more.end, more.beyond) == (True, 220e3, 470e3)
    (missed,) = more.missed
    # The default tolerance of a corner: 10 %.
    assert missed.name == "input_corner_Hz"
    assert missed.at_most == pytest.approx(2200.0)
    row = {name: values[[ex.pick]] for name, values in ex.front.parts.items()}
    here = float(ex.problem.assess(row).input_corner_Hz[0])
    there = float(ex.problem.assess({**row, "stopper_ohm": np.array([470e3])}).input_corner_Hz[0])
    assert missed.value == pytest.approx(there)
    assert 2200 < there < here


def test_what_is_feasible_and_on_target_has_neither(formulated: MakeFormulation) -> None:
    ex = exact(formulated())
    assert (obstacles(ex), more_choice(ex)) == (None, [])
