"""The valve table: look-up, reading, writing, and its fits against the published data."""

from __future__ import annotations

import tomllib
from dataclasses import fields, replace
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import quad

from objectives.devices.fit_record import FitPoint, FitRecord
from objectives.devices.parallel import ParallelSections
from objectives.devices.protocol import DataSources, OperatingPoint
from objectives.devices.triodes import ChildLangmuir, DempwolfZolzer, GridCurrent, Koren, TriodeLaw
from objectives.devices.valve import FlickerVoltage, Valve
from objectives.devices.valve_table import (
    load_valves,
    read_valves,
    usual_spreads,
    valve,
    valves,
)
from objectives.devices.valve_writing import format_valves
from objectives.fitting.published import law_values
from stand_in import fit_of

REFERENCES = Path(__file__).parents[1] / "references"
CHARTS = ("resistance_coupled_12ax7.toml", "low_level_12ay7.toml")
STAGE = ("supply_V", "plate_load_ohm", "next_leak_ohm", "cathode_resistor_ohm")
QUANTITIES = (
    "plate_current_A",
    "transconductance_S",
    "plate_resistance_ohm",
    "amplification_factor",
)
TYPES = {"12AX7", "12AU7", "12AT7", "6SN7", "6SL7", "6DJ8", "12AY7", "5751"}


def published() -> list[tuple[str, FitPoint]]:
    """Every published number of tests/references, with the valve it is of."""
    found = []
    sheets = tomllib.loads((REFERENCES / "valve_sheets.toml").read_text("utf-8"))
    for row in sheets["point"]:
        at = {"grid_V": row["grid_V"], "plate_V": row["plate_V"]}
        found += [
            (row["valve"], FitPoint(q, at, row[q], 0.0, row["used"], row["source"]))
            for q in QUANTITIES
            if q in row
        ]
    for name in CHARTS:
        chart = tomllib.loads((REFERENCES / name).read_text("utf-8"))
        for row in chart["row"]:
            at = {k: v for k, v in row.items() if k not in ("stage_gain", "used")}
            point = FitPoint("stage_gain", at, row["stage_gain"], 0.0, row["used"], chart["source"])
            found.append((chart["valve"], point))
    philips = tomllib.loads((REFERENCES / "resistance_coupled_philips.toml").read_text("utf-8"))
    for chart in philips["chart"]:
        for *parts, gain in zip(*(chart[name] for name in (*STAGE, "stage_gain")), strict=True):
            at = dict(zip(STAGE, parts, strict=True))
            point = FitPoint("stage_gain", at, gain, 0.0, "tested", chart["source"])
            found.append((chart["valve"], point))
    rca = tomllib.loads((REFERENCES / "resistance_coupled_12ax7.toml").read_text("utf-8"))
    peak = tomllib.loads((REFERENCES / "resistance_coupled_12ax7_output.toml").read_text("utf-8"))
    at_300 = [row for row in rca["row"] if row["supply_V"] == peak["supply_V"]]
    outputs = [
        (row, peak["distortion_percent"], float(f"{volts / 2**0.5:.4g}"), used, peak["source"])
        for row, volts, used in zip(at_300, peak["output_V_peak"], peak["used"], strict=True)
    ]
    (ecc83,) = (c for c in philips["chart"] if "output_V_rms" in c)
    for number, volts in enumerate(ecc83["output_V_rms"]):
        row = {name: ecc83[name][number] for name in STAGE}
        percent = ecc83["distortion_percent"][number]
        outputs.append((row, percent, volts, "tested", ecc83["source"]))
    for row, percent, volts, used, source in outputs:
        at = {name: row[name] for name in STAGE} | {"distortion_percent": percent}
        found.append(("12AX7", FitPoint("output_V_rms", at, volts, 0.0, used, source)))
    factors = tomllib.loads((REFERENCES / "factor_at_current.toml").read_text("utf-8"))
    for of in factors["of"]:
        for plate_V, mA, factor, used in of["reading"]:
            at = {"plate_V": plate_V, "plate_current_A": float(f"{mA / 1e3:.6g}")}
            point = FitPoint("amplification_factor", at, factor, 0.0, used, of["source"])
            found.append((of["valve"], point))
    return found


PUBLISHED = published()


def key(p: FitPoint) -> tuple[object, ...]:
    return (p.quantity, *sorted(p.conditions.items()), p.published, p.used, p.source)


@pytest.mark.parametrize("name", sorted(TYPES))
def test_table_records_exactly_the_published_points_of_the_references(name: str) -> None:
    expected = {key(p) for of, p in PUBLISHED if of == name}
    assert {key(p) for p in fit_of(valve(name)).points} == expected


@pytest.mark.parametrize("entry", valves(), ids=lambda v: v.name)
def test_recorded_values_are_those_of_the_law_in_the_table(entry: Valve) -> None:
    found = law_values(entry.law, fit_of(entry).points)
    assert found == pytest.approx([p.law for p in fit_of(entry).points], rel=1e-4)


@pytest.mark.parametrize(
    ("quantity", "percent"),
    [
        ("plate_current_A", 5.0),
        ("transconductance_S", 5.0),
        ("plate_resistance_ohm", 10.0),
        ("amplification_factor", 5.0),
    ],
)
@pytest.mark.parametrize("name", sorted(TYPES))
def test_typical_points_are_met(name: str, quantity: str, percent: float) -> None:
    points = [
        p
        for of, p in PUBLISHED
        if (of, p.quantity, p.used) == (name, quantity, "fitted")
        and "grid_V" in p.conditions
        and p.published > 1e-4  # the foot of the curve is tested below
    ]
    if quantity == "plate_current_A":
        assert points, "every valve has a typical point"
    for p, value in zip(points, law_values(valve(name).law, points), strict=True):
        assert value == pytest.approx(p.published, rel=percent / 100), p


@pytest.mark.parametrize(("supply_V", "used"), [(300.0, "fitted"), (180.0, "tested")])
def test_all_gains_of_the_resistance_coupled_chart_are_met_with_the_one_law(
    supply_V: float, used: str
) -> None:
    rows = [
        p
        for of, p in PUBLISHED
        if (of, p.quantity) == ("12AX7", "stage_gain")
        and p.conditions.get("supply_V") == supply_V
        and p.source.startswith("RCA")
        and p.used == used
    ]
    assert len(rows) == 9
    gains = law_values(valve("12AX7").law, rows)
    assert gains == pytest.approx([p.published for p in rows], rel=0.05)
    recorded = [
        p for p in fit_of(valve("12AX7")).points
        if p.quantity == "stage_gain" and p.conditions.get("supply_V") == supply_V
    ]  # fmt: skip
    assert max(abs(p.residual_percent) for p in recorded) < 5.0


# ------------------------------------------------------------------------------ plate curves

PLATE_CURVES = {
    chart["valve"]: chart
    for chart in tomllib.loads((REFERENCES / "plate_curves.toml").read_text("utf-8"))["chart"]
}


@pytest.mark.parametrize("name", sorted(PLATE_CURVES))
def test_table_records_the_published_readings_fitted_within_the_rating_tested_beyond(
    name: str,
) -> None:
    entry, chart = valve(name), PLATE_CURVES[name]
    found = {
        (r.grid_V, r.plate_V, r.plate_current_A, curve.used)
        for curve in fit_of(entry).curves
        for r in curve.readings
    }
    most = entry.plate_voltage_max_V
    assert sorted(found) == sorted(
        (grid, plate, float(f"{mA / 1e3:.6g}"), "fitted" if plate <= most else "tested")
        for grid, plate, mA in chart["reading"]
    )
    for curve in fit_of(entry).curves:
        assert (curve.source, curve.within_V, curve.within_A) == (
            chart["source"], chart["within_V"], chart["within_A"],
        )  # fmt: skip
        given = entry.law.plate_current(curve.column("grid_V"), curve.column("plate_V"))
        np.testing.assert_allclose(curve.column("law_A"), given, rtol=1e-4)


@pytest.mark.parametrize("name", sorted(PLATE_CURVES))
def test_the_law_lies_on_the_published_curves_as_closely_as_they_can_be_read(name: str) -> None:
    entry = valve(name)
    for curve in fit_of(entry).curves:
        error = curve.plate_error_V(entry.law)
        # Unseen readings lie beyond the rated voltage, where the law is not trusted.
        if curve.used == "fitted":
            assert np.sqrt(np.mean(error**2)) < 1.3 * curve.within_V
            assert np.max(np.abs(error)) < 4.0 * curve.within_V
        else:
            assert entry.trusted is not None
            assert np.min(curve.column("plate_V")) > entry.trusted.plate_voltage_V[1]
            assert np.max(np.abs(error) / curve.column("plate_V")) < 0.06
    assert {curve.used for curve in fit_of(entry).curves} == {"fitted", "tested"}


@pytest.mark.parametrize("name", sorted(PLATE_CURVES))
def test_the_law_passes_next_to_nothing_where_a_published_curve_leaves_the_axis(name: str) -> None:
    # The chart is 5 mA high, a line on it some 0.05 mA thick; where it leaves the axis can be told
    # no better than where it crosses a line of the grid.
    for grid, plate in PLATE_CURVES[name]["feet"]:
        short_of = plate - 2 * PLATE_CURVES[name]["within_V"]
        assert valve(name).law.plate_current(grid, short_of) < 0.1e-3


def test_the_error_along_the_plate_voltage_is_where_the_curve_has_the_current() -> None:
    entry = valve("12AX7")
    curve = fit_of(entry).curves[0]
    error = curve.plate_error_V(entry.law)
    there = entry.law.plate_current(curve.column("grid_V"), curve.column("plate_V") + error)
    np.testing.assert_allclose(there, curve.column("plate_current_A"), rtol=1e-6)


@pytest.mark.parametrize(("name", "percent"), [("6SN7", 3.0), ("6DJ8", 5.0)])
def test_amplification_factor_down_a_load_line_is_that_measured_on_real_valves(
    name: str, percent: float
) -> None:
    law = valve(name).law
    rows = [
        (p.conditions["plate_V"], p.conditions["plate_current_A"], p.published)
        for of, p in PUBLISHED
        if of == name and p.source.startswith("S. Bench")
    ]
    plate, current, factor = np.array(rows).T
    low, high = np.full(plate.shape, -40.0), np.full(plate.shape, 5.0)
    for _ in range(80):
        grid = 0.5 * (low + high)
        less = law.plate_current(grid, plate) < current
        low, high = np.where(less, grid, low), np.where(less, high, grid)
    _, gm, gp = law.linearise(grid, plate)
    np.testing.assert_allclose(gm / gp, factor, rtol=percent / 100)


def errors(name: str, source: str, quantity: str) -> list[float]:
    """Per cent by which the law lies above each number of a source."""
    points = [
        p
        for of, p in PUBLISHED
        if (of, p.quantity) == (name, quantity) and p.source.startswith(source)
    ]
    assert points
    values = law_values(valve(name).law, points)
    return [100 * (v / p.published - 1) for v, p in zip(values, points, strict=True)]


@pytest.mark.parametrize(
    ("name", "source", "percent"),
    [
        # Gains are published to whole numbers: 1.4 % of the chart's 35.
        ("12AX7", "RCA, Receiving Tube Manual", 7.0),
        ("12AX7", "Philips", 5.0),
        ("12AU7", "Philips", 5.0),
        ("12AY7", "General Electric", 5.0),
    ],
)
def test_chart_gains_on_supplies_from_90_to_400_volt(
    name: str, source: str, percent: float
) -> None:
    assert np.max(np.abs(errors(name, source, "stage_gain"))) < percent


def test_outputs_at_a_stated_distortion_that_the_fit_has_not_seen() -> None:
    # "About" 5 % of a valve with its own spread. The fit saw three of the nine.
    unseen = [
        p for of, p in PUBLISHED
        if of == "12AX7" and p.quantity == "output_V_rms" and p.used == "tested"
        and p.source.startswith("RCA")
    ]  # fmt: skip
    assert len(unseen) == 6
    found = law_values(valve("12AX7").law, unseen)
    np.testing.assert_allclose(found, [p.published for p in unseen], rtol=0.1)
    # Another maker's nine, at 1 to 5 %: at 250 V and below it states a fifth less than the law.
    off = np.array(errors("12AX7", "Philips", "output_V_rms"))
    assert np.median(np.abs(off)) < 5.0
    assert np.max(np.abs(off)) < 25.0


def resting(current_A: float, plate_V: float) -> OperatingPoint:
    """An operating point of that plate current and plate voltage, the cathode at ground."""
    none = np.zeros(())
    at_rest = {field.name: none for field in fields(OperatingPoint)}
    return OperatingPoint(
        **at_rest | {"plate_current_A": np.asarray(current_A), "plate_V": np.asarray(plate_V)}
    )


@pytest.mark.parametrize("name", sorted(TYPES))
def test_a_law_is_trusted_between_the_published_data_that_it_meets(name: str) -> None:
    entry = valve(name)
    assert entry.trusted is not None
    (low, high), (least, most) = entry.trusted.plate_current_A, entry.trusted.plate_voltage_V
    # The foot of the curve bears out nothing, and neither does an unpublished current.
    assert low > 10e-6
    published = [
        p for of, p in PUBLISHED
        if of == name and p.quantity == "plate_current_A" and p.used == "fitted"
    ]  # fmt: skip
    for p in published:
        if p.published > 1e-4:
            assert least <= p.conditions["plate_V"] <= most
            assert 0.95 * low < p.published < 1.05 * high
    assert entry.trusts(resting(low, least))
    assert not entry.trusts(resting(0.5 * low, least))
    assert not entry.trusts(resting(low, 1.1 * most))
    assert not entry.trusts(resting(2 * high, most))
    pair = ParallelSections.of(entry, sections=2)
    assert pair.trusts(resting(1.9 * high, most))
    assert not pair.trusts(resting(0.9 * 2 * low, least))


def test_a_law_without_a_record_is_trusted_everywhere() -> None:
    assert replace(valve("12AX7"), trusted=None).trusts(resting(1.0, 1e4))


@pytest.mark.parametrize("name", ["12AU7", "12AT7", "6SN7", "5751"])
def test_cut_off_current_is_the_published_one_within_a_factor(name: str) -> None:
    points = [p for of, p in PUBLISHED if of == name and p.published == 10e-6]
    assert len(points) == 1
    (current,) = law_values(valve(name).law, points)
    assert 10e-6 / CUT_OFF_FACTOR[name] < current < 10e-6 * CUT_OFF_FACTOR[name]


CUT_OFF_FACTOR = {"12AU7": 4.0, "12AT7": 3.0, "6SN7": 3.0, "5751": 3.0}
"""The aim is 3. The 12AU7's law cannot pass so little and keep the typical transconductance."""


def test_the_factor_of_a_12at7_falls_as_its_maker_draws_it() -> None:
    # 45 at 200 V, 49 at 170 V, 52 at 100 V, to whole numbers: not all on one smooth curve.
    assert np.max(np.abs(errors("12AT7", "Mullard", "amplification_factor"))) < 7.0


@pytest.mark.parametrize(
    ("name", "percent"), [("12AX7", 3.0), ("12AU7", 8.0), ("6SN7", 8.0), ("12AT7", 15.0)]
)
def test_the_factor_at_low_current_is_about_that_of_one_measured_valve(
    name: str, percent: float
) -> None:
    # One valve of each type, none of which the fit has seen; sections of one type differ by 10 %.
    assert np.max(np.abs(errors(name, "one ", "amplification_factor"))) < percent


def test_gain_of_a_chart_row_from_its_load_line_step_by_step() -> None:
    # 300 V, 100 kohm into 100 kohm, 1.3 kohm; the published gain is 45.
    law = valve("12AX7").law
    low, high = -20.0, 0.0
    for _ in range(80):
        grid = 0.5 * (low + high)
        current = -grid / 1300.0
        plate = 300.0 - current * (100e3 + 1300.0)
        low, high = (grid, high) if law.plate_current(grid, plate) < current else (low, grid)
    _, gm, gp = law.linearise(grid, plate)
    gain = gm / (gp + 1 / 50e3)
    row = next(p for p in fit_of(valve("12AX7")).points if p.quantity == "stage_gain")
    assert law_values(law, [row])[0] == pytest.approx(float(gain), rel=1e-8)
    assert gain == pytest.approx(45.0, rel=0.02)


@pytest.mark.parametrize(
    ("asked", "found"),
    [
        ("12AX7", "12AX7"),
        ("ecc83", "12AX7"),
        (" 7025 ", "12AX7"),
        ("ECC82", "12AU7"),
        ("ecc81", "12AT7"),
        ("6SN7GTB", "6SN7"),
        ("6sl7gt", "6SL7"),
        ("ECC88", "6DJ8"),
        ("6072", "12AY7"),
        ("5751", "5751"),
    ],
)
def test_look_up_by_name_or_alias_whatever_the_case(asked: str, found: str) -> None:
    assert valve(asked).name == found


def test_unknown_name_lists_what_there_is_and_the_closest() -> None:
    with pytest.raises(ValueError, match="must be one of") as caught:
        valve("12AXX7")
    text = str(caught.value)
    assert text.startswith("valve: '12AXX7'")
    assert text.endswith("did you mean 12AX7?")
    assert all(name in text for name in TYPES)
    with pytest.raises(ValueError, match=r"or an alias of one$"):
        valve("zzz")


def test_look_up_in_a_table_of_ones_own() -> None:
    own = replace(valve("12AX7"), name="mine", aliases=())
    assert valve("MINE", [own]) is own
    with pytest.raises(ValueError, match="must be one of mine,"):
        valve("12AX7", [own])


@pytest.mark.parametrize("entry", valves(), ids=lambda v: v.name)
def test_every_entry_is_complete_and_sourced(entry: Valve) -> None:
    assert entry.name in TYPES
    for text in (entry.sources.law, entry.sources.capacitance, entry.sources.ratings):
        assert text
    assert entry.sources.noise
    assert all(spread.source for spread in entry.spreads)
    assert entry.sources.grid_current
    # Picofarads, watts and milliamperes, not farads mistaken for picofarads.
    for value in entry.capacitances_F:
        assert 0.2e-12 < value < 6e-12
    assert entry.plate_voltage_max_V is not None
    assert 100 < entry.plate_voltage_max_V < 500
    assert entry.plate_dissipation_max_W is not None
    assert 0.5 < entry.plate_dissipation_max_W < 6
    assert entry.cathode_current_max_A is None or 5e-3 < entry.cathode_current_max_A < 30e-3
    heater = entry.connections.heater
    assert heater is not None
    assert 6 < heater.voltage_V < 13
    assert all(p.source for p in fit_of(entry).points)
    # Biased to cut-off the law passes next to nothing, at the rated voltage.
    assert entry.law.plate_current(-50.0, entry.plate_voltage_max_V) < 1e-6


def test_twelve_ax_seven_capacitances_and_ratings_are_the_published_ones() -> None:
    entry = valve("12AX7")
    assert entry.capacitances_F == pytest.approx((1.6e-12, 1.7e-12, 0.46e-12))
    assert replace(entry, shielded=True).capacitances_F == pytest.approx(
        (1.8e-12, 1.7e-12, 1.9e-12)
    )
    assert (entry.plate_voltage_max_V, entry.plate_dissipation_max_W) == (300.0, 1.0)
    heater = entry.connections.heater
    assert heater is not None
    assert (heater.voltage_V, heater.current_A) == (12.6, 0.15)


def test_shielded_capacitances_that_are_not_published_are_refused() -> None:
    with pytest.raises(ValueError, match="no capacitances of the 6SN7 with shield"):
        replace(valve("6SN7"), shielded=True)


MEASURED_NOISE_uV = {
    "12AX7": (0.66, 1.45),  # mean of four makes
    "12AT7": (0.70, 1.95),  # the quieter of two makes
    "6SL7": (0.75, 1.65),  # middle of 0.71 to 0.79
    "6DJ8": (0.61, 5.3),
    "12AY7": (0.73, 1.8),
    "5751": (0.58, 1.5),
}
"""At the grid from 30 Hz to 8 kHz, and the current (mA): Tavish Design, Audio Tube Noise
Measurements, 2020."""


def at_current(name: str, current_A: float) -> OperatingPoint:
    """An operating point of that plate current at 150 V, as it matters to noise."""
    current, transconductance, _ = valve(name).law.linearise(np.linspace(-15, 0, 15_001), 150.0)
    gm = np.asarray(np.interp(current_A, current, transconductance))
    return replace(resting(current_A, 150.0), transconductance_S=gm)


@pytest.mark.parametrize("name", MEASURED_NOISE_uV)
def test_the_measured_noise_at_the_grid_is_met(name: str) -> None:
    """The integral of white and 1/f noise by quadrature, against the measured figure."""
    uV, mA = MEASURED_NOISE_uV[name]
    noise = valve(name).noise(at_current(name, mA / 1e3), 300.0)
    white, corner = float(noise.white_V2_per_Hz), float(noise.flicker_corner_Hz)
    power, _ = quad(lambda x: white * (np.exp(x) + corner), np.log(30.0), np.log(8000.0))
    assert np.sqrt(power) * 1e6 == pytest.approx(uV, rel=0.01)


def test_flicker_as_a_voltage_is_the_same_at_every_current() -> None:
    """Its integral over a band is e^2 f0 ln(f2/f1), while the white noise falls with the current.

    How it scales we found published nowhere; the same at every current is an assumption.
    """
    flicker = FlickerVoltage(10e-9, 1000.0, 1e-3)
    entry = replace(valve("12AX7"), flicker=flicker)
    low, high = (entry.noise(at_current("12AX7", a), 300.0) for a in (0.3e-3, 3e-3))
    assert float(low.white_V2_per_Hz) > 2 * float(high.white_V2_per_Hz)
    for noise in (low, high):
        power = noise.white_V2_per_Hz * noise.flicker_corner_Hz * np.log(8000 / 30)
        assert np.sqrt(float(power)) == pytest.approx(10e-9 * np.sqrt(1e3 * np.log(8000 / 30)))
    assert len(entry.caveats) == 1  # which says so
    tied = replace(entry, flicker=None, flicker_corner_Hz=2e3)
    assert not tied.caveats
    assert float(tied.noise(at_current("12AX7", 3e-3), 300.0).flicker_corner_Hz) == 2e3


def test_table_reads_back_what_it_writes() -> None:
    assert read_valves(format_valves(valves()), "again") == valves()


@pytest.mark.parametrize(
    "law",
    [
        ChildLangmuir(20.0, 1e-3, 0.1, 4.0),
        DempwolfZolzer(100.0, 2e-3, 1.26, 3.4, grid=GridCurrent(6e-4, 1.3, 9.9, 8e-8)),
        Koren(100.0, 1.4, 1060.0, 600.0, 300.0),
    ],
)
def test_every_law_survives_the_round_trip(law: TriodeLaw, tmp_path: Path) -> None:
    entry = Valve(
        name='odd "name" \\ with\ttab',
        law=law,
        c_grid_plate_F=1e-12,
        c_grid_cathode_F=0.0,
        c_plate_cathode_F=2.5e-12,
        spreads=usual_spreads(),
        sources=DataSources("invented", "invented", grid_current="invented" if law.grid else ""),
        fit=FitRecord("none"),
    )
    path = tmp_path / "own.toml"
    path.write_text(format_valves([entry]), "utf-8")
    assert load_valves(path) == (entry,)


def test_a_law_with_arrays_has_no_table_form() -> None:
    entry = replace(valve("12AX7"), law=Koren(np.array([90.0, 100.0]), 1.4, 1e3, 600.0, 300.0))
    with pytest.raises(ValueError, match=r"mu: .* array"):
        format_valves([entry])


MINIMAL = """
[[valve]]
name = "T1"
[valve.law]
equation = "koren"
mu = 100
ex = 1.4
kg1 = 1060
kp = 600
kvb = 300
source = "invented"
[valve.capacitance]
grid_plate_pF = 1.7
grid_cathode_pF = 1.6
plate_cathode_pF = 0.5
source = "invented"
"""


def test_a_minimal_entry_of_a_user_is_enough(tmp_path: Path) -> None:
    path = tmp_path / "own.toml"
    path.write_text(MINIMAL, "utf-8")
    (entry,) = load_valves(path)
    assert entry.law == Koren(100.0, 1.4, 1060.0, 600.0, 300.0)
    assert entry.c_grid_plate_F == pytest.approx(1.7e-12)
    assert entry.plate_voltage_max_V is None
    assert entry.fit is None


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('name = "T1"\n', "", "valve 1: name: missing: must be given"),
        ("mu = 100", "mu = -5", "law: mu: -5.0: must be finite and more than 0"),
        ("mu = 100", 'mu = "x"', "law: mu: 'x': must be a valid number"),
        ("mu = 100", "mu = nan", "law: mu: nan: must be a finite number"),
        ("mu = 100\n", "", "law: mu: missing: must be given"),
        ("mu = 100", "mu = 100\nmuu = 1", "law: muu: 1: no such field here"),
        ('"koren"', '"other"', "equation: 'other': must be one of child-langmuir, koren, "),
        (
            "grid_plate_pF = 1.7",
            "grid_plate_pF = -1",
            "grid_plate_pF: -1: must be greater than or equal to 0",
        ),
        ("[valve.capacitance]", "[valve.capacity]", "capacitance: missing: must be given"),
        ("[[valve]]", "[[tube]]", "must be an array, [[valve]]"),
        ("[[valve]]", "[[valve", "expected TOML"),
        (
            "[valve.capacitance]",
            "[valve.fit]\nmethod='m'\n[[valve.fit.point]]\nquantity='age'\n[valve.capacitance]",
            "fit: point 1: quantity: 'age': must be 'plate_current_A'",
        ),
        *(
            (
                "[valve.capacitance]",
                "[valve.fit]\nmethod='m'\n[[valve.fit.curves]]\nsource='s'\nused='fitted'\n"
                f"within_V={volts}\nwithin_A=1e-5\nreading={reading}\n[valve.capacitance]",
                f"fit: curves 1: {words}",
            )
            for volts, reading, words in (
                (0, "[[-1, 100, 1e-3, 1e-3]]", "within_V: 0: must be greater than 0"),
                (5, "[]", "reading: []: List should have at least 1 item"),
                (5, "[[-1, 100, 1e-3]]", "reading 1 4: missing: must be given"),
                (5, "[[-1, 100, nan, 0]]", "reading 1 3: nan: must be a finite number"),
                (5, "[[-1, 100, 0, 0]]", "reading 1 3: 0: must be greater than 0"),
            )
        ),
        *(
            (
                "[valve.capacitance]",
                f"[valve.noise]\nsource='s'\nresistance_factor=2.5\n{both}[valve.capacitance]",
                "must have either flicker or flicker_corner_Hz",
            )
            for both in ("", "flicker_corner_Hz=1\nflicker={V_per_rtHz=1e-9, at_Hz=1000}\n")
        ),
        (
            "[valve.capacitance]",
            "[valve.ratings]\nsource='s'\nplate_voltage_max_V=0\n[valve.capacitance]",
            "ratings: plate_voltage_max_V: 0: must be greater than 0",
        ),
    ],
)
def test_a_bad_table_is_refused_with_place_value_and_what_is_allowed(
    old: str, new: str, words: str, tmp_path: Path
) -> None:
    assert MINIMAL.count(old) == 1
    path = tmp_path / "own.toml"
    path.write_text(MINIMAL.replace(old, new), "utf-8")
    with pytest.raises(ValueError, match=r"own\.toml") as caught:
        load_valves(path)
    assert words in str(caught.value)


def test_a_name_twice_is_refused() -> None:
    with pytest.raises(ValueError, match="'t1': must be unique, but T1 has it too"):
        read_valves(MINIMAL + MINIMAL.replace('"T1"', '"t1"'), "own.toml")


def test_files_that_cannot_be_read_or_hold_nothing_are_named(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match=r"missing\.toml': no such file"):
        load_valves(tmp_path / "missing.toml")
    empty = tmp_path / "empty.toml"
    empty.write_text("", "utf-8")
    with pytest.raises(ValueError, match=r"must hold at least one \[\[valve\]\]"):
        load_valves(empty)
