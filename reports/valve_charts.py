"""Charts of a valve's law: how far it is from its data, and its plate curves.

Both take an entry of the valve table or the fit of a user's own measurements.
"""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Literal, cast

import altair as alt
import numpy as np
import pandas as pd

from objectives.fitting import Fit
from objectives.valves import FitPoint, FitRecord, Law, Valve
from reports.look import ACCENTS, GRID, INK, MUTED, SI_TICKS

__all__ = ["chart_format", "plate_curves_chart", "residual_chart", "write_chart"]

_USED_HUE = [ACCENTS["blue"], ACCENTS["orange"]]
# Above so many plate currents a row for each cannot be read any more.
_MOST_ROWS = 40

_QUANTITY_WORDS = {
    "plate_current_A": "plate current",
    "transconductance_S": "transconductance",
    "plate_resistance_ohm": "plate resistance",
    "amplification_factor": "amplification factor",
    "stage_gain": "stage gain",
}


def residual_chart(subject: Valve | Fit, *, width: int = 640) -> alt.LayerChart:
    """Return the residuals (per cent) of a law, fitted and merely tested data told apart.

    Published points get a row each. Many measured currents are drawn over the current, on a
    logarithmic axis. A band marks plus and minus 5 per cent.

    Raises
    ------
    ValueError
        If the valve records no fit.
    """
    record = _record(subject)
    if not record.points:
        name = subject.name if isinstance(subject, Valve) else "fit"
        raise ValueError(f"{name}: fit: no points: must record the data of its fit")
    frame = pd.DataFrame(
        {
            "point": [_words(p) for p in record.points],
            "used": [p.used for p in record.points],
            "residual_percent": [p.residual_percent for p in record.points],
            "published": [p.published for p in record.points],
            "law": [p.law for p in record.points],
            "source": [p.source for p in record.points],
        }
    )
    currents_only = all(p.quantity == "plate_current_A" for p in record.points)
    title = _title(subject, "residuals of the fit")
    reach = max(10.0, 1.1 * float(frame["residual_percent"].abs().max()))
    scale = alt.Scale(domain=[-reach, reach], nice=False)
    residual_title = "law less datum (% of the datum)"
    marks = {
        "color": alt.Color(
            "used:N",
            title="datum is",
            scale=alt.Scale(domain=["fitted", "tested"], range=_USED_HUE),
        ),
        # Shape as well as hue, for those who tell no hues apart and for grey prints.
        "shape": alt.Shape(
            "used:N",
            title="datum is",
            scale=alt.Scale(domain=["fitted", "tested"], range=["circle", "triangle-up"]),
        ),
        "tooltip": [
            alt.Tooltip("point:N"),
            alt.Tooltip("published:Q", title="datum (SI)", format=".4g"),
            alt.Tooltip("law:Q", title="law (SI)", format=".4g"),
            alt.Tooltip("residual_percent:Q", title="residual (%)", format="+.1f"),
            alt.Tooltip("source:N"),
        ],
    }
    band = alt.Chart(pd.DataFrame({"low": [-5.0], "high": [5.0]})).mark_rect(
        color=GRID, opacity=0.7
    )
    zero = alt.Chart(pd.DataFrame({"zero": [0.0]})).mark_rule(color=MUTED)
    points = alt.Chart(frame).mark_point(size=60, filled=True, opacity=0.9)
    if currents_only and len(frame) > _MOST_ROWS:
        residual_y = alt.Y("residual_percent:Q", title=residual_title, scale=scale)
        drawn = points.encode(
            x=alt.X("published:Q", title="measured plate current (A)")
            .scale(type="log")
            .axis(format=SI_TICKS),
            y=residual_y,
            **marks,
        )
        layers = (
            band.encode(y=alt.Y("low:Q", scale=scale), y2="high:Q"),
            zero.encode(y=alt.Y("zero:Q", scale=scale)),
            drawn,
        )
        return _layered(*layers, width=width, height=300, title=title)
    drawn = points.encode(
        x=alt.X("residual_percent:Q", title=residual_title, scale=scale),
        y=alt.Y("point:N", title=None, sort=None, axis=alt.Axis(labelLimit=420)),
        **marks,
    )
    layers = (
        band.encode(x=alt.X("low:Q", scale=scale), x2="high:Q"),
        zero.encode(x=alt.X("zero:Q", scale=scale)),
        drawn,
    )
    return _layered(*layers, width=width, height=alt.Step(18), title=title)


def chart_format(path: str | Path) -> Literal["html", "svg", "png"]:
    """Return the format that the ending of a path asks for.

    Raises
    ------
    ValueError
        If the ending is none of .html, .svg and .png.
    """
    for kind in ("html", "svg", "png"):
        if Path(path).suffix.lower() == f".{kind}":
            return kind
    raise ValueError(f"chart: {str(path)!r}: must end in .html, .svg or .png")


def write_chart(chart: alt.TopLevelMixin, path: str | Path) -> None:
    """Write a chart as HTML that opens without network, SVG or PNG, by the ending of the path.

    The file is replaced as a whole, never left half written.

    Raises
    ------
    ValueError
        If the ending is none of these.
    """
    path = Path(path)
    kind = chart_format(path)
    with tempfile.TemporaryDirectory(dir=path.parent) as folder:
        draft = Path(folder) / path.name
        if kind == "html":
            chart.save(str(draft), format="html", inline=True)
        else:
            chart.save(str(draft), format=kind)
        draft.replace(path)


def _layered(*layers: alt.Chart, width: int, height: int | alt.Step, title: str) -> alt.LayerChart:
    # Altair's stubs allow for a facet, which layers of plain charts never give.
    stacked = cast(alt.LayerChart, alt.layer(*layers))
    return stacked.properties(width=width, height=height, title=title)


def plate_curves_chart(
    subject: Valve | Fit,
    *,
    grid_V: Sequence[float] | None = None,
    plate_max_V: float | None = None,
    current_max_A: float | None = None,
    width: int = 640,
    height: int = 400,
) -> alt.LayerChart:
    """Return plate current over plate voltage at several grid voltages, with the data as points.

    Parameters
    ----------
    subject :
        Entry of the valve table, or a fit.
    grid_V :
        Grid voltages of the curves; None takes those of the measurements, or round steps from 0
        to cut-off.
    plate_max_V, current_max_A :
        Ends of the axes (V, A); None takes the rating, or the largest reading where it is more.
    width, height :
        Size (px).

    Raises
    ------
    ValueError
        If an end of an axis is not above 0, or a list of grid voltages is empty.
    """
    law, record = subject.law, _record(subject)
    data = [
        p
        for p in (*record.points, *(p for curve in record.curves for p in curve.points))
        if p.quantity == "plate_current_A" and {"grid_V", "plate_V"} <= p.conditions.keys()
    ]
    if plate_max_V is None:
        plate_max_V = _plate_end(subject, data)
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
    grid = np.asarray(grid_V, float)
    current = law.plate_current(grid[:, np.newaxis], plate)
    lines = pd.DataFrame(
        {
            "grid_V": np.repeat(grid, plate.size),
            "plate_V": np.tile(plate, grid.size),
            "current_mA": 1e3 * current.ravel(),
        }
    )
    lines = lines[lines["current_mA"] <= 1e3 * current_max_A]
    ends = lines.groupby("grid_V", as_index=False).last()
    ends["label"] = [_signed_volts(v) for v in ends["grid_V"]]
    x = alt.X("plate_V:Q", title="plate to cathode (V)", scale=alt.Scale(domain=[0, plate_max_V]))
    y = alt.Y(
        "current_mA:Q",
        title="plate current (mA)",
        scale=alt.Scale(domain=[0, 1e3 * current_max_A]),
    )
    layers: list[alt.Chart] = [
        alt.Chart(lines).mark_line(color=ACCENTS["blue"]).encode(x=x, y=y, detail="grid_V:N"),
        alt.Chart(ends)
        .mark_text(align="left", dx=4, dy=-4, color=INK)
        .encode(x=x, y=y, text="label:N"),
    ]
    if isinstance(subject, Valve) and subject.plate_dissipation_max_W is not None:
        layers.append(_dissipation(subject.plate_dissipation_max_W, plate, current_max_A, x, y))
    if data:
        layers.append(_data_layer(data, x, y))
    title = _title(subject, "plate curves of the fitted law")
    return _layered(*layers, width=width, height=height, title=title)


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
            "grid": [_signed_volts(p.conditions["grid_V"]) for p in data],
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


def _record(subject: Valve | Fit) -> FitRecord:
    if isinstance(subject, Fit):
        return subject.record
    return subject.fit or FitRecord("")


def _title(subject: Valve | Fit, what: str) -> str:
    name = subject.name if isinstance(subject, Valve) else subject.fitted.source
    return f"{name}: {what}"


def _plate_end(subject: Valve | Fit, data: Sequence[FitPoint]) -> float:
    readings = [p.conditions["plate_V"] for p in data]
    if isinstance(subject, Valve) and subject.plate_voltage_max_V is not None:
        return max(subject.plate_voltage_max_V, *readings)
    return max(readings, default=300.0)


def _grid_steps(law: Law, plate_max_V: float, data: Sequence[FitPoint]) -> list[float]:
    """Return the measured grid voltages where there are several, else round steps to cut-off."""
    measured = sorted({round(p.conditions["grid_V"], 2) for p in data}, reverse=True)
    # A sheet's few points lie at a grid voltage each; only measured curves repeat theirs.
    if len(data) >= 3 * len(measured) >= 6:
        return measured
    # Amplification falls towards cut-off, so that it lies beyond plate voltage over mu.
    depth = np.linspace(0.0, 4.0 * plate_max_V / float(np.mean(np.asarray(law.mu))), 401)
    current = law.plate_current(-depth, plate_max_V)
    cut_off = float(depth[np.searchsorted(-current, -0.01 * current[0])])
    rough = cut_off / 7.0
    decade = 10.0 ** np.floor(np.log10(rough))
    step = decade * min((1.0, 2.0, 2.5, 5.0, 10.0), key=lambda m: abs(m * decade - rough))
    return [-round(i * float(step), 6) + 0.0 for i in range(int(cut_off / step) + 1)]


def _signed_volts(value: float) -> str:
    return f"{value:g} V".replace("-", "−")


def _words(p: FitPoint) -> str:
    """Return one row's label: what is published, and under which conditions."""
    c = p.conditions
    if "grid_V" in c:
        at = f"{c['plate_V']:g} V, {_signed_volts(c['grid_V'])}"
    else:
        leak = f" / {_kilo(c['next_leak_ohm'])}" if "next_leak_ohm" in c else ""
        at = (
            f"{c['supply_V']:g} V, {_kilo(c['plate_load_ohm'])}{leak} / "
            f"{_kilo(c['cathode_resistor_ohm'])}"
        )
    maker = p.source.split(",")[0]
    return f"{_QUANTITY_WORDS[p.quantity]} at {at} ({maker})"


def _kilo(ohm: float) -> str:
    return f"{ohm / 1e6:g} MΩ" if ohm >= 1e6 else f"{ohm / 1e3:g} kΩ"
