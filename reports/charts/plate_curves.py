"""The chart of a law's plate curves, with the published or measured currents beside them."""

from __future__ import annotations

import math
from collections.abc import Sequence

import altair as alt
import numpy as np
import pandas as pd

from objectives.arrays import FloatArray
from objectives.devices.fit_record import FitPoint, FitRecord
from objectives.devices.law import ConductionLaw
from reports.charts.layers import layered, signed_volts
from reports.theme import ACCENTS, INK, MUTED, ticks


def plate_curves(law: ConductionLaw, grid_V: Sequence[float], plate_V: FloatArray) -> pd.DataFrame:
    """Return the current at each grid voltage: columns grid_V, plate_V (V), current_A."""
    grid = np.asarray(grid_V, float)
    return pd.DataFrame(
        {
            "grid_V": np.repeat(grid, plate_V.size),
            "plate_V": np.tile(plate_V, grid.size),
            "current_A": law.plate_current(grid[:, np.newaxis], plate_V).ravel(),
        }
    )


def round_voltages(highest_V: float, lowest_V: float) -> list[float]:
    """Return at most eleven voltages in round steps, the highest first."""
    span = max(highest_V - lowest_V, 1e-3)
    step = next(
        m * 10.0**e for e in range(-4, 4) for m in (1, 2, 2.5, 5) if span <= 10 * m * 10.0**e
    )
    top, foot = math.floor(highest_V / step + 1e-9), math.ceil(lowest_V / step - 1e-9)
    return [round(step * n, 6) for n in range(top, foot - 1, -1)]


def plate_curves_chart(
    name: str,
    law: ConductionLaw,
    record: FitRecord,
    *,
    rated_V: float | None = None,
    rated_W: float | None = None,
    grid_V: Sequence[float] | None = None,
    plate_max_V: float | None = None,
    current_max_A: float | None = None,
) -> alt.LayerChart:
    """Return plate current over plate voltage at several grid voltages, with the data as points.

    Parameters
    ----------
    name :
        What the law describes, for the description.
    law, record :
        The law, and the data of its fit.
    rated_V, rated_W :
        Rated plate voltage (V) and dissipation (W), where there are any.
    grid_V :
        Grid voltages of the curves; None takes those of the measurements, or round steps from 0
        to cut-off.
    plate_max_V, current_max_A :
        Ends of the axes (V, A); None takes the rating, or the largest reading where it is more.

    Raises
    ------
    ValueError
        If an end of an axis is not above 0, or a list of grid voltages is empty.
    """
    data = [
        p
        for p in (*record.points, *(p for curve in record.curves for p in curve.points))
        if p.quantity == "plate_current_A" and {"grid_V", "plate_V"} <= p.conditions.keys()
    ]
    if plate_max_V is None:
        plate_max_V = max([rated_V or 0.0, *(p.conditions["plate_V"] for p in data)]) or 300.0
    if not plate_max_V > 0:
        raise ValueError(f"plate_max_V: {plate_max_V!r}: must be more than 0")
    if current_max_A is None:
        # Half the voltage at zero bias: what lies above is outside any small-signal use.
        at_zero = float(law.plate_current(0.0, 0.5 * plate_max_V))
        current_max_A = max([at_zero, *(1.05 * p.published for p in data)])
    if not current_max_A > 0:
        raise ValueError(f"current_max_A: {current_max_A!r}: must be more than 0")
    if grid_V is None:
        grid_V = _grid_steps(law, plate_max_V, data)
    if len(grid_V) == 0:
        raise ValueError("grid_V: []: must hold at least one voltage")

    plate = np.linspace(0.0, plate_max_V, 161)
    lines = plate_curves(law, grid_V, plate)
    lines["current_mA"] = 1e3 * lines.pop("current_A")
    lines = lines[lines["current_mA"] <= 1e3 * current_max_A]
    ends = lines.groupby("grid_V", as_index=False).last()
    ends["label"] = [signed_volts(v) for v in ends["grid_V"]]
    x = alt.X(
        "plate_V:Q",
        title="plate to cathode",
        axis=ticks("V", 7),
        scale=alt.Scale(domain=[0, plate_max_V]),
    )
    y = alt.Y(
        "current_mA:Q",
        title="plate current",
        axis=alt.Axis(labelExpr="format(datum.value, '~f') + ' mA'", tickCount=5),
        scale=alt.Scale(domain=[0, 1e3 * current_max_A]),
    )
    layers: list[alt.Chart] = [
        alt.Chart(lines).mark_line(color=ACCENTS["blue"]).encode(x=x, y=y, detail="grid_V:N"),
        alt.Chart(ends)
        .mark_text(align="left", dx=4, dy=-4, color=INK)
        .encode(x=x, y=y, text="label:N"),
    ]
    if rated_W is not None:
        layers.append(_dissipation(rated_W, plate, current_max_A, x, y))
    if data:
        layers.append(_data_layer(data, x, y))
    description = f"Plate curves of the law of the {name}, and the published numbers beside them."
    return layered(*layers, height=320, description=description)


def _dissipation(
    rated_W: float, plate: np.ndarray, current_max_A: float, x: alt.X, y: alt.Y
) -> alt.Chart:
    """Return the curve of the rated plate dissipation, as far as it lies on the chart."""
    onward = plate[1:]
    frame = pd.DataFrame({"plate_V": onward, "current_mA": 1e3 * rated_W / onward})
    frame = frame[frame["current_mA"] <= 1e3 * current_max_A]
    lines: alt.Chart = alt.Chart(frame).mark_line(color=MUTED, strokeDash=[6, 4])
    return lines.encode(x=x, y=y, tooltip=alt.value(f"rated dissipation {rated_W:g} W"))


def _data_layer(data: Sequence[FitPoint], x: alt.X, y: alt.Y) -> alt.Chart:
    frame = pd.DataFrame(
        {
            "plate_V": [p.conditions["plate_V"] for p in data],
            "current_mA": [1e3 * p.published for p in data],
            "grid": [signed_volts(p.conditions["grid_V"]) for p in data],
            "used": [p.used for p in data],
        }
    )
    points: alt.Chart = alt.Chart(frame).mark_point(
        size=45, strokeWidth=1.5, color=ACCENTS["orange"]
    )
    return points.encode(
        x=x,
        y=y,
        shape=alt.Shape(
            "used:N",
            title="datum is",
            scale=alt.Scale(domain=["fitted", "tested"], range=["circle", "triangle-up"]),
        ),
        tooltip=["grid:N", "plate_V:Q", alt.Tooltip("current_mA:Q", format=".4g"), "used:N"],
    )


def _grid_steps(law: ConductionLaw, plate_max_V: float, data: Sequence[FitPoint]) -> list[float]:
    """Return the measured grid voltages where there are several, else round steps to cut-off."""
    measured = sorted({round(p.conditions["grid_V"], 2) for p in data}, reverse=True)
    # A sheet's few points lie at a grid voltage each; only measured curves repeat theirs.
    if len(data) >= 3 * len(measured) >= 6:
        return measured
    # Amplification falls towards cut-off, so that it lies beyond plate voltage over its factor.
    _, gm, gp = law.linearise(0.0, plate_max_V)
    depth = np.linspace(0.0, 4.0 * plate_max_V * float(gp / gm), 401)
    current = law.plate_current(-depth, plate_max_V)
    cut_off = float(depth[np.searchsorted(-current, -0.01 * current[0])])
    return round_voltages(0.0, -cut_off)
