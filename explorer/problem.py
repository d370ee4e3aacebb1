"""The problem that a brief states: what may vary, how candidates are scored, what binds them."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from explorer.aims import WORST_LOSS, FreeScore, Window
from explorer.choices import Choice
from explorer.drawer import DrawerParts
from explorer.driving import Driving, distinct_drivers
from explorer.evaluation import Evaluation, Limits, Parts
from explorer.room import may_be_feasible, narrowed, room
from explorer.tolerances import PartTolerances
from objectives.arrays import BoolArray, FloatArray, IntArray, cut
from objectives.assessment import Assessment
from objectives.checks import InputError
from objectives.devices.protocol import Device
from objectives.devices.terms import Terms
from objectives.elements import DRIVER
from objectives.scores.registry import REGISTRY
from objectives.stage import Stage
from objectives.targets import Targets
from objectives.tolerance.setup import YIELD, ToleranceSetup

CHUNK = 2048
"""Candidates in rows evaluated together; few enough that a sweep stays in the cache."""

_RATING = " rating"
RATING_STEP = 0.05
"""A noticeable step of a rating, as a share of it."""
ALL_FINITE = "all scores finite"
"""Name of the limit that every free score has a finite value."""


@dataclass(frozen=True)
class Problem:
    """Everything that the search needs to know; made from a brief, independent of its format."""

    device: Device
    targets: Targets
    fixed: Stage
    """The stage with every part that does not vary; varied fields are overwritten."""
    choices: tuple[Choice, ...]
    free: tuple[FreeScore, ...]
    windows: tuple[Window, ...] = ()
    goals: tuple[Window, ...] = ()
    """What counts as on target; a candidate that misses one is feasible all the same."""
    yield_asked: float = 0.9
    """Share of builds in which the pick is to keep its targets and limits."""
    shown: tuple[str, ...] = ()
    """Scores that are worked out for the report only."""
    ratings_hold: bool = True
    """Whether the ratings of the valve and the resistors are limits."""
    identity: Mapping[str, Any] = field(default_factory=dict)
    """What a stored search must agree on to be the same search."""
    extras: Mapping[str, Any] = field(default_factory=dict)
    """Further keyword arguments of :class:`~objectives.assessment.Assessment`."""
    driving: Driving = field(default_factory=lambda: Driving(1000.0))
    """What drives the stage, with the first value of what is chosen of it."""
    stocks: Mapping[str, DrawerParts] = field(default_factory=dict)
    """For each part that comes from a drawer the lines it may be taken from."""
    styled: Collection[str] = ("stopper_ohm", "grid_capacitor_F")
    """Parts that have, out of a drawer, the capacitance and the leads of their style."""
    tolerances: PartTolerances = field(default_factory=PartTolerances)
    """What is said of the tolerance of each part."""
    others: tuple[tuple[Device, ToleranceSetup | None], ...] = ()
    """Further devices to choose from, and the spreads with each; parts then have a ``device``."""

    @property
    def terms(self) -> Terms:
        """What people call the device and what belongs to it, and the values that are preferred."""
        return replace(self.device.terms, stock=self.targets.stock)

    @property
    def fingerprint(self) -> str:
        """Return a short hash of what defines the search."""
        text = json.dumps(self.identity, sort_keys=True, default=str)
        return hashlib.sha256(text.encode()).hexdigest()[:16]

    @property
    def size(self) -> float:
        """Number of candidates in the space; inf when a part is continuous."""
        return float(np.prod([choice.size for choice in self.choices]))

    @property
    def searched_names(self) -> tuple[str, ...]:
        """The scores that decide: free, limited or with a goal, each once."""
        bounded = [window.name for window in (*self.windows, *self.goals)]
        return tuple(dict.fromkeys([*(free.name for free in self.free), *bounded]))

    @property
    def score_names(self) -> tuple[str, ...]:
        """Every score that the problem names, each once: free, limited, shown."""
        return tuple(dict.fromkeys([*self.searched_names, *self.shown]))

    @property
    def slow(self) -> bool:
        """Whether a score that decides takes milliseconds a candidate or more."""
        return any(REGISTRY[name].slow for name in self.searched_names)

    def by_device(self, parts: Parts) -> Sequence[tuple[IntArray, Problem, Parts]]:
        """Return N candidates by their device.

        For each that occurs: rows, the problem with that device alone, and their parts in it.
        """
        if not self.others:
            return [(np.arange(len(next(iter(parts.values()), ()))), self, parts)]
        devices = ((self.device, self.targets.tolerance), *self.others)
        groups = []
        for number in np.unique(parts["device"]):
            rows = np.flatnonzero(parts["device"] == number)
            device, setup = devices[int(number)]
            own = replace(
                self, device=device, targets=replace(self.targets, tolerance=setup), others=()
            )
            some = {name: values[rows] for name, values in parts.items() if name != "device"}
            groups.append((rows, own, some))
        return groups

    def stages(self, parts: Parts) -> Stage:
        """Return the batch of stages with these part values."""
        own = {name: a for name, a in parts.items() if not name.startswith(DRIVER)}
        stage = replace(self.fixed, **self._source(parts), **self._styles(parts), **own)
        with_axes = any(np.ndim(values) > 1 for values in parts.values())
        return stage if with_axes else stage.broadcast()

    def _source(self, parts: Parts) -> dict[str, FloatArray]:
        """Return source resistance, ratio and cable where candidates state their own driver."""
        columns, which = distinct_drivers(parts)
        if not columns:
            return {}
        fields = self.driving.at(columns).fields()
        count = int(which.max(initial=0)) + 1
        return {name: np.broadcast_to(value, (count,))[which] for name, value in fields.items()}

    def _styles(self, parts: Parts) -> dict[str, FloatArray]:
        """Return what the styles that a drawer names say of its parts, by field of Stage."""
        fields = {}
        for part, stock in self.stocks.items():
            if part not in self.styled:
                continue
            rows = stock.row_of(parts.get(part, getattr(self.fixed, part)))
            for name, own in stock.styled_fields(part).items():
                # The last is for a part that is not in the drawer.
                values = np.append(own, getattr(self.fixed, name))
                fields[name] = np.where(np.isnan(values), values[-1], values)[rows]
        return fields

    def note(self, part: str, value: float) -> str:
        """Return what the drawer notes on a part of that value; empty where it says nothing."""
        stock = self.stocks.get(part)
        row = -1 if stock is None else int(stock.row_of(value))
        return "" if stock is None or row < 0 else stock.note[row]

    def assess(self, parts: Parts) -> Assessment:
        """Return the assessment of the stages with these part values.

        Candidates with one driver of their own have a drive through it; where they have several
        there is no drive, and :meth:`scores` goes through them one by one.

        Raises
        ------
        InputError
            If the candidates have several devices; :meth:`by_device` parts them.
        """
        if self.others:
            (_, problem, own), *more = self.by_device(parts)
            if more:
                raise InputError("device", 1 + len(more), "must be one for all candidates assessed")
            return problem.assess(own)
        targets, (columns, which) = self.targets, distinct_drivers(parts)
        if columns and targets.drive is not None:
            one = self.driving.at(columns).signal(targets.drive) if which.max() == 0 else None
            targets = replace(targets, drive=one)
        return Assessment(self.stages(parts), self.device, targets, **self.extras)

    def scores(
        self, parts: Parts, names: Collection[str], assessment: Assessment | None = None
    ) -> dict[str, FloatArray]:
        """Return scores of N candidates; one under drive is of each candidate's own driver.

        A score that needs a driver that clips is nan where that driver does not.
        """
        if self.others:
            columns = {name: np.empty(len(parts["device"])) for name in names}
            for rows, problem, own in self.by_device(parts):
                for name, values in problem.scores(own, columns).items():
                    columns[name][rows] = values
            return columns
        whole = assessment or self.assess(parts)
        _, which = distinct_drivers(parts)
        driven = [n for n in names if which.size and "drive" in REGISTRY[n].requires]
        found = {name: np.full(which.size, np.nan) for name in driven}
        for driver in range(int(which.max(initial=-1)) + 1 if driven else 0):
            rows = np.flatnonzero(which == driver)
            some = self.assess({name: values[rows] for name, values in parts.items()})
            for name in driven:
                try:
                    found[name][rows] = some[name]
                except InputError as error:
                    if error.field != "drive.level_V":  # else the driver does not clip
                        raise
        if YIELD in names and parts and self.targets.tolerance is not None:
            found[YIELD] = np.empty(len(next(iter(parts.values()))))
            for rows, problem, own in self.by_tolerance(parts):
                found[YIELD][rows] = problem.assess(own)[YIELD]
        return {name: found[name] if name in found else whole[name] for name in names}

    def trusted(self, parts: Parts) -> BoolArray:
        """Return of N candidates which work where the law of their device is known to hold."""
        trusted = np.ones(len(next(iter(parts.values()), ())), bool)
        for rows, problem, own in self.by_device(parts):
            trusted[rows] = problem.device.trusts(problem.assess(own).point)
        return trusted

    def tolerance_of(self, parts: Parts) -> ToleranceSetup | None:
        """Return the spreads of these candidates; where their parts differ, the widest."""
        _, problem, some = self.by_device(parts)[0]
        setup = problem.targets.tolerance
        return None if setup is None else problem.tolerances.own(setup, some)

    def by_tolerance(self, parts: Parts) -> Sequence[tuple[IntArray, Problem, Parts]]:
        """Return candidates as :meth:`by_device`, and by tolerance, which each problem then has."""
        groups = []
        for rows, problem, own in self.by_device(parts):
            setup = problem.targets.tolerance
            number = np.zeros(len(rows)) if setup is None else problem.tolerances.alike(setup, own)
            for kind in np.unique(number):
                some = {name: values[number == kind] for name, values in own.items()}
                targets = replace(problem.targets, tolerance=problem.tolerance_of(some))
                groups.append((rows[number == kind], replace(problem, targets=targets), some))
        return groups

    def evaluate(self, parts: Parts, *, limits: Limits = "exact") -> Evaluation:
        """Score N candidates, in chunks; ``parts`` maps every varied part to N values.

        Only the scores that decide are worked out; :meth:`show` adds the others where wanted.
        Parts with an axis each, as of :meth:`~explorer.space.Space.chunks`, are one chunk. Of such,
        where ``limits`` are told, see :func:`~explorer.room.narrowed`; where they come first,
        candidates that break one may be left out, which pays where few keep them.
        """
        if len({np.shape(values) for values in parts.values()}) > 1:
            return self._evaluate(parts, limits)
        count = len(next(iter(parts.values()), (0,)))  # where nothing varies there is one candidate
        pieces = [
            self._evaluate({name: a[at : at + CHUNK] for name, a in parts.items()})
            for at in range(0, max(count, 1), CHUNK)
        ]
        return pieces[0] if len(pieces) == 1 else Evaluation.join(pieces)

    def _evaluate(self, parts: Parts, limits: Limits = "exact") -> Evaluation:
        if self.others:
            parts = self._as_worked_out(parts)[0]
            groups = self.by_device(parts)
            # Where the device alone varies a group is one stage, however often it is asked for.
            joined = Evaluation.join(
                [
                    problem._evaluate(own).take(
                        np.arange(len(rows)) if own else np.zeros_like(rows)
                    )
                    for rows, problem, own in groups
                ]
            )
            order = np.argsort(np.concatenate([rows for rows, _, _ in groups]))
            return replace(joined.take(order), parts=dict(parts))
        parts, shape = self._as_worked_out(parts)
        assessment = self.assess(parts)
        ratings = assessment.ratings if self.ratings_hold else ()
        found: Mapping[str, FloatArray] = {}
        if limits == "first":
            kept, whole = may_be_feasible(self.windows, ratings, assessment, shape)
            rows = np.flatnonzero(kept) if kept.any() else np.zeros(1, np.intp)
            parts = {name: np.broadcast_to(a, shape).ravel()[rows] for name, a in parts.items()}
            found = {name: values.ravel()[rows] for name, values in whole.items()}
            assessment, shape = assessment.at(rows), rows.shape
        elif limits == "told":
            free = {score.name for score in self.free}
            decide = [w for w in (*self.windows, *self.goals) if w.name not in free]
            block, assessment, found = narrowed(self.windows, decide, ratings, assessment, shape)
            parts = {name: cut(a, block) for name, a in parts.items()}
            shape = np.broadcast_shapes((1,), *(a.shape for a in parts.values()))
        return self._scored(parts, shape, assessment, found)

    def _scored(
        self,
        parts: Parts,
        shape: tuple[int, ...],
        assessment: Assessment,
        told: Mapping[str, FloatArray],
    ) -> Evaluation:
        """Return the evaluation of candidates whose scores have that shape, some of them told."""
        names = [name for name in self.searched_names if name not in told]
        with np.errstate(divide="ignore"):
            found = {**self.scores(parts, names, assessment), **told}

        def flat(values: FloatArray) -> FloatArray:
            return np.broadcast_to(values, shape).ravel()

        scores = {name: flat(values) for name, values in found.items()}
        columns = [f.loss(scores[f.name]) for f in self.free]
        losses = np.stack(columns, axis=-1) if columns else np.zeros((int(np.prod(shape)), 0))
        sound = np.isfinite(losses).all(axis=-1)
        excess = {}
        if self.ratings_hold:
            for rating in assessment.ratings:
                excess[f"{rating.name}{_RATING}"] = flat(rating.excess)
        for window in self.windows:
            excess[window.name] = np.nan_to_num(
                window.excess(scores[window.name]), nan=WORST_LOSS, posinf=WORST_LOSS
            )
        excess[ALL_FINITE] = np.where(sound, 0.0, WORST_LOSS)
        return Evaluation(
            {name: flat(values) for name, values in parts.items()},
            scores,
            np.where(np.isfinite(losses), losses, WORST_LOSS),
            excess,
            self._room(scores, excess),
        )

    def _as_worked_out(self, parts: Parts) -> tuple[Parts, tuple[int, ...]]:
        """Return parts as scores take them, and the shape in which they do: at least one axis.

        Slow scores and several devices go through candidates one by one.
        """
        shape = np.broadcast_shapes((1,), *(np.shape(values) for values in parts.values()))
        if self.slow or self.others:
            parts = {name: np.broadcast_to(a, shape).ravel() for name, a in parts.items()}
            shape = (int(np.prod(shape)),)
        return parts, shape

    def _room(
        self, scores: Mapping[str, FloatArray], excess: Mapping[str, FloatArray]
    ) -> FloatArray:
        """Return the room to each limit and target: 0, 1, 2 … from 0, 1, 3 … steps on.

        A score that is brought as far as can be, or near a value, tells of its own room.
        """
        told = {free.name for free in self.free if free.use != "reach"}
        rooms = [
            window.room(scores[window.name])
            for window in (*self.windows, *self.goals)
            if window.name not in told and not REGISTRY[window.name].of_bought_parts
        ]
        # Which ratings there are differs from device to device; the tightest stands for all.
        ratings = [e for name, e in excess.items() if name.endswith(_RATING)]
        if self.ratings_hold:
            rooms.append(-np.max(ratings, axis=0, initial=-1.0) / RATING_STEP)
        count = len(excess[ALL_FINITE])
        if not rooms:
            return np.zeros((count, 0))
        steps = np.stack([np.broadcast_to(own, (count,)) for own in rooms], axis=-1)
        return room(steps)

    def missed_limits(self, found: Evaluation) -> FloatArray:
        """Return the noticeable steps by which candidates miss each limit, shape (N, limits).

        The limits come in the order of ``found.excess``; one that is kept counts 0.
        """
        windows = {window.name: window for window in self.windows}
        missed = np.zeros((len(found), len(found.excess)))
        for at, (name, excess) in enumerate(found.excess.items()):
            of_score = name in windows
            steps = -windows[name].room(found.scores[name]) if of_score else excess / RATING_STEP
            # Rounding is no difference; yet what is broken never counts as kept.
            steps = np.clip(np.round(steps, 6), 1e-6, WORST_LOSS)
            missed[:, at] = np.where(excess > 0, steps, 0.0)
        return missed

    def missed_goals(self, found: Evaluation) -> FloatArray:
        """Return the noticeable steps by which candidates miss each goal, shape (N, goals)."""
        missed = [np.maximum(-goal.room(found.scores[goal.name]), 0.0) for goal in self.goals]
        return np.stack(missed, axis=-1) if missed else np.zeros((len(found), 0))

    def show(self, found: Evaluation, rows: IntArray) -> Evaluation:
        """Return candidates with the scores that are only shown added.

        Those that are slow are worked out at ``rows`` alone and are nan elsewhere.
        """
        scores = dict(found.scores)
        wanted = [name for name in self.shown if name not in scores]
        # All that are slow at once: they share the solution under the drive.
        for slow, where in ((True, rows), (False, np.arange(len(found)))):
            names = [name for name in wanted if REGISTRY[name].slow == slow]
            scores |= {name: np.full(len(found), np.nan) for name in names}
            for at in range(0, len(where) if names else 0, CHUNK):
                some = where[at : at + CHUNK]
                parts = {part: values[some] for part, values in found.parts.items()}
                for name, values in self.scores(parts, names).items():
                    scores[name][some] = values
        return replace(found, scores=scores)

    def draw(self, count: int, rng: np.random.Generator) -> Parts:
        """Return ``count`` random candidates, of each part as :meth:`Choice.draw` has them."""
        return {c.part: c.draw(count, rng) for c in self.choices}
