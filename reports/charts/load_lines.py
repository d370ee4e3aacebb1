"""The operating point on the curves of the device, with both load lines."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import altair as alt
import numpy as np
import pandas as pd

from objectives.arrays import FloatArray
from objectives.assessment import Assessment
from objectives.devices.law import ConductionLaw
from objectives.format import first, number, quantity, sentence
from reports.charts.layers import LineStyles, styled_lines
from reports.charts.plate_curves import plate_curves, round_voltages
from reports.theme import ACCENTS, INK, MUTED, PAGE_WIDTH, PAPER


@dataclass(frozen=True)
class LoadLines:
    """What the load-line chart shows; voltages from plate to cathode (V), currents in A.

    ``curves`` has columns grid_V, plate_V, current_A; ``lines`` has line (DC, AC, bias or
    dissipation), plate_V, current_A.
    """

    curves: pd.DataFrame
    lines: pd.DataFrame
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
    plate = np.linspace(0.0, reach, 241)
    along = np.array([0.0, volts, min(volts + amps * alternating, reach)])
    ends = np.array([0.0, supply])
    lines = {
        "DC": (ends, (supply - ends) / (load + cathode)),
        "AC": (along, amps - (along - volts) / alternating),
    }
    if cathode > 0:
        lines["bias"] = _bias_line(law, cathode, plate, top, pick)
    if watts is not None and watts / reach < top:
        inside = plate[plate > watts / top / 2]
        lines["dissipation"] = (inside, watts / inside)
    return LoadLines(
        curves=plate_curves(law, _grid_voltages(law, reach, top, grid), plate),
        lines=pd.concat(
            [
                pd.DataFrame({"line": name, "plate_V": plate_V, "current_A": current_A})
                for name, (plate_V, current_A) in lines.items()
            ],
            ignore_index=True,
        ),
        plate_cathode_V=volts,
        current_A=amps,
        grid_cathode_V=grid,
        alternating_ohm=alternating,
        dissipation_W=watts,
        top_A=top,
        reach_V=reach,
    )


def _bias_line(
    law: ConductionLaw, cathode_ohm: float, plate: FloatArray, top_A: float, pick: Assessment
) -> tuple[FloatArray, FloatArray]:
    """Return where the device passes just the current that its cathode resistor turns into bias."""
    asked = np.linspace(0.0, 1.05 * top_A, 240)
    control = first(pick.point.grid_V) - (asked + first(pick.point.grid_current_A)) * cathode_ohm
    passed = law.plate_current(control[:, None], plate)
    # More current asked means more bias and less current passed, so each column crosses once.
    current = np.array(
        [np.interp(0.0, asked - column, asked, left=np.nan, right=np.nan) for column in passed.T]
    )
    kept = np.isfinite(current) & (plate > 0)
    return plate[kept], current[kept]


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


def _curve_ends(lines: LoadLines) -> pd.DataFrame:
    """Return where each plate curve leaves the chart, with its grid voltage as a label."""
    rows: list[dict[str, object]] = []
    lowest, rightmost = math.inf, -math.inf
    for grid_V, curve in lines.curves.groupby("grid_V", sort=False):
        volts, amps = curve["plate_V"].to_numpy(), curve["current_A"].to_numpy()
        text = f"{number(grid_V, 3)} V"  # type: ignore[arg-type]
        if amps[-1] > lines.top_A:
            at = float(np.interp(lines.top_A, amps, volts))
            if at - rightmost < 0.045 * lines.reach_V:
                continue  # a transistor's curves rise so steeply that their ends would touch
            rightmost = at
            rows.append({"plate_V": at, "current_A": lines.top_A, "text": text, "side": "top"})
        elif lowest - amps[-1] > 0.035 * lines.top_A:
            lowest = float(amps[-1])
            rows.append(
                {"plate_V": lines.reach_V, "current_A": lowest, "text": text, "side": "right"}
            )
    return pd.DataFrame(rows)


def load_line_chart(pick: Assessment) -> alt.LayerChart:
    """Return the plate curves with both load lines, the operating point and the greatest heat.

    Examples
    --------
    >>> import objectives, reports
    >>> stage = objectives.Stage(
    ...     supply_V=300.0, plate_load_ohm=100e3, cathode_resistor_ohm=1500.0, load_ohm=1e6)
    >>> chart = reports.load_line_chart(objectives.assess(stage, "12AX7"))
    """
    lines, t = load_lines(pick), pick.device.terms
    x = alt.X(
        "plate_V:Q",
        title=f"{t.plate}–{t.cathode} voltage (V)",
        axis=alt.Axis(tickCount=9),
        scale=alt.Scale(domain=[0, lines.reach_V], nice=False),
    )
    y = alt.Y(
        "current_A:Q",
        title=f"{t.plate} current (mA)",
        scale=alt.Scale(domain=[0, lines.top_A], nice=False),
        axis=alt.Axis(labelExpr="format(1000 * datum.value, '~r')"),
    )
    curves = (
        alt.Chart(lines.curves)
        .mark_line(color="#87919c", strokeWidth=1.2, clip=True)
        .encode(x=x, y=y, detail="grid_V:N")
    )
    names = {
        "DC": f"DC load line ({t.plate} load and {t.cathode} resistor)",
        "AC": "AC load line",
        "bias": t.bias_line,
        "dissipation": f"greatest {t.plate} dissipation",
    }
    styles: LineStyles = {
        names["DC"]: (ACCENTS["blue"], [1, 0]),
        names["AC"]: (ACCENTS["orange"], [8, 3]),
        names["bias"]: (ACCENTS["teal"], [2, 3]),
        names["dissipation"]: (ACCENTS["plum"], [6, 2, 1, 2]),
    }
    named = lines.lines.assign(line=lines.lines["line"].map(names))
    # The legend stands below the picture: above it stand the voltages of the curves.
    straight = styled_lines(named, x, y, "line", styles, orient="bottom", offset=10)
    words = (
        f"{quantity(lines.plate_cathode_V, 'V', 3)}, {quantity(lines.current_A, 'A', 3)}, "
        f"{t.grid} at {quantity(lines.grid_cathode_V, 'V', 3)}"
    )
    ends = alt.Chart(_curve_ends(lines)).encode(x=x, y=y, text="text:N")
    return alt.LayerChart(
        layer=[
            curves,
            straight,
            ends.transform_filter(alt.datum.side == "top").mark_text(dy=-8, color=MUTED),
            ends.transform_filter(alt.datum.side == "right").mark_text(
                dx=5, align="left", color=MUTED
            ),
            *_point_marks(lines, x, y, words),
        ],
        width=PAGE_WIDTH - 130,
        height=400,
        description=(
            f"{sentence(t.plate_curves)} of the {pick.device.name} with the DC and AC load lines; "
            f"they cross at the operating point: {words}."
        ),
    )


def _point_marks(lines: LoadLines, x: alt.X, y: alt.Y, words: str) -> list[alt.Chart]:
    """Return the operating point and what is written beside it."""
    here = pd.DataFrame(
        {"plate_V": [lines.plate_cathode_V], "current_A": [lines.current_A], "text": [words]}
    )
    spot = alt.Chart(here).encode(x=x, y=y)
    # Above and to the right of the point is the emptiest place, below and left the next best.
    place: dict[str, Any] = {"align": "left", "dx": 12, "dy": -13}
    if lines.plate_cathode_V > 0.7 * lines.reach_V:
        place = {"align": "right", "dx": -12, "dy": 16}
    place |= {"fontSize": 12, "fontWeight": 600}
    return [
        spot.mark_point(size=130, filled=True, color=INK, opacity=1, stroke="white"),
        # The same words twice: a broad pale outline keeps them legible over the curves.
        spot.mark_text(stroke=PAPER, strokeWidth=5, **place).encode(text="text:N"),
        spot.mark_text(**place).encode(text="text:N"),
    ]
