"""The closed-form network against sympy's symbolic nodal solution and the dense nodal system."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import mpmath
import numpy as np
import pytest
import sympy as sp
from scipy import constants
from sympy.polys.rings import ring
from sympy.polys.solvers import solve_lin_sys

from closed_forms import dense_response
from fixture_types import MakeStages
from objectives.circuit.network import Network
from objectives.circuit.nodal import UNKNOWNS, descriptor
from objectives.circuit.noise import a_weighting_dB, noise_budget, to_dBu
from objectives.circuit.small_signal import SmallSignal
from objectives.devices.protocol import DeviceNoise
from objectives.stage import Stage

FREQUENCIES = np.geomspace(1.0, 1e9, 28)
NODES = ("c", "a", "x", "g", "k", "p", "q", "o")


def _symbolic(t: Stage, d: SmallSignal) -> dict[str, Callable[[complex], complex]]:
    """Kirchhoff's current law at every node, solved by sympy as rational functions of s.

    Part values are the exact rational numbers behind the floats, so the functions have no rounding.
    Source: G. Kirchhoff's current law; the solver is sympy's for linear systems over a field.
    """
    s_ = sp.Symbol("s")
    field = sp.QQ.frac_field(s_)
    s = field.gens[0]

    def n(value: Any) -> Any:
        return field(sp.QQ(*float(value).as_integer_ratio()))

    at_grid = n(t.leak_at_grid)
    leak = 1 / n(t.grid_leak_ohm)
    stopper = 1 / (1 / n(t.stopper_ohm) + s * n(t.stopper_shunt_F)) + s * n(t.stopper_lead_H)
    bypass = n(t.bypass_series_ohm) + 1 / (s * n(t.bypass_F))
    cathode = (
        n(t.cathode_unbypassed_ohm)
        + 1 / (1 / n(t.cathode_resistor_ohm) + 1 / bypass)
        + s * n(t.cathode_lead_H)
    )
    ys, ycable, yci = 1 / n(t.source_ohm), s * n(t.cable_F), s * n(t.input_coupling_F)
    yla, yst = leak * (1 - at_grid), 1 / stopper
    fitted = 1 / (1 / (s * n(t.grid_capacitor_F)) + s * n(t.grid_capacitor_lead_H))
    yx = leak * at_grid + fitted + s * n(t.stray_grid_ground_F)
    ygl, yk = 1 / (s * n(t.grid_lead_H)), 1 / cathode
    ygk = n(d.grid_conductance_S) + s * n(d.grid_cathode_F)
    ygp, ypk = s * n(d.grid_plate_F), s * n(d.plate_cathode_F)
    grr = n(d.grid_plate_conductance_S)
    gm, gp = n(d.transconductance_S), n(d.plate_conductance_S)
    ypl = 1 / (s * n(t.plate_lead_H))
    across = 1 / (n(t.plate_capacitor_series_ohm) + 1 / (s * n(t.plate_capacitor_F)))
    supply = 1 / (1 / n(t.decoupling_ohm) + s * n(t.decoupling_F))
    yq = 1 / (supply + 1 / (1 / n(t.plate_load_ohm) + across)) + s * n(t.stray_plate_ground_F)
    yco, yo = s * n(t.output_coupling_F), 1 / n(t.load_ohm) + s * n(t.load_F)
    space, *nodes = ring(",".join(f"V{name}" for name in NODES), field)
    c, a, x, g, k, p, q, o = nodes
    plate_current = (g - k) * gm + (p - k) * (gp + ypk)
    equations = [
        (c - n(t.source_ratio)) * ys + c * ycable + (c - a) * yci,
        (a - c) * yci + a * yla + (a - x) * yst,
        (x - a) * yst + x * yx + (x - g) * ygl,
        (g - x) * ygl + (g - k) * ygk + (g - p) * ygp + (p - k) * grr,
        (k - g) * ygk - plate_current + k * yk - (p - k) * grr,
        plate_current + (p - g) * ygp + (p - q) * ypl,
        (q - p) * ypl + q * yq + (q - o) * yco,
        (o - q) * yco + o * yo,
    ]
    solved = solve_lin_sys(equations, space)

    def function(node: Any) -> Callable[[complex], complex]:
        value = solved[node].as_expr()
        top, bottom = (sp.Poly(part, s_).all_coeffs() for part in sp.fraction(sp.together(value)))

        def at(frequency: complex) -> complex:
            point = 2j * mpmath.pi * frequency
            polynomials = (
                mpmath.polyval([mpmath.mpf(c.p) / c.q for c in part], point)
                for part in (top, bottom)
            )
            return complex(next(polynomials) / next(polynomials))

        return at

    return {name: function(node) for name, node in zip(NODES, nodes, strict=True)}


def _all_present(stage: Stage, device: SmallSignal) -> tuple[Stage, SmallSignal]:
    """Replace absent parts by small or large ones: the symbolic form has no shorts or gaps."""
    floors = {"_ohm": (1.0, 1e8), "_F": (1e-14, 1e-2), "_H": (1e-10, 1.0)}
    changed = {}
    for name, value in stage.numeric_fields().items():
        for suffix, (low, high) in floors.items():
            if name.endswith(suffix):
                changed[name] = np.clip(value, low, high)
    return replace(stage, **changed), device


@pytest.mark.slow
def test_equals_the_symbolic_nodal_solution(random_stages: MakeStages) -> None:
    stages, devices = _all_present(*random_stages(6, seed=11))
    network = Network(stages.expand(), devices.expand(), FREQUENCIES)
    ports = {"g": network.grid, "k": network.cathode, "p": network.plate, "o": network.output}
    with mpmath.workdps(60):
        for row in range(6):
            exact = _symbolic(stages.at(row), devices.at(row))
            for column, frequency in enumerate(FREQUENCIES):
                for node, found in ports.items():
                    truth = exact[node](float(frequency))
                    assert abs(found[row, column] / truth - 1) < 1e-9, (row, node, frequency)


@pytest.mark.slow
def test_equals_the_dense_nodal_system_with_absent_parts(random_stages: MakeStages) -> None:
    stages, devices = random_stages(300, seed=5)
    network = Network(stages.expand(), devices.expand(), FREQUENCIES)
    dense = dense_response(stages, devices, FREQUENCIES)
    for node, found in (
        ("g", network.grid),
        ("k", network.cathode),
        ("p", network.plate),
        ("o", network.output),
    ):
        # A grounded cathode is 0 V in both, to rounding of the volt that drives the stage.
        np.testing.assert_allclose(found, dense[node], rtol=1e-9, atol=1e-14)


@pytest.mark.slow
def with_plate_capacitor_resistors(stages: Stage) -> Stage:
    """Return the stages with a resistor in series with every other plate capacitor."""
    ohm = np.where(np.arange(stages.shape[0]) % 2, np.geomspace(10, 1e6, stages.shape[0]), 0.0)
    larger_F = np.asarray(stages.plate_capacitor_F) * 1e3
    return replace(stages, plate_capacitor_F=larger_F, plate_capacitor_series_ohm=ohm)


def test_a_damped_plate_capacitor_equals_the_dense_nodal_system(random_stages: MakeStages) -> None:
    stages, devices = random_stages(100, seed=6)
    stages = with_plate_capacitor_resistors(stages)
    network = Network(stages.expand(), devices.expand(), FREQUENCIES)
    dense = dense_response(stages, devices, FREQUENCIES)
    for node, found in (("g", network.grid), ("p", network.plate), ("o", network.output)):
        np.testing.assert_allclose(found, dense[node], rtol=1e-9, atol=1e-14)


def test_a_damped_plate_capacitor_is_a_lead_lag() -> None:
    """Plate, load and the branch R + 1/(sC) in parallel: gm R0 (1 + sRC)/(1 + s(R + R0)C)."""
    across_F, series_ohm = 1e-9, 22e3
    stage = Stage(
        supply_V=300, plate_load_ohm=1e5, cathode_resistor_ohm=1500, load_ohm=1e6,
        plate_capacitor_F=across_F, plate_capacitor_series_ohm=series_ohm,
    )  # fmt: skip
    device = SmallSignal(1.6e-3, 16e-6, 0.0, 0.0, 0.0)
    f = np.geomspace(10, 1e7, 40)
    parallel_ohm = 1 / (16e-6 + 1e-5 + 1e-6)
    low_Hz = 1 / (2 * np.pi * (series_ohm + parallel_ohm) * across_F)
    high_Hz = 1 / (2 * np.pi * series_ohm * across_F)
    expected = -1.6e-3 * parallel_ohm * (1 + 1j * f / high_Hz) / (1 + 1j * f / low_Hz)
    np.testing.assert_allclose(Network(stage, device, f).output, expected, rtol=1e-12)


def test_noise_of_the_plate_capacitors_resistor_is_nyquists_in_the_dense_system(
    random_stages: MakeStages,
) -> None:
    """Its EMF put into the resistor's own branch equation of the dense system, 4 k T R over all."""
    stages, devices = random_stages(40, seed=9)
    stages = with_plate_capacitor_resistors(stages)
    frequency_Hz = 3e3
    system = descriptor(stages, devices)
    matrix = 2j * np.pi * frequency_Hz * system.E + system.A
    scale = 1.0 / np.abs(matrix).max(axis=-1, keepdims=True)
    emf = np.zeros(len(UNKNOWNS))
    emf[UNKNOWNS.index("i_plate_capacitor_series")] = 1.0
    solved = np.linalg.solve(matrix * scale, emf[:, None] * scale)[..., 0]
    per_volt = np.abs(solved[:, UNKNOWNS.index("o")])
    network = Network(stages, devices, frequency_Hz)
    found = np.abs(network.output_of("plate_capacitor_series"))
    np.testing.assert_allclose(found, per_volt, rtol=1e-9, atol=1e-14)
    quiet = DeviceNoise(np.zeros(40), np.zeros(40), np.zeros(40))
    narrow = frequency_Hz * (1 - 1e-6), frequency_Hz * (1 + 1e-6)
    budget = noise_budget(
        stages, devices, quiet, reference_Hz=frequency_Hz, temperature_K=290.0, band_Hz=narrow
    )
    nyquist_V = np.sqrt(4 * constants.k * 290.0 * stages.plate_capacitor_series_ohm * 2e-6
                        * frequency_Hz) * per_volt / np.abs(network.output)  # fmt: skip
    weighted_dB = a_weighting_dB(frequency_Hz)
    fitted = (stages.plate_capacitor_F > 0) & (stages.plate_capacitor_series_ohm > 0)
    assert fitted.sum() > 10
    np.testing.assert_allclose(
        budget.by_origin_dBu["plate_capacitor_series"][fitted],
        to_dBu(nyquist_V[fitted]) + weighted_dB,
        atol=1e-4,
    )


def test_a_batch_is_its_stages_one_by_one(random_stages: MakeStages) -> None:
    stages, devices = random_stages(20, seed=2)
    whole = Network(stages.expand(), devices.expand(), FREQUENCIES).output
    for row in range(20):
        alone = Network(stages.at(row), devices.at(row), FREQUENCIES).output
        np.testing.assert_allclose(alone, whole[row], rtol=1e-13)


def test_noise_transfers_are_the_signal_transfer_moved(random_stages: MakeStages) -> None:
    """The EMF of a resistor in a ladder has the transfer that superposition gives it."""
    stages, devices = random_stages(50, seed=7)
    network = Network(stages, devices, 1234.0)
    per_volt = network.output / stages.source_ratio
    np.testing.assert_allclose(network.output_of("source"), per_volt, rtol=1e-12)
    # A volt in series with an infinite load gives nothing anywhere.
    unloaded = Network(replace(stages, load_ohm=np.inf), devices, 1234.0)
    assert np.all(unloaded.output_of("load") == 0)


def test_unknown_origin_is_refused(random_stages: MakeStages) -> None:
    with pytest.raises(ValueError, match="origin: 'anode'"):
        Network(*random_stages(1, seed=1), 1e3).output_of("anode")


def test_input_admittance_divides_the_source() -> None:
    """|Vg| found from the input admittance and the source impedance is |Vg| of the network."""
    stage = Stage(
        supply_V=300, plate_load_ohm=1e5, cathode_resistor_ohm=1500, bypass_F=1e-6,
        stopper_ohm=68e3, source_ohm=38e3, load_ohm=470e3, load_F=50e-12,
    )  # fmt: skip
    device = SmallSignal(1.6e-3, 16e-6, 1.8e-12, 1.7e-12, 0.5e-12)
    f = np.geomspace(10, 1e8, 30)
    network = Network(stage, device, f)
    leak = 1e6
    open_circuit = leak / (leak + 38e3)
    behind = 38e3 * leak / (38e3 + leak) + 68e3
    expected = open_circuit / (1 + behind * network.input_admittance_S)
    np.testing.assert_allclose(network.grid, expected, rtol=1e-12)
