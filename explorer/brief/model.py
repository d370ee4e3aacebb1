"""The brief: one job, read into typed values in SI units and checked as a whole."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import replace
from types import MappingProxyType
from typing import Annotated, Any, Final, Literal, Self

import numpy as np
from pydantic import Field, PrivateAttr, ValidationError, ValidationInfo, model_validator

from explorer.aims import FreeScore, Window
from explorer.brief.base import Section
from explorer.brief.conditions import (
    Carrier,
    Decision,
    Drive,
    Reference,
    Search,
    Targets,
    Tolerance,
)
from explorer.brief.errors import NOT_GIVEN, Mistakes
from explorer.brief.limits import Limits
from explorer.brief.parts import Continuous, PartChoice, Parts
from explorer.brief.scores import Scores
from explorer.brief.stock import Stock
from explorer.brief.strays import Strays
from explorer.brief.supply_driver_load import BiasDivider, Driver, Load, Supply
from explorer.units import format_quantity
from objectives.arrays import FloatArray
from objectives.checks import InputError, Written, did_you_mean
from objectives.devices.names import by_name
from objectives.devices.valve import Valve
from objectives.devices.valve_table import valves
from objectives.scores.registry import REGISTRY

REQUIREMENTS: Final[Mapping[str, tuple[str, str]]] = MappingProxyType(
    {
        "input_corner_Hz": ("targets.input_corner", "a frequency"),
        "radio_bands": ("targets.radio_bands", "at least one band"),
        "drive": ("drive", "a table"),
        "ripple": ("supply.ripple", "a voltage"),
        "prices": ("stock.drawer", "a drawer with prices"),
    }
)
"""For what a score requires: where it stands in a brief, and what is expected there."""


_Valves = (
    Annotated[str, Field(min_length=1)]
    | Annotated[tuple[str, ...], Field(min_length=1, strict=False)]
)


def _weights_of_ranks(count: int) -> list[float]:
    """Return the weights of scores in order of importance, with a mean of 1.

    Source: rank-order centroids, W. Edwards, F. H. Barron, SMARTS and SMARTER, Organizational
    Behavior and Human Decision Processes 60, 1994 (from memory).
    """
    inverse = [1 / rank for rank in range(1, count + 1)]
    return [sum(inverse[at:]) for at in range(count)]


class Brief(Section):
    """One job, read and checked; all values in SI units.

    Attribute names follow the keys of the file, save that ``from``, ``to`` and ``values`` are
    ``low``, ``high`` and ``listed``. A part left out is 0 (or an infinite resistance, for a grid
    leak); a direct coupling or a full bypass is an infinite capacitance.
    """

    schema_version: Literal[1] = Field(
        default=1, alias="schema", description="Version of the format."
    )
    title: str = Field(
        min_length=1, description="Title of the job.", examples=["A quiet second stage"]
    )
    scenario: str = Field(
        default="",
        description="What the stage is for, in prose.",
        examples=["It follows a stage that clips."],
    )
    valve: _Valves | None = Field(
        default=None,
        description="Name in the valve table; a list of names lets the search choose.",
        examples=["12AX7", ["12AX7", "12AY7"]],
    )
    sections_in_parallel: int = Field(
        default=1, ge=1, le=4, description="Sections of the valve in parallel.", examples=[2]
    )
    transistor: str | None = Field(
        default=None,
        min_length=1,
        description="Name in the transistor table, in place of valve.",
        examples=["J201"],
    )
    valve_table: str | None = Field(
        default=None,
        description="TOML file of further valves, relative to the brief.",
        examples=["valves.toml"],
    )
    supply: Supply
    driver: Driver
    load: Load
    strays: Strays = Strays()
    reference: Reference = Reference()
    targets: Targets = Targets()
    limits: Limits = Limits()
    parts: Parts
    scores: Scores = Field(default_factory=dict, description="How each score is used, by name.")
    decision: Decision = Decision()
    stock: Stock = Stock()
    drive: Drive | None = Field(
        default=None, description="Large-signal drive; without it no stage is driven into clipping."
    )
    carrier: Carrier = Carrier()
    tolerance: Tolerance = Tolerance()
    search: Search = Search()

    _source: str = PrivateAttr("brief")
    _text: str = PrivateAttr("")
    _named: Mapping[str, str] = PrivateAttr(default_factory=dict)
    _valves: tuple[Valve, ...] = PrivateAttr(())

    @property
    def devices(self) -> tuple[str, ...]:
        """Names of the valves to choose from, of the one valve, or of the transistor."""
        names = self.valve or self.transistor or ()
        return (names,) if isinstance(names, str) else names

    @property
    def source(self) -> str:
        """Where the brief was read from."""
        return self._source

    @property
    def text(self) -> str:
        """The TOML text the brief was read from; empty when built from a mapping."""
        return self._text

    @property
    def read(self) -> Mapping[str, str]:
        """The texts of all that was read, by name: of the brief, and of each file it names."""
        return {self._source: self._text, **self._named}

    @property
    def valves(self) -> tuple[Valve, ...]:
        """The valves that the brief may name: those of its own table, then the built-in ones."""
        own = set(by_name(self._valves))
        built_in = (v for v in valves() if not own & set(by_name([v])))
        return (*self._valves, *built_in)

    @property
    def varied(self) -> tuple[str, ...]:
        """Keys of what has more than one possible value or position."""
        valve = ("valve",) if len(self.devices) > 1 else ()
        return (*valve, *(c.element.key for c in self.all_choices() if c.varied))

    @property
    def free_scores(self) -> tuple[FreeScore, ...]:
        """The scores that span the front: those of the targets, then in the order of the file.

        A target needs no score to be listed. Where its score is listed all the same, the target
        says what is wanted of it; where a limit holds it, nothing more is asked.
        """
        listed = {use.name: use for use in self.scores.values() if isinstance(use, FreeScore)}
        limited = {
            *self.limits.windows,
            *(n for n, u in self.scores.items() if isinstance(u, Window)),
        }
        targets = {}
        for target in self.targets.free_scores():
            own = listed.get(target.name)
            if own is None:
                if target.use == "minimise" and "input_corner_Hz" in listed:
                    continue
                if target.use == "reach" and target.name in limited:
                    continue
                targets[target.name] = target
            elif target.use == "minimise" and np.isnan(own.wanted):
                listed[target.name] = replace(target, weight=own.weight)
        scores = tuple({**targets, **listed}.values())
        order = self.decision.order
        if not order:
            return scores
        weights = _weights_of_ranks(len(scores))
        rest = float(np.mean(weights[len(order) :])) if len(scores) > len(order) else 0.0
        return tuple(
            replace(s, weight=weights[order.index(s.name)] if s.name in order else rest)
            for s in scores
        )

    @property
    def goals(self) -> tuple[Window, ...]:
        """What counts as on target: the pick misses none of these if it can."""
        near = [free for free in self.free_scores if free.use == "near"]
        goals = [free.window for free in near]
        for target in self.targets.free_scores():
            if target.use == "reach":
                goals.append(target.window)
            elif "input_corner_Hz" not in {free.name for free in near}:
                goals.append(Window(target.name, at_most=target.good_enough))
        return tuple(goals)

    def choices(self) -> dict[str, FloatArray | Continuous]:
        """Return the possible values of every choice, by element, with ``leak_at_grid``.

        Fixed parts have one value. Arrays are ascending, shape (n,), in SI units.
        """
        values = {choice.element.name: choice.values() for choice in self.all_choices()}
        return {**values, "leak_at_grid": self.parts.leak.positions()}

    def all_choices(self) -> Iterator[PartChoice]:
        """Yield how each part is chosen, then what is chosen like a part around the stage."""
        yield from (choice for _, choice in self.parts.items())
        for table in (self.supply, self.driver, self.driver.stage):
            for name in type(table).model_fields if table is not None else ():
                value = getattr(table, name)
                if isinstance(value, PartChoice):
                    yield value

    @property
    def size(self) -> float:
        """Number of candidates; infinite when a part is continuous."""
        return len(self.devices) * math.prod(
            math.inf if isinstance(values, Continuous) else values.size
            for values in self.choices().values()
        )

    @model_validator(mode="before")
    @classmethod
    def _check_version(cls, raw: Any) -> Any:
        version = raw.get("schema", 1) if isinstance(raw, Mapping) else 1
        if version != 1 or isinstance(version, bool):
            raise InputError("schema", version, "expected 1, the only version that is read")
        return raw

    @model_validator(mode="before")
    @classmethod
    def _leak_of_divider(cls, raw: Any) -> Any:
        """Give the grid leak the value that a stated bias divider has for it."""
        try:
            divider = BiasDivider.model_validate(raw["supply"]["bias_divider"])
            leak = {"value": divider.parallel_ohm, **raw["parts"].get("grid_leak", {})}
            return {**raw, "parts": {**raw["parts"], "grid_leak": leak}}
        except (KeyError, TypeError, AttributeError, ValidationError):
            return raw  # there is none, or what is wrong with it is told by its own table

    @model_validator(mode="after")
    def _cross_check(self, info: ValidationInfo) -> Self:
        context = info.context or {}
        self._valves = context.get("valves", ())
        if not context.get("unread"):  # what depends on a file that cannot be read is not judged
            Mistakes.raise_any(
                [
                    *self._part_errors(),
                    *self._score_errors(),
                    *self._device_errors(),
                    *self._radio_errors(),
                ]
            )
        return self

    def _part_errors(self) -> Iterator[InputError]:
        parts = self.parts
        coupling, output = parts["input_coupling"].ends(), parts["output_coupling"].ends()
        divider = self.supply.bias_divider
        if divider is not None and parts.leak.ends() != (divider.parallel_ohm,):
            shown = Written(" or ".join(format_quantity(end, "ohm") for end in parts.leak.ends()))
            allowed = "expected at most a position: supply.bias_divider gives the value"
            yield InputError("parts.grid_leak", shown, allowed)
        if math.inf in parts.leak.ends() and any(map(math.isfinite, coupling)):
            allowed = "the grid would float: expected a leak, or input_coupling direct"
            yield InputError("parts.grid_leak", "none", allowed)
        if self.driver.stage is not None and math.inf in coupling:
            allowed = "expected a capacitor: the plate of driver.stage is at a direct voltage"
            yield InputError("parts.input_coupling", "direct", allowed)
        if self.load.cathode_follower is not None and output != (math.inf,):
            allowed = 'expected "direct" or nothing: the cathode follower is directly coupled'
            shown = Written(" or ".join(format_quantity(end, "F") for end in output))
            yield InputError("parts.output_coupling", shown, allowed)

    def _score_errors(self) -> Iterator[InputError]:
        # A stage whose parts are all fixed is read as it is; there is nothing to choose by.
        if self.varied and not self.free_scores:
            allowed = (
                "expected a target, or at least one score that is maximised, minimised or near a "
                "value"
            )
            yield InputError("scores", list(self.scores), allowed)
        yield from self._order_errors()
        given = {
            "input_corner_Hz": self.targets.input_corner is not None,
            "radio_bands": bool(self.targets.radio_bands),
            "drive": self.drive is not None,
            "ripple": self.supply.ripple is not None,
            "prices": self._has_prices(),
        }
        named = [("scores", name) for name in self.scores]
        named += [("limits", name) for name in self.limits.windows]
        for section, name in named:
            for need in sorted(REGISTRY[name].requires):
                if not given.get(need, True):
                    field, expected = REQUIREMENTS[need]
                    allowed = f"expected {expected}: {section}.{name} needs it"
                    shown = self.stock.drawer if need == "prices" else None
                    yield InputError(field, shown or NOT_GIVEN, allowed)

    def _order_errors(self) -> Iterator[InputError]:
        names = [use.name for use in self.scores.values() if isinstance(use, FreeScore)]
        names += [target.name for target in self.targets.free_scores()]
        order = self.decision.order
        for name in order:
            if name not in names:
                hint = did_you_mean(name, names)
                allowed = f"expected one of {', '.join(dict.fromkeys(names))}{hint}"
                yield InputError("decision.order", name, allowed)
            elif order.count(name) > 1:
                yield InputError("decision.order", name, "listed twice: expected once")
        weighted = [u for u in self.scores.values() if isinstance(u, FreeScore) and u.weight != 1]
        if order and weighted:
            allowed = "expected no weight where decision.order is given"
            yield InputError(f"scores.{weighted[0].name}.weight", weighted[0].weight, allowed)

    def _has_prices(self) -> bool:
        """Return whether the drawer prices a part of each kind that varies."""
        drawer = self.stock.parts
        kinds = {c.element.kind for _, c in self.parts.items() if c.varied}
        return drawer is not None and all(
            np.any(np.isfinite(drawer.parts(kind).price)) for kind in kinds
        )

    def _radio_errors(self) -> Iterator[InputError]:
        if self.carrier.arrives == "along the cable" and self.driver.cable_m == 0:
            allowed = "expected another way, or driver.cable_capacitance, or driver.cable"
            yield InputError("carrier.arrives", self.carrier.arrives, allowed)
        bands = self.targets.radio_bands
        top = self.carrier.arrival(self.driver.cable_m, self.driver.cable_F).trust.highest_Hz
        if bands and all(band.low >= top for band in bands):
            shown = Written(", ".join(band.name for band in bands))
            allowed = (
                f"expected a band that begins below {format_quantity(top, 'Hz', 3)}: the model is "
                "trusted up to there"
            )
            yield InputError("targets.radio_bands", shown, allowed)

    def _device_errors(self) -> Iterator[InputError]:
        if (self.valve is None) == (self.transistor is None):
            shown = NOT_GIVEN if self.valve is None else Written("valve and transistor")
            yield InputError("valve", shown, "expected exactly one of valve, transistor")
        if self.transistor is not None:
            from objectives.devices.transistor_table import transistors  # valves do without it

            if self.sections_in_parallel > 1:
                allowed = "expected 1: only sections of a valve are put in parallel"
                yield InputError("sections_in_parallel", self.sections_in_parallel, allowed)
            names = sorted({name for t in transistors() for name in (t.name, *t.aliases)})
            if self.transistor.casefold() not in {name.casefold() for name in names}:
                hint = did_you_mean(self.transistor, names)
                allowed = f"expected one of {', '.join(names)}{hint}"
                yield InputError("transistor", self.transistor, allowed)
            if self.strays.shielded:
                allowed = "expected false: a transistor has no shield"
                yield InputError("strays.shielded", True, allowed)
        repeated = [name for name in self.devices if self.devices.count(name) > 1]
        if repeated:
            yield InputError("valve", repeated[0], "listed twice: expected once")
        known = by_name(self.valves)
        unshielded = set()
        for field, name in self.valve_names():
            valve = known.get(name.casefold())
            if valve is None:
                spelled = sorted({name for v in self.valves for name in (v.name, *v.aliases)})
                allowed = f"expected one of {', '.join(spelled)}{did_you_mean(name, spelled)}"
                yield InputError(field, name, allowed)
            elif valve.c_grid_plate_shielded_F is None:
                unshielded.add(valve.name)
        if self.strays.shielded:
            for name in sorted(unshielded):
                allowed = f"expected false: no capacitances of the {name} with shield are known"
                yield InputError("strays.shielded", True, allowed)

    def valve_names(self) -> Iterator[tuple[str, str]]:
        """Yield every field that names a valve, and the name."""
        if self.valve is not None:
            yield from (("valve", name) for name in self.devices)
        for field, stage in (
            ("driver.stage", self.driver.stage),
            ("load.stage", self.load.stage),
            ("load.cathode_follower", self.load.cathode_follower),
        ):
            if stage is not None:
                yield f"{field}.valve", stage.valve
