"""What is known while a search runs, and what it comes back with."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from explorer.evaluation import Evaluation
from explorer.harvest import Harvest


@dataclass(frozen=True)
class TakenUp:
    """What a storage held when a run began.

    Attributes
    ----------
    candidates, blocks : numbers of those that an earlier run or another process had worked out
    unfinished : blocks that a killed process had begun, which are worked out anew
    proposals : for each other program candidates of its search, which are scored anew
    damaged : numbers of the lines of the file that could not be read whole
    """

    candidates: int = 0
    blocks: int = 0
    unfinished: int = 0
    proposals: Mapping[str, int] = field(default_factory=dict)
    damaged: Sequence[int] = ()


@dataclass(frozen=True)
class Progress:
    """What is known while the search runs: candidates, their rate, how many keep every limit.

    The front so far takes its time and is worked out where it is called for.
    """

    kind: str
    done: int
    total: int
    per_second: float
    feasible: int
    front: Callable[[], Evaluation]
    taken_up: TakenUp


ProgressCallback = Callable[[Progress], None]


@dataclass(frozen=True)
class SearchResult:
    """What a search or an enumeration came back with.

    Attributes
    ----------
    harvest : what all candidates left behind
    front : feasible, non-dominated candidates, each once
    nearest : when none is feasible, candidates that break little, spread over the space, those that
        miss least first; among them for each limit the one that misses it alone and by least; else
        empty
    complete : whether every candidate of the space was worked out, so that the front is exact
    seconds : time that it took
    interrupted : whether Ctrl-C ended it
    taken_up : what was already in the storage
    fronts : (evaluations, losses of the front so far) as it went on, to be measured on a scale
        known only later
    """

    harvest: Harvest
    front: Evaluation
    nearest: Evaluation
    complete: bool
    seconds: float
    interrupted: bool = False
    taken_up: TakenUp = TakenUp()
    fronts: Sequence[tuple[int, np.ndarray]] = ()

    @property
    def evaluated(self) -> int:
        """Number of candidates."""
        return self.harvest.evaluated

    @property
    def resumed(self) -> int:
        """Number of candidates that were already in the storage."""
        return self.taken_up.candidates
