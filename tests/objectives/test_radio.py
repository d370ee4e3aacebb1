"""Real resistors, radio at the grid and its detection, against closed forms and brute force."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import constants, differentiate, optimize

from closed_forms import dense_response
from objectives.assessment import Assessment
from objectives.circuit.arrival import AtJack
from objectives.circuit.network import Network
from objectives.circuit.nodal import UNKNOWNS, descriptor
from objectives.circuit.noise import DBU_REFERENCE_V
from objectives.circuit.small_signal import SmallSignal
from objectives.devices.law import ConductionLaw
from objectives.devices.protocol import OperatingPoint
from objectives.devices.triodes import ChildLangmuir, DempwolfZolzer, GridCurrent, Koren
from objectives.radio.attenuation import attenuation_dB
from objectives.radio.detection import QUIETEST_DBU, Carrier, curvature, detection
from objectives.radio.stopper import (
    alternatives,
    stopper_impedance_ohm,
    stopper_limits,
)
from objectives.radio.tables import (
    radio_band,
    radio_bands,
    resistor_style,
    resistor_styles,
    wire_inductance_H,
    wiring,
    wirings,
)
from objectives.scores.radio import assessed_detection, detected_by_band_dBu
from objectives.scores.registry import REGISTRY
from objectives.stage import Stage
from objectives.targets import Targets
from stand_in import StandIn

GRID = GridCurrent(perveance=6e-4, exponent=1.3, sharpness=9.9)
KOREN = Koren(mu=100, ex=1.4, kg1=1060, kp=600, kvb=300)
KOREN_WITH_GRID = replace(KOREN, grid=GRID)
COLD = SmallSignal(0.0, 1e-9, 0.0, 0.0, 0.0)
PERFECT = AtJack(impedance_ohm=0.0, wiring_m=0.01)


@dataclass(frozen=True)
class Quadratic(ConductionLaw):
    """A law with nothing above the second order, so that square-law detection is exact.

    ``I = i0 + gm v + gp u + a v^2/2 + b v u + c u^2/2`` about (v0, u0), grid current alike.
    """

    v0: float = -1.5
    u0: float = 200.0
    slopes: tuple[float, float] = (2e-3, 2e-5)
    bends: tuple[float, float, float] = (1.2e-3, 8e-6, 1.5e-7)
    grid_slope: float = 1e-6
    grid_bends: tuple[float, float, float] = (3e-6, 0.0, 0.0)

    def plate_current(self, grid_V: Any, plate_V: Any) -> np.ndarray:
        v, u = np.asarray(grid_V) - self.v0, np.asarray(plate_V) - self.u0
        (gm, gp), (a, b, c) = self.slopes, self.bends
        return np.asarray(1e-3 + gm * v + gp * u + a * v * v / 2 + b * v * u + c * u * u / 2)

    def linearise(self, grid_V: Any, plate_V: Any) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        v, u = np.asarray(grid_V) - self.v0, np.asarray(plate_V) - self.u0
        (gm, gp), (a, b, c) = self.slopes, self.bends
        return self.plate_current(grid_V, plate_V), gm + a * v + b * u, gp + b * v + c * u

    def grid_current(self, grid_V: Any, plate_V: Any) -> np.ndarray:
        v, u = np.asarray(grid_V) - self.v0, np.asarray(plate_V) - self.u0
        a, b, c = self.grid_bends
        return np.asarray(self.grid_slope * v + a * v * v / 2 + b * v * u + c * u * u / 2)

    def linearise_grid(
        self, grid_V: Any, plate_V: Any
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        v, u = np.asarray(grid_V) - self.v0, np.asarray(plate_V) - self.u0
        a, b, c = self.grid_bends
        return self.grid_current(grid_V, plate_V), self.grid_slope + a * v + b * u, b * v + c * u

    def at(self, index: Any) -> Quadratic:
        return self


BANDS = tuple(band.required(40.0) for band in radio_bands())
TARGETS = Targets(radio_bands=BANDS, input_corner_Hz=10e3)


def usual(**changes: Any) -> Stage:
    values: dict[str, Any] = {
        "supply_V": 300.0, "plate_load_ohm": 100e3, "cathode_resistor_ohm": 1500.0,
        "stopper_ohm": 68e3, "bypass_F": 22e-6, "source_ohm": 10e3, "cable_F": 100e-12,
        "input_coupling_F": 22e-9, "stopper_shunt_F": 0.3e-12, "stopper_lead_H": 14e-9,
        "output_coupling_F": 22e-9, "load_ohm": 1e6, "load_F": 50e-12,
        "stray_grid_ground_F": 2e-12, "stray_plate_ground_F": 3e-12, "grid_lead_H": 10e-9,
        "plate_lead_H": 20e-9, "cathode_lead_H": 15e-9,
    }  # fmt: skip
    return Stage(**(values | changes))


def assess(**changes: Any) -> Assessment:
    return Assessment(usual(**changes), StandIn(KOREN_WITH_GRID), TARGETS)


# -- tables ----------------------------------------------------------------------------------------


def test_every_style_is_sensible_and_says_where_it_is_from() -> None:
    styles = resistor_styles()
    assert len({style.name for style in styles}) == len(styles) >= 10
    for style in styles:
        low, high = style.shunt_range_F
        assert 0 < low <= style.shunt_F <= high < 5e-12
        assert 0 < style.lead_H < 1e-5
        assert style.source
        if style.body_mm is not None:
            assert style.lead_mm is not None
            assert style.lead_diameter_mm is not None
            length = (style.body_mm + 2 * style.lead_mm) * 1e-3
            assert style.lead_H == pytest.approx(
                float(wire_inductance_H(length, style.lead_diameter_mm * 1e-3)), rel=0.02
            )


def test_a_style_by_name() -> None:
    half = resistor_style("carbon film 1/2 W")
    assert half.shunt_F == 0.3e-12
    assert resistor_style("  Carbon Film ½W ") is half
    with pytest.raises(ValueError, match=r"resistor_style: 'tin': must be one of .*SMD 1206"):
        resistor_style("tin")
    fitted = half.fitted(usual(stopper_shunt_F=0.0, stopper_lead_H=0.0))
    given = float(fitted.stopper_shunt_F), float(fitted.stopper_lead_H)
    assert given == (half.shunt_F, half.lead_H)


def test_two_in_series_have_half_the_capacitance() -> None:
    quarter = resistor_style("metal film 1/4 W")
    two = quarter.in_series(2)
    assert (two.shunt_F, two.lead_H) == (quarter.shunt_F / 2, quarter.lead_H * 2)
    half, whole = usual(stopper_ohm=34e3), usual(stopper_ohm=68e3)
    f = np.geomspace(1e3, 1e9, 50)
    np.testing.assert_allclose(
        stopper_impedance_ohm(two.fitted(whole), f),
        2 * stopper_impedance_ohm(quarter.fitted(half), f),
    )
    with pytest.raises(ValueError, match="count: 0"):
        quarter.in_series(0)


@pytest.mark.parametrize(
    ("key", "low_Hz", "high_Hz"),
    [
        ("AM", 526.5e3, 1606.5e3),
        ("short wave", 2.3e6, 26.1e6),
        ("CB", 26.965e6, 27.405e6),
        ("FM", 87.5e6, 108e6),
        ("400 MHz", 380e6, 470e6),
        ("900 MHz", 880e6, 960e6),
    ],
)
def test_standard_bands(key: str, low_Hz: float, high_Hz: float) -> None:
    band = radio_band(key)
    assert (band.low_Hz, band.high_Hz) == (low_Hz, high_Hz)
    required = band.required(40.0)
    assert (required.low_Hz, required.high_Hz, required.attenuation_dB) == (low_Hz, high_Hz, 40.0)


def test_bands_rise_and_wrong_names_are_told() -> None:
    edges = [edge for band in radio_bands() for edge in (band.low_Hz, band.high_Hz)]
    assert edges == sorted(edges)
    with pytest.raises(ValueError, match=r"radio_band: 'x ray': must be one of long wave, AM"):
        radio_band("x ray")
    with pytest.raises(ValueError, match=r"wiring: 'rope': must be one of"):
        wiring("rope")


@pytest.mark.parametrize("impedance_ohm", [50, 75])
def test_cable_capacitance_by_line_theory(impedance_ohm: int) -> None:
    per_metre = 1 / (impedance_ohm * 0.66 * constants.c)
    cable = wiring(f"coaxial cable {impedance_ohm} ohm")
    assert cable.per == "metre"
    assert cable.capacitance_F == pytest.approx(per_metre, rel=0.01)
    np.testing.assert_allclose(cable.total_F([0, 3]), [0, 3 * cable.capacitance_F])
    assert all(0 < entry.capacitance_F < 1e-9 and entry.source for entry in wirings())


def test_wire_inductance() -> None:
    # A metre of 1 mm wire: 0.2 (ln 4000 - 1) uH.
    assert float(wire_inductance_H(1.0, 1e-3)) == pytest.approx(1.45881e-6, rel=1e-5)
    # About a nanohenry a millimetre, as the bench rule says.
    assert 0.6e-6 < float(wire_inductance_H(0.02, 0.6e-3)) / 0.02 < 1.1e-6
    for wrong in ((0.0, 1e-3), (1.0, -1.0), (2e-3, 1e-3)):
        with pytest.raises(ValueError, match="_m: "):
            wire_inductance_H(*wrong)


@pytest.mark.parametrize(
    ("values", "message"),
    [
        ({"emf_V": 0.0}, r"carrier.emf_V: 0.0"),
        ({"modulation": 1.5}, r"carrier.modulation: 1.5: must be 0 to 1"),
        ({"audio_Hz": np.inf}, r"carrier.audio_Hz: inf"),
    ],
)
def test_wrong_carriers(values: dict[str, Any], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        Carrier(**values)


# -- rejection -------------------------------------------------------------------------------------


def low_pass(r: float, c: float, **changes: Any) -> Stage:
    values: dict[str, Any] = {"grid_leak_ohm": np.inf, "stopper_ohm": r, "grid_capacitor_F": c}
    return Stage(300.0, 1e5, 1e3, **(values | changes))


def test_stopper_alone_is_a_low_pass() -> None:
    r, c = 47e3, 80e-12
    f = np.geomspace(10, 1e8, 40)
    found = attenuation_dB(low_pass(r, c), COLD, f, PERFECT)
    np.testing.assert_allclose(found, 10 * np.log10(1 + (2 * np.pi * f * r * c) ** 2), atol=1e-8)


def test_with_its_own_capacitance_the_attenuation_ends_at_a_divider() -> None:
    r, c, own = 47e3, 80e-12, 0.4e-12
    stage = low_pass(r, c, stopper_shunt_F=own)
    f = np.geomspace(10, 1e10, 60)
    s = 2j * np.pi * f
    expected = -20 * np.log10(np.abs((1 + s * r * own) / (1 + s * r * (own + c))))
    np.testing.assert_allclose(attenuation_dB(stage, COLD, f, PERFECT), expected, atol=1e-8)
    limits = stopper_limits(stage, COLD, PERFECT)
    assert float(limits.greatest_dB) == pytest.approx(20 * np.log10(1 + c / own), abs=0.01)


def test_where_a_stopper_stops_being_a_resistor() -> None:
    r, own, lead = 47e3, 0.4e-12, 20e-9
    capacitive = stopper_limits(low_pass(r, 80e-12, stopper_shunt_F=own), COLD, PERFECT)
    assert float(capacitive.impedance_Hz) == pytest.approx(1 / (2 * np.pi * r * own), rel=1e-6)
    inductive = stopper_limits(low_pass(33.0, 80e-12, stopper_lead_H=lead), COLD, PERFECT)
    assert float(inductive.impedance_Hz) == pytest.approx(33.0 / (2 * np.pi * lead), rel=1e-6)
    # Attenuation off by half a power from that of the ideal low-pass.
    c = 80e-12

    def off(f: float) -> float:
        s = 2j * np.pi * f
        real = (1 + s * r * own) / (1 + s * r * (own + c))
        return float(20 * np.log10(np.abs(real * (1 + s * r * c))) - 10 * np.log10(2))

    expected = optimize.brentq(off, 1e5, 1e8)
    assert float(capacitive.rejection_Hz) == pytest.approx(expected, rel=1e-6)


def test_limits_of_no_stopper_and_of_one_already_beyond() -> None:
    none = stopper_limits(low_pass(0.0, 1e-12, source_ohm=1e3), COLD, PERFECT)
    assert np.isposinf(none.impedance_Hz)
    assert np.isposinf(none.rejection_Hz)
    coil = stopper_limits(low_pass(1.0, 1e-12, stopper_lead_H=1.0), COLD, PERFECT)
    assert float(coil.impedance_Hz) == 1000.0


def test_a_smaller_style_works_further_up() -> None:
    a = assess(stopper_ohm=np.full(2, 68e3), stopper_shunt_F=np.array([0.45e-12, 0.08e-12]))
    limits = stopper_limits(a.stage, a.linear, AtJack())
    assert limits.rejection_Hz[1] > 4 * limits.rejection_Hz[0]
    assert limits.impedance_Hz[1] == pytest.approx(limits.impedance_Hz[0] * 0.45 / 0.08, rel=1e-2)


def test_alternatives() -> None:
    a = assess(stopper_ohm=np.array([68e3]))
    rows = alternatives(a)
    by_style = {row.style: row for row in rows if row.style}
    first = rows[0]
    assert (first.style, first.added_F) == ("", 0.0)
    assert first.worst_margin_dB == pytest.approx(float(a["rf_margin_dB"][0]), abs=1e-9)
    assert first.detected_dBu == pytest.approx(float(a["detected_radio_dBu"][0]), abs=1e-6)
    assert first.input_corner_Hz == pytest.approx(float(a["input_corner_Hz"][0]), rel=1e-6)
    margins = a.radio_margins_dB
    assert first.worst_band == min(margins, key=lambda name: float(margins[name][0]))
    assert first.attenuation_dB["FM broadcast"] == pytest.approx(
        float(margins["FM broadcast"][0]) + 40.0
    )
    small, large = by_style["SMD 0805"], by_style["carbon composition 1/2 W"]
    assert small.stopper_limit_Hz > 5 * large.stopper_limit_Hz
    assert small.attenuation_dB["FM broadcast"] > large.attenuation_dB["FM broadcast"] + 10
    # A style costs next to no audio; a capacitor at the grid does.
    assert small.input_corner_Hz == pytest.approx(first.input_corner_Hz, rel=5e-3)
    # What a capacitor does at radio frequencies its leads decide; for audio they do not count.
    of_100_pF = {row.capacitor_style: row for row in rows if row.added_F == 100e-12}
    chip, axial = of_100_pF["SMD 0805"], of_100_pF["polystyrene, axial"]
    assert abs(chip.attenuation_dB["FM broadcast"] - axial.attenuation_dB["FM broadcast"]) > 3
    assert chip.input_corner_Hz == pytest.approx(axial.input_corner_Hz, rel=1e-3)
    added = of_100_pF[""]
    assert added.grid_capacitor_F == pytest.approx(100e-12)
    assert added.input_corner_Hz < 0.7 * first.input_corner_Hz
    assert added.worst_margin_dB > first.worst_margin_dB + 3
    assert added.detected_dBu < first.detected_dBu


def test_alternatives_without_stopper_or_bands() -> None:
    rows = alternatives(assess(stopper_ohm=0.0), grid_capacitors_F=(47e-12,), capacitors=())
    assert [(row.style, row.added_F) for row in rows] == [("", 0.0), ("", 47e-12)]
    silent = alternatives(Assessment(usual(), StandIn(KOREN_WITH_GRID), Targets()), styles=())
    assert np.isnan(silent[0].worst_margin_dB)
    assert np.isnan(silent[0].detected_dBu)
    with pytest.raises(ValueError, match="batch of 2: must be one stage"):
        alternatives(assess(stopper_ohm=np.array([1e3, 2e3])))


# -- curvature -------------------------------------------------------------------------------------


def test_curvature_of_a_quadratic_law_is_exact() -> None:
    law = Quadratic(grid_bends=(3e-6, 1e-8, 2e-9))
    bend = curvature(law, np.array([-3.0, -1.5]), np.array([100.0, 200.0]))
    for found, expected in (
        (bend.plate_by_grid, law.bends[0]), (bend.plate_mixed, law.bends[1]),
        (bend.plate_by_plate, law.bends[2]), (bend.grid_by_grid, law.grid_bends[0]),
        (bend.grid_mixed, law.grid_bends[1]), (bend.grid_by_plate, law.grid_bends[2]),
    ):  # fmt: skip
        np.testing.assert_allclose(found, expected, rtol=1e-8)


def test_curvature_of_the_three_halves_law() -> None:
    law = ChildLangmuir(mu=20.0, perveance=1e-3)
    v, u = -4.0, 180.0
    bend = curvature(law, v, u)
    second = 0.75 * 1e-3 / np.sqrt(v + u / 20)
    assert float(bend.plate_by_grid) == pytest.approx(second, rel=1e-7)
    assert float(bend.plate_mixed) == pytest.approx(second / 20, rel=1e-7)
    assert float(bend.plate_by_plate) == pytest.approx(second / 400, rel=1e-6)


@pytest.mark.slow
@pytest.mark.parametrize(
    "law",
    [
        KOREN_WITH_GRID,
        DempwolfZolzer(mu=103, perveance=2.2e-3, exponent=1.26, sharpness=3.4, grid=GRID),
    ],
)
@given(st.floats(-3.0, -0.2), st.floats(60.0, 300.0))
@settings(max_examples=30, deadline=None)
def test_curvature_against_an_adaptive_hessian(law: Any, v: float, u: float) -> None:
    bend = curvature(law, v, u)

    def of(current: Any) -> np.ndarray:
        found = differentiate.hessian(
            lambda x: current(x[0], x[1]), np.array([v, u]), initial_step=0.02
        )
        return np.asarray(found.ddf)

    plate, grid = of(law.plate_current), of(law.grid_current)
    largest = max(abs(float(bend.plate_by_grid)), 1e-9)
    assert float(bend.plate_by_grid) == pytest.approx(plate[0, 0], abs=1e-4 * largest)
    assert float(bend.plate_mixed) == pytest.approx(plate[0, 1], abs=1e-4 * largest)
    assert float(bend.plate_by_plate) == pytest.approx(plate[1, 1], abs=1e-4 * largest)
    assert float(bend.grid_by_grid) == pytest.approx(grid[0, 0], rel=1e-3, abs=1e-9)


def test_curvature_of_spread_valves() -> None:
    mu = np.array([90.0, 100.0, 110.0])
    together = curvature(replace(KOREN, mu=mu), -1.5, 200.0).plate_by_grid
    alone = [float(curvature(replace(KOREN, mu=m), -1.5, 200.0).plate_by_grid) for m in mu]
    np.testing.assert_allclose(together, alone)


# -- detection -------------------------------------------------------------------------------------


def tone_by_averaging(
    law: Any, v: complex, u: complex, wave: Carrier, *, grid: bool = False
) -> float:
    """Peak of the current's tone for peak phasors v and u, averaged over every carrier phase.

    64 phases of the carrier by 64 of the tone: exact for the harmonics that matter here.
    """
    turn = 2 * np.pi * np.arange(64) / 64
    carrier, tone = np.exp(1j * turn)[:, None], turn[None, :]
    envelope = 1 + wave.modulation * np.cos(tone)
    at = (law.v0, law.u0)
    instant = [x0 + (envelope * x * carrier).real for x0, x in zip(at, (v, u), strict=True)]
    current = (law.grid_current if grid else law.plate_current)(*instant)
    return float(2 * np.mean(current.mean(axis=0) * np.cos(turn)))


def quadratic_device(law: Quadratic) -> SmallSignal:
    return SmallSignal(
        law.slopes[0], law.slopes[1], 1.6e-12, 1.7e-12, 0.5e-12, grid_conductance_S=law.grid_slope
    )


def point_of(law: Any) -> OperatingPoint:
    zero = np.zeros(())
    _, gm, gp = law.linearise(law.v0, law.u0)
    return OperatingPoint(
        zero, zero, np.asarray(law.v0), zero, np.asarray(law.u0), gm, gp, zero, zero, zero
    )


def injected(stage: Stage, device: SmallSignal, f: float, plate_A: float, grid_A: float) -> complex:
    """Output for currents from plate to cathode and from grid to cathode, by the dense system."""
    system = descriptor(stage, device)
    matrix = 2j * np.pi * f * np.squeeze(system.E) + np.squeeze(system.A)
    drawn = np.zeros(len(UNKNOWNS), complex)
    drawn[UNKNOWNS.index("p")] -= plate_A
    drawn[UNKNOWNS.index("g")] -= grid_A
    drawn[UNKNOWNS.index("k")] += plate_A + grid_A
    scale = 1 / np.abs(matrix).max(axis=1)
    return complex(np.linalg.solve(matrix * scale[:, None], drawn * scale)[UNKNOWNS.index("o")])


@pytest.mark.parametrize("f", [150e3, 1e6, 27e6, 100e6])
def test_detection_of_a_quadratic_law_is_what_averaging_gives(f: float) -> None:
    law = Quadratic(grid_bends=(3e-6, 2e-8, 1e-9))
    stage, device = usual(), quadratic_device(law)
    wave = Carrier(emf_V=0.2, modulation=0.4, audio_Hz=700.0)
    found = detection(stage, device, point_of(law), law, f, wave)
    # The carrier drives the stage in place of source and cable.
    voltages = dense_response(replace(stage, source_ohm=50.0, cable_F=0.0), device, f)
    peak = np.sqrt(2) * wave.emf_V
    v, u = (peak * complex(np.squeeze(voltages[x] - voltages["k"])) for x in ("g", "p"))
    plate_A = tone_by_averaging(law, v, u, wave)
    grid_A = tone_by_averaging(law, v, u, wave, grid=True)
    output = injected(stage, device, 700.0, plate_A, grid_A)
    gain = complex(np.squeeze(dense_response(stage, device, 700.0)["o"]))
    assert float(found.input_V[0]) == pytest.approx(abs(output / gain) / np.sqrt(2), rel=1e-6)
    assert float(found.grid_cathode_V[0]) == pytest.approx(abs(v) / np.sqrt(2), rel=1e-6)
    assert float(found.plate_cathode_V[0]) == pytest.approx(abs(u) / np.sqrt(2), rel=1e-6)


def test_at_a_perfect_source_it_is_the_textbook_expression() -> None:
    # Nothing between source and grid, cathode and plate held for radio:
    # the tone is (m/2) (gm'/gm) V^2 in series with the grid.
    law = Quadratic(grid_slope=0.0, grid_bends=(0.0, 0.0, 0.0))
    stage = Stage(300.0, 1e5, 1e3, plate_capacitor_F=1e-6)
    device = SmallSignal(law.slopes[0], law.slopes[1], 1e-12, 0.0, 1e-12)
    wave = Carrier(emf_V=0.1, modulation=0.3, arrival=PERFECT)
    found = detection(stage, device, point_of(law), law, 10e6, wave)
    peak = 0.1 * np.sqrt(2)
    expected = 0.3 / 2 * (law.bends[0] / law.slopes[0]) * peak**2 / np.sqrt(2)
    assert float(found.input_V[0]) == pytest.approx(expected, rel=1e-4)
    assert float(found.grid_curve_only_V[0]) == pytest.approx(expected, rel=1e-9)
    assert float(found.level_dBu[0]) == pytest.approx(
        20 * np.log10(expected / DBU_REFERENCE_V), abs=1e-3
    )


def test_second_harmonic_of_the_tone() -> None:
    law = Quadratic()
    wave = Carrier(modulation=0.6)
    turn = 2 * np.pi * np.arange(64) / 64
    instant = law.v0 + 0.05 * (1 + 0.6 * np.cos(turn))[None, :] * np.cos(turn)[:, None]
    current = law.plate_current(instant, law.u0).mean(axis=0)
    first, second = (np.mean(current * np.cos(n * turn)) for n in (1, 2))
    found = detection(usual(), quadratic_device(law), point_of(law), law, 1e6, wave)
    assert found.second_harmonic_ratio == pytest.approx(second / first)


@pytest.mark.parametrize("v0", [-2.5, -1.5, -0.8])
def test_a_real_law_follows_its_square_law_while_the_carrier_is_small(v0: float) -> None:
    """Brute force over the whole curve; what is left out falls with the square of the carrier."""

    class Placed:
        u0 = 200.0
        plate_current = staticmethod(KOREN.plate_current)

        def __init__(self) -> None:
            self.v0 = v0

    bend = float(curvature(KOREN, v0, 200.0).plate_by_grid)
    wave = Carrier(modulation=0.3)
    errors = []
    for peak in (0.04, 0.02, 0.01):
        brute = tone_by_averaging(Placed(), peak, 0.0, wave)
        errors.append(brute / (0.3 / 2 * bend * peak**2) - 1)
    assert abs(errors[-1]) < 2e-3
    np.testing.assert_allclose(errors[0] / errors[1], 4.0, rtol=0.05)


@given(st.floats(1e-4, 0.05), st.floats(0.01, 1.0), st.floats(1.1, 10.0))
@settings(max_examples=30, deadline=None)
def test_detected_audio_goes_with_the_square_of_the_carrier(
    emf_V: float, modulation: float, factor: float
) -> None:
    a = assess()
    f = np.array([1e6, 1e8])
    base = detection(a.stage, a.linear, a.point, a.device.law, f, Carrier(emf_V, modulation))
    stronger = detection(
        a.stage, a.linear, a.point, a.device.law, f, Carrier(emf_V * factor, modulation)
    )
    shallower = detection(
        a.stage, a.linear, a.point, a.device.law, f, Carrier(emf_V, modulation / factor)
    )
    np.testing.assert_allclose(stronger.input_V, base.input_V * factor**2, rtol=1e-9)
    np.testing.assert_allclose(shallower.input_V, base.input_V / factor, rtol=1e-9)


def test_the_plate_counts_at_low_radio_frequencies_only() -> None:
    found = assessed_detection(assess(), [150e3, 30e6, 300e6])
    departure = np.abs(found.grid_curve_only_V / found.input_V - 1)
    assert departure[0] > 0.03
    assert np.all(departure[1:] < 0.01)


def test_grid_current_detects_too() -> None:
    """Near zero bias the grid's own curve, through a large grid leak, adds to the plate's."""
    near_zero = {"cathode_resistor_ohm": 120.0, "stopper_ohm": 470e3}
    with_grid = Assessment(usual(**near_zero), StandIn(KOREN_WITH_GRID), TARGETS)
    without = Assessment(usual(**near_zero), StandIn(KOREN), TARGETS)
    # The same point and linear device; only the curvature of the grid current differs.
    point, linear = with_grid.point, with_grid.linear
    levels = [
        detection(usual(**near_zero), linear, point, law, 1e6).input_V[0]
        for law in (with_grid.device.law, without.device.law)
    ]
    assert abs(levels[0] / levels[1] - 1) > 0.1


def test_scores_and_bands() -> None:
    a = assess(stopper_ohm=np.array([1e3, 10e3, 100e3]))
    per_band = detected_by_band_dBu(a)
    assert list(per_band) == [band.name for band in a.targets.scored_bands]
    total = a["detected_radio_dBu"]
    np.testing.assert_allclose(total, np.max(list(per_band.values()), axis=0))
    assert np.all(np.diff(total) < 0)
    swept = assessed_detection(a, [1e6]).level_dBu[:, 0]
    assert np.all(swept <= per_band["medium-wave broadcast"] + 1e-9)
    louder = replace(a, targets=replace(TARGETS, carrier=Carrier(emf_V=1.0)))
    np.testing.assert_allclose(louder["detected_radio_dBu"], total + 40.0, atol=1e-9)
    known = REGISTRY["detected_radio_dBu"]
    assert known.direction == "minimise"
    assert known.requires == {"radio_bands"}


def test_without_bands_there_is_nothing_to_detect() -> None:
    a = Assessment(usual(), StandIn(KOREN_WITH_GRID), Targets())
    with pytest.raises(ValueError, match=r"targets.radio_bands: not given"):
        a["detected_radio_dBu"]


def test_a_cut_off_valve_detects_nothing() -> None:
    level = assess(grid_bias_V=np.array([0.0, -200.0]))["detected_radio_dBu"]
    assert level[0] > -200
    assert level[1] == QUIETEST_DBU


def test_a_stage_that_passes_nothing_has_no_level_to_refer_to() -> None:
    law = Quadratic(slopes=(0.0, 1e-5))
    device = SmallSignal(0.0, 1e-5, 1e-12, 0.0, 0.0)
    found = detection(Stage(300.0, 1e5, 0.0), device, point_of(law), law, 1e6)
    assert np.isposinf(found.input_V).all()


def test_a_batch_gives_what_its_members_give() -> None:
    stopper = np.array([0.0, 4.7e3, 68e3, 220e3])
    together = assess(stopper_ohm=stopper)["detected_radio_dBu"]
    alone = [float(assess(stopper_ohm=r)["detected_radio_dBu"]) for r in stopper]
    np.testing.assert_allclose(together, alone, atol=1e-9)


def test_the_network_loses_gain_at_radio_frequencies() -> None:
    """Grid to plate, the exact network falls by its Miller and load capacitances."""
    a = assess()
    f = np.array([1e3, 1e6, 1e8])
    network = Network(a.stage.expand(), a.linear.expand(), f)
    gain = np.abs(network.plate / network.grid).ravel()
    assert gain[0] > 40
    assert gain[1] < gain[0] / 3
    assert gain[2] < 0.5
