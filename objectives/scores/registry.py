"""What a score is, and the one registry that all of them are entered in."""

from __future__ import annotations

from collections import UserDict
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from importlib import import_module
from pkgutil import iter_modules
from typing import Any, Literal, TypeVar

import numpy as np

from objectives.arrays import FloatArray
from objectives.devices.terms import VALVE, Terms

Direction = Literal["maximise", "minimise", "neither"]
Combine = Callable[[Sequence[FloatArray]], FloatArray]


def _only(parts: Sequence[FloatArray]) -> FloatArray:
    return parts[0]


@dataclass(frozen=True)
class Step:
    """The smallest difference in a score that matters in practice.

    Designs within a step of each other in every score are one choice; what is given up is counted
    in steps.

    Attributes
    ----------
    size : in the unit of the score, or as a fraction of the value where ``relative``
    reason : why less does not matter
    relative : whether equal ratios count as equal differences
    """

    size: float
    reason: str
    relative: bool = False

    def count(self, value: FloatArray) -> FloatArray:
        """Return values on a scale on which a difference of 1 is a step."""
        if not self.relative:
            return np.asarray(value / self.size)
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.asarray(np.log(value) / np.log1p(self.size))

    def shift(self, value: float, steps: float) -> float:
        """Return the value that lies so many steps above another."""
        return value * (1 + self.size) ** steps if self.relative else value + self.size * steps


_TOLERANCE = Step(0.05, "parts of 5 % differ by as much", relative=True)
_STEPS = {
    "dB": Step(0.5, "less than half a decibel is not heard (common practice, no source)"),
    "dBu": Step(0.5, "less than half a decibel is not heard (common practice, no source)"),
    "Hz": Step(2**0.05 - 1, "a twentieth of an octave: parts of 5 % differ by as much", True),
    "octaves": Step(0.05, "a twentieth of an octave: parts of 5 % differ by as much"),
    "%": Step(1.0, "a hundredth"),
}
"""Steps by unit; that of any other unit is 5 % of the value."""


@dataclass(frozen=True)
class Score:
    """One named number of a stage.

    Attributes
    ----------
    name : ends in its unit
    unit : empty where it has none
    direction : what is better
    meaning : template for :meth:`~objectives.devices.terms.Terms.write`: ``"{grid} to {plate}"``
    source : where its definition comes from
    facets : what it is made of, numbers that vary smoothly with the parts of the stage
    combine : makes the score of its facets, and may have a kink: the least of several, a distance
    requires : fields of :class:`~objectives.targets.Targets` without which it has no meaning
    slow : whether it takes milliseconds a stage or more; then it is not shown for a whole front
    of_bought_parts : whether it is of the parts as they are bought, so that a built stage has none
        of its own
    words : template of the name in words; the name itself without its unit where empty
    step : the smallest difference that matters in practice
    superlative : what the design is called that is best in it, "quietest"; empty: by its name
    phrase : template of name and value in running text: ``"off {stock} by {value}"``; where empty
        the value follows the name
    shown_as : the score that people are shown in its place; empty: itself
    """

    name: str
    unit: str
    direction: Direction
    meaning: str
    source: str
    facets: Callable[[Any], Sequence[FloatArray]] = field(repr=False)
    combine: Combine = field(default=_only, repr=False)
    requires: frozenset[str] = frozenset()
    slow: bool = False
    of_bought_parts: bool = False
    words: str = ""
    step: Step = _TOLERANCE
    superlative: str = ""
    phrase: str = ""
    shown_as: str = ""

    def served_by(self, targets: Any) -> bool:
        """Return whether the targets state all that the score requires."""
        return all(getattr(targets, need, None) for need in self.requires)

    def compute(self, assessment: Any) -> FloatArray:
        """Return the score of every stage, a shape that broadcasts to the batch."""
        return self.combine(self.facets(assessment))

    @property
    def label(self) -> str:
        """The name in words, without its unit: 'input corner error'."""
        return self.label_for(VALVE)

    def label_for(self, terms: Terms) -> str:
        """Return the name in words for a kind of device: 'drain current'."""
        return terms.write(self.words or self.name.rpartition("_")[0].replace("_", " "))

    def phrase_for(self, terms: Terms, value: str) -> str:
        """Return name and value as running text has them: 'gain 31 dB', 'off E6 by 18 %'."""
        if not self.phrase:
            return f"{self.label_for(terms)} {value}"
        return self.phrase.format_map({**vars(terms), "value": value})

    def meaning_for(self, terms: Terms) -> str:
        """Return the meaning for a kind of device: 'gate to drain'."""
        return terms.write(self.meaning)


_ENTERED: dict[str, Score] = {}


class Registry(UserDict[str, Score]):
    """The scores by name; every family beside this module is entered at the first look-up."""

    def __init__(self) -> None:
        """Leave ``data`` to the first look-up."""

    @cached_property
    def data(self) -> dict[str, Score]:  # type: ignore[override]
        """The scores of every family."""
        package = import_module(__package__)
        for family in iter_modules(package.__path__):
            import_module(f"{__package__}.{family.name}")
        return _ENTERED


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


_F = TypeVar("_F", bound=Callable[[Any], Any])


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
    *,
    label: str = "",
    phrase: str = "",
    combine: Combine | None = None,
    source: str = "definition",
    requires: tuple[str, ...] = (),
    slow: bool = False,
    of_bought_parts: bool = False,
    step: Step | None = None,
    superlative: str = "",
    shown_as: str = "",
) -> Callable[[_F], _F]:
    """Enter a function of an assessment into the registry as a score; see :class:`Score`.

    ``label`` is the template of its words. With ``combine``, for a score with a kink, the function
    returns a sequence of what is smooth, and ``combine`` makes the score of it; else it returns the
    score. ``step`` is that of the unit when None.
    """

    def enter(function: _F) -> _F:
        facets = function if combine else lambda a: (function(a),)
        if name in _ENTERED:
            raise ValueError(f"score {name!r} is registered already")
        _ENTERED[name] = Score(
            name, unit, direction, meaning, source, facets, combine or _only,
            frozenset(requires), slow, of_bought_parts, label,
            step or _STEPS.get(unit, _TOLERANCE), superlative, phrase, shown_as,
        )  # fmt: skip
        return function

    return enter
