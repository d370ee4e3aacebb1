"""Designs that are better where asked: against going through the front one by one."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from explorer.exploration import Exploration, explore
from explorer.settings import Settings
from explorer.steering import WISHES, Wish, nearest_steered
from fixture_types import MakeFormulation
from objectives.checks import InputError
from objectives.scores.registry import REGISTRY


@pytest.fixture(scope="module")
def ex(formulated: MakeFormulation) -> Exploration:
    return explore(formulated(), Settings(seed=1))


def lost_steps(ex: Exploration, row: int, here: int) -> list[float]:
    """Return by how many noticeable steps a design is worse than another, score by score."""
    lost = []
    for free in ex.problem.free:
        mine, other = (float(ex.front.scores[free.name][at]) for at in (row, here))
        step = REGISTRY[free.name].step
        if step.relative:
            more = math.log(mine / other) / math.log1p(step.size)
        else:
            more = (mine - other) / step.size
        lost.append(-more if free.use == "maximise" else more)
    return lost


@pytest.mark.parametrize("wishes", list(itertools.product(WISHES, repeat=4)))
def test_it_offers_what_going_through_the_front_finds(
    ex: Exploration, wishes: tuple[Wish, ...]
) -> None:
    names = [free.name for free in ex.problem.free]
    assert len(names) == len(wishes)
    wished = dict(zip(names, wishes, strict=True))
    if "better" not in wishes:
        with pytest.raises(InputError, match="better"):
            nearest_steered(ex.problem, ex.front, ex.front.take(np.array([0])), wished)
        return
    here = ex.pick
    offered = nearest_steered(
        ex.problem, ex.front, ex.front.take(np.array([here])), wished, count=len(ex.front)
    )
    most = {"better": -1.0, "keep": 0.5, "give": math.inf}
    fits = {}
    for row in range(len(ex.front)):
        lost = lost_steps(ex, row, here)
        if all(own <= most[wish] for own, wish in zip(lost, wishes, strict=True)):
            fits[row] = sum(map(abs, lost))
    distances = [fits[row] for row in offered.tolist()]
    assert distances == pytest.approx(sorted(distances))
    assert {round(d, 5) for d in distances} == {round(d, 5) for d in fits.values()}


def test_unknown_scores_and_wishes_are_refused(ex: Exploration) -> None:
    here = ex.front.take(np.array([0]))
    with pytest.raises(InputError, match="loudness"):
        nearest_steered(ex.problem, ex.front, here, {"loudness": "better"})
    with pytest.raises(InputError, match="worse"):
        nearest_steered(ex.problem, ex.front, here, {"gain_dB": "worse"})  # type: ignore[dict-item]
