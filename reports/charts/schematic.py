"""The stage as a circuit diagram, with values: our own layout, as SVG.

The signal runs from left to right along one line, the reference rail lies at the bottom and the
supply at the top. What a stage does not have (a field of 0 or infinity) is not drawn, and columns
are as wide as their words. Symbols follow IEC 60617 (boxes for resistors).
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from objectives.devices.protocol import Device, OperatingPoint
from objectives.elements import BIAS_LOWER, BIAS_UPPER, DRIVER, ELEMENTS
from objectives.format import first, number, part_value, quantity
from objectives.stage import Stage
from reports.charts.canvas import Anchor, Canvas, Point
from reports.layout import Svg
from reports.model import DriverSummary
from reports.theme import CHOSEN, INK

_SUPPLY, _PLATE, _LINE, _TOP, _RAIL = 40.0, 132.0, 212.0, 262.0, 392.0
"""Heights of supply, plate, signal line, cathode and reference rail (px)."""

_SERIES, _SHUNT = f"{DRIVER}divider_series_ohm", f"{DRIVER}divider_shunt_ohm"
_LEVEL: Final = f"{DRIVER}level_fraction"
_AROUND: Final = frozenset({"source_ohm", "cable_F", "load_F", _SERIES, _SHUNT, _LEVEL})
"""What a narrow drawing leaves to the parts list."""


def schematic(
    stage: Stage,
    device: Device,
    chosen: Collection[str] = (),
    driver: DriverSummary | None = None,
    point: OperatingPoint | None = None,
) -> Svg:
    """Draw the first stage of a batch.

    Parameters
    ----------
    stage :
        The batch; only its first candidate is drawn.
    device :
        What amplifies; its name is written beside its symbol.
    chosen :
        Fields of Stage that were chosen by the exploration; their values are set off.
    driver :
        What drives the stage; its attenuator is drawn. Without it the source is the Thevenin
        equivalent that the stage states.
    point :
        Where the stage rests: the voltages that a meter finds are written at plate and cathode.

    Examples
    --------
    >>> import objectives, reports
    >>> stage = objectives.Stage(
    ...     supply_V=300.0, plate_load_ohm=100e3, cathode_resistor_ohm=1500.0, load_ohm=1e6)
    >>> drawing = reports.schematic(stage, objectives.device("12AX7"))
    >>> "</svg>" in drawing.markup
    True
    """
    values = {n: first(v) for n, v in stage.numeric_fields().items()}
    values["bias_V"] = first(stage.bias_V)
    upper, lower = stage.bias_divider_ohm
    values |= {BIAS_UPPER: first(upper), BIAS_LOWER: first(lower)}
    if math.isfinite(values[BIAS_UPPER]):
        values["grid_leak_ohm"] = math.inf  # the two resistors are what it is made of
    if driver is not None and driver.attenuates:
        values |= {"source_ohm": driver.ahead_ohm, _SERIES: driver.series_ohm}
        values |= {_SHUNT: driver.shunt_ohm, _LEVEL: driver.level}
    rests = () if point is None else (first(point.plate_V), first(point.cathode_V))
    in_words = _in_words(values, device)
    wide, narrow = (
        _Drawing(values, device, chosen, rests, named=named).markup(in_words)
        for named in (True, False)
    )
    said = ["Set off: what was chosen."] * bool(chosen) + ["Voltages: at rest, to ground."] * bool(
        rests
    )
    return Svg(
        "schematic",
        wide,
        in_words,
        " ".join(said),
        narrow,
    )


def _present(values: Mapping[str, float], name: str) -> bool:
    """Return whether a part is there at all: neither a short nor an open circuit."""
    return values.get(name, 0.0) > 0 and (values[name] < math.inf or name == "bypass_F")


def _in_words(values: Mapping[str, float], device: Device) -> str:
    """Return the circuit in words, for those who cannot see it."""
    t = device.terms
    parts = [
        f"{element.label_for(t)} {part_value(name, values[name])}"
        for name, element in ELEMENTS.items()
        if (element.part or element.short) and (_present(values, name) or name == "bypass_F")
    ]
    side = t.grid if values["leak_at_grid"] > 0.5 else t.source
    return (
        f"Circuit of a {t.stage} with one {device.name}, supply "
        f"{quantity(values['supply_V'], 'V')}, {t.grid_leak} on the {side} side of the stopper: "
        f"{', '.join(parts)}."
    )


@dataclass
class _Drawing(Canvas):
    """One drawing in the making: with the parts' names, or without for a narrow page."""

    values: Mapping[str, float]
    device: Device
    chosen: Collection[str]
    rests: Sequence[float]
    named: bool
    below: float = 0.0
    """How far to the right words stand between signal line and rail."""

    def markup(self, in_words: str) -> str:
        self.reach((0, _SUPPLY), (0, _RAIL))
        plate, cathode = self._device(self._input())
        self._plate(plate, self._cathode(cathode))
        return self.svg(in_words)

    @property
    def size(self) -> int:
        """Height of a value's letters."""
        return 17 if self.named else 21

    def words(self, name: str, called: str = "") -> tuple[str, str]:
        """Return a part's name, its own or what it is called here, and its value."""
        element = ELEMENTS[name]
        short = called or self.device.terms.write(element.short or element.label)
        return (short if self.named else ""), part_value(name, self.values[name])

    def room(self, name: str, called: str = "") -> float:
        label, value = self.words(name, called)
        return max(self.width(label), self.width(value, self.size))

    def name(self, name: str, at: Point, anchor: Anchor, called: str = "") -> None:
        """Write a part's name and below it its value."""
        (x, y), (label, value) = at, self.words(name, called)
        set_off = name in self.chosen
        if label:
            self.text((x, y - 11), label, anchor)
        self.text(
            (x, y + 8 if label else y), value, anchor, size=self.size,
            colour=CHOSEN if set_off else INK, weight=700 if set_off else 400, part=name,
        )  # fmt: skip

    def has(self, name: str) -> bool:
        around = not self.named and name in _AROUND
        return not around and _present(self.values, name)

    def symbol(self, name: str, x: float, y: float, *, upright: bool) -> float:
        """Draw a part's symbol round a point and return how far its ends are from there."""
        if ELEMENTS[name].kind == "resistor":
            w, h = (8, 21) if upright else (21, 8)
            self.path(f"M{x - w:.5g} {y - h:.5g}h{2 * w}v{2 * h}h{-2 * w}z")
            return 21.0
        plates = f"M{x - 12:.5g} {y - 3:.5g}h24M{x - 12:.5g} {y + 3:.5g}h24"
        if not upright:
            plates = f"M{x - 3:.5g} {y - 12:.5g}v24M{x + 3:.5g} {y - 12:.5g}v24"
        self.path(plates)
        return 3.0

    def across(self, name: str, x: float, y: float = _LINE) -> float:
        """Draw a part lying in a line, if it is there; return where the line goes on."""
        if not self.has(name):
            return x
        end = x + max(self.room(name), 44.0) + 12
        middle = (x + end) / 2
        half = self.symbol(name, middle, y, upright=False)
        self.wire((x, y), (middle - half, y))
        self.wire((middle + half, y), (end, y))
        self.name(name, (middle, y - 32), "middle")
        return end

    def down(
        self, names: Sequence[str], top: Point, bottom: float, anchor: Anchor = "start",
        called: str = "",
    ) -> None:  # fmt: skip
        """Draw upright parts in series, those that are there, named on one side of them."""
        x, y = top
        present = [name for name in names if self.has(name)]
        height = (bottom - y) / max(len(present), 1)
        for name in present:
            middle = y + height / 2
            half = self.symbol(name, x, middle, upright=True)
            self.wire((x, y), (x, middle - half))
            self.wire((x, middle + half), (x, y + height))
            self.name(name, (x + (16 if anchor == "start" else -16), middle), anchor, called)
            y += height
        if not present:
            self.wire(top, (x, bottom))

    def shunt(self, name: str, x: float) -> float:
        """Draw a part from the signal line to the rail, if it is there; return where it goes on."""
        if not self.has(name):
            return x
        here = max(x, self.below) + 14
        self.below = here + 16 + self.room(name)
        self.dot((here, _LINE), (here, _RAIL))
        self.down([name], (here, _LINE), _RAIL)
        self.wire((x, _LINE), (here + 10, _LINE))
        return here + 10

    def _input(self) -> float:
        """Draw everything up to the grid and return where the signal line has come."""
        self.dot((0, _LINE), open_=True)
        self.dot((0, _RAIL), open_=True)
        if self.named:
            self.text((-4, _LINE + 20), self.device.terms.source, "start")
        x = self.across(_SERIES, self.across("source_ohm", 4.0))
        controlled = self.named and self.values.get(_LEVEL, 1.0) < 1
        x = self._level_control(x) if controlled else self.shunt(_SHUNT, x)
        x = self.shunt("cable_F", x)
        x = self.across("input_coupling_F", x)
        if self.values["leak_at_grid"] > 0.5:
            x = self._leak(self._stopper(x))
        else:
            x = self._stopper(self._leak(x))
        return self.shunt("grid_capacitor_F", x)

    def _level_control(self, x: float) -> float:
        """Draw the track of a level control, named on its left, and go on from its wiper."""
        track = max(x, self.below) + self.room(_SHUNT, "level control") + 16
        wiper, middle = track + 56, (_LINE + _RAIL) / 2
        self.wire((x, _LINE), (track, _LINE))
        self.dot((track, _RAIL))
        self.down([_SHUNT], (track, _LINE), _RAIL, "end", "level control")
        self.wire((wiper, _LINE), (wiper, middle), (track + 18, middle))
        self.path(f"M{track + 10:.5g} {middle:.5g}l9 -5v10z", filled=True)
        setting = f"set to {number(self.values[_LEVEL], 3)}"
        colour = CHOSEN if _LEVEL in self.chosen else INK
        self.text((track + 14, middle + 34), setting, "start", colour=colour)
        self.below = track + 14 + self.width(setting)
        return wiper

    def _leak(self, x: float) -> float:
        if self.has(BIAS_UPPER):
            return self._bias_divider(x)
        bias = self.values["bias_V"]
        if bias == 0 or not self.has("grid_leak_ohm"):
            return self.shunt("grid_leak_ohm", x)
        here, foot = max(x, self.below) + 14, _RAIL - 48
        back = f"{quantity(bias, 'V')} bias"
        self.below = here + 16 + max(self.room("grid_leak_ohm"), self.width(back) / 2)
        self.dot((here, _LINE))
        self.down(["grid_leak_ohm"], (here, _LINE), foot)
        self.dot((here, foot), open_=True)
        self.text((here, foot + 16), back)
        self.wire((x, _LINE), (here + 10, _LINE))
        return here + 10

    def _bias_divider(self, x: float) -> float:
        """Draw the upper resistor beside the words of the signal line, the lower as a leak."""
        here = self.shunt(BIAS_LOWER, x) - 10
        self.down([BIAS_UPPER], (here, _SUPPLY), _LINE)
        self.dot((here, _SUPPLY), open_=True)
        self.text(
            (here, _SUPPLY - 16), f"+{quantity(self.values['supply_V'], 'V')}", colour=INK, size=13
        )
        end = here + 16 + self.room(BIAS_UPPER)
        self.wire((here, _LINE), (end, _LINE))
        return end

    def _stopper(self, x: float) -> float:
        if not self.has("stopper_ohm"):
            return x
        own = [
            said
            for name, said in (("stopper_shunt_F", "its own"), ("stopper_lead_H", "leads"))
            if self.named and self.has(name)
            for said in [f"{said} {part_value(name, self.values[name])}"]
        ]
        start = x
        if own:  # stands below the line, where the words of the part before it may be
            wanted = max(map(self.width, own)) - max(self.room("stopper_ohm"), 44.0)
            start = max(x, self.below + wanted / 2 - 4)
            self.wire((x, _LINE), (start, _LINE))
        end = self.across("stopper_ohm", start)
        for at, words in enumerate(own):
            self.text(((start + end) / 2, _LINE + 22 + 16 * at), words)
        if own:
            self.below = max(self.below, (start + end + max(map(self.width, own))) / 2)
        return end

    def _device(self, x: float) -> tuple[Point, Point]:
        """Draw the device with its control electrode on the line; return its other two ends."""
        cathode = [n for n in ("cathode_resistor_ohm", "cathode_unbypassed_ohm") if self.has(n)]
        words = max((self.room(name) for name in cathode), default=0.0)
        middle = max(x + 40, self.below + words + 28)
        self.wire((x, _LINE), (middle - 16, _LINE))
        self.reach((middle - 30, _LINE - 30), (middle + 30, _LINE + 30))
        lead = middle
        m = f"M{middle:.5g} {_LINE:.5g}"
        match self.device.symbol:
            case "triode":
                self.path(f"{m}m-30 0a30 30 0 1 0 60 0a30 30 0 1 0 -60 0")
                self.path(f"{m}m-16 0h8m4 0h8m4 0h8")
                self.path(f"{m}m-14 -14h28m-14 0v-18{m}m-14 20v-6h28v6m-14 -6v18")
            case "junction-fet":
                lead = middle + 8
                self.path(f"{m}m-8 -18v36m0 -28h16v-22{m}m-8 10h16v22")
                self.path(f"{m}m-10 0l-9 -5v10z", filled=True)
            case "bipolar":
                lead = middle + 10
                self.path(f"{m}m-16 0h8m0 -16v32m0 -24l18 -14v-10{m}m-8 8l18 14v10")
                self.path(f"{m}m8 20l-10 -2l5 -7z", filled=True)
        self.text((middle + 36, _LINE), self.device.name, "start", size=15, colour=INK)
        return (lead, _LINE - 32), (lead, _LINE + 32)

    def _cathode(self, at: Point) -> float:
        """Draw the cathode circuit and return the x to its right that is free of it."""
        (x, y), top = at, _TOP
        self.wire((x, y), (x, top))
        if self.rests and self.rests[1] > 0:
            self.text((x - 8, top - 8), quantity(self.rests[1], "V", 3), "end")
        if self.has("cathode_unbypassed_ohm"):
            foot = top + 62
            self.down(["cathode_unbypassed_ohm"], (x, top), foot, "end")
            top = foot
        self.down(["cathode_resistor_ohm"], (x, top), _RAIL, "end")
        self.dot((x, _RAIL))
        free = max(x + 20, x + 44 + self.width(self.device.name, 15))
        if not (self.has("bypass_F") and self.has("cathode_resistor_ohm")):
            return free
        beside = x + 40
        self.dot((x, top), (beside, _RAIL))
        self.wire((x, top), (beside, top))
        self.down(["bypass_F", "bypass_series_ohm"], (beside, top), _RAIL)
        present = [name for name in ("bypass_F", "bypass_series_ohm") if self.has(name)]
        return max(free, beside + 24 + max(map(self.room, present)))

    def _supply(self, x: float, beside: float) -> None:
        """Draw the supply on top of the plate load, and what it is decoupled by."""
        supply = f"+{quantity(self.values['supply_V'], 'V')}"
        if self.has("decoupling_ohm"):
            ahead = _SUPPLY - 84
            self.down(["decoupling_ohm"], (x, ahead), _SUPPLY)
            self.text((x, ahead - 16), "supply")
            self.text((x - 12, _SUPPLY), supply, "end", size=13, colour=INK)
            self.dot((x, _SUPPLY))
            self.dot((x, ahead), open_=True)
        else:
            self.text((x, _SUPPLY - 16), supply, size=13, colour=INK)
            self.dot((x, _SUPPLY), open_=True)
        if self.has("decoupling_F"):
            foot = _SUPPLY + 50
            self.wire((x, _SUPPLY), (beside, _SUPPLY))
            self.down(["decoupling_F"], (beside, _SUPPLY), foot)
            self.path(f"M{beside - 12:.5g} {foot:.5g}h24m-20 5h16m-12 5h8")

    def _plate(self, at: Point, free: float) -> None:
        x, y = at
        self.wire((x, y), (x, _PLATE))
        self.dot((x, _PLATE))
        if self.rests:
            self.text((x + 8, _PLATE + 14), quantity(self.rests[0], "V", 3), "start")
        self.down(["plate_load_ohm"], (x, _SUPPLY), _PLATE, "end")
        start = x + 16
        if self.has("plate_capacitor_F"):
            shaping = ["plate_capacitor_F", "plate_capacitor_series_ohm"]
            beside, top, foot = x + 40, _SUPPLY + 6, _PLATE - 6
            self.wire((x, top), (beside, top))
            self.down(shaping, (beside, top), foot)
            self.wire((beside, foot), (x, foot))
            start = beside + 24 + max(self.room(name) for name in shaping if self.has(name))
        self._supply(x, start + 24)
        if self.has("decoupling_F"):
            start = max(start, start + 40 + self.room("decoupling_F"))
        self.wire((x, _PLATE), (start, _PLATE))
        end = self.across("output_coupling_F", start, _PLATE)
        foot_x = max(end, free)
        self.wire((end, _PLATE), (foot_x, _PLATE))
        end = foot_x
        for name in ("load_ohm", "load_F"):
            if self.has(name):
                self.dot((end, _PLATE), (end, _RAIL))
                self.down([name], (end, _PLATE), _RAIL)
                beyond = end + 40 + self.room(name)
                self.wire((end, _PLATE), (beyond, _PLATE))
                end = beyond
        self.dot((end, _PLATE), open_=True)
        if self.named:
            self.text((end, _PLATE + 18), "output", "end")
        self.wire((4, _RAIL), (end, _RAIL))
        self.dot((end, _RAIL), open_=True)
        self.path(f"M0 {_RAIL + 4:.5g}v6m-10 0h20m-16 4h12m-8 4h4")
        self.reach((-10, _RAIL + 18))
