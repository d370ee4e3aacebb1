"""An existing stage: its scores, its standing against the front, and one step in each part."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from explorer.designs import parse_design
from explorer.exploration import Exploration, explore
from explorer.formulation import Formulation
from explorer.settings import Settings
from explorer.standing import Standing, assess_design
from objectives.scores.registry import REGISTRY

Make = Callable[..., Formulation]
QUICK = Settings(seed=5, evaluations=60, batch=20)


@pytest.fixture(scope="module")
def ex(posed: Make) -> Exploration:
    return explore(posed(), QUICK, method="exact")


@pytest.fixture(scope="module")
def everything(ex: Exploration) -> Any:
    rows = np.array(list(itertools.product(*(c.values for c in ex.problem.choices))))
    return ex.problem.evaluate({c.part: rows[:, at] for at, c in enumerate(ex.problem.choices)})


def judged(ex: Exploration, *pairs: str) -> Standing:
    return assess_design(ex, parse_design(pairs, ex.posed.brief))


def of_row(found: Any, row: int) -> list[str]:
    """Return a candidate as ``part=value`` pairs."""
    return [
        f"{name.rsplit('_', 1)[0]}={float(values[row])!r}" for name, values in found.parts.items()
    ]


# --- standing ------------------------------------------------------------------------------------


def test_a_stage_of_the_front_is_found_on_it(ex: Exploration) -> None:
    for row in (0, ex.pick, len(ex.front) - 1):
        standing = judged(ex, *of_row(ex.front, row))
        assert standing.verdict == "It keeps every limit and is on the front."
        assert standing.beaten_by == ()
        assert standing.nearest == row + 1
        assert standing.broken == {}
        for name in ex.front.scores:
            assert standing.scores[name] == pytest.approx(ex.front.scores[name][row], rel=1e-9)


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
        if beats:
            beaten_some += 1
            assert standing.verdict.startswith(
                f"It keeps every limit, and {len(beats)} of the {len(front)} candidates"
            )
    assert beaten_some > 3


def test_a_stage_that_breaks_limits_says_which(ex: Exploration) -> None:
    # 100 k and 1 k draw 1.05 mA, over the 0.9 mA allowed; and a leak of 4.7 M is over the
    # sheet's 2 M.
    pairs = ("stopper=68k", "plate_load=100k", "cathode_resistor=1k", "bypass=22u")
    standing = judged(ex, *pairs)
    amps = standing.scores["plate_current_A"]
    assert standing.broken == {"plate_current_A": pytest.approx(amps / 0.9e-3 - 1, rel=1e-6)}
    assert standing.verdict == "It breaks 1 limit of the brief."
    worse = judged(ex, *pairs, "grid_leak=4M7")
    assert worse.broken["grid leak rating"] == pytest.approx(4.7 / 2 - 1)
    assert worse.verdict == "It breaks 2 limits of the brief."


def test_a_stage_from_outside_the_space_may_beat_its_front(ex: Exploration) -> None:
    # The loudest candidate with a leak that the brief does not offer, at the sheet's most.
    loudest = int(ex.front.scores["gain_dB"].argmax())
    standing = judged(ex, *of_row(ex.front, loudest), "grid_leak=2M")
    assert standing.broken == {}
    assert standing.scores["gain_dB"] > ex.front.scores["gain_dB"].max()
    assert standing.beaten_by == ()
    assert standing.nearest == loudest + 1
    assert "no candidate on the front beats it" in standing.verdict
    assert "lie outside what the brief varies" in standing.verdict


def test_without_a_front_there_is_nothing_to_stand_against(
    posed: Make, impossible: tuple[str, str]
) -> None:
    none = explore(posed(impossible), QUICK, method="exact")
    pairs = ("stopper=68k", "plate_load=100k", "cathode_resistor=1k5", "bypass=22u")
    standing = judged(none, *pairs)
    assert (standing.beaten_by, standing.nearest) == ((), None)
    assert "gain_dB" in standing.broken
    # A limit lifted afterwards: the stage keeps the rest where no candidate was found.
    lifted = replace(none, problem=replace(none.problem, windows=()))
    assert judged(lifted, *pairs).verdict == (
        "It keeps every limit; the exploration found no candidate that does."
    )


def test_small_scores_are_compared_in_their_own_size(posed: Make) -> None:
    ex = explore(
        posed(('noise_dBu = "minimise"', 'input_capacitance_F = "minimise"')),
        QUICK,
        method="exact",
    )
    at = [f.name for f in ex.problem.free].index("input_capacitance_F")
    worst = int(ex.front.losses[:, at].argmax())
    standing = judged(ex, *of_row(ex.front, worst))
    assert standing.verdict == "It keeps every limit and is on the front."
    # The same stage with 1 pF more across it is worse in capacitance alone, if only by 1e-12.
    fixed = replace(ex.problem.fixed, stray_grid_cathode_F=1e-12)
    burdened = replace(ex, problem=replace(ex.problem, fixed=fixed))
    assert burdened.front is ex.front
    more = judged(burdened, *of_row(ex.front, worst))
    assert more.scores["input_capacitance_F"] > standing.scores["input_capacitance_F"]
    assert more.verdict != "It keeps every limit and is on the front."


def test_scores_that_lack_a_target_are_left_out(ex: Exploration, posed: Make) -> None:
    pairs = ("stopper=68k", "plate_load=100k", "cathode_resistor=1k5", "bypass=22u")
    full = judged(ex, *pairs).scores
    missing = [n for n, s in REGISTRY.items() if n not in full]
    for name in missing:
        needs = REGISTRY[name].requires
        assert any(not getattr(ex.problem.targets, need, None) for need in needs), name
    assert "rf_margin_dB" in full
    bare = explore(
        posed(
            ('[[targets.radio_bands]]\nname = "medium wave"\nfrom = "530 kHz"\nto = "1.7 MHz"\n'
             'attenuation = "20 dB"\n', ""),
            ('rf_margin_dB = "maximise"\n', ""),
        ),
        QUICK, method="exact",
    )  # fmt: skip
    assert "rf_margin_dB" not in judged(bare, *pairs).scores


# --- one step ------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def standing(ex: Exploration) -> Standing:
    return judged(ex, "stopper=68k", "plate_load=150k", "cathode_resistor=1k5", "bypass=22u")


def test_each_part_takes_one_step_down_and_up(standing: Standing) -> None:
    steps = {
        (s["part"], s["step"]): (s["from"], s["to"]) for s in standing.steps.to_dict("records")
    }
    assert steps == {
        # Free parts go to the next value that the brief offers, ...
        ("grid stopper", "down"): ("68 kΩ", "47 kΩ"),
        ("grid stopper", "up"): ("68 kΩ", "100 kΩ"),
        ("plate load", "down"): ("150 kΩ", "100 kΩ"),
        ("plate load", "up"): ("150 kΩ", "220 kΩ"),
        ("cathode resistor", "down"): ("1.5 kΩ", "1 kΩ"),
        ("cathode resistor", "up"): ("1.5 kΩ", "2.2 kΩ"),
        ("cathode bypass", "down"): ("22 µF", "none"),
        # ... fixed ones to the next of their stock series: E12 and E6.
        ("grid leak", "down"): ("1 MΩ", "820 kΩ"),
        ("grid leak", "up"): ("1 MΩ", "1.2 MΩ"),
        ("position of the grid leak", "move"): ("before the stopper", "after the stopper"),
        ("output coupling capacitor", "down"): ("22 nF", "15 nF"),
        ("output coupling capacitor", "up"): ("22 nF", "33 nF"),
    }


def test_what_a_step_does_is_the_difference_of_two_stages(
    ex: Exploration,
) -> None:
    start = {"stopper": "68k", "plate_load": "100k", "cathode_resistor": "1k5", "bypass": "22u"}
    standing = judged(ex, *(f"{k}={v}" for k, v in start.items()))
    keys = {"grid stopper": "stopper", "plate load": "plate_load", "grid leak": "grid_leak",
            "cathode resistor": "cathode_resistor", "cathode bypass": "bypass",
            "output coupling capacitor": "output_coupling"}  # fmt: skip
    checked = 0
    for step in standing.steps.to_dict("records"):
        if step["part"] not in keys:
            continue
        moved = {**start, keys[step["part"]]: step["to"]}
        there = judged(ex, *(f"{k}={v}" for k, v in moved.items()))
        for name in ex.problem.score_names:
            difference = there.scores[name] - standing.scores[name]
            assert step[name] == pytest.approx(difference, rel=1e-6, abs=1e-9), (step, name)
        assert step["keeps_limits"] == (there.broken == {})
        checked += 1
    assert checked == 10
    # Down to 1 k the plate current passes 0.9 mA; all other steps keep the limits.
    broken = standing.steps[~standing.steps["keeps_limits"]]
    assert list(zip(broken["part"], broken["to"], strict=True)) == [("cathode resistor", "1 kΩ")]


def test_moving_the_leak_behind_the_stopper_costs_the_divider(
    ex: Exploration, standing: Standing
) -> None:
    row = standing.steps.set_index("part").loc["position of the grid leak"]
    # Before the stopper the source sees 47 k into 1 M; behind it 47 k + 68 k into 1 M.
    expected = 20 * np.log10((1e6 / 1.115e6) / (1e6 / 1.047e6))
    assert row["gain_dB"] == pytest.approx(expected, abs=0.02)


def test_from_none_or_full_there_is_one_way_to_go(posed: Make) -> None:
    ex = explore(
        posed(('values = ["none", "22u"]', 'values = ["none", "22u", "full"]')),
        QUICK,
        method="exact",
    )
    base = ("stopper=10k", "plate_load=220k", "cathode_resistor=1k5")
    for value, ways in (
        ("none", [("up", "22 µF")]),
        ("22u", [("down", "none"), ("up", "full")]),
        ("full", [("down", "22 µF")]),
    ):
        steps = judged(ex, *base, f"bypass={value}").steps
        found = steps[steps["part"] == "cathode bypass"]
        assert list(zip(found["step"], found["to"], strict=True)) == ways
    # At the end of its range a part has no further step either.
    assert steps[steps["part"] == "grid stopper"]["step"].tolist() == ["up"]
    assert steps[steps["part"] == "plate load"]["step"].tolist() == ["down"]


def test_a_value_between_two_of_the_list_steps_to_both(ex: Exploration) -> None:
    steps = judged(ex, "stopper=60k", "plate_load=150k", "cathode_resistor=1k5", "bypass=22u").steps
    found = steps[steps["part"] == "grid stopper"]
    assert found["to"].tolist() == ["47 kΩ", "68 kΩ"]


def test_a_continuous_part_steps_through_its_stock(
    posed: Make, continuous: tuple[str, str]
) -> None:
    ex = explore(posed(continuous), QUICK)
    steps = judged(ex, "stopper=60k", "plate_load=150k", "cathode_resistor=1k5", "bypass=22u").steps
    found = steps[steps["part"] == "grid stopper"]
    assert found["to"].tolist() == ["56 kΩ", "68 kΩ"]  # E12
