"""What spreads, how many stages are built, and what a built stage must keep to be good."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from objectives.checks import one_of, require
from objectives.scores.registry import REGISTRY
from objectives.tolerance.spreads import Spread, quantities

YIELD = "tolerance_yield_percent"
"""Name of the yield as a score of the search, and of good (100) or bad (0) of one built stage."""


@dataclass(frozen=True)
class ToleranceSetup:
    """What spreads, and what a built stage must keep to be good.

    Attributes
    ----------
    spreads : at most one a quantity
    windows : for each score that a built stage must keep, the least and the greatest value allowed
        (unit of the score, ends included; -inf and inf are no limit)
    draws : stages built for each candidate when the yield is a score of the search
    seed : of the draws
    ratings : whether a built stage that exceeds a rating is bad. A rating of a part's own value
        (unit ohm: the largest grid leak) is kept by the nominal part and not judged on draws.
    unjudged : scores that the brief limits and that are not judged on draws either: each takes a
        solution in time

    Raises
    ------
    InputError
        If a quantity has two spreads, a window names no score or is empty, or ``draws`` is not
        positive.
    """

    spreads: tuple[Spread, ...]
    windows: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    draws: int = 256
    seed: int = 1
    ratings: bool = True
    unjudged: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        quantities(self.spreads)
        for name, (low, high) in self.windows.items():
            require_built_score("tolerance.windows", name)
            require(f"tolerance.windows.{name}", high, low <= high, f"at least the lowest, {low:g}")
        require("tolerance.draws", self.draws, self.draws >= 1, "1 or more")


def require_built_score(where: str, name: str) -> None:
    """Raise an InputError if a name is not that of a score which a built stage has."""
    one_of(
        where,
        name,
        (n for n, score in REGISTRY.items() if not score.of_bought_parts and n != YIELD),
    )
