"""Values as people write them: ``4k7``, ``22 µF``, ``5.4 kHz``, ``R47``, ``-20 dB``.

Every field of a brief has one unit. :func:`parse_quantity` reads text in that unit and refuses any
other; :func:`format_quantity` writes a value back. The annotated types at the end (:data:`Ohms`,
:data:`Farads`, …) bring the same reading to pydantic models; their values are floats in SI units.

Case matters: ``m`` is milli and ``M`` is mega. ``K`` is read as kilo for resistances alone, since
IEC 60062 marks resistors so. Anything ambiguous (a decimal comma, a lone exponent with a prefix)
is refused rather than guessed.

Source of the letter codes: IEC 60062:2016, *Marking codes for resistors and capacitors*.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Annotated, Any, Final

import rkm_codes
from pydantic import GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import CoreSchema, core_schema
from quantiphy import Quantity

from objectives import format as written
from objectives.checks import InputError

rkm_codes.set_prefs(rkm_maps=rkm_codes.IEC60062_MAPS)


_PREFIXES: Final[Mapping[str, str]] = MappingProxyType(
    {"": "", "f": "f", "p": "p", "n": "n", "u": "u", "µ": "u", "μ": "u", "m": "m", "k": "k"}
    | {"K": "k", "M": "M", "G": "G", "T": "T"}
)


@dataclass(frozen=True)
class Unit:
    """One unit a field may have, and the spellings, prefixes and letter codes read for it."""

    key: str
    """Name used in code: ``"ohm"``, ``"F"``, ``"dB"`` …"""
    symbol: str
    """Symbol written after a value; empty for a plain number."""
    quantity: str
    """What it measures, with its article, for error messages."""
    spellings: tuple[str, ...]
    """Unit spellings accepted after a number, the symbol among them."""
    prefixes: str = ""
    """Prefix letters accepted; both micro signs are taken whenever ``u`` is."""
    letters: str = ""
    """Letters that may stand for the decimal point (IEC 60062 and its everyday relatives)."""
    examples: tuple[str, ...] = ()
    offsets: Mapping[str, float] = field(default_factory=dict)
    """Spellings of the same quantity on a shifted scale, with what is added to reach the unit."""

    @property
    def allowed(self) -> str:
        """A phrase naming what is allowed, for error messages."""
        shown = ", ".join(self.examples)
        in_unit = f" in {self.symbol}" if self.symbol else ""
        return f"{self.quantity}{in_unit}, such as {shown}"


def _units(*units: Unit) -> Mapping[str, Unit]:
    return MappingProxyType({unit.key: unit for unit in units})


UNITS: Final[Mapping[str, Unit]] = _units(
    Unit(
        "ohm",
        "Ω",
        "a resistance",
        ("Ω", "\u2126", "ohm", "ohms", "Ohm", "Ohms", "R"),
        "mkKMGT",
        "RkKMGTLΩ",
        ("220k", "4k7", "2.2 MΩ", "R47"),
    ),
    Unit(
        "F",
        "F",
        "a capacitance",
        ("F", "farad", "farads"),
        "fpnum",
        "pnuµμmF",
        ("22 µF", "1n5", "100p"),
    ),
    Unit("V", "V", "a voltage", ("V", "volt", "volts"), "numk", "V", ("300 V", "6V3", "1 mV")),
    Unit("A", "A", "a current", ("A", "amp", "amps"), "fpnumk", "A", ("1 mA", "50 µA")),
    Unit("Hz", "Hz", "a frequency", ("Hz", "hertz"), "mkMG", "kMG", ("5.4 kHz", "20 Hz")),
    Unit("H", "H", "an inductance", ("H", "henry", "henries"), "fpnum", "H", ("10 nH", "1 µH")),
    Unit("W", "W", "a power", ("W", "watt", "watts"), "pnumk", "W", ("1 W", "250 mW")),
    Unit("S", "S", "a conductance", ("S", "siemens"), "fpnum", "", ("1.6 mS", "1600 µS")),
    Unit("s", "s", "a time", ("s", "second", "seconds"), "fpnum", "", ("5 ms", "1 s")),
    Unit("dB", "dB", "a level", ("dB",), "", "", ("20 dB", "-6 dB")),
    Unit("dBu", "dBu", "a level", ("dBu",), "", "", ("-110 dBu",)),
    Unit("octave", "octaves", "a frequency ratio", ("octave", "octaves", "oct"), examples=("0.1",)),
    Unit("percent", "%", "a percentage", ("%", "percent", "per cent"), examples=("5 %", "10")),
    Unit(
        "K",
        "K",
        "a temperature",
        ("K", "kelvin"),
        examples=("300 K", "27 degC"),
        offsets=MappingProxyType({"degC": 273.15, "°C": 273.15, "℃": 273.15}),
    ),
    Unit("ratio", "", "a plain number", (), examples=("1", "0.5")),
)
"""Every unit a field may have, by key."""


LONGEST: Final = 100
"""Characters of a quantity; more digits take quadratic time to be read."""
LEAST, MOST = 1e-18, 1e15
"""Between these lies every quantity but 0, in its unit: an attofarad is less than any part has, a
thousand teraohm more; and no product or power of a few such numbers leaves what a computer
can hold."""


_SI_TEXT = re.compile(
    r"""(?P<sign>[+-]?)
        (?P<number>[0-9]+(?:\.[0-9]*)?|\.[0-9]+)
        (?P<exponent>[eE][+-]?[0-9]+)?
        \s*(?P<tail>[^\d\s.,+-].*)?""",
    re.VERBOSE | re.DOTALL,
)
_LETTER_TEXT = re.compile(
    r"(?P<sign>[+-]?)(?P<whole>[0-9]*)(?P<letter>[^\W\d_])(?P<part>[0-9]*)(.*)"
)


class QuantityError(InputError):
    """Text that is not a quantity of the wanted unit, in whatever field it stands."""

    def __init__(self, value: object, allowed: str) -> None:
        super().__init__("", value, f"expected {allowed}")
        self.args = (f"{value!r}: expected {allowed}",)
        self.quantity = allowed


def unit_of_name(name: str) -> str:
    """Return the unit key that a score or limit name ends in: ``gain_dB`` gives ``"dB"``.

    A name with no known ending is a plain number, ``"ratio"``.
    """
    symbol = written.unit_symbol(written.unit_of_name(name))
    return next((unit.key for unit in UNITS.values() if unit.symbol == symbol), "ratio")


def parse_quantity(text: str | float, unit: str) -> float:
    """Return what ``text`` says, as a float in SI units (per cent and decibels as they are).

    Parameters
    ----------
    text :
        Number, or text such as ``"4k7"``, ``"22 µF"``, ``"5.4 kHz"``, ``"27 degC"``.
    unit :
        Key of :data:`UNITS` that the field expects.

    Raises
    ------
    QuantityError
        Not a finite quantity of that unit, written too long, too great or too close to 0.
    KeyError
        ``unit`` is no key of :data:`UNITS`.
    """
    wanted = UNITS[unit]
    if isinstance(text, bool) or not isinstance(text, str | int | float):
        raise QuantityError(text, wanted.allowed)
    if not isinstance(text, str):
        try:
            value = float(text)
        except OverflowError:
            value = math.inf
        return _checked(value, text, wanted)
    if len(text) > LONGEST:
        raise QuantityError(text, f"{wanted.allowed}; written in at most {LONGEST} characters")
    # People paste the typographic minus and the no-break space; both mean what they look like.
    plain = text.strip().replace("\u2212", "-").replace("\u00a0", " ").replace("\u202f", " ")
    value_or_none = _letter_code(plain, wanted)
    if value_or_none is None:
        value_or_none = _si_text(plain, wanted)
    if value_or_none is None:
        raise QuantityError(text, wanted.allowed + _other_unit(plain, wanted))
    return _checked(value_or_none, text, wanted)


def _checked(value: float, given: object, unit: Unit) -> float:
    """Return a value between the bounds of all quantities, or 0."""
    if value != 0 and not LEAST <= abs(value) <= MOST:
        raise QuantityError(given, f"{unit.allowed}; from {LEAST:g} to {MOST:g} in size")
    return value


def _si_text(text: str, unit: Unit) -> float | None:
    """Read number, prefix and unit; None when the text is not so made."""
    match = _SI_TEXT.fullmatch(text)
    if match is None:
        return None
    number = match["sign"] + match["number"] + (match["exponent"] or "")
    tail = (match["tail"] or "").strip()
    if not tail or tail in unit.spellings:
        return float(Quantity(number))
    if tail in unit.offsets:
        return float(Quantity(number)) + unit.offsets[tail]
    prefix, spelling = tail[0], tail[1:].strip()
    if not _takes_prefix(unit, prefix) or (spelling and spelling not in unit.spellings):
        return None
    if match["exponent"]:
        # "1e3k" is a slip more often than a thousand thousands.
        return None
    # The library reads decimal text with its prefix in one rounding: no 4.7000000000000004e-9.
    return float(Quantity(number + _PREFIXES[prefix]))


def _letter_code(text: str, unit: Unit) -> float | None:
    """Read a letter code (``4k7``, ``R47``, ``1n5``); None when the text is not one."""
    match = _LETTER_TEXT.fullmatch(text)
    if match is None or match["letter"] not in unit.letters:
        return None
    if not match["part"] and not (match["whole"] and match["letter"] in "RLΩ"):
        return None  # "220k" is read as number and prefix
    tail = match[5].strip()
    if tail and tail not in unit.spellings:
        return None
    value = rkm_codes.from_rkm(match["whole"] + match["letter"] + match["part"])
    if value is None:
        return None
    return -float(value) if match["sign"] == "-" else float(value)


def _takes_prefix(unit: Unit, prefix: str) -> bool:
    return prefix in unit.prefixes or (prefix in "µμ" and "u" in unit.prefixes)


def _other_unit(text: str, wanted: Unit) -> str:
    """Say what a text would be in another unit, to help the reader see the slip."""
    if "," in text:
        return " (the decimal mark is a point)"
    for other in UNITS.values():
        if other.key == wanted.key or not other.spellings:
            continue
        named = text.rstrip().endswith(other.spellings)
        if named and (_si_text(text, other) is not None or _letter_code(text, other) is not None):
            return f" ({text!r} is {other.quantity})"
    return ""


def format_quantity(value: float, unit: str, digits: int = 4) -> str:
    """Write ``value`` as a message does: ``"4.7 kΩ"``, ``"−20 dB"``, with a space to break at.

    See :func:`objectives.format.quantity`, which text on a page uses.
    """
    return written.quantity(value, unit, digits, space=" ")


@dataclass(frozen=True)
class QuantityField:
    """Pydantic annotation: reads a quantity of one unit within bounds, as an SI float.

    Attributes
    ----------
    unit :
        Key of :data:`UNITS`.
    minimum :
        Least value accepted (SI), or None.
    above :
        Value that must be exceeded (SI), or None.
    maximum :
        Greatest value accepted (SI), or None.
    words :
        Words accepted instead of a number, with the value each stands for.
    """

    unit: str
    minimum: float | None = None
    above: float | None = None
    maximum: float | None = None
    words: tuple[tuple[str, float], ...] = ()

    @property
    def allowed(self) -> str:
        """A phrase naming what is allowed."""
        text = UNITS[self.unit].allowed
        if self.above is not None:
            text += f"; above {format_quantity(self.above, self.unit)}"
        if self.minimum is not None:
            text += f"; {format_quantity(self.minimum, self.unit)} or more"
        if self.maximum is not None:
            text += f"; at most {format_quantity(self.maximum, self.unit)}"
        if self.words:
            text += "; or " + " or ".join(f'"{word}"' for word, _ in self.words)
        return text

    def parse(self, raw: Any) -> float:
        """Return ``raw`` as an SI float.

        Raises
        ------
        QuantityError
            Not a quantity of this unit, or out of bounds.
        """
        for word, meaning in self.words:
            if (isinstance(raw, str) and raw.strip() == word) or raw == meaning == math.inf:
                return meaning
        try:
            value = parse_quantity(raw, self.unit)
        except QuantityError as error:
            hint = error.quantity.removeprefix(UNITS[self.unit].allowed)
            raise QuantityError(raw, self.allowed + hint) from None
        below = self.minimum is not None and value < self.minimum
        not_above = self.above is not None and not value > self.above
        beyond = self.maximum is not None and value > self.maximum
        if below or not_above or beyond:
            raise QuantityError(raw, self.allowed)
        return value

    def __get_pydantic_core_schema__(
        self, source: Any, handler: GetCoreSchemaHandler
    ) -> CoreSchema:
        return core_schema.no_info_plain_validator_function(
            self.parse,
            serialization=core_schema.plain_serializer_function_ser_schema(
                float, return_schema=core_schema.float_schema(allow_inf_nan=True)
            ),
        )

    def __get_pydantic_json_schema__(
        self, schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> JsonSchemaValue:
        number: dict[str, Any] = {"type": "number"}
        if self.minimum is not None:
            number["minimum"] = self.minimum
        if self.above is not None:
            number["exclusiveMinimum"] = self.above
        if self.maximum is not None:
            number["maximum"] = self.maximum
        text: dict[str, Any] = {"type": "string"}
        return {
            "anyOf": [number, text],
            "examples": [*UNITS[self.unit].examples, *(word for word, _ in self.words)],
        }


Ohms = Annotated[float, QuantityField("ohm", minimum=0)]
"""A resistance (ohm), 0 or more."""


PositiveOhms = Annotated[float, QuantityField("ohm", above=0)]
"""A resistance (ohm) above 0."""


Farads = Annotated[float, QuantityField("F", minimum=0)]
"""A capacitance (F), 0 or more."""


"""A capacitance (F) above 0."""


Volts = Annotated[float, QuantityField("V")]
"""A voltage (V) of either sign."""


PositiveVolts = Annotated[float, QuantityField("V", above=0)]
"""A voltage (V) above 0."""


Hertz = Annotated[float, QuantityField("Hz", above=0)]
"""A frequency (Hz) above 0."""


Henries = Annotated[float, QuantityField("H", minimum=0)]
"""An inductance (H), 0 or more."""


PositiveWatts = Annotated[float, QuantityField("W", above=0)]
"""A power (W) above 0."""


Kelvin = Annotated[float, QuantityField("K", above=0)]
"""An absolute temperature (K) above 0; degrees Celsius are converted."""
