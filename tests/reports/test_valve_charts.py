"""Charts of a valve: what they draw is what the law and its data are."""

from __future__ import annotations

import itertools
from typing import Any

import numpy as np
import pandas as pd
import pytest

from objectives.devices.fit_record import FitRecord
from objectives.devices.triodes import Koren
from objectives.devices.valve import Valve
from objectives.devices.valve_table import valve, valves
from objectives.fitting.measured import Fit, fit_law
from objectives.fitting.measurements import Measurements
from reports.charts.plate_curves import plate_curves_chart
from reports.charts.residuals import residual_chart
from reports.theme import svg_of
from stand_in import fit_of
from valid_charts import valid_spec

# An invented valve, measured without noise.
TRUE = Koren(mu=96.0, ex=1.36, kg1=1400.0, kp=520.0, kvb=340.0, grid_offset_V=0.35)


@pytest.fixture(scope="module")
def fit() -> Fit:
    grid, plate = (-2.0, -1.5, -1.0, -0.5, 0.0), (10.0, 30.0, 60.0, *range(100, 301, 25))
    vg, vp = np.array(list(itertools.product(grid, plate))).T
    current = TRUE.plate_current(vg, vp)
    on = current > 2e-6
    data = Measurements(vg[on], vp[on], current[on], source="invented")
    return fit_law(data, hold_out_every=5)


def count_of(fit: Fit) -> int:
    """Return how many readings there are, of which some are held out."""
    assert fit.tested is not None
    return len(fit.fitted) + len(fit.tested)


def residuals_of(entry: Valve) -> Any:
    return residual_chart(entry.name, fit_of(entry))


def curves_of(entry: Valve, **options: Any) -> Any:
    return plate_curves_chart(
        entry.name, entry.law, fit_of(entry), rated_V=entry.plate_voltage_max_V,
        rated_W=entry.plate_dissipation_max_W, **options,
    )  # fmt: skip


def rows(layer: Any) -> pd.DataFrame:
    assert isinstance(layer.data, pd.DataFrame)
    return layer.data


@pytest.mark.parametrize("entry", valves(), ids=lambda v: v.name)
def test_residual_chart_has_a_row_for_every_published_number(entry: Valve) -> None:
    chart = residuals_of(entry)
    spec = valid_spec(chart)
    drawn = rows(chart.layer[-1])
    assert drawn["residual_percent"].tolist() == [p.residual_percent for p in fit_of(entry).points]
    assert drawn["point"].is_unique
    assert drawn["used"].tolist() == [p.used for p in fit_of(entry).points]
    low, high = spec["layer"][-1]["encoding"]["x"]["scale"]["domain"]
    assert low == -high
    assert drawn["residual_percent"].between(low, high).all()
    worst = max(abs(p.residual_percent) for p in fit_of(entry).points)
    assert f"{worst:.0f}\u00a0%" in spec["description"]


def test_residual_rows_name_quantity_conditions_and_maker() -> None:
    points = rows(residuals_of(valve("12AX7")).layer[-1])["point"].tolist()
    assert "plate current at 250 V, −2 V (Sylvania)" in points
    assert "stage gain at 180 V, 470 kΩ / 2.2 MΩ / 7.4 kΩ (RCA)" in points


def test_fitted_and_tested_differ_in_shape_as_well_as_hue() -> None:
    encoding = valid_spec(residuals_of(valve("12AX7")))["layer"][-1]["encoding"]
    for channel in ("color", "shape"):
        scale = encoding[channel]["scale"]
        assert scale["domain"] == ["fitted", "tested"]
        assert len(set(scale["range"])) == 2


def test_residuals_of_many_readings_are_drawn_over_the_current(fit: Fit) -> None:
    chart = residual_chart("bench", fit.record)
    encoding = valid_spec(chart)["layer"][-1]["encoding"]
    assert encoding["x"]["scale"]["type"] == "log"
    assert len(rows(chart.layer[-1])) == count_of(fit) > 40
    assert set(rows(chart.layer[-1])["used"]) == {"fitted", "tested"}


def test_a_valve_without_a_fit_has_no_residual_chart() -> None:
    with pytest.raises(ValueError, match="12AX7: fit: no points"):
        residual_chart("12AX7", FitRecord("taken over"))


def test_plate_curves_are_those_of_the_law_within_the_axes() -> None:
    entry = valve("12AX7")
    chart = curves_of(entry, grid_V=[0.0, -1.0, -2.0], plate_max_V=250, current_max_A=2e-3)
    lines = rows(chart.layer[0])
    assert sorted(lines["grid_V"].unique()) == [-2.0, -1.0, 0.0]
    expected = 1e3 * entry.law.plate_current(lines["grid_V"], lines["plate_V"])
    assert lines["current_mA"].to_numpy() == pytest.approx(expected)
    assert lines["current_mA"].max() <= 2.0
    assert lines["plate_V"].max() == 250.0
    assert rows(chart.layer[1])["label"].tolist() == ["−2 V", "−1 V", "0 V"]


def test_rated_dissipation_and_data_are_on_the_chart() -> None:
    entry = valve("12AX7")
    chart = curves_of(entry, current_max_A=8e-3)
    rated, data = rows(chart.layer[2]), rows(chart.layer[3])
    watts = rated["plate_V"] * rated["current_mA"] / 1e3
    assert watts.to_numpy() == pytest.approx(1.0)
    # The two points of the sheet, and then every reading off its curves.
    assert data["current_mA"].tolist()[:2] == pytest.approx([1.2, 0.5])
    readings = [r for curve in fit_of(entry).curves for r in curve.readings]
    assert data["plate_V"].tolist()[2:] == [r.plate_V for r in readings]
    across = chart.to_dict()["layer"][0]["encoding"]["x"]["scale"]["domain"]
    assert across == [0, max(r.plate_V for r in readings)]


@pytest.mark.parametrize("entry", valves(), ids=lambda v: v.name)
def test_default_curves_reach_from_zero_bias_to_cut_off_in_round_steps(entry: Valve) -> None:
    lines = rows(curves_of(entry).layer[0])
    steps = np.sort(lines["grid_V"].unique())[::-1]
    assert steps[0] == 0.0
    assert 5 <= len(steps) <= 12
    assert np.allclose(np.diff(steps), steps[1])
    assert entry.plate_voltage_max_V is not None
    lowest = entry.law.plate_current(steps[-1] + steps[1], entry.plate_voltage_max_V)
    assert lowest < 0.02 * entry.law.plate_current(0.0, entry.plate_voltage_max_V)


def test_default_curves_of_measurements_are_the_measured_ones(fit: Fit) -> None:
    chart = plate_curves_chart("bench", fit.law, fit.record)
    assert sorted(rows(chart.layer[0])["grid_V"].unique()) == [-2.0, -1.5, -1.0, -0.5, 0.0]
    assert len(rows(chart.layer[2])) == count_of(fit)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"plate_max_V": 0.0}, "plate_max_V: 0.0: must be more than 0"),
        ({"current_max_A": -1.0}, "current_max_A: -1.0: must be more than 0"),
        ({"grid_V": []}, "grid_V: []: must hold at least one"),
    ],
)
def test_axes_that_make_no_sense_are_refused(options: dict[str, Any], words: str) -> None:
    with pytest.raises(ValueError, match="must") as caught:
        curves_of(valve("12AX7"), **options)
    assert words in str(caught.value)


def test_both_charts_render(fit: Fit) -> None:
    for chart in (residual_chart("bench", fit.record), curves_of(valve("6DJ8"))):
        assert "<svg" in svg_of(valid_spec(chart))
