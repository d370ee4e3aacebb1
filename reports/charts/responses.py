"""Levels over frequency at the control electrode and at the output."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import altair as alt
import numpy as np
import pandas as pd

from objectives.assessment import Assessment
from objectives.circuit.corners import HALF_POWER_DB, Port, level_dB
from objectives.circuit.network import Network
from objectives.devices.terms import Terms
from objectives.format import first, quantity
from reports.charts.layers import LineStyles, styled_lines
from reports.theme import ACCENTS, MUTED, PAGE_WIDTH, SI_TICKS


@dataclass(frozen=True)
class Responses:
    """Levels over frequency, each relative to its own level at the reference frequency (dB)."""

    levels: pd.DataFrame
    """Columns frequency_Hz, grid_dB, output_dB."""
    corners: pd.DataFrame
    """Columns name, frequency_Hz: target, exact and textbook corner of the grid."""


def responses(pick: Assessment, points_per_decade: int = 60) -> Responses:
    """Sweep the first stage of a batch from 1 Hz to where the exact network is trusted."""
    targets, top = pick.targets, pick.targets.trusted_Hz
    corners = {
        "target": targets.input_corner_Hz,
        "exact": first(pick.input_corner_Hz),
        "textbook": first(pick.textbook.corner_Hz),
    }
    kept = {name: f for name, f in corners.items() if f is not None and 0 < f < top}
    count = 1 + math.ceil(points_per_decade * math.log10(top))
    # These are on the grid of frequencies, so that the curve shows them exactly.
    exactly = [targets.reference_Hz, *kept.values()]
    frequency = np.unique(np.concatenate([np.geomspace(1.0, top, count), exactly]))
    network = Network(pick.loaded.expand(), pick.linear.expand(), frequency)
    ports: tuple[Port, ...] = ("grid", "output")
    levels = {
        # The frequencies of the first stage come first.
        f"{port}_dB": level_dB(network, port).ravel()[: frequency.size]
        - first(level_dB(pick.reference, port))
        for port in ports
    }
    return Responses(
        levels=pd.DataFrame({"frequency_Hz": frequency, **levels}),
        corners=pd.DataFrame({"name": list(kept), "frequency_Hz": list(kept.values())}),
    )


_CORNERS: Final = {"target": "teal", "exact": "blue", "textbook": "plum"}


def response_chart(pick: Assessment) -> alt.VConcatChart:
    """Return the responses with corners, and a closer look at the corner.

    Examples
    --------
    >>> import objectives, reports
    >>> stage = objectives.Stage(
    ...     supply_V=300.0, plate_load_ohm=100e3, cathode_resistor_ohm=1500.0, load_ohm=1e6)
    >>> chart = reports.response_chart(objectives.assess(stage, "12AX7"))
    """
    swept, t = responses(pick), pick.device.terms
    deepest, top = float(swept.levels["grid_dB"].min()), pick.targets.trusted_Hz
    span = f"1 Hz to {quantity(top, 'Hz', 2)}"
    floor = float(np.clip(10 * math.floor(deepest / 10), -140.0, -40.0))
    ceiling = 5.0 * math.ceil((max(float(swept.levels["grid_dB"].max()), 0.0) + 2.0) / 5)
    whole = _Panel(swept, t, (1.0, top), (floor, ceiling), 340)
    panels = [
        alt.LayerChart(
            layer=[whole.curves(), *whole.corners()],
            width=whole.width,
            height=whole.height,
            title=span,
        )
    ]
    if len(swept.corners):
        low, high = swept.corners["frequency_Hz"].min(), swept.corners["frequency_Hz"].max()
        close = _Panel(swept, t, (low / 5, high * 4), (-15.0, 2.0), 210)
        panels.append(
            alt.LayerChart(
                layer=[close.curves(textbook=True), *close.half_power(), *close.corners()],
                width=close.width,
                height=close.height,
                title="Round the input corner",
            )
        )
    chart: alt.VConcatChart = alt.vconcat(
        *panels,
        spacing=18,
        description=(
            f"Level at the {t.grid} and at the output from {span} relative to the reference "
            "frequency, with the input corners. " + "; ".join(_corner_texts(swept))
        ),
    ).resolve_scale(color="independent", strokeDash="independent")
    return chart


def _corner_texts(swept: Responses) -> list[str]:
    return [
        f"{name} corner {quantity(frequency, 'Hz', 4)}"
        for name, frequency in zip(
            swept.corners["name"], swept.corners["frequency_Hz"], strict=True
        )
    ]


@dataclass(frozen=True)
class _Panel:
    """One frequency axis with its level axis, and what may be drawn on them."""

    swept: Responses
    terms: Terms
    span: tuple[float, float]
    levels: tuple[float, float]
    height: int
    width: int = PAGE_WIDTH - 80

    def x(self, field: str = "frequency_Hz") -> alt.X:
        axis = alt.Axis(format=SI_TICKS, tickCount=8)
        if self.span[1] > 1e4 * self.span[0]:
            axis = alt.Axis(format=SI_TICKS, values=[10.0**n for n in range(10)])
        scale = alt.Scale(type="log", domain=list(self.span), nice=False)
        return alt.X(f"{field}:Q", title="frequency (Hz)", scale=scale, axis=axis)

    def y(self, field: str = "level_dB") -> alt.Y:
        scale = alt.Scale(domain=list(self.levels), nice=False)
        return alt.Y(f"{field}:Q", title="level (dB)", scale=scale)

    def curves(self, *, textbook: bool = False) -> alt.Chart:
        grid = self.terms.grid
        levels = self.swept.levels
        inside = levels[levels["frequency_Hz"].between(*self.span)]
        long = inside.rename(columns={"grid_dB": grid, "output_dB": "output"}).melt(
            "frequency_Hz", var_name="port", value_name="level_dB"
        )
        styles: LineStyles = {
            grid: (ACCENTS["blue"], [1, 0]),
            "output": (ACCENTS["orange"], [7, 3]),
            f"{grid}, textbook": (ACCENTS["plum"], [2, 2]),
        }
        corner = self.swept.corners.set_index("name")["frequency_Hz"].get("textbook")
        if textbook and corner is not None:
            f = np.geomspace(*self.span, 121)
            one_pole = -10 * np.log10(1 + (f / float(corner)) ** 2)
            hand = {"frequency_Hz": f, "port": f"{grid}, textbook", "level_dB": one_pole}
            long = pd.concat([long, pd.DataFrame(hand)])
        return styled_lines(long.round({"level_dB": 4}), self.x(), self.y(), "port", styles)

    def half_power(self) -> list[alt.Chart]:
        line = pd.DataFrame({"level_dB": [-HALF_POWER_DB], "text": ["−3.01 dB"]})
        base = alt.Chart(line).encode(y=self.y())
        return [
            base.mark_rule(color=MUTED, strokeDash=[1, 2]),
            base.mark_text(align="right", dx=-4, dy=-7, color=MUTED).encode(
                x=alt.value(self.width), text="text:N"
            ),
        ]

    def corners(self) -> list[alt.Chart]:
        """Return a rule for each corner; their names stand in lines left of the lowest."""
        corners = self.swept.corners
        if not len(corners):
            return []
        line = 15 * (self.levels[1] - self.levels[0]) / self.height
        marks = corners.assign(
            text=_corner_texts(self.swept),
            label_Hz=corners["frequency_Hz"].min(),
            level_dB=self.levels[0] + line * (np.arange(len(corners))[::-1] + 0.8),
        )
        layers = []
        for name, colour in _CORNERS.items():
            one = alt.Chart(marks[marks["name"] == name])
            if not (marks["name"] == name).any():
                continue
            dash = [1, 0] if name == "exact" else [4, 3]
            layers += [
                one.mark_rule(color=ACCENTS[colour], strokeWidth=1.4, strokeDash=dash).encode(
                    x=self.x()
                ),
                one.mark_text(align="right", dx=-8, color=ACCENTS[colour]).encode(
                    x=self.x("label_Hz"), y=self.y(), text="text:N"
                ),
            ]
        return layers
