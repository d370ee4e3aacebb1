"""Assumptions made together, by hand and in the network."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from closed_forms import dense_response
from objectives.assumptions import Assumptions
from objectives.circuit.small_signal import SmallSignal
from objectives.stage import Stage
from objectives.textbook import assumed, grid_corner_Hz, hand_estimate

REFERENCE = 400.0
STAGE = Stage(
    supply_V=300, plate_load_ohm=100e3, cathode_resistor_ohm=1500, bypass_F=1e-6,
    cathode_unbypassed_ohm=220, stopper_ohm=150e3, source_ohm=50e3, cable_F=60e-12,
    input_coupling_F=22e-9, grid_leak_ohm=470e3, load_ohm=220e3, load_F=50e-12,
    output_coupling_F=22e-9, stopper_shunt_F=0.5e-12, stopper_lead_H=1e-8,
    stray_grid_plate_F=0.6e-12, stray_grid_ground_F=3e-12, stray_plate_ground_F=4e-12,
)  # fmt: skip
DEVICE = SmallSignal(1.6e-3, 16e-6, 1.8e-12, 2.3e-12, 0.5e-12)
"""Its grid-plate capacitance holds the stray."""
NAMES = tuple(Assumptions().numeric_fields())


def every_set() -> Assumptions:
    bits = (np.arange(2 ** len(NAMES)) >> np.arange(len(NAMES))[:, None]) & 1
    return Assumptions(**dict(zip(NAMES, bits, strict=True)))


def test_in_every_set_the_network_is_half_way_at_its_corner() -> None:
    """The dense nodal system of every stage, at the corner and at the reference."""
    made = assumed(STAGE, DEVICE, every_set(), REFERENCE)
    corner = grid_corner_Hz(made.stage, made.device, REFERENCE)
    for row in range(0, corner.size, 5):
        one, device = made.stage.at(row), made.device.at(row)
        half, whole = (abs(complex(dense_response(one, device, f)["g"])) for f in (
            float(corner[row]), REFERENCE))  # fmt: skip
        assert (half / whole) ** 2 == pytest.approx(0.5, rel=1e-5)


def test_all_at_once_is_the_quick_estimate() -> None:
    """Stopper, the bare valve and its own load: mu = 100, rp = 62.5 kohm, by hand."""
    made = assumed(STAGE, DEVICE, Assumptions(**dict.fromkeys(NAMES, 1.0)), REFERENCE)
    gain = 100 * 100 / 162.5
    capacitance = 1.8e-12 + 1.7e-12 * (1 + gain)
    quick = 1 / (2 * np.pi * 150e3 * capacitance)
    assert made.corner_Hz[0] == pytest.approx(quick)
    # Counted from the level at 400 Hz one RC section has its corner where the network has it.
    direct = replace(made.stage, input_coupling_F=np.inf)
    network = grid_corner_Hz(direct, made.device, REFERENCE)
    assert made.counted_Hz[0] == pytest.approx(np.sqrt(quick**2 + 2 * 400**2))
    assert network[0] == pytest.approx(made.counted_Hz[0], rel=1e-3)


def test_none_leaves_stage_and_estimate_as_they_are() -> None:
    made = assumed(STAGE, DEVICE, Assumptions(), REFERENCE)
    plain = hand_estimate(STAGE, DEVICE, REFERENCE)
    assert made.corner_Hz == pytest.approx(plain.second.corner_Hz)
    assert grid_corner_Hz(made.stage, made.device, REFERENCE) == pytest.approx(
        grid_corner_Hz(STAGE.broadcast(), DEVICE.broadcast(), REFERENCE)
    )
    constant = assumed(STAGE, DEVICE, Assumptions(constant_gain=1.0), REFERENCE)
    assert constant.corner_Hz == pytest.approx(plain.corner_Hz)
