"""TODO explorer.brief.model."""

from __future__ import annotations

import math
from collections.abc import Iterator
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Self

import numpy as np
from pydantic import Field, PrivateAttr, ValidationInfo, model_validator

from explorer.brief.base import _beside, _folder, _Section
from explorer.brief.conditions import Carrier, Drive, Reference, Search, Stock, Targets, Tolerance
from explorer.brief.errors import ABSENT, Bare, Fault, Faults, did_you_mean
from explorer.brief.limits import Limits
from explorer.brief.parts import PARTS, Continuous, Parts
from explorer.brief.scores import _DRIVEN, Score, Scores
from explorer.brief.strays import Strays
from explorer.brief.surroundings import Driver, Load, Supply
from explorer.series import FloatArray
from explorer.units import format_quantity
from objectives.devices.transistor_table import transistors
from objectives.devices.valve import Valve
from objectives.devices.valve_table import load_valves, valves

__all__ = ["Brief"]


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
