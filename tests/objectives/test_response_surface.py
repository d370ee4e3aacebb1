"""Response surfaces against a closed form, and against draws that are all solved."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from scipy.integrate import quad

from objectives.assessment import Assessment
from objectives.devices.valve_table import usual_spreads
from objectives.scores.registry import REGISTRY, greatest, least, magnitude
from objectives.stage import Stage
from objectives.targets import RadioBand, Targets
from objectives.tolerance.bought import default_spreads
from objectives.tolerance.builds import built_scores
from objectives.tolerance.response_surface import CHECKS, ResponseSurface, builds_to_fit
from objectives.tolerance.spreads import Spread, draw_units
from stand_in import StandIn


def test_yield_of_an_rc_corner_has_the_closed_form() -> None:
    # The corner is 1/(2 pi R C); R and C uniform, so the share of corners above a limit is an
    # integral over R of what C leaves.
    stage = Stage(
        supply_V=300.0, plate_load_ohm=100e3, cathode_resistor_ohm=1.5e3, bypass_F=0.0,
        stopper_ohm=np.array([56e3, 68e3, 72e3]), grid_capacitor_F=100e-12,
    )  # fmt: skip
    a = Assessment(stage, StandIn(farads=(1e-18,) * 3), Targets(reference_Hz=1.0))
    r, c = 0.10, 0.20
    spreads = (Spread.plus_minus("stopper_ohm", r), Spread.plus_minus("grid_capacitor_F", c))
    limit = 1 / (2 * np.pi * 68e3 * 100e-12)
    found = ResponseSurface(spreads, draw_units(spreads, 8192, 1)).scores(a, ["input_corner_Hz"])
    good = found.built.good({"input_corner_Hz": (limit, np.inf)}).mean(axis=-1)
    for stopper, share in zip(stage.stopper_ohm, good, strict=True):
        most = 68e3 / stopper

        def below(x: float, most: float = float(most)) -> float:
            return float(np.clip((most / x - (1 - c)) / (2 * c), 0, 1) / (2 * r))

        kink = [p for p in (most / (1 + c), most / (1 - c)) if 1 - r < p < 1 + r]
        exact = quad(below, 1 - r, 1 + r, points=kink or None)[0]
        assert share == pytest.approx(exact, abs=2e-3)
    assert np.all(found.misfit()["input_corner_Hz"] < 0.06)


def test_a_single_spread_gives_the_share_of_its_range_inside_the_window() -> None:
    # The plate voltage rises with the supply, so the yield is where it crosses the limit: found
    # on nominal stages by bisection, which knows nothing of draws.
    stage = Stage(supply_V=300.0, plate_load_ohm=100e3, cathode_resistor_ohm=1.5e3)
    spreads = (Spread.plus_minus("supply_V", 0.1),)

    def plate_V(supply_V: float) -> float:
        one = Stage(supply_V=supply_V, plate_load_ohm=100e3, cathode_resistor_ohm=1.5e3)
        return float(
            np.ravel(Assessment(one.broadcast(), StandIn(), Targets())["plate_voltage_V"])[0]
        )

    low, high = 270.0, 330.0
    limit = plate_V(310.0)
    for _ in range(40):
        middle = (low + high) / 2
        low, high = (middle, high) if plate_V(middle) < limit else (low, middle)
    surface = ResponseSurface(spreads, draw_units(spreads, 4096, 5))
    found = surface.scores(Assessment(stage.broadcast(), StandIn(), Targets()), ["plate_voltage_V"])
    good = found.built.good({"plate_voltage_V": (limit, np.inf)}).mean(axis=-1)
    assert good[0] == pytest.approx((330.0 - low) / 60.0, abs=1e-3)


BANDS = (
    RadioBand("AM", 526.5e3, 1606.5e3, 10.0),
    RadioBand("FM", 87.5e6, 108e6, 40.0),
)


def kinked() -> Any:
    stage = Stage(
        supply_V=280.0, plate_load_ohm=np.array([100e3, 150e3, 220e3, 100e3]),
        cathode_resistor_ohm=np.array([1.5e3, 1.8e3, 2.7e3, 820.0]), bypass_F=22e-6,
        stopper_ohm=np.array([68e3, 100e3, 33e3, 47e3]), stopper_shunt_F=0.3e-12, source_ohm=10e3,
        grid_leak_ohm=1e6, output_coupling_F=22e-9, load_ohm=1e6, load_F=50e-12,
    )  # fmt: skip
    corner = Assessment(stage, StandIn(), Targets())["input_corner_Hz"]
    return Assessment(
        stage, StandIn(), Targets(radio_bands=BANDS, input_corner_Hz=float(corner[0]))
    )


def test_scores_with_a_kink_are_read_from_what_is_smooth() -> None:
    a = kinked()
    spreads = default_spreads(a.stage, usual_spreads())
    units = draw_units(spreads, 2048, 2)
    names = (
        "input_corner_error_octaves", "rf_margin_dB", "headroom_V", "undistorted_output_V",
        "detected_radio_dBu", "gain_dB", "noise_dBu", "lower_corner_Hz",
    )  # fmt: skip
    found = ResponseSurface(spreads, units).scores(a, names)
    solved = built_scores(a, spreads, units, names)
    # The first design's nominal corner is the target itself: the distance has its kink there.
    assert np.min(solved.values["input_corner_error_octaves"][0]) < 1e-3
    for name in names:
        spread = solved.values[name].std(axis=-1)
        error = np.abs(found.built.values[name] - solved.values[name])
        assert np.all(np.sqrt((error**2).mean(axis=-1)) < 0.06 * spread), name
        np.testing.assert_array_equal(
            found.built.values[name][:, : found.solved.values[name].shape[1]],
            found.solved.values[name],
        )
        assert np.all(error[:, : found.fitted + CHECKS] <= 1e-9 * np.abs(spread[:, None]))


def test_misfit_and_wrong_sides_are_counted_on_unseen_draws() -> None:
    a = kinked()
    spreads = default_spreads(a.stage, usual_spreads())
    units = draw_units(spreads, 1024, 2)
    surface = ResponseSurface(spreads, units)
    found = surface.scores(a, ["gain_dB"])
    at = slice(found.fitted, found.fitted + CHECKS)
    solved = built_scores(a, spreads, units, ["gain_dB"]).values["gain_dB"]
    predicted = found.predicted_checks.values["gain_dB"]
    error = np.sqrt(((predicted - solved[:, at]) ** 2).mean(axis=-1))
    scale = solved[:, : surface.solved].std(axis=-1)
    np.testing.assert_allclose(found.misfit()["gain_dB"], error / scale, rtol=1e-6)
    limit = float(np.median(solved[0, at]))
    good, bad = found.wrong_side({"gain_dB": (limit, np.inf)})
    solved = solved[:, at]
    np.testing.assert_array_equal(good, ((predicted >= limit) & (solved < limit)).sum(axis=-1))
    np.testing.assert_array_equal(bad, ((predicted < limit) & (solved >= limit)).sum(axis=-1))


def test_nothing_that_spreads_gives_the_nominal_stage() -> None:
    a = kinked()
    found = ResponseSurface((), draw_units((), 128, 1)).scores(a, ["gain_dB"])
    np.testing.assert_allclose(
        found.built.values["gain_dB"], np.tile(a["gain_dB"][:, np.newaxis], 128), rtol=1e-12
    )
    assert np.all(found.misfit()["gain_dB"] < 1e-3)


def test_too_few_draws_are_refused() -> None:
    spreads = default_spreads(kinked().stage, usual_spreads())
    needed = builds_to_fit(len(spreads)) + CHECKS
    with pytest.raises(ValueError, match=f"units: {needed}: must be more draws than the {needed}"):
        ResponseSurface(spreads, draw_units(spreads, needed, 1))


def test_every_score_is_made_of_its_facets() -> None:
    parts = (np.array([1.0, -4.0]), np.array([0.5, -5.0]))
    assert least(parts).tolist() == [0.5, -5.0]
    assert greatest(parts).tolist() == [1.0, -4.0]
    assert magnitude(parts[:1]).tolist() == [1.0, 4.0]
    a = kinked()
    margin = np.array(list(a.radio_margins_dB.values()))
    np.testing.assert_array_equal(a["rf_margin_dB"], margin.min(axis=0))
    assert len(REGISTRY["rf_margin_dB"].facets(a)) == len(BANDS)
    assert len(REGISTRY["gain_dB"].facets(a)) == 1
