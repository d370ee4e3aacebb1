"""The space in blocks: every candidate exactly once, and each found again by its number."""

from __future__ import annotations

import itertools
from collections import Counter

import numpy as np
import pytest

from explorer.choices import Choice
from explorer.evaluation import Parts
from explorer.problem import Problem
from explorer.space import GRID, Space
from fixture_types import MakeFormulation

MANY = ('valve = "12AX7"', 'valve = ["12AX7", "12AY7"]')


@pytest.fixture(scope="module")
def problem(formulated: MakeFormulation) -> Problem:
    return formulated().problem


def flat(parts: Parts) -> list[tuple[float, ...]]:
    """Return candidates by the values of their parts, in order of the parts' names."""
    arrays = np.broadcast_arrays(*(parts[name] for name in sorted(parts)))
    return list(zip(*(a.ravel().tolist() for a in arrays), strict=True))


def product(problem: Problem) -> list[tuple[float, ...]]:
    choices = sorted(problem.choices, key=lambda c: c.part)
    return list(itertools.product(*(c.values.tolist() for c in choices)))


@pytest.mark.parametrize("least", [1, 2, 6, 18, 50, 162, 4096])
@pytest.mark.parametrize("most", [1, 4, 7, 30, 2048])
def test_every_candidate_is_in_one_block_once(problem: Problem, least: int, most: int) -> None:
    space = Space.of(problem, least)
    pieces = [p for block in range(space.blocks) for p in space.chunks(block, most)]
    seen = Counter(row for piece in pieces for row in flat(piece))
    assert seen == Counter(product(problem))
    assert space.size == len(seen)
    assert max(len(flat(piece)) for piece in pieces) <= most


@pytest.mark.parametrize("least", [1, 2, 6, 18, 50, 162])
def test_a_block_is_the_smallest_that_is_large_enough(problem: Problem, least: int) -> None:
    space = Space.of(problem, least)
    assert space.block_size >= least
    assert space.block_size // space.sizes[space.coarse] < least or space.coarse == 3
    assert space.blocks * space.block_size == problem.size


def test_a_block_has_one_device_and_what_the_operating_point_hangs_on_comes_first(
    formulated: MakeFormulation,
) -> None:
    problem = formulated(MANY).problem
    space = Space.of(problem, 10_000)
    assert (space.blocks, space.coarse) == (2, 1)
    names = [c.part for c in space.choices]
    assert names[0] == "device"
    # A stopper and a bypass leave the operating point alone.
    assert set(names[-2:]) == {"stopper_ohm", "bypass_F"}


def test_places_and_rows_are_found_again(problem: Problem) -> None:
    space = Space.of(problem, 6)
    assert space.blocks > 3
    for block in range(space.blocks):
        assert space.block_at(space.place(block)) == block
        rows = np.arange(space.block_size)
        parts = space.parts(block, rows)
        assert np.array_equal(space.rows(parts), rows)
        assert space.blocks_of(parts) == [block] * space.block_size
        # The chunks hold the same, in an order of their own.
        chunks = [row for piece in space.chunks(block, 5) for row in flat(piece)]
        assert sorted(flat(parts)) == sorted(chunks)


def test_neighbours_are_one_step_of_one_part_away(problem: Problem) -> None:
    space = Space.of(problem, 6)
    for block in range(space.blocks):
        near = list(space.neighbours(block))
        apart = {
            other: np.abs(np.subtract(space.place(block), space.place(other))).sum()
            for other in range(space.blocks)
        }
        assert sorted(near) == sorted(other for other, steps in apart.items() if steps == 1)


def test_a_continuous_part_stands_on_a_grid_even_by_ratio(
    formulated: MakeFormulation, continuous: tuple[str, str]
) -> None:
    space = Space.of(formulated(continuous).problem, 6)
    (values,) = (c.values for c in space.choices if c.part == "stopper_ohm")
    assert len(values) == GRID
    assert values[[0, -1]].tolist() == pytest.approx([10e3, 220e3])
    assert np.ptp(values[1:] / values[:-1]) < 1e-9


def test_a_space_too_large_for_an_integer_of_64_bits_is_cut_all_the_same(problem: Problem) -> None:
    choice = problem.choices[0]
    many = tuple(
        Choice(part, values=np.geomspace(choice.values[0], choice.values[-1], 1000))
        for part in ("plate_load_ohm", "cathode_resistor_ohm", "stopper_ohm", "grid_leak_ohm",
                     "load_ohm", "source_ohm", "supply_V", "cathode_unbypassed_ohm")
    )  # fmt: skip
    large = Problem(problem.device, problem.targets, problem.fixed, many, problem.free)
    space = Space.of(large, 4096)
    assert space.block_size == 1000**2
    assert space.size == 1000**8
    assert space.block_at(space.place(space.blocks - 1)) == space.blocks - 1
