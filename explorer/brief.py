"""The brief: the TOML file that states a job, read into typed, checked values in SI units.

A brief says which valve, what supplies it, what drives the stage, what it drives, what is wanted,
which parts may vary and over which stock, and how each score is used. :func:`load_brief` reads a
file or one of the briefs shipped with the package; :func:`parse_brief` reads text. Everything
wrong with a brief is reported at once, in a :class:`BriefError`, one line a problem::

    parts.stopper.from: '22 uF': expected a resistance in Ω, such as 220k, 4k7, 2.2 MΩ, R47

Attribute names follow the keys of the file, save that ``from``, ``to`` and ``values`` are ``low``,
``high`` and ``listed``. All values are floats in SI units; a part left out is 0 (or an infinite
resistance, for a grid leak), a direct coupling or a full bypass is an infinite capacitance.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path
from types import MappingProxyType
from typing import Annotated, Any, ClassVar, Final, Generic, Literal, Self, TypeVar

import numpy as np
from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    GetJsonSchemaHandler,
    PlainSerializer,
    PlainValidator,
    PrivateAttr,
    SerializerFunctionWrapHandler,
    ValidationError,
    ValidationInfo,
    WithJsonSchema,
    field_serializer,
    field_validator,
    model_serializer,
    model_validator,
)
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import CoreSchema

from explorer.brief_errors import (
    ABSENT,
    Bare,
    BriefError,
    Fault,
    Faults,
    did_you_mean,
    problem_lines,
    read_text,
    read_toml,
)
from explorer.series import (
    UNIT_OF_KIND,
    Drawer,
    DrawerError,
    FloatArray,
    PartKind,
    read_drawer,
    series_values,
)
from explorer.units import (
    Farads,
    Henries,
    Hertz,
    Kelvin,
    Ohms,
    PositiveFarads,
    PositiveOhms,
    PositiveVolts,
    PositiveWatts,
    QuantityError,
    QuantityField,
    Volts,
    format_quantity,
    parse_quantity,
    unit_of_name,
)
from objectives.radio import radio_band, resistor_style, wiring, wirings
from objectives.transistors import transistors
from objectives.valves import Valve, load_valves, valves

__all__ = [
    "PARTS",
    "Brief",
    "BriefError",
    "CathodeFollower",
    "Continuous",
    "Driver",
    "DriverStage",
    "GridLeakChoice",
    "Limits",
    "Load",
    "LoadStage",
    "PartChoice",
    "PartInfo",
    "Parts",
    "RadioBand",
    "Reference",
    "Score",
    "Search",
    "Stock",
    "Strays",
    "Supply",
    "Targets",
    "Window",
    "brief_schema",
    "check_names",
    "load_brief",
    "parse_brief",
    "shipped_brief_text",
    "shipped_briefs",
]

SeriesName = Literal["E3", "E6", "E12", "E24", "E48", "E96", "E192"]
LeakPosition = Literal["before stopper", "after stopper", "either"]
Use = Literal["maximise", "minimise", "near", "window", "show"]


# --- parts ---------------------------------------------------------------------------------------


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

_NONE_0: Final = (("none", 0.0),)
_OptionalOhms = Annotated[float, QuantityField("ohm", minimum=0, words=_NONE_0)]
_LeakOhms = Annotated[float, QuantityField("ohm", above=0, words=(("none", math.inf),))]
_BypassFarads = Annotated[
    float,
    QuantityField("F", minimum=0, words=(("none", 0.0), ("full", math.inf))),
]
_CouplingFarads = Annotated[float, QuantityField("F", above=0, words=(("direct", math.inf),))]
_OptionalFarads = Annotated[float, QuantityField("F", minimum=0, words=_NONE_0)]
_Ratio = Annotated[float, QuantityField("ratio", above=0, maximum=1)]
_RatioFrom0 = Annotated[float, QuantityField("ratio", minimum=0, maximum=1)]
_Fraction = Annotated[float, QuantityField("ratio", minimum=0, maximum=1)]
_AnyPercent = Annotated[float, QuantityField("percent", minimum=0, maximum=99)]

Q = TypeVar("Q", bound=float)
"""A value of a part; may be one of its words, such as none."""
R = TypeVar("R", bound=float)
"""An end of a range; above 0 and finite."""


class _Section(BaseModel):
    """A table of the brief: no unknown keys, no silent conversions, not changed once read."""

    model_config = ConfigDict(
        extra="forbid", frozen=True, strict=True, arbitrary_types_allowed=True
    )

    def __eq__(self, other: object) -> bool:
        # What was read decides, not what was worked out from it (arrays have no single truth).
        return type(self) is type(other) and self.model_dump() == other.model_dump()


def _folder(info: ValidationInfo) -> Traversable:
    context = info.context or {}
    folder: Traversable = context.get("folder") or Path()
    return folder


def _beside(folder: Traversable, name: str) -> Traversable:
    """Return the file ``name``, relative to the folder of the brief."""
    return Path(name) if Path(name).is_absolute() else folder / name


def _open_drawer(name: str, folder: Traversable, where: tuple[str | int, ...]) -> Drawer:
    try:
        return read_drawer(_beside(folder, name))
    except DrawerError as error:
        raise Faults(*(Fault(where, name, text) for text in error.problems)) from None


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


# --- surroundings --------------------------------------------------------------------------------


class Supply(_Section):
    """The high-voltage supply and the fixed potentials about the valve."""

    voltage: PositiveVolts = Field(description="Supply voltage at the top of the plate load (V).")
    heater_elevation: Volts = Field(
        default=0.0, description="Direct voltage of the heater to ground (V), for its rating."
    )
    grid_bias: Volts = Field(
        default=0.0, description="Fixed bias that the cold end of the grid leak returns to (V)."
    )
    grid_bias_ratio: _RatioFrom0 = Field(
        default=0.0,
        description="Share of the supply that is added to it, as a divider from the supply does.",
    )


class DriverStage(_Section):
    """An earlier common-cathode stage, from which the source resistance is computed."""

    valve: str = Field(description="Name in the valve table.")
    supply: PositiveVolts = Field(description="Its supply voltage (V).")
    plate_load: PositiveOhms = Field(description="Its plate load (ohm).")
    cathode_resistor: Ohms = Field(description="Its cathode resistor, the bypassed section (ohm).")
    cathode_unbypassed: Ohms = Field(
        default=0.0, description="Its unbypassed cathode section (ohm)."
    )
    bypass: _BypassFarads = Field(
        default=math.inf, description='Its bypass (F); "none" or "full" too.'
    )
    source_resistance: Ohms = Field(
        default=0.0, description="Resistance that drives its own grid (ohm)."
    )
    grid_bias: Volts = Field(default=0.0, description="Fixed bias on its grid (V).")


class Driver(_Section):
    """What drives the stage: a Thevenin source or an earlier stage, and what lies between."""

    resistance: Ohms | None = Field(
        default=None, description="Thevenin resistance of the source (ohm)."
    )
    stage: DriverStage | None = Field(
        default=None, description="An earlier stage instead of resistance."
    )
    voltage: Annotated[float, QuantityField("V", above=0)] = Field(
        default=1.0, description="Open-circuit signal voltage of the source (V r.m.s.)."
    )
    cable_capacitance: Farads = Field(
        default=0.0, description="Shunt capacitance to ground after the source resistance (F)."
    )
    cable: str | None = Field(
        default=None,
        description="Kind of cable, from the table of wiring; gives the capacitance by its length.",
    )
    cable_metres: Annotated[float, QuantityField("ratio", above=0)] | None = Field(
        default=None, description="Length of the cable (m)."
    )
    divider_series_resistance: Ohms = Field(
        default=0.0,
        description="Resistor in series with the source, before the level control (ohm).",
    )
    divider_shunt_resistance: PositiveOhms | None = Field(
        default=None,
        description="Whole track of the level control, to ground (ohm); none if left out.",
    )
    level_fraction: _Fraction = Field(
        default=1.0, description="Setting of the level control: share of its track below the wiper."
    )

    @model_validator(mode="after")
    def _cable_from_table(self) -> Self:
        """Take the capacitance of a cable of the table, beside whatever is stated."""
        if (self.cable is None) != (self.cable_metres is None):
            missing = "cable" if self.cable is None else "cable_metres"
            raise Faults(Fault((missing,), ABSENT, "expected both of cable, cable_metres"))
        if self.cable is None or self.cable_metres is None:
            return self
        known = [w.name for w in wirings() if w.per == "metre"]
        if self.cable not in known:
            hint = did_you_mean(self.cable, known)
            expected = f"expected one of {', '.join(known)}{hint}"
            raise Faults(Fault(("cable",), self.cable, expected))
        return self

    @property
    def cable_F(self) -> float:
        """Shunt capacitance of the cable (F): stated, and by kind and length."""
        if self.cable is None or self.cable_metres is None:
            return self.cable_capacitance
        by_length = float(wiring(self.cable).total_F(self.cable_metres))
        return self.cable_capacitance + by_length

    @model_validator(mode="after")
    def _one_form(self) -> Self:
        forms = [name for name in ("resistance", "stage") if getattr(self, name) is not None]
        if len(forms) != 1:
            value = Bare(" and ".join(forms)) if forms else ABSENT
            raise Faults(Fault((), value, "expected exactly one of resistance, stage"))
        if self.level_fraction != 1.0 and self.divider_shunt_resistance is None:
            expected = "expected 1 unless divider_shunt_resistance is given"
            raise Faults(Fault(("level_fraction",), self.level_fraction, expected))
        return self

    def after_divider(self, source_ohm: float) -> tuple[float, float]:
        """Return the Thevenin resistance (ohm) and the voltage ratio behind the level control.

        Args:
            source_ohm: resistance ahead of the divider: :attr:`resistance`, or what the earlier
                stage was found to have.
        """
        ahead = source_ohm + self.divider_series_resistance
        track = self.divider_shunt_resistance
        if track is None:
            return ahead, 1.0
        below = self.level_fraction * track
        above = ahead + track - below
        return below * above / (below + above), below / (below + above)


class LoadStage(_Section):
    """A next common-cathode stage; its input capacitance is computed from its own gain."""

    valve: str = Field(description="Name in the valve table.")
    supply: PositiveVolts = Field(description="Its supply voltage (V).")
    plate_load: PositiveOhms = Field(description="Its plate load (ohm).")
    cathode_resistor: Ohms = Field(description="Its cathode resistor, the bypassed section (ohm).")
    cathode_unbypassed: Ohms = Field(
        default=0.0, description="Its unbypassed cathode section (ohm)."
    )
    bypass: _BypassFarads = Field(
        default=math.inf, description='Its bypass (F); "none" or "full" too.'
    )
    stopper: Ohms = Field(default=0.0, description="Its grid stopper (ohm).")
    grid_leak: PositiveOhms = Field(default=1e6, description="Its grid leak (ohm).")
    grid_bias: Volts = Field(default=0.0, description="Fixed bias on its grid (V).")


class CathodeFollower(_Section):
    """A directly coupled cathode follower."""

    valve: str = Field(description="Name in the valve table.")
    supply: PositiveVolts = Field(description="Its supply voltage (V).")
    cathode_resistor: PositiveOhms = Field(description="Its cathode resistor (ohm).")
    load_resistance: _LeakOhms = Field(
        default=math.inf, description='Alternating-current load at its cathode (ohm); "none" too.'
    )


class Load(_Section):
    """What the stage drives: a resistance, a next stage, or a cathode follower."""

    resistance: _LeakOhms | None = Field(
        default=None, description='Load to ground (ohm); "none" too.'
    )
    capacitance: Farads = Field(
        default=0.0, description="Shunt capacitance to ground at the load (F)."
    )
    stage: LoadStage | None = Field(default=None, description="A next stage instead of resistance.")
    cathode_follower: CathodeFollower | None = Field(
        default=None, description="A directly coupled cathode follower instead of resistance."
    )

    @model_validator(mode="after")
    def _one_form(self) -> Self:
        names = ("resistance", "stage", "cathode_follower")
        forms = [name for name in names if getattr(self, name) is not None]
        if len(forms) != 1:
            value = Bare(" and ".join(forms)) if forms else ABSENT
            raise Faults(Fault((), value, f"expected exactly one of {', '.join(names)}"))
        return self


Between = Literal[
    "grid to plate", "grid to cathode", "plate to cathode", "grid to ground", "plate to ground"
]


class WiringPiece(_Section):
    """A length or some pieces of wiring of the table, and which electrodes they lie between."""

    kind: str = Field(description="Name in the table of wiring.")
    between: Between = Field(description="The two ends of its capacitance.")
    metres: Annotated[float, QuantityField("ratio", above=0)] | None = Field(
        default=None, description="Length (m), of what the table gives by the metre."
    )
    pieces: Annotated[float, QuantityField("ratio", above=0)] | None = Field(
        default=None, description="Number, of what the table gives by the piece."
    )

    @model_validator(mode="after")
    def _from_table(self) -> Self:
        known = {w.name: w for w in wirings()}
        if self.kind not in known:
            expected = f"expected one of {'; '.join(known)}{did_you_mean(self.kind, list(known))}"
            raise Faults(Fault(("kind",), self.kind, expected))
        wanted, other = ("metres", "pieces") if known[self.kind].per == "metre" else (
            "pieces", "metres",
        )  # fmt: skip
        if getattr(self, other) is not None:
            expected = f"expected {wanted} instead: the table gives {self.kind} by them"
            raise Faults(Fault((other,), getattr(self, other), expected))
        if getattr(self, wanted) is None:
            raise Faults(Fault((wanted,), ABSENT, "required"))
        return self

    @property
    def total_F(self) -> float:
        """Its capacitance (F)."""
        amount = self.metres if self.metres is not None else self.pieces
        assert amount is not None
        return float(wiring(self.kind).total_F(amount))


class Strays(_Section):
    """Wiring capacitances (F) and lead inductances (H), beside those of the valve itself."""

    grid_to_plate: Farads = Field(default=0.0, description="Wiring, grid to plate (F).")
    grid_to_cathode: Farads = Field(default=0.0, description="Wiring, grid to cathode (F).")
    plate_to_cathode: Farads = Field(default=0.0, description="Wiring, plate to cathode (F).")
    grid_to_ground: Farads = Field(default=0.0, description="Wiring, grid to ground (F).")
    plate_to_ground: Farads = Field(default=0.0, description="Wiring, plate to ground (F).")
    # Common practice, no source: a half-watt film resistor has a few tenths of a picofarad.
    stopper_shunt: Farads = Field(
        default=0.3e-12, description="The stopper's own end-to-end capacitance (F)."
    )
    stopper_lead_inductance: Henries = Field(default=0.0, description="Leads of the stopper (H).")
    stopper_style: str | None = Field(
        default=None,
        description="Make of the stopper, from the table of styles; gives its shunt capacitance "
        "and lead inductance.",
    )
    grid_lead_inductance: Henries = Field(default=0.0, description="Lead of the grid (H).")
    plate_lead_inductance: Henries = Field(default=0.0, description="Lead of the plate (H).")
    cathode_lead_inductance: Henries = Field(default=0.0, description="Lead of the cathode (H).")
    shielded: bool = Field(
        default=False, description="Use the data-sheet capacitances measured with a shield."
    )
    wiring: tuple[WiringPiece, ...] = Field(
        default=(),
        strict=False,
        description="Wiring of the table, whose capacitances are added to those stated.",
    )

    def total_F(self, between: Between) -> float:
        """Return the wiring capacitance between two ends (F): stated, and by kind and length."""
        stated: float = getattr(self, between.replace(" ", "_"))
        return stated + sum(w.total_F for w in self.wiring if w.between == between)

    @model_validator(mode="before")
    @classmethod
    def _style_from_table(cls, raw: Any) -> Any:
        """Fill in what the style of the stopper says, where the brief does not."""
        if not isinstance(raw, Mapping) or not isinstance(raw.get("stopper_style"), str):
            return raw
        try:
            style = resistor_style(raw["stopper_style"])
        except ValueError as error:
            raise Faults(Fault(("stopper_style",), raw["stopper_style"], str(error))) from None
        table = {"stopper_shunt": style.shunt_F, "stopper_lead_inductance": style.lead_H}
        return {**table, **raw}


class Reference(_Section):
    """The conditions under which the scores are stated."""

    frequency: Hertz = Field(default=1000.0, description="Frequency at which gain is stated (Hz).")
    temperature: Kelvin = Field(default=300.0, description="Temperature of the resistors (K).")
    band: tuple[Hertz, Hertz] = Field(
        default=(20.0, 20e3), strict=False, description="Band over which noise is summed (Hz)."
    )

    @model_validator(mode="after")
    def _band_rises(self) -> Self:
        if not self.band[0] < self.band[1]:
            expected = "expected two frequencies, the lower first"
            shown = Bare(" to ".join(format_quantity(edge, "Hz") for edge in self.band))
            raise Faults(Fault(("band",), shown, expected))
        return self


class RadioBand(_Section):
    """A band to be kept out of the grid: one of the table's, or one's own with its edges."""

    band: str | None = Field(
        default=None, description="Key of a band in the table; gives name and edges."
    )
    name: str = Field(default="", description="Name shown in reports.")
    low: Hertz = Field(default=0.0, alias="from", description="Lower edge (Hz).")
    high: Hertz = Field(default=0.0, alias="to", description="Upper edge (Hz).")
    attenuation: Annotated[float, QuantityField("dB", minimum=0)] = Field(
        description="Least attenuation wanted at the grid, relative to the reference (dB)."
    )

    @model_validator(mode="before")
    @classmethod
    def _from_table(cls, raw: Any) -> Any:
        """Fill in name and edges of a band of the table."""
        if not isinstance(raw, Mapping):
            return raw
        edges = [key for key in ("name", "from", "to") if key not in raw]
        if not isinstance(raw.get("band"), str):
            if edges:
                raise Faults(Fault((edges[0],), ABSENT, "required, or band instead"))
            return raw
        try:
            known = radio_band(raw["band"])
        except ValueError as error:
            raise Faults(Fault(("band",), raw["band"], str(error))) from None
        table = {"name": known.name, "from": known.low_Hz, "to": known.high_Hz}
        return {**table, **raw}

    @model_validator(mode="after")
    def _rises(self) -> Self:
        if not self.low < self.high:
            low, high = (format_quantity(edge, "Hz") for edge in (self.low, self.high))
            raise Faults(Fault(("from",), Bare(low), f"expected less than to ({high})"))
        return self


class Drive(_Section):
    """The signal under which stage and driver are judged at large signals."""

    level: Annotated[float, QuantityField("V", above=0)] = Field(
        description="Peak of the sine EMF ahead of the driver, or of the source (V)."
    )
    note: Hertz = Field(description="Frequency of the note (Hz).")
    harmonics_above: Hertz = Field(
        default=5000.0, description="Harmonics above this frequency count as unwanted (Hz)."
    )
    clip: Annotated[float, QuantityField("V", above=0)] | None = Field(
        default=None,
        description="Without an earlier stage: level at which the source is cut off on both sides "
        "(V).",
    )
    sound: bool = Field(default=True, description="Write before and after as WAV files.")

    @model_validator(mode="after")
    def _above_the_note(self) -> Self:
        if not self.note < self.harmonics_above:
            expected = f"expected more than note ({format_quantity(self.note, 'Hz')})"
            found = Bare(format_quantity(self.harmonics_above, "Hz"))
            raise Faults(Fault(("harmonics_above",), found, expected))
        return self


# Scores that need a drive.
_DRIVEN: Final = frozenset(
    {"harmonic_fall_dB", "harmonic_fall_across_stopper_dB", "bias_shift_V"}
    | {"driven_distortion_percent"}
)


class Carrier(_Section):
    """The amplitude-modulated carrier whose detection is estimated."""

    level: Annotated[float, QuantityField("V", above=0)] = Field(
        default=0.1, description="Unmodulated carrier EMF in series with the source (V r.m.s.)."
    )
    modulation: Annotated[float, QuantityField("percent", minimum=0, maximum=100)] = Field(
        default=30.0, description="Modulation depth (per cent)."
    )


class Tolerance(_Section):
    """How parts, valve and supply spread; read by the tolerance study and the yield score."""

    study: bool = Field(default=True, description="Put a tolerance study into the report.")
    front: bool = Field(
        default=True,
        description="Study the yield of every design on the front, not only those shown.",
    )
    resistors: _AnyPercent | None = Field(
        default=None, description="Resistors, plus and minus (per cent); else by series, or 5."
    )
    capacitors: _AnyPercent | None = Field(
        default=None, description="Capacitors, plus and minus (per cent); else by series or kind."
    )
    supply: _AnyPercent = Field(
        default=10.0, description="Supply voltage, plus and minus (per cent)."
    )
    valve_transconductance: _AnyPercent = Field(
        default=25.0, description="Transconductance of the valve, three sigma (per cent)."
    )
    valve_amplification_factor: _AnyPercent = Field(
        default=10.0, description="Amplification factor of the valve, three sigma (per cent)."
    )
    valve_capacitance: _AnyPercent = Field(
        default=10.0, description="Each capacitance of the valve, three sigma (per cent)."
    )
    draws: int = Field(
        default=256, ge=16, le=100_000, description="Builds per candidate for the yield score."
    )


class Targets(_Section):
    """What is wanted, where a score needs a number to be measured against."""

    input_corner: Hertz | None = Field(
        default=None, description="Wanted frequency where the grid is 3.01 dB down (Hz)."
    )
    radio_bands: tuple[RadioBand, ...] = Field(
        default=(), strict=False, description="Bands to be kept out of the grid."
    )


class Stock(_Section):
    """The values that series departure is measured against."""

    resistor_series: SeriesName = Field(default="E12", description="Series for resistors.")
    capacitor_series: SeriesName = Field(default="E6", description="Series for capacitors.")
    drawer: str | None = Field(
        default=None, description="CSV file of parts in hand, used instead of the series."
    )

    _drawer: Drawer | None = PrivateAttr(None)

    @model_validator(mode="after")
    def _open(self, info: ValidationInfo) -> Self:
        if self.drawer is not None:
            self._drawer = _open_drawer(self.drawer, _folder(info), ("drawer",))
        return self

    @property
    def parts(self) -> Drawer | None:
        """The drawer, if one is named."""
        return self._drawer

    def preferred(self, kind: PartKind, low: float, high: float) -> FloatArray:
        """Return the values that count as preferred, covering at least ``low`` to ``high``.

        Args:
            kind: kind of part.
            low, high: ends of the range of interest (ohm or F), above 0.

        Returns:
            Ascending values, shape (n,); for a series a decade is added at either end. A drawer
            that holds no part of the kind gives way to the series.
        """
        if self._drawer is not None and len(self._drawer.parts(kind)) > 0:
            return self._drawer.parts(kind).between()
        name = self.resistor_series if kind == "resistor" else self.capacitor_series
        return series_values(name, low / 10, high * 10)


# --- scores and limits ---------------------------------------------------------------------------


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


class ResistorPowers(_Section):
    """Rated powers (W) of the fitted resistors; unlimited where not stated."""

    plate_load: PositiveWatts | None = Field(default=None, description="Plate load (W).")
    cathode_resistor: PositiveWatts | None = Field(
        default=None, description="Cathode resistor (W)."
    )
    cathode_unbypassed: PositiveWatts | None = Field(
        default=None, description="Unbypassed cathode section (W)."
    )


class ResistorVoltages(_Section):
    """Rated voltages (V) of the fitted resistors; unlimited where not stated."""

    plate_load: PositiveVolts | None = Field(default=None, description="Plate load (V).")
    cathode_resistor: PositiveVolts | None = Field(
        default=None, description="Cathode resistor (V)."
    )
    cathode_unbypassed: PositiveVolts | None = Field(
        default=None, description="Unbypassed cathode section (V)."
    )


class Limits(_Section):
    """What a stage may not break: ratings, and windows on named numbers."""

    ratings: bool = Field(default=True, description="Enforce the ratings of valve and resistors.")
    derating: _Ratio = Field(default=1.0, description="Share of every rating that may be used.")
    supply_tolerance: _AnyPercent = Field(
        default=0.0, description="How far the supply may rise above its voltage (per cent)."
    )
    resistor_power: ResistorPowers = Field(
        default=ResistorPowers(), description="Rated powers of the fitted resistors (W)."
    )
    resistor_voltage: ResistorVoltages = Field(
        default=ResistorVoltages(), description="Rated voltages of fitted resistors (V)."
    )
    windows: dict[str, Window] = Field(
        default_factory=dict, description="Windows on scores and operating-point quantities."
    )

    @model_validator(mode="before")
    @classmethod
    def _gather_windows(cls, raw: Any) -> Any:
        """Move every key that is not a setting, being the name of a number, into ``windows``."""
        if not isinstance(raw, Mapping):
            return raw
        settings = [name for name in cls.model_fields if name != "windows"]
        fixed = {key: value for key, value in raw.items() if key in settings}
        return {**fixed, "windows": {k: v for k, v in raw.items() if k not in settings}}

    @field_validator("windows", mode="plain")
    @classmethod
    def _read_windows(cls, raw: Mapping[str, Any]) -> dict[str, Window]:
        windows: dict[str, Window] = {}
        problems: list[Fault] = []
        settings = [name for name in cls.model_fields if name != "windows"]
        for name, given in raw.items():
            if isinstance(given, Window):
                windows[name] = given
            elif isinstance(given, Mapping) and given:
                bounds = _read_bounds(given, name, _BOUNDS, problems)
                windows[name] = Window(name, **bounds)
            else:
                expected = "expected { at_least = …, at_most = … }" + did_you_mean(name, settings)
                problems.append(Fault((name,), given, expected))
        if problems:
            raise Faults(*problems)
        return windows

    @field_serializer("windows")
    def _write_windows(self, windows: Mapping[str, Window]) -> dict[str, dict[str, float]]:
        return {
            name: {key: value for key in _BOUNDS if (value := getattr(window, key)) is not None}
            for name, window in windows.items()
        }

    @model_serializer(mode="wrap")
    def _flatten(self, handler: SerializerFunctionWrapHandler) -> dict[str, Any]:
        plain: dict[str, Any] = handler(self)
        windows: dict[str, Any] = plain.pop("windows", {})
        return plain | windows

    @classmethod
    def __get_pydantic_json_schema__(
        cls, schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> JsonSchemaValue:
        found = handler.resolve_ref_schema(handler(schema))
        found.get("properties", {}).pop("windows", None)
        found["additionalProperties"] = _bounds_schema(*_BOUNDS)
        return found


class Search(_Section):
    """How the design space is searched."""

    seed: int = Field(default=0, ge=0, description="Seed of every random choice.")
    evaluations: int = Field(default=4000, ge=1, description="Stages to evaluate.")
    batch: int = Field(default=200, ge=1, description="Stages proposed and evaluated together.")
    sampler: Literal["evolution", "estimator", "random"] = Field(
        default="evolution", description="How candidates are proposed."
    )
    storage: str = Field(
        default="",
        description="Database URL or file of the study; empty: a file beside the results.",
    )
    exact_up_to: int = Field(
        default=200_000,
        ge=0,
        description="Enumerate every candidate when there are no more than this.",
    )


# --- the brief -----------------------------------------------------------------------------------


class Brief(_Section):
    """One job, read and checked; all values in SI units."""

    title: str = Field(min_length=1, description="Title of the job.")
    scenario: str = Field(default="", description="What the stage is for, in prose.")
    valve: str | None = Field(default=None, min_length=1, description="Name in the valve table.")
    transistor: str | None = Field(
        default=None, min_length=1, description="Name in the transistor table, instead of valve."
    )
    valve_table: str | None = Field(
        default=None, description="TOML file of further valves, relative to the brief."
    )
    supply: Supply
    driver: Driver
    load: Load
    strays: Strays = Strays()
    reference: Reference = Reference()
    targets: Targets = Targets()
    limits: Limits = Limits()
    parts: Parts
    scores: Scores = Field(description="How each score is used, by name.")
    stock: Stock = Stock()
    drive: Drive | None = Field(
        default=None, description="Large-signal drive; without it nothing is driven into clipping."
    )
    carrier: Carrier = Carrier()
    tolerance: Tolerance = Tolerance()
    search: Search = Search()

    _source: str = PrivateAttr("brief")
    _text: str = PrivateAttr("")
    _valve_table_path: Path | None = PrivateAttr(None)

    @property
    def device(self) -> str:
        """Name of the valve or the transistor."""
        return self.valve or self.transistor or ""

    @property
    def source(self) -> str:
        """Where the brief was read from."""
        return self._source

    @property
    def text(self) -> str:
        """The TOML text the brief was read from; empty when built from a mapping."""
        return self._text

    @property
    def valve_table_path(self) -> Path | None:
        """The valve table as a path, resolved against the folder of the brief."""
        return self._valve_table_path

    @property
    def varied(self) -> tuple[str, ...]:
        """Keys of the parts that have more than one possible value or position."""
        return tuple(name for name, choice in self.parts.items() if choice.varied)

    @property
    def free_scores(self) -> tuple[Score, ...]:
        """The scores that span the front, in the order of the file."""
        return tuple(score for score in self.scores.values() if score.free)

    @property
    def shown_scores(self) -> tuple[str, ...]:
        """Names of all scores to be worked out, in the order of the file."""
        return tuple(self.scores)

    def choices(self) -> dict[str, FloatArray | Continuous]:
        """Return the possible values of every part, by field of the stage, with ``leak_at_grid``.

        Fixed parts have one value. Arrays are ascending, shape (n,), in SI units.
        """
        found = {PARTS[name].stage_field: choice.values() for name, choice in self.parts.items()}
        found["leak_at_grid"] = self.parts.grid_leak.positions()
        return found

    @property
    def size(self) -> float:
        """Number of candidates; infinite when a part is continuous."""
        return math.prod(
            math.inf if isinstance(values, Continuous) else values.size
            for values in self.choices().values()
        )

    @model_validator(mode="after")
    def _cross_check(self, info: ValidationInfo) -> Self:
        problems = [*self._part_problems(), *self._score_problems()]
        problems += self._valve_problems(_folder(info))
        if problems:
            raise Faults(*problems)
        return self

    def _part_problems(self) -> Iterator[Fault]:
        parts = self.parts
        if not self.varied:
            expected = "every part is fixed: expected values, series, continuous or drawer for one"
            yield Fault(("parts",), ABSENT, expected)
        leak, coupling = parts.grid_leak, parts.input_coupling
        coupling_out = parts.output_coupling
        if math.inf in leak.ends() and any(map(math.isfinite, coupling.ends())):
            expected = "the grid would float: expected a leak, or input_coupling direct"
            yield Fault(("parts", "grid_leak"), "none", expected)
        if self.driver.stage is not None and math.inf in coupling.ends():
            expected = "expected a capacitor: the plate of driver.stage is at a direct voltage"
            yield Fault(("parts", "input_coupling"), "direct", expected)
        if self.load.cathode_follower is not None and coupling_out.ends() != (math.inf,):
            expected = 'expected "direct" or nothing: the cathode follower is directly coupled'
            shown = Bare(" or ".join(format_quantity(end, "F") for end in coupling_out.ends()))
            yield Fault(("parts", "output_coupling"), shown, expected)

    def _score_problems(self) -> Iterator[Fault]:
        if not self.free_scores:
            expected = "expected at least one score that is maximised, minimised or near a value"
            yield Fault(("scores",), list(self.scores), expected)
        named = [("scores", name) for name in self.scores]
        named += [("limits", name) for name in self.limits.windows]
        for section, name in named:
            if name.startswith("input_corner_error") and self.targets.input_corner is None:
                expected = f"expected a frequency: {section}.{name} is measured against it"
                yield Fault(("targets", "input_corner"), ABSENT, expected)
            if name == "parts_price_sum" and not self._has_prices():
                expected = f"expected a drawer with prices: {section}.{name} adds them up"
                yield Fault(("stock", "drawer"), self.stock.drawer or ABSENT, expected)
            if name in _DRIVEN and self.drive is None:
                expected = f"expected a table: {section}.{name} is measured under it"
                yield Fault(("drive",), ABSENT, expected)
            if name.startswith(("rf_margin", "detected_radio")) and not self.targets.radio_bands:
                expected = f"expected at least one band: {section}.{name} is measured over them"
                yield Fault(("targets", "radio_bands"), ABSENT, expected)

    def _has_prices(self) -> bool:
        """Return whether the drawer prices a part of each kind that varies."""
        drawer = self.stock.parts
        kinds = {PARTS[name].kind for name in self.varied if name in PARTS}
        return drawer is not None and all(
            np.any(np.isfinite(drawer.parts(kind).price)) for kind in kinds
        )

    def _valve_problems(self, folder: Traversable) -> Iterator[Fault]:
        table = valves()
        if self.valve_table is not None:
            try:
                table += self._load_valve_table(_beside(folder, self.valve_table))
            except ValueError as error:
                yield Fault(("valve_table",), self.valve_table, str(error))
                return
        # A valve of the user's own table takes the place of a built-in one of the same name.
        known = {name.casefold(): valve for valve in table for name in valve.names}
        users: list[tuple[tuple[str | int, ...], str]] = []
        if (self.valve is None) == (self.transistor is None):
            value = ABSENT if self.valve is None else Bare("valve and transistor")
            yield Fault(("valve",), value, "expected exactly one of valve, transistor")
        if self.valve is not None:
            users.append((("valve",), self.valve))
        if self.transistor is not None:
            yield from self._transistor_problems(self.transistor)
        for where, stage in (
            (("driver", "stage"), self.driver.stage),
            (("load", "stage"), self.load.stage),
            (("load", "cathode_follower"), self.load.cathode_follower),
        ):
            if stage is not None:
                users.append(((*where, "valve"), stage.valve))
        spelled = sorted({name for valve in table for name in valve.names})
        for place, name in users:
            if name.casefold() not in known:
                expected = f"expected one of {', '.join(spelled)}{did_you_mean(name, spelled)}"
                yield Fault(place, name, expected)
        found = known.get((self.valve or "").casefold())
        if self.strays.shielded and found is not None and found.c_grid_plate_shielded_F is None:
            expected = f"expected false: no capacitances of the {found.name} with shield are known"
            yield Fault(("strays", "shielded"), True, expected)

    def _transistor_problems(self, wanted: str) -> Iterator[Fault]:
        names = sorted({name for t in transistors() for name in (t.name, *t.aliases)})
        if wanted.casefold() not in {name.casefold() for name in names}:
            expected = f"expected one of {', '.join(names)}{did_you_mean(wanted, names)}"
            yield Fault(("transistor",), wanted, expected)
        if self.strays.shielded:
            expected = "expected false: a transistor has no shield"
            yield Fault(("strays", "shielded"), True, expected)

    def _load_valve_table(self, table: Traversable) -> tuple[Valve, ...]:
        if not (isinstance(table, Path) and table.is_file()):
            raise ValueError("no such file beside the brief: expected a TOML valve table")
        self._valve_table_path = table
        return load_valves(table)


def check_names(brief: Brief, known: Mapping[str, object]) -> None:
    """Check the names under ``[scores]`` and ``[limits]`` against a registry.

    Args:
        brief: the brief.
        known: registry of scores by name, for example ``objectives.scores.REGISTRY``.

    Raises:
        BriefError: a name is not in the registry; the closest one is suggested.
    """
    named = [("scores", name) for name in brief.scores]
    named += [("limits", name) for name in brief.limits.windows]
    allowed = ", ".join(sorted(known))
    problems = [
        f"{section}.{name}: unknown name: expected one of {allowed}{did_you_mean(name, known)}"
        for section, name in named
        if name not in known
    ]
    if problems:
        raise BriefError(problems, brief.source)


# --- reading -------------------------------------------------------------------------------------


def shipped_briefs() -> tuple[str, ...]:
    """Return the names of the briefs shipped with the package, for :func:`load_brief`."""
    folder = files("explorer") / "briefs"
    return tuple(
        sorted(
            entry.name.removesuffix(".toml")
            for entry in folder.iterdir()
            if entry.name.endswith(".toml")
        )
    )


def shipped_brief_text(name: str) -> str:
    """Return the TOML text of a shipped brief.

    Raises:
        BriefError: no such brief.
    """
    if name not in shipped_briefs():
        hint = did_you_mean(name, shipped_briefs())
        expected = f"expected a file or one of {', '.join(shipped_briefs())}{hint}"
        raise BriefError([f"brief: {name!r}: {expected}"], name)
    return (files("explorer") / "briefs" / f"{name}.toml").read_text(encoding="utf-8")


def load_brief(source: str | Path) -> Brief:
    """Read a brief from a TOML file, or a shipped brief by its name.

    Args:
        source: path of a file, or one of :func:`shipped_briefs`. Paths inside the file are
            relative to its folder.

    Raises:
        BriefError: the file is missing, is not TOML, or says something that cannot be.
    """
    path = Path(source)
    if isinstance(source, str) and source in shipped_briefs() and not path.is_file():
        return parse_brief(shipped_brief_text(source), files("explorer") / "briefs", source)
    if not path.exists() and path.suffix != ".toml" and len(path.parts) == 1:
        shipped_brief_text(str(source))
    return parse_brief(read_text(path), path.parent, str(source))


def parse_brief(
    text: str | Mapping[str, Any], folder: str | Path | Traversable = ".", source: str = "brief"
) -> Brief:
    """Read a brief from TOML text, or from a mapping of the same shape.

    Args:
        text: the text.
        folder: folder that relative paths in it start from.
        source: name used in messages.

    Raises:
        BriefError: every problem found, one line each.
    """
    data = read_toml(text, source) if isinstance(text, str) else text
    base = Path(folder) if isinstance(folder, str) else folder
    try:
        brief = Brief.model_validate(data, context={"folder": base})
    except ValidationError as error:
        raise BriefError(problem_lines(error, Brief), source) from None
    brief._source = source
    brief._text = text if isinstance(text, str) else ""
    return brief


def brief_schema() -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of a brief, for editors."""
    schema = Brief.model_json_schema(by_alias=True)
    schema["$schema"] = "https://json-schema.org/draft/2020-12/schema"
    schema["title"] = "stagefront brief"
    cleaned = _without_null(schema)
    assert isinstance(cleaned, dict)
    return cleaned


def _without_null(node: Any) -> Any:
    """Drop the null alternatives: TOML has no null, a key is left out instead."""
    if isinstance(node, list):
        return [_without_null(item) for item in node]
    if not isinstance(node, dict):
        return node
    node = {
        key: _without_null(item)
        for key, item in node.items()
        if not (key == "default" and (item is None or item == math.inf))
    }
    options = node.get("anyOf")
    if isinstance(options, list) and {"type": "null"} in options:
        kept = [option for option in options if option != {"type": "null"}]
        if len(kept) == 1:
            del node["anyOf"]
            return {**kept[0], **node}
        node["anyOf"] = kept
    return node
