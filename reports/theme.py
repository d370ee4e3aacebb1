"""How every chart looks: our palette, fonts, widths and tick labels, as one Altair theme.

The theme is registered but never switched on for good: :func:`spec_of` applies it while a chart is
turned into its specification, so that importing this module changes nobody else's charts.
"""

from __future__ import annotations

import re
from typing import Any, Final

import altair as alt
import numpy as np
import vl_convert

from objectives.arrays import FloatArray
from objectives.format import prefixed, score_unit, unit_symbol

PAGE_WIDTH: Final = 960
"""Width of the page column and of every full-width chart, axes and legends included (px)."""


INK: Final = "var(--ink, #16202c)"
"""Text and axis lines."""


MUTED: Final = "var(--muted, #55616f)"
"""Secondary text."""


CHOSEN: Final = "var(--chosen, #b3400a)"
"""What was chosen, among what is given."""


GRID: Final = "#e3e7eb"
PAPER: Final = "#ffffff"
ACCENTS: Final[dict[str, str]] = {
    "blue": "#1f59a8",
    "orange": "#c9560a",
    "plum": "#6f2450",
    "teal": "#12a083",
    "gold": "#dfb41c",
    "slate": "#67799d",
}
"""Hues by name, in the order series take them. Lightness differs as well as hue, and the tests
hold every pair apart as dichromats see them (Viénot, Brettel, Mollon 1999)."""


FONT: Final = "Helvetica Neue, Helvetica, Arial, Liberation Sans, sans-serif"
SI_TICKS: Final = "~s"
"""Axis format of a united quantity: 10k, 1M, 4.7n, 1µ."""


THEME: Final = "stagefront"
"""Name that Altair knows the theme by."""


@alt.theme.register(THEME, enable=False)
def _theme() -> alt.theme.ThemeConfig:
    axis = {
        "labelFont": FONT,
        "titleFont": FONT,
        "labelFontSize": 11,
        "titleFontSize": 12,
        "titleFontWeight": "normal",
        "labelColor": INK,
        "titleColor": INK,
        "domainColor": MUTED,
        "tickColor": MUTED,
        "gridColor": GRID,
        "tickSize": 4,
        "labelPadding": 4,
        "titlePadding": 8,
        "labelOverlap": "greedy",
        "labelSeparation": 6,
    }
    config: dict[str, Any] = {
        "background": PAPER,
        "font": FONT,
        "padding": 4,
        "view": {"stroke": "#c5ccd3", "continuousWidth": 800, "continuousHeight": 320},
        "axis": axis,
        "title": {
            "font": FONT,
            "fontSize": 13,
            "fontWeight": 600,
            "color": INK,
            "anchor": "start",
            "offset": 8,
            "subtitleFont": FONT,
            "subtitleFontSize": 11,
            "subtitleColor": MUTED,
        },
        "legend": {
            "labelFont": FONT,
            "titleFont": FONT,
            "labelFontSize": 11,
            "titleFontSize": 11,
            "titleFontWeight": "normal",
            "titleColor": MUTED,
            "labelColor": INK,
            "labelLimit": 320,
            "symbolSize": 80,
            "orient": "top",
            "direction": "horizontal",
            "columnPadding": 18,
            "offset": 6,
        },
        "range": {"category": list(ACCENTS.values())},
        "text": {"font": FONT, "fontSize": 11, "color": INK},
        "bar": {"color": ACCENTS["blue"]},
        "line": {"strokeWidth": 2, "color": ACCENTS["blue"]},
        "point": {"filled": True, "color": ACCENTS["blue"]},
        "rule": {"color": MUTED},
        "concat": {"spacing": 24},
    }
    return alt.theme.ThemeConfig(config=config)  # type: ignore[typeddict-item]


def spec_of(chart: alt.TopLevelMixin) -> dict[str, Any]:
    """Return the chart's Vega-Lite specification, dressed in our theme.

    The tests hold every chart to the schema of Vega-Lite; here that would take as long again.
    """
    # Rows in named data sets go around Altair, which would copy and check them one by one.
    bare: Any = chart
    datasets = getattr(chart, "datasets", None)
    if isinstance(datasets, dict):
        bare = bare.copy(deep=False)
        bare.datasets = alt.Undefined
    with alt.theme.enable(THEME):
        spec: dict[str, Any] = bare.to_dict(validate=False)
    if isinstance(datasets, dict):
        spec["datasets"] = spec.get("datasets", {}) | datasets
    return spec


def in_light(markup: str) -> str:
    """Return a drawing with the colours of a light page, for files that stand alone."""
    return re.sub(r"var\(--[a-z]+, ([^)]*)\)", r"\1", markup)


def score_axis(name: str) -> alt.Axis:
    """Return the axis of a score, with prefixes where its unit takes them."""
    unit = unit_symbol(score_unit(name))
    return alt.Axis(format=SI_TICKS, tickCount=5) if prefixed(unit) else alt.Axis(tickCount=5)


def score_scale(values: FloatArray) -> alt.Scale:
    """Return the scale for values of a score: logarithmic where they span a factor of 30."""
    finite = values[np.isfinite(values)]
    log = finite.size > 0 and finite.min() > 0 and finite.max() > 30 * finite.min()
    return alt.Scale(type="log") if log else alt.Scale(zero=False, nice=True)


def svg_of(spec: dict[str, Any]) -> str:
    """Return a specification drawn as SVG text, without any network.

    The marks carry no accessible names of their own: thousands of them would drown a screen
    reader, and the picture as a whole has its description.
    """
    spec = spec | {"config": spec.get("config", {}) | {"aria": False}}
    svg = in_light(str(vl_convert.vegalite_to_svg(spec, allowed_base_urls=[])))
    # The library numbers its clip paths through the life of the process; from 1 in each drawing
    # the same chart is the same text.
    numbers: dict[str, str] = {}
    return re.sub(
        r"\bclip\d+\b", lambda m: numbers.setdefault(m[0], f"clip{len(numbers) + 1}"), svg
    )
