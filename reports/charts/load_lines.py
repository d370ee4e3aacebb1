"""The operating point on the curves of the device, with both load lines."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any, Final

import altair as alt
import numpy as np

from objectives.arrays import FloatArray, IntArray
from objectives.assessment import Assessment
from objectives.devices.law import ConductionLaw
from objectives.devices.terms import Terms
from objectives.format import first, number, percent, quantity, sentence
from objectives.roots import bracketed_roots
from reports.charts.forms import Filled, Form
from reports.charts.layers import LineStyles, Rows, drawn, haloed, rows, styled_lines
from reports.charts.plate_curves import round_voltages
from reports.theme import ACCENTS, INK, MUTED, PAPER, ticks

_POINTS: Final = 49
_HEIGHT: Final = 320


@dataclass(frozen=True)
class LoadLines:
    """What the load-line chart shows; voltages from plate to cathode (V), currents in A."""

    curves: Mapping[float, tuple[FloatArray, FloatArray]]
    """Plate voltages and currents by grid voltage, the highest first, as far as the chart goes."""
    lines: Mapping[str, tuple[FloatArray, FloatArray]]
    """The same of 'DC', 'AC', 'bias' and 'dissipation', those that there are."""
    plate_cathode_V: float
    current_A: float
    grid_cathode_V: float
    alternating_ohm: float
    """Slope of the AC load line: plate circuit and unbypassed cathode resistance in series."""
    dissipation_W: float | None
    """Greatest plate dissipation, where the device states one; in ``lines`` if inside the chart."""
    top_A: float
    reach_V: float


def load_lines(pick: Assessment) -> LoadLines:
    """Work out plate curves, load lines and the operating point of the first stage of a batch."""
    stage, point, law = pick.stage, pick.point, pick.device.law
    supply = first(stage.supply_V)
    load, cathode = (first(v) for v in (stage.plate_load_ohm, stage.cathode_total_ohm))
    volts, amps = first(point.plate_cathode_V), first(point.plate_current_A)
    grid = first(point.grid_cathode_V)
    # At the reference frequency, so that a coupling or bypass capacitor counts for what it does.
    alternating = first(np.real(pick.reference.plate_impedance_ohm)) + first(
        np.real(pick.reference.cathode_impedance_ohm)
    )
    top = 1.08 * max(supply / max(load + cathode, 1.0), amps + volts / alternating, 1.6 * amps)
    reach = 1.02 * supply
    watts = pick.device.plate_dissipation_max_W
    # The hyperbola belongs in the picture only where it does not squeeze all else flat.
    if watts is not None and top < watts / reach < 1.35 * top:
        top = 1.05 * watts / reach
    # Closer where curves bend, and the operating point among them.
    plate = np.sort(np.append(reach * np.linspace(0.0, 1.0, _POINTS) ** 2.5, volts))
    along = np.array([0.0, volts, min(volts + amps * alternating, reach)])
    ends = np.array([0.0, supply])
    lines = {
        "DC": (ends, (supply - ends) / (load + cathode)),
        "AC": (along, amps - (along - volts) / alternating),
    }
    if cathode > 0:
        lines["bias"] = _bias_line(law, cathode, plate[plate > 0], top, pick)
    if watts is not None and watts / reach < top:
        inside = np.geomspace(watts / top, reach, _POINTS)
        lines["dissipation"] = (inside, watts / inside)
    grids = _grid_voltages(law, reach, top, grid)
    with np.errstate(over="ignore"):
        passed = law.plate_current(np.array(grids)[:, None], plate)
    return LoadLines(
        curves={g: _below(top, plate, i) for g, i in zip(grids, passed, strict=True)},
        lines={name: _below(top, *line) for name, line in lines.items()},
        plate_cathode_V=volts,
        current_A=amps,
        grid_cathode_V=grid,
        alternating_ohm=alternating,
        dissipation_W=watts,
        top_A=top,
        reach_V=reach,
    )


def _below(
    top_A: float, plate_V: FloatArray, current_A: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return a line as far as it lies on the chart, up to where it crosses the top."""
    if current_A[0] > top_A:
        plate, current = _below(top_A, plate_V[::-1], current_A[::-1])
        return plate[::-1], current[::-1]
    over = np.flatnonzero(current_A > top_A)
    if not over.size:
        return plate_V, current_A
    n = int(over[0])
    crossed = np.interp(top_A, current_A[n - 1 : n + 1], plate_V[n - 1 : n + 1])
    return np.append(plate_V[:n], crossed), np.append(current_A[:n], top_A)


def _bias_line(
    law: ConductionLaw, cathode_ohm: float, plate: FloatArray, top_A: float, pick: Assessment
) -> tuple[FloatArray, FloatArray]:
    """Return where the device passes just the current that its cathode resistor turns into bias."""
    drive, leak = first(pick.point.grid_V), first(pick.point.grid_current_A)

    def excess(asked: FloatArray, at: IntArray) -> FloatArray:
        return asked - law.plate_current(drive - (asked + leak) * cathode_ohm, plate[at])

    # More current asked means more bias and less current passed, so each voltage has one root.
    plate = plate[excess(np.zeros_like(plate), np.arange(plate.size)) < 0]
    roots = bracketed_roots(
        excess, np.zeros_like(plate), np.full_like(plate, 4 * top_A), tolerance=(1e-4 * top_A, 0.0)
    )
    return plate, roots.x


def _grid_voltages(
    law: ConductionLaw, reach_V: float, top_A: float, at_rest_V: float
) -> list[float]:
    """Return at most eleven round grid voltages, the highest first, down to near cut-off.

    A device that rests below 0 V is shown up to 0 V; one that needs a positive control voltage up
    to where its current leaves the chart.
    """
    highest = 0.0
    probe = np.concatenate([-np.geomspace(200.0, 1e-3, 400), np.geomspace(1e-3, 50.0, 400)])
    with np.errstate(over="ignore"):
        passed = law.plate_current(probe, reach_V)
        if at_rest_V > 0:
            half_way = law.plate_current(probe, reach_V / 2)
            highest = float(probe[half_way <= 1.2 * top_A].max(initial=at_rest_V))
    lowest = float(probe[passed > 0.02 * top_A].min(initial=highest))
    return round_voltages(highest, lowest)


def _curve_ends(lines: LoadLines) -> Rows:
    """Return where the plate curves leave the chart, with their grid voltages as labels."""
    ends: Rows = []
    lowest, rightmost = math.inf, -math.inf
    for grid_V, (volts, amps) in lines.curves.items():
        text = f"{number(grid_V, 3)} V"
        at, side = (float(volts[-1]), float(amps[-1])), "right"
        if amps[-1] >= lines.top_A:
            side = "top"
            if at[0] - rightmost < 0.09 * lines.reach_V:
                continue  # a transistor's curves rise so steeply that their ends would touch
            rightmost = at[0]
        elif lowest - at[1] < 0.05 * lines.top_A:
            continue
        else:
            lowest = at[1]
        ends += rows(plate_V=[at[0]], current_A=[at[1]], text=[text], side=[side])
    return ends


def _data(lines: LoadLines, t: Terms) -> dict[str, Rows]:
    """Return the data sets of the chart: curves, ends, lines, names, point, frame."""
    curves: Rows = []
    for grid_V, (volts, amps) in lines.curves.items():
        curves += rows(4, grid_V=[grid_V] * volts.size, plate_V=volts, current_A=amps)
    straight: Rows = []
    for name, (volts, amps) in lines.lines.items():
        straight += rows(line=[name] * volts.size, plate_V=volts, current_A=amps)
    texts = {
        "DC": "DC load line",
        "AC": "AC load line",
        "bias": t.bias_line,
        "dissipation": f"{quantity(lines.dissipation_W or 0.0, 'W', 3)} at the {t.plate}",
    }
    rest = (lines.plate_cathode_V, "V"), (lines.current_A, "A")
    # Each name stands where its line has left the others.
    names: Rows = []
    for name, (volts, amps) in lines.lines.items():
        share = {"DC": 0.8, "AC": 0.04, "bias": 0.97, "dissipation": 0.5}[name]
        at = volts[0] + share * (volts[-1] - volts[0])
        side = {"bias": "right", "dissipation": "below"}.get(name, "left")
        amp = float(np.interp(at, volts, amps))
        names += rows(line=[name], plate_V=[at], current_A=[amp], text=[texts[name]], side=[side])
    return {
        "curves": curves,
        "ends": _curve_ends(lines),
        "lines": straight,
        "names": names,
        "point": rows(
            plate_V=[lines.plate_cathode_V],
            current_A=[lines.current_A],
            text=[", ".join(quantity(*at, 3) for at in rest)],
            side=["right" if lines.plate_cathode_V > 0.6 * lines.reach_V else "left"],
        ),
        "frame": rows(plate_V=[0.0, lines.reach_V], current_A=[0.0, lines.top_A]),
    }


def load_line_title(pick: Assessment) -> str:
    """Return where the device rests, and how much of its dissipation that is."""
    point, t = pick.point, pick.device.terms
    volts, amps = first(point.plate_cathode_V), first(point.plate_current_A)
    rest = f"The {t.kind} rests at {quantity(volts, 'V', 3)} and {quantity(amps, 'A', 3)}"
    watts = pick.device.plate_dissipation_max_W
    grid = f"its {t.grid} at {quantity(point.grid_cathode_V, 'V', 3)}"
    if watts is None:
        return f"{rest}, {grid}"
    return f"{rest}, {grid}: {percent(volts * amps / watts)} of its greatest dissipation"


_STYLES: Final[LineStyles] = {
    "DC": (ACCENTS["blue"], [1, 0]),
    "AC": (ACCENTS["orange"], [8, 3]),
    "bias": (ACCENTS["teal"], [2, 3]),
    "dissipation": (ACCENTS["plum"], [6, 2, 1, 2]),
}


def load_line_drawing(pick: Assessment, lines: LoadLines) -> Filled:
    """Return the plate curves with both load lines, the operating point and the greatest heat."""
    t = pick.device.terms
    words = (
        f"{sentence(t.plate_curves)} of the {pick.device.name} with the DC and AC load lines. "
        f"{load_line_title(pick)}."
    )
    return Filled(_form(t), words, _data(lines, t))


def load_line_chart(pick: Assessment) -> alt.LayerChart:
    """Return :func:`load_line_drawing` as an Altair chart.

    Examples
    --------
    >>> import objectives, reports
    >>> stage = objectives.Stage(
    ...     supply_V=300.0, plate_load_ohm=100e3, cathode_resistor_ohm=1500.0, load_ohm=1e6)
    >>> chart = reports.load_line_chart(objectives.assess(stage, "12AX7"))
    """
    return load_line_drawing(pick, load_lines(pick)).chart


@cache
def _form(t: Terms) -> Form:
    # The ends of the axes are those of the data, so that the chart is the same for every stage.
    scale = alt.Scale(nice=False, zero=True)
    milliamperes = alt.Axis(labelExpr="format(1000 * datum.value, '~f') + ' mA'", tickCount=5)
    x = alt.X("plate_V:Q", title=f"{t.plate}–{t.cathode} voltage", scale=scale, axis=ticks("V", 7))
    y = alt.Y("current_A:Q", title=f"{t.plate} current", scale=scale, axis=milliamperes)
    ends = drawn("ends").encode(x=x, y=y, text="text:N")
    names = drawn("names").encode(x=x, y=y, text="text:N", color=_colour())
    point = drawn("point").encode(x=x, y=y, text="text:N")
    left, right = (alt.datum.side == side for side in ("left", "right"))
    layers = [
        drawn("frame").mark_point(opacity=0).encode(x=x, y=y),
        drawn("curves")
        .mark_line(color=MUTED, strokeWidth=1, opacity=0.6)
        .encode(x=x, y=y, detail="grid_V:N"),
        styled_lines("lines", x, y, "line", _STYLES),
        ends.transform_filter(alt.datum.side == "top").mark_text(dy=-8, color=MUTED),
        ends.transform_filter(right).mark_text(dx=5, align="left", color=MUTED),
        *haloed(names.transform_filter(left), align="left", dx=8, dy=-9),
        *haloed(names.transform_filter(right), align="right", dx=-4, dy=-9),
        *haloed(names.transform_filter(alt.datum.side == "below"), align="right", dx=-4, dy=16),
        drawn("point")
        .encode(x=x, y=y)
        .mark_point(size=130, filled=True, color=INK, opacity=1, stroke=PAPER),
        *haloed(point.transform_filter(left), align="left", dx=11, dy=-12, **_LOUD),
        *haloed(point.transform_filter(right), align="right", dx=-11, dy=16, **_LOUD),
    ]
    return Form(alt.LayerChart(layer=layers, width="container", height=_HEIGHT))


def _colour() -> alt.Color:
    scale = alt.Scale(domain=list(_STYLES), range=[hue for hue, _ in _STYLES.values()])
    return alt.Color("line:N", scale=scale, legend=None)


_LOUD: Final[Mapping[str, Any]] = {"fontSize": 12.5, "fontWeight": 600}
