"""The front closed candidate by candidate: near the exact one, and no candidate counts twice."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest

from explorer.closure import closing
from explorer.evaluation import Evaluation
from explorer.front import Scale
from explorer.harvest import Harvest
from explorer.probe import sample_of, scale_of
from explorer.problem import Problem
from explorer.search import enumerate_front
from explorer.space import Space
from fixture_types import MakeFormulation

FINER = (
    ('series = "E6"\nfrom = "10k"\nto = "220k"', 'series = "E24"\nfrom = "10k"\nto = "220k"'),
    ('values = ["1k", "1k5", "2k2"]', 'series = "E12"\nfrom = "820"\nto = "3k9"'),
    ('values = ["none", "22u"]', 'values = ["none", "1u", "4u7", "22u"]'),
)
DEVICES = ('valve = "12AX7"', 'valve = ["12AY7", "12AX7"]')
OTHER_SUPPLY = ('voltage = "250 V"', 'voltage = "300 V"')
TIGHT = ('at_least = "0.6 mA", at_most = "0.9 mA"', 'at_least = "0.5 mA", at_most = "0.51 mA"')
FINE_LOADS = ('values = ["100k", "150k", "220k"]', 'series = "E24"\nfrom = "47k"\nto = "470k"')


def closed(
    problem: Problem, starts: int, *, most: int = 10**6, seed: int = 1
) -> list[tuple[Evaluation, Harvest]]:
    """Return every round of a closure that starts from the first few of a sample."""
    space = Space.of(problem, 16, small=True)
    sample = sample_of(replace(problem, choices=space.choices), seed)
    some = sample.take(np.arange(starts))
    return list(closing(problem, space, scale_of(sample), some, most=most, seed=seed))


def rows_of(evaluation: Evaluation) -> list[tuple[float, ...]]:
    return list(zip(*(evaluation.parts[n].tolist() for n in sorted(evaluation.parts)), strict=True))


@pytest.mark.parametrize(
    "changes",
    [(), (OTHER_SUPPLY,), (DEVICES,), (DEVICES, OTHER_SUPPLY)],
    ids=["as it is", "other supply", "devices", "both"],
)
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_it_comes_near_the_front_of_every_candidate(
    formulated: MakeFormulation, changes: tuple[tuple[str, str], ...], seed: int
) -> None:
    problem = formulated(*FINER, *changes).problem
    exact = enumerate_front(problem).front
    candidates, harvest = closed(problem, 30, seed=seed)[-1]
    assert len(candidates) < problem.size / 2
    # A closed front is no proof; blocks find the rest.
    assert len(set(rows_of(harvest.front)) & set(rows_of(exact))) >= 0.98 * len(exact)
    scale = Scale.of(exact.losses)
    whole = scale.hypervolume(exact.losses)
    assert scale.hypervolume(harvest.front.losses) >= 0.999 * whole


@pytest.mark.parametrize("possible", [True, False])
def test_each_round_adds_candidates_that_are_scored_and_counted_once(
    formulated: MakeFormulation, impossible: tuple[str, str], possible: bool
) -> None:
    problem = formulated(*FINER, DEVICES, *([] if possible else [impossible])).problem
    rounds = closed(problem, 30)
    lengths = [len(candidates) for candidates, _ in rounds]
    assert lengths[0] <= 30
    assert all(a < b for a, b in itertools.pairwise(lengths))
    candidates, harvest = rounds[-1]
    assert len(set(rows_of(candidates))) == len(candidates) == harvest.evaluated
    assert harvest.feasible == int(candidates.feasible.sum())
    own = problem.evaluate(candidates.parts)
    assert candidates.losses == pytest.approx(own.losses, rel=1e-9)
    assert (harvest.feasible > 0) == possible
    broken = {name: int((excess > 0).sum()) for name, excess in own.excess.items()}
    # What is broken is told where all candidates break something.
    assert harvest.broken == ({} if possible else broken)


def test_no_step_from_its_front_is_left(formulated: MakeFormulation) -> None:
    problem = formulated(*FINER, DEVICES).problem
    candidates, harvest = closed(problem, 30)[-1]
    names = sorted(candidates.parts)
    values = {c.part: c.values.tolist() for c in problem.choices}
    known = set(rows_of(candidates))
    for row in rows_of(harvest.front):
        for axis, name in enumerate(names):
            at = values[name].index(row[axis])
            for moved in (at - 1, at + 1):
                if 0 <= moved < len(values[name]):
                    assert (*row[:axis], values[name][moved], *row[axis + 1 :]) in known


def test_it_repeats_and_a_smaller_budget_only_ends_it_earlier(formulated: MakeFormulation) -> None:
    problem = formulated(*FINER).problem
    whole, again = closed(problem, 30)[-1], closed(problem, 30)[-1]
    assert rows_of(whole[0]) == rows_of(again[0])
    for most in (10, 30, 31, 75, 200):
        candidates, harvest = closed(problem, 30, most=most)[-1]
        assert len(candidates) == harvest.evaluated == most
        assert set(rows_of(candidates)) <= set(rows_of(whole[0]))
    assert rows_of(closed(problem, 30, seed=2)[-1][0]) != rows_of(whole[0])


def test_from_starts_that_all_break_a_limit_it_comes_to_what_keeps_them(
    formulated: MakeFormulation,
) -> None:
    problem = formulated(*FINER, TIGHT, FINE_LOADS).problem
    exact = enumerate_front(problem)
    assert 0 < exact.harvest.feasible < 0.03 * exact.evaluated
    reached = []
    for seed in range(1, 6):
        rounds = closed(problem, 20, seed=seed)
        if rounds[0][1].feasible == 0:
            reached.append(rounds[-1][1])
    assert len(reached) >= 3
    share = exact.harvest.feasible / exact.evaluated
    for harvest in reached:
        assert harvest.feasible > 3 * share * harvest.evaluated
