"""The decision: its achievement function, its independence of hopeless designs, and its yield."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from explorer.achievement import achievement, distinct, spread_out
from explorer.aims import FreeScore, Window, merged
from explorer.brief.stock import Stock
from explorer.decision import decide
from explorer.evaluation import Evaluation
from explorer.problem import Problem
from explorer.search import enumerate_front
from fixture_types import MakeFormulation
from objectives.scores.registry import REGISTRY, Step
from objectives.tolerance.front_yields import front_yields

WANTED, GOOD, EQUAL = np.zeros(3), np.full(3, 4.0), np.ones(3)


# --- steps ---------------------------------------------------------------------------------------


def test_a_step_is_what_each_score_says_it_is() -> None:
    count = REGISTRY["gain_dB"].step.count
    assert count(np.array(30.5)) - count(np.array(30.0)) == pytest.approx(1.0)
    corner = REGISTRY["input_corner_Hz"].step.count
    # A twentieth of an octave, by the definition of the octave.
    assert corner(np.array(2e3)) - corner(np.array(1e3)) == pytest.approx(20.0)
    price = Step(0.05, "", relative=True)
    assert price.count(np.array(105.0)) - price.count(np.array(100.0)) == pytest.approx(1.0)
    assert price.shift(100.0, 2) == pytest.approx(110.25)
    assert all(entry.step.size > 0 and entry.step.reason for entry in REGISTRY.values())


def test_losses_and_steps_order_values_alike() -> None:
    values = np.geomspace(1e3, 20e3, 40)
    for free in (
        FreeScore("upper_corner_Hz", "maximise"),
        FreeScore("lower_corner_Hz", "minimise"),
        FreeScore("input_corner_Hz", "near", 5e3),
        FreeScore("rf_margin_dB", "reach", 4e3),
    ):
        loss, steps = free.loss(values), free.steps(values)
        assert np.all(np.sign(np.diff(loss)) == np.sign(np.diff(steps)))


@pytest.mark.parametrize("value", [0.0, -1.0, np.nan, np.inf])
def test_what_has_no_logarithm_is_far_from_every_frequency(value: float) -> None:
    near = FreeScore("input_corner_Hz", "near", 5e3)
    assert near.steps(np.array([value]))[0] > 1e6
    assert near.window.room(np.array([value]))[0] < -1e6


def test_a_goal_outside_the_limits_is_not_kept_with_them() -> None:
    limit, goal = Window("gain_dB", at_most=20.0), Window("gain_dB", at_least=30.0)
    assert merged([limit], [goal]) == (limit,)
    assert merged([limit], [Window("gain_dB", at_least=10.0)]) == (Window("gain_dB", 10.0, 20.0),)


# --- achievement ---------------------------------------------------------------------------------


def test_achievement_is_nought_as_wanted_and_one_as_good_enough() -> None:
    both = achievement(np.stack([WANTED, GOOD]), WANTED, GOOD, EQUAL)
    assert both == pytest.approx([0.0, 1.01])


def test_who_is_beaten_achieves_less() -> None:
    """A. P. Wierzbicki, 1980 (from memory): an achievement function keeps the order of losses."""
    rng = np.random.default_rng(3)
    steps = rng.uniform(-5, 20, (400, 3))
    better = steps - rng.uniform(0, 3, steps.shape) * (rng.random(steps.shape) < 0.5)
    strictly = (better < steps).any(axis=1)
    weights = np.array([0.5, 1.0, 2.0])
    gained = achievement(steps, WANTED, GOOD, weights) - achievement(better, WANTED, GOOD, weights)
    assert np.all(gained[strictly] > 0)
    assert np.all(gained[~strictly] == 0)


def test_below_good_enough_counts_more_than_anything_gained_above() -> None:
    balanced, lopsided = [3.9, 3.9, 3.9], [-40.0, -40.0, 5.0]
    good, bad = achievement(np.array([balanced, lopsided]), WANTED, GOOD, EQUAL)
    assert good < bad


def test_a_weight_moves_the_balance_towards_its_score() -> None:
    steps = np.array([[1.0, 3.0, 0.0], [3.0, 1.0, 0.0]])
    assert np.argmin(achievement(steps, WANTED, GOOD, np.array([2.0, 1.0, 1.0]))) == 0
    assert np.argmin(achievement(steps, WANTED, GOOD, np.array([1.0, 2.0, 1.0]))) == 1


# --- one choice ----------------------------------------------------------------------------------


def test_designs_within_a_step_in_everything_are_one_choice() -> None:
    """The two properties of an epsilon-approximate set: none alike, and none left unrepresented."""
    steps = np.random.default_rng(8).uniform(0, 6, (300, 3))
    kept = distinct(steps)
    apart = np.abs(steps[kept][:, None] - steps[kept]).max(axis=-1)
    assert np.all(apart[~np.eye(len(kept), dtype=bool)] >= 1.0)
    reach = np.abs(steps[:, None] - steps[kept]).max(axis=-1).min(axis=1)
    assert np.all(reach < 1.0)
    assert kept[0] == 0


def test_rows_spread_out_leave_none_far_from_all_of_them() -> None:
    steps = np.random.default_rng(5).normal(size=(14, 2)) * [4.0, 1.0]
    apart = np.abs(steps[:, None] - steps).max(axis=-1)

    def farthest(rows: Sequence[int]) -> float:
        return float(apart[list(rows)].min(axis=0).max())

    first = np.array([11, 3])
    for size in range(3, 7):
        rows, far = spread_out(steps, first, size)
        assert rows[:2].tolist() == first.tolist()
        assert len(set(rows.tolist())) == size
        assert far == farthest(rows.tolist())
        # Gonzalez: at most twice as far as with the best of all choices.
        rest = itertools.combinations(set(range(14)) - set(first.tolist()), size - 2)
        assert far <= 2 * min(farthest([*first, *some]) for some in rest)
    rows, far = spread_out(np.repeat(steps[:3], 5, axis=0), first, 8)
    assert (sorted(rows // 5), far) == ([0, 1, 2], 0.0)


# --- the decision over a small space -------------------------------------------------------------


@pytest.fixture(scope="module")
def problem(formulated: MakeFormulation) -> Problem:
    return formulated().problem


@pytest.fixture(scope="module")
def serious(problem: Problem) -> Evaluation:
    return enumerate_front(problem).harvest.serious


@pytest.mark.slow
def test_the_pick_is_on_target_and_keeps_its_yield_when_built_ten_thousand_times(
    problem: Problem, serious: Evaluation
) -> None:
    decision = decide(problem, serious, Stock())
    row = decision.candidates.take(np.array([decision.pick]))
    corner = float(row.scores["input_corner_error_octaves"][0])
    assert corner <= np.log2(1.1)
    assert float(row.scores["rf_margin_dB"][0]) >= 0
    setup = problem.tolerance_of(row.parts)
    assert setup is not None
    good = float(front_yields(problem.assess(row.parts), setup, ()).good[0])
    # 1,024 draws: two standard errors of a share.
    error = 2 * np.sqrt(good * (1 - good) / 1024)
    assert decision.yields[decision.pick] == pytest.approx(good, abs=max(error, 1e-3))


@pytest.mark.slow
def test_hopeless_designs_do_not_move_the_pick(problem: Problem, serious: Evaluation) -> None:
    """Designs far off target, however good in one score, change neither pick nor alternatives."""
    decision = decide(problem, serious, Stock())
    extreme = serious.take(np.zeros(40, dtype=np.intp))
    scores = dict(extreme.scores)
    scores["gain_dB"] = scores["gain_dB"] + np.linspace(5, 60, 40)
    scores["input_corner_error_octaves"] = np.linspace(1.0, 4.0, 40)
    losses = np.stack([f.loss(scores[f.name]) for f in problem.free], axis=-1)
    more = Evaluation.join([serious, replace(extreme, scores=scores, losses=losses)])
    again = decide(problem, more, Stock())
    for name, values in decision.candidates.parts.items():
        assert values[decision.pick] == again.candidates.parts[name][again.pick]
    assert [a.score for a in decision.alternatives] == [a.score for a in again.alternatives]


@pytest.mark.slow
def test_what_is_not_asked_for_is_not_built(problem: Problem, serious: Evaluation) -> None:
    decision = decide(replace(problem, yield_asked=0.0), serious, Stock())
    assert np.isnan(decision.yields).all()
    assert decision.on_target[decision.pick]
