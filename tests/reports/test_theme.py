"""The palette as dichromats see it, contrast, and the theme."""

from __future__ import annotations

from itertools import combinations

import altair as alt
import numpy as np
import pandas as pd
import pytest

from reports.theme import ACCENTS, FONT, PALETTES, css_colours, in_light, spec_of, svg_of

# Viénot, Brettel, Mollon, Digital video colourmaps for checking the legibility of displays by
# dichromats, Color Research and Application 24(4), 1999 (from memory): linear RGB to the RGB that
# protanopes and deuteranopes see.
DICHROMATS = {
    "none": np.eye(3),
    "protanopia": np.array(
        [[0.11238, 0.88762, 0.0], [0.11238, 0.88762, 0.0], [0.00401, -0.00401, 1.0]]
    ),
    "deuteranopia": np.array(
        [[0.29275, 0.70725, 0.0], [0.29275, 0.70725, 0.0], [-0.02234, 0.02234, 1.0]]
    ),
}


def linear(colour: str) -> np.ndarray:
    colour = in_light(colour)
    rgb = np.array([int(colour[at : at + 2], 16) for at in (1, 3, 5)]) / 255
    return np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)


def lab(rgb: np.ndarray) -> np.ndarray:
    """CIE 1976 L*a*b* of linear sRGB, white D65."""
    to_xyz = np.array(
        [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
    )
    x = to_xyz @ rgb / (to_xyz @ np.ones(3))
    f = np.where(x > (6 / 29) ** 3, np.cbrt(x), x / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def contrast(first: str, second: str) -> float:
    """Contrast ratio of WCAG 2."""
    weights = np.array([0.2126, 0.7152, 0.0722])
    light, dark = sorted((float(weights @ linear(c)) for c in (first, second)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


@pytest.mark.parametrize("palette", PALETTES)
@pytest.mark.parametrize("sight", DICHROMATS)
def test_hues_stay_apart_for_dichromats(sight: str, palette: str) -> None:
    seen = {
        name: lab(np.clip(DICHROMATS[sight] @ linear(PALETTES[palette][name]), 0, 1))
        for name in ACCENTS
    }
    for first, second in combinations(seen, 2):
        apart = float(np.linalg.norm(seen[first] - seen[second]))
        assert apart > 20, f"{first} and {second} are {apart:.1f} apart under {sight}"


@pytest.mark.parametrize("palette", PALETTES.values(), ids=PALETTES)
def test_text_and_marks_are_readable(palette: dict[str, str]) -> None:
    for ground in ("paper", "soft"):
        assert contrast(palette["ink"], palette[ground]) > 12
        # Names stand beside their lines in the lines' own hue.
        for name in ("muted", "accent", "chosen", "ok", "bad", *ACCENTS):
            assert contrast(palette[name], palette[ground]) > 4.5, f"{name} on {ground}"


def test_every_palette_has_every_colour_and_reaches_the_style_sheet() -> None:
    light, *others = PALETTES.values()
    assert all(other.keys() == light.keys() for other in others)
    sheet = css_colours()
    for palette in PALETTES.values():
        assert all(f"--{name}: {colour};" in sheet for name, colour in palette.items())


def test_the_theme_dresses_a_chart_and_leaves_the_callers_theme_alone() -> None:
    before = alt.theme.active
    frame = pd.DataFrame({"a": [1, 2], "b": [3, 4]})
    spec = spec_of(alt.Chart(frame).mark_point().encode(x="a:Q", y="b:Q"))
    assert spec["config"]["font"] == FONT
    assert spec["config"]["range"]["category"] == list(ACCENTS.values())
    assert alt.theme.active == before


def test_named_data_sets_reach_the_specification() -> None:
    rows = [{"a": 1, "b": 2}]
    chart = alt.Chart(alt.NamedData("rows")).mark_point().encode(x="a:Q", y="b:Q")
    chart.datasets = {"rows": rows}
    spec = spec_of(chart)
    assert spec["datasets"] == {"rows": rows}
    assert chart.datasets == {"rows": rows}


@pytest.mark.slow
def test_svg_is_drawn_without_asking_the_network() -> None:
    spec = spec_of(
        alt.Chart("https://nowhere.invalid/rows.csv").mark_point().encode(x="a:Q", y="b:Q")
    )
    with pytest.raises(ValueError, match="nowhere"):
        svg_of(spec)
