"""Fits to measured and published data.

Measurements are invented (a law plus noise), but for those of two real valves in
tests/references, each with its source.
"""

from __future__ import annotations

import itertools
import os
import tomllib
from collections.abc import Iterable, Sequence
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from objectives.devices.fit_record import FitPoint
from objectives.devices.triodes import (
    ChildLangmuir,
    DempwolfZolzer,
    Equation,
    GridCurrent,
    Koren,
    TriodeLaw,
)
from objectives.devices.valve import Valve
from objectives.devices.valve_table import load_valves, read_valves, valve, valves
from objectives.devices.valve_writing import format_valves
from objectives.fitting.__main__ import main
from objectives.fitting.measured import Fit, fit_law
from objectives.fitting.measurements import Measurements, read_measurements
from objectives.fitting.parameters import ADVICE, unknowns
from objectives.fitting.published import fit_published, law_values, refit
from objectives.fitting.table import valve_entry_toml, write_valves
from stand_in import fit_of

REFERENCES = Path(__file__).parents[1] / "references"
GRID_V = (0.0, -0.5, -1.0, -1.5, -2.0, -2.5, -3.0)
PLATE_V = (10.0, 25.0, 50.0, 75.0, 100.0, 150.0, 200.0, 250.0, 300.0)
TRUE = Koren(mu=96.0, ex=1.36, kg1=1400.0, kp=520.0, kvb=340.0, grid_offset_V=0.35)


def measure(
    law: TriodeLaw,
    grid_V: Iterable[float] = GRID_V,
    plate_V: Iterable[float] = PLATE_V,
    noise: float = 0.01,
    seed: int = 20,
    least_A: float = 2e-6,
) -> Measurements:
    """Readings of an invented valve that follows ``law``, with relative noise, cut-off left out."""
    vg, vp = np.array(list(itertools.product(grid_V, plate_V))).T
    exact = law.plate_current(vg, vp)
    current = exact * np.exp(np.random.default_rng(seed).normal(0.0, noise, exact.size))
    on = exact > least_A
    return Measurements(vg[on], vp[on], current[on], source="invented for this test")


# ----------------------------------------------------------------------------- real valves


def measured(rows: Sequence[Sequence[float]]) -> Measurements:
    """Readings of a real valve: grid V, plate V, plate current in mA."""
    vg, vp, current_mA = np.array(rows).T
    return Measurements(vg, vp, current_mA / 1e3, source="tests/references")


def koren(fit: Fit) -> Koren:
    """Return the law of a fit, which must be Koren's."""
    assert isinstance(fit.law, Koren)
    return fit.law


def bias_percent(fit: Fit, data: Measurements) -> float:
    """Return the mean residual of the readings above the resolution."""
    return float(np.mean(fit.residual_percent(data)[data.plate_current_A >= fit.resolution_A]))


@pytest.mark.slow
@pytest.mark.parametrize(("section", "rms", "tested"), [("A", 2.0, 2.0), ("B", 7.0, 3.0)])
def test_one_law_follows_a_measured_5751_over_its_whole_range(
    section: str, rms: float, tested: float
) -> None:
    # 0.01 to 6.6 mA; the smallest readings are resolved to their own size only.
    sheet = tomllib.loads((REFERENCES / "measured_5751.toml").read_text("utf-8"))
    data = measured(sheet["sections"][section])
    assert fit_law(data).rms_percent() < rms
    held_out = fit_law(data, hold_out_every=3)
    assert held_out.tested is not None
    assert held_out.rms_percent(held_out.tested) < tested
    assert abs(bias_percent(held_out, held_out.tested)) < 1.0


@pytest.mark.slow
def test_the_fit_of_a_measured_5751_agrees_with_the_testers_own_summary() -> None:
    # The tester takes its slopes between neighbouring settings of its supplies.
    sheet = tomllib.loads((REFERENCES / "measured_5751.toml").read_text("utf-8"))
    told = sheet["summary"]
    law = fit_law(measured(sheet["sections"]["A"])).law
    current, gm, gp = law.linearise(told["grid_V"], told["plate_V"])
    assert current == pytest.approx(told["plate_current_mA"] / 1e3, rel=0.03)
    assert gm / gp == pytest.approx(told["amplification_factor"], rel=0.03)
    assert gm == pytest.approx(told["transconductance_S"], rel=0.10)
    assert 1 / gp == pytest.approx(told["plate_resistance_ohm"], rel=0.10)


def test_a_measured_6n3p_is_refused_until_the_advice_is_followed() -> None:
    sheet = tomllib.loads((REFERENCES / "measured_6n3p.toml").read_text("utf-8"))
    data = measured(sheet["reading"])
    held: dict[str, float] = {}
    # Readings that contradict each other by tens of per cent do not tell every parameter.
    for name, value in (("grid_offset_V", 0.0), ("kvb", 300.0)):
        with pytest.raises(ValueError, match=f"{name}: not determined .* hold it: "):
            fit_law(data, held={"grid_smear_V": 0.0, **held})
        held[name] = value
    law = fit_law(data, held={"grid_smear_V": 0.0, **held}).law
    # Where the report took its slopes it does not say; the middle of its curves is here.
    _, gm, gp = law.linearise(-1.0, 100.0)
    assert sheet["transconductance_S"][0] <= gm <= sheet["transconductance_S"][1]
    assert gm / gp == pytest.approx(sheet["amplification_factor"][0], rel=0.1)


# ------------------------------------------------------------------------------- recovery


@pytest.mark.parametrize(
    ("equation", "true", "within"),
    [
        ("koren", TRUE, {"mu": 0.02, "ex": 0.04, "kg1": 0.05, "kp": 0.1, "kvb": 0.25}),
        (
            "dempwolf-zolzer",
            DempwolfZolzer(mu=90.0, perveance=2.1e-3, exponent=1.3, sharpness=3.5),
            {"mu": 0.02, "perveance": 0.03, "exponent": 0.03, "sharpness": 0.15},
        ),
        (
            "child-langmuir",
            ChildLangmuir(mu=40.0, perveance=1.2e-3, grid_offset_V=0.4),
            {"mu": 0.02, "perveance": 0.03},
        ),
    ],
)
def test_a_known_law_is_recovered_from_noisy_readings(
    equation: Equation, true: TriodeLaw, within: dict[str, float]
) -> None:
    fit = fit_law(measure(true), equation)
    assert fit.equation == equation
    for name, share in within.items():
        assert getattr(fit.law, name) == pytest.approx(getattr(true, name), rel=share), name
    # Where the valve conducts the fitted law is nearer to the true one than the readings are.
    vg, vp = np.meshgrid(np.linspace(-2, 0, 9), np.linspace(120, 300, 10))
    for ours, theirs in zip(fit.law.linearise(vg, vp), true.linearise(vg, vp), strict=True):
        on = theirs > 0.05 * np.max(theirs)
        assert ours[on] == pytest.approx(theirs[on], rel=0.03)
    # The median departure of readings with 1 % noise is 0.67 %.
    assert np.median(np.abs(fit.residual_percent())) == pytest.approx(0.67, abs=0.35)
    assert fit.rms_percent() < 2.0
    assert abs(bias_percent(fit, fit.fitted)) < 0.5
    assert fit.worst_percent() < 6.0


def test_standard_errors_tell_how_well_a_parameter_is_known() -> None:
    wide = fit_law(measure(TRUE))
    assert set(wide.standard_error) == {"mu", "ex", "kg1", "kp", "kvb", "grid_offset_V"}
    assert wide.standard_error["mu"] < 0.02
    assert wide.standard_error["kvb"] > 3 * wide.standard_error["mu"]
    few = fit_law(measure(TRUE, plate_V=PLATE_V[::2], least_A=1e-6))
    assert few.standard_error["mu"] > wide.standard_error["mu"]


def test_the_smear_is_freed_only_where_the_readings_determine_it() -> None:
    smeared = replace(TRUE, grid_smear_V=0.1)
    fit = fit_law(measure(smeared, least_A=5e-7))
    assert koren(fit).grid_smear_V == pytest.approx(0.1, rel=0.4)
    assert fit.rms_percent() < 3
    held = fit_law(measure(smeared, least_A=5e-7), held={"grid_smear_V": 0.0})
    assert held.rms_percent() > 2 * fit.rms_percent()
    plain = fit_law(measure(TRUE))
    assert koren(plain).grid_smear_V == 0.0
    assert "grid_smear_V" not in plain.standard_error


def test_some_wild_readings_hardly_move_the_law() -> None:
    data = measure(TRUE)
    current = data.plate_current_A.copy()
    # The last reading of three curves is a fifth high: it still rises with the plate voltage.
    for vg in (0.0, -1.0, -2.0):
        current[(data.grid_voltage_V == vg) & (data.plate_voltage_V == 300.0)] *= 1.25
    wild = fit_law(replace(data, plate_current_A=current))
    assert wild.law.mu == pytest.approx(TRUE.mu, rel=0.03)
    assert wild.law.plate_current(-1.0, 200.0) == pytest.approx(
        float(TRUE.plate_current(-1.0, 200.0)), rel=0.02
    )
    assert wild.worst_percent() > 15


def test_readings_below_the_resolution_of_the_meter_hardly_count() -> None:
    data = measure(TRUE, least_A=1e-7)
    faint = data.plate_current_A < 1e-5
    assert np.count_nonzero(faint) >= 3
    spoiled = replace(data, plate_current_A=data.plate_current_A + 3e-6 * faint)
    fit = fit_law(spoiled, resolution_A=2e-5)
    assert fit.law.mu == pytest.approx(TRUE.mu, rel=0.02)
    assert koren(fit).kp == pytest.approx(TRUE.kp, rel=0.2)


@pytest.mark.slow
def test_readings_held_out_test_the_fit_and_are_not_seen_by_it() -> None:
    data = measure(TRUE)
    fit = fit_law(data, hold_out_every=4)
    assert fit.tested is not None
    assert len(fit.fitted) + len(fit.tested) == len(data)
    assert len(fit.tested) == len(data) // 4
    assert fit.rms_percent(fit.tested) < 2.5
    spoiled = data.plate_current_A.copy()
    spoiled[3::4] *= 1.05
    again = fit_law(replace(data, plate_current_A=spoiled), hold_out_every=4)
    assert again.law == fit.law
    assert again.tested is not None
    assert bias_percent(again, again.tested) < bias_percent(fit, fit.tested) - 3
    assert {p.used for p in fit.record.points} == {"fitted", "tested"}


def test_parameters_can_be_held_and_a_grid_current_carried() -> None:
    grid = GridCurrent(6e-4, 1.3, 9.9)
    fit = fit_law(measure(TRUE), held={"kvb": 340.0, "grid_smear_V": 0.0}, grid=grid)
    assert koren(fit).kvb == 340.0
    assert fit.law.grid == grid
    assert "kvb" not in fit.standard_error


# ------------------------------------------------------------------------------- refusals


def refused(data: Measurements, words: str, **options: Any) -> None:
    with pytest.raises(ValueError, match="must") as caught:
        fit_law(data, **options)
    assert words in str(caught.value), str(caught.value)


def test_too_few_readings_are_refused() -> None:
    refused(
        measure(TRUE, grid_V=(0.0, -1.0), plate_V=(50.0, 150.0, 250.0)),
        "6 readings: must be at least 18, three for each of the 6 free parameters",
    )


def test_a_single_grid_voltage_is_refused() -> None:
    refused(
        measure(TRUE, grid_V=(-1.0,), plate_V=tuple(np.linspace(60, 300, 25))),
        "grid_voltage_V: -1 only: must take two values or more",
    )


def test_no_span_of_plate_voltage_is_refused() -> None:
    refused(
        measure(TRUE, grid_V=tuple(np.linspace(-2.5, 0, 30)), plate_V=(250.0,)),
        "plate_voltage_V: 250 to 250: must span at least a factor of 1.5",
    )


def test_too_small_a_range_of_current_is_refused() -> None:
    refused(
        measure(TRUE, grid_V=(-1.0, -1.02, -1.04), plate_V=tuple(np.linspace(160, 250, 10))),
        "must span at least a factor of 5",
    )


def test_nothing_but_cut_off_is_refused() -> None:
    faint = replace(TRUE, kg1=1e8)
    refused(measure(faint, least_A=0.0), "every reading is in cut-off")


def test_currents_that_fall_where_the_plate_voltage_rises_are_refused() -> None:
    data = measure(TRUE)
    current = data.plate_current_A.copy()
    current[(data.grid_voltage_V == -1.0) & (data.plate_voltage_V == 150.0)] *= 0.3
    refused(
        replace(data, plate_current_A=current),
        "plate_current_A: at grid_voltage_V -1 it falls from",
    )


@pytest.mark.slow
def test_a_parameter_that_the_readings_leave_open_is_named_with_what_to_do() -> None:
    # No reading below 120 V: nothing tells the shape of the knee.
    data = measure(TRUE, plate_V=tuple(np.linspace(120, 300, 12)))
    refused(data, "kvb: not determined by these measurements")
    with pytest.raises(ValueError, match=r"low plate voltage.*hold it: ") as caught:
        fit_law(data)
    assert "hold it: grid_smear_V=0, kvb=300" in str(caught.value)
    fit = fit_law(data, held={"kvb": 300.0, "grid_smear_V": 0.0})
    assert fit.law.mu == pytest.approx(TRUE.mu, rel=0.03)


@pytest.mark.slow
def test_curves_of_something_else_are_refused() -> None:
    # A resistor: the grid has no effect.
    data = measure(TRUE)
    ohmic = replace(data, plate_current_A=data.plate_voltage_V / 50e3)
    with pytest.raises(ValueError, match=r"not determined|r\.m\.s\. residual"):
        fit_law(ohmic)
    # Noise of a factor of several, arranged so that every curve rises.
    rng = np.random.default_rng(3)
    vg, vp = np.array(list(itertools.product(GRID_V, PLATE_V))).T
    rising = np.sort(rng.lognormal(-7, 1.5, (len(GRID_V), len(PLATE_V))), axis=1).ravel()
    with pytest.raises(ValueError, match=r"r\.m\.s\. residual"):
        fit_law(Measurements(vg, vp, rising))


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"law": "cubic"}, "law: 'cubic': must be one of child-langmuir, koren"),
        ({"held": {"gm": 1.0}}, "held: 'gm': must be a parameter of koren: mu, ex"),
        ({"held": {"mu": float("nan")}}, "held: mu: nan: must be a finite number"),
        ({"hold_out_every": 1}, "hold_out_every: 1: must be 2 or more"),
        ({"hold_out_every": 1000}, "hold_out_every: 1000: must be at most"),
        ({"resolution_A": 0.0}, "resolution_A: 0.0: must be a finite number above 0"),
        (
            {"law": "child-langmuir",
             "held": {"mu": 9, "perveance": 1, "grid_offset_V": 0, "knee_V": 5}},
            "must leave at least one parameter",
        ),
    ],
)  # fmt: skip
def test_options_that_make_no_sense_are_named(options: dict[str, Any], words: str) -> None:
    refused(measure(TRUE), words, **options)


@pytest.mark.parametrize(
    ("field", "value", "words"),
    [
        (
            "grid_voltage_V",
            [-300.0, 0.0],
            "grid_voltage_V[0]: -300.0: must be in volts",
        ),
        ("plate_voltage_V", [0.0, 9.0], "plate_voltage_V[0]: 0.0: must be in volts"),
        ("plate_current_A", [1e-3, -1e-3], "plate_current_A[1]: -0.001: must be in"),
        ("plate_current_A", [1e-3, np.nan], "plate_current_A[1]: nan: must be in"),
        ("plate_current_A", [1e-3], "plate_current_A: shape (1,): must be one-dimensional"),
    ],
)
def test_measurements_that_cannot_be_are_refused(field: str, value: Any, words: str) -> None:
    good: dict[str, Any] = {
        "grid_voltage_V": np.array([-1.0, 0.0]),
        "plate_voltage_V": np.array([100.0, 90.0]),
        "plate_current_A": np.array([1e-3, 2e-3]),
    }
    with pytest.raises(ValueError, match="must be") as caught:
        Measurements(**{**good, field: np.array(value)})
    assert words in str(caught.value)


# ------------------------------------------------------------------------------- reading CSV


def test_reading_amperes_in_any_order_with_comments_and_further_columns(tmp_path: Path) -> None:
    path = tmp_path / "bench.csv"
    path.write_text(
        "# invented\nPlate_Current_A, note ,GRID_VOLTAGE_V,plate_voltage_v\n"
        "1.2e-3,first,-2,250\n\n0.0005,,-1.0,100.0\n",
        "utf-8",
    )
    data = read_measurements(path)
    assert data.grid_voltage_V.tolist() == [-2.0, -1.0]
    assert data.plate_voltage_V.tolist() == [250.0, 100.0]
    assert data.plate_current_A.tolist() == [1.2e-3, 0.5e-3]
    assert data.source == "bench.csv"


def test_reading_milliamperes_with_a_byte_order_mark(tmp_path: Path) -> None:
    path = tmp_path / "bench.csv"
    path.write_text("\ufeffgrid_voltage_V,plate_voltage_V,plate_current_mA\n-2,250,1.2\n", "utf-8")
    assert read_measurements(path).plate_current_A == pytest.approx([1.2e-3])


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "empty: must have a header line"),
        ("grid_voltage_V,plate_current_A\n", "plate_voltage_V is missing; must have"),
        ("grid_voltage_V,plate_voltage_V\n", "has no plate_current; must have"),
        (
            "grid_voltage_V,plate_voltage_V,plate_current_A,plate_current_mA\n",
            "has both units of plate_current",
        ),
        ("grid_voltage_V,Grid_Voltage_V\n", "'Grid_Voltage_V': must occur once"),
        (
            "grid_voltage_V,plate_voltage_V,plate_current_A\n-1,100,x\n",
            "row 2: plate_current_A: 'x': must be in amperes, more than 0",
        ),
        (
            "grid_voltage_V,plate_voltage_V,plate_current_A\n-1,100,1e-3\n-1,110\n",
            "row 3: plate_current_A: '': must be in amperes",
        ),
        (
            "grid_voltage_V,plate_voltage_V,plate_current_A\n-1,100,1.2\n",
            "row 2: plate_current_A: '1.2': must be in amperes, more than 0, up to 1 (a reading in "
            "milliamperes belongs in a column plate_current_mA)",
        ),
        (
            "grid_voltage_V,plate_voltage_V,plate_current_mA\n-1,100,-2\n",
            "row 2: plate_current_mA: '-2': must be in milliamperes, more than 0",
        ),
        (
            "grid_voltage_V,plate_voltage_V,plate_current_mA\n-1,100,0.0005\n",
            "plate_current_mA: largest reading 5e-07 A: must reach at least 1 microampere",
        ),
        (
            "grid_voltage_V,plate_voltage_V,plate_current_mA\n-1,-100,2\n",
            "row 2: plate_voltage_V: '-100': must be in volts",
        ),
    ],
)
def test_a_bad_csv_is_refused_with_row_column_and_what_is_allowed(
    text: str, words: str, tmp_path: Path
) -> None:
    path = tmp_path / "bench.csv"
    path.write_text(text, "utf-8")
    with pytest.raises(ValueError, match=r"bench\.csv") as caught:
        read_measurements(path)
    assert words in str(caught.value)


def test_a_missing_csv_is_named(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="expected a readable CSV file"):
        read_measurements(tmp_path / "nowhere.csv")


# ------------------------------------------------------------------------------- published points


def test_the_fit_to_published_points_does_not_see_the_tested_ones() -> None:
    entry = valve("6SN7")
    points = [
        replace(p, published=30 * p.published) if p.used == "tested" else p
        for p in fit_of(entry).points
    ]
    law, record = fit_published(points, curves=fit_of(entry).curves, grid=entry.law.grid)
    assert law == refit(entry).law
    assert record.worst_percent("tested") > 50
    # The fit weighs the foot of the curve by a factor, not by per cent.
    met = [p for p in record.points if p.used == "fitted" and p.published > 1e-4]
    assert max(abs(p.residual_percent) for p in met if p.quantity != "plate_resistance_ohm") < 5


@pytest.mark.slow
@pytest.mark.parametrize("entry", valves(), ids=lambda v: v.name)
def test_refitting_a_table_entry_gives_the_entry(entry: Valve) -> None:
    again = refit(entry)
    vg, vp = np.meshgrid(np.linspace(-3, 0, 7), np.linspace(50, 250, 9))
    expected = entry.law.plate_current(vg, vp)
    assert again.law.plate_current(vg, vp) == pytest.approx(expected, rel=2e-3, abs=1e-7)
    assert fit_of(again).method == fit_of(entry).method


@pytest.mark.parametrize("equation", ["dempwolf-zolzer", "child-langmuir"])
def test_other_laws_fit_the_points_of_a_sheet_too(equation: Equation) -> None:
    # Neither has a foot like a valve's.
    points = [p for p in fit_of(valve("5751")).points if p.published > 1e-4]
    _, record = fit_published(points, equation)
    assert record.worst_percent("fitted") < 10


def test_published_points_that_cannot_carry_a_fit_are_refused() -> None:
    at = {"grid_V": -1.0, "plate_V": 100.0}
    lone = FitPoint("plate_current_A", at, 1e-3, 0.0, "fitted", "invented")
    with pytest.raises(ValueError, match="must hold at least one marked"):
        fit_published([lone])
    with pytest.raises(ValueError, match="must give plate_V"):
        law_values(TRUE, [replace(lone, conditions={"grid_V": -1.0})])
    with pytest.raises(ValueError, match="12AX7: fit: none: must record"):
        refit(replace(valve("12AX7"), fit=None))


def test_stage_gain_without_a_next_leak_is_that_into_an_open_circuit() -> None:
    stage = {"supply_V": 250.0, "plate_load_ohm": 1e5, "cathode_resistor_ohm": 1500.0}
    bare = FitPoint("stage_gain", stage, 1.0, 0.0, "tested", "invented")
    huge = replace(bare, conditions={**stage, "next_leak_ohm": 1e15})
    small = replace(bare, conditions={**stage, "next_leak_ohm": 1e5})
    open_circuit, nearly, loaded = law_values(TRUE, [bare, huge, small])
    assert open_circuit == pytest.approx(nearly, rel=1e-9)
    assert loaded < 0.9 * open_circuit


# ------------------------------------------------------------------------------- table entries


def test_a_fitted_entry_reads_back_as_a_valve() -> None:
    grid = valve("12AX7").law.grid
    fit = fit_law(measure(TRUE), grid=grid)
    text = valve_entry_toml("bench 1", fit, like="12AX7", description="invented")
    (entry,) = read_valves(text, "bench")
    assert entry.law == fit.law
    assert entry.fit == fit.record
    assert entry.capacitances_F == valve("12AX7").capacitances_F
    assert entry.plate_dissipation_max_W == 1.0
    assert entry.aliases == ()
    assert entry.sources.capacitance.startswith("as 12AX7: RCA")
    assert entry.sources.grid_current.startswith("as 12AX7: K. Dempwolf")
    assert "invented for this test" in entry.sources.law


def test_an_entry_with_ones_own_capacitances() -> None:
    fit = fit_law(measure(TRUE))
    text = valve_entry_toml(
        "bench", fit, capacitances_F=(1.5e-12, 1.6e-12, 0.4e-12), capacitance_source="bridge"
    )
    (entry,) = read_valves(text, "bench")
    assert entry.capacitances_F == pytest.approx((1.5e-12, 1.6e-12, 0.4e-12))
    assert entry.plate_voltage_max_V is None


@pytest.mark.parametrize(
    ("name", "options", "words"),
    [
        ("x", {}, "capacitances_F: None: must be given"),
        ("x", {"capacitances_F": (1.6, 1.7, 0.5)}, "c_grid_cathode_F: 1.6: must be in farads"),
        (" ", {"like": "12AX7"}, "name: ' ': must not be empty"),
        ("x", {"like": "13AX7"}, "must be one of"),
    ],
)
def test_an_entry_that_cannot_be_is_refused(name: str, options: dict[str, Any], words: str) -> None:
    with pytest.raises(ValueError, match="must") as caught:
        valve_entry_toml(name, fit_law(measure(TRUE)), **options)
    assert words in str(caught.value)


@pytest.mark.slow
def test_writing_into_a_table_adds_replaces_and_keeps(tmp_path: Path) -> None:
    path = tmp_path / "own.toml"
    fit = fit_law(measure(TRUE))
    valve_entry_toml("first", fit, like="12AX7", into=path)
    valve_entry_toml("second", fit, like="12AU7", into=path)
    valve_entry_toml("FIRST", fit, like="12AX7", description="again", into=path)
    entries = load_valves(path)
    assert [v.name for v in entries] == ["FIRST", "second"]
    assert entries[0].description == "again"
    assert [p.name for p in tmp_path.iterdir()] == ["own.toml"]


def test_a_write_that_fails_leaves_the_old_table_and_no_litter(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "own.toml"
    write_valves(path, [valve("12AX7")])
    before = path.read_text("utf-8")

    def fail(fd: int) -> None:
        raise OSError("disk full")

    monkeypatch.setattr(os, "fsync", fail)
    with pytest.raises(OSError, match="disk full"):
        write_valves(path, [valve("12AU7")])
    assert path.read_text("utf-8") == before
    assert [p.name for p in tmp_path.iterdir()] == ["own.toml"]


def test_entries_that_would_not_read_back_are_not_written(tmp_path: Path) -> None:
    path = tmp_path / "own.toml"
    with pytest.raises(ValueError, match="must be unique"):
        write_valves(path, [valve("12AX7"), replace(valve("12AU7"), aliases=("ecc83",))])
    assert not path.exists()


# ------------------------------------------------------------------------------- command


def test_command_refits_a_table_and_writes_it_only_when_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    table = tmp_path / "table.toml"
    coarse = replace(valve("6SL7"), law=replace(valve("6SL7").law, mu=30.0))
    table.write_text("# Mine, and commented.\n" + format_valves([coarse]), "utf-8")
    before = table.read_text("utf-8")
    assert main(["refit", str(table)]) == 0
    assert "plate_resistance_ohm" in capsys.readouterr().out
    assert table.read_text("utf-8") == before
    assert main(["refit", str(table), "--write"]) == 0
    (entry,) = load_valves(table)
    assert entry.law == valve("6SL7").law
    assert table.read_text("utf-8").startswith("# Mine, and commented.\n")


def test_adjustable_names_are_the_parameters_of_the_laws() -> None:
    for equation, law in (
        ("koren", TRUE),
        ("child-langmuir", ChildLangmuir(20.0, 1e-3)),
        ("dempwolf-zolzer", DempwolfZolzer(100.0, 2e-3, 1.3, 3.4)),
    ):
        names = {knob.name for knob in unknowns(equation, 50.0)}
        assert names == {field.name for field in fields(law)} - {"grid"}
        assert names <= set(ADVICE)
