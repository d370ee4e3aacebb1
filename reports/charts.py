"""The charts of one stage and of the search: load lines, responses, noise, radio bands, trace.

Every chart comes with the function that works out its data, so that the numbers can be tested and
exported without drawing anything. All take the first stage of a batch.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Mapping
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
    first,
    fixed,
    number,
    plain_words,
    quantity,
)
from reports.look import ACCENTS, INK, MUTED, PAGE_WIDTH, PAPER, SI_TICKS

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
    "share_text",
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
    watts = _plate_dissipation_max(pick)
    # The hyperbola belongs into the picture only where it does not squeeze all else flat.
    if watts is not None and top < watts / reach < 1.35 * top:
        top = 1.05 * watts / reach
    plate = np.linspace(0.0, reach, 241)
    families = []
    for grid_V in _grid_voltages(law, reach, top, grid):
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
        lines.append(_bias_line(law, cathode, plate, top, pick))
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
    if of.stage.shape == (1,):
        return of  # with all that it has worked out already
    return replace(of, stage=of.stage.broadcast().at(slice(0, 1)))


def _line(name: str, plate_V: FloatArray, current: Any) -> pd.DataFrame:
    return pd.DataFrame({"line": name, "plate_V": plate_V, "current_A": current(plate_V)})


def _bias_line(
    law: Any, cathode_ohm: float, plate: FloatArray, top_A: float, pick: Assessment
) -> pd.DataFrame:
    """Return where the device passes just the current that its cathode resistor turns into bias."""
    asked = np.linspace(0.0, 1.05 * top_A, 240)
    control = first(pick.point.grid_V) - (asked + first(pick.point.grid_current_A)) * cathode_ohm
    passed = np.asarray(law.plate_current(control[:, None], plate))
    # More current asked means more bias and less current passed, so each column crosses once.
    current = np.array(
        [np.interp(0.0, asked - column, asked, left=np.nan, right=np.nan) for column in passed.T]
    )
    kept = np.isfinite(current) & (plate > 0)
    return pd.DataFrame({"line": _BIAS, "plate_V": plate[kept], "current_A": current[kept]})


def _plate_dissipation_max(pick: Assessment) -> float | None:
    stated = getattr(pick.device, "plate_dissipation_max_W", None)
    if stated is not None:
        return float(stated)
    for rating in pick.device.ratings(pick.stage, pick.point):
        if "dissipation" in rating.name and rating.unit == "W":
            return first(rating.allowed)
    return None


def _grid_voltages(law: Any, reach_V: float, top_A: float, at_rest_V: float) -> list[float]:
    """Return at most eleven round grid voltages, the highest first, down to near cut-off.

    A device that rests below 0 V is shown up to 0 V; one that needs a positive control voltage up
    to where its current leaves the chart.
    """
    highest = 0.0
    probe = np.concatenate([-np.geomspace(200.0, 1e-3, 400), np.geomspace(1e-3, 50.0, 400)])
    with np.errstate(over="ignore"):
        passed = np.ravel(law.plate_current(probe, reach_V))
        if at_rest_V > 0:
            half_way = np.ravel(law.plate_current(probe, reach_V / 2))
            highest = float(probe[half_way <= 1.2 * top_A].max(initial=at_rest_V))
    lowest = float(probe[passed > 0.02 * top_A].min(initial=highest))
    span = max(highest - lowest, 1e-3)
    step = next(
        m * 10.0**e for e in range(-4, 4) for m in (1, 2, 2.5, 5) if span <= 10 * m * 10.0**e
    )
    first = math.floor(highest / step + 1e-9)
    last = math.ceil(lowest / step - 1e-9)
    return [round(step * n, 6) for n in range(first, last - 1, -1)]


def _curve_ends(lines: LoadLines) -> pd.DataFrame:
    """Return where each plate curve leaves the chart, with its grid voltage as a label."""
    rows: list[dict[str, object]] = []
    lowest, rightmost = math.inf, -math.inf
    for grid_V, curve in lines.curves.groupby("grid_V", sort=False):
        volts, amps = curve["plate_V"].to_numpy(), curve["current_A"].to_numpy()
        text = f"{number(float(grid_V), 3)} V"  # type: ignore[arg-type]
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
    """Return the plate curves with both load lines, the operating point and the greatest heat."""
    lines = load_lines(pick)
    x = alt.X(
        "plate_V:Q",
        title="plate–cathode voltage (V)",
        axis=alt.Axis(tickCount=9),
        scale=alt.Scale(domain=[0, lines.reach_V], nice=False),
    )
    y = alt.Y(
        "current_A:Q",
        title="plate current (mA)",
        scale=alt.Scale(domain=[0, lines.top_A], nice=False),
        axis=alt.Axis(labelExpr="format(1000 * datum.value, '~r')"),
    )
    curves = (
        alt.Chart(lines.curves)
        .mark_line(color="#87919c", strokeWidth=1.2, clip=True)
        .encode(x=x, y=y, detail="grid_V:N")
    )
    looks = {
        _DC: (ACCENTS["blue"], [1, 0]),
        _AC: (ACCENTS["orange"], [8, 3]),
        _BIAS: (ACCENTS["teal"], [2, 3]),
        _LIMIT: (ACCENTS["plum"], [6, 2, 1, 2]),
    }
    drawn = [name for name in looks if name in set(lines.lines["line"])]
    # Below the picture: above it stand the voltages of the curves.
    legend = alt.Legend(orient="bottom", offset=10, symbolType="stroke", symbolSize=300)
    straight = (
        alt.Chart(lines.lines)
        .mark_line(clip=True, strokeWidth=2)
        .encode(
            x=x,
            y=y,
            color=alt.Color(
                "line:N",
                title=None,
                scale=alt.Scale(domain=drawn, range=[looks[n][0] for n in drawn]),
                legend=legend,
            ),
            strokeDash=alt.StrokeDash(
                "line:N",
                title=None,
                scale=alt.Scale(domain=drawn, range=[looks[n][1] for n in drawn]),
                legend=legend,
            ),
        )
    )
    words = (
        f"{quantity(lines.plate_cathode_V, 'V', 3)}, {quantity(lines.current_A, 'A', 3)}, "
        f"grid at {quantity(lines.grid_cathode_V, 'V', 3)}"
    )
    here = pd.DataFrame(
        {"plate_V": [lines.plate_cathode_V], "current_A": [lines.current_A], "text": [words]}
    )
    spot = alt.Chart(here).encode(x=x, y=y)
    # Above and to the right of the point is the emptiest place, below and left the next best.
    place: dict[str, Any] = {"align": "left", "dx": 12, "dy": -13}
    if lines.plate_cathode_V > 0.7 * lines.reach_V:
        place = {"align": "right", "dx": -12, "dy": 16}
    ends = alt.Chart(_curve_ends(lines)).encode(x=x, y=y, text="text:N")
    return alt.LayerChart(
        layer=[
            curves,
            straight,
            ends.transform_filter(alt.datum.side == "top").mark_text(dy=-8, color=MUTED),
            ends.transform_filter(alt.datum.side == "right").mark_text(
                dx=5, align="left", color=MUTED
            ),
            spot.mark_point(size=130, filled=True, color=INK, opacity=1, stroke="white"),
            # The same words twice: a broad pale outline keeps them readable over the curves.
            spot.mark_text(
                fontSize=12, fontWeight=600, stroke=PAPER, strokeWidth=5, **place
            ).encode(text="text:N"),
            spot.mark_text(fontSize=12, fontWeight=600, **place).encode(text="text:N"),
        ],
        width=PAGE_WIDTH - 130,
        height=400,
        description=(
            f"Plate curves of the {pick.device.name} with the DC and AC load lines; they cross at "
            f"the operating point: {words}."
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
    estimate = estimate or textbook_estimate(pick.loaded, pick.linear, targets.reference_Hz)
    corners = {
        "target": targets.input_corner_Hz,
        "exact": first(pick.input_corner_Hz),
        "textbook": first(estimate.corner_Hz),
    }
    kept = {name: f for name, f in corners.items() if f is not None and 0 < f < HIGHEST_HZ}
    # The corners are on the grid of frequencies, so that the curve shows them exactly.
    frequency = np.unique(
        np.concatenate([np.geomspace(1.0, 1e9, 9 * points_per_decade + 1), [*kept.values()]])
    )
    network = Network(pick.loaded.expand(), pick.linear.expand(), frequency)
    ports: tuple[Port, ...] = ("grid", "output")
    levels = {
        f"{port}_dB": np.ravel(level_dB(network, port)) - first(level_dB(pick.reference, port))
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


_LETTERS: Final = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
_PORTS: Final = {"grid_dB": "grid", "output_dB": "output"}
_CORNERS: Final = {"target": "teal", "exact": "blue", "textbook": "plum"}


def response_chart(pick: Assessment, estimate: TextbookEstimate | None = None) -> alt.VConcatChart:
    """Return the responses with corners and radio bands, and a closer look at the corner."""
    swept = responses(pick, estimate)
    deepest = min(
        float(swept.levels["grid_dB"].min()),
        float(swept.bands["level_dB"].min()) if len(swept.bands) else 0.0,
    )
    floor = float(np.clip(10 * math.floor(deepest / 10), -140.0, -40.0))
    ceiling = 5.0 * math.ceil((max(float(swept.levels["grid_dB"].max()), 0.0) + 2.0) / 5)
    whole = _Panel(swept, (1.0, 1e9), (floor, ceiling), 340)
    panels = [
        alt.LayerChart(
            layer=[*whole.bands(), *whole.curves(), *whole.corners()],
            width=whole.width,
            height=whole.height,
            title=alt.Title("1 Hz to 1 GHz", subtitle=_band_lines(swept)),
        )
    ]
    if len(swept.corners):
        low, high = swept.corners["frequency_Hz"].min(), swept.corners["frequency_Hz"].max()
        close = _Panel(swept, (low / 5, high * 4), (-15.0, 2.0), 210)
        panels.append(
            alt.LayerChart(
                layer=[*close.curves(textbook=True), *close.half_power(), *close.corners()],
                width=close.width,
                height=close.height,
                title="Round the input corner",
            )
        )
    chart: alt.VConcatChart = alt.vconcat(
        *panels,
        spacing=18,
        description=(
            "Level at the grid and at the output from 1 Hz to 1 GHz relative to the reference "
            "frequency, with the input corners and the radio bands. "
            + "; ".join(_corner_texts(swept))
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


def _band_lines(swept: Responses) -> list[str]:
    """Return what the letters over the bands stand for, in lines that fit the page."""
    if not len(swept.bands):
        return []
    items = [
        f"{letter} {band} {number(-level, 3)} dB"
        for letter, band, level in zip(
            _LETTERS, swept.bands["band"], swept.bands["level_dB"], strict=False
        )
    ]
    text = "The grid must stay below each shaded band: " + ", ".join(items) + "."
    return textwrap.wrap(text, 150)


class _Panel:
    """One frequency axis with its level axis, and what may be drawn on them."""

    width: Final = PAGE_WIDTH - 80

    def __init__(
        self, swept: Responses, span: tuple[float, float], levels: tuple[float, float], height: int
    ) -> None:
        self.swept, self.span, self.levels, self.height = swept, span, levels, height
        decades = math.log10(span[1] / span[0])
        ticks = alt.Axis(format=SI_TICKS, tickCount=8)
        if decades > 4:
            ticks = alt.Axis(format=SI_TICKS, values=[10.0**n for n in range(10)])
        self.per_pixel = 10 ** (decades / self.width)
        """Ratio of frequencies one pixel apart."""
        self.scale_x = alt.Scale(type="log", domain=list(span), nice=False)
        self.scale_y = alt.Scale(domain=list(levels), nice=False)
        self.axis_x = ticks

    def x(self, field: str = "frequency_Hz") -> alt.X:
        return alt.X(f"{field}:Q", title="frequency (Hz)", scale=self.scale_x, axis=self.axis_x)

    def y(self, field: str = "level_dB") -> alt.Y:
        return alt.Y(f"{field}:Q", title="level (dB)", scale=self.scale_y)

    def curves(self, *, textbook: bool = False) -> list[alt.Chart]:
        levels = self.swept.levels
        inside = levels[levels["frequency_Hz"].between(*self.span)]
        long = inside.melt("frequency_Hz", list(_PORTS), var_name="port", value_name="level_dB")
        long["port"] = long["port"].map(_PORTS)
        looks = {
            "grid": (ACCENTS["blue"], [1, 0]),
            "output": (ACCENTS["orange"], [7, 3]),
        }
        corner = self.swept.corners.set_index("name")["frequency_Hz"].get("textbook")
        if textbook and corner is not None:
            looks["grid, textbook"] = (ACCENTS["plum"], [2, 2])
            f = np.geomspace(*self.span, 121)
            one_pole = -10 * np.log10(1 + (f / float(corner)) ** 2)
            long = pd.concat(
                [
                    long,
                    pd.DataFrame(
                        {"frequency_Hz": f, "port": "grid, textbook", "level_dB": one_pole}
                    ),
                ]
            )
        legend = alt.Legend(symbolType="stroke", symbolSize=300)
        domain = list(looks)
        return [
            alt.Chart(long.round({"level_dB": 4}))
            .mark_line(clip=True)
            .encode(
                x=self.x(),
                y=self.y(),
                color=alt.Color(
                    "port:N",
                    title=None,
                    scale=alt.Scale(domain=domain, range=[c for c, _ in looks.values()]),
                    legend=legend,
                ),
                strokeDash=alt.StrokeDash(
                    "port:N",
                    title=None,
                    scale=alt.Scale(domain=domain, range=[d for _, d in looks.values()]),
                    legend=legend,
                ),
            )
        ]

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

    def bands(self) -> list[alt.Chart]:
        """Return, for each band, the shade that the grid must stay below, and its edge."""
        bands = self.swept.bands
        if not len(bands):
            return []
        rows = bands.assign(ceiling_dB=self.levels[1], letter=list(_LETTERS[: len(bands)]))
        rows["letter_Hz"] = self._apart(
            np.sqrt(bands["low_Hz"].to_numpy() * bands["high_Hz"].to_numpy())
        )
        base = alt.Chart(rows)
        return [
            base.mark_rect(color=ACCENTS["gold"], opacity=0.22, clip=True).encode(
                x=self.x("low_Hz"), x2="high_Hz:Q", y=self.y(), y2="ceiling_dB:Q"
            ),
            base.mark_rule(color="#8a7000", strokeWidth=3, clip=True).encode(
                x=self.x("low_Hz"), x2="high_Hz:Q", y=self.y()
            ),
            base.mark_text(dy=-9, fontWeight=600, color="#6b5700").encode(
                x=self.x("letter_Hz"), y=self.y("ceiling_dB"), text="letter:N"
            ),
        ]

    def _apart(self, frequency_Hz: FloatArray, pixels: float = 14.0) -> FloatArray:
        """Return the frequencies moved apart so far that letters at them do not touch."""
        order = np.argsort(frequency_Hz)
        spots = np.log(frequency_Hz[order]) / math.log(self.per_pixel)
        for at in range(1, len(spots)):
            spots[at] = max(spots[at], spots[at - 1] + pixels)
        right = math.log(self.span[1]) / math.log(self.per_pixel) - 4
        for at in reversed(range(len(spots))):
            spots[at] = min(spots[at], right - pixels * (len(spots) - 1 - at))
        moved = np.empty_like(spots)
        moved[order] = self.per_pixel**spots
        return moved


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
    "device": "{name}, its own",
    "grid_current": "{name}, grid current",
}


def noise_shares(pick: Assessment) -> pd.DataFrame:
    """Return the noise of the first stage by origin, largest first.

    Columns: origin, label, share (of the A-weighted power, dimensionless; they sum to 1) and
    level_dBu (referred to the source).
    """
    budget = _first(pick).noise
    levels = {name: first(level) for name, level in budget.by_origin_dBu.items()}
    powers = {name: 10 ** (level / 10) for name, level in levels.items()}
    total = sum(powers.values())
    rows = [
        {
            "origin": name,
            "label": _ORIGINS.get(name, plain_words(name)).format(name=pick.device.name),
            "share": power / total,
            "level_dBu": levels[name],
        }
        for name, power in sorted(powers.items(), key=lambda item: -item[1])
        if power > 0
    ]
    return pd.DataFrame(rows, columns=["origin", "label", "share", "level_dBu"])


def noise_chart(pick: Assessment) -> alt.LayerChart:
    """Return the share of each origin in the A-weighted noise power as bars."""
    shares = noise_shares(pick)
    shares["text"] = [
        f"{share_text(share)}, {fixed(level, 1)} dBu"
        for share, level in zip(shares["share"], shares["level_dBu"], strict=True)
    ]
    base = alt.Chart(shares).encode(
        x=alt.X(
            "share:Q",
            title="share of the A-weighted noise power",
            axis=alt.Axis(format="%", tickCount=5),
            scale=alt.Scale(domain=[0, 1.3 * float(shares["share"].max())], nice=False),
        ),
        y=_names(shares["label"]),
    )
    told = [f"{a} {b}" for a, b in zip(shares["label"], shares["text"], strict=True)]
    return alt.LayerChart(
        layer=[
            base.mark_bar(height=16),
            base.mark_text(align="left", dx=6).encode(text="text:N"),
        ],
        width=PAGE_WIDTH - 220,
        height=26 * len(shares),
        description=f"Noise by origin: {'; '.join(told)}.",
    )


def share_text(share: float) -> str:
    """Return a share as per cent to one decimal: ``74.8 %``, ``< 0.1 %``."""
    return "< 0.1\u00a0%" if share < 0.0005 else f"{100 * share:.1f}\u00a0%"


def _names(labels: pd.Series) -> alt.Y:
    """Return the axis of a bar chart that names its bars, in the order given."""
    return alt.Y(
        f"{labels.name}:N",
        sort=list(labels),
        title=None,
        axis=alt.Axis(
            labelLimit=240, labelFontSize=12, domain=False, ticks=False, labelOverlap=False
        ),
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
        return [first(margins[b.name]) + b.attenuation_dB for b in bands]

    actual = given(pick)
    columns["given_dB"] = list(actual)
    columns["margin_dB"] = [a - b.attenuation_dB for a, b in zip(actual, bands, strict=True)]
    for name, change in changes.items():
        columns[name] = list(given(replace(pick, stage=replace(pick.stage, **change))))
    return pd.DataFrame(columns)


def radio_chart(pick: Assessment) -> alt.LayerChart:
    """Return the attenuation given in each band as bars, with a tick where it must reach."""
    budget = radio_budget(pick)
    spare = ["to spare" if margin >= 0 else "short" for margin in budget["margin_dB"]]
    budget["text"] = [
        f"{fixed(given, 1)} dB, {fixed(abs(margin), 1)} dB {word}"
        for given, margin, word in zip(budget["given_dB"], budget["margin_dB"], spare, strict=True)
    ]
    budget["label_dB"] = budget[["given_dB", "required_dB"]].max(axis=1)
    budget["verdict"] = np.where(budget["margin_dB"] >= 0, "required is reached", "falls short")
    scale = alt.Scale(
        domain=[min(0.0, float(budget["given_dB"].min())), 1.35 * float(budget["label_dB"].max())],
        nice=False,
    )

    def x(field: str) -> alt.X:
        title = "least attenuation at the grid over the band (dB); upright mark: required"
        return alt.X(f"{field}:Q", title=title, scale=scale, axis=alt.Axis(tickCount=7))

    verdicts = list(dict.fromkeys(budget["verdict"]))
    colours = {"required is reached": ACCENTS["blue"], "falls short": ACCENTS["orange"]}
    base = alt.Chart(budget).encode(y=_names(budget["band"]))
    told = [f"{a}: {b}" for a, b in zip(budget["band"], budget["text"], strict=True)]
    return alt.LayerChart(
        layer=[
            base.mark_bar(height=16).encode(
                x=x("given_dB"),
                color=alt.Color(
                    "verdict:N",
                    title=None,
                    scale=alt.Scale(domain=verdicts, range=[colours[v] for v in verdicts]),
                    legend=None if len(verdicts) == 1 else alt.Legend(),
                ),
            ),
            base.mark_tick(color=INK, thickness=3, size=26, opacity=1).encode(x=x("required_dB")),
            base.mark_text(align="left", dx=7).encode(x=x("label_dB"), text="text:N"),
        ],
        width=PAGE_WIDTH - 220,
        height=34 * len(budget),
        description=f"Attenuation at the grid by radio band: {'; '.join(told)}.",
    )


# -- the search ------------------------------------------------------------------------------------


def trace_chart(trace: pd.DataFrame) -> alt.Chart:
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
    chart: alt.Chart = (
        alt.Chart(rows)
        .mark_line(interpolate="step-after")
        .encode(
            x=alt.X("evaluations:Q", axis=alt.Axis(format="d", tickCount=8)),
            y=alt.Y("hypervolume:Q", title="hypervolume (share)", scale=alt.Scale(zero=False)),
        )
        .properties(
            width=PAGE_WIDTH - 80,
            height=220,
            description="Hypervolume of the front over the number of evaluations.",
        )
    )
    return chart
