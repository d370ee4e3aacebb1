"""The space of a problem in blocks: a coarse choice with everything that it may be joined with."""

from __future__ import annotations

import math
import time
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Final

import numpy as np

from explorer.choices import Choice
from explorer.evaluation import Parts
from explorer.problem import CHUNK, Problem
from objectives.arrays import IntArray, blocks
from objectives.elements import CAPACITORS, DRIVER, ELEMENTS

BLOCK: Final = 16384
"""Candidates in a block of an enumeration, or more."""

OUTER_CHUNK: Final = 65536
"""Candidates of an outer product evaluated together: measured; fewer share less, and as many take a
hundred megabytes."""

_MOST_SLOW = 32
"""Candidates that a block need have where each takes milliseconds."""

_SLOW_CHUNK: Final = 32
"""Candidates by which the time of slow scores is judged."""

_SHORT_S: Final = 5.0
"""Where a first look says that all takes less, a second would decide nothing."""

GRID: Final = 33
"""Values that a continuous part takes before the search refines it."""


def _depth(choice: Choice) -> int:
    """Return how little depends on a part: device, driver, operating point, all else."""
    if choice.part == "device":
        return 0
    if choice.part.startswith(DRIVER):
        return 1
    return 2 if ELEMENTS[choice.part].direct_current else 3


@dataclass(frozen=True)
class Space:
    """Candidates by number: each part is an axis, the last axis runs fastest.

    Attributes
    ----------
    choices : the parts that vary, those on which most depends first; of a continuous one so many
        values, evenly spread by ratio
    coarse : how many of them make up the coarse choice; a block has one value of each of these and
        every value of the others
    """

    choices: tuple[Choice, ...]
    coarse: int

    @classmethod
    def of(cls, problem: Problem, block: int, *, small: bool = False) -> Space:
        """Return the space of a problem, in blocks as small as can be of ``block`` candidates.

        ``small`` blocks have that many at most, unless they are of one part.
        """
        choices = tuple(
            replace(c, values=np.geomspace(c.low, c.high, GRID)) if c.continuous else c
            for c in sorted(problem.choices, key=_depth)
        )
        least = min(block, _MOST_SLOW) if problem.slow else block
        # One device and one driver a block.
        coarse = sum(_depth(choice) < 2 for choice in choices)
        sizes = [len(choice.values) for choice in choices]
        while coarse < len(sizes) - 1 and (
            math.prod(sizes[coarse:]) > least if small else math.prod(sizes[coarse + 1 :]) >= least
        ):
            coarse += 1
        return cls(choices, coarse)

    @cached_property
    def sizes(self) -> tuple[int, ...]:
        """Number of values of each part."""
        return tuple(len(choice.values) for choice in self.choices)

    @cached_property
    def blocks(self) -> int:
        """Number of blocks."""
        return math.prod(self.sizes[: self.coarse])

    @cached_property
    def block_size(self) -> int:
        """Number of candidates in a block."""
        return math.prod(self.sizes[self.coarse :])

    @property
    def size(self) -> int:
        """Number of candidates."""
        return self.blocks * self.block_size

    def place(self, block: int) -> tuple[int, ...]:
        """Return which value of each part of the coarse choice a block has."""
        rows = []
        for size in reversed(self.sizes[: self.coarse]):
            block, row = divmod(block, size)
            rows.append(row)
        return tuple(reversed(rows))

    def block_at(self, place: Iterable[int]) -> int:
        """Return the block with these values of the coarse choice; the inverse of ``place``."""
        block = 0
        for size, row in zip(self.sizes, place, strict=False):
            block = block * size + int(row)
        return block

    def chunks(self, block: int, most: int = OUTER_CHUNK) -> Iterator[Parts]:
        """Yield the candidates of a block, at most so many at a time unless an axis must be whole.

        Each part has an axis of its own (or one value), so that what depends on few parts is worked
        out once for all others.
        """
        fine = self.choices[self.coarse :]
        axes = range(max(len(fine), 1))
        # The cathode circuit first, which products of matrices join with the rest. Of each the
        # resistors before the capacitors, which leave the operating point alone: batches are cut
        # along the first axes. Of those the longest last: NumPy's inner loops run along it.
        order = sorted(
            axes[: len(fine)],
            key=lambda axis: (
                {"j", "b"}.isdisjoint(ELEMENTS[fine[axis].part].between),
                fine[axis].part in CAPACITORS,
                len(fine[axis].values),
            ),
        )
        coarse = {
            c.part: np.reshape(c.values[row], (1,) * len(axes))
            for c, row in zip(self.choices, self.place(block), strict=False)
        }
        for at in blocks(self.sizes[self.coarse :], most):
            own = {
                c.part: np.expand_dims(
                    c.values[some], [other for other in axes if order[other] != axis]
                )
                for axis, (c, some) in enumerate(zip(fine, at, strict=True))
            }
            yield {**coarse, **own}

    def parts(self, block: int, rows: IntArray) -> Parts:
        """Return candidates of a block by their rows in it, each part of shape (N,)."""
        which = [
            *(np.full(len(rows), row) for row in self.place(block)),
            *(np.unravel_index(rows, fine) if (fine := self.sizes[self.coarse :]) else ()),
        ]
        return self.at(np.stack(which, axis=-1))

    def at(self, which: IntArray) -> Parts:
        """Return the candidates with these values of each part, shape (N, parts)."""
        return {c.part: c.values[row] for c, row in zip(self.choices, which.T, strict=True)}

    def which(self, parts: Parts) -> IntArray:
        """Return which value of each part candidates have; the inverse of :meth:`at`."""
        return np.stack([np.searchsorted(c.values, parts[c.part]) for c in self.choices], axis=-1)

    def rows(self, parts: Parts) -> IntArray:
        """Return the rows of candidates in their block; the inverse of :meth:`parts`."""
        which = self.which(parts)
        rows = np.zeros(len(which), np.intp)
        for row, size in zip(which.T[self.coarse :], self.sizes[self.coarse :], strict=True):
            rows = rows * size + row
        return rows

    def blocks_of(self, parts: Parts) -> list[int]:
        """Return the block that each candidate is in."""
        return [self.block_at(row) for row in self.which(parts)[:, : self.coarse].tolist()]

    def neighbours(self, block: int) -> Iterator[int]:
        """Yield the blocks that are one step of one part away."""
        place = self.place(block)
        for axis, (row, size) in enumerate(zip(place, self.sizes, strict=False)):
            for moved in (row - 1, row + 1):
                if 0 <= moved < size:
                    yield self.block_at((*place[:axis], moved, *place[axis + 1 :]))


def seconds_to_enumerate(problem: Problem, space: Space | None = None) -> float:
    """Return how long one process takes for every candidate, by a probe.

    Without a space that stands for it, a continuous part takes for ever.
    """
    if space is None:
        if not np.isfinite(problem.size):
            return np.inf
        space = Space.of(problem, BLOCK)
    seconds = np.inf
    # The first is slower: much is made on its way, and fewer share less.
    for most in (_SLOW_CHUNK, _SLOW_CHUNK) if problem.slow else (CHUNK, 4 * CHUNK):
        start = time.perf_counter()
        count = len(problem.evaluate(next(space.chunks(space.blocks // 2, most))))
        seconds = min(seconds, space.size / count * (time.perf_counter() - start))
        if seconds < _SHORT_S:
            break
    return seconds
