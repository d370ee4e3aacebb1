"""Sections in parallel against one section in a stage of scaled impedance."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from objectives.assessment import Assessment
from objectives.devices.lookup import device
from objectives.devices.parallel import ParallelSections
from objectives.stage import Stage
from objectives.targets import Targets
from objectives.tolerance.spreads import Spread
from objectives.tolerance.varied_device import spread_batch

# Invented parts.
STAGE = Stage(
    supply_V=300.0, plate_load_ohm=100e3, cathode_resistor_ohm=1.5e3, bypass_F=25e-6,
    source_ohm=68e3, input_coupling_F=22e-9, grid_leak_ohm=1e6, stopper_ohm=68e3,
    output_coupling_F=22e-9, load_ohm=1e6,
)  # fmt: skip
NPN_STAGE = Stage(
    supply_V=12.0, grid_bias_V=2.164, grid_leak_ohm=18.03e3, plate_load_ohm=3.3e3,
    cathode_resistor_ohm=1e3, bypass_F=1e-4, source_ohm=200.0, load_ohm=10e3,
)  # fmt: skip


@pytest.mark.parametrize(("name", "stage"), [("12AX7", STAGE), ("BC550B", NPN_STAGE)])
@pytest.mark.parametrize("n", [1, 2, 3])
def test_sections_in_parallel_are_one_section_in_a_stage_of_scaled_impedance(
    name: str, stage: Stage, n: int
) -> None:
    """n sections at 1/n of every resistance and n times every capacitance see the same voltages.

    Voltage noise of the sections and of all resistors falls to 1/n in power together.
    """
    scaled = replace(
        stage,
        **{
            field: value / n if field.endswith("_ohm") else value * n
            for field, value in stage.numeric_fields().items()
            if field.endswith(("_ohm", "_F"))
        },
    )
    one = Assessment(stage.broadcast(), device(name), Targets())
    many = Assessment(scaled.broadcast(), ParallelSections.of(device(name), sections=n), Targets())
    for score in ("gain_dB", "input_corner_Hz", "headroom_V"):
        assert many[score] == pytest.approx(one[score], rel=1e-6)
    assert many["plate_current_A"] == pytest.approx(n * one["plate_current_A"], rel=1e-6)
    assert many["noise_dBu"] == pytest.approx(one["noise_dBu"] - 10 * np.log10(n), abs=1e-6)
    of_many, of_one_section = many.linear.numeric_fields(), one.linear.numeric_fields()
    for together, alone in zip(of_many.values(), of_one_section.values(), strict=True):
        assert together == pytest.approx(n * alone, rel=1e-5)
    for of_all, of_one in zip(many.ratings, one.ratings, strict=True):
        assert of_all.name == of_one.name
        assert of_all.excess == pytest.approx(of_one.excess, rel=1e-5)


def test_sections_spread_together_and_tell_their_number() -> None:
    two = ParallelSections.of(device("12AX7"), sections=2)
    factors = np.array([[0.8], [1.2]])
    spread = Spread.plus_minus("valve_transconductance", 0.25)
    _, built = spread_batch(STAGE, two, [spread], factors)
    single = device("12AX7").law.plate_current(-1.5, 200.0)
    assert np.ravel(built.law.plate_current(-1.5, 200.0)) == pytest.approx(
        2 * single * factors.ravel()
    )
    assert "12AX7" in two.name
    assert two.plate_dissipation_max_W == 2.0
    assert two.law.parameters()[0].value == 2
    with pytest.raises(ValueError, match="sections: 0: must be 1 or more"):
        ParallelSections.of(device("12AX7"), sections=0)
