"""TODO reports.charts.radio."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import altair as alt
import numpy as np
import pandas as pd

from objectives.assessment import Assessment
from objectives.format import first, fixed
from reports.charts.load_lines import _first
from reports.charts.noise import _names
from reports.theme import ACCENTS, INK, PAGE_WIDTH

__all__ = ["radio_budget", "radio_chart"]


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
