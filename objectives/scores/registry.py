"""TODO objectives.scores.registry."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, MutableMapping, Sequence
from dataclasses import dataclass, field
from importlib import import_module
from pkgutil import iter_modules
from typing import Any, Literal

import numpy as np

from objectives.arrays import FloatArray
from objectives.devices.terms import VALVE, Terms

__all__ = [
    "REGISTRY",
    "Score",
    "greatest",
    "least",
    "magnitude",
    "score",
    "score_names",
    "score_of_facets",
]

Direction = Literal["maximise", "minimise", "neither"]
Combine = Callable[[Sequence[FloatArray]], FloatArray]


_OF_A_DEVICE = re.compile(
    r"(?<![a-z])(?:plate_resistance|amplification_factor|grid|plate|cathode)(?![a-z])"
)
"""What in the name of a score is called otherwise for another kind of device."""


def _only(parts: Sequence[FloatArray]) -> FloatArray:
    return parts[0]


@dataclass(frozen=True)
class Score:
    """One named number of a stage."""

    name: str
    unit: str
    direction: Direction
    meaning: str
    """Template for :meth:`~objectives.devices.terms.Terms.write`: ``"{grid} to {plate}"``."""
    source: str
    facets: Callable[[Any], Sequence[FloatArray]] = field(repr=False)
    """What the score is made of: numbers that vary smoothly with the parts of the stage."""
    combine: Combine = field(default=_only, repr=False)
    """Makes the score of its facets, and may have a kink: the least of several, a distance."""
    requires: frozenset[str] = frozenset()
    """Fields of :class:`Targets` without which the score has no meaning."""
    costly: bool = False
    """Whether it takes milliseconds a stage or more; then it is not shown for a whole front."""
    of_stock: bool = False
    """Whether it is of the parts as they are bought, so that a built stage has none of its own."""

    def compute(self, assessment: Any) -> FloatArray:
        """Return the score of every stage, a shape that broadcasts to the batch."""
        return self.combine(self.facets(assessment))

    @property
    def label(self) -> str:
        """The name in words, without its unit: 'input corner error'."""
        return self.label_for(VALVE)

    def label_for(self, terms: Terms) -> str:
        """Return the name in words for a kind of device: 'drain current'."""
        stem = self.name.removesuffix(f"_{self.name.rsplit('_', 1)[-1]}")
        named = _OF_A_DEVICE.sub(lambda found: getattr(terms, found[0]), stem)
        return named.replace("_", " ").replace("rf ", "RF ")


class Registry(MutableMapping[str, Score]):
    """The scores by name; every family beside this module is entered at the first look-up."""

    def __init__(self) -> None:
        self._entries: dict[str, Score] = {}
        self._complete = False

    def enter(self, entry: Score) -> None:
        """Enter a score.

        Raises
        ------
        ValueError
            If another score has its name.
        """
        if entry.name in self._entries:
            raise ValueError(f"score {entry.name!r} is registered already")
        self._entries[entry.name] = entry

    def _all(self) -> dict[str, Score]:
        if not self._complete:
            self._complete = True
            package = import_module(__package__)
            for family in iter_modules(package.__path__):
                import_module(f"{__package__}.{family.name}")
        return self._entries

    def __getitem__(self, name: str) -> Score:
        """Return the score of that name."""
        return self._all()[name]

    def __setitem__(self, name: str, entry: Score) -> None:
        """Put a score in the place of another."""
        self._all()[name] = entry

    def __delitem__(self, name: str) -> None:
        """Take a score out."""
        del self._all()[name]

    def __iter__(self) -> Iterator[str]:
        """Iterate over the names."""
        return iter(self._all())

    def __len__(self) -> int:
        """Return the number of scores."""
        return len(self._all())


REGISTRY = Registry()


def score_names() -> tuple[str, ...]:
    """Return the name of every score, which ends in its unit.

    Examples
    --------
    >>> import objectives
    >>> "noise_dBu" in objectives.score_names()
    True
    """
    return tuple(REGISTRY)


_One = Callable[[Any], FloatArray]
_Several = Callable[[Any], Sequence[FloatArray]]


def least(parts: Sequence[FloatArray]) -> FloatArray:
    """Return the least of several arrays, element by element."""
    return np.asarray(np.min(np.broadcast_arrays(*parts), axis=0))


def greatest(parts: Sequence[FloatArray]) -> FloatArray:
    """Return the greatest of several arrays, element by element."""
    return np.asarray(np.max(np.broadcast_arrays(*parts), axis=0))


def magnitude(parts: Sequence[FloatArray]) -> FloatArray:
    """Return the magnitude of the only array."""
    return np.abs(parts[0])


def score(
    name: str,
    unit: str,
    direction: Direction,
    meaning: str,
    source: str = "definition",
    requires: tuple[str, ...] = (),
    costly: bool = False,
    of_stock: bool = False,
) -> Callable[[_One], _One]:
    """Enter a function into the registry under ``name`` (which ends in its unit)."""

    def enter(compute: _One) -> _One:
        REGISTRY.enter(
            Score(
                name, unit, direction, meaning, source, lambda a: (compute(a),), _only,
                frozenset(requires), costly, of_stock,
            )
        )  # fmt: skip
        return compute

    return enter


def score_of_facets(
    name: str,
    unit: str,
    direction: Direction,
    meaning: str,
    combine: Combine,
    source: str = "definition",
    requires: tuple[str, ...] = (),
) -> Callable[[_Several], _Several]:
    """Enter a score with a kink: the function returns what is smooth, ``combine`` the score."""

    def enter(facets: _Several) -> _Several:
        REGISTRY.enter(
            Score(name, unit, direction, meaning, source, facets, combine, frozenset(requires))
        )
        return facets

    return enter
