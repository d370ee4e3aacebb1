"""One device in three connections, against the dense nodal system and handbook formulas."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from closed_forms import dense_response
from objectives.circuit.nodal import UNKNOWNS, descriptor
from objectives.circuit.small_signal import SmallSignal
from objectives.circuit.three_connections import Electrode, connection, input_admittance_S
from objectives.stage import Stage

TRIODE = SmallSignal(1.6e-3, 16e-6, 1.8e-12, 1.7e-12, 0.5e-12)
BASE = SmallSignal(40e-3, 2e-5, 30e-12, 3.5e-12, 0.5e-12, grid_conductance_S=40e-3 / 300)
LOAD, SOURCE = 82e3, 220e3
IDLE = {"supply_V": 300.0, "grid_leak_ohm": np.inf}


def dense(grounded: Electrode, device: SmallSignal, f: float) -> tuple[complex, complex, complex]:
    """Solve grid, cathode and plate voltage for 1 V of EMF behind SOURCE, at the input."""
    if grounded != "grid":
        common = grounded == "cathode"
        stage = Stage(
            **IDLE, source_ohm=SOURCE, plate_load_ohm=LOAD if common else 1e-6,
            cathode_resistor_ohm=0.0 if common else LOAD, bypass_F=0.0,
        )  # fmt: skip
        found = dense_response(stage, device, f)
        return complex(found["g"]), complex(found["k"]), complex(found["p"])
    stage = Stage(**IDLE, plate_load_ohm=LOAD, cathode_resistor_ohm=SOURCE, bypass_F=0.0)
    system = descriptor(stage, device)
    # The EMF moves from the grid into the cathode resistor: as a current beside it.
    drive = np.zeros_like(system.B)
    drive[UNKNOWNS.index("j")] = 1.0 / SOURCE
    x = np.linalg.solve(2j * np.pi * f * system.E + system.A, drive)
    return tuple(complex(x[UNKNOWNS.index(name)]) for name in "gkp")  # type: ignore[return-value]


@pytest.mark.parametrize("device", [TRIODE, BASE])
@pytest.mark.parametrize("grounded", ["cathode", "grid", "plate"])
def test_the_corner_is_that_of_the_dense_system(grounded: Electrode, device: SmallSignal) -> None:
    found = connection(grounded, device, np.asarray(LOAD), np.asarray(SOURCE))
    place = 1 if grounded == "grid" else 0
    low, at = (abs(dense(grounded, device, f)[place]) for f in (1.0, float(found.exact_corner_Hz)))
    assert (at / low) ** 2 == pytest.approx(0.5, rel=1e-5)


@pytest.mark.parametrize("grounded", ["cathode", "grid", "plate"])
def test_gain_and_charge_are_those_of_the_dense_system(grounded: Electrode) -> None:
    """What flows into the input's capacitances at 10 Hz, for a volt at the input."""
    g, k, p = dense(grounded, TRIODE, 10.0)
    c_gk, c_gp, c_pk = 1.8e-12, 1.7e-12, 0.5e-12
    into, out, charge = {
        "cathode": (g, p, c_gk * (g - k) + c_gp * (g - p)),
        "grid": (k, p, c_gk * (k - g) + c_pk * (k - p)),
        "plate": (g, k, c_gp * (g - p) + c_gk * (g - k)),
    }[grounded]
    found = connection(grounded, TRIODE, np.asarray(LOAD), np.asarray(SOURCE))
    assert found.gain == pytest.approx((out / into).real, rel=1e-6)
    assert found.input_F == pytest.approx((charge / into).real, rel=1e-5)


@pytest.mark.parametrize("grounded", ["cathode", "grid", "plate"])
@pytest.mark.parametrize("f", [100.0, 1e5, 1e7])
def test_the_admittance_is_that_of_the_dense_system(grounded: Electrode, f: float) -> None:
    voltage = dense(grounded, BASE, f)[1 if grounded == "grid" else 0]
    into = input_admittance_S(grounded, BASE, np.asarray(LOAD), np.asarray(f))
    assert complex(into) == pytest.approx((1 / voltage - 1) / SOURCE, rel=1e-8)


def test_handbook_numbers() -> None:
    """F. Langford-Smith (ed.), Radiotron Designer's Handbook, 4th ed., 1953 (from memory).

    With mu = 100, rp = 62.5 kohm and R = 82 kohm.
    """
    load, source = np.asarray(LOAD), np.asarray(SOURCE)
    miller, grid, follower = (
        connection(e, TRIODE, load, source) for e in ("cathode", "grid", "plate")
    )
    a = 100 * 82 / 144.5
    assert miller.input_F == pytest.approx(1.8e-12 + 1.7e-12 * (1 + a))
    assert grid.gain == pytest.approx(101 * 82 / 144.5)
    assert grid.input_ohm == pytest.approx(144.5e3 / 101)
    a_cf = 100 * 82 / (62.5 + 101 * 82)
    assert follower.input_F == pytest.approx(1.7e-12 + 1.8e-12 * (1 - a_cf))
    assert follower.corner_Hz == pytest.approx(follower.exact_corner_Hz, rel=0.01)


def test_a_batch_is_its_stages() -> None:
    load = np.array([47e3, 82e3, 150e3])
    some = connection("grid", TRIODE, load, np.asarray(SOURCE))
    each = [connection("grid", TRIODE, one, np.asarray(SOURCE)).exact_corner_Hz for one in load]
    assert some.exact_corner_Hz == pytest.approx(np.array(each))


def test_a_perfect_source_has_no_corner() -> None:
    found = connection("cathode", TRIODE, np.asarray(LOAD), np.asarray(0.0))
    assert np.isinf(found.exact_corner_Hz)
    assert np.isinf(found.corner_Hz)
    alone = replace(TRIODE, plate_cathode_F=0.0)
    assert connection("grid", alone, np.asarray(LOAD), np.asarray(SOURCE)).input_F == 1.8e-12
