"""TODO reports.sections.radio_budget."""

from __future__ import annotations

import numpy as np
import pandas as pd

from objectives.assessment import Assessment
from objectives.format import first, fixed, quantity
from reports.charts.radio import radio_budget, radio_chart
from reports.model import Figure, Prose, Section, Table


def _radio(pick: Assessment) -> Section:
    if not pick.targets.radio_bands:
        return Section("radio", "Radio-frequency budget", [])
    budget = radio_budget(pick)
    worst = budget.iloc[int(np.argmin(budget["margin_dB"]))]
    margin = float(worst["margin_dB"])
    gained = float(worst["given_dB"] - worst["without_stopper_dB"])
    lost = float(worst["ideal_stopper_dB"] - worst["given_dB"])
    state = "with" if margin >= 0 else "short by"
    spare = "to spare" if margin >= 0 else ""
    texts = [
        f"Tightest is {worst['band']}: {_dB(worst['given_dB'])} of attenuation at the grid where "
        f"{_dB(worst['required_dB'])} is required, {state} {_dB(abs(margin))} {spare}".rstrip()
        + ".",
    ]
    if first(pick.stage.stopper_ohm) > 0:
        cost = f"cost {_dB(lost)}" if abs(lost) >= 0.05 else "cost next to nothing"
        texts.append(
            f"The grid stopper gives {_dB(gained)} of it; its own capacitance and leads {cost} "
            "against an ideal one."
        )
    frame = pd.DataFrame(
        {
            "band": budget["band"],
            "range": [
                f"{quantity(a, 'Hz')} to {quantity(b, 'Hz')}"
                for a, b in zip(budget["low_Hz"], budget["high_Hz"], strict=True)
            ],
            **{
                heading: [fixed(float(v), 1) for v in budget[name]]
                for name, heading in (
                    ("required_dB", "required (dB)"),
                    ("given_dB", "given (dB)"),
                    ("margin_dB", "margin (dB)"),
                    ("without_stopper_dB", "given without stopper (dB)"),
                    ("ideal_stopper_dB", "given with an ideal stopper (dB)"),
                    ("without_shunts_dB", "given without shunt capacitors (dB)"),
                )
            },
        }
    )
    broken = {at: "broken" for at, m in enumerate(budget["margin_dB"]) if m < 0}
    return Section(
        "radio",
        "Radio-frequency budget",
        [
            Prose(texts),
            Figure(
                "radio",
                radio_chart(pick),
                "Least attenuation at the grid in each band, relative to the reference frequency.",
            ),
            Table(
                frame,
                "What the attenuation owes to the stopper, to the stopper not being ideal, and to "
                "cable, grid capacitor and strays to ground.",
                broken,
            ),
        ],
    )


def _dB(value: object) -> str:
    return quantity(round(float(value), 1), "dB", 5)  # type: ignore[arg-type]
