"""Sections in parallel and devices chosen by candidate, against one device at a time."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from objectives.assessment import Assessment
from objectives.circuit.operating_point import operating_point
from objectives.devices.choice import DeviceChoice
from objectives.devices.lookup import device
from objectives.devices.parallel import ParallelSections
from objectives.devices.protocol import Device
from objectives.devices.valve_table import valve
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
SCORES = ("gain_dB", "noise_dBu", "input_corner_Hz", "plate_current_A", "headroom_V")


@pytest.mark.parametrize(("name", "stage"), [("12AX7", STAGE), ("BC550B", NPN_STAGE)])
@pytest.mark.parametrize("n", [1, 2, 3])
def test_sections_in_parallel_are_one_section_in_a_stage_of_scaled_impedance(name, stage, n):
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
    many = Assessment(scaled.broadcast(), ParallelSections(device(name), n), Targets())
    for score in ("gain_dB", "input_corner_Hz", "headroom_V"):
        assert many[score] == pytest.approx(one[score], rel=1e-6)
    assert many["plate_current_A"] == pytest.approx(n * one["plate_current_A"], rel=1e-6)
    assert many["noise_dBu"] == pytest.approx(one["noise_dBu"] - 10 * np.log10(n), abs=1e-6)
    for of_all, of_one in zip(many.linear.numeric_fields().items(),
                              one.linear.numeric_fields().items(), strict=True):  # fmt: skip
        assert of_all[1] == pytest.approx(n * of_one[1], rel=1e-5)
    for of_all, of_one in zip(many.ratings, one.ratings, strict=True):
        assert of_all.name == of_one.name
        assert of_all.excess == pytest.approx(of_one.excess, rel=1e-5)


def test_sections_spread_together_and_tell_their_number():
    two = ParallelSections(device("12AX7"), 2)
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
        ParallelSections(device("12AX7"), 0)


VALVES = (valve("12AX7"), valve("12AU7"), ParallelSections(valve("6SL7"), 2))
NPN = (device("BC550B"), device("2N3904"))


@pytest.mark.parametrize(("devices", "stage"), [(VALVES, STAGE), (NPN, NPN_STAGE)])
def test_each_candidate_has_its_own_device(devices: tuple[Device, ...], stage: Stage):
    index = np.resize(np.arange(len(devices)), 7)
    supply = stage.supply_V * np.linspace(0.8, 1.2, index.size)
    chosen = DeviceChoice(devices, index)
    batch = Assessment(replace(stage, supply_V=supply), chosen, Targets())
    for at, number in enumerate(index):
        alone = Assessment(replace(stage, supply_V=supply[at : at + 1]), devices[number], Targets())
        for score in SCORES:
            assert batch[score][at] == pytest.approx(float(alone[score][0]), rel=1e-6), score
        own = {rating.name: rating for rating in alone.ratings}
        for rating in batch.ratings:
            if rating.name in own:
                assert rating.excess[at] == pytest.approx(own[rating.name].excess[0], rel=1e-5)
            else:
                assert rating.allowed[at] == np.inf
                assert rating.excess[at] == -1.0
        assert set(own) <= {rating.name for rating in batch.ratings}


def test_a_choice_is_indexed_reshaped_and_varied():
    index = np.array([[0, 1, 2], [2, 1, 0]])
    choice = DeviceChoice(VALVES, index)
    assert choice.at((0, 1)) is VALVES[1]
    assert choice.at((slice(None), 1)) is VALVES[1]
    assert choice.at(0).index.tolist() == [0, 1, 2]
    flat = choice.law.flat((2, 3))
    assert flat.shape == (6,)
    current = choice.law.plate_current(-1.0, 150.0)
    np.testing.assert_array_equal(flat.plate_current(-1.0, 150.0), current.ravel())
    for at, number in np.ndenumerate(index):
        assert current[at] == VALVES[number].law.plate_current(-1.0, 150.0)
    factor = np.array([[0.9, 1.0, 1.1], [1.2, 0.8, 1.0]])
    np.testing.assert_allclose(
        choice.law.varied(current=factor).at((1, slice(0, 2))).plate_current(-1.0, 150.0),
        (current * factor)[1, :2],
    )
    point = operating_point(replace(STAGE, supply_V=np.full(index.shape, 250.0)), choice.law)
    assert point.shape == index.shape


def test_a_choice_states_what_holds_for_all():
    choice = DeviceChoice(NPN, np.array([0, 1]))
    assert choice.name == "BC550B or 2N3904"
    for spread in choice.spreads:
        own = [s for d in NPN for s in d.spreads if s.quantity == spread.quantity]
        assert spread.low == min(s.low for s in own)
        assert spread.high == max(s.high for s in own)
    assert all(d.sources.law in choice.sources.law for d in NPN)
    with pytest.raises(ValueError, match="index: 2: must be from 0 to 1"):
        DeviceChoice(NPN, np.array([0, 2]))
    with pytest.raises(ValueError, match="must be of one kind"):
        DeviceChoice((*VALVES, *NPN), np.array([0, 4]))
