"""The chart of how far a law lies from the data it was fitted to or tested on."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

import altair as alt
import pandas as pd
import vl_convert

from objectives.checks import InputError, Written
from objectives.devices.fit_record import QUANTITIES, FitPoint, FitRecord
from objectives.files import drafts
from objectives.format import percent
from reports.charts.layers import cut_label, layered, signed_volts
from reports.theme import ACCENTS, GRID, MUTED, spec_of, standing_alone, svg_of, ticks

_USED_HUE = [ACCENTS["blue"], ACCENTS["orange"]]

# Above so many plate currents a row for each cannot be read any more.
_MOST_ROWS = 40

_MOST_LETTERS = 42


def residual_title(name: str, record: FitRecord) -> str:
    """Return how near the law comes to the data."""
    worst = max(abs(point.residual_percent) for point in record.points)
    return f"The law of the {name} is within {percent(worst / 100)} of all that it is held against"


def residual_chart(name: str, record: FitRecord) -> alt.LayerChart:
    """Return the residuals (per cent) of a law, fitted and merely tested data told apart.

    Published points get a row each. Many measured currents are drawn over the current, on a
    logarithmic axis. A band marks plus and minus 5 per cent.

    Parameters
    ----------
    name :
        What the law describes, for the description.

    Raises
    ------
    ValueError
        If the record holds no points.
    """
    if not record.points:
        raise InputError(f"{name}", Written("fit"), "no points: must record the data of its fit")
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
    title = residual_title(name, record)
    reach = max(10.0, 1.1 * float(frame["residual_percent"].abs().max()))
    scale = alt.Scale(domain=[-reach, reach], nice=False)
    axis_title = "law minus datum"
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
        residual_y = alt.Y("residual_percent:Q", title=axis_title, axis=ticks("%"), scale=scale)
        drawn = points.encode(
            x=alt.X("published:Q", title="measured plate current")
            .scale(type="log")
            .axis(ticks("A")),
            y=residual_y,
            **marks,
        )
        layers = (
            band.encode(y=alt.Y("low:Q", scale=scale), y2="high:Q"),
            zero.encode(y=alt.Y("zero:Q", scale=scale)),
            drawn,
        )
        return layered(*layers, height=300, description=title)
    drawn = points.encode(
        x=alt.X("residual_percent:Q", title=axis_title, axis=ticks("%"), scale=scale),
        y=alt.Y(
            "point:N",
            title=None,
            sort=None,
            axis=alt.Axis(labelExpr=cut_label(_MOST_LETTERS), labelOverlap=False),
        ),
        **marks,
    )
    layers = (
        band.encode(x=alt.X("low:Q", scale=scale), x2="high:Q"),
        zero.encode(x=alt.X("zero:Q", scale=scale)),
        drawn,
    )
    return layered(*layers, height=16 * len(frame), description=title)


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
    raise InputError("chart", str(path), "must end in .html, .svg or .png")


def write_chart(chart: alt.TopLevelMixin, path: str | Path, title: str = "") -> None:
    """Write a chart as HTML that opens without network, SVG or PNG, by the ending of the path.

    The file is replaced as a whole, never left half written.

    Raises
    ------
    ValueError
        If the ending is none of these.
    """
    path = Path(path)
    kind = chart_format(path)
    with drafts(path.parent) as draft:
        spec, place = spec_of(chart), draft / path.name
        if kind == "png":
            place.write_bytes(vl_convert.vegalite_to_png(standing_alone(spec, title)))
        else:
            alone = standing_alone(spec, title)
            page = vl_convert.vegalite_to_html(alone, bundle=True) if kind == "html" else ""
            place.write_text(page or svg_of(spec, title), "utf-8")


def _words(p: FitPoint) -> str:
    """Return one row's label: what is published, and under which conditions."""
    c = p.conditions
    if "grid_V" in c:
        at = f"{c['plate_V']:g} V, {signed_volts(c['grid_V'])}"
    elif "plate_current_A" in c:
        at = f"{c['plate_V']:g} V, {1e3 * c['plate_current_A']:g} mA"
    else:
        leak = f" / {_kilo(c['next_leak_ohm'])}" if "next_leak_ohm" in c else ""
        at = (
            f"{c['supply_V']:g} V, {_kilo(c['plate_load_ohm'])}{leak} / "
            f"{_kilo(c['cathode_resistor_ohm'])}"
        )
    maker = p.source.split(",")[0]
    return f"{QUANTITIES[p.quantity]} at {at} ({maker})"


def _kilo(ohm: float) -> str:
    return f"{ohm / 1e6:g} MΩ" if ohm >= 1e6 else f"{ohm / 1e3:g} kΩ"
