"""TODO objectives.tolerance.setup."""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from dataclasses import dataclass, field

from objectives.scores.registry import REGISTRY
from objectives.tolerance.spreads import Spread, quantities

__all__ = ["ToleranceSetup"]

_YIELD = "tolerance_yield_percent"


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
    ValueError
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
            _require_score(name, "tolerance.windows")
            if not low <= high:
                raise ValueError(
                    f"tolerance.windows.{name}: {low!r} to {high!r}: the least value allowed must "
                    "not be above the greatest"
                )
        if self.draws < 1:
            raise ValueError(f"tolerance.draws: {self.draws!r}: must be 1 or more")


def _require_score(name: str, where: str) -> None:
    allowed = [known for known, s in REGISTRY.items() if not s.of_stock and known != _YIELD]
    if name not in allowed:
        close = difflib.get_close_matches(name, allowed, n=1)
        hint = f"; did you mean {close[0]}?" if close else ""
        raise ValueError(
            f"{where}: {name!r}: must be a score of a built stage: {', '.join(allowed)}{hint}"
        )
