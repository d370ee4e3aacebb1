"""The search: an Optuna study of coarse choices, each worked out with everything that goes with it.

Asked for every coarse choice, the study is an enumeration and its front is exact. Otherwise the
front is first closed candidate by candidate; then come the blocks beside it, and a sampler proposes
the rest. Continuous parts stand on a grid, which is refined about the front once it is closed and
once more in the end.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from importlib.metadata import version
from typing import Any, Final

import numpy as np
import optuna
from joblib import Parallel, delayed
from optuna.trial import FrozenTrial, TrialState

from explorer.blocks import worked_out
from explorer.closure import MOST_CANDIDATES, closing
from explorer.harvest import Harvest
from explorer.journal import naming_storage, open_storage
from explorer.nearest import spread_nearest
from explorer.probe import sample_of, scale_of
from explorer.problem import Problem
from explorer.refine import refining
from explorer.results import Progress, ProgressCallback, SearchResult
from explorer.sampler import PlannedSampler, block_of, distributions
from explorer.settings import Settings
from explorer.space import OUTER_CHUNK, Space, seconds_to_enumerate
from explorer.workers import workers

_FEW_FEASIBLE: Final = 0.35
"""Share of the sample under which it pays to look at limits first: what is left then goes in rows,
each of which takes more than twice as long as in an outer product."""

_CLOSING: Final = 0.5
"""Share of a search that candidates may take one by one; most need far less."""

_SEARCH_BLOCK: Final = 4096
"""Candidates in a block of a search at most, where the settings do not say."""

_WAVE_S: Final = 0.5
"""Time that a process works between two looks at the storage."""

_LONG_S: Final = 50.0
"""Time from which on it looks the less often, the longer it has run."""

_VERSION: Final = version("stagefront")
_DEFAULT: Final = Settings()

_FEW_BLOCKS: Final = 100_000
"""So many are listed to draw from."""

_HARVEST: Final = "harvest"
"""Name of the attribute of a trial that says what its block left behind."""


def enumerate_front(
    problem: Problem, settings: Settings = _DEFAULT, progress: ProgressCallback | None = None
) -> SearchResult:
    """Work out every candidate of a space without continuous parts and return the exact front.

    See :func:`search` for what is stored and who may share it.
    """
    return _run(problem, settings, progress, every=True)


def search(
    problem: Problem, settings: Settings, progress: ProgressCallback | None = None
) -> SearchResult:
    """Search the space: close the front, then propose coarse choices with all that goes with each.

    What each left behind is in the storage at once; the closure is made anew. The same call with
    the same storage goes on where the last one stopped, whether it was finished, interrupted or
    killed; a different brief makes a different study in the same storage. Any number of processes
    may search one storage at the same time: the budget is that of all of them, and each takes up
    what the others did.
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
    problem: Problem, settings: Settings, progress: ProgressCallback | None, *, every: bool
) -> SearchResult:
    optuna.logging.set_verbosity(optuna.logging.WARNING)
    start = time.perf_counter()
    with naming_storage(settings, Exception):  # the storage drivers raise what they like
        run = _Study(problem, settings, every=every)
    size = run.space.size
    budget = size if every else min(settings.evaluations, size)
    resumed, interrupted, continuous = 0, False, not np.isfinite(problem.size)

    def report() -> None:
        if progress is not None:
            done = run.evaluated
            rate = (done - resumed) / (time.perf_counter() - start)
            kind, front = "enumerating" if every else "searching", lambda: run.harvest.front
            progress(Progress(kind, min(done, budget), budget, rate, run.feasible, front))

    try:
        with naming_storage(settings, optuna.exceptions.OptunaError):
            run.collect_stored()
            resumed = run.evaluated
            for _ in () if every else run.close(min(int(_CLOSING * budget), MOST_CANDIDATES)):
                report()
            for _ in run.refine() if continuous else ():
                report()
            seconds = seconds_to_enumerate(problem, run.space)
            left_s = seconds * (budget - run.evaluated) / size
            with workers(settings.cluster, left_s) as jobs:
                while run.evaluated < budget:
                    wave_s = _WAVE_S * max(1.0, (time.perf_counter() - start) / _LONG_S)
                    run.work(budget, jobs * max(1, int(wave_s / seconds * run.space.blocks)))
                    report()
            for _ in run.refine() if continuous else ():
                report()
    except KeyboardInterrupt:
        interrupted = True
        with naming_storage(settings, optuna.exceptions.OptunaError):
            run.give_up_open_trials()
    harvest = run.harvest
    return SearchResult(
        harvest=harvest,
        front=harvest.front,
        nearest=spread_nearest(problem, harvest.nearest),
        complete=harvest.evaluated == size and not continuous,
        seconds=time.perf_counter() - start,
        interrupted=interrupted,
        resumed=resumed,
        fronts=run.fronts,
    )


def _limit_of(trial: FrozenTrial) -> float:
    return float(next(iter(trial.constraints.values())))


class _Study:
    """One process's share in a stored study."""

    def __init__(self, problem: Problem, settings: Settings, *, every: bool) -> None:
        self._problem, self._settings, self._every = problem, settings, every
        block = settings.block or (OUTER_CHUNK if every else _SEARCH_BLOCK)
        self.space = Space.of(problem, block, small=not every)
        on_grid = replace(problem, choices=self.space.choices)
        self._sample = sample_of(on_grid, settings.seed)
        self.scale = scale_of(self._sample)
        self._gated = self._sample.feasible.mean() < _FEW_FEASIBLE
        self._none = self._sample.take(np.zeros(0, np.intp))
        self._nothing = Harvest(self._none, self._none)
        self._harvests = [self._nothing]
        """What is known of blocks, then what is new of them and not yet joined to it."""
        self._done: set[int] = set()
        """The blocks that these are of."""
        self._closed, self._of_closed = self._none, self._nothing
        """What the closure worked out and blocks did not, and its harvest."""
        self._off_grid = self._nothing
        """What continuous parts between the values of their grid left behind."""
        self._refined: set[tuple[int, bytes]] = set()
        self.told: dict[int, tuple[list[float], float]] = {}
        """Of each block that was told, the losses and the limit that its trial was told."""
        self.fronts: list[tuple[int, np.ndarray]] = []
        storage, self._sync = open_storage(settings.storage)
        how = "every" if every else f"{settings.sampler}-{settings.seed}"
        self._study = optuna.create_study(
            study_name=f"stagefront-{problem.fingerprint}-{_VERSION}-{self.space.block_size}-{how}",
            directions=["minimize"] * len(problem.free),
            storage=storage,
            load_if_exists=True,
        )
        self._seen: set[int] = set()
        self._open: list[optuna.Trial] = []
        self._stalled = False

    @property
    def evaluated(self) -> int:
        """Number of candidates of the grid worked out."""
        return sum(h.evaluated for h in (*self._harvests, self._of_closed))

    @property
    def feasible(self) -> int:
        """Number of candidates of the grid that keep every limit."""
        return sum(h.feasible for h in (*self._harvests, self._of_closed))

    @property
    def harvest(self) -> Harvest:
        """What all candidates left behind."""
        self._join_blocks()
        others = [h for h in (self._of_closed, self._off_grid) if h.evaluated]
        return Harvest.joined(self._problem, self.scale, [*self._harvests, *others])

    def close(self, most: int) -> Iterator[None]:
        """Close the front under single steps, with so many candidates at most; pause each round.

        It takes a second or two and comes out alike in every process that shares the study: it is
        not stored.
        """
        rounds = closing(
            self._problem, self.space, self.scale, self._sample, most=most, seed=self._settings.seed
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

    def collect_stored(self) -> None:
        """Take up what others have told and an earlier run has stored."""
        stored = self._study.get_trials(deepcopy=False, states=(TrialState.COMPLETE,))
        new = {}
        for trial in stored:
            if trial.number in self._seen:
                continue
            self._seen.add(trial.number)
            block = block_of(self.space, trial.params)
            if block not in self.told:
                self.told[block] = trial.values, _limit_of(trial)
                new[block] = trial.user_attrs[_HARVEST]
        if new:
            self._add(dict(zip(new, self._restored(new), strict=True)))

    def work(self, budget: int, together: int) -> None:
        """Ask for some coarse choices, work out their blocks and tell what they came to.

        Of an enumeration ``together`` at a time.
        """
        left = -(-(budget - self.evaluated) // self.space.block_size)
        count = min(together if self._every else self._settings.batch, left)
        self._study.sampler = PlannedSampler(self.space, self._settings, self._planned())
        for _ in range(count):
            self._open.append(self._study.ask(distributions(self.space)))
        blocks = [block_of(self.space, trial.params) for trial in self._open]
        fresh = [block for block in dict.fromkeys(blocks) if block not in self.told]
        done = dict(zip(fresh, self._work_out(fresh), strict=True))
        self._stalled = not fresh
        # First, so that what is worked out counts even where Ctrl-C keeps it from being told.
        self._add({block: harvest for block, (harvest, _) in done.items()})
        for block in blocks:
            self._tell(block, done.get(block))
        self._sync()
        self.collect_stored()

    def give_up_open_trials(self) -> None:
        """Mark the trials that were asked for and not told as failed."""
        for trial in self._open:
            self._study.tell(trial, state=TrialState.FAIL, skip_if_finished=True)

    def _planned(self) -> Callable[[int], int | None]:
        """Return which block a trial of a number is to have; None where a sampler proposes it."""
        if self._every:
            # What was asked for and never told, by a process that was killed, comes last.
            rest = (block for block in range(self.space.blocks) if block not in self.told)
            return lambda number: number if number < self.space.blocks else next(rest, 0)
        wanted = iter(self._wanted())
        return lambda number: next(wanted, None)

    def _wanted(self) -> list[int]:
        """Return the blocks to work out next: those of the front and beside it, else at random."""
        batch, total = self._settings.batch, self.space.blocks
        asked = self._study.get_trials(deepcopy=False)
        under_way = self._under_way(asked)
        rng = np.random.default_rng([self._settings.seed, len(asked)])
        if self._stalled and total <= _FEW_BLOCKS:
            # What others work on comes last: they may have been killed.
            rest = [int(b) for b in rng.permutation(total) if b not in self.told]
            return sorted(rest, key=under_way.__contains__)[:batch]
        taken = {*self.told, *under_way}
        if self._stalled:
            drawn = (
                self.space.block_at(rng.integers(self.space.sizes[: self.space.coarse]))
                for _ in range(4 * batch)
            )
            return [block for block in dict.fromkeys(drawn) if block not in taken][:batch]
        best = self.harvest.front if self.harvest.feasible else self.harvest.nearest
        beside = [
            block
            for own in dict.fromkeys(self.space.blocks_of(best.parts))
            for block in (own, *self.space.neighbours(own))
            if block not in taken
        ]
        # Any of them alike, so that a crowd in one place does not draw the search to it.
        spread = rng.permutation(np.unique(beside)).tolist() if beside else []
        return [int(block) for block in spread[: batch - batch // 4]]

    def _under_way(self, asked: Sequence[FrozenTrial]) -> set[int]:
        """Return the blocks that others are working on, as far as it is known which they are."""
        names = distributions(self.space).keys()
        running = (trial for trial in asked if trial.state == TrialState.RUNNING)
        return {block_of(self.space, t.params) for t in running if t.params.keys() == names}

    def _work_out(self, blocks: Sequence[int]) -> list[tuple[Harvest, list[float]]]:
        # By what is stored alone, not by the closure: without it a block would not have left enough
        # behind for a run with another budget, or for one that is shared.
        near = not any(h.feasible for h in self._harvests)
        known = self._harvests[0].sample
        done: list[tuple[Harvest, list[float]]] = Parallel()(
            delayed(worked_out)(
                self._problem, self.space, self.scale, block, known, near=near, gated=self._gated
            )
            for block in blocks
        )
        return done

    def _tell(self, block: int, done: tuple[Harvest, list[float]] | None) -> None:
        """Tell the first open trial what its block came to; None where that is known already."""
        trial = self._open[0]
        if done is not None:
            harvest, best = done
            self.told[block] = best, harvest.least_broken
            trial.set_user_attr(_HARVEST, self._stored(harvest))
        values, limit = self.told[block]
        trial.set_constraint("limits", limit)
        self._study.tell(trial, values)
        self._seen.add(trial.number)
        del self._open[0]

    def _add(self, harvests: Mapping[int, Harvest]) -> None:
        """Add what blocks left; of an enumeration it is joined once it is as much as is known."""
        if not harvests:
            return
        self._harvests += harvests.values()
        self._done.update(harvests)
        self._leave_to_blocks()
        known, *new = (len(h.serious) + len(h.nearest) for h in self._harvests)
        if not self._every:
            self.fronts.append((self.evaluated, self.harvest.front.losses))
        elif sum(new) >= known:
            self._join_blocks()

    def _join_blocks(self) -> None:
        """Join what is new of blocks to what is known of them."""
        self._harvests = [Harvest.joined(self._problem, self.scale, self._harvests)]

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
            kept[name] = self.space.rows(parts).tolist()
        return kept

    def _restored(self, kept: Mapping[int, Mapping[str, Any]]) -> list[Harvest]:
        """Return the harvests of blocks from what :meth:`_stored` made of them."""
        own = {}
        for name in ("serious", "nearest"):
            parts = [
                self.space.parts(block, np.array(harvest[name], np.intp))
                for block, harvest in kept.items()
            ]
            lengths = [len(harvest[name]) for harvest in kept.values()]
            joined = {
                c.part: np.concatenate([np.zeros(0), *(own[c.part] for own in parts)])
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
