"""How each part of a stage is stepped: its neighbours along the series, as texts to type."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from explorer.brief.model import Brief
from explorer.choices import Choice
from explorer.designs import Design
from explorer.problem import Problem
from explorer.standing import values_about
from explorer.units import QuantityError, parse_quantity
from objectives.elements import ELEMENTS, Element
from objectives.format import part_value, sentence, unit_symbol
from reports.live import Stepper

_POSITIONS = ("before stopper", "after stopper")


@dataclass(frozen=True)
class Stepped:
    """A part that is stepped, its key in a design, and the choice that the brief leaves of it."""

    element: Element
    choice: Choice | None

    @property
    def key(self) -> str:
        """What the part is called where a design is typed."""
        return _KEYS.get(self.element.name, self.element.key)

    def short(self, value: float) -> str:
        """Return a value as an address has it, which reads back exactly: ``270k``."""
        if self.choice is not None and self.choice.names:
            return self.choice.names[int(value)]
        if self.element.name == "leak_at_grid":
            return _POSITIONS[int(value)]
        word = self.element.word(value)
        if word is not None:
            return word
        unit = self.element.unit
        text = part_value(self.element.name, value, space="").removesuffix(unit_symbol(unit))
        return _exact(text.replace("µ", "u").replace(",", ""), value, unit)

    def shown(self, value: float) -> str:
        """Return a value as it is read, and can be typed: ``270 kΩ``."""
        short = self.short(value)
        if self.element.kind == "setting" or self.element.word(value) is not None:
            return short
        return _exact(part_value(self.element.name, value, space=" "), value, self.element.unit)


_KEYS = {"device": "valve", "leak_at_grid": "grid_leak_position"}


def _exact(text: str, value: float, unit: str) -> str:
    """Return a text that reads back as the value: the one given, or all figures of the number."""
    try:
        same = bool(np.isclose(parse_quantity(text, unit or "ratio"), value, rtol=1e-9, atol=0))
    except QuantityError:
        same = False
    return text if same else f"{value:.12g}"


def choices_of(problem: Problem, brief: Brief, *, every: bool) -> list[Stepped]:
    """Return what is stepped: what varies or, with ``every``, each part that is fitted."""
    if not every:
        return [Stepped(ELEMENTS[choice.part], choice) for choice in problem.choices]
    return [
        Stepped(choice.element, None)
        for choice in brief.all_choices()
        if choice.element.part and 0 < choice.ends()[0] < np.inf
    ]


def texts(stepped: Sequence[Stepped], design: Design) -> dict[str, str]:
    """Return the values of a design by key, as an address has them."""
    fields = design.stage_fields()
    return {each.key: each.short(fields[each.element.name]) for each in stepped}


def steppers(problem: Problem, brief: Brief, design: Design, *, every: bool) -> list[Stepper]:
    """Return for each part its value and its neighbours below and above."""
    fields = design.stage_fields()
    made = []
    for each in choices_of(problem, brief, every=every):
        value = fields[each.element.name]
        below, above = _about(problem, brief, each, fields)
        made.append(
            Stepper(
                key=each.key,
                part=each.element.name,
                label=sentence(each.element.label_for(problem.terms)),
                origin="" if each.choice is None else each.choice.origin,
                text=each.shown(value),
                short=each.short(value),
                down="" if below is None else each.short(below),
                up="" if above is None else each.short(above),
            )
        )
    return made


def _about(
    problem: Problem, brief: Brief, each: Stepped, fields: Mapping[str, float]
) -> tuple[float | None, float | None]:
    """Return the next values below and above; None at an end."""
    value = fields[each.element.name]
    values = values_about(problem, brief, each.element, value)
    below, above = values[values < value * (1 - 1e-9)], values[values > value * (1 + 1e-9)]
    return (
        float(below[-1]) if below.size else None,
        float(above[0]) if above.size else None,
    )
