"""What to order: standard ratings, what a part must bear, and capacitors that stand in for ideal.

Bounds and closed forms are the textbook's: a bypassed cathode gives the gain (1 + jx)/(k + jx) of
full bypass, with x = 2 pi f R_k C and k = 1 + R_k (1 + mu)/(r_p + R_L) (F. Langford-Smith (ed.),
Radiotron Designer's Handbook, 4th ed., 1953, from memory); a coupling capacitor is a high-pass of
one section.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from objectives.arrays import FloatArray
from objectives.assessment import Assessment
from objectives.elements import BIAS_LOWER, BIAS_UPPER
from objectives.ordering import (
    FILM_V,
    LARGE_V,
    RESISTOR_SIZES,
    SIGNALS_ONLY,
    Stress,
    capacitor_voltage,
    order,
    resistor_rating,
    signal_stresses,
    stresses,
    sufficient_capacitor_F,
)
from objectives.stage import Stage
from objectives.targets import PartRating, Targets
from objectives.tolerance.setup import ToleranceSetup
from objectives.tolerance.spreads import MAINS_SUPPLY
from stand_in import StandIn

R5 = {1.0, 1.6, 2.5, 4.0, 6.3}
"""Preferred numbers of ISO 3, series R5 (from memory)."""

QUIET = StandIn(farads=(1e-18, 1e-18, 1e-18))


def figures(volts: float) -> float:
    """Return a number without its power of ten."""
    return float(round(volts / 10.0 ** math.floor(math.log10(volts)), 6))


def test_rated_voltages_are_the_standard_ones() -> None:
    assert {figures(v) for v in FILM_V} == R5
    # R5 and what makers of electrolytic capacitors keep beside it: 35, 50, 200 and 450 V.
    assert {v for v in LARGE_V if figures(v) not in R5} == {35.0, 50.0, 200.0, 450.0}
    assert list(LARGE_V) == sorted(LARGE_V)
    assert [power for power, _ in RESISTOR_SIZES] == [0.125, 0.25, 0.5, 1.0, 2.0, 3.0, 5.0, 10.0]


@pytest.mark.parametrize(
    ("farads", "least", "rated"),
    [
        (22e-9, 330.0, 400.0), (22e-9, 400.0, 400.0), (22e-9, 401.0, 630.0), (22e-9, 0.0, 63.0),
        (22e-6, 1.6, 6.3), (4.7e-6, 12.0, 16.0), (47e-6, 420.0, 450.0), (1e-9, 1200.0, math.inf),
    ],
)  # fmt: skip
def test_a_capacitor_takes_the_next_voltage(farads: float, least: float, rated: float) -> None:
    assert capacitor_voltage(farads, least) == rated


def test_a_resistor_is_large_enough_for_its_power_and_its_voltage() -> None:
    # 100 kΩ at 1.2 mA: 144 mW and 120 V; at half its power a 0.5 W part.
    assert order(None, Stress(0.144, 120.0), (-0.05, 0.05)).power_W == 0.5
    # 1 MΩ with 300 V across it takes 90 mW, but the customary quarter watt bears 250 V.
    assert resistor_rating(0.18, 300.0) == (0.5, 350.0)
    assert resistor_rating(25.0, 10.0) == (math.inf, math.inf)
    assert order(None, SIGNALS_ONLY, (-0.05, 0.05)).power_W == 0.125


def test_a_stated_derating_and_a_stated_rating_count() -> None:
    stress = Stress(0.1, 100.0, "at rest")
    assert order(None, stress, (-0.05, 0.05), 0.9).power_W == 0.25  # half the power, not 0.9 of it
    assert order(None, stress, (-0.05, 0.05), 0.3).power_W == 0.5
    assert order(None, stress, (-0.05, 0.05), 0.9, PartRating(1.0)).power_W == 1.0
    # 330 V at 0.8 of the rating: 412.5 V, more than 400.
    assert order(22e-9, Stress(voltage_V=330.0), (-0.1, 0.1), 0.8).voltage_V == 630.0


def stage(**changes: Any) -> Stage:
    parts: dict[str, Any] = {
        "supply_V": 300.0, "plate_load_ohm": 100e3, "cathode_resistor_ohm": 1500.0, "load_ohm": 1e6
    }  # fmt: skip
    return Stage(**(parts | changes))


def test_stresses_are_those_at_the_highest_supply() -> None:
    plain = Assessment(stage(cathode_unbypassed_ohm=500.0), QUIET, Targets())
    raised = Assessment(plain.stage, QUIET, Targets(tolerance=ToleranceSetup((MAINS_SUPPLY,))))
    at_rest, at_most = stresses(plain), stresses(raised)
    assert at_rest["output_coupling_F"].voltage_V == 300.0
    assert at_most["output_coupling_F"].voltage_V == pytest.approx(330.0)
    amperes = float(plain.point.plate_current_A)
    load, bypass = at_rest["plate_load_ohm"], at_rest["bypass_F"]
    assert load.voltage_V == pytest.approx(amperes * 100e3)
    assert load.power_W == pytest.approx(amperes**2 * 100e3)
    # The bypass is across its own section; it cannot exceed the end of the load line.
    assert bypass.voltage_V == pytest.approx(amperes * 1500.0, rel=1e-3)
    assert bypass.at_most_V == pytest.approx(300.0 * 1.5 / 102.0)
    assert at_most["plate_load_ohm"].voltage_V > load.voltage_V


def test_an_input_coupling_capacitor_bears_the_supply_of_what_drives_it() -> None:
    one = Assessment(stage(), QUIET, Targets(supply_rise=0.1))
    assert stresses(one, 200.0)["input_coupling_F"].voltage_V == pytest.approx(220.0)
    # Nobody states what a plain source has: the stage's own supply stands for it.
    assert stresses(one)["input_coupling_F"].voltage_V == pytest.approx(330.0)


def test_the_resistors_of_a_bias_divider_are_worked_out_by_hand() -> None:
    divided = stage(supply_V=12.0, grid_bias_ratio=22 / 122, grid_leak_ohm=100e3 * 22 / 122,
                    plate_load_ohm=10e3)  # fmt: skip
    upper, lower = divided.bias_divider_ohm
    assert (float(upper), float(lower)) == pytest.approx((100e3, 22e3))
    borne = stresses(Assessment(divided, QUIET, Targets()))
    assert borne[BIAS_UPPER].voltage_V == pytest.approx(12 * 100 / 122)
    assert borne[BIAS_LOWER].power_W == pytest.approx((12 * 22 / 122) ** 2 / 22e3)
    assert np.isinf(stage().bias_divider_ohm).all()


def test_an_attenuator_bears_a_sine_from_rail_to_rail() -> None:
    series, shunt = signal_stresses((470e3, 10e3), 300.0)
    # 150 V peak is 106 V r.m.s., of which 47/48 lie across the series resistor.
    assert series.voltage_V == pytest.approx(106.07 * 47 / 48, rel=1e-4)
    assert shunt.power_W == pytest.approx((106.07 / 480e3) ** 2 * 10e3, rel=1e-4)


FINE_F: FloatArray = np.geomspace(1e-9, 1.0, 10_000)
HALF_DB = 10**0.05
"""Power ratio of 0.5 dB."""


@pytest.mark.parametrize("lowest_Hz", [10.0, 41.2, 82.4])
def test_a_bypass_is_as_large_as_the_closed_form_says(lowest_Hz: float) -> None:
    one = Assessment(stage(), QUIET, Targets())
    mu, rp = float(one.point.amplification_factor), float(one.point.plate_resistance_ohm)
    k = 1 + 1500.0 * (1 + mu) / (rp + 100e3 * 1e6 / 1.1e6)
    x = math.sqrt((k**2 / HALF_DB - 1) / (1 - 1 / HALF_DB))
    wanted = x / (2 * math.pi * lowest_Hz * 1500.0)
    sized = float(sufficient_capacitor_F(one, "bypass_F", FINE_F, lowest_Hz))
    assert wanted <= sized * 1.001
    assert sized == pytest.approx(wanted, rel=4e-3)
    # The rule of thumb, 1/(2 pi f R) with R what the capacitor sees, is less than is needed.
    assert sized > 1 / (2 * math.pi * lowest_Hz * 1500.0 / k)


def test_an_output_coupling_is_as_large_as_the_closed_form_says() -> None:
    one = Assessment(stage(load_ohm=[47e3, 1e6]), QUIET, Targets())
    rp = one.point.plate_resistance_ohm
    through = one.stage.load_ohm + rp * 100e3 / (rp + 100e3)
    wanted = 1 / (2 * np.pi * 20.0 * through * math.sqrt(HALF_DB - 1))
    sized = sufficient_capacitor_F(one, "output_coupling_F", FINE_F, 20.0)
    assert sized.shape == (2,)
    assert sized == pytest.approx(wanted, rel=4e-3)


def test_no_capacitor_is_named_where_none_is_large_enough() -> None:
    one = Assessment(stage(), QUIET, Targets())
    assert np.isnan(sufficient_capacitor_F(one, "bypass_F", np.array([1e-9, 1e-8]), 20.0))


def test_decoupling_bears_what_is_ahead_of_it() -> None:
    """By hand: the current of the stage, and of its bias divider, through the resistor."""
    stage = Stage(
        supply_V=280.0, plate_load_ohm=100e3, cathode_resistor_ohm=1500.0, grid_leak_ohm=90e3,
        grid_bias_ratio=0.1, decoupling_ohm=22e3, output_coupling_F=100e-9, load_ohm=1e6,
    )  # fmt: skip
    plain = Assessment(stage, QUIET, Targets())
    drawn = float(plain.point.plate_current_A) + 280.0 / 1e6  # 900 kohm and 100 kohm
    borne = stresses(plain)
    drop = drawn * 22e3
    resistor = borne["decoupling_ohm"]
    assert (resistor.power_W, resistor.voltage_V) == pytest.approx((drop * drawn, drop))
    assert resistor.when == "at rest"
    assert borne["output_coupling_F"].voltage_V == pytest.approx(280.0 + drop)
    held = stresses(Assessment(replace(stage, decoupling_F=47e-6), QUIET, Targets()))
    # Empty at first, the capacitor leaves all of it to the resistor.
    assert held["decoupling_ohm"].voltage_V == pytest.approx(280.0 + drop)
    assert held["decoupling_F"].voltage_V == pytest.approx(280.0 + drop)
