"""The textbook estimate against facts of the trade and its own definition."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from objectives.circuit.small_signal import SmallSignal
from objectives.stage import Stage
from objectives.textbook import miller_capacitance_F, textbook_estimate


def _device(gain: float, load: float) -> SmallSignal:
    """A device whose gain into ``load`` with a grounded cathode is ``gain``, at mu = 100."""
    rp = load * (100 / gain - 1)
    return SmallSignal(100 / rp, 1 / rp, 1.8e-12, 1.7e-12, 0.0)


def test_a_220k_stopper_after_a_gain_of_75() -> None:
    """Common practice, no source: 1.7 pF, 1.8 pF, gain 75, 220 kohm: 5.4 kHz."""
    device = _device(75.0, 100e3)
    stage = Stage(
        supply_V=300, plate_load_ohm=100e3, cathode_resistor_ohm=0, stopper_ohm=220e3,
        grid_leak_ohm=np.inf,
    )  # fmt: skip
    found = textbook_estimate(stage, device, 400.0)
    assert found.gain_magnitude[0] == pytest.approx(75)
    assert found.input_F[0] == pytest.approx(131e-12, rel=1e-9)  # 1.8 + 1.7 * 76
    assert found.corner_Hz[0] == pytest.approx(5.4e3, rel=0.05)
    # Nothing but the constant gain is simplified in this stage, and it costs little here.
    assert found.exact_corner_Hz[0] == pytest.approx(found.corner_Hz[0], rel=0.02)


def test_a_68k_stopper_stays_above_the_guitar_band() -> None:
    """Common practice, no source: the same valve with 68 kohm keeps the corner above 15 kHz."""
    stage = Stage(
        supply_V=300, plate_load_ohm=100e3, cathode_resistor_ohm=0, stopper_ohm=68e3,
        grid_leak_ohm=np.inf,
    )  # fmt: skip
    assert textbook_estimate(stage, _device(75.0, 100e3), 400.0).exact_corner_Hz[0] > 15e3


def test_miller_by_hand() -> None:
    """J. M. Miller, 1920: C = Cgk + Cgp (1 + A)."""
    got = miller_capacitance_F(np.asarray(2e-12), np.asarray(1e-12), np.asarray(9.0))
    assert got == pytest.approx(12e-12)


def test_each_simplification_is_the_one_it_names() -> None:
    stage = Stage(
        supply_V=300, plate_load_ohm=100e3, cathode_resistor_ohm=1500, bypass_F=0.0,
        stopper_ohm=100e3, source_ohm=50e3, load_ohm=220e3, load_F=50e-12, stopper_shunt_F=0.5e-12,
        grid_leak_ohm=470e3,
    )  # fmt: skip
    found = textbook_estimate(stage, _device(60.0, 100e3), 400.0)
    errors = {s.name: float(s.error_percent[0]) for s in found.simplifications}
    # Less resistance at the grid: higher. No leak: more resistance: lower. A bypassed cathode or an
    # unloaded plate: more gain, more Miller capacitance: lower.
    assert errors["perfect source"] > 10
    assert errors["leak ignored"] < 0
    assert errors["full bypass"] < -10
    assert errors["no next stage"] < 0
    # Far below its corners the grid sees Cgk (1 - Ak) + Cgp (1 + A), with the closed forms of gain
    # to plate and cathode of an unbypassed stage (Radiotron Designer's Handbook, from memory).
    load, rp = 100e3 * 220e3 / 320e3, 100e3 * (100 / 60 - 1)
    below = rp + load + 101 * 1500
    by_hand = 1.8e-12 * (1 - 100 * 1500 / below) + 1.7e-12 * (1 + 100 * load / below)
    ideal = textbook_estimate(replace(stage, stopper_shunt_F=0.0), _device(60.0, 100e3), 400.0)
    (held,) = (s.corner_Hz[0] for s in ideal.simplifications if s.name == "constant gain")
    assert held == pytest.approx(1 / (2 * np.pi * found.thevenin_ohm[0] * by_hand), rel=1e-3)
    exact = float(found.exact_corner_Hz[0])
    for row in found.simplifications:
        assert float(row.corner_Hz[0]) == pytest.approx(
            exact * (1 + float(row.error_percent[0]) / 100)
        )
    # By hand: leak and source in parallel, plus the stopper.
    assert found.thevenin_ohm[0] == pytest.approx(100e3 + 50e3 * 470e3 / 520e3)
    after = textbook_estimate(replace(stage, leak_at_grid=1.0), _device(60.0, 100e3), 400.0)
    assert after.thevenin_ohm[0] == pytest.approx(150e3 * 470e3 / 620e3)


def test_an_unbypassed_cathode_by_hand() -> None:
    """A = mu R/(rp + R + (mu + 1) Rk) and C_gk (1 - Ak): Radiotron Designer's Handbook (memory)."""
    device = SmallSignal(1.6e-3, 16e-6, 1.8e-12, 1.7e-12, 0.0)
    parts = {"supply_V": 300, "plate_load_ohm": 100e3, "source_ohm": 50e3, "stopper_ohm": 68e3}
    open_ = Stage(**parts, cathode_resistor_ohm=1500, bypass_F=0.0)
    found = textbook_estimate(open_, device, 400.0)
    below = 62.5e3 + 100e3 + 101 * 1500
    assert found.gain_magnitude[0] == pytest.approx(100 * 100e3 / below)
    assert found.cathode_gain[0] == pytest.approx(100 * 1500 / below)
    share = 1 - found.cathode_gain[0]
    assert found.input_F[0] == pytest.approx(1.8e-12 * share + 1.7e-12 * (1 + 1e7 / below))
    # So the estimate is near, where it once took the cathode as grounded.
    assert abs(found.error_percent[0]) < 2
    # Split, the part below the bypass does not count; a resistor in series with the bypass does.
    split = Stage(**parts, cathode_resistor_ohm=1200, cathode_unbypassed_ohm=300, bypass_F=22e-6)
    assert textbook_estimate(split, device, 400.0).unbypassed_ohm[0] == 300
    series = Stage(**parts, cathode_resistor_ohm=1500, bypass_series_ohm=500, bypass_F=22e-6)
    assert textbook_estimate(series, device, 400.0).unbypassed_ohm[0] == pytest.approx(375)
    grounded = Stage(**parts, cathode_resistor_ohm=1500, bypass_F=np.inf)
    assert textbook_estimate(grounded, device, 400.0).cathode_gain[0] == 0


def test_a_conducting_grid_lies_in_parallel() -> None:
    """A base: 1/g_pi (1 + gm Re) beside source and stopper, to the exact corner within 3 %."""
    device = SmallSignal(40e-3, 1e-7, 30e-12, 3e-12, 0.0, grid_conductance_S=40e-3 / 300)
    stage = Stage(
        supply_V=12, plate_load_ohm=4.7e3, cathode_resistor_ohm=1e3, cathode_unbypassed_ohm=100,
        bypass_F=np.inf, source_ohm=4.7e3, stopper_ohm=1e3, grid_leak_ohm=np.inf,
    )  # fmt: skip
    found = textbook_estimate(stage, device, 400.0)
    base = 7500 * (1 + 0.04 * 100)
    assert found.conduction_ohm[0] == pytest.approx(base, rel=1e-3)
    assert found.resistance_ohm[0] == pytest.approx(5700 * base / (5700 + base), rel=1e-3)
    assert abs(found.error_percent[0]) < 3
    idle = textbook_estimate(stage, _device(60.0, 4.7e3), 400.0)
    assert np.isinf(idle.conduction_ohm[0])
    assert idle.resistance_ohm[0] == idle.thevenin_ohm[0]


@pytest.mark.parametrize("cable_F", [20e-12, 100e-12, 500e-12])
def test_a_cable_adds_its_own_time_constant(cable_F: float) -> None:
    """Two RC sections in a ladder: b1 = R1 (C1 + C2) + R2 C2, b2 = R1 C1 R2 C2, by hand.

    |1 + b1 s + b2 s^2|^2 = 2 gives the exact corner; 1/(2 pi b1), the sum of open-circuit time
    constants, is never above it and at most 22 % below (both poles equal: 0.5 against 0.6436).
    """
    r1, r2, c2 = 100e3, 68e3, 100e-12
    stage = Stage(
        supply_V=300, plate_load_ohm=100e3, cathode_resistor_ohm=1e3, source_ohm=r1,
        cable_F=cable_F, stopper_ohm=r2, grid_capacitor_F=c2, grid_leak_ohm=np.inf,
    )  # fmt: skip
    found = textbook_estimate(stage, SmallSignal(0.0, 1e-5, 0.0, 0.0, 0.0), 1.0)
    b1, b2 = r1 * (cable_F + c2) + r2 * c2, r1 * cable_F * r2 * c2
    assert found.corner_Hz[0] == pytest.approx(1 / (2 * np.pi * b1))
    middle = b1 * b1 - 2 * b2
    squared = (np.sqrt(middle * middle + 4 * b2 * b2) - middle) / (2 * b2 * b2)
    assert found.exact_corner_Hz[0] == pytest.approx(np.sqrt(squared) / (2 * np.pi), rel=1e-6)
    assert -22.4 < found.error_percent[0] <= 0
    (ignored,) = (s for s in found.simplifications if s.name == "cable ignored")
    assert ignored.corner_Hz[0] == pytest.approx(1 / (2 * np.pi * (r1 + r2) * c2), rel=1e-6)


def test_a_cable_sees_source_leak_and_what_conducts() -> None:
    stage = Stage(
        supply_V=300, plate_load_ohm=100e3, cathode_resistor_ohm=1e3, source_ohm=50e3,
        cable_F=1e-10, stopper_ohm=10e3, grid_leak_ohm=200e3, leak_at_grid=[0.0, 1.0],
    )  # fmt: skip
    device = SmallSignal(0.0, 1e-5, 1e-12, 0.0, 0.0, grid_conductance_S=1 / 100e3)
    found = textbook_estimate(stage, device, 1.0)
    before = 1 / (1 / 50e3 + 1 / 200e3 + 1 / 110e3)
    after = 1 / (1 / 50e3 + 1 / (10e3 + 1 / (1 / 200e3 + 1 / 100e3)))
    assert found.cable_ohm == pytest.approx([before, after])


def test_the_second_estimate_has_the_coefficients_of_the_books() -> None:
    """b1 and b2 of a grounded-cathode stage: P. R. Gray, R. G. Meyer, ch. 7 (from memory)."""
    device = SmallSignal(2e-3, 1 / 60e3, 2e-12, 1.5e-12, 0.0)
    stage = Stage(
        supply_V=300, plate_load_ohm=120e3, cathode_resistor_ohm=0, source_ohm=20e3,
        stopper_ohm=80e3, grid_leak_ohm=np.inf, load_F=200e-12, stray_grid_ground_F=3e-12,
    )  # fmt: skip
    second = textbook_estimate(stage, device, 400.0).second
    r, r_out, c, c_gp, c_out = 100e3, 40e3, 5e-12, 1.5e-12, 200e-12
    b1 = r * c + c_gp * (r + r_out + 2e-3 * r * r_out) + r_out * c_out
    b2 = r * r_out * (c * c_gp + c * c_out + c_gp * c_out)
    assert second.sum_s[0] == pytest.approx(b1)
    assert second.pairs_s[0] ** 2 == pytest.approx(b2)
    assert second.triple_s[0] == 0


@pytest.mark.parametrize("load_F", [0.0, 100e-12, 1e-9])
@pytest.mark.parametrize("cable_F", [0.0, 120e-12, 1e-9])
@pytest.mark.parametrize("leak_at_grid", [0.0, 1.0])
def test_the_second_estimate_is_exact_where_nothing_is_left_out(
    load_F: float, cable_F: float, leak_at_grid: float
) -> None:
    """With a grounded cathode the network has no more than these capacitors."""
    device = SmallSignal(2e-3, 1 / 60e3, 2e-12, 1.5e-12, 0.5e-12, grid_conductance_S=1e-6)
    stage = Stage(
        supply_V=300, plate_load_ohm=120e3, cathode_resistor_ohm=0, source_ohm=20e3,
        cable_F=cable_F, stopper_ohm=80e3, grid_leak_ohm=470e3, leak_at_grid=leak_at_grid,
        load_ohm=220e3, load_F=load_F, stray_grid_ground_F=3e-12, stray_plate_ground_F=4e-12,
    )  # fmt: skip
    found = textbook_estimate(stage, device, 400.0)
    assert found.second.corner_Hz == pytest.approx(found.exact_corner_Hz, rel=1e-6)


def test_without_a_corner_the_second_estimate_has_none() -> None:
    stage = Stage(supply_V=300, plate_load_ohm=1e5, cathode_resistor_ohm=0, load_F=1e-10)
    found = textbook_estimate(stage, _device(60.0, 100e3), 400.0)
    assert found.second.corner_Hz[0] == np.inf


def test_a_plate_that_falls_before_the_grid_is_counted_by_the_second_estimate() -> None:
    """A base behind 10 kohm, its collector at 68 kHz: the first estimate is a third too low."""
    device = SmallSignal(40e-3, 2e-5, 40e-12, 3.5e-12, 0.0, grid_conductance_S=40e-3 / 300)
    stage = Stage(
        supply_V=12, plate_load_ohm=3.3e3, cathode_resistor_ohm=470.0, cathode_unbypassed_ohm=150.0,
        bypass_F=100e-6, source_ohm=4.7e3, cable_F=120e-12, stopper_ohm=10e3, grid_leak_ohm=18e3,
        input_coupling_F=4.7e-6, output_coupling_F=4.7e-6, load_ohm=10e3, load_F=1e-9,
    )  # fmt: skip
    found = textbook_estimate(stage, device, 1e3)
    assert found.error_percent[0] < -25
    assert abs(found.second_error_percent[0]) < 5
