"""Numbers, names and part values as engineers write them: ``4.7 kΩ``, ``−2.1 dB``, ``full``.

Between number and unit stands a no-break space, and the minus is the typographic one, so that no
table cell or axis label breaks a value in two.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from functools import cache, lru_cache
from types import MappingProxyType
from typing import Final

import numpy as np
from numpy.typing import ArrayLike
from quantiphy import Quantity

from objectives.devices.terms import VALVE, Terms
from objectives.elements import ELEMENTS
from objectives.scores.registry import REGISTRY

SPACE: Final = "\u00a0"
"""No-break space, between a number and its unit."""

MINUS: Final = "\u2212"
"""The typographic minus."""

_SYMBOLS: Final = {"ohm": "Ω", "percent": "%", "ratio": "", "octave": "octaves", "1": ""}
_LARGE: Final = {
    "Ω": "TGMk", "Hz": "GMk", "V": "k", "V/√Hz": "", "A": "k", "W": "k", "S": "", "F": "", "H": "",
    "s": "",
}  # fmt: skip
"""Prefixes above one of each unit that takes prefixes; below one all take m, µ, n and p."""

_DECIMALS: Final = {"dB": 2, "dBu": 2, "octaves": 4, "%": 2, "K": 1}
"""Beyond these no meter and no ear can follow."""

_UNITS_OF_SUFFIXES: Final[Mapping[str, str]] = MappingProxyType(
    {unit: unit for unit in ("ohm", "F", "H", "Hz", "V", "A", "W", "S", "s", "dB", "dBu", "K")}
    | {"octaves": "octaves", "octave": "octaves", "percent": "%"}
    | {"ratio": "", "count": "", "sum": ""}
)


@cache
def _writer(symbol: str) -> type[Quantity]:
    """Return a class that writes a unit; one of our own keeps the library's defaults untouched."""

    class Shown(Quantity):
        pass

    Shown.set_prefs(
        map_sf=Quantity.map_sf_to_greek,
        minus=MINUS,
        output_sf=_LARGE[symbol] + "munp",
        spacer=SPACE,
    )
    return Shown


def first(value: ArrayLike) -> float:
    """Return the first number of a batch, or the one that holds for all of it."""
    return float(np.ravel(np.asarray(value, float))[0])


def unit_symbol(unit: str) -> str:
    """Return the symbol of a unit as the scores and fields name it: ``"ohm"`` gives ``"Ω"``."""
    return _SYMBOLS.get(unit, unit)


def unit_of_name(name: str) -> str:
    """Return the unit that a name ends in: ``stopper_ohm`` gives ``"ohm"``; ``""`` where none."""
    if name.endswith("_per_V"):
        return "/V"
    return _UNITS_OF_SUFFIXES.get(name.removesuffix("_rms").rpartition("_")[2], "")


def prefixed(unit: str) -> bool:
    """Return whether values of the unit are written with prefixes (k, M, µ …)."""
    return unit_symbol(unit) in _LARGE


def number(value: ArrayLike, digits: int = 4) -> str:
    """Return a plain number of so many significant figures, without exponent; nan gives ``—``.

    Of a batch the first is written, as by :func:`fixed` and :func:`quantity`.
    """
    value = first(value)
    if math.isnan(value):
        return "—"
    if math.isinf(value):
        return "∞" if value > 0 else MINUS + "∞"
    text = f"{value:.{digits}g}"
    if "e" in text:
        text = f"{float(text):.15f}".rstrip("0").rstrip(".")
    if float(text) == 0:
        text = "0"  # no minus before nothing
    return text.replace("-", MINUS)


def counted(value: int) -> str:
    """Return a whole number with commas between its thousands: ``10,240``."""
    return f"{value:,}"


def fixed(value: ArrayLike, decimals: int) -> str:
    """Return a plain number with so many decimals, trailing zeros kept; nan gives ``—``."""
    value = first(value)
    if not math.isfinite(value):
        return number(value)
    text = f"{value:.{decimals}f}"
    if float(text) == 0:
        text = text.removeprefix("-")  # no minus before nothing
    return text.replace("-", MINUS)


def percent(share: float, decimals: int = 0) -> str:
    """Return a share as per cent: 0.25 gives ``25 %``."""
    return f"{fixed(100 * share, decimals)}{SPACE}%"


def signed_percent(value: float) -> str:
    """Return an error in per cent with its sign: ``+28.7 %``; finer where it is below 1 %."""
    if not math.isfinite(value):
        return number(value)
    text = number(round(value, 1 if abs(value) >= 1 else 2), 4)
    return f"{'+' if value > 0 and text != '0' else ''}{text}{SPACE}%"


def quantity(
    value: ArrayLike, unit: str, digits: int = 4, *, padded: bool = False, space: str = SPACE
) -> str:
    """Return value and unit: ``4.7 kΩ``, ``−2.1 dB``, ``5 %``; nan gives ``—``.

    The value is in SI units; decibels, octaves and per cent as they are. Of a batch the first is
    written. The unit is as scores and fields name it, e.g. ``"ohm"``. ``digits`` are significant
    figures; decibels, octaves, per cent and kelvin also have a most of decimals. Trailing zeros are
    dropped, unless ``padded``. ``space`` stands between number and unit: a plain one where lines
    may break there.
    """
    return _written(first(value), unit_symbol(unit), digits, padded, space)


@lru_cache(4096)
def _written(value: float, symbol: str, digits: int, padded: bool, space: str) -> str:
    tail = f"{space}{symbol}" if symbol else ""
    if not math.isfinite(value) or symbol not in _LARGE:
        text = number(round(value, _DECIMALS.get(symbol, 6)), digits)
        return text if math.isnan(value) else text + tail
    if symbol == "Ω" and 1e-3 <= abs(value) < 1:
        # Nobody writes 470 mΩ of a resistor.
        return number(value, digits) + tail
    if 0 < abs(value) < 1e-12:
        # The trade writes 0.3 pF, never 300 fF.
        return f"{number(value * 1e12, digits)}{space}p{symbol}"
    written = _writer(symbol)(value, symbol)
    text = written.render(prec=digits - 1, form="si", strip_zeros=not padded)
    return str(text).replace(SPACE, space)


def allowed_words(at_least: float, at_most: float, unit: str) -> str:
    """Return a window in words: ``at least 0 dB``, ``600 µA to 900 µA``."""
    if math.isfinite(at_least) and math.isfinite(at_most):
        return f"{quantity(at_least, unit)} to {quantity(at_most, unit)}"
    if math.isfinite(at_least):
        return f"at least {quantity(at_least, unit)}"
    if math.isfinite(at_most):
        return f"at most {quantity(at_most, unit)}"
    return "of any value"


def part_value(name: str, value: float | str, digits: int = 4, *, space: str = SPACE) -> str:
    """Return what an element holds: ``68 kΩ``, ``full``, ``direct``, ``none``; a name as it is."""
    if isinstance(value, str):
        return value
    word = ELEMENTS[name].word(value) if name in ELEMENTS else None
    return quantity(value, unit_of_name(name), digits, space=space) if word is None else word


def field_label(name: str, labels: Mapping[str, str] | None = None, *, terms: Terms = VALVE) -> str:
    """Return the trade's name of a field of Stage; ``labels`` goes before our own."""
    if labels and name in labels:
        return labels[name]
    return ELEMENTS[name].label_for(terms) if name in ELEMENTS else plain_words(name)


def plain_words(name: str) -> str:
    """Return a snake-case name as words, its unit dropped: ``rf_margin_dB`` gives RF margin."""
    stem, _, tail = name.rpartition("_")
    words = (stem if stem and tail in _UNITS_OF_SUFFIXES else name).split("_")
    spelled = {"rf": "RF", "rms": "r.m.s.", "dc": "DC", "ac": "AC"}
    return " ".join(spelled.get(word, word) for word in words)


def sentence(text: str) -> str:
    """Return the text with its first letter as a capital, all others as they are."""
    return text[:1].upper() + text[1:]


def score_unit(name: str) -> str:
    """Return the unit of a score, from the registry or else from its name."""
    return REGISTRY[name].unit if name in REGISTRY else unit_of_name(name)


def step_rounded(value: float, score: str) -> float:
    """Return a difference in a score, or its value, rounded to about a tenth of its step."""
    step = REGISTRY[score].step
    if step.relative or not math.isfinite(value):
        return value
    return round(value, max(math.ceil(0.5 - math.log10(step.size)), 0))


def stepped(value: float, score: str) -> str:
    """Return the value of a score with its unit, to about a tenth of its noticeable step."""
    return quantity(
        step_rounded(value, score), score_unit(score), 3 if prefixed(score_unit(score)) else 6
    )


def mark_words(kind: str, score: str = "", terms: Terms = VALVE) -> str:
    """Return what sets a design apart: ``pick``, ``quietest`` of those on target, ``best gain``."""
    if not score:
        return kind
    if kind == "closest":
        return "nearest the target"
    superlative = REGISTRY[score].superlative if kind == "alternative" else ""
    return superlative or f"best {score_label(score, terms)}"


def score_label(name: str, terms: Terms = VALVE, *, with_unit: bool = False) -> str:
    """Return a score's name in words, with its unit in brackets on request: ``gain (dB)``."""
    label = REGISTRY[name].label_for(terms) if name in REGISTRY else plain_words(name)
    symbol = unit_symbol(score_unit(name))
    return f"{label} ({symbol})" if with_unit and symbol else label


def listed(items: Sequence[str]) -> str:
    """Return items, at least one, as a sentence lists them: ``a, b and c``."""
    *rest, last = items
    return f"{', '.join(rest)} and {last}" if rest else last


def shown_name(name: str) -> str:
    """Return the score that people are shown: a corner in hertz for its distance from a target.

    The name of a limit that is none of a score is its own.
    """
    return (REGISTRY[name].shown_as or name) if name in REGISTRY else name


def score_words(name: str, value: float, terms: Terms = VALVE) -> str:
    """Return a score and its value as running text has them: ``gain 31 dB``, ``off E6 by 18 %``."""
    return REGISTRY[name].phrase_for(terms, stepped(value, name))


def column(values: Iterable[float], unit: str) -> list[str]:
    """Return the numbers of one table column, written alike so that they can be compared.

    Units that take prefixes are written value by value (``5.42 kHz``); the others get as many
    decimals as their spread asks for (three figures across the spread), without the unit, which
    belongs in the heading; decibels never more than two.
    """
    array = np.asarray(list(values), dtype=float)
    if prefixed(unit):
        return [quantity(v, unit, 4, padded=True) for v in array]
    finite = array[np.isfinite(array)]
    spread = float(np.ptp(finite)) if finite.size else 0.0
    most = min(_DECIMALS.get(unit_symbol(unit), 4), 3)
    wanted = 3 - math.floor(math.log10(spread)) if spread > 0 else most
    decimals = int(np.clip(wanted, 0, most))
    return [fixed(v, decimals) for v in array]
