"""The front against brute force, inclusion and exclusion of boxes, and curves known by hand."""

from __future__ import annotations

import itertools

import moocore
import numpy as np
import pytest

from explorer.front import (
    MAX_REPRESENTATIVES,
    Scale,
    extremes,
    non_dominated,
    represent,
)

REFERENCE = 1.1
"""Of the hypervolume: a tenth of the front's span beyond its worst in every score."""


def brute_non_dominated(losses: np.ndarray) -> np.ndarray:
    """Return who is beaten by nobody, by comparing every pair; of equal rows the first stays."""
    no_worse = np.all(losses[:, None, :] <= losses[None, :, :], axis=-1)
    better = np.any(losses[:, None, :] < losses[None, :, :], axis=-1)
    equal = np.all(losses[:, None, :] == losses[None, :, :], axis=-1)
    earlier = np.arange(len(losses))[:, None] < np.arange(len(losses))[None, :]
    beaten = (no_worse & better) | (equal & earlier)
    return np.asarray(~beaten.any(axis=0))


def boxes_volume(points: np.ndarray) -> float:
    """Return the volume dominated up to the reference, by inclusion and exclusion of boxes."""
    total = 0.0
    for count in range(1, len(points) + 1):
        for some in itertools.combinations(points, count):
            corner = np.max(some, axis=0)
            total += (-1.0) ** (count + 1) * float(np.prod(REFERENCE - corner))
    return total


def front_of(count: int, scores: int, seed: int) -> np.ndarray:
    """Return the non-dominated rows of random points on a bulging surface."""
    rng = np.random.default_rng(seed)
    points = np.abs(rng.normal(size=(count, scores)))
    points /= np.linalg.norm(points, axis=1)[:, None]
    points = (1 - points) * 10.0 ** rng.uniform(-12, 3, scores) + rng.normal(size=scores)
    return np.asarray(points[brute_non_dominated(points)])


# --- who is on the front -------------------------------------------------------------------------


@pytest.mark.parametrize("scores", [1, 2, 3, 4, 5])
@pytest.mark.parametrize("seed", range(4))
def test_the_front_is_what_comparing_every_pair_gives(scores: int, seed: int) -> None:
    rng = np.random.default_rng([scores, seed])
    scattered = rng.normal(size=(150, scores))
    assert np.array_equal(non_dominated(scattered), brute_non_dominated(scattered))
    tied = rng.integers(0, 4, size=(150, scores)).astype(float)
    assert np.array_equal(non_dominated(tied), brute_non_dominated(tied))


def test_of_equal_rows_the_first_is_kept() -> None:
    rows = np.array([[1.0, 2.0], [2.0, 1.0], [1.0, 2.0], [2.0, 1.0], [2.0, 2.0]])
    assert non_dominated(rows).tolist() == [True, True, False, False, False]
    assert non_dominated(np.array([[3.0], [1.0], [1.0]])).tolist() == [False, True, False]


def test_nobody_has_an_empty_front() -> None:
    assert non_dominated(np.empty((0, 3))).tolist() == []


# --- the scale and the hypervolume ---------------------------------------------------------------


def test_the_scale_spans_0_to_1_and_leaves_what_does_not_vary_at_0() -> None:
    front = np.array([[10.0, -4.0, 7.0], [30.0, -8.0, 7.0]])
    scale = Scale.of(front)
    assert scale(front) == pytest.approx(np.array([[0.0, 1.0, 0.0], [1.0, 0.0, 0.0]]))
    assert scale(np.array([[20.0, -9.0, 9.0]])) == pytest.approx(np.array([[0.5, -0.25, 2.0]]))


def test_hypervolume_of_steps_counted_by_hand() -> None:
    scale = Scale(np.zeros(2), np.ones(2))
    # Three boxes: 1.1 x 0.1, 0.6 x 0.5 and 0.1 x 0.5 beside each other.
    steps = np.array([[0.0, 1.0], [0.5, 0.5], [1.0, 0.0]])
    by_hand = 0.5 * 0.1 + 0.5 * 0.6 + 0.1 * 1.1
    assert scale.hypervolume(steps) == pytest.approx(by_hand / 1.21, rel=1e-12)
    assert scale.hypervolume(np.zeros((1, 2))) == pytest.approx(1.0, rel=1e-12)


def test_hypervolume_of_one_score_is_a_length() -> None:
    scale = Scale(np.array([2.0]), np.array([4.0]))
    assert scale.hypervolume(np.array([[3.0], [4.0]])) == pytest.approx(0.6 / 1.1, rel=1e-12)


def test_points_beyond_the_reference_add_nothing() -> None:
    scale = Scale(np.zeros(2), np.ones(2))
    near = np.array([[0.5, 0.5]])
    both = np.vstack([near, [[0.0, 1.2]], [[1.1, 0.0]]])
    assert scale.hypervolume(both) == scale.hypervolume(near)
    assert scale.hypervolume(both[1:]) == 0.0


@pytest.mark.parametrize("scores", [2, 3, 4, 5])
def test_hypervolume_is_the_union_of_boxes(scores: int) -> None:
    front = front_of(9, scores, seed=scores)
    scale = Scale.of(front)
    union = boxes_volume((front - front.min(axis=0)) / np.ptp(front, axis=0))
    assert scale.hypervolume(front) == pytest.approx(union / REFERENCE**scores, rel=1e-9)


@pytest.mark.parametrize("scores", [2, 3, 5])
def test_what_the_front_beats_adds_no_hypervolume(scores: int) -> None:
    front = front_of(40, scores, seed=7)
    scale = Scale.of(front)
    beaten = front + 0.05 * np.ptp(front, axis=0)
    together = scale.hypervolume(np.vstack([beaten, front]))
    assert together == pytest.approx(scale.hypervolume(front), rel=1e-12)


# --- marked rows ---------------------------------------------------------------------------------


def test_extremes_are_the_best_of_each_score_and_the_better_of_two_equals() -> None:
    losses = np.array([[0.0, 9.0, 5.0], [0.0, 6.0, 5.0], [4.0, 0.0, 5.0], [8.0, 3.0, 0.0]])
    # Rows 0 and 1 are both best in the first score; row 1 has the smaller sum.
    assert extremes(losses).tolist() == [1, 2, 3]


def test_one_candidate_is_everything() -> None:
    alone = np.array([[3.0, -1.0]])
    assert extremes(alone).tolist() == [0, 0]
    assert Scale.of(alone).hypervolume(alone) == pytest.approx(1.0)


# --- representatives -----------------------------------------------------------------------------


def volume_of(front: np.ndarray, rows: tuple[int, ...] | list[int]) -> float:
    """Return the hypervolume of some rows on the scale of the whole front, by moocore."""
    scaled = (front - front.min(axis=0)) / np.ptp(front, axis=0)
    return float(moocore.hypervolume(scaled[list(rows)], ref=[REFERENCE] * front.shape[1]))


@pytest.mark.parametrize("scores", [2, 3, 4])
@pytest.mark.parametrize("seed", range(3))
def test_a_small_set_is_near_the_best_of_its_size(scores: int, seed: int) -> None:
    front = front_of(14 if scores > 2 else 40, scores, seed)[:13]
    size = 4
    chosen = represent(front, size)
    assert len(set(chosen.tolist())) == size
    best = max(volume_of(front, some) for some in itertools.combinations(range(len(front)), size))
    # The bound of G. L. Nemhauser, L. A. Wolsey, M. L. Fisher, An analysis of approximations for
    # maximizing submodular set functions I, Mathematical Programming 14, 1978 (from memory).
    assert volume_of(front, chosen.tolist()) >= (1 - 1 / np.e) * best
    assert volume_of(front, chosen.tolist()) <= best * (1 + 1e-12)


@pytest.mark.parametrize("seed", range(4))
def test_each_row_added_adds_most(seed: int) -> None:
    front = front_of(60, 3, seed)
    always = [5, 2]
    chosen = represent(front, 8, always).tolist()
    assert chosen[:2] == always
    for count in range(2, 8):
        reached = {
            row: volume_of(front, [*chosen[:count], row])
            for row in range(len(front))
            if row not in chosen[:count]
        }
        assert reached[chosen[count]] == pytest.approx(max(reached.values()), rel=1e-12)


@pytest.mark.slow
def test_a_front_of_hundreds_is_shown_in_forty_with_all_that_must_be_there() -> None:
    front = front_of(2000, 4, seed=11)
    assert len(front) > 500
    always = [*extremes(front).tolist(), 7, 3]
    chosen = represent(front, MAX_REPRESENTATIVES, always)
    assert MAX_REPRESENTATIVES == 40
    assert len(chosen) == len(set(chosen.tolist())) == MAX_REPRESENTATIVES
    assert set(always) <= set(chosen.tolist())
    rng = np.random.default_rng(0)
    at_random = [
        volume_of(front, rng.choice(len(front), MAX_REPRESENTATIVES, replace=False).tolist())
        for _ in range(30)
    ]
    assert volume_of(front, chosen.tolist()) > max(at_random)


def test_a_short_front_is_shown_whole_and_too_many_musts_are_cut() -> None:
    front = front_of(30, 3, seed=2)
    assert represent(front, len(front), [3]).tolist() == list(range(len(front)))
    assert represent(front, 3, [4, 4, 1, 2, 0]).tolist() == [4, 1, 2]


def test_one_score_alone_is_represented() -> None:
    assert represent(np.array([[2.0], [1.0], [4.0]]), 1).tolist() == [1]
