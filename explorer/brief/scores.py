"""TODO explorer.brief.scores."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Annotated, Any, Final, Literal

import numpy as np
from pydantic import PlainSerializer, PlainValidator, WithJsonSchema

from explorer.brief.errors import Fault, Faults, did_you_mean
from explorer.series import FloatArray
from explorer.units import QuantityError, parse_quantity, unit_of_name

__all__ = ["Score", "Window"]

Use = Literal["maximise", "minimise", "near", "window", "show"]

# Scores that need a drive.
_DRIVEN: Final = frozenset(
    {"harmonic_fall_dB", "harmonic_fall_across_stopper_dB", "bias_shift_V"}
    | {"driven_distortion_percent"}
)


@dataclass(frozen=True)
class Window:
    """Bounds on one named number, in the unit its name ends in; None where open."""

    name: str
    at_least: float | None = None
    at_most: float | None = None

    @property
    def unit(self) -> str:
        """Key of ``explorer.units.UNITS``."""
        return unit_of_name(self.name)


@dataclass(frozen=True)
class Score:
    """How one score is used."""

    name: str
    use: Use
    near: float | None = None
    """Wanted value, in the unit the name ends in, when ``use`` is ``"near"``."""
    at_least: float | None = None
    at_most: float | None = None

    @property
    def unit(self) -> str:
        """Key of ``explorer.units.UNITS``."""
        return unit_of_name(self.name)

    @property
    def free(self) -> bool:
        """Whether the score spans the front: it is maximised, minimised or brought near."""
        return self.use in ("maximise", "minimise", "near")

    def distance(self, value: float | FloatArray) -> FloatArray:
        """Return how far ``value`` is from :attr:`near`: octaves for a frequency, else its unit."""
        if self.near is None:
            raise ValueError(f"scores.{self.name}: no near value is given")
        values = np.asarray(value, dtype=np.float64)
        if self.unit == "Hz":
            return np.asarray(np.abs(np.log2(values / self.near)))
        return np.asarray(np.abs(values - self.near))


_SPELLINGS: Final[Mapping[str, Use]] = {
    "maximise": "maximise",
    "maximize": "maximise",
    "minimise": "minimise",
    "minimize": "minimise",
    "show": "show",
}
_USES: Final = (
    'expected "maximise", "minimise", "show", { near = … }, or { at_least = …, at_most = … }'
)
_BOUNDS: Final = ("at_least", "at_most")


def _read_bounds(
    raw: Mapping[str, Any], name: str, keys: Sequence[str], problems: list[Fault]
) -> dict[str, float]:
    """Read a table of numbers whose unit is the one ``name`` ends in."""
    unit = unit_of_name(name)
    found: dict[str, float] = {}
    for key, text in raw.items():
        if key not in keys:
            hint = did_you_mean(key, keys)
            expected = f"unknown key; expected {', '.join(keys)}{hint}"
            problems.append(Fault((name, key), text, expected))
            continue
        try:
            found[key] = parse_quantity(text, unit)
        except QuantityError as error:
            problems.append(Fault((name, key), text, f"expected {error.allowed}"))
    low, high = found.get("at_least"), found.get("at_most")
    if low is not None and high is not None and not low <= high:
        expected = f"expected no more than at_most ({high:g})"
        problems.append(Fault((name, "at_least"), low, expected))
    return found


def _read_scores(raw: Any) -> dict[str, Score]:
    if not isinstance(raw, Mapping):
        raise Faults(Fault((), raw, "expected a table of scores and their uses"))
    scores: dict[str, Score] = {}
    problems: list[Fault] = []
    for name, given in raw.items():
        if isinstance(given, Score):
            scores[name] = given
        elif isinstance(given, str) and given in _SPELLINGS:
            scores[name] = Score(name, _SPELLINGS[given])
        elif isinstance(given, Mapping) and given:
            bounds = _read_bounds(given, name, ("near", *_BOUNDS), problems)
            near = bounds.get("near")
            if near is not None and len(bounds) > 1:
                expected = "expected near alone; put bounds under [limits]"
                problems.append(Fault((name,), given, expected))
            if near is not None and unit_of_name(name) == "Hz" and near <= 0:
                problems.append(Fault((name, "near"), given["near"], "expected above 0 Hz"))
            scores[name] = Score(name, "window" if near is None else "near", **bounds)
        else:
            problems.append(Fault((name,), given, _USES))
    if problems:
        raise Faults(*problems)
    return scores


def _write_scores(scores: Mapping[str, Score]) -> dict[str, Any]:
    return {
        name: score.use
        if score.use not in ("near", "window")
        else {
            key: value for key in ("near", *_BOUNDS) if (value := getattr(score, key)) is not None
        }
        for name, score in scores.items()
    }


_NUMBER_OR_TEXT: Final[Mapping[str, Any]] = MappingProxyType(
    {"anyOf": [{"type": "number"}, {"type": "string"}]}
)


def _bounds_schema(*keys: str) -> dict[str, Any]:
    return {
        "type": "object",
        "properties": {key: dict(_NUMBER_OR_TEXT) for key in keys},
        "additionalProperties": False,
        "minProperties": 1,
    }


_SCORES_SCHEMA: Final[dict[str, Any]] = {
    "type": "object",
    "minProperties": 1,
    "additionalProperties": {
        "anyOf": [
            {"enum": sorted(_SPELLINGS)},
            {**_bounds_schema("near"), "required": ["near"]},
            _bounds_schema(*_BOUNDS),
        ]
    },
}
Scores = Annotated[
    dict[str, Score],
    PlainValidator(_read_scores),
    PlainSerializer(_write_scores),
    WithJsonSchema(_SCORES_SCHEMA),
]
