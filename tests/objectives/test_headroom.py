"""Headroom against closed forms and against the stage solved in time.

The output column of the published resistance-coupled charts is not among the references: we know
its definition (r.m.s. volts at about 5 % distortion) but not its numbers well enough to test on.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest
from numpy.typing import ArrayLike
from scipy.optimize import brentq

from fixture_types import ReadReference
from objectives.arrays import FloatArray
from objectives.assessment import Assessment
from objectives.circuit.network import Network
from objectives.circuit.operating_point import operating_point
from objectives.circuit.small_signal import SmallSignal
from objectives.devices.law import ConductionLaw
from objectives.devices.lookup import device
from objectives.devices.triodes import ChildLangmuir, GridCurrent, Koren
from objectives.devices.valve_table import valve
from objectives.stage import Stage, parallel
from objectives.targets import Targets
from objectives.transient.cascade import Cascade, CascadeStage
from objectives.transient.excitation import sine
from objectives.transient.headroom import Headroom, headroom
from objectives.transient.spectrum import distortion_percent, harmonics
from objectives.transient.steady_state import periodic

GRID = GridCurrent(perveance=6.177e-4, exponent=1.314, sharpness=9.901)
KOREN = Koren(mu=100, ex=1.4, kg1=1060, kp=600, kvb=300, grid=GRID)
CHILD = ChildLangmuir(mu=20.0, perveance=4e-5, knee_V=1.0, grid=GRID)
# Invented parts.
STAGE = Stage(
    supply_V=300.0, plate_load_ohm=100e3, cathode_resistor_ohm=1.5e3, output_coupling_F=1e-3,
    load_ohm=470e3,
)  # fmt: skip


def of(stage: Stage, law: ConductionLaw) -> Headroom:
    point = operating_point(stage, law)
    zero = np.zeros(np.shape(point.plate_current_A))
    linear = SmallSignal(point.transconductance_S, point.plate_conductance_S, zero, zero, zero)
    return headroom(law, point, Network(stage, linear, 1000.0))


@pytest.mark.parametrize("unbypassed", [0.0, 1e3])
def test_cut_off_of_the_three_halves_law_in_closed_form(unbypassed: float) -> None:
    """The plate rises by 99 % of I_0 times its AC load, and the grid falls to ``-V_p/mu``."""
    stage = replace(STAGE, cathode_unbypassed_ohm=unbypassed)
    point = operating_point(stage, CHILD)
    found = of(stage, CHILD)
    i0, load = float(point.plate_current_A), float(parallel(100e3, 470e3))
    less = 0.99 * i0
    assert float(found.output_to_cutoff_V) == pytest.approx(less * load, rel=1e-6)
    plate = float(point.plate_cathode_V) + less * (load + unbypassed)
    # What is left of the current takes a little more than the cut-off voltage.
    rest = (0.01 * i0 / 4e-5) ** (2 / 3)
    grid = -plate / 20.0 + rest
    swing = float(point.grid_cathode_V) - grid + less * unbypassed
    assert float(found.grid_to_cutoff_V) == pytest.approx(swing, rel=1e-5)


@pytest.mark.parametrize("unbypassed", [0.0, 1e3])
def test_conduction_lies_on_the_load_line(unbypassed: float) -> None:
    stage = replace(STAGE, cathode_unbypassed_ohm=unbypassed)
    point = operating_point(stage, CHILD)
    found = of(stage, CHILD)
    load = float(parallel(100e3, 470e3))
    more = float(found.output_to_conduction_V) / load
    plate = float(point.plate_cathode_V) - more * (load + unbypassed)
    # At a grid-cathode voltage of 0 V: I = G (V_p / mu)^(3/2).
    assert 4e-5 * (plate / 20.0) ** 1.5 == pytest.approx(
        float(point.plate_current_A) + more, rel=1e-6
    )
    assert float(found.grid_to_conduction_V) == pytest.approx(
        -float(point.grid_cathode_V) + more * unbypassed
    )


def test_figures_follow_from_the_peaks() -> None:
    found = of(replace(STAGE, cathode_resistor_ohm=np.array([680.0, 1.5e3, 4.7e3])), KOREN)
    up, down = found.output_to_cutoff_V, found.output_to_conduction_V
    np.testing.assert_allclose(found.smaller_V, np.minimum(up, down))
    np.testing.assert_allclose(found.asymmetry_ratio, np.maximum(up / down, down / up))
    np.testing.assert_allclose(found.undistorted_V_rms, found.smaller_V / np.sqrt(2))
    # A hotter bias has less to go to conduction and more to cut-off.
    assert np.all(np.diff(found.grid_to_conduction_V) > 0)
    assert np.all(np.diff(found.output_to_cutoff_V) < 0)


@dataclass(frozen=True)
class SquareLaw(ConductionLaw):
    """``I = K (v - V_0)^2`` above cut-off: no valve, but its distortion is exact."""

    per_V2: float = 1e-4
    cut_off_V: float = -9.0

    def plate_current(self, grid_V: ArrayLike, plate_V: ArrayLike) -> FloatArray:
        over = np.maximum(np.asarray(grid_V, float) - self.cut_off_V, 0.0)
        return np.where(np.asarray(plate_V) > 0, self.per_V2 * over**2, 0.0)

    def linearise(
        self, grid_V: ArrayLike, plate_V: ArrayLike
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        over = np.maximum(np.asarray(grid_V, float) - self.cut_off_V, 0.0)
        current = self.plate_current(grid_V, plate_V)
        return current, 2 * self.per_V2 * over + 0 * current, 0 * current

    def grid_current(self, grid_V: ArrayLike, plate_V: ArrayLike) -> FloatArray:
        return np.zeros(np.broadcast_shapes(np.shape(grid_V), np.shape(plate_V)))

    def linearise_grid(
        self, grid_V: ArrayLike, plate_V: ArrayLike
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        none = self.grid_current(grid_V, plate_V)
        return none, none, none

    def at(self, index: object) -> SquareLaw:
        return self


def test_distortion_criterion_of_a_square_law_in_closed_form() -> None:
    """Distortion is A/(4U), so A = U/5 at 5 %, and the output is ``R 2 K U A/sqrt(2)``."""
    stage = Stage(
        supply_V=300.0, plate_load_ohm=10e3, cathode_resistor_ohm=0.0, grid_bias_V=-6.0,
        input_coupling_F=1e-6,
    )  # fmt: skip
    found = of(stage, SquareLaw())
    over = 3.0
    for percent in (1.0, 5.0):
        amplitude = 4 * over * percent / 100
        assert float(found.output_V_rms(percent)) == pytest.approx(
            10e3 * 2 * 1e-4 * over * amplitude / np.sqrt(2), rel=1e-5
        )
    # Biased close to conduction, the grid's onset comes before the distortion.
    close = of(replace(stage, grid_bias_V=-0.1, plate_load_ohm=1e3), SquareLaw())
    assert float(close.output_V_rms(5.0)) == pytest.approx(
        1e3 * 2 * 1e-4 * 8.9 * 0.1 / np.sqrt(2), rel=1e-5
    )


@pytest.mark.slow
def test_the_static_line_meets_the_stage_solved_in_time() -> None:
    # Biased by a fixed voltage: the line is that of a cathode held at rest, while the mean voltage
    # of a bypassed one moves under drive.
    rest = operating_point(STAGE, KOREN)
    stage = replace(
        STAGE, cathode_resistor_ohm=0.0, grid_bias_V=-float(rest.cathode_V),
        supply_V=300.0 - float(rest.cathode_V), input_coupling_F=1.0, output_coupling_F=np.inf,
        grid_leak_ohm=1e3,  # grid current moves the bias next to nothing
    )  # fmt: skip
    found, f = of(stage, KOREN), 100.0
    which = np.zeros(1, dtype=np.intp)
    for level in (0.2, 0.6, 1.0):
        run = periodic(
            Cascade((CascadeStage(stage, KOREN),)), sine(level, f), 1 / f, 200, ((0, "output"),)
        )  # fmt: skip
        dynamic = harmonics(run[0, "output"])
        static = found.line.harmonics(np.array([level]), which)[0] * found.line.plate_ohm
        np.testing.assert_allclose(np.abs(dynamic[1:4]), np.abs(static[1:4]), rtol=2e-3)
        # At the distortion that this level has, this is the output.
        percent = float(distortion_percent(static))
        assert float(found.output_V_rms(percent)) == pytest.approx(
            abs(dynamic[1]) / np.sqrt(2), rel=5e-3
        )


def test_a_batch_is_its_candidates_one_by_one_valves_included() -> None:
    mu = np.array([90.0, 105.0])
    law = replace(KOREN, mu=mu)
    stage = replace(STAGE, plate_load_ohm=np.array([100e3, 220e3]))
    together = of(stage, law)
    for at in range(2):
        alone = of(
            replace(STAGE, plate_load_ohm=[100e3, 220e3][at]), replace(KOREN, mu=float(mu[at]))
        )
        for name in (
            "output_to_cutoff_V", "output_to_conduction_V", "grid_to_cutoff_V",
            "grid_to_conduction_V",
        ):  # fmt: skip
            assert getattr(together, name)[at] == pytest.approx(
                float(getattr(alone, name)), rel=1e-9
            )
        assert together.output_V_rms()[at] == pytest.approx(float(alone.output_V_rms()), rel=1e-6)


@pytest.mark.parametrize(
    ("name", "percent", "parts", "distorted"),
    [
        # Of this one distortion falls again, and is less where the gate conducts.
        ("J201", 18.0, (3.76, 32e3, 3.86e3, 1.55e3), True),
        ("2N5457", 30.0, (3.46, 2.43e3, 1.16e3, 22.1e3), True),
        ("2N3904", 30.0, (4.92, 3.03e3, 53.8, 27.2e3), True),
        # Its grid conducts first.
        ("12AX7", 30.0, (59.7, 133e3, 149.0, 8.09e3), False),
    ],
)
def test_the_first_amplitude_of_a_distortion_counts(
    name: str, percent: float, parts: tuple[float, float, float, float], distorted: bool
) -> None:
    """Against a fine scan of amplitudes, and SciPy's scalar solver. The parts are invented."""
    supply, load, resistor, loaded = parts
    stage = replace(
        STAGE, supply_V=supply, plate_load_ohm=load, cathode_resistor_ohm=resistor, load_ohm=loaded
    )
    if name == "2N3904":
        stage = replace(stage, grid_bias_V=0.705, input_coupling_F=1e-6, grid_leak_ohm=17.1e3)
    found = of(stage, device(name).law)

    def spectrum(amplitude: float) -> FloatArray:
        return found.line.harmonics(np.array([amplitude]), np.zeros(1, np.intp)).ravel()

    def excess(amplitude: float) -> float:
        first, *more = spectrum(amplitude)[1:]
        return float(np.hypot.reduce(more) - percent / 100 * abs(first))

    conduction = float(found.grid_to_conduction_V)
    scan = np.linspace(0.002, 1, 500) * conduction
    above = [amplitude for amplitude in scan if excess(amplitude) > 0]
    assert bool(above) == distorted
    expected = (
        brentq(excess, above[0] - conduction / 499, above[0], rtol=1e-12) if above else conduction
    )
    gain = float(found.line.plate_ohm[0] * found.line.to_output[0]) / np.sqrt(2)
    assert float(found.output_V_rms(percent)) == pytest.approx(
        abs(spectrum(expected)[1]) * gain, rel=1e-9
    )


def test_a_grid_that_conducts_at_rest_leaves_no_swing() -> None:
    hot = replace(STAGE, grid_bias_V=3.0, input_coupling_F=1e-6, grid_leak_ohm=1e3,
                  cathode_resistor_ohm=0.0)  # fmt: skip
    found = of(hot, KOREN)
    assert float(found.grid_to_conduction_V) == 0.0
    assert float(found.smaller_V) == 0.0
    assert np.isinf(float(found.asymmetry_ratio))
    assert float(found.output_V_rms()) == 0.0


def test_bad_criterion_is_named() -> None:
    with pytest.raises(ValueError, match=r"distortion_percent: 50\.0: must be more than 0"):
        of(STAGE, KOREN).output_V_rms(50.0)


def test_output_at_five_percent_against_the_resistance_coupled_chart(
    reference: ReadReference,
) -> None:
    """The 300 V rows of the chart's output column (from memory, see the reference).

    The valve's fit has seen three of the nine. Ours lies 4 to 9 % under it in every row: the
    chart's makers drove to "about" 5 % of a valve with its own spread, and 15 % is what both allow.
    """
    rows = [r for r in reference("resistance_coupled_12ax7")["row"] if r["supply_V"] == 300]
    published = np.array(reference("resistance_coupled_12ax7_output")["output_V_peak"])
    column = {k: np.array([r[k] for r in rows]) for k in rows[0] if k != "used"}
    stage = Stage(
        supply_V=column["supply_V"],
        plate_load_ohm=column["plate_load_ohm"],
        cathode_resistor_ohm=column["cathode_resistor_ohm"],
        load_ohm=column["next_leak_ohm"],
        output_coupling_F=1e-6,
    )
    a = Assessment(stage, valve("12AX7"), Targets())
    at_5_percent = np.sqrt(2) * a["output_at_5_percent_V"]
    assert len(rows) == len(published) == 9
    np.testing.assert_allclose(at_5_percent, published, rtol=0.15)
    # The order of the nine is the chart's: what gives more output there gives more here.
    assert np.corrcoef(at_5_percent, published)[0, 1] > 0.99
