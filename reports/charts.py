"""The charts of one stage and of the search: load lines, responses, noise, radio bands, trace.

Every chart comes with the function that works out its data, so that the numbers can be tested and
exported without drawing anything. All take the first stage of a batch.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import altair as alt
import numpy as np
import pandas as pd

from objectives.batch import FloatArray
from objectives.corners import HALF_POWER_DB, HIGHEST_HZ, Port, level_dB
from objectives.network import Network
from objectives.scores import Assessment
from objectives.textbook import TextbookEstimate, textbook_estimate
from reports.format import (
    number,
    plain_words,
    quantity,
)
from reports.look import ACCENTS, INK, MUTED, PAGE_WIDTH, SI_TICKS

__all__ = [
    "LoadLines",
    "Responses",
    "load_line_chart",
    "load_lines",
    "noise_chart",
    "noise_shares",
    "radio_budget",
    "radio_chart",
    "response_chart",
    "responses",
    "trace_chart",
]

# -- load lines ------------------------------------------------------------------------------------


@dataclass(frozen=True)
class LoadLines:
    """What the load-line chart shows; voltages from plate to cathode (V), currents in A.

    ``curves`` has columns grid_V, plate_V, current_A; ``lines`` has line, plate_V, current_A.
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


_DC: Final = "DC load line (plate load and cathode resistor)"
_AC: Final = "AC load line"
_BIAS: Final = "cathode-bias line"
_LIMIT: Final = "greatest plate dissipation"


def load_lines(pick: Assessment) -> LoadLines:
    """Work out plate curves, load lines and the operating point of the first stage of a batch."""
    pick = _first(pick)
    stage, point, law = pick.stage, pick.point, pick.device.law
    supply = float(np.ravel(stage.supply_V)[0])
    load, cathode = (float(np.ravel(v)[0]) for v in (stage.plate_load_ohm, stage.cathode_total_ohm))
    volts, amps = float(point.plate_cathode_V[0]), float(point.plate_current_A[0])
    grid = float(point.grid_cathode_V[0])
    # At the reference frequency, so that a coupling or bypass capacitor counts for what it does.
    alternating = float(
        np.real(pick.reference.plate_impedance_ohm)[0]
        + np.real(pick.reference.cathode_impedance_ohm)[0]
    )
    top = 1.08 * max(supply / max(load + cathode, 1.0), amps + volts / alternating, 1.6 * amps)
    reach = 1.02 * supply
    watts = _plate_dissipation_max(pick)
    # The hyperbola belongs into the picture only where it does not squeeze all else flat.
    if watts is not None and top < watts / reach < 1.35 * top:
        top = 1.05 * watts / reach
    plate = np.linspace(0.0, reach, 241)
    families = []
    for grid_V in _grid_voltages(law, reach, top):
        families.append(
            pd.DataFrame(
                {
                    "grid_V": grid_V,
                    "plate_V": plate,
                    "current_A": np.ravel(law.plate_current(grid_V, plate)),
                }
            )
        )
    lines = [
        _line(_DC, np.array([0.0, supply]), lambda v: (supply - v) / (load + cathode)),
        _line(
            _AC,
            np.array([0.0, volts, min(volts + amps * alternating, reach)]),
            lambda v: amps - (v - volts) / alternating,
        ),
    ]
    if cathode > 0:
        lines.append(_bias_line(law, cathode, plate, pick))
    if watts is not None and watts / reach < top:
        lines.append(_line(_LIMIT, plate[plate > watts / top / 2], lambda v: watts / v))
    return LoadLines(
        curves=pd.concat(families, ignore_index=True),
        lines=pd.concat(lines, ignore_index=True),
        plate_cathode_V=volts,
        current_A=amps,
        grid_cathode_V=grid,
        alternating_ohm=alternating,
        dissipation_W=watts,
        top_A=top,
        reach_V=reach,
    )


def _first(of: Assessment) -> Assessment:
    """Return the first stage of a batch as a batch of one."""
    if of.stage.shape in ((), (1,)):
        return replace(of, stage=of.stage.broadcast())
    return replace(of, stage=of.stage.broadcast().at(slice(0, 1)))


def _line(name: str, plate_V: FloatArray, current: Any) -> pd.DataFrame:
    return pd.DataFrame({"line": name, "plate_V": plate_V, "current_A": current(plate_V)})


def _bias_line(law: Any, cathode_ohm: float, plate: FloatArray, pick: Assessment) -> pd.DataFrame:
    """Return where the valve passes just the current that its cathode resistor turns into bias."""
    deepest = float(-1.6 * pick.point.grid_cathode_V[0])
    fixed = float(np.ravel(pick.stage.grid_bias_V)[0])
    grid = np.linspace(0.02 * deepest, deepest, 40) if deepest > 0 else np.zeros(0)
    current = (grid + fixed) / cathode_ohm
    table = np.stack([np.ravel(law.plate_current(-v, plate)) for v in grid]) if len(grid) else None
    if table is None:
        return pd.DataFrame({"line": [], "plate_V": [], "current_A": []})
    volts = np.array(
        [np.interp(i, row, plate, right=np.nan) for i, row in zip(current, table, strict=True)]
    )
    kept = np.isfinite(volts) & (current > 0)
    return pd.DataFrame({"line": _BIAS, "plate_V": volts[kept], "current_A": current[kept]})


def _plate_dissipation_max(pick: Assessment) -> float | None:
    stated = getattr(pick.device, "plate_dissipation_max_W", None)
    if stated is not None:
        return float(stated)
    for rating in pick.device.ratings(pick.stage, pick.point):
        if "dissipation" in rating.name and rating.unit == "W":
            return float(np.ravel(rating.allowed)[0])
    return None


def _grid_voltages(law: Any, reach_V: float, top_A: float) -> list[float]:
    """Return round grid voltages from 0 to near cut-off at the highest plate voltage."""
    probe = -np.geomspace(0.05, 200.0, 400)
    passing = probe[np.ravel(law.plate_current(probe, reach_V)) > 0.02 * top_A]
    deepest = float(-passing.min()) if passing.size else 1.0
    steps = [m * 10.0**e for e in range(-2, 3) for m in (1, 2, 2.5, 5)]
    step = next((s for s in steps if deepest / s <= 10), steps[-1])
    return [-step * n for n in range(int(deepest / step) + 1)]


def _curve_ends(lines: LoadLines) -> pd.DataFrame:
    """Return where each plate curve leaves the chart, with its grid voltage as a label."""
    rows: list[dict[str, object]] = []
    lowest = math.inf
    for grid_V, curve in lines.curves.groupby("grid_V", sort=False):
        volts, amps = curve["plate_V"].to_numpy(), curve["current_A"].to_numpy()
        text = f"{number(float(grid_V), 3)} V"  # type: ignore[arg-type]
        if amps[-1] > lines.top_A:
            at = float(np.interp(lines.top_A, amps, volts))
            rows.append({"plate_V": at, "current_A": lines.top_A, "text": text, "side": "top"})
        elif lowest - amps[-1] > 0.035 * lines.top_A:
            lowest = float(amps[-1])
            rows.append(
                {"plate_V": lines.reach_V, "current_A": lowest, "text": text, "side": "right"}
            )
    return pd.DataFrame(rows)


def load_line_chart(pick: Assessment) -> alt.TopLevelMixin:
    """Return the plate curves with both load lines, the operating point and the greatest heat."""
    lines = load_lines(pick)
    x = alt.X(
        "plate_V:Q",
        title="plate–cathode voltage (V)",
        scale=alt.Scale(domain=[0, lines.reach_V], nice=False),
    )
    y = alt.Y(
        "current_A:Q",
        title="plate current (A)",
        scale=alt.Scale(domain=[0, lines.top_A], nice=False),
        axis=alt.Axis(format=SI_TICKS),
    )
    curves = (
        alt.Chart(lines.curves)
        .mark_line(color=ACCENTS["slate"], strokeWidth=1.2, clip=True)
        .encode(x=x, y=y, detail="grid_V:N")
    )
    names = [_DC, _AC, _BIAS, _LIMIT]
    drawn = [name for name in names if name in set(lines.lines["line"])]
    colours = dict(
        zip(names, (ACCENTS[c] for c in ("blue", "orange", "teal", "plum")), strict=True)
    )
    dashes = dict(zip(names, ([1, 0], [8, 3], [2, 3], [6, 2, 1, 2]), strict=True))
    straight = (
        alt.Chart(lines.lines[lines.lines["line"].isin(drawn)])
        .mark_line(clip=True, strokeWidth=2)
        .encode(
            x=x,
            y=y,
            color=alt.Color(
                "line:N",
                title=None,
                scale=alt.Scale(domain=drawn, range=[colours[n] for n in drawn]),
            ),
            strokeDash=alt.StrokeDash(
                "line:N",
                title=None,
                scale=alt.Scale(domain=drawn, range=[dashes[n] for n in drawn]),
            ),
        )
    )
    here = pd.DataFrame(
        {
            "plate_V": [lines.plate_cathode_V],
            "current_A": [lines.current_A],
            "text": [
                f"{quantity(lines.plate_cathode_V, 'V', 3)}, "
                f"{quantity(lines.current_A, 'A', 3)}, "
                f"grid at {quantity(lines.grid_cathode_V, 'V', 3)}"
            ],
        }
    )
    spot = alt.Chart(here).encode(x=x, y=y)
    point = spot.mark_point(size=130, filled=True, color=INK, stroke="white", strokeWidth=1.5)
    halo = spot.mark_text(
        align="left", dx=12, dy=-12, fontSize=12, stroke="white", strokeWidth=4, opacity=0.9
    ).encode(text="text:N")
    label = spot.mark_text(align="left", dx=12, dy=-12, fontSize=12).encode(text="text:N")
    ends = alt.Chart(_curve_ends(lines)).encode(x=x, y=y, text="text:N")
    above = ends.transform_filter(alt.datum.side == "top").mark_text(dy=-8, color=MUTED)
    beside = ends.transform_filter(alt.datum.side == "right").mark_text(
        dx=5, align="left", color=MUTED
    )
    return alt.layer(curves, straight, above, beside, point, halo, label).properties(
        width=PAGE_WIDTH - 130,
        height=400,
        description=(
            f"Plate curves of the {pick.device.name} with the DC and AC load lines; they cross at "
            f"the operating point, {here['text'][0]}."
        ),
    )


# -- responses -------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Responses:
    """Levels over frequency, each relative to its own level at the reference frequency (dB)."""

    levels: pd.DataFrame
    """Columns frequency_Hz, grid_dB, output_dB."""
    corners: pd.DataFrame
    """Columns name, frequency_Hz: target, exact and textbook corner of the grid."""
    bands: pd.DataFrame
    """Columns band, low_Hz, high_Hz, level_dB (minus the attenuation required)."""


def responses(
    pick: Assessment, estimate: TextbookEstimate | None = None, points_per_decade: int = 60
) -> Responses:
    """Sweep the first stage of a batch from 1 Hz to 1 GHz on the exact network."""
    pick = _first(pick)
    targets = pick.targets
    estimate = estimate or textbook_estimate(pick.stage, pick.linear, targets.reference_Hz)
    corners = {
        "target": targets.input_corner_Hz,
        "exact": float(pick.input_corner_Hz[0]),
        "textbook": float(estimate.corner_Hz[0]),
    }
    kept = {name: f for name, f in corners.items() if f is not None and 0 < f < HIGHEST_HZ}
    # The corners are on the grid of frequencies, so that the curve shows them exactly.
    frequency = np.unique(
        np.concatenate([np.geomspace(1.0, 1e9, 9 * points_per_decade + 1), [*kept.values()]])
    )
    network = Network(pick.stage.expand(), pick.linear.expand(), frequency)
    ports: tuple[Port, ...] = ("grid", "output")
    levels = {
        f"{port}_dB": np.ravel(level_dB(network, port)) - float(level_dB(pick.reference, port)[0])
        for port in ports
    }
    return Responses(
        levels=pd.DataFrame({"frequency_Hz": frequency, **levels}),
        corners=pd.DataFrame({"name": list(kept), "frequency_Hz": list(kept.values())}),
        bands=pd.DataFrame(
            [
                {
                    "band": band.name,
                    "low_Hz": band.low_Hz,
                    "high_Hz": band.high_Hz,
                    "level_dB": -band.attenuation_dB,
                }
                for band in targets.radio_bands
            ],
            columns=["band", "low_Hz", "high_Hz", "level_dB"],
        ),
    )


_PORTS: Final = {"grid_dB": "grid", "output_dB": "output"}
_CORNERS: Final = {"target": "teal", "exact": "blue", "textbook": "plum"}


def response_chart(pick: Assessment, estimate: TextbookEstimate | None = None) -> alt.TopLevelMixin:
    """Return the responses with corners and radio bands, and a closer look at the corner."""
    swept = responses(pick, estimate)
    floor = float(
        np.clip(
            10 * math.floor(
                min(
                    swept.levels["grid_dB"].min(),
                    swept.bands["level_dB"].min() if len(swept.bands) else 0.0,
                    -40.0,
                ) / 10
            ),
            -140.0,
            -40.0,
        )
    )  # fmt: skip
    ceiling = 5.0 * math.ceil((max(swept.levels["grid_dB"].max(), 0.0) + 2.0) / 5)
    whole = _response_panel(
        swept, (1.0, 1e9), (floor, ceiling), 320, ticks=[10.0**n for n in range(10)]
    )
    panels = [alt.layer(*_band_layers(swept, floor, ceiling), *whole)]
    if len(swept.corners):
        middle = float(np.exp(np.log(swept.corners["frequency_Hz"]).mean()))
        span = (middle / 6, middle * 6)
        panels.append(
            alt.layer(*_response_panel(swept, span, (-15.0, 2.0), 190, close=True)).properties(
                title="The input corner"
            )
        )
    sized = [
        panel.properties(width=PAGE_WIDTH - 80, height=height)
        for panel, height in zip(panels, (320, 200), strict=False)
    ]
    return (
        alt.vconcat(*sized, spacing=16)
        .resolve_scale(color="shared")
        .properties(
            description=(
                "Level at the grid and at the output from 1 Hz to 1 GHz relative to the "
                "reference frequency, with the input corners and the radio bands."
            )
        )
    )


def _frequency_axis(span: tuple[float, float], ticks: Sequence[float] | None = None) -> alt.X:
    options: dict[str, Any] = {"values": list(ticks)} if ticks else {"tickCount": 8}
    return alt.X(
        "frequency_Hz:Q",
        title="frequency (Hz)",
        scale=alt.Scale(type="log", domain=list(span), nice=False),
        axis=alt.Axis(format=SI_TICKS, **options),
    )


def _response_panel(
    swept: Responses,
    span: tuple[float, float],
    levels: tuple[float, float],
    height: int,
    *,
    ticks: Sequence[float] | None = None,
    close: bool = False,
) -> list[alt.Chart]:
    x = _frequency_axis(span, ticks)
    scale = alt.Scale(domain=list(levels), nice=False)
    y = alt.Y("level_dB:Q", title="level (dB)", scale=scale)
    inside = swept.levels["frequency_Hz"].between(span[0], span[1])
    long = swept.levels[inside].melt(
        "frequency_Hz", list(_PORTS), var_name="port", value_name="level_dB"
    )
    long["port"] = long["port"].map(_PORTS)
    if close and "textbook" in set(swept.corners["name"]):
        corner = float(
            swept.corners.loc[swept.corners["name"] == "textbook", "frequency_Hz"].iloc[0]
        )
        f = np.geomspace(*span, 121)
        one_pole = pd.DataFrame(
            {
                "frequency_Hz": f,
                "port": "grid, textbook",
                "level_dB": -10 * np.log10(1 + (f / corner) ** 2),
            }
        )
        long = pd.concat([long, one_pole], ignore_index=True)
    names = ["grid", "output", "grid, textbook"]
    colours = [ACCENTS["blue"], ACCENTS["orange"], ACCENTS["plum"]]
    curves = (
        alt.Chart(long)
        .mark_line(clip=True)
        .encode(
            x=x,
            y=y,
            color=alt.Color(
                "port:N", title=None, scale=alt.Scale(domain=names, range=colours),
                legend=alt.Legend(symbolType="stroke"),
            ),
            strokeDash=alt.StrokeDash(
                "port:N", title=None, scale=alt.Scale(domain=names, range=[[1, 0], [7, 3], [2, 2]])
            ),
        )
    )  # fmt: skip
    layers = [curves]
    if close:
        half = pd.DataFrame({"level_dB": [-HALF_POWER_DB], "text": ["−3.01 dB"]})
        layers.append(alt.Chart(half).mark_rule(color=MUTED, strokeDash=[1, 2]).encode(y=y))
    if len(swept.corners):
        marks = swept.corners[swept.corners["frequency_Hz"].between(*span)].copy()
        marks["text"] = [
            f"{name} {quantity(f, 'Hz', 4)}"
            for name, f in zip(marks["name"], marks["frequency_Hz"], strict=True)
        ]
        step = (levels[1] - levels[0]) / height * 16
        marks["level_dB"] = levels[0] + step * (np.arange(len(marks))[::-1] + 0.7)
        for name, colour in _CORNERS.items():
            one = alt.Chart(marks[marks["name"] == name])
            if not (marks["name"] == name).any():
                continue
            dash = [1, 0] if name == "exact" else [4, 3]
            layers.append(
                one.mark_rule(color=ACCENTS[colour], strokeWidth=1.3, strokeDash=dash).encode(x=x)
            )
            layers.append(
                one.mark_text(align="right", dx=-6, color=ACCENTS[colour]).encode(
                    x=x, y=y, text="text:N"
                )
            )
    return layers


def _band_layers(swept: Responses, floor: float, ceiling: float) -> list[alt.Chart]:
    """Return, for each band, the shade that the grid's curve must stay under and its edge."""
    if not len(swept.bands):
        return []
    bands = swept.bands.copy()
    bands["ceiling_dB"] = ceiling
    bands["middle_Hz"] = np.sqrt(bands["low_Hz"] * bands["high_Hz"])
    bands["text"] = [
        f"{band}: {number(-level, 3)} dB"
        for band, level in zip(bands["band"], bands["level_dB"], strict=True)
    ]
    bands["foot_dB"] = floor
    scale = alt.Scale(domain=[floor, ceiling], nice=False)
    frequency = alt.Scale(type="log", domain=[1.0, 1e9], nice=False)
    base = alt.Chart(bands)
    edges = {
        "x": alt.X("low_Hz:Q", scale=frequency, title="frequency (Hz)"),
        "x2": alt.X2("high_Hz:Q"),
    }
    return [
        base.mark_rect(color=ACCENTS["gold"], opacity=0.22, clip=True).encode(
            y=alt.Y("level_dB:Q", scale=scale, title="level (dB)"), y2="ceiling_dB:Q", **edges
        ),
        base.mark_rule(color="#8a7000", strokeWidth=3, clip=True).encode(
            y=alt.Y("level_dB:Q", scale=scale, title="level (dB)"), **edges
        ),
        base.mark_text(angle=270, align="left", baseline="middle", dx=6, color="#6b5700").encode(
            x=alt.X("middle_Hz:Q", scale=frequency, title="frequency (Hz)"),
            y=alt.Y("level_dB:Q", scale=scale, title="level (dB)"),
            text="text:N",
        ),
    ]


# -- budgets ---------------------------------------------------------------------------------------

_ORIGINS: Final = {
    "source": "source resistance",
    "leak": "grid leak",
    "stopper": "grid stopper",
    "cathode_resistor": "cathode resistor",
    "cathode_unbypassed": "unbypassed cathode resistor",
    "bypass_series": "resistor in series with the bypass",
    "plate_load": "plate load",
    "load": "load",
    "device": "valve, shot and flicker",
    "grid_current": "valve, grid current",
}


def noise_shares(pick: Assessment) -> pd.DataFrame:
    """Return the noise of the first stage by origin, largest first.

    Columns: origin, label, share (of the A-weighted power, dimensionless; they sum to 1) and
    level_dBu (referred to the source).
    """
    budget = _first(pick).noise
    levels = {name: float(np.ravel(level)[0]) for name, level in budget.by_origin_dBu.items()}
    powers = {name: 10 ** (level / 10) for name, level in levels.items()}
    total = sum(powers.values())
    rows = [
        {
            "origin": name,
            "label": _ORIGINS.get(name, plain_words(name)),
            "share": power / total,
            "level_dBu": levels[name],
        }
        for name, power in sorted(powers.items(), key=lambda item: -item[1])
        if power > 0
    ]
    return pd.DataFrame(rows, columns=["origin", "label", "share", "level_dBu"])


def noise_chart(pick: Assessment) -> alt.TopLevelMixin:
    """Return the share of each origin in the A-weighted noise power as bars."""
    shares = noise_shares(pick)
    shares["text"] = [
        f"{number(100 * share, 3)} %  ({number(level, 4)} dBu)"
        for share, level in zip(shares["share"], shares["level_dBu"], strict=True)
    ]
    return _bars(
        shares, "share", "share of the noise power", "%", "Noise by origin: "
        + "; ".join(f"{a} {b}" for a, b in zip(shares["label"], shares["text"], strict=True)) + ".",
    )  # fmt: skip


def _bars(
    rows: pd.DataFrame, value: str, title: str, form: str, description: str
) -> alt.TopLevelMixin:
    y = alt.Y("label:N", sort=list(rows["label"]), title=None, axis=alt.Axis(labelLimit=240,
              labelFontSize=12, domain=False, ticks=False, labelOverlap=False))  # fmt: skip
    x = alt.X(f"{value}:Q", title=title, axis=alt.Axis(format=form, tickCount=5),
              scale=alt.Scale(domain=[0, 1.28 * float(rows[value].max())], nice=False))  # fmt: skip
    base = alt.Chart(rows).encode(x=x, y=y)
    bars, words = base.mark_bar(height=16), base.mark_text(align="left", dx=6).encode(text="text:N")
    return alt.LayerChart(
        layer=[bars, words],
        width=PAGE_WIDTH - 270,
        height=26 * len(rows),
        description=description,
    )


def radio_budget(pick: Assessment) -> pd.DataFrame:
    """Return, for each radio band, what the first stage attenuates at the grid and why.

    Columns: band, low_Hz, high_Hz, required_dB, given_dB (the least in the band), margin_dB, and
    the same least attenuation with one thing left out: without_stopper_dB,
    ideal_stopper_dB (no capacitance or inductance of its own) and without_shunts_dB (no cable,
    no capacitor from grid to ground, no strays to ground).
    """
    pick = _first(pick)
    changes: Mapping[str, Mapping[str, float]] = {
        "without_stopper_dB": {"stopper_ohm": 0.0, "stopper_lead_H": 0.0},
        "ideal_stopper_dB": {"stopper_shunt_F": 0.0, "stopper_lead_H": 0.0},
        "without_shunts_dB": {"cable_F": 0.0, "grid_capacitor_F": 0.0, "stray_grid_ground_F": 0.0},
    }
    columns: dict[str, list[float | str]] = {}
    bands = pick.targets.radio_bands
    columns["band"] = [band.name for band in bands]
    columns["low_Hz"] = [band.low_Hz for band in bands]
    columns["high_Hz"] = [band.high_Hz for band in bands]
    columns["required_dB"] = [band.attenuation_dB for band in bands]

    def given(of: Assessment) -> list[float]:
        margins = of.radio_margins_dB
        return [float(np.ravel(margins[b.name])[0]) + b.attenuation_dB for b in bands]

    actual = given(pick)
    columns["given_dB"] = list(actual)
    columns["margin_dB"] = [a - b.attenuation_dB for a, b in zip(actual, bands, strict=True)]
    for name, change in changes.items():
        columns[name] = list(given(replace(pick, stage=replace(pick.stage, **change))))
    return pd.DataFrame(columns)


def radio_chart(pick: Assessment) -> alt.TopLevelMixin:
    """Return the attenuation given in each band as bars, with a tick where it must reach."""
    budget = radio_budget(pick)
    budget["text"] = [
        f"{number(given, 3)} dB, margin {number(margin, 3)} dB"
        for given, margin in zip(budget["given_dB"], budget["margin_dB"], strict=True)
    ]
    budget["verdict"] = np.where(budget["margin_dB"] >= 0, "kept", "missed")
    top = 1.3 * float(max(budget["given_dB"].max(), budget["required_dB"].max(), 1.0))
    scale = alt.Scale(domain=[min(0.0, float(budget["given_dB"].min())), top], nice=False)
    y = alt.Y("band:N", sort=list(budget["band"]), title=None, axis=alt.Axis(labelLimit=240,
              labelFontSize=12, domain=False, ticks=False, labelOverlap=False))  # fmt: skip
    title = "least attenuation at the grid over the band (dB); the tick is what is required"
    base = alt.Chart(budget).encode(y=y)
    x = alt.X("given_dB:Q", title=title, scale=scale)
    verdict = alt.Color(
        "verdict:N",
        title=None,
        scale=alt.Scale(domain=["kept", "missed"], range=[ACCENTS["blue"], ACCENTS["orange"]]),
    )
    tick = base.mark_tick(color=INK, thickness=3, size=26).encode(
        x=alt.X("required_dB:Q", title=title, scale=scale)
    )
    words = base.mark_text(align="left", dx=6).encode(x="label_dB:Q", text="text:N")
    words = words.transform_calculate(label_dB="max(datum.given_dB, datum.required_dB)")
    return alt.layer(base.mark_bar(height=16).encode(x=x, color=verdict), tick, words).properties(
        width=PAGE_WIDTH - 270,
        height=32 * len(budget),
        description="Attenuation at the grid in each radio band against what is required.",
    )


# -- the search ------------------------------------------------------------------------------------


def trace_chart(trace: pd.DataFrame) -> alt.TopLevelMixin:
    """Return how the hypervolume grew with the evaluations.

    ``trace`` has a column of evaluations and one of hypervolume, in this order unless they are
    named so.

    Raises
    ------
    ValueError
        If there are fewer than two columns.
    """
    if trace.shape[1] < 2:
        raise ValueError(f"search_trace: {trace.shape[1]} column(s): must be two")
    names = list(trace.columns)
    spent = next((n for n in names if "evaluation" in str(n)), names[0])
    worth = next((n for n in names if "hypervolume" in str(n)), names[1])
    rows = pd.DataFrame(
        {"evaluations": trace[spent].to_numpy(float), "hypervolume": trace[worth].to_numpy(float)}
    )
    return (
        alt.Chart(rows)
        .mark_line(interpolate="step-after")
        .encode(
            x=alt.X("evaluations:Q", title="evaluations", axis=alt.Axis(format="~s")),
            y=alt.Y("hypervolume:Q", title="hypervolume (share of the box)",
                    scale=alt.Scale(zero=False)),
        )
        .properties(
            width=PAGE_WIDTH - 80,
            height=220,
            description="Hypervolume of the front over the number of evaluations.",
        )
    )  # fmt: skip
