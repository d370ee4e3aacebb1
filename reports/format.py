"""Numbers and names as engineers write them: ``4.7 kΩ``, ``1.5 nF``, ``−2.1 dB``, ``full bypass``.

Between number and unit stands a no-break space, and the minus is the typographic one, so that no
table cell or axis label breaks a value in two.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import ArrayLike
from quantiphy import Quantity

from objectives.scores.registry import REGISTRY

__all__ = [
    "SPACE",
    "column",
    "counted",
    "field_label",
    "field_unit",
    "first",
    "fixed",
    "number",
    "part_value",
    "percent",
    "plain_words",
    "prefixed",
    "quantity",
    "score_label",
    "score_unit",
    "sentence",
    "signed_percent",
    "unit_symbol",
]

SPACE = "\u00a0"
"""No-break space, between a number and its unit."""


MINUS = "\u2212"
_SYMBOLS = {"ohm": "Ω", "percent": "%", "ratio": "", "octave": "octaves", "1": ""}
_PREFIXED = frozenset({"Ω", "F", "H", "Hz", "V", "A", "W", "S", "s"})

# Beyond these no meter and no ear can follow.
_DECIMALS = {"dB": 2, "dBu": 2, "octaves": 4, "%": 2, "K": 1}
_SUFFIX_UNITS = {
    unit: unit for unit in ("ohm", "F", "H", "Hz", "V", "A", "W", "S", "s", "dB", "dBu", "K")
} | {"octaves": "octaves", "percent": "%", "ratio": "", "count": "", "sum": ""}
_FIELD_LABELS = {
    "supply_V": "supply",
    "plate_load_ohm": "plate load",
    "cathode_resistor_ohm": "cathode resistor",
    "stopper_ohm": "grid stopper",
    "bypass_F": "cathode bypass",
    "cathode_unbypassed_ohm": "unbypassed cathode resistor",
    "bypass_series_ohm": "resistor in series with the bypass",
    "grid_bias_V": "fixed grid bias",
    "grid_bias_ratio": "grid bias as a share of the supply",
    "source_ohm": "source resistance",
    "cable_F": "cable capacitance",
    "input_coupling_F": "input coupling capacitor",
    "grid_leak_ohm": "grid leak",
    "leak_at_grid": "position of the grid leak",
    "stopper_shunt_F": "capacitance of the stopper itself",
    "stopper_lead_H": "inductance of the stopper's leads",
    "grid_capacitor_F": "grid-to-ground capacitor",
    "plate_capacitor_F": "capacitor across the plate load",
    "output_coupling_F": "output coupling capacitor",
    "load_ohm": "load resistance",
    "load_F": "load capacitance",
    "stray_grid_plate_F": "stray grid–plate",
    "stray_grid_cathode_F": "stray grid–cathode",
    "stray_plate_cathode_F": "stray plate–cathode",
    "stray_grid_ground_F": "stray grid–ground",
    "stray_plate_ground_F": "stray plate–ground",
    "grid_lead_H": "inductance of the grid lead",
    "plate_lead_H": "inductance of the plate lead",
    "cathode_lead_H": "inductance of the cathode lead",
}

# What a value at an end of its range means, where it is no part value at all.
_ENDS = {
    ("bypass_F", 0.0): "none",
    ("bypass_F", math.inf): "full",
    ("input_coupling_F", math.inf): "direct",
    ("output_coupling_F", math.inf): "direct",
    ("grid_leak_ohm", math.inf): "none",
    ("load_ohm", math.inf): "none",
    ("leak_at_grid", 0.0): "before the stopper",
    ("leak_at_grid", 1.0): "after the stopper",
} | {
    (name, 0.0): "none"
    for name in (
        "stopper_ohm",
        "cathode_unbypassed_ohm",
        "bypass_series_ohm",
        "grid_capacitor_F",
        "plate_capacitor_F",
        "stopper_shunt_F",
        "stopper_lead_H",
        "load_F",
        "cable_F",
    )
}


class _Shown(Quantity):
    """Quantities in our notation; a class of its own keeps the library's defaults untouched."""


_Shown.set_prefs(
    map_sf=Quantity.map_sf_to_greek,
    minus=MINUS,
    output_sf="TGMkmunp",
    spacer=SPACE,
)


def unit_symbol(unit: str) -> str:
    """Return the symbol of a unit as the scores and fields name it: ``"ohm"`` gives ``"Ω"``."""
    return _SYMBOLS.get(unit, unit)


def first(value: ArrayLike) -> float:
    """Return the first number of a batch, or the one that holds for all of it."""
    return float(np.ravel(np.asarray(value, float))[0])


def prefixed(unit: str) -> bool:
    """Return whether values of the unit are written with prefixes (k, M, µ …)."""
    return unit_symbol(unit) in _PREFIXED


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
    """Return a whole number with a no-break space between thousands: ``10 240``."""
    return f"{value:,}".replace(",", SPACE)


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


def quantity(value: ArrayLike, unit: str, digits: int = 4, *, padded: bool = False) -> str:
    """Return value and unit: ``4.7 kΩ``, ``−2.1 dB``, ``5 %``; nan gives ``—``.

    Parameters
    ----------
    value :
        In SI units; decibels, octaves and per cent as they are.
    unit :
        As scores and fields name it: ``"ohm"``, ``"F"``, ``"Hz"``, ``"dB"``, ``"%"``, ``""`` …
    digits :
        Significant figures; trailing zeros are dropped, unless ``padded``.
    """
    value, symbol = first(value), unit_symbol(unit)
    if not math.isfinite(value) or symbol not in _PREFIXED:
        text = number(round(value, _DECIMALS.get(symbol, 6)), digits)
        return text if not symbol or math.isnan(value) else f"{text}{SPACE}{symbol}"
    if 0 < abs(value) < 1e-12:
        # The trade writes 0.3 pF, never 300 fF.
        return f"{number(value * 1e12, digits)}{SPACE}p{symbol}"
    return str(_Shown(value, symbol).render(prec=digits - 1, form="si", strip_zeros=not padded))


def field_unit(name: str) -> str:
    """Return the unit that a name ends in: ``stopper_ohm`` gives ``"ohm"``; ``""`` where none."""
    if name.endswith("_per_V"):
        return "/V"
    return _SUFFIX_UNITS.get(name.rpartition("_")[2], "")


def field_label(name: str, labels: dict[str, str] | None = None) -> str:
    """Return the trade's name of a field of Stage; ``labels`` goes before our own."""
    known = (labels or {}).get(name) or _FIELD_LABELS.get(name)
    return known or plain_words(name)


def part_value(name: str, value: float, digits: int = 4) -> str:
    """Return the value of a field of Stage in words: ``68 kΩ``, ``full``, ``direct``, ``none``."""
    value = float(value)
    word = _ENDS.get((name, value))
    return word if word is not None else quantity(value, field_unit(name), digits)


def plain_words(name: str) -> str:
    """Return a snake-case name as words, its unit dropped: ``rf_margin_dB`` gives RF margin."""
    stem, _, tail = name.rpartition("_")
    words = (stem if stem and tail in _SUFFIX_UNITS else name).split("_")
    spelled = {"rf": "RF", "rms": "r.m.s.", "dc": "DC", "ac": "AC"}
    return " ".join(spelled.get(word, word) for word in words)


def sentence(text: str) -> str:
    """Return the text with its first letter as a capital, all others as they are."""
    return text[:1].upper() + text[1:]


def score_unit(name: str) -> str:
    """Return the unit of a score, from the registry or else from its name."""
    return REGISTRY[name].unit if name in REGISTRY else field_unit(name)


def score_label(name: str, *, with_unit: bool = False) -> str:
    """Return a score's name in words, with its unit in brackets on request: ``gain (dB)``."""
    label = REGISTRY[name].label if name in REGISTRY else plain_words(name)
    symbol = unit_symbol(score_unit(name))
    return f"{label} ({symbol})" if with_unit and symbol else label


def column(values: Sequence[float] | np.ndarray | Iterable[float], unit: str) -> list[str]:
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
