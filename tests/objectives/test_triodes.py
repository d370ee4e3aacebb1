"""Triode laws against their published equations, differentiated independently by mpmath."""

from __future__ import annotations

import tomllib
import warnings
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import mpmath
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from objectives.devices.triodes import (
    LAWS,
    ChildLangmuir,
    DempwolfZolzer,
    GridCurrent,
    Koren,
    TriodeLaw,
)

REFERENCES = Path(__file__).parents[1] / "references"

# Parameter sets measured on a 12AX7, K. Dempwolf, U. Zölzer, DAFx-11, 2011 (from memory).
GRID = GridCurrent(perveance=6.177e-4, exponent=1.314, sharpness=9.901, offset_A=8.025e-8)
DEMPWOLF_ZOLZER = DempwolfZolzer(
    mu=103.2, perveance=2.242e-3, exponent=1.26, sharpness=3.40, grid=GRID
)
KOREN = Koren(mu=100.0, ex=1.4, kg1=1060.0, kp=600.0, kvb=300.0)
OURS = Koren(104.0, 1.363, 1545.0, 937.0, 298.0, grid_offset_V=0.514, grid_smear_V=0.085, grid=GRID)
CHILD = ChildLangmuir(mu=100.0, perveance=1.7e-3, grid_offset_V=0.3, grid=GRID)
ALL = [KOREN, OURS, DEMPWOLF_ZOLZER, CHILD]
IDS = ["koren", "koren-extended", "dempwolf-zolzer", "child-langmuir"]

POINTS = [
    (-1.61, 221.0),
    (-2.0, 250.0),
    (-1.0, 100.0),
    (0.0, 1.0),
    (0.0, 12.0),
    (-0.3, 3.0),
    (2.0, 60.0),
    (-4.5, 250.0),
    (-0.9, 40.0),
]


def by_the_book(law: TriodeLaw, vg: float, vp: float) -> Any:
    """Plate current of the published equation at high precision, written out a second time."""
    p = {name: mpmath.mpf(str(value)) for name, value in vars(law).items() if name != "grid"}
    if isinstance(law, Koren):
        s = mpmath.sqrt(p["kvb"] + vp**2)
        w = s / p["kp"] + p["grid_smear_V"]
        inner = mpmath.log(1 + mpmath.exp((s / p["mu"] + vg + p["grid_offset_V"]) / w))
        return 2 * (vp / s * w * inner) ** p["ex"] / p["kg1"]
    knee = 1 - mpmath.exp(-((vp / p["knee_V"]) ** 2))
    if isinstance(law, ChildLangmuir):
        drive = vg + p["grid_offset_V"] + vp / p["mu"]
        return p["perveance"] * max(drive, mpmath.mpf(0)) ** mpmath.mpf("1.5") * knee
    return knee * (
        softened(p["perveance"], p["exponent"], p["sharpness"], vp / p["mu"] + vg)
        - grid_by_the_book(law, vg, offset=False)
    )


def softened(g: Any, x: Any, c: Any, v: Any) -> Any:
    return g * (mpmath.log(1 + mpmath.exp(c * v)) / c) ** x


def grid_by_the_book(law: TriodeLaw, vg: float, offset: bool = True) -> Any:
    g, x, c, rest = (
        mpmath.mpf(str(getattr(law.grid, name)))
        for name in ("perveance", "exponent", "sharpness", "offset_A")
    )
    return softened(g, x, c, vg) + (rest if offset else 0)


def test_worked_example_of_the_published_law() -> None:
    reference = tomllib.loads((REFERENCES / "koren_1996.toml").read_text("utf-8"))
    law = Koren(**reference["parameters"])
    current, gm, gp = law.linearise(reference["grid_cathode_V"], reference["plate_cathode_V"])
    # The example rounds to three figures: 0.5 % in current is one unit of the last, or two.
    assert current == pytest.approx(reference["plate_current_A"], rel=0.007)
    assert gm == pytest.approx(reference["transconductance_S"], rel=0.005)
    # The load line closes with the law's own current: 330 V = Vpk + I (100 k + 1.5 k).
    vg, vp = -1500.0 * 1.07419e-3, 330.0 - 101.5e3 * 1.07419e-3
    assert law.plate_current(vg, vp) == pytest.approx(1.07419e-3, rel=1e-4)
    assert gm / gp == pytest.approx(92.0, abs=0.5)


def test_extended_form_is_the_published_one_at_its_defaults() -> None:
    vg, vp = np.meshgrid(np.linspace(-5, 2, 29), np.linspace(1, 400, 57))
    published = vp / 600 * np.log1p(np.exp(600 * (1 / 100 + vg / np.sqrt(300 + vp**2))))
    assert KOREN.plate_current(vg, vp) == pytest.approx(2 * published**1.4 / 1060, rel=1e-12)


@pytest.mark.parametrize("law", ALL, ids=IDS)
def test_currents_and_derivatives_are_those_of_the_equation(law: TriodeLaw) -> None:
    with mpmath.workdps(40):
        for vg, vp in POINTS:
            x = mpmath.mpf(str(vg)), mpmath.mpf(str(vp))
            expected = (
                by_the_book(law, *x),
                mpmath.diff(lambda g, p: by_the_book(law, g, p), x, (1, 0)),
                mpmath.diff(lambda g, p: by_the_book(law, g, p), x, (0, 1)),
            )
            found = law.linearise(vg, vp)
            for a, b in zip(found, expected, strict=True):
                assert float(a) == pytest.approx(float(b), rel=1e-9, abs=1e-25), (vg, vp)
            assert law.plate_current(vg, vp) == pytest.approx(float(expected[0]), rel=1e-9)


@pytest.mark.parametrize("law", [OURS, DEMPWOLF_ZOLZER, CHILD], ids=IDS[1:])
def test_grid_current_and_its_derivative(law: TriodeLaw) -> None:
    with mpmath.workdps(40):
        for vg in (-3.0, -1.0, -0.2, 0.0, 0.4, 3.0):
            current, slope, by_plate = law.linearise_grid(vg, 200.0)
            x = mpmath.mpf(str(vg))
            assert float(current) == pytest.approx(float(grid_by_the_book(law, x)), rel=1e-12)
            expected = mpmath.diff(lambda v: grid_by_the_book(law, v), x)
            assert float(slope) == pytest.approx(float(expected), rel=1e-9)
            assert by_plate == 0.0
            assert law.grid_current(vg, 200.0) == current


def test_without_a_grid_component_the_grid_takes_nothing() -> None:
    for array in KOREN.linearise_grid(np.zeros((3, 1)), np.zeros(4)):
        assert array.shape == (3, 4)
        assert not np.any(array)


def test_cathode_current_of_dempwolf_and_zolzer_splits_between_plate_and_grid() -> None:
    vg, vp = np.meshgrid(np.linspace(-3, 3, 13), np.linspace(60, 300, 9))
    whole = DempwolfZolzer(103.2, 2.242e-3, 1.26, 3.40)
    plate = DEMPWOLF_ZOLZER.plate_current(vg, vp)
    grid = DEMPWOLF_ZOLZER.grid_current(vg, vp) - GRID.offset_A
    assert plate + grid == pytest.approx(whole.plate_current(vg, vp), rel=1e-12)


volts = st.floats(-2000.0, 2000.0)


@pytest.mark.parametrize("law", ALL, ids=IDS)
@given(vg=volts, vp=volts, up=st.floats(0.0, 500.0), right=st.floats(0.0, 500.0))
@settings(max_examples=300, deadline=None)
def test_currents_never_fall_as_a_voltage_rises(
    law: TriodeLaw, vg: float, vp: float, up: float, right: float
) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        here, gm, gp = law.linearise(vg, vp)
        over = law.plate_current(vg + up, vp)
        beside = law.plate_current(vg, vp + right)
        grid, by_grid, _ = law.linearise_grid(vg, vp)
        grid_over = law.grid_current(vg + up, vp)
    assert 0 <= here < np.inf
    assert 0 <= gm < np.inf
    assert 0 <= gp < np.inf
    # Rounding may take a last digit off, and more of a number too small to be normal.
    assert over >= here * (1 - 1e-12) - 1e-300
    assert beside >= here * (1 - 1e-12) - 1e-300
    assert by_grid >= 0
    assert grid_over >= grid * (1 - 1e-12)


@pytest.mark.parametrize("law", ALL, ids=IDS)
def test_no_current_into_a_plate_that_is_not_positive(law: TriodeLaw) -> None:
    for vg in (-10.0, 0.0, 10.0):
        for array in law.linearise(vg, np.array([-2000.0, -1.0, 0.0])):
            assert not np.any(array)


@pytest.mark.parametrize("law", ALL, ids=IDS)
@pytest.mark.parametrize("vg", [-2.0, 0.0, 3.0])
def test_derivatives_are_continuous_where_the_plate_turns_positive_and_at_cut_off(
    law: TriodeLaw, vg: float
) -> None:
    _, gm, gp = law.linearise(vg, 1e-9)
    assert gm < 1e-9
    assert gp < 1e-5
    # A jump keeps its height however fine the steps; a continuous conductance loses it (near
    # zero plate voltage as V^(ex - 1), so a hundredth of the step is a fifth of the rise).
    for by_grid in (False, True):
        highest = []
        for count in (500, 50_000):
            sweep = np.linspace(-4.0, 1.0, count) if by_grid else np.linspace(0.0, 5.0, count)
            found = law.linearise(sweep, 200.0) if by_grid else law.linearise(vg, sweep)
            highest.append([np.max(np.abs(np.diff(g))) for g in found[1:]])
        for coarse, fine in zip(*highest, strict=True):
            assert fine <= 0.35 * coarse


def test_arrays_of_parameters_broadcast_and_are_indexed_together() -> None:
    law = Koren(np.array([90.0, 100.0, 110.0]), 1.4, np.array([[1000.0], [1100.0]]), 600.0, 300.0)
    assert law.shape == (2, 3)
    current = law.plate_current(-2.0, 250.0)
    assert current.shape == (2, 3)
    one = law.at((1, 2))
    assert one.mu == 110.0
    assert one.kg1 == 1100.0
    assert one.ex == 1.4
    assert one.plate_current(-2.0, 250.0) == current[1, 2]
    flat = law.at(np.unravel_index(np.arange(6), (2, 3)))
    assert flat.plate_current(-2.0, 250.0) == pytest.approx(current.ravel(), rel=1e-15)
    assert law.at((slice(None), 0)).plate_current(-2.0, 250.0) == pytest.approx(current[:, 0])


def test_indexing_reaches_the_grid_component() -> None:
    grid = GridCurrent(np.array([1e-4, 2e-4]), 1.3, 9.9)
    law = Koren(np.array([90.0, 100.0]), 1.4, 1060.0, 600.0, 300.0, grid=grid)
    assert law.shape == (2,)
    second = law.at(1)
    assert second.grid is not None
    assert second.grid.perveance == 2e-4
    assert second.grid_current(0.0, 100.0) == law.grid_current(0.0, 100.0)[1]


@pytest.mark.parametrize("law", [KOREN, OURS, CHILD, replace(DEMPWOLF_ZOLZER, grid=None)], ids=IDS)
def test_varied_current_scales_current_and_conductances_alike(law: TriodeLaw) -> None:
    factor = np.array([0.8, 1.25])
    more = law.varied(current=factor)
    for a, b in zip(more.linearise(-1.5, 200.0), law.linearise(-1.5, 200.0), strict=True):
        assert a == pytest.approx(factor * b, rel=1e-12)
    assert law.varied(mu=0.5).mu == 0.5 * law.mu


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (
            lambda: Koren(-1.0, 1.4, 1060.0, 600.0, 300.0),
            "mu: -1.0: must be finite and more than 0",
        ),
        (
            lambda: Koren(100.0, 1.0, 1060.0, 600.0, 300.0),
            "ex: 1.0: must be finite and more than 1",
        ),
        (lambda: Koren(100.0, 1.4, 1060.0, 600.0, float("nan")), "kvb: nan: must be finite"),
        (lambda: Koren(100.0, 1.4, 1060.0, 600.0, 300.0, 0.0, -0.1), "grid_smear_V: -0.1: must be"),
        (
            lambda: ChildLangmuir(100.0, np.array([1e-3, 0.0])),
            "perveance: 0.0: must be finite and more than 0",
        ),
        (lambda: DempwolfZolzer(100.0, 1e-3, 0.9, 3.0), "exponent: 0.9: must be"),
        (lambda: GridCurrent(1e-4, 1.3, 0.0), "sharpness: 0.0: must be"),
    ],
)
def test_impossible_parameters_are_named(make: Callable[[], object], words: str) -> None:
    with pytest.raises(ValueError, match="must be") as caught:
        make()
    assert words in str(caught.value)


def test_laws_by_name() -> None:
    assert {name: kind.__name__ for name, kind in LAWS.items()} == {
        "child-langmuir": "ChildLangmuir",
        "koren": "Koren",
        "dempwolf-zolzer": "DempwolfZolzer",
    }
