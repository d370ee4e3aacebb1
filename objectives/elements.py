"""The elements of a stage, each told once: what it is called and what its ends mean.

An element is a field of :class:`objectives.stage.Stage`. Labels are templates for
:meth:`objectives.devices.terms.Terms.write`, since a transistor's grid is a gate or a base.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Final, Literal

from objectives.devices.terms import VALVE, Terms

__all__ = ["ELEMENTS", "Element", "Kind"]

Kind = Literal["resistor", "capacitor", "inductor", "setting"]


@dataclass(frozen=True)
class Element:
    """One field of a stage.

    Attributes
    ----------
    name : field of :class:`~objectives.stage.Stage`, which ends in its unit
    label : template of the trade's name
    kind : what it is; a setting is no part
    part : whether it is a part of the stage itself, which a brief may fix or vary
    words : what a value at an end of the range means: 0 ohm is ``none``
    short : template of a name that fits beside a symbol; empty where the label does
    direct_current : which direct current flows through it, ``supply`` or ``cathode``; else empty
    """

    name: str
    label: str
    kind: Kind
    part: bool = False
    words: Mapping[float, str] = field(default_factory=dict)
    short: str = ""
    direct_current: Literal["", "supply", "cathode"] = ""

    @property
    def key(self) -> str:
        """Key in a brief: the name without its unit."""
        return self.name.rpartition("_")[0] if self.kind != "setting" else self.name

    @property
    def unit(self) -> str:
        """Unit that the field ends in; empty for a position or a share."""
        tail = self.name.rpartition("_")[2]
        return tail if tail in ("ohm", "F", "H", "V") else ""

    def label_for(self, terms: Terms = VALVE) -> str:
        """Return the trade's name for a kind of device."""
        return terms.write(self.label)

    def word(self, value: float) -> str | None:
        """Return what a value means where it is no part value: ``full``; else None."""
        return self.words.get(float(value))


_NONE: Final = {0.0: "none"}
_DIRECT: Final = {math.inf: "direct"}
_OPEN: Final = {math.inf: "none"}


def _elements(*entries: Element) -> Mapping[str, Element]:
    return MappingProxyType({entry.name: entry for entry in entries})


ELEMENTS: Final = _elements(
    Element("supply_V", "supply", "setting"),
    Element("stopper_ohm", "{grid} stopper", "resistor", True, _NONE),
    Element("plate_load_ohm", "{plate} load", "resistor", True, direct_current="supply"),
    Element("cathode_resistor_ohm", "{cathode} resistor", "resistor", True, _NONE,
            direct_current="cathode"),
    Element("cathode_unbypassed_ohm", "unbypassed {cathode} resistor", "resistor", True, _NONE,
            "unbypassed", "cathode"),
    Element("bypass_F", "{cathode} bypass", "capacitor", True, {0.0: "none", math.inf: "full"},
            "bypass"),
    Element("bypass_series_ohm", "resistor in series with the bypass", "resistor", True, _NONE,
            "in series"),
    Element("grid_leak_ohm", "{grid_leak}", "resistor", True, _OPEN),
    Element("leak_at_grid", "position of the {grid_leak}", "setting", False,
            {0.0: "before the stopper", 1.0: "after the stopper"}),
    Element("input_coupling_F", "input coupling capacitor", "capacitor", True, _DIRECT,
            "input coupling"),
    Element("output_coupling_F", "output coupling capacitor", "capacitor", True, _DIRECT,
            "output coupling"),
    Element("plate_capacitor_F", "capacitor across the {plate} load", "capacitor", True, _NONE,
            "across the load"),
    Element("grid_capacitor_F", "capacitor from {grid} to ground", "capacitor", True, _NONE,
            "{grid} to ground"),
    Element("grid_bias_V", "fixed {grid} bias", "setting"),
    Element("grid_bias_ratio", "{grid} bias as a share of the supply", "setting"),
    Element("source_ohm", "{source} resistance", "resistor", short="{source}"),
    Element("source_ratio", "share of the {source} voltage behind its resistance", "setting"),
    Element("cable_F", "cable capacitance", "capacitor", words=_NONE, short="cable"),
    Element("load_ohm", "load resistance", "resistor", words=_OPEN, short="load"),
    Element("load_F", "load capacitance", "capacitor", words=_NONE, short="load"),
    Element("stopper_shunt_F", "capacitance of the stopper itself", "capacitor", words=_NONE),
    Element("stopper_lead_H", "inductance of the stopper's leads", "inductor", words=_NONE),
    Element("stray_grid_plate_F", "stray {grid}–{plate}", "capacitor"),
    Element("stray_grid_cathode_F", "stray {grid}–{cathode}", "capacitor"),
    Element("stray_plate_cathode_F", "stray {plate}–{cathode}", "capacitor"),
    Element("stray_grid_ground_F", "stray {grid}–ground", "capacitor"),
    Element("stray_plate_ground_F", "stray {plate}–ground", "capacitor"),
    Element("grid_lead_H", "inductance of the {grid} lead", "inductor"),
    Element("plate_lead_H", "inductance of the {plate} lead", "inductor"),
    Element("cathode_lead_H", "inductance of the {cathode} lead", "inductor"),
)  # fmt: skip
"""Every field of a stage by its name; parts first, in the order of a parts list."""
