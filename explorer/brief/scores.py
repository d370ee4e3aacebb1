"""How each score is used: maximised, minimised, brought near a value, bounded, or only shown.

Of a score that is maximised or minimised the brief may say what is wanted and what is good enough,
of any score that spans the front how much it weighs.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from types import MappingProxyType
from typing import Annotated, Any, Final, Literal

import numpy as np
from pydantic import PlainSerializer, PlainValidator, WithJsonSchema

from explorer.aims import FreeScore, Window
from explorer.brief.errors import Mistakes
from explorer.units import QuantityError, parse_quantity, unit_of_name
from objectives.checks import InputError, did_you_mean
from objectives.scores.registry import REGISTRY

SHOWN: Final = "show"
Use = FreeScore | Window | Literal["show"]
_SPELLINGS: Final[Mapping[str, Literal["maximise", "minimise", "show"]]] = MappingProxyType(
    {
        "maximise": "maximise",
        "maximize": "maximise",
        "minimise": "minimise",
        "minimize": "minimise",
        "show": "show",
    }
)
_USES: Final = (
    'expected "maximise", "minimise", "show", { near = … }, { aim = "maximise", wanted = …, '
    "good_enough = … }, or { at_least = …, at_most = … }"
)
SCORE_USES: Final = (
    ('gain_dB = "maximise"', "Traded off: as much as can be."),
    ('noise_dBu = "minimise"', "Traded off: as little as can be."),
    (
        'output_resistance_ohm = { aim = "minimise", wanted = "20k", good_enough = "60k" }',
        "Traded off between a value that is wanted and one that is good enough.",
    ),
    (
        'input_capacitance_F = { aim = "minimise", weight = 2 }',
        "Traded off, and counted so many times; the others count once.",
    ),
    (
        'plate_voltage_V = { near = "180 V", within = "10 V" }',
        "A target: as near a value as can be; within (in per cent of a frequency) may be left out.",
    ),
    (
        'plate_current_A = { at_least = "0.4 mA", at_most = "2 mA" }',
        "A limit, as under [limits]; either end may be left out.",
    ),
    ('lower_corner_Hz = "show"', "Only shown in the report."),
)
"""What a brief may say of a score: an example of each, and what it does."""

_UNIT: Final = re.compile(
    r"[munpkg]?(ohms?|f|h|hz|v|a|w|s|k)|dbu?|octaves?|percent|ratio|count|sum"
)
_MOST_HINTS: Final = 4
_BOUNDS: Final = ("at_least", "at_most")
_REFERENCES: Final = ("wanted", "good_enough")
_AIMED: Final = ("aim", *_REFERENCES, "weight")
_NEAR: Final = ("near", "within", "weight")


def unknown_score(name: str, given: object, others: Iterable[str] = ()) -> InputError:
    """Return the mistake of a name that is no score, with those meant, or the closest known name.

    Meant are the scores that have all its words: a unit left out or another one, ``anode`` in place
    of ``plate``.
    """
    words = _words(name)
    meant = [known for known in REGISTRY if words and words <= _words(known)]
    same = [known for known in meant if words == _words(known)]
    if same:
        bare = not name.endswith(same[0].rpartition("_")[2])
        hint = f"{', which ends in its unit' if bare else ''}; did you mean {same[0]}?"
    elif 0 < len(meant) <= _MOST_HINTS:
        hint = f"; did you mean {' or '.join(meant)}?"
    else:
        hint = did_you_mean(name, [*REGISTRY, *others])
    text = "unknown score" + (hint or f"; expected one of {', '.join(sorted(REGISTRY))}")
    return InputError(name, given, text)


def _words(name: str) -> set[str]:
    """Return the words of a name, without units, in the words that scores are named by."""
    words = re.split(r"[^a-z0-9]+", name.casefold().replace("anode", "plate"))
    return {word for word in words if word and not _UNIT.fullmatch(word)}


def _read_numbers(raw: Mapping[str, Any], name: str, *keys: str) -> dict[str, float]:
    """Read a table of numbers whose unit is the one that ``name`` ends in."""
    unit = unit_of_name(name)
    # How near a frequency must come is a share of it; how near a level, in decibels.
    units = {"weight": "ratio", "within": {"Hz": "percent", "dBu": "dB"}.get(unit, unit)}
    errors: list[InputError] = []
    numbers: dict[str, float] = {}
    for key, text in raw.items():
        field = f"{name}.{key}"
        if key not in keys:
            hint = did_you_mean(str(key), keys)
            errors.append(InputError(field, text, f"unknown key; expected {', '.join(keys)}{hint}"))
            continue
        try:
            numbers[key] = parse_quantity(text, units.get(key, unit))
        except QuantityError as error:
            errors.append(InputError(field, text, error.allowed))
    low, high = numbers.get("at_least"), numbers.get("at_most")
    if low is not None and high is not None and not low <= high:
        allowed = f"expected no more than at_most ({high:g})"
        errors.append(InputError(f"{name}.at_least", low, allowed))
    if unit == "Hz" and numbers.get("near", 1.0) <= 0:
        errors.append(InputError(f"{name}.near", raw["near"], "expected above 0 Hz"))
    errors += [
        InputError(f"{name}.{key}", raw[key], "expected above 0")
        for key in ("within", "weight")
        if numbers.get(key, 1.0) <= 0
    ]
    Mistakes.raise_any(errors)
    return numbers


def read_window(raw: Mapping[str, Any], name: str) -> Window:
    """Return the limit that a table of bounds states for the score of that name.

    Raises
    ------
    Mistakes
        If a bound is no number of the score's unit.
    """
    return Window(name, **_read_numbers(raw, name, *_BOUNDS))


def bounds_of(window: Window) -> dict[str, float]:
    """Return the bounds of a limit by their keys in the brief."""
    return {key: end for key in _BOUNDS if np.isfinite(end := getattr(window, key))}


def _read_use(name: str, given: Any) -> Use:
    if isinstance(given, FreeScore | Window):
        return given
    if name not in REGISTRY:
        raise Mistakes([unknown_score(name, given)])
    if isinstance(given, str) and given in _SPELLINGS:
        use = _SPELLINGS[given]
        return use if use == "show" else FreeScore(name, use)
    if not isinstance(given, Mapping) or not given:
        raise Mistakes([InputError(name, given, _USES)])
    if "near" in given:
        if set(_BOUNDS) & given.keys():
            allowed = "expected near without bounds; put bounds under [limits]"
            raise Mistakes([InputError(name, given, allowed)])
        return _near(_read_numbers(given, name, *_NEAR), name)
    if "aim" in given:
        return _aimed(given, name)
    return Window(name, **_read_numbers(given, name, *_BOUNDS))


def _near(numbers: Mapping[str, float], name: str) -> FreeScore:
    scale = 100 if unit_of_name(name) == "Hz" else 1
    rest = {"within": numbers["within"] / scale} if "within" in numbers else {}
    return FreeScore(name, "near", numbers["near"], weight=numbers.get("weight", 1.0), **rest)


def _aimed(given: Mapping[str, Any], name: str) -> FreeScore:
    aim = given["aim"]
    use = _SPELLINGS.get(aim, SHOWN) if isinstance(aim, str) else SHOWN
    if use == SHOWN:
        raise Mistakes([InputError(f"{name}.aim", aim, 'expected "maximise" or "minimise"')])
    rest = {key: value for key, value in given.items() if key != "aim"}
    numbers = _read_numbers(rest, name, *_AIMED[1:])
    if len(numbers.keys() & set(_REFERENCES)) == 1:
        allowed = "expected wanted and good_enough together"
        raise Mistakes([InputError(name, given, allowed)])
    free = FreeScore(name, use, **numbers)
    if free.ends[0] >= free.ends[1]:
        allowed = f"expected better than good_enough, {numbers['good_enough']:g}"
        raise Mistakes([InputError(f"{name}.wanted", given["wanted"], allowed)])
    return free


def _read_scores(raw: Any) -> dict[str, Use]:
    if not isinstance(raw, Mapping):
        raise InputError("", raw, "expected a table of scores and their uses")
    scores: dict[str, Use] = {}
    errors: list[InputError] = []
    for name, given in raw.items():
        try:
            scores[name] = _read_use(name, given)
        except Mistakes as mistakes:
            errors += mistakes.errors
    Mistakes.raise_any(errors)
    return scores


def _write_use(use: Use) -> Any:
    if isinstance(use, Window):
        return bounds_of(use)
    if not isinstance(use, FreeScore):
        return use
    weight = {} if use.weight == 1.0 else {"weight": use.weight}
    if use.use == "near":
        within = use.within * (100 if unit_of_name(use.name) == "Hz" else 1)
        return {"near": use.target, **({} if np.isnan(within) else {"within": within}), **weight}
    stated = {k: v for k in _REFERENCES if not np.isnan(v := getattr(use, k))} | weight
    return {"aim": use.use, **stated} if stated else use.use


def _write_scores(scores: Mapping[str, Use]) -> dict[str, Any]:
    return {name: _write_use(use) for name, use in scores.items()}


def _table_schema(*keys: str) -> dict[str, Any]:
    value = {"anyOf": [{"type": "number"}, {"type": "string"}]}
    return {
        "type": "object",
        "properties": {key: dict(value) for key in keys},
        "additionalProperties": False,
        "minProperties": 1,
    }


WINDOW_SCHEMA: Final = _table_schema(*_BOUNDS)
Scores = Annotated[
    dict[str, Use],
    PlainValidator(_read_scores),
    PlainSerializer(_write_scores),
    WithJsonSchema(
        {
            "type": "object",
            "minProperties": 1,
            "additionalProperties": {
                "anyOf": [
                    {"enum": sorted(_SPELLINGS)},
                    {**_table_schema(*_NEAR), "required": ["near"]},
                    {**_table_schema(*_AIMED), "required": ["aim"]},
                    WINDOW_SCHEMA,
                ]
            },
        }
    ),
]
