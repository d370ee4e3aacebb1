"""Counts and prices of parts, against counting by hand."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from objectives.assessment import Assessment
from objectives.elements import CAPACITORS, RESISTORS
from objectives.scores.parts import fitted_values
from objectives.scores.registry import REGISTRY
from objectives.stage import Stage
from objectives.targets import Targets
from stand_in import StandIn

# Four stages, told part by part: resistors, then capacitors.
STAGE = Stage(
    supply_V=300.0,
    plate_load_ohm=100e3,
    #                  usual, unbypassed, grounded cathode, split and partly bypassed
    cathode_resistor_ohm=np.array([1.5e3, 1.5e3, 0.0, 1e3]),
    cathode_unbypassed_ohm=np.array([0.0, 0.0, 0.0, 1e3]),
    bypass_F=np.array([22e-6, 0.0, 22e-6, np.inf]),
    bypass_series_ohm=np.array([0.0, 470.0, 0.0, 220.0]),
    stopper_ohm=np.array([68e3, 0.0, 100e3, 68e3]),
    grid_leak_ohm=np.array([1e6, np.inf, 1e6, 100e3]),
    input_coupling_F=np.array([22e-9, np.inf, 22e-9, 22e-9]),
    output_coupling_F=np.array([22e-9, np.inf, 22e-9, 100e-9]),
    grid_capacitor_F=np.array([0.0, 0.0, 47e-12, 0.0]),
)
FITTED = [4 + 3, 2 + 0, 3 + 3, 6 + 3]
# 100k/1.5k/68k/1M and 22u/22n; 100k/1.5k; 100k/1M and 22n/47p; 100k/1k/220/68k and inf/22n/100n.
DISTINCT = [4 + 2, 2 + 0, 2 + 2, 4 + 3]


def assess(stage: Stage = STAGE, **targets: Any) -> Assessment:
    return Assessment(stage, StandIn(), Targets(**targets))


def test_parts_are_counted_as_by_hand() -> None:
    assert assess()["fitted_parts_count"].tolist() == FITTED
    assert assess()["distinct_values_count"].tolist() == DISTINCT


def test_a_batch_counts_as_its_stages_alone() -> None:
    for at in range(4):
        one = assess(STAGE.at(slice(at, at + 1)))
        assert one["fitted_parts_count"].tolist() == FITTED[at : at + 1]
        assert one["distinct_values_count"].tolist() == DISTINCT[at : at + 1]


def test_prices_add_up_and_the_cheaper_of_two_alike_is_taken() -> None:
    prices = {
        "stopper_ohm": (np.array([68e3, 68e3, 100e3]), np.array([0.12, 0.05, np.nan])),
        "bypass_F": (np.array([22e-6]), np.array([0.4])),
        "grid_capacitor_F": (np.array([10e-12, 47e-12]), np.array([0.1, 0.2])),
    }
    # Usual: stopper and bypass; none of the three; a stopper that is there but has no price; a
    # full bypass is no part of a drawer.
    expected = [0.05 + 0.4, 0.0, np.nan, np.nan]
    np.testing.assert_allclose(assess(prices=prices)["parts_price_sum"], expected)


def test_a_price_without_a_drawer_is_refused() -> None:
    with pytest.raises(ValueError, match=r"targets\.prices: not given"):
        assess()["parts_price_sum"]


def test_no_draw_changes_them() -> None:
    names = {"fitted_parts_count", "distinct_values_count", "parts_price_sum"}
    of_bought_parts = {name for name, entry in REGISTRY.items() if entry.of_bought_parts}
    assert of_bought_parts == names | {"series_departure_percent", "series_departure_rms_percent"}


def test_every_part_of_a_stage_is_one_or_the_other() -> None:
    assert not set(RESISTORS) & set(CAPACITORS)
    fields = set(STAGE.numeric_fields())
    assert set(RESISTORS) | set(CAPACITORS) <= fields


def test_a_resistor_in_series_with_a_plate_capacitor_needs_the_capacitor() -> None:
    ohm = 22e3
    names = ("plate_capacitor_F", "plate_capacitor_series_ohm")
    fitted = Stage(300.0, 1e5, 1e3, plate_capacitor_F=[0.0, 1e-9], plate_capacitor_series_ohm=ohm)
    expected = [[np.nan, np.nan], [1e-9, ohm]]
    np.testing.assert_array_equal(fitted_values(fitted, names), expected)
