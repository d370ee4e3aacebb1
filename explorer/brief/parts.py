"""The parts of a brief, each fixed or free; made from the elements of a stage that are parts."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import MISSING, dataclass
from dataclasses import fields as fields_of
from types import MappingProxyType
from typing import Annotated, Any, ClassVar, Final, Literal, Self

import numpy as np
from pydantic import (
    Field,
    GetCoreSchemaHandler,
    PrivateAttr,
    ValidationInfo,
    create_model,
    model_validator,
)
from pydantic_core import CoreSchema, core_schema

from explorer.brief.base import Section, SeriesName
from explorer.brief.errors import NOT_GIVEN, Mistakes
from explorer.drawer import Drawer, DrawerParts
from explorer.series import series_values
from explorer.tolerance_field import SPELLINGS, PartTolerance
from explorer.units import UNITS, QuantityField, format_quantity
from objectives.arrays import FloatArray
from objectives.checks import InputError, Written
from objectives.elements import ELEMENTS, Element
from objectives.stage import Stage

PART_ELEMENTS: Final[Mapping[str, Element]] = MappingProxyType(
    {element.key: element for element in ELEMENTS.values() if element.part}
)
"""Every part that a brief may fix or vary, by its key."""


@dataclass(frozen=True)
class Continuous:
    """A part that may take any value between two ends (SI units), spread evenly in ratio."""

    low: float
    high: float


def quantity_of(element: Element) -> QuantityField:
    """Return how a value of an element is read: its unit, its bounds and its words."""
    words = tuple((word, value) for value, word in element.words.items())
    if 0.0 in element.words:
        return QuantityField(element.unit, minimum=0, words=words)
    return QuantityField(element.unit, above=0, words=words)


class PartChoice(Section):
    """How one part is chosen: fixed, from a list, from a series, from a drawer, or continuous."""

    element: ClassVar[Element]
    unit: ClassVar[str]

    value: float | None = Field(default=None, description="One fixed value.")
    listed: tuple[float, ...] | None = Field(
        default=None, alias="values", strict=False, description="An explicit list of values."
    )
    series: SeriesName | None = Field(
        default=None, description="IEC 60063 series; needs from and to, both included."
    )
    continuous: bool = Field(
        default=False, description="true: any value between from and to, spread evenly in ratio."
    )
    drawer: str | None = Field(
        default=None, description="CSV file of the parts you have; from and to may narrow it."
    )
    low: float | None = Field(default=None, alias="from", description="Least value, included.")
    high: float | None = Field(default=None, alias="to", description="Greatest value, included.")
    tolerance: PartTolerance | None = Field(
        default=None,
        description=f"Tolerance that the part is bought to: {SPELLINGS}. It is heard before "
        "that of the part's line in the drawer, and that before the table tolerance's; default: as "
        "sold.",
    )

    _stock: DrawerParts | None = PrivateAttr(None)
    _values: FloatArray | Continuous = PrivateAttr(default_factory=lambda: np.zeros(0))

    @model_validator(mode="after")
    def _one_way(self, info: ValidationInfo) -> Self:
        ways = {
            "value": self.value is not None,
            "values": self.listed is not None,
            "series": self.series is not None,
            "continuous": self.continuous,
            "drawer": self.drawer is not None,
        }
        given = [way for way, present in ways.items() if present]
        if len(given) != 1:
            shown = Written(" and ".join(given)) if given else NOT_GIVEN
            raise InputError("", shown, f"expected exactly one of {', '.join(ways)}")
        if self.element.kind == "setting" and given[0] in ("series", "drawer"):
            text = "expected value, values or continuous: this is not a part"
            raise InputError(given[0], getattr(self, given[0]), text)
        if self.tolerance is not None and not self.element.part:
            allowed = "expected none: only parts of the stage itself are built with tolerances"
            raise InputError("tolerance", self.tolerance, allowed)
        Mistakes.raise_any(self._range_errors(given[0]))
        self._values = self._read_values(info.context or {})
        return self

    def _range_errors(self, way: str) -> Iterator[InputError]:
        for key, end in (("from", self.low), ("to", self.high)):
            if way in ("value", "values") and end is not None:
                allowed = "expected only beside series, continuous or drawer"
                yield InputError(key, self._written(end), allowed)
            elif way in ("series", "continuous") and end is None:
                yield InputError(key, NOT_GIVEN, f"expected a value beside {way}")
        if way not in ("value", "values") and None not in (self.low, self.high):
            assert self.low is not None
            assert self.high is not None
            if self.low >= self.high:
                allowed = f"expected less than to ({self._written(self.high)})"
                yield InputError("from", self._written(self.low), allowed)

    def _read_values(self, context: Mapping[str, Any]) -> FloatArray | Continuous:
        low, high = self.low or 0.0, math.inf if self.high is None else self.high
        if self.value is not None:
            return np.array([self.value])
        if self.listed is not None:
            if not self.listed:
                raise InputError("values", [], "expected at least one value")
            for value in self.listed:
                if self.listed.count(value) > 1:
                    text = "listed twice: expected once"
                    raise InputError("values", self._written(value), text)
            return np.array(sorted(self.listed), dtype=np.float64)
        if self.series is not None:
            values = series_values(self.series, low, high)
            if values.size == 0:
                text = f"no value {self._span()}: expected a wider range"
                raise InputError("series", self.series, text)
            return values
        drawer: Drawer | None = context.get("drawers", {}).get(self.drawer)
        if drawer is None:  # continuous, or a drawer that cannot be read: told by the loader
            return Continuous(low, high)
        self._stock = drawer.parts(self.element.kind).within(low, high)
        if len(self._stock) == 0:
            text = f"no {self.element.kind} {self._span()}: expected at least one in the drawer"
            raise InputError("drawer", self.drawer, text)
        return np.unique(self._stock.value)

    def _written(self, value: float) -> Written:
        return Written(format_quantity(value, self.unit))

    def _span(self) -> str:
        low = f"from {self._written(self.low)} " if self.low is not None else ""
        high = f"to {self._written(self.high)}" if self.high is not None else ""
        return (low + high).rstrip() or "of any value"

    def values(self) -> FloatArray | Continuous:
        """Return the values the part may take: ascending SI values, shape (n,), or a range."""
        return self._values

    def ends(self) -> tuple[float, ...]:
        """Return every value the part may take, or the two ends of a range."""
        if isinstance(self._values, Continuous):
            return (self._values.low, self._values.high)
        return tuple(float(value) for value in self._values)

    def origin(self) -> str:
        """Return in words where the values come from: 'E12, 10 kΩ to 470 kΩ'."""
        ends = self.ends()
        low, high = (self.element.word(v) or self._written(v) for v in (ends[0], ends[-1]))
        count = f"{len(ends)} listed values"
        source = self.series or ("the drawer" if self.drawer else count)
        return f"{'any value' if self.continuous else source}, {low} to {high}"

    @property
    def stock(self) -> DrawerParts | None:
        """The lines of the drawer that the values come from, if they do."""
        return self._stock

    @property
    def varied(self) -> bool:
        """Whether more than one value is possible."""
        return isinstance(self._values, Continuous) or self._values.size > 1


class GridLeakChoice(PartChoice):
    """The grid leak, and where it joins."""

    position: Literal["before stopper", "after stopper", "either"] = Field(
        default="before stopper",
        description="Where the leak joins: on the source side of the stopper, at the grid, "
        "or either (both are tried).",
    )

    def positions(self) -> FloatArray:
        """Return the positions to try as ``leak_at_grid`` of the stage: 0 before, 1 after."""
        at_grid = {"before stopper": [0.0], "after stopper": [1.0], "either": [0.0, 1.0]}
        return np.array(at_grid[self.position])

    @property
    def varied(self) -> bool:
        """Whether more than one value or position is possible."""
        return super().varied or self.position == "either"


def choice_model(
    element: Element, quantity: QuantityField, base: type[PartChoice] = PartChoice
) -> type[PartChoice]:
    """Return the table that chooses an element's value, its values read as ``quantity``."""
    one = Annotated[float, quantity]
    end = Annotated[float, QuantityField(quantity.unit, above=0, maximum=quantity.maximum)]
    kinds: dict[str, Any] = {
        "value": one | None,
        "listed": tuple[one, ...] | None,
        "low": end | None,
        "high": end | None,
    }
    fields: dict[str, Any] = {n: (kind, base.model_fields[n]) for n, kind in kinds.items()}
    model: type[PartChoice] = create_model(
        f"{element.key.title().replace('_', '')}Choice",
        __base__=base,
        __doc__=f"How the {element.label_for()} is chosen.",
        **fields,
    )
    model.element, model.unit = element, quantity.unit
    return model


@dataclass(frozen=True, eq=False)
class Freed:
    """Pydantic annotation: a value of an element, or a table that chooses it like a part."""

    element: Element
    quantity: QuantityField

    def __get_pydantic_core_schema__(
        self, source: Any, handler: GetCoreSchemaHandler
    ) -> CoreSchema:
        # Errors name the case that was taken as a step of their path; "=" marks it as none.
        return core_schema.tagged_union_schema(
            {
                "=value": handler.generate_schema(Annotated[float, self.quantity]),
                "=table": handler.generate_schema(choice_model(self.element, self.quantity)),
            },
            discriminator=lambda raw: (
                "=table" if isinstance(raw, Mapping | PartChoice) else "=value"
            ),
        )


def highest(value: float | PartChoice) -> float:
    """Return a value, or the greatest that may be chosen."""
    return value.ends()[-1] if isinstance(value, PartChoice) else value


def nominal(value: float | PartChoice) -> float:
    """Return a value, or of a choice the first: what stands in until a candidate states its own."""
    return value.ends()[0] if isinstance(value, PartChoice) else value


_NOTES: Final[Mapping[str, str]] = MappingProxyType(
    {
        "cathode_resistor": "the section that the bypass is across",
        "cathode_unbypassed": "between the cathode and the bypassed section",
        "input_coupling": "needed after driver.stage",
        "output_coupling": "direct: signals pass without loss; only a cathode follower is coupled "
        "for direct current too",
    }
)
"""What a label does not say, by key of a part."""


_USUAL: Final[Mapping[str, str]] = MappingProxyType(
    {
        "stopper": "68k",
        "plate_load": "100k",
        "cathode_resistor": "1k5",
        "cathode_unbypassed": "470",
        "bypass": "22 uF",
        "bypass_series": "100",
        "grid_leak": "1M",
        "input_coupling": "22n",
        "output_coupling": "22n",
        "plate_capacitor": "220p",
        "plate_capacitor_series": "10k",
        "grid_capacitor": "47p",
    }
)
"""For the example of a part: a value more usual than that of its unit, by key."""


def _part_fields() -> dict[str, Any]:
    defaults = {f.name: f.default for f in fields_of(Stage)}
    made = {}
    for key, element in PART_ELEMENTS.items():
        base = GridLeakChoice if key == "grid_leak" else PartChoice
        model = choice_model(element, quantity_of(element), base)
        label = element.label_for()
        text = f"{label[0].upper()}{label[1:]}"
        text += f" ({_NOTES[key]})" if key in _NOTES else ""
        text += "".join(f', or "{word}"' for word in element.words.values())
        example = [{"value": _USUAL.get(key, UNITS[element.unit].examples[0])}]
        default = defaults[element.name]
        # A part both of whose ends mean something has no natural value when left out.
        if default is MISSING or len(element.words) > 1:
            made[key] = (model, Field(description=f"{text}.", examples=example))
            continue
        word = element.word(default) or format_quantity(default, element.unit)
        made[key] = (
            model,
            Field(
                default_factory=lambda model=model, value=default: model(value=value),
                description=f"{text}; {word} if left out.",
                examples=example,
            ),
        )
    return made


class Parts(create_model("_PartFields", __base__=Section, **_part_fields())):  # type: ignore[misc]
    """The parts of the stage, each fixed or free."""

    def items(self) -> Iterator[tuple[str, PartChoice]]:
        """Yield each part's key and choice, in the order of :data:`PART_ELEMENTS`."""
        for key in PART_ELEMENTS:
            yield key, self[key]

    def __getitem__(self, key: str) -> PartChoice:
        choice: PartChoice = getattr(self, key)
        return choice

    @property
    def leak(self) -> GridLeakChoice:
        """The grid leak."""
        choice: GridLeakChoice = self.grid_leak
        return choice
