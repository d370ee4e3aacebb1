"""The stage as a circuit diagram, with values: our own layout, drawn with schemdraw as SVG.

The signal runs from left to right along one line, the reference rail lies at the bottom and the
supply at the top. What a stage does not have (a field of 0 or infinity) is not drawn, and wires
close the gap. Symbols follow IEC 60617 (boxes for resistors).
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from itertools import pairwise
from typing import Any, Final, Literal

import schemdraw
import schemdraw.elements as elm
from schemdraw.backends import svg as svg_backend

from objectives.devices.protocol import ConductionLaw, Device
from objectives.devices.terms import terms_of
from objectives.format import field_label, first, part_value, quantity
from objectives.stage import Stage
from reports.model import Svg
from reports.theme import ACCENTS, INK, MUTED

__all__ = ["schematic"]

_RAIL: Final = -6.0
_PLATE: Final = 1.7
_SUPPLY: Final = 5.2
_FONT: Final = "Helvetica Neue, Helvetica, Arial, Liberation Sans, sans-serif"
_Point = tuple[float, float]
_SHORT: Final = {
    "source_ohm": "source",
    "cable_F": "cable",
    "input_coupling_F": "input coupling",
    "grid_capacitor_F": "grid to ground",
    "cathode_unbypassed_ohm": "unbypassed",
    "bypass_F": "bypass",
    "bypass_series_ohm": "in series",
    "plate_capacitor_F": "across the load",
    "output_coupling_F": "output coupling",
    "load_ohm": "load",
    "load_F": "load",
}
"""Names that fit beside a symbol, where the trade's name is longer."""


def schematic(
    stage: Stage,
    device: Device,
    chosen: Collection[str] = (),
    labels: Mapping[str, str] | None = None,
) -> Svg:
    """Draw the first stage of a batch.

    Parameters
    ----------
    stage :
        The batch; only its first candidate is drawn.
    device :
        What amplifies; its name is written beside its symbol, which its law decides.
    chosen :
        Fields of Stage that were chosen by the exploration; their values are set off in colour.
    labels :
        Field of Stage to the trade's name, before our own names.
    """
    values = {n: first(v) for n, v in stage.broadcast().numeric_fields().items()}
    values["bias_V"] = first(stage.bias_V)
    # Text stays text: it can be searched, and it is set in the page's own fonts.
    before, svg_backend.config.text = svg_backend.config.text, "text"
    try:
        markup = _Drawing(values, device, set(chosen), dict(labels or {})).markup()
    finally:
        svg_backend.config.text = before
    return Svg(
        "schematic",
        markup,
        _words(values, device.name, labels or {}),
        "The stage. Values in blue were chosen by the exploration, the others are given. Heater, "
        "power supply and the capacitances of valve and wiring are not drawn.",
    )


def _symbol(law: ConductionLaw) -> tuple[Any, str, str, str]:
    """Return the symbol, and which of its ends are control, plate and cathode.

    Transistors are told by the name of their law; everything else is drawn as a triode.
    """
    kind = type(law).__name__
    if kind == "SquareLawFet":
        return elm.JFetN(), "gate", "drain", "source"
    if kind == "Bipolar":
        return elm.BjtNpn(), "base", "collector", "emitter"
    triode = elm.Triode(tube_lw=1.7, anode_lw=1.7, cathode_lw=1.7, grid_lw=1.7)
    return triode, "grid", "anode", "cathode"


def _present(values: Mapping[str, float], name: str) -> bool:
    """Return whether a part is there at all: neither 0 nor infinite."""
    return 0 < values[name] < math.inf


def _words(values: Mapping[str, float], valve: str, labels: Mapping[str, str]) -> str:
    """Return the circuit in words, for those who cannot see it."""
    names = (
        "source_ohm", "cable_F", "input_coupling_F", "grid_leak_ohm", "stopper_ohm",
        "grid_capacitor_F", "cathode_unbypassed_ohm", "cathode_resistor_ohm", "bypass_F",
        "bypass_series_ohm", "plate_load_ohm", "plate_capacitor_F", "output_coupling_F",
        "load_ohm", "load_F",
    )  # fmt: skip
    told = [
        f"{field_label(n, dict(labels))} {part_value(n, values[n])}"
        for n in names
        if _present(values, n) or n == "bypass_F"
    ]
    side = "on the grid side" if values["leak_at_grid"] > 0.5 else "on the source side"
    return (
        f"Circuit of a common-cathode stage with one {valve}, supply "
        f"{quantity(values['supply_V'], 'V')}, grid leak {side} of the stopper: "
        + ", ".join(told)
        + "."
    )


class _Drawing:
    """One drawing in the making; ``x`` is how far the signal line has come."""

    def __init__(
        self,
        values: Mapping[str, float],
        device: Device,
        chosen: set[str],
        labels: dict[str, str],
    ) -> None:
        self.values, self.device, self.chosen, self.labels = values, device, chosen, labels
        self.drawing = schemdraw.Drawing(canvas="svg", show=False)
        self.drawing.config(fontsize=11, font=_FONT, color=INK, lw=1.7, unit=3.0, margin=0.25)

    def markup(self) -> str:
        end = self._input()
        plate, cathode = self._device(end)
        right = self._cathode(cathode)
        self._plate(plate, right)
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

    def dot(self, at: _Point) -> None:
        self.drawing.add(elm.Dot(radius=0.07).at(at))

    def text(
        self, at: _Point, text: str, halign: Literal["left", "center", "right"], **style: Any
    ) -> None:
        # Said here and not afterwards, so that the picture has room for the words that it shows.
        said = terms_of(self.device).say(text)
        label = elm.Label().at(at).label(said, halign=halign, valign="center", **style)
        self.drawing.add(label)

    def name(self, field: str, at: _Point, halign: Literal["left", "center", "right"]) -> None:
        """Write a part's name and, below it, its value."""
        x, y = at
        short = _SHORT.get(field) or field_label(field, self.labels)
        self.text((x, y + 0.2), short, halign, color=MUTED)
        colour = ACCENTS["blue"] if field in self.chosen else INK
        self.text((x, y - 0.22), part_value(field, self.values[field]), halign, color=colour)

    def across(self, kind: Any, field: str, start: float, end: float, y: float) -> None:
        """Draw a part lying in the signal line, named above it."""
        self.span(kind, (start, y), (end, y))
        self.name(field, ((start + end) / 2, y + 0.85), "center")

    def down(self, kind: Any, field: str, top: _Point, bottom: float, side: str = "right") -> None:
        """Draw an upright part, named on one side of it."""
        x, y = top
        self.span(kind, top, (x, bottom))
        shift = 0.42 if side == "right" else -0.55
        self.name(field, (x + shift, (y + bottom) / 2), "left" if side == "right" else "right")

    # -- source to grid ----------------------------------------------------------------------

    def _input(self) -> float:
        """Draw everything up to the grid and return where the signal line has come."""
        self.span(elm.SourceSin, (0, _RAIL), (0, 0))
        self.text((-0.75, _RAIL / 2), "source", "right", color=MUTED)
        x = 0.0
        if self.has("source_ohm"):
            self.across(elm.ResistorIEC, "source_ohm", x, x + 2.8, 0.0)
            x += 2.8
        if self.has("cable_F"):
            x = self._shunt(elm.Capacitor, "cable_F", x)
        if self.has("input_coupling_F"):
            self.across(elm.Capacitor, "input_coupling_F", x, x + 2.8, 0.0)
            x += 2.8
        at_grid = self.values["leak_at_grid"] > 0.5
        if not at_grid:
            x = self._leak(x)
        x = self._stopper(x)
        if at_grid:
            x = self._leak(x)
        if self.has("grid_capacitor_F"):
            x = self._shunt(elm.Capacitor, "grid_capacitor_F", x, 3.0)
        return x

    def _shunt(self, kind: Any, field: str, x: float, label_room: float = 2.2) -> float:
        """Draw a part from the signal line to the rail and return where the line goes on."""
        here = x + 0.5
        self.wire((x, 0), (here, 0))
        self.dot((here, 0))
        self.dot((here, _RAIL))
        self.down(kind, field, (here, 0), _RAIL)
        self.wire((here, 0), (here + label_room, 0))
        return here + label_room

    def _leak(self, x: float) -> float:
        if not self.has("grid_leak_ohm"):
            return x
        if self.values["bias_V"] == 0:
            return self._shunt(elm.ResistorIEC, "grid_leak_ohm", x, 2.0)
        here = x + 0.5
        self.wire((x, 0), (here, 0))
        self.dot((here, 0))
        self.down(elm.ResistorIEC, "grid_leak_ohm", (here, 0), -3.4)
        self.drawing.add(elm.Dot(open=True).at((here, -3.4)))
        self.text((here, -3.8), f"{quantity(self.values['bias_V'], 'V')} bias", "center")
        self.wire((here, 0), (here + 2.6, 0))
        return here + 2.6

    def _stopper(self, x: float) -> float:
        if not self.has("stopper_ohm"):
            return x
        lead = self.has("stopper_lead_H")
        end = x + 3.0
        self.span(elm.ResistorIEC, (x, 0), (end, 0))
        self.name("stopper_ohm", ((x + end) / 2, -0.85), "center")
        if self.has("stopper_shunt_F"):
            # Not a part that is fitted, so it is drawn pale.
            self.dot((x, 0))
            self.dot((end, 0))
            for start, stop in (((x, 0), (x, 1.0)), ((end, 1.0), (end, 0))):
                self.span(elm.Line, start, stop, MUTED)
            self.span(elm.Capacitor, (x, 1.0), (end, 1.0), MUTED)
            own = f"its own {part_value('stopper_shunt_F', self.values['stopper_shunt_F'])}"
            self.text(((x + end) / 2, 1.6), own, "center", color=MUTED)
        if lead:
            own = f"leads {part_value('stopper_lead_H', self.values['stopper_lead_H'])}"
            self.text(((x + end) / 2, -1.5), own, "center", color=MUTED)
        self.wire((end, 0), (end + 0.5, 0))
        return end + 0.5

    # -- valve -------------------------------------------------------------------------------

    def _device(self, x: float) -> tuple[_Point, _Point]:
        """Draw the device with its control electrode on the line; return its other two ends."""
        entry = x + 1.6
        symbol, control, upper, lower = _symbol(self.device.law)
        drawn = self.drawing.add(symbol.anchor(control).at((entry, 0)))
        self.wire((x, 0), (entry, 0))
        plate, cathode = (
            (float(getattr(drawn, end)[0]), float(getattr(drawn, end)[1])) for end in (upper, lower)
        )
        self.text((plate[0] + 1.0, 0.45), self.device.name, "left", fontsize=12)
        return plate, cathode

    def _cathode(self, at: _Point) -> float:
        """Draw the cathode circuit and return the x of its rightmost branch."""
        x, y = at
        top = -1.5
        self.wire((x, y), (x, top))
        if self.has("cathode_unbypassed_ohm"):
            self.down(elm.ResistorIEC, "cathode_unbypassed_ohm", (x, top), top - 1.7, "left")
            top -= 1.7
        if self.has("cathode_resistor_ohm"):
            self.down(elm.ResistorIEC, "cathode_resistor_ohm", (x, top), _RAIL, "left")
        else:
            self.wire((x, top), (x, _RAIL))
        self.dot((x, _RAIL))
        right = x
        bypass = self.values["bypass_F"]
        if bypass > 0 and self.has("cathode_resistor_ohm"):
            right = x + 1.5
            self.dot((x, top))
            self.dot((right, _RAIL))
            self.wire((x, top), (right, top))
            foot = _RAIL
            if self.has("bypass_series_ohm"):
                foot = (top + _RAIL) / 2
                self.down(elm.ResistorIEC, "bypass_series_ohm", (right, foot), _RAIL)
            self.span(elm.Capacitor, (right, top), (right, foot))
            self.name("bypass_F", (right + 0.45, (top + foot) / 2), "left")
        return right

    # -- plate and output --------------------------------------------------------------------

    def _plate(self, at: _Point, right: float) -> None:
        x, y = at
        self.wire((x, y), (x, _PLATE))
        self.dot((x, _PLATE))
        self.down(elm.ResistorIEC, "plate_load_ohm", (x, _SUPPLY), _PLATE, "left")
        self.drawing.add(elm.Dot(open=True).at((x, _SUPPLY)))
        supply = f"+{quantity(self.values['supply_V'], 'V')}"
        self.text((x, _SUPPLY + 0.4), supply, "center", fontsize=12)
        if self.has("plate_capacitor_F"):
            beside = x + 1.4
            self.wire((x, _SUPPLY - 0.6), (beside, _SUPPLY - 0.6))
            self.dot((x, _SUPPLY - 0.6))
            self.down(elm.Capacitor, "plate_capacitor_F", (beside, _SUPPLY - 0.6), _PLATE + 0.6)
            self.wire((beside, _PLATE + 0.6), (x, _PLATE + 0.6))
            self.dot((x, _PLATE + 0.6))
        # The output line starts far enough to the right to clear the cathode circuit's words.
        start = max(x + 1.2, right + 1.0)
        self.wire((x, _PLATE), (start, _PLATE))
        end = start
        if self.has("output_coupling_F"):
            end = start + 2.6
            self.across(elm.Capacitor, "output_coupling_F", start, end, _PLATE)
        foot = max(end, right + 3.0)
        self.wire((end, _PLATE), (foot, _PLATE))
        end = foot
        for field, kind in (("load_ohm", elm.ResistorIEC), ("load_F", elm.Capacitor)):
            if self.has(field):
                self.dot((end, _PLATE))
                self.dot((end, _RAIL))
                self.down(kind, field, (end, _PLATE), _RAIL)
                self.wire((end, _PLATE), (end + 2.6, _PLATE))
                end += 2.6
        self.drawing.add(elm.Dot(open=True).at((end, _PLATE)))
        self.text((end + 0.25, _PLATE), "output", "left", color=MUTED)
        self.wire((0, _RAIL), (end, _RAIL))
        self.drawing.add(elm.Dot(open=True).at((end, _RAIL)))
        self.drawing.add(elm.Ground().at((0, _RAIL)))
