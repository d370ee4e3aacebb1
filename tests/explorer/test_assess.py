"""An existing stage: its scores, its standing against the front, and one step in each part."""

from __future__ import annotations

import itertools
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from explorer.designs import parse_design
from explorer.exploration import Exploration, explore
from explorer.settings import Settings
from explorer.standing import Standing, Step, assess_design
from fixture_types import MakeFormulation
from objectives.scores.registry import REGISTRY

QUICK = Settings(seed=5, evaluations=60, batch=20)


@pytest.fixture(scope="module")
def ex(formulated: MakeFormulation) -> Exploration:
    return explore(formulated(), QUICK, method="exact")


@pytest.fixture(scope="module")
def everything(ex: Exploration) -> Any:
    rows = np.array(list(itertools.product(*(c.values for c in ex.problem.choices))))
    return ex.problem.evaluate({c.part: rows[:, at] for at, c in enumerate(ex.problem.choices)})


def judged(ex: Exploration, *pairs: str) -> Standing:
    return assess_design(ex, parse_design(pairs, ex.formulation.brief))


def of_row(found: Any, row: int) -> list[str]:
    """Return a candidate as ``part=value`` pairs."""
    return [
        f"{name.rsplit('_', 1)[0]}={float(values[row])!r}" for name, values in found.parts.items()
    ]


# --- standing ------------------------------------------------------------------------------------


@pytest.mark.slow
def test_a_stage_of_the_front_is_found_on_it(ex: Exploration) -> None:
    for row in (0, ex.pick, len(ex.front) - 1):
        standing = judged(ex, *of_row(ex.front, row))
        assert standing.on_front
        assert standing.beaten_by == ()
        assert standing.nearest == row + 1
        assert standing.broken == {}
        for name in ex.front.scores:
            assert standing.scores[name] == pytest.approx(ex.front.scores[name][row], rel=1e-9)


@pytest.mark.slow
def test_every_stage_of_the_space_stands_where_comparing_every_pair_puts_it(
    ex: Exploration, everything: Any
) -> None:
    front = ex.front.losses
    span = np.ptp(front, axis=0)
    kept = np.flatnonzero(everything.feasible)
    beaten_some = 0
    for row in kept[:: len(kept) // 12]:
        loss = everything.losses[row]
        standing = judged(ex, *of_row(everything, row))
        tie = 1e-7 * span
        beats = [
            at + 1
            for at, rival in enumerate(front)
            if np.all(rival <= loss + tie) and np.any(rival < loss - tie)
        ]
        assert list(standing.beaten_by) == beats
        distance = [np.sqrt((((rival - loss) / span) ** 2).sum()) for rival in front]
        assert standing.nearest == int(np.argmin(distance)) + 1
        worse = [rival for rival in front if np.all(rival >= loss - tie)]
        assert standing.beats == len(worse)
        beaten_some += bool(beats)
    assert beaten_some > 3


def test_a_stage_that_breaks_limits_says_which(ex: Exploration) -> None:
    # 100 k and 1 k draw 1.05 mA, over the 0.9 mA allowed; and a leak of 4.7 M is over the
    # sheet's 2 M.
    pairs = ("stopper=68k", "plate_load=100k", "cathode_resistor=1k", "bypass=22u")
    standing = judged(ex, *pairs)
    amps = standing.scores["plate_current_A"]
    assert standing.broken == {"plate_current_A": pytest.approx(amps / 0.9e-3 - 1, rel=1e-6)}
    worse = judged(ex, *pairs, "grid_leak=4M7")
    assert worse.broken["grid leak rating"] == pytest.approx(4.7 / 2 - 1)
    assert len(worse.broken) == 2


def test_a_stage_from_outside_the_space_may_beat_its_front(ex: Exploration) -> None:
    # The loudest candidate with a leak that the brief does not offer, at the sheet's most, and a
    # stopper a little larger than its own of 10 kΩ: of the gain and quiet that the leak brings it
    # takes a little for more rejection.
    loudest = int(ex.front.scores["gain_dB"].argmax())
    own = [pair for pair in of_row(ex.front, loudest) if not pair.startswith("stopper")]
    standing = judged(ex, *own, "stopper=10.2k", "grid_leak=2M")
    assert standing.broken == {}
    assert standing.scores["gain_dB"] > ex.front.scores["gain_dB"].max()
    assert standing.beaten_by == ()
    assert standing.nearest == loudest + 1
    assert not standing.on_front
    assert standing.beats >= 1


def test_without_a_front_there_is_nothing_to_stand_against(
    formulated: MakeFormulation, impossible: tuple[str, str]
) -> None:
    none = explore(formulated(impossible), QUICK, method="exact")
    pairs = ("stopper=68k", "plate_load=100k", "cathode_resistor=1k5", "bypass=22u")
    standing = judged(none, *pairs)
    assert (standing.beaten_by, standing.nearest) == ((), None)
    assert "gain_dB" in standing.broken
    # A limit lifted afterwards: the stage keeps the rest where no candidate was found.
    lifted = replace(none, problem=replace(none.problem, windows=()))
    kept = judged(lifted, *pairs)
    assert (kept.broken, kept.beaten_by, kept.nearest, kept.on_front) == ({}, (), None, False)


def test_small_scores_are_compared_in_their_own_size(formulated: MakeFormulation) -> None:
    ex = explore(
        formulated(('noise_dBu = "minimise"', 'input_capacitance_F = "minimise"')),
        QUICK,
        method="exact",
    )
    at = [f.name for f in ex.problem.free].index("input_capacitance_F")
    worst = int(ex.front.losses[:, at].argmax())
    standing = judged(ex, *of_row(ex.front, worst))
    assert standing.on_front
    # The same stage with 1 pF more across it is worse in capacitance alone, if only by 1e-12.
    fixed = replace(ex.problem.fixed, stray_grid_cathode_F=1e-12)
    burdened = replace(ex, problem=replace(ex.problem, fixed=fixed))
    assert burdened.front is ex.front
    more = judged(burdened, *of_row(ex.front, worst))
    assert more.scores["input_capacitance_F"] > standing.scores["input_capacitance_F"]
    assert not more.on_front


@pytest.mark.slow
def test_scores_that_lack_a_target_are_left_out(
    ex: Exploration, formulated: MakeFormulation
) -> None:
    pairs = ("stopper=68k", "plate_load=100k", "cathode_resistor=1k5", "bypass=22u")
    full = judged(ex, *pairs).scores
    # A slow score is left out too, unless the brief names it.
    missing = [n for n, s in REGISTRY.items() if n not in full and not s.slow]
    for name in missing:
        needs = REGISTRY[name].requires
        assert any(not getattr(ex.problem.targets, need, None) for need in needs), name
    assert "rf_margin_dB" in full
    bare = explore(
        formulated(
            ('[[targets.radio_bands]]\nname = "medium wave"\nfrom = "530 kHz"\nto = "1.7 MHz"\n'
             'attenuation = "12 dB"\n', ""),
            ('rf_margin_dB = "maximise"\n', ""),
        ),
        QUICK, method="exact",
    )  # fmt: skip
    assert "rf_margin_dB" not in judged(bare, *pairs).scores


# --- one step ------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def standing(ex: Exploration) -> Standing:
    return judged(ex, "stopper=68k", "plate_load=150k", "cathode_resistor=1k5", "bypass=22u")


def steps_of(standing: Standing, part: str) -> list[Step]:
    return [step for step in standing.steps if step.part == part]


def test_each_part_takes_one_step_down_and_up(standing: Standing) -> None:
    steps = {(s.part, s.direction): (s.start, s.end) for s in standing.steps}
    assert steps == {
        # Free parts go to the next value that the brief offers, ...
        ("stopper_ohm", "down"): (68e3, 47e3),
        ("stopper_ohm", "up"): (68e3, 100e3),
        ("plate_load_ohm", "down"): (150e3, 100e3),
        ("plate_load_ohm", "up"): (150e3, 220e3),
        ("cathode_resistor_ohm", "down"): (1.5e3, 1e3),
        ("cathode_resistor_ohm", "up"): (1.5e3, 2.2e3),
        ("bypass_F", "down"): (22e-6, 0.0),
        # ... fixed ones to the next of their stock series: E12 and E6.
        ("grid_leak_ohm", "down"): (1e6, 820e3),
        ("grid_leak_ohm", "up"): (1e6, 1.2e6),
        ("leak_at_grid", "move"): (0.0, 1.0),
        ("output_coupling_F", "down"): (22e-9, 15e-9),
        ("output_coupling_F", "up"): (22e-9, 33e-9),
    }


@pytest.mark.slow
def test_what_a_step_does_is_the_difference_of_two_stages(ex: Exploration) -> None:
    start = {"stopper": 68e3, "plate_load": 100e3, "cathode_resistor": 1.5e3, "bypass": 22e-6}
    standing = judged(ex, *(f"{k}={v!r}" for k, v in start.items()))
    checked = 0
    for step in standing.steps:
        if step.direction == "move":
            continue
        moved = {**start, step.part.rpartition("_")[0]: step.end}
        there = judged(ex, *(f"{k}={v!r}" for k, v in moved.items()))
        for name in ex.problem.score_names:
            difference = there.scores[name] - standing.scores[name]
            assert step.change[name] == pytest.approx(difference, rel=1e-6, abs=1e-9), (step, name)
        assert step.keeps_limits == (there.broken == {})
        checked += 1
    assert checked == 10
    # Down to 1 k the plate current passes 0.9 mA; all other steps keep the limits.
    broken = [step for step in standing.steps if not step.keeps_limits]
    assert [(step.part, step.end) for step in broken] == [("cathode_resistor_ohm", 1e3)]


def test_moving_the_leak_behind_the_stopper_costs_the_divider(standing: Standing) -> None:
    (step,) = steps_of(standing, "leak_at_grid")
    # Before the stopper the source sees 47 k into 1 M; behind it 47 k + 68 k into 1 M.
    expected = 20 * np.log10((1e6 / 1.115e6) / (1e6 / 1.047e6))
    assert step.change["gain_dB"] == pytest.approx(expected, abs=0.02)


@pytest.mark.slow
def test_from_none_or_full_there_is_one_way_to_go(formulated: MakeFormulation) -> None:
    ex = explore(
        formulated(('values = ["none", "22u"]', 'values = ["none", "22u", "full"]')),
        QUICK,
        method="exact",
    )
    base = ("stopper=10k", "plate_load=220k", "cathode_resistor=1k5")
    for value, ways in (
        ("none", [("up", 22e-6)]),
        ("22u", [("down", 0.0), ("up", np.inf)]),
        ("full", [("down", 22e-6)]),
    ):
        standing = judged(ex, *base, f"bypass={value}")
        assert [(s.direction, s.end) for s in steps_of(standing, "bypass_F")] == ways
    # At the end of its range a part has no further step either.
    assert [s.direction for s in steps_of(standing, "stopper_ohm")] == ["up"]
    assert [s.direction for s in steps_of(standing, "plate_load_ohm")] == ["down"]


BETWEEN = ("stopper=60k", "plate_load=150k", "cathode_resistor=1k5", "bypass=22u")


def test_a_value_between_two_of_the_list_steps_to_both(ex: Exploration) -> None:
    steps = steps_of(judged(ex, *BETWEEN), "stopper_ohm")
    assert [step.end for step in steps] == [47e3, 68e3]


def test_a_continuous_part_steps_through_its_stock(
    formulated: MakeFormulation, continuous: tuple[str, str]
) -> None:
    steps = steps_of(judged(explore(formulated(continuous), QUICK), *BETWEEN), "stopper_ohm")
    assert [step.end for step in steps] == pytest.approx([56e3, 68e3])  # E12
