"""A formula as a small tree, written as MathML, TeX or plain text, in symbols or in numbers."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from html import escape
from types import MappingProxyType
from typing import Final, Literal, TypeAlias

from objectives.format import SPACE, number, quantity

Notation: TypeAlias = Literal["mathml", "tex", "text"]

_DIGITS: Final = 4

_SUM, _PARALLEL, _PRODUCT, _FRACTION, _ATOM = range(5)
"""How strongly a part holds together; a weaker one inside a stronger one stands in brackets."""

_FORMS: Final[Mapping[str, tuple[int, tuple[int, ...], dict[Notation, str]]]] = MappingProxyType(
    {
        "+": (_SUM, (_SUM, _SUM), {
            "mathml": "{}<mo>+</mo>{}", "tex": "{} + {}", "text": "{} + {}"}),
        "-": (_SUM, (_SUM, _PARALLEL), {
            "mathml": "{}<mo>−</mo>{}", "tex": "{} - {}", "text": "{} − {}"}),
        "∥": (_PARALLEL, (_PARALLEL, _PARALLEL), {
            "mathml": "{}<mo>∥</mo>{}", "tex": r"{} \parallel {}", "text": "{} ∥ {}"}),
        "*": (_PRODUCT, (_PRODUCT, _PRODUCT), {
            "mathml": "{}<mo>&#8290;</mo>{}", "tex": r"{}\,{}", "text": "{} {}"}),
        "×": (_PRODUCT, (_PRODUCT, _PRODUCT), {
            "mathml": "{}<mo>×</mo>{}", "tex": r"{} \times {}", "text": "{} × {}"}),
        "/": (_FRACTION, (_SUM, _SUM), {
            "mathml": "<mfrac><mrow>{}</mrow><mrow>{}</mrow></mfrac>",
            "tex": r"\frac{{{}}}{{{}}}"}),
        "÷": (_FRACTION, (_PRODUCT, _ATOM), {"text": "{}/{}"}),
        "√": (_ATOM, (_SUM,), {
            "mathml": "<msqrt>{}</msqrt>", "tex": r"\sqrt{{{}}}", "text": "√({})"}),
        "∛": (_ATOM, (_SUM,), {
            "mathml": "<mroot><mrow>{}</mrow><mn>3</mn></mroot>",
            "tex": r"\sqrt[3]{{{}}}", "text": "∛({})"}),
        "²": (_ATOM, (_ATOM,), {
            "mathml": "<msup><mrow>{}</mrow><mn>2</mn></msup>", "tex": "{}^2", "text": "{}²"}),
    }
)  # fmt: skip
"""Of each operation: how strongly it holds, how strongly its parts must, and how it is written."""

_BRACKETS: Final[dict[Notation, str]] = {
    "mathml": "<mo>(</mo>{}<mo>)</mo>", "tex": r"\left({}\right)", "text": "({})",
}  # fmt: skip

_GREEK: Final = {"µ": r"\mu", "τ": r"\tau", "ω": r"\omega", "π": r"\pi", "Ω": r"\Omega"}


@dataclass(frozen=True)
class Formula:
    """A quantity, a constant, or an operation on other formulas.

    A quantity has a symbol (``C_gk``: what follows the line is set low) and a value (SI) with its
    unit; a constant has its text alone.
    """

    kind: str
    parts: tuple[Formula, ...] = ()
    symbol: str = ""
    value: float = 0.0
    unit: str = ""

    def __add__(self, other: Formula) -> Formula:
        return Formula("+", (self, other))

    def __sub__(self, other: Formula) -> Formula:
        return Formula("-", (self, other))

    def __mul__(self, other: Formula) -> Formula:
        return Formula("*", (self, other))

    def __truediv__(self, other: Formula) -> Formula:
        return Formula("/", (self, other))

    def __or__(self, other: Formula) -> Formula:
        """Return both in parallel."""
        return Formula("∥", (self, other))

    def write(self, notation: Notation, *, numbers: bool = False) -> str:
        """Return the formula in a notation, its quantities as symbols or as numbers."""
        return self._written(notation, numbers)[0]

    def _written(self, notation: Notation, numbers: bool) -> tuple[str, int]:
        if self.kind == "constant" or (self.kind == "quantity" and not numbers):
            return _symbol(self.symbol, notation), _ATOM
        if self.kind == "quantity":
            return written_quantity(self.value, self.unit, notation), (
                _ATOM if self.value >= 0 else _SUM
            )
        kind = self.kind
        if kind == "*" and numbers:
            kind = "×"  # numbers that stand side by side need a sign between them
        elif kind == "/" and notation == "text":
            kind = "÷"  # on one line
        own, needed, forms = _FORMS[kind]
        texts = []
        for part, least in zip(self.parts, needed, strict=True):
            text, strength = part._written(notation, numbers)
            texts.append(_BRACKETS[notation].format(text) if strength < least else text)
        return forms[notation].format(*texts), own


def of(symbol: str, value: float, unit: str = "") -> Formula:
    """Return a quantity."""
    return Formula("quantity", symbol=symbol, value=value, unit=unit)


def constant(text: str) -> Formula:
    """Return what is the same in symbols and in numbers: ``1``, ``2π``."""
    return Formula("constant", symbol=text)


def root(inner: Formula, *, cube: bool = False) -> Formula:
    """Return the square or the cube root."""
    return Formula("∛" if cube else "√", (inner,))


def square(inner: Formula) -> Formula:
    """Return the square."""
    return Formula("²", (inner,))


def written_quantity(value: float, unit: str, notation: Notation) -> str:
    """Return a value with its unit, to four figures; the full ones are worked with."""
    text = quantity(value, unit, _DIGITS) if unit else number(value, _DIGITS)
    if notation == "text":
        return text
    digits, _, symbol = text.partition(SPACE)
    if notation == "mathml":
        tail = f'<mspace width="0.2em"/><mtext>{escape(symbol)}</mtext>' if symbol else ""
        sign = "<mo>−</mo>" if digits.startswith("−") else ""
        return f"<mrow>{sign}<mn>{digits.removeprefix('−')}</mn>{tail}</mrow>"
    tail = rf"\,\mathrm{{{_tex(symbol)}}}" if symbol else ""
    return digits.replace("−", "-").replace("∞", r"\infty") + tail


def _symbol(text: str, notation: Notation) -> str:
    if notation == "text":
        return text
    name, _, low = text.partition("_")
    if notation == "tex":
        return _tex(name) + (rf"_\mathrm{{{_tex(low)}}}" if low else "")
    name = name.replace("µ", "μ")  # the letter, not the prefix: it slants
    body = "".join(
        f"<{tag}>{escape(part)}</{tag}>"
        for part in re.findall(r"\d+|\||[^\d|]+", name)
        for tag in ["mn" if part.isdigit() else "mo" if part == "|" else "mi"]
    )
    return f"<msub>{body}<mtext>{escape(low)}</mtext></msub>" if low else f"<mrow>{body}</mrow>"


def _tex(text: str) -> str:
    for sign, command in _GREEK.items():
        text = text.replace(sign, f"{command} ")
    return text.replace("%", r"\%").replace("′", "'").strip()
