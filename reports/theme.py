"""How every chart looks: our palette, fonts, widths and tick labels, as one Altair theme.

Colours are custom properties of the page with the light value to fall back on, so that a chart
inside a page turns dark with it and one that stands alone is drawn all the same. The theme is
registered but never switched on for good: :func:`spec_of` applies it while a chart is turned into
its specification, so that importing this module changes nobody else's charts.
"""

from __future__ import annotations

import json
import re
import textwrap
from collections.abc import Mapping
from typing import Any, Final

import altair as alt
import numpy as np

from objectives.arrays import FloatArray
from objectives.format import SPACE, prefixed, score_unit, unit_symbol
from objectives.json_text import json_text
from reports.drawing import svg_text

PAGE_WIDTH: Final = 960
"""Width of a chart that stands alone, axes and legends included (px); a page sets its own."""

BESIDE: Final = 96
"""Of this, what the axis and its last label take beside each view of several (px)."""

PALETTES: Final[Mapping[str, Mapping[str, str]]] = {
    "light": {
        "ink": "#16202c", "muted": "#55616f", "line": "#d3dae1", "grid": "#e3e8ed",
        "paper": "#ffffff", "soft": "#f5f7f9", "accent": "#1b4f9c", "chosen": "#b3400a",
        "ok": "#17694e", "zone": "#9fc6b9", "bad": "#a3261a", "warn": "#fdf1e8", "note": "#eef4fb",
        "blue": "#3068b7", "orange": "#ad5900", "plum": "#563059", "teal": "#094734",
        "gold": "#573b00", "slate": "#6d6f7d",
    },
    "dark": {
        "ink": "#e7ecf1", "muted": "#a5b1bd", "line": "#35414d", "grid": "#28323c",
        "paper": "#11171d", "soft": "#18212a", "accent": "#8fb8f2", "chosen": "#ff9d62",
        "ok": "#6fcba9", "zone": "#2f6a58", "bad": "#ff8f7c", "warn": "#33231a", "note": "#1a2738",
        "blue": "#91b0f9", "orange": "#d18048", "plum": "#af82b0", "teal": "#7db8a0",
        "gold": "#f8ce8a", "slate": "#c7d9ea",
    },
    "print": {
        "ink": "#000000", "muted": "#444444", "line": "#bbbbbb", "grid": "#dddddd",
        "paper": "#ffffff", "soft": "#f5f5f5", "accent": "#1b4f9c", "chosen": "#a03808",
        "ok": "#17694e", "zone": "#9fc6b9", "bad": "#a3261a", "warn": "#fdf1e8", "note": "#f2f5f9",
        "blue": "#3068b7", "orange": "#ad5900", "plum": "#563059", "teal": "#094734",
        "gold": "#573b00", "slate": "#6d6f7d",
    },
}  # fmt: skip
"""Colour by the name of its custom property: on a light and a dark screen, and in print.

'ink' and 'muted' are text, 'grid' and 'line' are rules, 'soft' is the ground of panels; 'chosen' is
what is picked, 'ok', 'zone' and 'bad' are wanted and broken; series take the hues from 'blue' to
'slate' in this order. The tests hold text to 4.5 : 1 on paper and on panels, and every pair of
hues apart as dichromats see them (Viénot, Brettel, Mollon 1999).
"""


def _property(name: str) -> str:
    return f"var(--{name}, {PALETTES['light'][name]})"


INK: Final = _property("ink")
MUTED: Final = _property("muted")
GRID: Final = _property("grid")
PAPER: Final = _property("paper")
LINE: Final = _property("line")
CHOSEN: Final = _property("chosen")
OK: Final = _property("ok")
ACCENTS: Final[Mapping[str, str]] = {
    name: _property(name) for name in ("blue", "orange", "plum", "teal", "gold", "slate")
}
"""Hues by name, in the order series take them."""


FONT: Final = "Helvetica Neue, Helvetica, Arial, Liberation Sans, sans-serif"
SI_TICKS: Final = "~s"
"""Axis format of a united quantity: 10k, 1M, 4.7n, 1µ."""


THEME: Final = "stagefront"
"""Name that Altair knows the theme by."""


def css_colours() -> str:
    """Return the palettes as style sheet: as the system or the page's ``data-theme`` asks."""
    light, dark, paper = (
        " ".join(f"--{name}: {colour};" for name, colour in palette.items())
        for palette in PALETTES.values()
    )
    whenever = ':root, :root:not([data-theme="light"]), :root[data-theme="dark"]'
    return (
        f":root {{ color-scheme: light; {light} }}\n"
        "@media (prefers-color-scheme: dark) { "
        f':root:not([data-theme="light"]) {{ color-scheme: dark; {dark} }} }}\n'
        f':root[data-theme="dark"] {{ color-scheme: dark; {dark} }}\n'
        f"@media print {{ {whenever} {{ color-scheme: light; {paper} }} }}\n"
    )


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
        # A limit in pixels is kept by trying: half of the time that a chart of names takes.
        "labelLimit": 0,
    }
    config: dict[str, Any] = {
        "background": PAPER,
        "font": FONT,
        "padding": 4,
        "view": {"stroke": None, "continuousWidth": 800, "continuousHeight": 320},
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


def ticks(unit: str, count: int = 5, **options: Any) -> alt.Axis:
    """Return an axis that writes its values as engineers do: ``4.7 kHz``, ``−3 dB``, ``20 %``."""
    symbol = unit_symbol(unit)
    words = f"replace(format(datum.value, '{SI_TICKS}'), /([a-zA-Zµ]?)$/, '\u00a0$1') + '{symbol}'"
    if not prefixed(unit):
        words = f"format(datum.value, '~f') + '{SPACE + symbol if symbol else ''}'"
    return alt.Axis(labelExpr=words, tickCount=count, **options)


def score_axis(name: str) -> alt.Axis:
    """Return the axis of a score, which writes its values with their unit."""
    return ticks(score_unit(name))


def score_scale(values: FloatArray) -> alt.Scale:
    """Return the scale for values of a score: logarithmic where they span a factor of 30."""
    finite = values[np.isfinite(values)]
    log = finite.size > 0 and finite.min() > 0 and finite.max() > 30 * finite.min()
    return alt.Scale(type="log") if log else alt.Scale(zero=False, nice=True)


def in_light(markup: str) -> str:
    """Return a drawing with the colours of a light page, for files that stand alone."""
    return re.sub(r"var\(--[a-z]+, ([^)]*)\)", r"\1", markup)


def standing_alone(spec: Mapping[str, Any], title: str = "") -> dict[str, Any]:
    """Return a specification that needs no page about it: colours and width of its own, a title."""
    own: dict[str, Any] = json.loads(in_light(json_text(spec)))
    if own.get("width") == "container":
        own |= {"width": PAGE_WIDTH, "autosize": {"type": "fit-x", "contains": "padding"}}
    if title:
        own["title"] = {"text": textwrap.wrap(title, 110)}
    return own


def drawable(spec: Mapping[str, Any], title: str = "") -> str:
    """Return a specification that needs no page as JSON, for :func:`reports.drawing.svg_text`.

    The marks carry no accessible names of their own: thousands of them would drown a screen
    reader, and the picture as a whole has its description.
    """
    own = standing_alone(spec, title)
    own["config"] = own.get("config", {}) | {"aria": False}
    return json.dumps(own)


def svg_of(spec: Mapping[str, Any], title: str = "") -> str:
    """Return a specification drawn as SVG text, without any network."""
    return svg_text(drawable(spec, title))
