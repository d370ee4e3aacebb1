"""TODO explorer.brief.parts."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, ClassVar, Final, Generic, Literal, Self, TypeVar

import numpy as np
from pydantic import Field, PrivateAttr, ValidationInfo, model_validator

from explorer.brief.base import (
    SeriesName,
    _BypassFarads,
    _CouplingFarads,
    _folder,
    _LeakOhms,
    _open_drawer,
    _OptionalFarads,
    _OptionalOhms,
    _Section,
)
from explorer.brief.errors import ABSENT, Bare, Fault, Faults
from explorer.drawer import Drawer
from explorer.series import UNIT_OF_KIND, FloatArray, PartKind, series_values
from explorer.units import PositiveFarads, PositiveOhms, format_quantity

__all__ = ["PARTS", "Continuous", "GridLeakChoice", "PartChoice", "PartInfo", "Parts"]

LeakPosition = Literal["before stopper", "after stopper", "either"]


@dataclass(frozen=True)
class Continuous:
    """A part that may take any value between two ends (SI units), spread evenly in ratio."""

    low: float
    high: float


@dataclass(frozen=True)
class PartInfo:
    """What a part of the brief is, and which field of the stage it sets."""

    name: str
    """Key under ``[parts]``."""
    kind: PartKind
    stage_field: str
    """Field of ``objectives.stage.Stage``, named with its unit."""
    label: str
    """The trade's term, for people."""


def _parts(*rows: tuple[str, PartKind, str]) -> Mapping[str, PartInfo]:
    return MappingProxyType(
        {
            name: PartInfo(name, kind, f"{name}_{UNIT_OF_KIND[kind]}", label)
            for name, kind, label in rows
        }
    )


PARTS: Final[Mapping[str, PartInfo]] = _parts(
    ("stopper", "resistor", "grid stopper"),
    ("plate_load", "resistor", "plate load"),
    ("cathode_resistor", "resistor", "cathode resistor"),
    ("cathode_unbypassed", "resistor", "unbypassed cathode section"),
    ("bypass", "capacitor", "cathode bypass"),
    ("bypass_series", "resistor", "resistor in series with the bypass"),
    ("grid_leak", "resistor", "grid leak"),
    ("input_coupling", "capacitor", "input coupling capacitor"),
    ("output_coupling", "capacitor", "output coupling capacitor"),
    ("plate_capacitor", "capacitor", "capacitor across the plate load"),
    ("grid_capacitor", "capacitor", "capacitor from grid to ground"),
)
"""Every part a brief may fix or vary, by its key."""


Q = TypeVar("Q", bound=float)
"""A value of a part; may be one of its words, such as none."""


R = TypeVar("R", bound=float)
"""An end of a range; above 0 and finite."""


class PartChoice(_Section, Generic[Q, R]):
    """How one part is chosen: fixed, from a list, from a series, from a drawer, or continuous."""

    kind: ClassVar[PartKind] = "resistor"

    value: Q | None = Field(default=None, description="One fixed value.")
    listed: tuple[Q, ...] | None = Field(
        default=None, alias="values", strict=False, description="An explicit list of values."
    )
    series: SeriesName | None = Field(
        default=None, description="IEC 60063 series; needs from and to, both included."
    )
    continuous: bool = Field(
        default=False, description="true: any value between from and to, evenly in ratio."
    )
    drawer: str | None = Field(
        default=None, description="CSV file of parts in hand; from and to may narrow it."
    )
    low: R | None = Field(default=None, alias="from", description="Least value, included.")
    high: R | None = Field(default=None, alias="to", description="Greatest value, included.")

    _drawer: Drawer | None = PrivateAttr(None)
    _values: FloatArray | Continuous = PrivateAttr(default_factory=lambda: np.zeros(0))

    @model_validator(mode="after")
    def _one_way(self, info: ValidationInfo) -> Self:
        given = [
            key
            for key, present in (
                ("value", self.value is not None),
                ("values", self.listed is not None),
                ("series", self.series is not None),
                ("continuous", self.continuous),
                ("drawer", self.drawer is not None),
            )
            if present
        ]
        if len(given) != 1:
            text = Bare(" and ".join(given)) if given else ABSENT
            raise Faults(
                Fault((), text, "expected exactly one of value, values, series, continuous, drawer")
            )
        self._check_range(given[0])
        self._values = self._read_values(info)
        return self

    def _check_range(self, way: str) -> None:
        ends = {"from": self.low, "to": self.high}
        problems = []
        for key, end in ends.items():
            if way in ("value", "values") and end is not None:
                expected = "expected only beside series, continuous or drawer"
                problems.append(Fault((key,), Bare(self._text(end)), expected))
            elif way in ("series", "continuous") and end is None:
                problems.append(Fault((key,), ABSENT, f"expected a value beside {way}"))
        rising = self.low is None or self.high is None or self.low < self.high
        if not problems and not rising:
            expected = f"expected less than to ({self._text(self.high)})"
            problems.append(Fault(("from",), Bare(self._text(self.low)), expected))
        if problems:
            raise Faults(*problems)

    def _read_values(self, info: ValidationInfo) -> FloatArray | Continuous:
        low = self.low if self.low is not None else 0.0
        high = self.high if self.high is not None else math.inf
        if self.value is not None:
            return np.array([self.value], dtype=np.float64)
        if self.listed is not None:
            if not self.listed:
                raise Faults(Fault(("values",), [], "expected at least one value"))
            repeated = [value for value in self.listed if self.listed.count(value) > 1]
            if repeated:
                shown = Bare(self._text(repeated[0]))
                raise Faults(Fault(("values",), shown, "listed twice: expected once"))
            return np.array(sorted(self.listed), dtype=np.float64)
        if self.series is not None:
            found = series_values(self.series, low, high)
            if found.size == 0:
                text = f"no value {self._span()}: expected a wider range"
                raise Faults(Fault(("series",), self.series, text))
            return found
        if self.drawer is not None:
            self._drawer = _open_drawer(self.drawer, _folder(info), ("drawer",))
            found = self._drawer.parts(self.kind).between(low, high)
            if found.size == 0:
                text = f"no {self.kind} {self._span()}: expected at least one in the drawer"
                raise Faults(Fault(("drawer",), self.drawer, text))
            return found
        return Continuous(low, high)

    def _text(self, value: float | None) -> str:
        return format_quantity(math.nan if value is None else value, UNIT_OF_KIND[self.kind])

    def _span(self) -> str:
        low = f"from {self._text(self.low)} " if self.low is not None else ""
        high = f"to {self._text(self.high)}" if self.high is not None else ""
        return (low + high).rstrip() or "of any value"

    def values(self) -> FloatArray | Continuous:
        """Return the values the part may take: ascending SI values, shape (n,), or a range."""
        return self._values

    def ends(self) -> tuple[float, ...]:
        """Return every value the part may take, or the two ends of a range."""
        if isinstance(self._values, Continuous):
            return (self._values.low, self._values.high)
        return tuple(float(value) for value in self._values)

    @property
    def stock(self) -> Drawer | None:
        """The drawer the values come from, if they do."""
        return self._drawer

    @property
    def varied(self) -> bool:
        """Whether more than one value is possible."""
        return isinstance(self._values, Continuous) or self._values.size > 1


class ResistorChoice(PartChoice[PositiveOhms, PositiveOhms]):
    """A resistor that must be there."""


class OptionalResistorChoice(PartChoice[_OptionalOhms, PositiveOhms]):
    """A resistor in series with something: ``"none"`` is 0 ohm."""


class GridLeakChoice(PartChoice[_LeakOhms, PositiveOhms]):
    """The grid leak: ``"none"`` is an infinite resistance."""

    position: LeakPosition = Field(
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


class _CapacitorChoice(PartChoice[Q, PositiveFarads], Generic[Q]):
    kind: ClassVar[PartKind] = "capacitor"


class BypassChoice(_CapacitorChoice[_BypassFarads]):
    """The cathode bypass: ``"none"`` is 0 F, ``"full"`` an infinite capacitance."""


class CouplingChoice(_CapacitorChoice[_CouplingFarads]):
    """A coupling capacitor: ``"direct"`` is an infinite capacitance."""


class OptionalCapacitorChoice(_CapacitorChoice[_OptionalFarads]):
    """A capacitor to ground or across a resistor: ``"none"`` is 0 F."""


def _fixed(model: type[_Choice], value: float) -> _Choice:
    return model.model_validate({"value": value})


_Choice = TypeVar("_Choice", bound=PartChoice[Any, Any])


class Parts(_Section):
    """The parts of the stage, each fixed or free."""

    plate_load: ResistorChoice = Field(description="Plate (anode) load resistor.")
    cathode_resistor: OptionalResistorChoice = Field(
        description="Section of the cathode resistor that the bypass is across."
    )
    bypass: BypassChoice = Field(description='Cathode bypass capacitor; "none" or "full" too.')
    stopper: OptionalResistorChoice = Field(
        default_factory=lambda: _fixed(OptionalResistorChoice, 0.0),
        description="Grid stopper; none if left out.",
    )
    cathode_unbypassed: OptionalResistorChoice = Field(
        default_factory=lambda: _fixed(OptionalResistorChoice, 0.0),
        description="Section between the cathode and the bypassed section; none if left out.",
    )
    bypass_series: OptionalResistorChoice = Field(
        default_factory=lambda: _fixed(OptionalResistorChoice, 0.0),
        description="Resistor in series with the bypass capacitor; none if left out.",
    )
    grid_leak: GridLeakChoice = Field(
        default_factory=lambda: _fixed(GridLeakChoice, 1e6),
        description="Grid leak; 1M before the stopper if left out.",
    )
    input_coupling: CouplingChoice = Field(
        default_factory=lambda: _fixed(CouplingChoice, math.inf),
        description="Coupling capacitor at the input, needed after driver.stage; "
        "direct if left out.",
    )
    output_coupling: CouplingChoice = Field(
        default_factory=lambda: _fixed(CouplingChoice, math.inf),
        description="Coupling capacitor at the output; if left out, or direct, signals pass "
        "without loss (only a cathode follower is then coupled for direct current too).",
    )
    plate_capacitor: OptionalCapacitorChoice = Field(
        default_factory=lambda: _fixed(OptionalCapacitorChoice, 0.0),
        description="Capacitor across the plate load; none if left out.",
    )
    grid_capacitor: OptionalCapacitorChoice = Field(
        default_factory=lambda: _fixed(OptionalCapacitorChoice, 0.0),
        description="Capacitor fitted from grid to ground; none if left out.",
    )

    def items(self) -> Iterator[tuple[str, PartChoice[Any, Any]]]:
        """Yield each part's key and choice, in the order of :data:`PARTS`."""
        for name in PARTS:
            yield name, getattr(self, name)

    def __getitem__(self, name: str) -> PartChoice[Any, Any]:
        choice: PartChoice[Any, Any] = getattr(self, PARTS[name].name)
        return choice
