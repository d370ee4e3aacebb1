"""Radio from where it comes, against closed forms, line theory and small systems of Kirchhoff's."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy import constants

from closed_forms import dense_response
from fixture_types import MakeStages
from objectives.assessment import Assessment
from objectives.circuit.arrival import (
    AlongCable,
    Arrival,
    AtJack,
    CommonMode,
    ThroughSupply,
)
from objectives.circuit.network import Network
from objectives.circuit.nodal import UNKNOWNS, descriptor
from objectives.circuit.small_signal import SmallSignal
from objectives.radio.attenuation import attenuation_dB
from objectives.radio.detection import Carrier
from objectives.radio.tables import (
    capacitor_style,
    capacitor_styles,
    radio_bands,
    wire_inductance_H,
)
from objectives.stage import Stage
from objectives.targets import RadioBand, Targets
from stand_in import StandIn

COLD = SmallSignal(0.0, 1e-9, 0.0, 0.0, 0.0)
F = np.geomspace(1e4, 2e8, 40)
S = 2j * np.pi * F


def bare(**changes: Any) -> Stage:
    """A stage whose grid takes nothing, driven by 10 kΩ through 200 pF of cable."""
    values = {"source_ohm": 10e3, "cable_F": 200e-12, "grid_leak_ohm": np.inf}
    return Stage(300.0, 1e5, 1e3, **(values | changes))


# -- at the jack -----------------------------------------------------------------------------------


def test_from_the_jack_a_stopper_and_a_capacitor_are_an_rc_divider() -> None:
    """Neither cable nor source resistance earns anything: all that counts is behind the jack."""
    r, c = 10e3, 47e-12
    expected = 10 * np.log10(1 + (2 * np.pi * F * (r + 50) * c) ** 2)
    for source in ({}, {"source_ohm": 1e6, "cable_F": 1e-9}):
        stage = bare(stopper_ohm=r, grid_capacitor_F=c, **source)
        np.testing.assert_allclose(attenuation_dB(stage, COLD, F, AtJack()), expected, atol=1e-9)


def test_at_the_jack_is_the_stage_driven_by_the_carrier(random_stages: MakeStages) -> None:
    stages, devices = random_stages(40, seed=21)
    driven = replace(stages, source_ohm=75.0, cable_F=0.0, source_ratio=1.0)
    network = Network(stages.expand(), devices.expand(), F, AtJack(impedance_ohm=75.0))
    dense = dense_response(driven, devices, F)
    for node, voltage in (("g", network.grid), ("k", network.cathode), ("p", network.plate)):
        np.testing.assert_allclose(voltage, dense[node], rtol=1e-9, atol=1e-14)


# -- the capacitor's own inductance ----------------------------------------------------------------


def test_a_capacitor_with_leads_is_a_series_resonance() -> None:
    """Vg/E = (1 - w^2 LC)/(1 - w^2 LC + sRC): nothing at the resonance, beyond it less and less."""
    r, c, lead = 4.7e3, 100e-12, 11e-9
    stage = bare(stopper_ohm=r, grid_capacitor_F=c, grid_capacitor_lead_H=lead)
    series = 1 + S**2 * lead * c
    expected = -20 * np.log10(np.abs(series / (series + S * (r + 50) * c)))
    np.testing.assert_allclose(attenuation_dB(stage, COLD, F, AtJack()), expected, atol=1e-9)
    own = 1 / (2 * np.pi * np.sqrt(lead * c))  # 152 MHz
    at, beyond = attenuation_dB(stage, COLD, [own, 4 * own], AtJack())
    assert at > 200
    # Far beyond its resonance the capacitor is the reactance of its leads.
    reactance = 2 * np.pi * 4 * own * lead * (1 - 1 / 16)
    assert beyond == pytest.approx(20 * np.log10((r + 50) / reactance), abs=1e-3)


def test_styles_of_capacitors_say_where_they_are_from() -> None:
    styles = capacitor_styles()
    assert len({style.name for style in styles}) == len(styles) >= 5
    for style in styles:
        assert style.source
        if style.body_mm is not None:
            assert style.lead_mm is not None
            assert style.lead_diameter_mm is not None
            length = (style.body_mm + 2 * style.lead_mm) * 1e-3
            straight = wire_inductance_H(length, style.lead_diameter_mm * 1e-3)
            assert style.lead_H == pytest.approx(float(straight), rel=0.02)
        else:
            # "0805: about 1.1 nH, 1206: about 1.4 nH", an answer in a public forum.
            assert style.lead_H == {"SMD 0805": 1.1e-9, "SMD 1206": 1.4e-9}[style.name]
    assert capacitor_style(" Ceramic DISC") is styles[0]
    with pytest.raises(ValueError, match=r"capacitor_style: 'tin': must be one of ceramic disc"):
        capacitor_style("tin")


# -- along the cable -------------------------------------------------------------------------------


def line_voltage(far_ohm: float, total_F: float, length_m: float, f: np.ndarray) -> np.ndarray:
    """Open-circuit voltage at the near end of a lossless line with an even EMF of 1 V along it.

    The telegrapher's equations with a source, V' = e - sL I and I' = -sC V, the far end in a
    resistance (V = -R I) and the near end open. Their particular solution is I = e/(sL), V = 0.
    """
    speed = 0.66 * constants.c
    capacitance = total_F / length_m
    z0, beta = 1 / (speed * capacitance), 2 * np.pi * f / speed
    forced = 1 / length_m / (1j * beta * z0)  # I = e/(sL')
    turn = beta * length_m
    # I = a cos(bz) + b sin(bz) + forced, V = j z0 (b cos(bz) - a sin(bz)).
    # At the far end j z0 b = -R (a + forced); at the near one a cos + b sin = -forced.
    a = (-forced + far_ohm / (1j * z0) * forced * np.sin(turn)) / (
        np.cos(turn) - far_ohm / (1j * z0) * np.sin(turn)
    )
    b = -far_ohm / (1j * z0) * (a + forced)
    return np.asarray(1j * z0 * (b * np.cos(turn) - a * np.sin(turn)))


@pytest.mark.parametrize("far_ohm", [0.0, 50.0, 600.0, 10e3, 1e6])
def test_along_the_cable_is_the_line_while_it_is_short(far_ohm: float) -> None:
    """Within 0.02 dB at a hundredth of a wave, and 1.3 dB at the tenth up to which it is trusted.

    The most is that of a shorted line, E tan(x)/x with x of 0.2 pi.
    """
    arrival = AlongCable(cable_m=2.0)
    top = arrival.trust.highest_Hz
    stage = bare(source_ohm=far_ohm)
    lumped = attenuation_dB(stage, COLD, F, arrival)
    exact = -20 * np.log10(np.abs(line_voltage(far_ohm, 200e-12, 2.0, F)))
    off = np.abs(lumped - exact)
    assert off[top / 10 >= F].max() < 0.02
    assert off[top >= F].max() < 20 * np.log10(np.tan(0.2 * np.pi) / (0.2 * np.pi))
    # Beyond it they part.
    assert off.max() > 3


def test_a_cable_earns_at_most_half_of_what_it_picks_up() -> None:
    """Long before the far end's resistance counts, all arrives; well beyond, half of it."""
    arrival = AlongCable()
    low, high = attenuation_dB(bare(), COLD, [1.0, 1e8], arrival)
    assert low == pytest.approx(0.0, abs=1e-6)
    assert high == pytest.approx(20 * np.log10(2), abs=1e-3)


def test_what_the_source_has_of_its_own_lies_ahead_of_the_cable() -> None:
    """300 pF of an earlier stage and half of 200 pF of cable ahead of the EMF, half behind it."""
    ahead_ohm = 1 / (1 / 10e3 + S * (300e-12 + 100e-12))
    expected = 20 * np.log10(np.abs(1 + S * 100e-12 * ahead_ohm))
    arrival = AlongCable(cable_F=200e-12)
    given = attenuation_dB(bare(cable_F=500e-12), COLD, F, arrival)
    np.testing.assert_allclose(given, expected, atol=1e-9)
    # Without a cable nothing is behind it: all arrives.
    gone = attenuation_dB(bare(cable_F=0.0), COLD, F, arrival)
    np.testing.assert_allclose(gone, 0.0, atol=1e-9)


# -- common mode -----------------------------------------------------------------------------------


def test_common_mode_is_what_kirchhoff_says_of_screen_and_bond() -> None:
    """The source and the cable hang on the screen; the screen goes to the chassis by its bond."""
    stage = bare(stopper_ohm=22e3, grid_capacitor_F=68e-12)
    arrival = CommonMode(impedance_ohm=150.0, bond_H=30e-9)
    solved = []
    for s in S:
        joined, load = 1 / 10e3 + s * 200e-12, s * 68e-12
        # Nodes: the screen, the input terminals, the grid.
        matrix = np.array(
            [
                [1 / 150 + 1 / (s * 30e-9) + joined, -joined, 0],
                [-joined, joined + 1 / 22e3, -1 / 22e3],
                [0, -1 / 22e3, 1 / 22e3 + load],
            ]
        )
        solved.append(np.linalg.solve(matrix, np.array([1 / 150, 0, 0]))[2])
    expected = -20 * np.log10(np.abs(solved))
    np.testing.assert_allclose(attenuation_dB(stage, COLD, F, arrival), expected, atol=1e-9)
    shorter = attenuation_dB(stage, COLD, F, replace(arrival, bond_H=15e-9))
    assert np.all(shorter > expected + 4)


# -- through the supply ----------------------------------------------------------------------------


def with_a_supply(stage: Stage, device: SmallSignal, ohm: float, f: float) -> np.ndarray:
    """Solve the dense system with the plate load between ``q`` and a new node: EMF behind ``ohm``.

    What is across the load (a plate capacitor, with the resistor in series) goes to it as well.
    """
    s = 2j * np.pi * f
    load = float(stage.plate_load_ohm)
    away = replace(stage, plate_load_ohm=np.inf, plate_capacitor_F=0.0, source_ratio=0.0)
    system = descriptor(away, device)
    n = len(UNKNOWNS)
    q = UNKNOWNS.index("q")
    across = s * float(stage.plate_capacitor_F)
    top = 1 / load + across / (1 + float(stage.plate_capacitor_series_ohm) * across)
    matrix = np.zeros((n + 1, n + 1), complex)
    matrix[:n, :n] = s * np.squeeze(system.E) + np.squeeze(system.A)
    matrix[q, q] += top
    matrix[q, n] -= top
    matrix[n, q] -= top
    matrix[n, n] += top + 1 / ohm
    right = np.zeros(n + 1, complex)
    right[n] = 1 / ohm
    scale = 1 / np.abs(matrix).max(axis=1)
    matrix, right = matrix * scale[:, None], right * scale
    solved = np.linalg.solve(matrix, right)
    # One step of refinement: what is left over, in more digits.
    left = right.astype(np.clongdouble) - matrix.astype(np.clongdouble) @ solved
    return solved + np.linalg.solve(matrix, left.astype(complex))


def test_through_the_supply_equals_the_dense_system(random_stages: MakeStages) -> None:
    stages, devices = random_stages(25, seed=23)
    stages = replace(stages, plate_capacitor_series_ohm=np.geomspace(10, 1e5, 25))
    network = Network(stages.expand(), devices.expand(), F[::8], ThroughSupply(impedance_ohm=40.0))
    ports = {
        "g": network.grid, "k": network.cathode, "p": network.plate, "o": network.output,
    }  # fmt: skip
    for row in range(25):
        for column, f in enumerate(F[::8]):
            solved = with_a_supply(stages.at(row), devices.at(row), 40.0, f)
            for node, voltage in ports.items():
                np.testing.assert_allclose(
                    voltage[row, column], solved[UNKNOWNS.index(node)], rtol=1e-9, atol=1e-14
                )


def test_from_the_supply_a_cold_valve_is_a_capacitive_divider() -> None:
    """Plate load and impedance, then C_gp into the source: two poles by hand."""
    device = SmallSignal(0.0, 1e-12, 0.0, 1.7e-12, 0.0)
    stage = bare(cable_F=0.0, source_ohm=0.0, stopper_ohm=47e3)
    series = 1 / (S * 1.7e-12)
    expected = -20 * np.log10(np.abs(47e3 / (47e3 + series + 1e5 + 50)))
    given = attenuation_dB(stage, device, F, ThroughSupply())
    np.testing.assert_allclose(given, expected, atol=1e-5)


def test_at_the_top_of_the_plate_load_the_decoupling_earns_nothing(
    random_stages: MakeStages,
) -> None:
    stages, devices = random_stages(20, seed=29)
    decoupled = replace(stages, decoupling_ohm=10e3, decoupling_F=10e-6)
    stiff_dB = attenuation_dB(stages, devices, F, ThroughSupply())
    given = attenuation_dB(decoupled, devices, F, ThroughSupply())
    np.testing.assert_allclose(given, stiff_dB, rtol=1e-12)


# -- up to where the network is trusted ------------------------------------------------------------


@pytest.mark.parametrize(
    ("arrival", "highest_Hz", "because"),
    [
        # A tenth of a wave in the wiring: 15 cm of 1.5 m, at 199.9 MHz.
        (AtJack(), constants.c / 1.5, "wiring"),
        (AtJack(cable_m=6.0), constants.c / 1.5, "wiring"),
        (AtJack(wiring_m=0.05), 300e6, "device"),
        # A tenth of a wave in two metres of cable, where it is 0.66 as long.
        (AlongCable(cable_m=2.0), 0.66 * constants.c / 20, "cable"),
        (CommonMode(cable_m=2.0), 0.66 * constants.c / 20, "cable"),
        (ThroughSupply(cable_m=2.0), 0.66 * constants.c / 20, "cable"),
        (ThroughSupply(), constants.c / 1.5, "wiring"),
    ],
)
def test_the_longest_part_ends_the_trust(arrival: Arrival, highest_Hz: float, because: str) -> None:
    assert arrival.trust.highest_Hz == pytest.approx(highest_Hz)
    assert arrival.trust.because == because


def assessed(*bands: RadioBand, **changes: Any) -> Assessment:
    stage = bare(stopper_ohm=10e3, **changes)
    return Assessment(stage, StandIn(), Targets(radio_bands=bands))


def test_no_band_counts_beyond_it() -> None:
    bands = tuple(band.required(40.0) for band in radio_bands())
    a = assessed(*bands)
    top = a.targets.trusted_Hz
    scored = [band.name for band in a.targets.scored_bands]
    assert scored == [band.name for band in bands if band.low_Hz < top]
    assert list(a.radio_margins_dB) == scored
    assert [(b.name, b.low_Hz) for b in a.targets.unscored_bands] == [
        ("digital radio, band III", pytest.approx(top)),
        ("private mobile radio, 400 MHz", 380e6),
        ("mobile telephony, 900 MHz", 880e6),
    ]
    # A band of which a part lies beyond is scored up to there; asking more of the rest is no loss.
    harder = tuple(replace(b, attenuation_dB=300.0) if b.low_Hz > top else b for b in bands)
    assert float(assessed(*harder)["rf_margin_dB"]) == float(a["rf_margin_dB"])
    within = RadioBand("DAB", 174e6, top, 40.0)
    margins = assessed(within).radio_margins_dB
    assert float(margins["DAB"]) == float(a.radio_margins_dB["digital radio, band III"])


def test_bands_that_all_lie_beyond_are_told() -> None:
    a = assessed(RadioBand("900 MHz", 880e6, 960e6, 40.0))
    for score in ("rf_margin_dB", "detected_radio_dBu"):
        with pytest.raises(ValueError, match=r"targets.radio_bands: .*trusted"):
            a[score]


def test_what_is_detected_comes_the_same_way() -> None:
    """What the supply brings is quieter by what it loses more, twice: detection is a square."""
    band = RadioBand("short wave", 5.95e6, 6.2e6, 0.0)
    ways = AtJack(), AlongCable(cable_m=2.0), ThroughSupply()
    levels, attenuations = [], []
    for arrival in ways:
        targets = Targets(radio_bands=(band,), carrier=Carrier(arrival=arrival))
        a = Assessment(bare(stopper_ohm=10e3, input_coupling_F=22e-9, grid_leak_ohm=1e6),
                       StandIn(), targets)  # fmt: skip
        levels.append(float(a["detected_radio_dBu"]))
        attenuations.append(float(a["rf_margin_dB"]))
    np.testing.assert_allclose(np.diff(levels), -2 * np.diff(attenuations), atol=1.5)


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: AtJack(impedance_ohm=-1.0), r"carrier.impedance_ohm: -1.0"),
        (lambda: AlongCable(wiring_m=0.0), r"carrier.wiring_m: 0.0"),
        (lambda: CommonMode(bond_H=0.0), r"carrier.bond_H: 0.0"),
        (lambda: ThroughSupply(cable_m=-1.0), r"carrier.cable_m: -1.0"),
        (lambda: AlongCable(cable_F=-1e-12), r"carrier.cable_F: -1e-12"),
    ],
)
def test_wrong_arrivals(make: Any, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        make()
