"""Where the noise comes from, as bars."""

from __future__ import annotations

from functools import cache
from typing import Final

import altair as alt
import pandas as pd

from objectives.assessment import Assessment
from objectives.elements import ELEMENTS
from objectives.format import first, fixed, percent
from reports.charts.forms import Filled, Form
from reports.charts.layers import drawn, rows


def _label(origin: str, pick: Assessment) -> str:
    t = pick.device.terms
    if origin in ("device", "grid_current"):
        return f"{pick.device.name}, {'its own' if origin == 'device' else f'{t.grid} current'}"
    return ELEMENTS[f"{origin}_ohm"].label_for(t)


def noise_shares(pick: Assessment) -> pd.DataFrame:
    """Return the noise of the first stage by origin, largest first.

    Columns: origin, label, share (of the A-weighted power, dimensionless; they sum to 1) and
    level_dBu (referred to the source).
    """
    levels = [(n, _label(n, pick), first(x)) for n, x in pick.noise.by_origin_dBu.items()]
    levels += [
        (n, f"{_label(n, pick)}, excess noise", first(x)) for n, x in pick.noise.excess_dBu.items()
    ]
    total = sum(10 ** (level / 10) for _, _, level in levels)
    rows = [
        {"origin": origin, "label": label, "share": power / total, "level_dBu": level}
        for origin, label, level in sorted(levels, key=lambda row: -row[2])
        if (power := 10 ** (level / 10)) > 0
    ]
    return pd.DataFrame(rows, columns=["origin", "label", "share", "level_dBu"])


_WORTH_A_BAR: Final = 0.0005
"""Smaller shares are told in words and not drawn."""


def noise_title(shares: pd.DataFrame) -> str:
    """Return which origin makes the most of the noise that :func:`noise_shares` tells of."""
    label, share = shares["label"].iloc[0], shares["share"].iloc[0]
    return f"{share_text(share)} of the noise power comes from the {label}"


def noise_drawing(shares: pd.DataFrame) -> Filled:
    """Return the share of each origin in the A-weighted noise power as bars."""
    columns = [shares[name].tolist() for name in ("label", "share", "level_dBu")]
    told = [
        f"{label}: {share_text(share)}, {fixed(level, 1)} dBu"
        for label, share, level in zip(*columns, strict=True)
    ]
    shown = sum(share >= _WORTH_A_BAR for share in columns[1])
    bars = rows(label=columns[0][:shown], share=columns[1][:shown], text=told[:shown])
    return Filled(_form(len(bars)), f"Noise by origin: {'; '.join(told)}.", {"bars": bars})


@cache
def _form(bars: int) -> Form:
    # Each name stands above its bar, so that a narrow page has room for both.
    base = drawn("bars").encode(y=alt.Y("label:N", sort=None, title=None, axis=None))
    x = alt.X(
        "share:Q",
        title="share of the A-weighted noise power",
        axis=alt.Axis(format=".0%", tickCount=5),
        scale=alt.Scale(domainMin=0, nice=False),
    )
    return Form(
        alt.LayerChart(
            layer=[
                base.mark_bar(height=11, yOffset=8).encode(x=x),
                base.mark_text(align="left", baseline="bottom", dy=1, fontSize=12).encode(
                    x=alt.value(0), text="text:N"
                ),
            ],
            width="container",
            height=38 * bars,
        )
    )


def share_text(share: float) -> str:
    """Return a share as per cent to one decimal: ``74.8 %``, ``< 0.1 %``."""
    return f"< {percent(0.001, 1)}" if share < 0.0005 else percent(share, 1)
