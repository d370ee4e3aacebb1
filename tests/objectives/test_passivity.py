"""What no valve can change: a cold stage gives back no more than it takes, and is reciprocal."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from closed_forms import dense_response
from objectives.arrays import Batch
from objectives.circuit.arrival import AtJack
from objectives.circuit.network import Network
from objectives.circuit.nodal import UNKNOWNS, descriptor
from objectives.circuit.poles import damping_ratio, least_damping, network_poles
from objectives.circuit.small_signal import SmallSignal
from objectives.radio.attenuation import attenuation_dB
from objectives.radio.stopper import stopper_limits
from objectives.stage import Stage

NODES = [name for name in UNKNOWNS if not name.startswith("i_")]


def _log(low: float, high: float, *rare: float) -> st.SearchStrategy[float]:
    """Values spread in the logarithm, now and then one of the rare ones."""
    plain = st.floats(np.log(low), np.log(high)).map(lambda x: float(np.exp(x)))
    return st.one_of(plain, plain, st.sampled_from(rare)) if rare else plain


STAGES = st.builds(
    Stage,
    supply_V=st.just(300.0),
    plate_load_ohm=_log(1e3, 1e6),
    cathode_resistor_ohm=_log(10, 1e4),
    stopper_ohm=_log(1, 1e6, 0.0),
    bypass_F=_log(1e-9, 1e-3, 0.0, np.inf),
    cathode_unbypassed_ohm=_log(1, 1e4, 0.0),
    bypass_series_ohm=_log(1, 1e4, 0.0),
    source_ohm=_log(1, 1e6),
    cable_F=_log(1e-12, 1e-9, 0.0),
    input_coupling_F=_log(1e-10, 1e-5, np.inf),
    grid_leak_ohm=_log(1e3, 1e8, np.inf),
    leak_at_grid=st.sampled_from([0.0, 1.0]),
    stopper_shunt_F=_log(1e-14, 1e-11, 0.0),
    stopper_lead_H=_log(1e-9, 1e-5, 0.0),
    grid_capacitor_F=_log(1e-12, 1e-8, 0.0),
    grid_capacitor_lead_H=_log(1e-9, 1e-6, 0.0),
    plate_capacitor_F=_log(1e-12, 1e-8, 0.0),
    output_coupling_F=_log(1e-10, 1e-5, np.inf),
    load_ohm=_log(1e2, 1e7),
    load_F=_log(1e-12, 1e-9, 0.0),
    stray_grid_ground_F=_log(1e-13, 1e-11, 0.0),
    stray_plate_ground_F=_log(1e-13, 1e-11, 0.0),
    grid_lead_H=_log(1e-9, 1e-6, 0.0),
    plate_lead_H=_log(1e-9, 1e-6, 0.0),
    cathode_lead_H=_log(1e-9, 1e-6, 0.0),
)
COLD = st.builds(
    SmallSignal,
    transconductance_S=st.just(0.0),
    plate_conductance_S=_log(1e-7, 1e-2),
    grid_cathode_F=_log(1e-13, 1e-10),
    grid_plate_F=_log(1e-13, 1e-10),
    plate_cathode_F=_log(1e-13, 1e-10),
    grid_conductance_S=_log(1e-9, 1e-2, 0.0),
)
FREQUENCY = _log(0.1, 1e9)


@pytest.mark.slow
@settings(max_examples=150, deadline=None)
@given(STAGES, COLD, FREQUENCY)
def test_the_load_gets_no_more_than_the_source_has(
    stage: Stage, cold: SmallSignal, frequency_Hz: float
) -> None:
    # 1 V behind R has at most 1/(4 R) to give.
    output = Network(stage, cold, frequency_Hz).output
    delivered = np.abs(output) ** 2 / np.asarray(stage.load_ohm)
    assert float(delivered) <= 1 / (4 * float(np.asarray(stage.source_ohm))) * (1 + 1e-9)


def test_a_valve_does_give_more() -> None:
    """The bound above has teeth: the same stage with its valve warm breaks it."""
    stage = Stage(300.0, 100e3, 1.5e3, source_ohm=10e3, load_ohm=1e6, stopper_ohm=10e3)
    hot = SmallSignal(1.6e-3, 1 / 62e3, 1.6e-12, 1.7e-12, 0.5e-12)
    output = Network(stage, hot, 1000.0).output
    assert float(np.abs(output) ** 2 / 1e6) > 10 / (4 * 10e3)


@pytest.mark.slow
@settings(max_examples=100, deadline=None)
@given(STAGES, COLD, FREQUENCY)
def test_what_the_source_gives_the_resistors_take(
    stage: Stage, cold: SmallSignal, frequency_Hz: float
) -> None:
    v = dense_response(stage, cold, frequency_Hz) | {"ground": np.zeros(())}
    rs = float(np.asarray(stage.source_ohm))
    current = (1.0 - v["c"]) / rs
    at_grid = float(np.asarray(stage.leak_at_grid))
    resistors: list[tuple[str, str, Any]] = [
        ("x" if at_grid else "a", "ground", stage.grid_leak_ohm),
        ("a", "m", stage.stopper_ohm),
        ("y", "j", stage.cathode_unbypassed_ohm),
        ("j", "ground", stage.cathode_resistor_ohm),
        ("j", "b", stage.bypass_series_ohm),
        ("q", "ground", stage.plate_load_ohm),
        ("o", "ground", stage.load_ohm),
        ("p", "k", 1 / np.asarray(cold.plate_conductance_S)),
    ]
    gg = float(np.asarray(cold.grid_conductance_S))
    if gg:
        resistors.append(("g", "k", 1 / gg))
    taken = float(np.abs(current) ** 2 * rs) + sum(
        float(np.abs(v[first] - v[second]) ** 2 / float(np.asarray(r)))
        for first, second, r in resistors
        if float(np.asarray(r)) > 0
    )
    given_W = float((1.0 * np.conj(current)).real)
    # Where next to nothing flows the difference of 1 V and V(c) is known to rounding only.
    assert taken == pytest.approx(given_W, rel=1e-5, abs=1e-13 / rs)


@pytest.mark.slow
@settings(max_examples=100, deadline=None)
@given(STAGES, COLD, FREQUENCY)
def test_a_cold_stage_is_reciprocal(stage: Stage, cold: SmallSignal, frequency_Hz: float) -> None:
    """A current at one node raises another as much as the other way round."""
    impedance = transfer_impedances(stage, cold, frequency_Hz)
    size = np.abs(impedance)
    asymmetry = np.abs(impedance - impedance.T)
    # A transfer is at most the mean of the two driving-point impedances of a passive network.
    allowed = np.sqrt(np.outer(size.diagonal(), size.diagonal()))
    assert np.all(asymmetry <= 1e-7 * allowed + 1e-9)
    assert np.all(impedance.diagonal().real >= -1e-7 * size.diagonal() - 1e-9)


def transfer_impedances(stage: Stage, device: SmallSignal, frequency_Hz: float) -> np.ndarray:
    """Voltages of the nodes for 1 A into each of them (ohm), shape (node, node of the source)."""
    system = descriptor(stage, device)
    matrix = 2j * np.pi * frequency_Hz * np.squeeze(system.E) + np.squeeze(system.A)
    rows = 1.0 / np.abs(matrix).max(axis=-1, keepdims=True)
    columns = 1.0 / np.abs(matrix * rows).max(axis=-2, keepdims=True)
    inverse = columns.T * np.linalg.inv(matrix * rows * columns) * rows.T
    at = [UNKNOWNS.index(name) for name in NODES]
    return np.asarray(inverse[np.ix_(at, at)])


def test_a_warm_stage_is_not_reciprocal() -> None:
    stage = Stage(300.0, 100e3, 1.5e3, source_ohm=10e3, load_ohm=1e6, stopper_ohm=10e3)
    hot = SmallSignal(1.6e-3, 1 / 62e3, 1.6e-12, 1.7e-12, 0.5e-12)
    impedance = transfer_impedances(stage, hot, 1000.0)
    g, p = NODES.index("g"), NODES.index("p")
    assert abs(impedance[p, g]) > 100 * abs(impedance[g, p])


@pytest.mark.slow
@settings(max_examples=60, deadline=None)
@given(STAGES, COLD)
def test_every_resonance_of_a_cold_stage_dies_away(stage: Stage, cold: SmallSignal) -> None:
    assert np.all(damping_ratio(network_poles(stage, cold)) > -1e-7)


@pytest.mark.slow
@settings(max_examples=15, deadline=None)
@given(st.lists(st.tuples(STAGES, COLD), min_size=2, max_size=4), st.floats(0, 0.02))
def test_a_batch_is_its_members(
    members: list[tuple[Stage, SmallSignal]], transconductance_S: float
) -> None:
    stages, devices = [stage for stage, _ in members], [device for _, device in members]
    stage = replace(stages[0], **_stacked(stages))
    device = replace(devices[0], **_stacked(devices))
    device = replace(device, transconductance_S=transconductance_S)
    f = np.array([1e5, 1e7, 1e8])
    damping = least_damping(stage, device)
    attenuation = attenuation_dB(stage, device, f, AtJack())
    limits = stopper_limits(stage, device, AtJack())
    for at, (one, cold) in enumerate(members):
        valve = replace(cold, transconductance_S=transconductance_S)
        assert float(damping[at]) == pytest.approx(float(least_damping(one, valve)), abs=1e-6)
        np.testing.assert_allclose(
            attenuation[at], attenuation_dB(one, valve, f, AtJack()).ravel(), rtol=1e-9, atol=1e-9
        )
        alone = stopper_limits(one, valve, AtJack())
        assert float(limits.impedance_Hz[at]) == pytest.approx(float(alone.impedance_Hz), rel=1e-6)
        assert float(limits.rejection_Hz[at]) == pytest.approx(float(alone.rejection_Hz), rel=1e-6)


def _stacked(records: Sequence[Batch]) -> dict[str, np.ndarray]:
    named = [record.numeric_fields() for record in records]
    return {name: np.array([float(fields[name]) for fields in named]) for name in named[0]}
