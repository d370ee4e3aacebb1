"""The scores: definitions, closed forms, and the laws of a batch."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from objectives.assessment import Assessment
from objectives.devices.valve_table import valve
from objectives.scores.parts import departure_percent
from objectives.scores.registry import REGISTRY, score
from objectives.stage import Stage
from objectives.targets import PartRating, RadioBand, Targets

DEVICE = valve("12AX7")
TARGETS = Targets(
    input_corner_Hz=6e3,
    radio_bands=(RadioBand("medium wave", 526.5e3, 1606.5e3, 20.0),),
    preferred={"stopper_ohm": np.array([10e3, 100e3, 220e3]), "bypass_F": np.array([1e-6, 2.2e-6])},
)
CORE = (
    "gain_dB", "plate_gain_dB", "input_corner_Hz", "input_corner_error_octaves", "lower_corner_Hz",
    "upper_corner_Hz", "rf_margin_dB", "noise_dBu", "series_departure_percent",
    "series_departure_rms_percent", "plate_current_A", "input_capacitance_F",
    "output_resistance_ohm",
)  # fmt: skip


def _stage(**changes: Any) -> Stage:
    stage = Stage(
        supply_V=300, plate_load_ohm=100e3, cathode_resistor_ohm=1500, bypass_F=2.2e-6,
        stopper_ohm=220e3, source_ohm=40e3, load_ohm=1e6, output_coupling_F=22e-9,
        input_coupling_F=22e-9,
    )  # fmt: skip
    return replace(stage, **changes).broadcast()


def test_every_score_is_described() -> None:
    for name, entry in REGISTRY.items():
        assert entry.name == name
        assert entry.meaning
        assert entry.source
        assert entry.direction in ("maximise", "minimise", "neither")


def test_a_name_is_registered_once() -> None:
    with pytest.raises(ValueError, match="'gain_dB' is registered already"):
        score("gain_dB", "dB", "maximise", "again")(lambda a: a.point.plate_V)


def test_output_resistance_is_the_closed_form() -> None:
    """Rp in parallel with rp + (mu + 1) Rk: Radiotron Designer's Handbook, 4th ed. (from memory).

    At a low frequency, with the bypass and every capacitance out of the way.
    """
    stage = _stage(bypass_F=0.0, load_ohm=np.inf, output_coupling_F=np.inf, stopper_ohm=0.0,
                   input_coupling_F=np.inf, source_ohm=0.0)  # fmt: skip
    a = Assessment(stage, DEVICE, replace(TARGETS, reference_Hz=20.0))
    rp, mu = a.point.plate_resistance_ohm, a.point.amplification_factor
    plate = rp + (mu + 1) * 1500
    expected = 100e3 * plate / (100e3 + plate)
    np.testing.assert_allclose(a["output_resistance_ohm"], expected, rtol=1e-5)


def test_gain_is_the_closed_form_with_an_unbypassed_cathode() -> None:
    """A = -mu RL/(rp + RL + (mu + 1) Rk): any handbook, e.g. Radiotron 4th ed. (from memory)."""
    stage = _stage(bypass_F=0.0, load_ohm=np.inf, stopper_ohm=0.0, source_ohm=0.0)
    a = Assessment(stage, DEVICE, replace(TARGETS, reference_Hz=50.0))
    rp, mu = a.point.plate_resistance_ohm, a.point.amplification_factor
    expected = mu * 100e3 / (rp + 100e3 + (mu + 1) * 1500)
    np.testing.assert_allclose(10 ** (a["plate_gain_dB"] / 20), expected, rtol=1e-5)


def test_departure_is_the_logarithm_to_the_nearest_preferred_value() -> None:
    stage = _stage(stopper_ohm=np.array([110e3, 220e3, 0.0]), bypass_F=np.array([1e-6, 2e-6, 0.0]))
    a = Assessment(stage, DEVICE, TARGETS)
    by_hand = 100 * np.array([[np.log(1.1), 0.0], [0.0, np.log(1.1)], [0.0, 0.0]])
    np.testing.assert_allclose(departure_percent(a), by_hand, atol=1e-9)
    np.testing.assert_allclose(a["series_departure_percent"], by_hand.max(axis=1), atol=1e-8)
    np.testing.assert_allclose(
        a["series_departure_rms_percent"], np.sqrt((by_hand**2).mean(axis=1)), atol=1e-8
    )


def test_rf_margin_is_the_worst_over_the_band() -> None:
    stage = _stage()
    a = Assessment(stage, DEVICE, TARGETS)
    from objectives.circuit.network import Network

    f = np.linspace(526.5e3, 1606.5e3, 4001)
    # From the jack the carrier drives the stage in place of source and cable.
    from_jack = replace(stage, source_ohm=50.0, cable_F=0.0)
    swept = np.abs(Network(from_jack.expand(), a.linear.expand(), f).grid)
    worst = -20 * np.log10(swept.max(axis=-1)) - 20.0
    np.testing.assert_allclose(a["rf_margin_dB"], worst, atol=1e-6)


def test_scores_without_a_target_say_which() -> None:
    bare = Assessment(_stage(), DEVICE, Targets())
    with pytest.raises(ValueError, match=r"targets\.input_corner: not given"):
        bare["input_corner_error_octaves"]
    with pytest.raises(ValueError, match=r"targets\.radio_bands: not given"):
        bare["rf_margin_dB"]


def test_ratings_of_valve_and_resistors() -> None:
    stage = _stage(supply_V=400.0, plate_load_ohm=47e3, cathode_resistor_ohm=330.0)
    targets = replace(TARGETS, part_ratings={"plate_load_ohm": PartRating(0.25, 200.0)})
    a = Assessment(stage, DEVICE, targets)
    found = {r.name: r for r in a.ratings}
    drop = float(a.point.supply_current_A[0]) * 47e3
    assert float(found["plate load voltage"].value[0]) == pytest.approx(drop)
    assert float(found["plate load power"].value[0]) == pytest.approx(drop**2 / 47e3)
    assert float(found["plate load power"].excess[0]) == pytest.approx(drop**2 / 47e3 / 0.25 - 1)
    # RCA 12AX7 data sheet (from memory): 300 V on the plate at most.
    assert float(found["plate voltage"].allowed) == 300
    derated = Assessment(stage, DEVICE, replace(targets, derating=0.5))
    assert float({r.name: r for r in derated.ratings}["plate voltage"].allowed) == 150
    raised = Assessment(stage, DEVICE, replace(targets, supply_rise=0.1))
    assert float({r.name: r for r in raised.ratings}["plate voltage"].value[0]) > float(
        found["plate voltage"].value[0]
    )


@pytest.mark.slow
@settings(deadline=None, max_examples=25)
@given(
    stopper=st.floats(0, 1e6), load=st.floats(2e4, 5e5), cathode=st.floats(300, 1e4),
    bypass=st.sampled_from([0.0, 1e-7, 4.7e-6, np.inf]), at_grid=st.sampled_from([0.0, 1.0]),
)  # fmt: skip
def test_a_batch_is_its_stages_one_by_one(
    stopper: float, load: float, cathode: float, bypass: float, at_grid: float
) -> None:
    one = {
        "stopper_ohm": stopper, "plate_load_ohm": load, "cathode_resistor_ohm": cathode,
        "bypass_F": bypass, "leak_at_grid": at_grid,
    }  # fmt: skip
    other = {"stopper_ohm": 1e4, "plate_load_ohm": 1e5, "cathode_resistor_ohm": 2e3,
             "bypass_F": 1e-6, "leak_at_grid": 0.0}  # fmt: skip
    both = Assessment(
        _stage(**{k: np.array([v, other[k]]) for k, v in one.items()}), DEVICE, TARGETS
    )
    alone = Assessment(_stage(**one), DEVICE, TARGETS)
    for name in CORE:
        assert alone[name][0] == pytest.approx(both[name][0], rel=1e-6, abs=1e-12), name
