"""Sections in parallel against the scaling of impedances, and each rating against one section.

So many sections in a stage are one section in a stage of so many times every impedance: currents
scale, voltages do not (impedance scaling, e.g. any textbook of network theory).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from explorer.brief.errors import BriefError
from explorer.brief.loading import parse_brief
from explorer.formulation import formulate
from objectives.assessment import Assessment
from objectives.devices.lookup import device
from objectives.devices.parallel import ParallelSections
from objectives.elements import ELEMENTS
from objectives.stage import Stage
from objectives.targets import Targets

STAGE = Stage(
    supply_V=250.0, plate_load_ohm=47e3, cathode_resistor_ohm=680.0, cathode_unbypassed_ohm=100.0,
    stopper_ohm=33e3, bypass_F=10e-6, source_ohm=22e3, cable_F=100e-12, grid_leak_ohm=470e3,
    input_coupling_F=22e-9, output_coupling_F=47e-9, load_ohm=220e3, load_F=80e-12,
    stray_grid_plate_F=0.7e-12,
)  # fmt: skip


def scaled(stage: Stage, by: float) -> Stage:
    changed = {}
    for name, value in stage.numeric_fields().items():
        if ELEMENTS[name].kind in ("resistor", "inductor"):
            changed[name] = value * by
        elif ELEMENTS[name].kind == "capacitor":
            changed[name] = value / by
    return replace(stage, **changed)


@pytest.mark.parametrize("sections", [2, 3])
def test_sections_scale_impedances(sections: int) -> None:
    valve = device("12AX7")
    many = Assessment(STAGE, ParallelSections(valve, sections), Targets())
    one = Assessment(scaled(STAGE, sections), valve, Targets())
    for name in ("gain_dB", "input_corner_Hz", "lower_corner_Hz", "upper_corner_Hz",
                 "plate_voltage_V", "cathode_voltage_V", "amplification_factor_ratio"):  # fmt: skip
        assert many[name] == pytest.approx(one[name], rel=1e-7), name
    for name in ("plate_current_A", "transconductance_S", "input_capacitance_F"):
        assert many[name] == pytest.approx(sections * one[name], rel=1e-7), name
    # Noise power of like resistors and sections goes with the impedance.
    assert many["noise_dBu"] == pytest.approx(one["noise_dBu"] - 10 * np.log10(sections), abs=1e-4)


def test_a_rating_holds_for_each_section() -> None:
    valve = device("12AX7")
    many = Assessment(STAGE, ParallelSections(valve, 2), Targets())
    one = Assessment(scaled(STAGE, 2.0), valve, Targets())
    for both, single in zip(many.ratings, one.ratings, strict=True):
        assert both.name == single.name
        assert both.excess == pytest.approx(single.excess, rel=1e-6), both.name
    leak = next(r for r in many.ratings if r.name == "grid leak")
    assert leak.value == pytest.approx(470e3)
    assert leak.allowed == pytest.approx(next(
        r for r in one.ratings if r.name == "grid leak").allowed / 2)  # fmt: skip


def test_a_brief_puts_sections_in_parallel(brief_text) -> None:
    text = brief_text(('valve = "12AX7"', 'valve = "12AX7"\nsections_in_parallel = 2'))
    problem = formulate(parse_brief(text)).problem
    assert problem.device.name == "12AX7, 2 sections in parallel"
    parts = problem.draw(8, np.random.default_rng(2))
    assert np.isfinite(problem.assess(parts)["tolerance_yield_percent"]).all()


def test_only_sections_of_a_valve_are_put_in_parallel(brief_text) -> None:
    text = brief_text(('valve = "12AX7"', 'transistor = "J201"\nsections_in_parallel = 2'))
    with pytest.raises(BriefError, match="sections_in_parallel: 2: expected 1"):
        parse_brief(text)
