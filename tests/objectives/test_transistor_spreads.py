"""How transistors of one type differ, and how far a bipolar stage swings."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from objectives.assessment import Assessment
from objectives.circuit.network import Network
from objectives.circuit.operating_point import operating_point
from objectives.circuit.small_signal import small_signal
from objectives.devices.bipolar import Bipolar, BipolarTransistor
from objectives.devices.field_effect import JunctionFet, SquareLawFet
from objectives.devices.lookup import device
from objectives.devices.protocol import Device
from objectives.devices.terms import BIPOLAR, FIELD_EFFECT, VALVE
from objectives.devices.transistor_table import Transistor, transistors
from objectives.devices.valve_table import valve
from objectives.stage import Stage, parallel
from objectives.targets import Targets
from objectives.tolerance.bought import default_spreads
from objectives.tolerance.builds import built_operating_point, built_scores
from objectives.tolerance.spreads import (
    TRANSISTOR_QUANTITIES,
    Spread,
    draw_units,
)
from objectives.tolerance.varied_device import spread_batch
from objectives.transient.headroom import headroom
from stand_in import bipolar

# Invented parts. The base divider is 100k and 22k on 12 V, as its Thevenin equivalent.
FET_STAGE = Stage(
    supply_V=9.0, plate_load_ohm=15e3, cathode_resistor_ohm=2.2e3, input_coupling_F=100e-9,
    source_ohm=8e3, load_ohm=47e3, output_coupling_F=1e-6,
)  # fmt: skip
NPN_STAGE = Stage(
    supply_V=12.0, grid_bias_V=2.164, grid_leak_ohm=18.03e3, plate_load_ohm=3.3e3,
    cathode_resistor_ohm=1e3, cathode_unbypassed_ohm=47.0, bypass_F=1.0, input_coupling_F=1.0,
    output_coupling_F=1.0, load_ohm=10e3, source_ohm=200.0,
)  # fmt: skip


def own_spread(entry: Device) -> Spread:
    """Return the spread of the law's own parameters."""
    (own,) = (s for s in entry.spreads if s.powers)
    return own


# -- data ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("entry", transistors(), ids=lambda entry: entry.name)
def test_every_transistor_states_limits_on_both_sides_of_its_own_law(entry: Transistor) -> None:
    own = own_spread(entry)
    assert own.quantity in TRANSISTOR_QUANTITIES
    assert -0.9 < own.low < 0 < own.high < 2
    assert "limits" in own.source


def test_the_limits_are_those_of_the_sheets() -> None:
    """J/SST201 series, document 70233: V_GS(off) -0.3 to -1.5 V, I_DSS 0.2 to 1 mA; BC549B/D."""
    j201 = device("J201")
    own = own_spread(j201)
    stage, built = spread_batch(FET_STAGE, j201, [own], np.array([[1 + own.low], [1 + own.high]]))
    assert stage.shape == (1, 2)
    assert isinstance(built.law, SquareLawFet)
    np.testing.assert_allclose(np.ravel(built.law.cutoff_V), [-0.3, -1.5])
    # Reached together: I_DSS lies within its own limits, and in their ratio of 5.
    idss = np.ravel(built.law.idss_A)
    assert idss[1] / idss[0] == pytest.approx(5.0)
    np.testing.assert_allclose(idss, [0.2e-3, 1e-3], rtol=0.07)
    own = own_spread(device("BC550B"))
    assert 290 * (1 + own.low) == pytest.approx(200)
    assert 290 * (1 + own.high) == pytest.approx(450)


def test_current_gain_is_multiplied_at_every_current() -> None:
    bc550 = device("BC550B")
    own = own_spread(bc550)
    _, built = spread_batch(NPN_STAGE, bc550, [own], np.array([[0.7], [1.5]]))
    for grid_V in (0.5, 0.65):
        nominal = bc550.law.plate_current(grid_V, 5.0) / bc550.law.grid_current(grid_V, 5.0)
        drawn = np.ravel(built.law.plate_current(grid_V, 5.0)) / np.ravel(
            built.law.grid_current(grid_V, 5.0)
        )
        np.testing.assert_allclose(drawn, nominal * np.array([0.7, 1.5]), rtol=1e-12)


def test_a_quantity_that_the_device_does_not_publish_is_named() -> None:
    gain = Spread("transistor_current_gain", -0.3, 0.5)
    with pytest.raises(ValueError, match=r"'transistor_current_gain': must be one that the J201 p"):
        spread_batch(FET_STAGE, device("J201"), [gain], np.ones((2, 1)))
    with pytest.raises(ValueError, match="which is none"):
        spread_batch(FET_STAGE, valve("12AX7"), [gain], np.ones((2, 1)))
    assert not any(s.powers for s in valve("12AX7").spreads)


# -- draws -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(("name", "stage"), [("J201", FET_STAGE), ("BC550B", NPN_STAGE)])
def test_drawn_stages_are_those_built_one_by_one(name: str, stage: Stage) -> None:
    entry = device(name)
    assert isinstance(entry, (JunctionFet, BipolarTransistor))
    spreads = [
        *default_spreads(stage, entry.spreads),
    ]  # fmt: skip
    nominal = Assessment(stage.broadcast(), entry, Targets())
    units = draw_units(spreads, 32, seed=3)
    names = ("plate_current_A", "gain_dB", "noise_dBu", "undistorted_output_V")
    drawn = built_scores(nominal, spreads, units, names)
    for row in (0, 7, 31):
        factors = {s.quantity: float(s.factor(units[row, at])) for at, s in enumerate(spreads)}
        own = own_spread(entry)
        law = replace(
            entry.law,
            **{
                f: getattr(entry.law, f) * factors[own.quantity] ** p for f, p in own.powers.items()
            },
        )
        parts = {
            f: np.asarray(getattr(stage, f)) * x
            for f, x in factors.items() if not f.startswith(("valve_", "transistor_"))
        }  # fmt: skip
        # The law is of the entry's own kind, which a union of two entries does not tell.
        drawn_entry = replace(entry, law=law)  # type: ignore[arg-type]
        alone = Assessment(replace(stage, **parts), drawn_entry, Targets())
        assert drawn.values["plate_current_A"][0, row] == pytest.approx(
            float(alone["plate_current_A"]), rel=1e-6
        )
        assert drawn.values["undistorted_output_V"][0, row] == pytest.approx(
            float(alone["undistorted_output_V"]), rel=1e-4
        )


def test_a_gain_that_only_the_base_current_knows_reaches_the_general_solver() -> None:
    """Draws that Newton's steps do not settle are handed on with their own law."""
    law = replace(bipolar("BC550B").law, forward_gain=np.array([[200.0, 450.0]]))
    stage = replace(NPN_STAGE, supply_V=np.full((1, 2), 12.0))
    far = built_operating_point(stage, law, np.full((1, 1), -3.0))
    np.testing.assert_allclose(
        far.plate_current_A, operating_point(stage, law).plate_current_A, rtol=1e-6
    )
    assert far.plate_current_A[0, 1] > far.plate_current_A[0, 0]


# -- headroom --------------------------------------------------------------------------------------


def test_a_bipolar_stage_swings_from_saturation_to_cut_off() -> None:
    """By hand along the AC load line: up by I_0 (R_c || R_L), down to 0.2 V at the collector."""
    entry = device("BC550B")
    a = Assessment(NPN_STAGE, entry, Targets())
    found, point = a.headroom, a.point
    load = float(parallel(3.3e3, 10e3))
    current, across = float(point.plate_current_A), float(point.plate_cathode_V)
    assert float(found.output_to_cutoff_V) == pytest.approx(0.99 * current * load, rel=1e-3)
    assert Bipolar.saturation_V is not None
    down = (across - Bipolar.saturation_V) * load / (load + 47.0)
    assert float(found.output_to_conduction_V) == pytest.approx(down, rel=1e-3)
    # At the grid: the exponential's own voltage, and what the unbypassed emitter follows.
    more = down / load
    by_junction = 0.025693 * np.log((current + more) / current)
    assert float(found.grid_to_conduction_V) == pytest.approx(by_junction + more * 47.0, rel=0.03)
    assert float(a["headroom_V"]) == pytest.approx(min(0.99 * current * load, down), rel=1e-3)


def test_a_saturated_stage_has_no_swing_left() -> None:
    hot = replace(NPN_STAGE, plate_load_ohm=np.array([3.3e3, 47e3]))
    a = Assessment(hot, device("BC550B"), Targets())
    assert a.point.plate_cathode_V[1] < Bipolar.saturation_V
    assert a["headroom_V"][1] == 0.0
    assert a["headroom_V"][0] > 1.0


def test_each_of_many_transistors_has_its_own_headroom() -> None:
    entry = bipolar("BC550B")
    gains = np.array([150.0, 300.0])
    many = replace(entry.law, forward_gain=gains)
    stage = replace(NPN_STAGE, supply_V=np.full(2, 12.0), grid_leak_ohm=180e3)
    point = operating_point(stage, many)
    linear = small_signal(stage, entry, point)
    found = headroom(many, point, Network(stage, linear, 1e3))
    for at, gain in enumerate(gains):
        one = replace(entry, law=replace(entry.law, forward_gain=float(gain)))
        alone = Assessment(replace(stage, supply_V=12.0), one, Targets())
        assert found.smaller_V[at] == pytest.approx(float(alone["headroom_V"]), rel=1e-9)


# -- words -----------------------------------------------------------------------------------------


def test_each_kind_of_device_brings_its_words() -> None:
    assert device("J201").terms is FIELD_EFFECT
    assert device("2N3904").terms is BIPOLAR
    assert valve("12AX7").terms is VALVE
    _, built = spread_batch(NPN_STAGE, device("BC550B"), [], np.ones((1, 0)))
    assert built.terms is BIPOLAR
