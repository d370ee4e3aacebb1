"""A stage as signals see it: with its follower in every score, and one shape for all of them."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy import constants

from objectives.assessment import Assessment
from objectives.circuit.follower import CathodeFollower, coupled_operating_point, with_follower
from objectives.circuit.network import Network
from objectives.circuit.noise import noise_budget
from objectives.circuit.operating_point import operating_point
from objectives.circuit.poles import least_damping
from objectives.circuit.small_signal import small_signal
from objectives.circuit.stability import transconductance_margin_dB
from objectives.devices.protocol import Device, DeviceNoise
from objectives.devices.terms import BIPOLAR
from objectives.devices.transistor_table import transistors
from objectives.devices.valve_table import valve
from objectives.radio.detection import detection
from objectives.radio.stopper import alternatives
from objectives.scores.radio import assessed_detection
from objectives.scores.registry import REGISTRY
from objectives.stage import Stage, parallel
from objectives.targets import BAND_POINTS, RadioBand, Ripple, Targets

VALVE = valve("12AX7")
# Invented parts; the leads make resonances that a load on the plate moves.
STAGE = Stage(
    supply_V=280.0, plate_load_ohm=100e3, cathode_resistor_ohm=1.2e3, stopper_ohm=1.0,
    source_ohm=10e3, cable_F=50e-12, stray_grid_plate_F=0.5e-12, stray_plate_ground_F=1e-12,
    grid_lead_H=400e-9, plate_lead_H=600e-9, cathode_lead_H=20e-9,
)  # fmt: skip
FOLLOWER = CathodeFollower(
    supply_V=280.0, cathode_resistor_ohm=56e3, load_ohm=100e3, stray_grid_plate_F=2e-12
)
TARGETS = Targets(
    input_corner_Hz=8e3,
    radio_bands=(RadioBand("medium wave", 530e3, 1.7e6, 20.0), RadioBand("FM", 88e6, 108e6, 30.0)),
)
LOADED = Assessment(STAGE, VALVE, TARGETS, (FOLLOWER, VALVE))


def by_hand() -> Stage:
    """Return the stage with the follower's input as its load, from the coupled solution."""
    _, after = coupled_operating_point(STAGE, VALVE.law, FOLLOWER, VALVE.law)
    return with_follower(STAGE, FOLLOWER, VALVE, after)


def test_damping_margin_and_detection_count_the_follower() -> None:
    stage, linear = by_hand(), LOADED.linear
    assert float(np.asarray(stage.load_F)) > 2e-12
    assert LOADED["least_damping_ratio"] == pytest.approx(float(least_damping(stage, linear)))
    assert LOADED["stability_margin_dB"] == pytest.approx(
        float(transconductance_margin_dB(stage, linear))
    )
    f = np.concatenate([np.geomspace(530e3, 1.7e6, BAND_POINTS), [88e6]])
    found = assessed_detection(LOADED, f)
    expected = detection(stage, linear, LOADED.point, VALVE.law, f)
    np.testing.assert_allclose(found.input_V, expected.input_V, rtol=1e-12)
    # And the follower does matter to each of them.
    bare = Assessment(STAGE, VALVE, TARGETS)
    for name in ("least_damping_ratio", "stability_margin_dB", "detected_radio_dBu"):
        assert abs(float(LOADED[name]) - float(bare[name])) > 1e-3, name


@pytest.mark.slow
def test_alternatives_to_the_stopper_keep_the_follower() -> None:
    rows = alternatives(LOADED, grid_capacitors_F=(47e-12,))
    assert rows[0].style == ""
    assert rows[0].upper_corner_Hz == pytest.approx(float(LOADED["upper_corner_Hz"]), rel=1e-6)
    assert rows[0].detected_dBu == pytest.approx(float(LOADED["detected_radio_dBu"]), rel=1e-9)
    changed = replace(LOADED, stage=replace(STAGE, grid_capacitor_F=47e-12))
    more = next(row for row in rows if row.added_F > 0 and not row.capacitor_style)
    assert more.upper_corner_Hz == pytest.approx(float(changed["upper_corner_Hz"]), rel=1e-6)
    bare = Assessment(STAGE, VALVE, TARGETS)
    assert abs(rows[0].upper_corner_Hz / float(bare["upper_corner_Hz"]) - 1) > 0.1
    two = replace(LOADED, follower=(replace(FOLLOWER, cathode_resistor_ohm=np.ones(2)), VALVE))
    with pytest.raises(ValueError, match="assessment: a batch of 2: must be one stage"):
        alternatives(two)


def test_the_followers_grid_makes_no_thermal_noise() -> None:
    """Nyquist: a current of 4 k T/R at the plate, for the resistor alone, by hand at one place."""
    conducts = replace(FOLLOWER, cathode_resistor_ohm=300.0)
    a = Assessment(replace(STAGE, load_ohm=470e3), VALVE, TARGETS, (conducts, VALVE))
    loaded = float(np.asarray(a.loaded.load_ohm))
    assert loaded < 460e3  # the grid of the follower does conduct
    silent = DeviceNoise(*(np.asarray(0.0) for _ in range(3)))
    narrow: dict[str, Any] = {
        "reference_Hz": 1000.0,
        "temperature_K": 300.0,
        "band_Hz": (999.0, 1001.0),
    }
    found = noise_budget(a.loaded, a.linear, silent, thermal_load_ohm=470e3, **narrow)
    network = Network(a.loaded, a.linear, 1000.0)
    # At 1 kHz the output impedance is what one volt in the load divides over.
    volts = np.abs(network.output_of("load")) * loaded * np.sqrt(
        4 * constants.k * 300.0 / 470e3 * 2.0
    )  # fmt: skip
    expected = 20 * np.log10(float(volts / np.abs(network.output)) / np.sqrt(0.6))
    assert float(found.by_origin_dBu["load"]) == pytest.approx(expected, abs=0.01)
    # The assessment uses it so; and without any resistor there is no noise of a load at all.
    own = a.noise.by_origin_dBu["load"]
    all_of_it = noise_budget(
        a.loaded, a.linear, VALVE.noise(a.point, 300.0), reference_Hz=1000.0
    ).by_origin_dBu["load"]
    assert float(all_of_it - own) == pytest.approx(10 * np.log10(470e3 / loaded), abs=1e-6)
    none = Assessment(STAGE, VALVE, TARGETS, (conducts, VALVE))
    assert np.isfinite(np.asarray(none.loaded.load_ohm))
    assert "load" not in none.noise.by_origin_dBu


def test_thermal_load_left_out_is_the_whole_load() -> None:
    stage = replace(STAGE, load_ohm=np.array([47e3, 470e3]))
    point = operating_point(stage, VALVE.law)
    args = (stage, small_signal(stage, VALVE, point), VALVE.noise(point, 300.0))
    plain = noise_budget(*args, reference_Hz=1000.0)
    said = noise_budget(*args, reference_Hz=1000.0, thermal_load_ohm=stage.load_ohm)
    np.testing.assert_allclose(said.total_dBu, plain.total_dBu, rtol=1e-12)
    assert np.asarray(parallel(47e3, np.inf)) == 47e3


@pytest.mark.parametrize("device", [VALVE, *transistors()], ids=lambda d: d.name)
def test_every_score_of_a_scalar_stage_has_no_axis(device: Device) -> None:
    """And is what the same stage is as a batch of one."""
    low = device is not VALVE
    stage = Stage(
        supply_V=12.0 if low else 280.0, plate_load_ohm=4.7e3 if low else 100e3,
        cathode_resistor_ohm=1e3, cathode_unbypassed_ohm=100.0, stopper_ohm=1e3, source_ohm=10e3,
        grid_bias_V=1.6 if device.terms == BIPOLAR else 0.0, input_coupling_F=1e-6,
        grid_leak_ohm=100e3, output_coupling_F=1e-6, load_ohm=100e3, bypass_F=10e-6,
        grid_lead_H=1e-8,
    )  # fmt: skip
    targets = replace(
        TARGETS,
        ripple=Ripple(0.1),
        preferred={"stopper_ohm": np.array([1e3, 2.2e3])},
        prices={"stopper_ohm": (np.array([1e3, 2.2e3]), np.array([0.05, 0.06]))},
    )
    scalar = Assessment(stage, device, targets)
    batch = Assessment(stage.broadcast(), device, targets)
    names = [n for n, s in REGISTRY.items() if not s.requires & {"drive", "tolerance"}]
    assert len(names) > 25
    for name in names:
        value = scalar[name]
        assert value.shape == (), name
        np.testing.assert_allclose(value, batch[name][0], rtol=1e-9, atol=1e-12, err_msg=name)


def test_scalars_with_a_follower_have_no_axis_either() -> None:
    assert LOADED["input_corner_Hz"].shape == ()
    rows = replace(LOADED, stage=STAGE.broadcast(), follower=(FOLLOWER.broadcast(), VALVE))
    for name in ("input_corner_Hz", "upper_corner_Hz", "rf_margin_dB", "noise_dBu"):
        assert rows[name][0] == pytest.approx(float(LOADED[name]), rel=1e-9)


@pytest.mark.parametrize("at_grid", [0.0, 1.0])
def test_a_floating_grid_is_one_named_error(at_grid: float) -> None:
    floating = replace(
        STAGE, grid_leak_ohm=np.array([1e6, np.inf]), input_coupling_F=22e-9, leak_at_grid=at_grid
    )
    with pytest.raises(ValueError, match="grid_leak_ohm: inf: must be finite where input_coupl"):
        operating_point(floating, VALVE.law)
    # Coupled directly the source is the path.
    direct = replace(floating, input_coupling_F=np.array([22e-9, np.inf]))
    assert np.all(np.isfinite(operating_point(direct, VALVE.law).plate_V))
