"""TODO reports.charts.layers."""

from __future__ import annotations

from typing import cast

import altair as alt

from objectives.devices.fit_record import FitRecord
from objectives.devices.valve import Valve
from objectives.fitting.measured import Fit


def _layered(*layers: alt.Chart, width: int, height: int | alt.Step, title: str) -> alt.LayerChart:
    # Altair's stubs allow for a facet, which layers of plain charts never give.
    stacked = cast(alt.LayerChart, alt.layer(*layers))
    return stacked.properties(width=width, height=height, title=title)


def _record(subject: Valve | Fit) -> FitRecord:
    if isinstance(subject, Fit):
        return subject.record
    return subject.fit or FitRecord("")


def _title(subject: Valve | Fit, what: str) -> str:
    name = subject.name if isinstance(subject, Valve) else subject.fitted.source
    return f"{name}: {what}"


def _signed_volts(value: float) -> str:
    return f"{value:g} V".replace("-", "−")
