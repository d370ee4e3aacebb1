"""The search: an Optuna study of coarse choices, each worked out with everything that goes with it.

Asked for every coarse choice, the study is an enumeration and its front is exact. Otherwise the
front is first closed candidate by candidate; then come the blocks beside it, and a sampler proposes
the rest. Continuous parts stand on a grid, which is refined about the front once it is closed and
once more in the end.
"""

from __future__ import annotations

import time
from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import partial
from typing import Any, Final

import numpy as np
import optuna
from joblib import delayed

from explorer.blocks import worked_out
from explorer.closure import MOST_CANDIDATES, closing
from explorer.evaluation import Evaluation, Limits
from explorer.harvest import Harvest
from explorer.journal import naming_storage
from explorer.ledger import Entry, Ledger, rows_of, text_of
from explorer.nearest import spread_nearest
from explorer.probe import sample_of, scale_of
from explorer.problem import Problem
from explorer.refine import refining
from explorer.results import Progress, ProgressCallback, SearchResult
from explorer.room import FEW
from explorer.sampler import Generations
from explorer.settings import Settings
from explorer.space import BLOCK, Space, seconds_to_enumerate
from explorer.workers import results_of, workers

_CLOSING: Final = 0.5
"""Share of a search that candidates may take one by one; most need far less."""

_SEARCH_BLOCK: Final = 4096
"""Candidates in a block of a search at most, where the settings do not say."""

_WAVE_S: Final = 2.0
"""Time that a process works between two looks at the storage."""

_LONG_S: Final = 200.0
"""Time from which on it looks the less often, the longer it has run."""

_DEFAULT: Final = Settings()

_FEW_BLOCKS: Final = 100_000
"""So many are listed to draw from."""

_SHARE: Final = 4
"""A process takes a quarter of the blocks that are left at once, at most, where they are stored, so
that others have some to the end."""


def enumerate_front(
    problem: Problem,
    settings: Settings = _DEFAULT,
    progress: ProgressCallback | None = None,
    seconds: float | None = None,
) -> SearchResult:
    """Work out every candidate of a space without continuous parts and return the exact front.

    See :func:`search` for what is stored and who may share it. ``seconds`` is what
    :func:`explorer.space.seconds_to_enumerate` has said already.
    """
    return _run(problem, settings, progress, seconds, every=True)


def search(
    problem: Problem, settings: Settings, progress: ProgressCallback | None = None
) -> SearchResult:
    """Search the space: close the front, then propose coarse choices with all that goes with each.

    What the search comes to is decided by problem and settings alone. What each block left behind
    is in the storage at once, and spares the same call with the same storage that work: it comes to
    the same, whether the one before was finished, interrupted or killed, and the closure is made
    anew. A different brief makes a different study in the same storage. Any number of processes may
    search one storage at the same time: they share the work, and each comes to the same. Blocks
    that were stored by a search with another budget count too, on top of it.
    Ctrl-C ends the search with what it has.

    Raises
    ------
    InputError
        If the storage cannot be opened or is not one of this program.
    OSError
        If the storage cannot be written; it names the file.
    """
    return _run(problem, settings, progress, every=False)


def _run(
    problem: Problem,
    settings: Settings,
    progress: ProgressCallback | None,
    seconds: float | None = None,
    *,
    every: bool,
) -> SearchResult:
    optuna.logging.set_verbosity(optuna.logging.WARNING)
    start = time.perf_counter()
    with naming_storage(settings, Exception):  # the storage drivers raise what they like
        run = _Study(problem, settings, every=every)
    size, taken_up = run.space.size, run.ledger.taken_up
    budget = size if every else min(settings.evaluations, size)
    interrupted, continuous = False, not np.isfinite(problem.size)

    def report() -> None:
        if progress is not None:
            done = run.evaluated
            rate = max(done - taken_up.candidates, 0) / (time.perf_counter() - start)
            kind, front = "enumerating" if every else "searching", lambda: run.harvest.front
            progress(Progress(kind, min(done, budget), budget, rate, run.feasible, front, taken_up))

    try:
        with naming_storage(settings, optuna.exceptions.OptunaError):
            for _ in () if every else run.close(min(int(_CLOSING * budget), MOST_CANDIDATES)):
                report()
            for _ in run.refine() if continuous else ():
                report()
            if seconds is None:
                seconds = seconds_to_enumerate(problem, run.space)
            left_s = seconds * (budget - run.evaluated) / size
            with workers(settings.cluster, left_s) as jobs:
                for generation in run.generations(budget):
                    while missing := run.missing(generation):
                        wave_s = _WAVE_S * max(1.0, (time.perf_counter() - start) / _LONG_S)
                        each = int(wave_s / seconds * run.space.blocks)
                        for _ in run.work(missing, jobs, each):
                            report()
                        if run.add(generation):
                            report()
                    run.add(generation)
            run.add_all()
            for _ in run.refine() if continuous else ():
                report()
    except KeyboardInterrupt:
        interrupted = True
        run.add_all()
    with naming_storage(settings, optuna.exceptions.OptunaError):
        run.ledger.close()
    harvest = run.harvest.scored_anew(problem)
    return SearchResult(
        harvest=harvest,
        front=harvest.front,
        nearest=spread_nearest(problem, harvest.nearest),
        complete=harvest.evaluated == size and not continuous,
        seconds=time.perf_counter() - start,
        interrupted=interrupted,
        taken_up=taken_up,
        fronts=run.fronts,
    )


class _Study:
    """A search or an enumeration, step by step."""

    def __init__(self, problem: Problem, settings: Settings, *, every: bool) -> None:
        self._problem, self._settings, self._every = problem, settings, every
        block = settings.block or (BLOCK if every else _SEARCH_BLOCK)
        self.space = Space.of(problem, block, small=not every)
        on_grid = replace(problem, choices=self.space.choices)
        self._sample = sample_of(on_grid, settings.seed)
        self.scale = scale_of(self._sample)
        few = self._sample.feasible.mean() < FEW
        self._limits: Limits = "first" if few else "told"
        self._none = self._sample.take(np.zeros(0, np.intp))
        self._nothing = Harvest(self._none, self._none)
        self._harvests = [self._nothing]
        """What is known of blocks, then what is new of them and not yet joined to it."""
        self._evaluated = self._feasible = self._new = 0
        """Candidates of all these, those of them that keep every limit, designs in the new ones."""
        self._done: set[int] = set()
        """The blocks that these are of."""
        self._closed, self._of_closed = self._none, self._nothing
        """What the closure worked out and blocks did not, and its harvest."""
        self._off_grid = self._nothing
        """What continuous parts between the values of their grid left behind."""
        self._refined: set[tuple[int, bytes]] = set()
        self.fronts: list[tuple[int, np.ndarray]] = []
        how = "every" if every else f"{settings.sampler}-{settings.seed}"
        self.ledger = Ledger(problem, self.space, settings, how, proposing=not every)

    @property
    def evaluated(self) -> int:
        """Number of candidates of the grid worked out."""
        return self._evaluated + self._of_closed.evaluated

    @property
    def feasible(self) -> int:
        """Number of candidates of the grid that keep every limit."""
        return self._feasible + self._of_closed.feasible

    @property
    def harvest(self) -> Harvest:
        """What all candidates left behind."""
        self._join_blocks()
        others = [h for h in (self._of_closed, self._off_grid) if h.evaluated]
        return Harvest.joined(self._problem, self.scale, [*self._harvests, *others])

    def close(self, most: int) -> Iterator[None]:
        """Close the front under single steps, with so many candidates at most; pause each round.

        It takes a second or two and comes out alike in every process that shares the study: it is
        not stored. What searches of other versions found is where it starts.
        """
        others = [self._problem.evaluate(parts) for parts in self.ledger.others.values()]
        starts = Evaluation.join([*others, self._sample])
        rounds = closing(
            self._problem, self.space, self.scale, starts, most=most, seed=self._settings.seed
        )
        for self._closed, self._of_closed in rounds:
            self._leave_to_blocks()
            self.fronts.append((self.evaluated, self.harvest.front.losses))
            yield

    def refine(self) -> Iterator[None]:
        """Refine continuous parts about the front, if there is one; pause each round."""
        harvest = self.harvest
        if harvest.feasible:
            for new in refining(self._problem, self.scale, harvest, self._refined):
                both = [self._off_grid, new]
                self._off_grid = Harvest.joined(self._problem, self.scale, both)
                yield

    def generations(self, budget: int) -> Iterator[list[int]]:
        """Yield blocks to work out, so many candidates in all; the next once these are added."""
        if self._every:
            yield list(range(self.space.blocks))
            return
        proposals = Generations(self.space, self._settings, len(self._problem.free))
        rng, stalled = np.random.default_rng([self._settings.seed, 2]), False
        while (left := budget - self.evaluated) > 0:
            wanted = self._strangers(rng) if stalled else self._beside(rng)
            size = min(self._settings.batch, -(-left // self.space.block_size))
            blocks = proposals.ask(wanted, size)
            generation = list(dict.fromkeys(blocks))
            stalled = self._done.issuperset(generation)
            yield generation
            proposals.tell(self.ledger.told[block][:2] for block in blocks)

    def missing(self, blocks: Sequence[int]) -> list[int]:
        """Return which of the blocks nobody has told."""
        return [block for block in blocks if block not in self.ledger.told]

    def work(self, missing: Sequence[int], jobs: int, each: int) -> Iterator[None]:
        """Work some of the blocks out, at most so many in each of so many jobs, and tell them.

        Each of an enumeration is added as soon as it is told, while jobs work on the others; then
        this pauses.
        """
        # By blocks alone, not by the closure: without it a block would not have left enough behind
        # for a run with another budget.
        near = self._feasible == 0
        known = self._harvests[0].sample
        share = len(missing) // _SHARE if self._settings.storage else len(missing)
        mine = self.ledger.claim(missing, max(jobs, min(jobs * each, share)))
        if not mine:  # others work on them
            return
        # In one function: joblib lays an array among arguments on one worker of a cluster, and
        # with that worker it would be lost.
        work = partial(
            worked_out, self._problem, self.space, self.scale, known, near=near, limits=self._limits
        )
        with results_of(delayed(work)(block) for block in mine) as done:
            try:
                for block, (harvest, best) in zip(mine, done, strict=True):
                    left = self._stored(harvest)
                    self.ledger.tell(block, Entry(best, harvest.least_broken, left))
                    if self._every:
                        self._enter([block], [harvest])
                        yield
            finally:
                self.ledger.sync()

    def add(self, blocks: Sequence[int]) -> bool:
        """Add what blocks left that are told; of a search once all are. Return whether any were.

        So a search goes by whole generations, and comes to the same whoever worked them out.
        """
        told = [b for b in blocks if b in self.ledger.told and b not in self._done]
        due = bool(told) and (self._every or len(told) == len(set(blocks) - self._done))
        if due:
            self._enter(told, self._restored(told))
        return due

    def add_all(self) -> None:
        """Add what blocks left that are told, those too that no whole generation holds."""
        if rest := sorted(self.ledger.told.keys() - self._done):
            self._enter(rest, self._restored(rest))

    def _strangers(self, rng: np.random.Generator) -> list[int]:
        """Return blocks from anywhere, where those beside the front are all done."""
        batch, total = self._settings.batch, self.space.blocks
        if total <= _FEW_BLOCKS:
            drawn = rng.permutation(total).tolist()
        else:
            coarse = self.space.sizes[: self.space.coarse]
            drawn = [self.space.block_at(rng.integers(coarse)) for _ in range(4 * batch)]
        return [block for block in dict.fromkeys(drawn) if block not in self._done][:batch]

    def _beside(self, rng: np.random.Generator) -> list[int]:
        """Return blocks of the front and beside it, three of four in a batch at most."""
        best = self.harvest.front if self.harvest.feasible else self.harvest.nearest
        beside = [
            block
            for own in dict.fromkeys(self.space.blocks_of(best.parts))
            for block in (own, *self.space.neighbours(own))
            if block not in self._done
        ]
        # Any of them alike, so that a crowd in one place does not draw the search to it.
        spread = rng.permutation(np.unique(beside)).tolist() if beside else []
        batch = self._settings.batch
        return [int(block) for block in spread[: batch - batch // 4]]

    def _enter(self, blocks: Sequence[int], harvests: Sequence[Harvest]) -> None:
        """Add what blocks left; of an enumeration it is joined once it is as much as is known."""
        self._harvests += harvests
        self._evaluated += sum(h.evaluated for h in harvests)
        self._feasible += sum(h.feasible for h in harvests)
        self._new += sum(h.designs for h in harvests)
        self._done.update(blocks)
        self._leave_to_blocks()
        if not self._every:
            self.fronts.append((self.evaluated, self.harvest.front.losses))
        elif self._new >= self._harvests[0].designs:
            self._join_blocks()

    def _join_blocks(self) -> None:
        """Join what is new of blocks to what is known of them."""
        self._harvests = [Harvest.joined(self._problem, self.scale, self._harvests)]
        self._new = 0

    def _leave_to_blocks(self) -> None:
        """Take from the closure what blocks have worked out, so that nothing counts twice."""
        blocks = self.space.blocks_of(self._closed.parts) if self._done else []
        left = np.array([block not in self._done for block in blocks], bool)
        if left.all():
            return
        self._closed = self._closed.take(left)
        self._of_closed = (
            Harvest.of(self._problem, self.scale, self._closed, len(self._closed), near=True)
            if left.any()
            else self._nothing
        )

    def _stored(self, harvest: Harvest) -> dict[str, Any]:
        kept = harvest.counts
        for name in ("serious", "nearest"):
            parts = getattr(harvest, name).parts
            kept[name] = text_of(self.space.rows(parts))
        return kept

    def _restored(self, blocks: Sequence[int]) -> list[Harvest]:
        """Return the harvests of blocks that are told, from what :meth:`_stored` made of them."""
        kept = {block: self.ledger.told[block].left for block in blocks}
        own = {}
        for name in ("serious", "nearest"):
            rows = {block: rows_of(left[name], self.space) for block, left in kept.items()}
            parts = [self.space.parts(block, some) for block, some in rows.items()]
            lengths = [len(some) for some in rows.values()]
            joined = {
                c.part: np.concatenate([np.zeros(0), *(some[c.part] for some in parts)])
                for c in self.space.choices
            }
            whole = self._problem.evaluate(joined) if sum(lengths) else self._none
            ends = np.cumsum([0, *lengths])
            own[name] = [whole.take(np.arange(*ends[at : at + 2])) for at in range(len(lengths))]
        return [
            Harvest(**{**harvest, "serious": serious, "nearest": nearest})
            for harvest, serious, nearest in zip(
                kept.values(), own["serious"], own["nearest"], strict=True
            )
        ]
