"""Levels over frequency at the control electrode and at the output."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any, Final

import altair as alt
import numpy as np
import pandas as pd

from objectives.arrays import FloatArray
from objectives.assessment import Assessment
from objectives.circuit.corners import HALF_POWER_DB, HIGHEST_HZ, Port, level_dB
from objectives.circuit.network import Network
from objectives.format import first, percent, quantity
from reports.charts.forms import Filled, Form
from reports.charts.layers import (
    LineStyles,
    Rows,
    drawn,
    haloed,
    line_names,
    rows,
    same_scale,
    styled_lines,
)
from reports.theme import ACCENTS, MUTED, OK, ticks


@dataclass(frozen=True)
class Responses:
    """Levels over frequency, each relative to its own level at the reference frequency (dB)."""

    levels: pd.DataFrame
    """Columns frequency_Hz, grid_dB, output_dB."""
    corners: pd.DataFrame
    """Columns name, frequency_Hz: target, exact and textbook corner of the grid."""


def responses(pick: Assessment, points_per_decade: int = 24) -> Responses:
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


_HEIGHT: Final = 300
_STYLES: Final[LineStyles] = {
    "grid": (ACCENTS["blue"], [1, 0]),
    "output": (ACCENTS["orange"], [7, 3]),
    "textbook": (ACCENTS["plum"], [2, 2]),
    "target": (OK, [4, 3]),
    "exact": (ACCENTS["blue"], [1, 0]),
}
"""Of lines, and of the corners marked on them."""


def response_data(pick: Assessment) -> dict[str, Rows]:
    """Return the data sets of both :func:`response_drawings`.

    Of the first: levels, names and frame; of the second: near, near_names, corners, near_frame.
    """
    swept, t = responses(pick), pick.device.terms
    frequency = swept.levels["frequency_Hz"].to_numpy()
    levels = {port: swept.levels[f"{port}_dB"].to_numpy() for port in ("grid", "output")}
    deepest = float(levels["grid"].min())
    floor = float(np.clip(10 * math.floor(deepest / 10), -140.0, -40.0))
    ceiling = 5.0 * math.ceil((max(float(levels["grid"].max()), 0.0) + 2.0) / 5)
    names = {"grid": t.grid, "output": "output"}
    above = frequency > pick.targets.reference_Hz
    sets = {
        "levels": _lines(frequency, levels, (floor, ceiling)),
        "names": line_names(frequency, levels, names, floor, above),
        "frame": _frame((1.0, pick.targets.trusted_Hz), (floor, ceiling)),
    }
    corners = dict(zip(swept.corners["name"], swept.corners["frequency_Hz"], strict=True))
    if not corners:
        return sets
    span, reach = (min(corners.values()) / 5, max(corners.values()) * 4), (-15.0, 2.0)
    near = np.unique(np.append(np.geomspace(*span, 41), list(corners.values())))
    by_hand = corners.get("textbook")
    close = {port: np.interp(np.log(near), np.log(frequency), v) for port, v in levels.items()}
    if by_hand is not None:
        close["textbook"] = -10 * np.log10(1 + (near / by_hand) ** 2)
        names["textbook"] = "textbook"
    line = 15 * (reach[1] - reach[0]) / _HEIGHT
    return sets | {
        "near": _lines(near, close, reach),
        "near_names": line_names(near, close, names, reach[0] + 1, near > min(corners.values())),
        "corners": rows(
            name=list(corners),
            frequency_Hz=list(corners.values()),
            text=[f"{name} {quantity(f, 'Hz', 3)}" for name, f in corners.items()],
            # The names stand in lines left of the lowest corner.
            label_Hz=[min(corners.values())] * len(corners),
            level_dB=[reach[0] + line * (n + 0.8) for n in reversed(range(len(corners)))],
        ),
        "near_frame": _frame(span, reach),
    }


def _lines(
    frequency: FloatArray, levels: Mapping[str, FloatArray], span: tuple[float, float]
) -> Rows:
    """Return levels as rows, as far as they lie inside the chart."""
    return [
        row
        for port, level in levels.items()
        for row in rows(
            port=[port] * frequency.size,
            frequency_Hz=frequency,
            level_dB=np.where(level < span[0], np.nan, np.minimum(level, span[1])),
        )
    ]


def _frame(span: tuple[float, float], levels: tuple[float, float]) -> Rows:
    return rows(frequency_Hz=list(span), level_dB=list(levels))


def response_title(pick: Assessment) -> str:
    """Return between which frequencies the output keeps its level."""
    low, high = (first(f) for f in pick.output_corners_Hz)
    lower = f"from {quantity(low, 'Hz', 3)}" if low > 0 else "from direct current"
    upper = quantity(high, "Hz", 3) if high < HIGHEST_HZ else f"beyond {quantity(HIGHEST_HZ, 'Hz')}"
    return f"The output is within 3 dB {lower} to {upper}"


def corner_title(pick: Assessment) -> str:
    """Return where the control electrode is 3 dB down, and how far off the textbook is."""
    exact, by_hand = first(pick.input_corner_Hz), first(pick.textbook.corner_Hz)
    if not 0 < exact < pick.targets.trusted_Hz:
        return f"The {pick.device.terms.grid} loses no 3 dB as far as the model goes"
    title = f"The {pick.device.terms.grid} is down 3 dB at {quantity(exact, 'Hz', 3)}"
    if by_hand > 0:
        off = by_hand / exact - 1
        way = "higher" if off > 0 else "lower"
        title += f"; the textbook estimate is {percent(abs(off), 1)} {way}"
    return title


def response_drawings(pick: Assessment) -> tuple[Filled, Filled]:
    """Return two charts of levels: over all frequencies, and round the input corner.

    The first has the control electrode and the output; the second also the exact, the textbook and
    the wanted corner.
    """
    sets = response_data(pick)
    words = (
        f"Level at the {pick.device.terms.grid} and at the output relative to the reference "
        f"frequency, from 1 Hz to {quantity(pick.targets.trusted_Hz, 'Hz', 2)}. "
        f"{response_title(pick)}."
    )
    return (
        Filled(_whole_form(), words, {name: sets[name] for name in ("levels", "names", "frame")}),
        Filled(
            _corner_form(),
            f"Levels round the input corner. {corner_title(pick)}.",
            {n: sets.get(n, []) for n in ("near", "near_names", "corners", "near_frame")},
        ),
    )


def response_chart(pick: Assessment) -> alt.LayerChart:
    """Return the levels at the control electrode and at the output over frequency.

    Examples
    --------
    >>> import objectives, reports
    >>> stage = objectives.Stage(
    ...     supply_V=300.0, plate_load_ohm=100e3, cathode_resistor_ohm=1500.0, load_ohm=1e6)
    >>> chart = reports.response_chart(objectives.assess(stage, "12AX7"))
    """
    return response_drawings(pick)[0].chart


@cache
def _whole_form() -> Form:
    axis = ticks("Hz", 10, values=[10.0**n for n in range(10)])
    layers = _layers("levels", "names", "frame", axis)
    return Form(alt.LayerChart(layer=layers, width="container", height=_HEIGHT))


@cache
def _corner_form() -> Form:
    layers = _layers("near", "near_names", "near_frame", ticks("Hz", 8))
    x, y = layers[0].encoding.x, layers[0].encoding.y
    line = alt.Chart(alt.InlineData([{"level_dB": -HALF_POWER_DB, "text": "−3.01 dB"}]))
    line = line.encode(y=y)
    corners = drawn("corners").encode(color=_hue("name"))
    label = corners.encode(x=same_scale(x, "label_Hz"), y=y, text="text:N")
    return Form(
        alt.LayerChart(
            layer=[
                line.mark_rule(color=MUTED, strokeDash=[1, 2]),
                line.mark_text(align="left", dx=4, dy=8, color=MUTED).encode(
                    x=alt.value(0), text="text:N"
                ),
                corners.mark_rule(strokeWidth=1.4).encode(
                    x=x,
                    strokeDash=alt.StrokeDash(
                        "name:N", legend=None, scale=_scale([dash for _, dash in _STYLES.values()])
                    ),
                ),
                *haloed(label, align="right", dx=-8),
                *layers,
            ],
            width="container",
            height=_HEIGHT,
        )
    )


def _layers(lines: str, names: str, frame: str, axis: alt.Axis) -> list[alt.Chart]:
    """Return the lines of a panel with their names; the axes end where the frame does."""
    x = alt.X(
        "frequency_Hz:Q", title="frequency", axis=axis, scale=alt.Scale(type="log", nice=False)
    )
    y = alt.Y(
        "level_dB:Q", title="level", axis=ticks("dB", 7), scale=alt.Scale(nice=False, zero=False)
    )
    named = drawn(names).encode(x=x, y=y, text="text:N", color=_hue("port"))
    above, below = (alt.datum.side == side for side in ("above", "below"))
    return [
        drawn(frame).mark_point(opacity=0).encode(x=x, y=y),
        styled_lines(lines, x, y, "port", _STYLES),
        *haloed(named.transform_filter(above), align="left", dx=7, dy=-9),
        *haloed(named.transform_filter(below), align="right", dx=-7, dy=9),
    ]


def _hue(field: str) -> alt.Color:
    return alt.Color(f"{field}:N", legend=None, scale=_scale([hue for hue, _ in _STYLES.values()]))


def _scale(marks: list[Any]) -> alt.Scale:
    return alt.Scale(domain=list(_STYLES), range=marks)
