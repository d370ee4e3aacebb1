"""The charts of one stage: their numbers first, then that they are valid Vega-Lite."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import altair as alt
import numpy as np
import pytest

from objectives.assessment import Assessment
from objectives.circuit.corners import HALF_POWER_DB
from objectives.devices.transistor_table import transistors
from objectives.textbook import textbook_estimate
from reports.charts.load_lines import LoadLines, load_line_chart, load_lines
from reports.charts.noise import noise_drawing, noise_shares, share_text
from reports.charts.rejection import gain_drawing, gain_sweep, rejection_drawing, rejection_sweep
from reports.charts.responses import response_chart, responses
from reports.charts.search_trace import trace_chart
from reports.model import ReportData
from reports.sections.assumptions import assumption_sentences
from reports.sections.radio import radio_budget
from valid_charts import valid_spec

Restage = Callable[..., Assessment]


def on_line(lines: LoadLines, name: str, plate_V: float) -> float:
    return float(np.interp(plate_V, *lines.lines[name]))


@pytest.mark.parametrize(
    "change",
    [
        {},
        {"bypass_F": 0.0},
        {"bypass_F": np.inf, "cathode_unbypassed_ohm": 220.0},
        {"load_ohm": np.inf, "output_coupling_F": np.inf},
        {"plate_load_ohm": 47e3, "cathode_resistor_ohm": 3300.0},
    ],
)
def test_every_line_passes_through_the_solved_operating_point(
    restage: Restage, change: dict[str, float]
) -> None:
    pick = restage(**change)
    lines = load_lines(pick)
    volts, amps = float(pick.point.plate_cathode_V[0]), float(pick.point.plate_current_A[0])
    assert lines.plate_cathode_V == volts
    assert lines.current_A == amps
    for name in ("DC", "AC"):
        assert on_line(lines, name, volts) == pytest.approx(amps, rel=1e-9)
    # The bias line is solved to a ten-thousandth of the chart's height, hence the looser bound.
    assert on_line(lines, "bias", volts) == pytest.approx(amps, rel=1e-3)
    law = pick.device.law
    assert float(law.plate_current(lines.grid_cathode_V, volts)) == pytest.approx(amps, rel=1e-6)


def test_the_dc_line_ends_at_the_supply_and_has_the_slope_of_load_and_cathode_resistor(
    restage: Restage,
) -> None:
    pick = restage(cathode_unbypassed_ohm=470.0)
    volts, amps = load_lines(pick).lines["DC"]
    assert volts[-1] == 300.0
    assert amps[-1] == 0.0
    slope = np.diff(volts)[0] / -np.diff(amps)[0]
    assert slope == pytest.approx(180e3 + 1000.0 + 470.0)


def test_the_ac_line_is_load_and_next_stage_in_parallel_when_nothing_else_counts(
    restage: Restage,
) -> None:
    pick = restage(bypass_F=np.inf, output_coupling_F=np.inf, load_F=0.0)
    assert load_lines(pick).alternating_ohm == pytest.approx(1 / (1 / 180e3 + 1 / 470e3), rel=1e-6)
    unbypassed = restage(bypass_F=0.0, output_coupling_F=np.inf, load_F=0.0)
    assert load_lines(unbypassed).alternating_ohm == pytest.approx(
        1 / (1 / 180e3 + 1 / 470e3) + 1000.0, rel=1e-6
    )


def test_the_dissipation_hyperbola_is_drawn_when_it_is_near(restage: Restage) -> None:
    near = load_lines(restage(plate_load_ohm=47e3))
    volts, amps = near.lines["dissipation"]
    assert len(volts) > 20
    assert volts * amps == pytest.approx(1.2)
    assert near.top_A * near.reach_V > 1.2
    far = load_lines(restage(plate_load_ohm=330e3))
    assert "dissipation" not in far.lines
    assert far.dissipation_W == 1.2


def test_plate_curves_are_for_round_grid_voltages_and_follow_the_law(
    contents: ReportData,
) -> None:
    curves = load_lines(contents.pick).curves
    assert 4 <= len(curves) <= 11
    steps = np.diff(list(curves))
    assert steps == pytest.approx(steps[0])
    for grid_V, (volts, amps) in curves.items():
        law = np.ravel(contents.pick.device.law.plate_current(grid_V, volts))
        # Where a curve leaves the chart it is interpolated between two of its points.
        assert amps[:-1] == pytest.approx(law[:-1])
        assert amps[-1] == pytest.approx(law[-1], rel=5e-3)


@pytest.mark.parametrize("name", ["2N5457", "BC550B"])
def test_a_transistor_is_drawn_about_the_voltages_it_works_at(restage: Restage, name: str) -> None:
    device = next(t for t in transistors() if t.name == name)
    bias = 3.0 if name == "BC550B" else 0.0
    stage = restage(
        supply_V=24.0, plate_load_ohm=4700.0, cathode_resistor_ohm=1000.0, grid_leak_ohm=47e3,
        grid_bias_V=bias, stopper_ohm=1000.0,
    ).stage  # fmt: skip
    pick = Assessment(stage, device, restage().targets)
    lines = load_lines(pick)
    amps = float(pick.point.plate_current_A[0])
    assert 1e-4 < amps < 5e-3
    for line in ("DC", "AC", "bias"):
        assert on_line(lines, line, lines.plate_cathode_V) == pytest.approx(amps, rel=5e-3)
    assert min(lines.curves) <= lines.grid_cathode_V <= max(lines.curves)
    assert 4 <= len(lines.curves) <= 11
    assert valid_spec(load_line_chart(pick))["layer"]


def test_the_response_is_half_a_power_down_at_the_exact_corner(contents: ReportData) -> None:
    swept = responses(contents.pick)
    corners = swept.corners.set_index("name")["frequency_Hz"]
    levels = swept.levels.set_index("frequency_Hz")["grid_dB"]
    assert levels[corners["exact"]] == pytest.approx(-HALF_POWER_DB, abs=1e-5)
    assert levels[1000.0] == pytest.approx(0.0, abs=1e-9)
    assert corners["target"] == 8000.0
    estimate = textbook_estimate(contents.pick.stage, contents.pick.linear, 1000.0)
    assert corners["textbook"] == float(estimate.corner_Hz[0])


def test_the_output_is_half_a_power_down_at_its_own_corners(contents: ReportData) -> None:
    levels = responses(contents.pick).levels
    for corner in contents.pick.output_corners_Hz:
        at = np.interp(np.log(corner[0]), np.log(levels["frequency_Hz"]), levels["output_dB"])
        assert at == pytest.approx(-HALF_POWER_DB, abs=0.01)


def test_the_curve_of_attenuation_shows_the_margin_in_each_band(contents: ReportData) -> None:
    pick = contents.pick
    swept = rejection_sweep(pick).query("stopper == 'as it is'")
    assert len(pick.targets.scored_bands) >= 2
    for band in pick.targets.scored_bands:
        edges = np.log([band.low_Hz, band.high_Hz])
        ends = np.interp(edges, np.log(swept["frequency_Hz"]), swept["attenuation_dB"])
        # Past the corner it only rises here, so the edge of the band is its worst place.
        margin = ends.min() - band.attenuation_dB
        assert margin == pytest.approx(float(pick.radio_margins_dB[band.name][0]), abs=0.02)


def test_no_curve_goes_beyond_where_the_network_is_trusted(contents: ReportData) -> None:
    pick = contents.pick
    top = pick.targets.trusted_Hz
    for swept in (responses(pick).levels, rejection_sweep(pick), gain_sweep(pick)):
        assert swept["frequency_Hz"].max() == pytest.approx(top)


def test_a_stage_without_target_or_bands_has_a_response_all_the_same(
    contents: ReportData,
) -> None:
    targets = replace(contents.pick.targets, input_corner_Hz=None, radio_bands=())
    pick = replace(contents.pick, targets=targets)
    swept = responses(pick)
    assert set(swept.corners["name"]) == {"exact", "textbook"}
    assert valid_spec(response_chart(pick))["layer"]


def test_shares_of_the_noise_sum_to_one_and_to_the_total(contents: ReportData) -> None:
    shares = noise_shares(contents.pick)
    assert shares["share"].sum() == pytest.approx(1.0)
    assert (shares["share"].to_numpy()[:-1] >= shares["share"].to_numpy()[1:]).all()
    total = 10 * np.log10(np.sum(10 ** (shares["level_dBu"] / 10)))
    assert total == pytest.approx(float(contents.pick.noise.total_dBu[0]), abs=1e-9)
    stopper = shares.set_index("origin")["share"]["stopper"]
    source = shares.set_index("origin")["share"]["source"]
    assert stopper / source > 33e3 / 38e3  # the source is divided by the leak, the stopper not


def test_excess_noise_has_a_row_of_its_own(contents: ReportData) -> None:
    targets = replace(contents.pick.targets, excess_noise_per_V={"plate_load_ohm": 1e-6})
    pick = replace(contents.pick, targets=targets)
    rows = noise_shares(pick).set_index("label")["level_dBu"]
    assert rows["plate load, excess noise"] == pytest.approx(
        float(pick.noise.excess_dBu["plate_load"][0])
    )
    assert noise_shares(pick)["share"].sum() == pytest.approx(1.0)
    (said,) = [
        s for s in assumption_sentences(replace(contents, pick=pick)) if "for each volt" in s
    ]
    assert "plate load 1 µV" in said.replace("\u00a0", " ")


@pytest.mark.parametrize(
    ("share", "text"), [(0.748, "74.8 %"), (0.0005, "0.1 %"), (0.0004, "< 0.1 %"), (1.0, "100.0 %")]
)
def test_shares_are_written_to_one_decimal(share: float, text: str) -> None:
    assert share_text(share).replace("\u00a0", " ") == text


def test_the_radio_budget_agrees_with_the_scores(contents: ReportData) -> None:
    pick = contents.pick
    budget = radio_budget(pick).set_index("band")
    for name, margin in pick.radio_margins_dB.items():
        assert budget.loc[name, "margin_dB"] == pytest.approx(float(margin[0]))
    assert budget["margin_dB"].min() == pytest.approx(float(pick["rf_margin_dB"][0]))
    assert (budget["given_dB"] - budget["required_dB"]).to_numpy() == pytest.approx(
        budget["margin_dB"].to_numpy()
    )
    assert (budget["given_dB"] > budget["without_stopper_dB"]).all()
    assert (budget["ideal_stopper_dB"] >= budget["given_dB"] - 0.1).all()


def test_only_the_first_stage_of_a_batch_is_shown(contents: ReportData, batch: Assessment) -> None:
    assert load_lines(batch).current_A == pytest.approx(
        load_lines(contents.pick).current_A, rel=1e-6
    )
    assert noise_shares(batch)["share"].to_numpy() == pytest.approx(
        noise_shares(contents.pick)["share"].to_numpy(), rel=1e-6
    )


CHARTS: dict[str, Callable[[ReportData], alt.TopLevelMixin]] = {
    "load lines": lambda c: load_line_chart(c.pick),
    "responses": lambda c: response_chart(c.pick),
    "noise": lambda c: noise_drawing(noise_shares(c.pick)).chart,
    "rejection": lambda c: rejection_drawing(c.pick).chart,
    "gain": lambda c: gain_drawing(c.pick).chart,
    "trace": lambda c: trace_chart(c.search_trace),  # type: ignore[arg-type]
}


@pytest.mark.slow
@pytest.mark.parametrize("name", CHARTS)
def test_charts_are_valid_and_described(contents: ReportData, name: str) -> None:
    spec = valid_spec(CHARTS[name](contents))
    assert spec["$schema"].startswith("https://vega.github.io/schema/vega-lite/")
    assert len(spec["description"]) > 20
    assert spec["datasets"]
