"""The stage as a circuit diagram, with values: our own layout, drawn with schemdraw as SVG.

The signal runs from left to right along one line, the reference rail lies at the bottom and the
supply at the top. What a stage does not have (a field of 0 or infinity) is not drawn, and wires
close the gap. Symbols follow IEC 60617 (boxes for resistors).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Mapping, Sequence
from functools import partial
from itertools import pairwise
from typing import Any, Final, Literal

import schemdraw
import schemdraw.elements as elm
from schemdraw.backends import svg as svg_backend

from objectives.devices.protocol import Device, Symbol
from objectives.elements import BIAS_LOWER, BIAS_UPPER, DRIVER, ELEMENTS
from objectives.format import first, number, part_value, quantity, sentence
from objectives.stage import Stage
from reports.model import DriverSummary, Svg
from reports.theme import ACCENTS, FONT, INK, MUTED

_RAIL: Final = -6.0
_PLATE: Final = 1.7
_SUPPLY: Final = 5.2
_SERIES, _SHUNT = f"{DRIVER}divider_series_ohm", f"{DRIVER}divider_shunt_ohm"
_LEVEL: Final = f"{DRIVER}level_fraction"
_Point = tuple[float, float]
_Side = Literal["left", "center", "right"]
_PARTS: Final[Mapping[str, Any]] = {"resistor": elm.ResistorIEC, "capacitor": elm.Capacitor}
_DEVICES: Final[Mapping[Symbol, tuple[Callable[[], Any], str, str, str]]] = {
    "triode": (
        partial(elm.Triode, tube_lw=1.7, anode_lw=1.7, cathode_lw=1.7, grid_lw=1.7),
        "grid", "anode", "cathode",
    ),
    "junction-fet": (elm.JFetN, "gate", "drain", "source"),
    "bipolar": (elm.BjtNpn, "base", "collector", "emitter"),
}  # fmt: skip
"""Symbol of each kind of device, and which of its ends are control, plate and cathode."""


def schematic(
    stage: Stage,
    device: Device,
    chosen: Collection[str] = (),
    driver: DriverSummary | None = None,
) -> Svg:
    """Draw the first stage of a batch.

    Parameters
    ----------
    stage :
        The batch; only its first candidate is drawn.
    device :
        What amplifies; its name is written beside its symbol.
    chosen :
        Fields of Stage that were chosen by the exploration; their values are set off in colour.
    driver :
        What drives the stage; its attenuator is drawn. Without it the source is the Thevenin
        equivalent that the stage states.

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
    # Text stays text: it can be searched, and it is set in the page's own fonts.
    before, svg_backend.config.text = svg_backend.config.text, "text"
    try:
        markup = _Drawing(values, device, chosen).markup()
    finally:
        svg_backend.config.text = before
    t = device.terms
    blue = "Values in blue were chosen by the exploration, the others are given. " if chosen else ""
    return Svg(
        "schematic",
        markup,
        _in_words(values, device),
        f"The stage. {blue}{sentence(t.supplies)} and the capacitances of {t.kind} and "
        + "wiring are not drawn"
        + (
            ", nor is the capacitor that couples the earlier stage to its attenuator."
            if driver is not None and driver.device and driver.attenuates
            else "."
        ),
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


class _Drawing:
    """One drawing in the making."""

    def __init__(
        self, values: Mapping[str, float], device: Device, chosen: Collection[str]
    ) -> None:
        self.values, self.device, self.chosen = values, device, chosen
        self.drawing = schemdraw.Drawing(canvas="svg", show=False)
        self.drawing.config(fontsize=11, font=FONT, color=INK, lw=1.7, unit=3.0, margin=0.25)

    def markup(self) -> str:
        plate, cathode = self._device(self._input())
        self._plate(plate, self._cathode(cathode))
        return str(self.drawing.get_imagedata("svg").decode("utf-8"))

    # -- pieces ------------------------------------------------------------------------------

    def has(self, name: str) -> bool:
        return _present(self.values, name)

    def span(self, kind: Any, start: _Point, end: _Point, colour: str = INK) -> None:
        """Draw a two-ended element from one point to another."""
        self.drawing.add(kind().at(start).to(end).color(colour))

    def wire(self, *points: _Point) -> None:
        for start, end in pairwise(points):
            self.span(elm.Line, start, end)

    def dot(self, *points: _Point) -> None:
        for at in points:
            self.drawing.add(elm.Dot(radius=0.07).at(at))

    def terminal(self, at: _Point) -> None:
        self.drawing.add(elm.Dot(open=True).at(at))

    def text(self, at: _Point, text: str, halign: _Side, **style: Any) -> None:
        label = elm.Label().at(at).label(text, halign=halign, valign="center", **style)
        self.drawing.add(label)

    def name(self, field: str, at: _Point, halign: _Side, called: str = "") -> None:
        """Write a part's name, its own or what it is called here, and its value below."""
        x, y = at
        element = ELEMENTS[field]
        short = called or self.device.terms.write(element.short or element.label)
        self.text((x, y + 0.2), short, halign, color=MUTED)
        colour = ACCENTS["blue"] if field in self.chosen else INK
        self.text((x, y - 0.22), part_value(field, self.values[field]), halign, color=colour)

    def across(
        self, field: str, x: float, y: float = 0.0, width: float = 2.4, name_at: float = 0.85
    ) -> float:
        """Draw a part lying in a line, if it is there; return where the line goes on."""
        if not self.has(field):
            return x
        self.span(_PARTS[ELEMENTS[field].kind], (x, y), (x + width, y))
        self.name(field, (x + width / 2, y + name_at), "center")
        return x + width

    def down(
        self, fields: Sequence[str], top: _Point, bottom: float, side: _Side = "right"
    ) -> None:
        """Draw upright parts in series, those that are there, named on one side of them."""
        x, y = top
        present = [field for field in fields if self.has(field)]
        height = (y - bottom) / max(len(present), 1)
        for field in present:
            self.span(_PARTS[ELEMENTS[field].kind], (x, y), (x, y - height))
            left = side == "left"
            beside = (x - 0.55 if left else x + 0.42, y - height / 2)
            self.name(field, beside, "right" if left else "left")
            y -= height
        if not present:
            self.wire(top, (x, bottom))

    def shunt(self, field: str, x: float, room: float = 1.9) -> float:
        """Draw a part from the signal line to the rail, if it is there; return where it goes on."""
        if not self.has(field):
            return x
        here = x + 0.5
        self.wire((x, 0), (here + room, 0))
        self.dot((here, 0), (here, _RAIL))
        self.down([field], (here, 0), _RAIL)
        return here + room

    # -- source to grid ----------------------------------------------------------------------

    def _input(self) -> float:
        """Draw everything up to the grid and return where the signal line has come."""
        self.span(elm.SourceSin, (0, _RAIL), (0, 0))
        self.text((-0.75, _RAIL / 2), self.device.terms.source, "right", color=MUTED)
        x = self.across(_SERIES, self.across("source_ohm", 0.0))
        x = self._level_control(x) if self.values.get(_LEVEL, 1.0) < 1 else self.shunt(_SHUNT, x)
        x = self.shunt("cable_F", x)
        x = self.across("input_coupling_F", x)
        if self.values["leak_at_grid"] > 0.5:
            x = self._leak(self._stopper(x))
        else:
            x = self._stopper(self._leak(x))
        return self.shunt("grid_capacitor_F", x, 3.0)

    def _level_control(self, x: float) -> float:
        """Draw the track of a level control, named on its left, and go on from its wiper."""
        track, wiper = x + 2.4, x + 3.6
        self.wire((x, 0), (track, 0))
        self.dot((track, _RAIL))
        self.span(_PARTS["resistor"], (track, 0), (track, _RAIL))
        middle = _RAIL / 2
        self.name(_SHUNT, (track - 0.55, middle), "right", "level control")
        self.drawing.add(elm.Arrow(headwidth=0.2).at((wiper, middle)).to((track + 0.3, middle)))
        self.wire((wiper, middle), (wiper, 0))
        setting = f"set to {number(self.values[_LEVEL], 3)}"
        colour = ACCENTS["blue"] if _LEVEL in self.chosen else INK
        self.text((wiper - 0.6, middle - 0.6), setting, "left", color=colour)
        return wiper

    def _bias_divider(self, x: float) -> float:
        here, top = x + 0.5, 4.2
        self.wire((x, 0), (here + 2.3, 0))
        self.dot((here, 0), (here, _RAIL))
        self.wire((here, 0), (here, 1.4))
        self.down([BIAS_UPPER], (here, top), 1.4)
        self.terminal((here, top))
        supply = f"+{quantity(self.values['supply_V'], 'V')}"
        self.text((here, top + 0.4), supply, "center", fontsize=12)
        self.down([BIAS_LOWER], (here, 0), _RAIL)
        return here + 2.3

    def _leak(self, x: float) -> float:
        if self.has(BIAS_UPPER):
            return self._bias_divider(x)
        bias = self.values["bias_V"]
        if bias == 0 or not self.has("grid_leak_ohm"):
            return self.shunt("grid_leak_ohm", x, 2.0)
        here = x + 0.5
        self.wire((x, 0), (here + 2.6, 0))
        self.dot((here, 0))
        self.down(["grid_leak_ohm"], (here, 0), -3.4)
        self.terminal((here, -3.4))
        self.text((here, -3.8), f"{quantity(bias, 'V')} bias", "center")
        return here + 2.6

    def _stopper(self, x: float) -> float:
        if not self.has("stopper_ohm"):
            return x
        end = self.across("stopper_ohm", x, width=3.0, name_at=-0.85)
        middle = (x + end) / 2
        if self.has("stopper_shunt_F"):
            # Not a part that is fitted, so it is drawn pale.
            self.dot((x, 0), (end, 0))
            for at in (x, end):
                self.span(elm.Line, (at, 0), (at, 1.0), MUTED)
            self.span(elm.Capacitor, (x, 1.0), (end, 1.0), MUTED)
            own = f"its own {part_value('stopper_shunt_F', self.values['stopper_shunt_F'])}"
            self.text((middle, 1.6), own, "center", color=MUTED)
        if self.has("stopper_lead_H"):
            own = f"leads {part_value('stopper_lead_H', self.values['stopper_lead_H'])}"
            self.text((middle, -1.5), own, "center", color=MUTED)
        self.wire((end, 0), (end + 0.5, 0))
        return end + 0.5

    # -- device and cathode --------------------------------------------------------------------

    def _device(self, x: float) -> tuple[_Point, _Point]:
        """Draw the device with its control electrode on the line; return its other two ends."""
        entry = x + 1.6
        symbol, control, *others = _DEVICES[self.device.symbol]
        drawn = self.drawing.add(symbol().anchor(control).at((entry, 0)))
        self.wire((x, 0), (entry, 0))
        plate, cathode = (
            (float(drawn.absanchors[end][0]), float(drawn.absanchors[end][1])) for end in others
        )
        self.text((plate[0] + 1.0, 0.45), self.device.name, "left", fontsize=12)
        return plate, cathode

    def _cathode(self, at: _Point) -> float:
        """Draw the cathode circuit and return the x of its rightmost branch."""
        x, y = at
        top = -1.5
        self.wire((x, y), (x, top))
        if self.has("cathode_unbypassed_ohm"):
            self.down(["cathode_unbypassed_ohm"], (x, top), top - 1.7, "left")
            top -= 1.7
        self.down(["cathode_resistor_ohm"], (x, top), _RAIL, "left")
        self.dot((x, _RAIL))
        if not (self.has("bypass_F") and self.has("cathode_resistor_ohm")):
            return x
        beside = x + 1.5
        self.dot((x, top), (beside, _RAIL))
        self.wire((x, top), (beside, top))
        self.down(["bypass_F", "bypass_series_ohm"], (beside, top), _RAIL)
        return beside

    # -- plate and output --------------------------------------------------------------------

    def _supply(self, x: float) -> None:
        """Draw the supply on top of the plate load, and what it is decoupled by."""
        ahead = _SUPPLY + 2.0 if self.has("decoupling_ohm") else _SUPPLY
        supply = f"+{quantity(self.values['supply_V'], 'V')}"
        if ahead > _SUPPLY:
            self.down(["decoupling_ohm"], (x, ahead), _SUPPLY)
            self.text((x, ahead + 0.4), "supply", "center", color=MUTED)
            self.text((x - 0.3, _SUPPLY), supply, "right", fontsize=12)
            self.dot((x, _SUPPLY))
        else:
            self.text((x, _SUPPLY + 0.4), supply, "center", fontsize=12)
        self.terminal((x, ahead))
        if self.has("decoupling_F"):
            beside = x + (4.4 if self.has("plate_capacitor_F") else 2.2)
            self.wire((x, _SUPPLY), (beside, _SUPPLY))
            self.down(["decoupling_F"], (beside, _SUPPLY), _SUPPLY - 1.5)
            self.drawing.add(elm.Ground().at((beside, _SUPPLY - 1.5)))

    def _plate(self, at: _Point, right: float) -> None:
        x, y = at
        self.wire((x, y), (x, _PLATE))
        self.dot((x, _PLATE))
        self.down(["plate_load_ohm"], (x, _SUPPLY), _PLATE, "left")
        self._supply(x)
        # The output line starts far enough to the right to clear the words of other branches.
        start = max(x + 1.2, right + 1.0)
        if self.has("plate_capacitor_F"):
            start = max(start, x + 4.2)
            beside, top, foot = x + 1.4, _SUPPLY - 0.6, _PLATE + 0.6
            self.dot((x, top), (x, foot))
            self.wire((x, top), (beside, top))
            self.down(["plate_capacitor_F", "plate_capacitor_series_ohm"], (beside, top), foot)
            self.wire((beside, foot), (x, foot))
        end = self.across("output_coupling_F", start, _PLATE)
        foot = max(end, right + 3.0)
        self.wire((x, _PLATE), (start, _PLATE))
        self.wire((end, _PLATE), (foot, _PLATE))
        end = foot
        for field in ("load_ohm", "load_F"):
            if self.has(field):
                self.dot((end, _PLATE), (end, _RAIL))
                self.down([field], (end, _PLATE), _RAIL)
                self.wire((end, _PLATE), (end + 2.1, _PLATE))
                end += 2.1
        self.terminal((end, _PLATE))
        self.text((end + 0.25, _PLATE), "output", "left", color=MUTED)
        self.wire((0, _RAIL), (end, _RAIL))
        self.terminal((end, _RAIL))
        self.drawing.add(elm.Ground().at((0, _RAIL)))
