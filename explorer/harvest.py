"""What is kept of candidates that stream past: the serious ones, the nearest ones, and counts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final

import numpy as np

from explorer.evaluation import Evaluation
from explorer.front import Scale, non_dominated
from explorer.nearest import may_be_nearest
from explorer.problem import Problem
from objectives.arrays import FloatArray

_KNOWN: Final = 1024
"""Candidates that others are held against before they are passed on."""


@dataclass(frozen=True)
class Harvest:
    """What some candidates leave behind; two harvests make that of all their candidates.

    Attributes
    ----------
    serious : feasible candidates, less those that another beats that has no less room to a limit
    nearest : where none is feasible, those that may be among the nearest
    evaluated, feasible : numbers of candidates
    broken : where none is feasible, for each limit how many candidates break it
    least_excess : where none is feasible, for each limit the least that any of them breaks it by
    least_broken : the least that any of them breaks all limits by, together
    """

    serious: Evaluation
    nearest: Evaluation
    evaluated: int = 0
    feasible: int = 0
    broken: Mapping[str, int] = field(default_factory=dict)
    least_excess: Mapping[str, float] = field(default_factory=dict)
    least_broken: float = np.inf

    @classmethod
    def of(
        cls, problem: Problem, scale: Scale, candidates: Evaluation, evaluated: int, *, near: bool
    ) -> Harvest:
        """Return the harvest of so many candidates; where some are feasible these will do.

        ``near`` says whether the nearest are looked for where none is feasible, on ``scale``.
        """
        feasible = candidates.feasible
        none = candidates.take(np.zeros(len(candidates), dtype=bool))
        looked_at = near and not feasible.any()
        excess = {} if feasible.any() else candidates.excess
        return cls(
            serious=_serious(candidates.take(feasible), problem),
            nearest=_nearest(candidates, problem, scale) if looked_at else none,
            evaluated=evaluated,
            feasible=int(feasible.sum()),
            broken={name: int((e > 0).sum()) for name, e in excess.items()},
            least_excess={name: float(e.min()) for name, e in excess.items()},
            least_broken=float(candidates.broken.min()),
        )

    @classmethod
    def joined(cls, problem: Problem, scale: Scale, harvests: Sequence[Harvest]) -> Harvest:
        """Return the harvest of all candidates of some harvests, at least one.

        It does not depend on their order.
        """
        if len(harvests) == 1:
            return harvests[0]
        feasible = sum(h.feasible for h in harvests)
        serious = Evaluation.join([h.serious for h in harvests])
        nearest = Evaluation.join([h.nearest for h in harvests])
        none = nearest.take(np.zeros(len(nearest), dtype=bool))
        limits = () if feasible else dict.fromkeys(name for h in harvests for name in h.broken)
        return cls(
            serious=_serious(serious, problem),
            nearest=none if feasible else _nearest(nearest, problem, scale),
            evaluated=sum(h.evaluated for h in harvests),
            feasible=feasible,
            broken={name: sum(h.broken.get(name, 0) for h in harvests) for name in limits},
            least_excess={
                name: min(h.least_excess.get(name, np.inf) for h in harvests) for name in limits
            },
            least_broken=min(h.least_broken for h in harvests),
        )

    def scored_anew(self, problem: Problem) -> Harvest:
        """Return the harvest with candidates scored all at once, in their order.

        Candidates are scored in batches of many shapes, which moves the last digit; so it is that
        of one batch, whatever the run was like.
        """
        whole = [problem.evaluate(e.parts) if len(e) else e for e in (self.serious, self.nearest)]
        return replace(self, serious=whole[0], nearest=whole[1])

    @property
    def designs(self) -> int:
        """Number of candidates that are kept."""
        return len(self.serious) + len(self.nearest)

    @property
    def counts(self) -> dict[str, Any]:
        """What is known beside the candidates, as it is stored."""
        return {
            name: getattr(self, name)
            for name in ("evaluated", "feasible", "broken", "least_excess", "least_broken")
        }

    @property
    def sample(self) -> FloatArray:
        """Some serious candidates from all over, as :meth:`less` takes them."""
        return _merits(self.serious)[:: max(1, -(-len(self.serious) // _KNOWN))]

    def less(self, known: FloatArray) -> Harvest:
        """Return the harvest without serious candidates that one of the :attr:`sample` beats.

        Joined with the harvest that the sample is of, it makes the same: what equals one of the
        sample stays, because of equals the first in order of parts is kept.
        """
        kept = non_dominated(np.vstack([_merits(self.serious), known]))[: len(self.serious)]
        return replace(self, serious=self.serious.take(kept))

    @property
    def front(self) -> Evaluation:
        """The serious candidates that no other beats in scores alone."""
        return self.serious.take(non_dominated(self.serious.losses))


def _in_order(candidates: Evaluation, problem: Problem) -> Evaluation:
    """Return candidates in the order of their parts, the first part first."""
    if not problem.choices:
        return candidates
    return candidates.take(
        np.lexsort([candidates.parts[choice.part] for choice in reversed(problem.choices)])
    )


def _merits(candidates: Evaluation) -> FloatArray:
    """Return losses and room, each the better the smaller, shape (N, scores + rooms)."""
    return np.hstack([candidates.losses, -candidates.room])


def _serious(candidates: Evaluation, problem: Problem) -> Evaluation:
    """Return what is not beaten in losses and room; of equals the first in order of parts."""
    candidates = _in_order(candidates, problem)
    return candidates.take(non_dominated(_merits(candidates)))


def _nearest(candidates: Evaluation, problem: Problem, scale: Scale) -> Evaluation:
    """Return what may be among the nearest; none where there are no candidates."""
    if len(candidates) == 0:
        return candidates
    return may_be_nearest(problem, candidates, scale(candidates.losses))
