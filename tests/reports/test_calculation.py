"""The worked calculation: its formulas, worked again, give its results."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from objectives.assessment import Assessment
from objectives.devices.lookup import device
from objectives.stage import Stage
from objectives.targets import Targets
from reports.calculation import (
    operating_point_steps,
    simplification_frame,
    textbook_steps,
)
from reports.second_estimate import second_steps

Restage = Callable[..., Assessment]

SCALE = {"p": 1e-12, "n": 1e-9, "µ": 1e-6, "m": 1e-3, "": 1.0, "k": 1e3, "M": 1e6, "G": 1e9}
QUANTITY = re.compile(r"([−]?\d+(?:\.\d+)?)\u00a0([pnµmkMG]?)(Ω|Hz|F|V|A|W|S|s|dB|%)")


def value(text: str) -> float:
    """Return the SI value of a result such as ``4.7 kΩ`` or ``95.2``."""
    match = QUANTITY.fullmatch(text)
    if match is None:
        return float(text.replace("−", "-"))
    number = float(match[1].replace("−", "-"))
    return number * SCALE[match[2]] / (100 if match[3] == "%" else 1)


def worked(formula: str) -> float:
    """Work out what stands right of the last equals sign of a formula."""
    right = formula.rsplit("= ", 1)[-1]
    right = QUANTITY.sub(lambda m: repr(value(m[0])), right)
    right = right.replace("−", "-").replace("×", "*").replace("π", "math.pi")
    right = right.replace("√", "math.sqrt").replace("∛", "math.cbrt")
    right = right.replace("²", "**2").replace("³", "**3")
    right = right.replace("log10", "math.log10").replace("20 log10", "20*log10")
    assert re.fullmatch(r"[0-9eE.+\-*/() a-z]*", right), right
    return float(eval(right, {"math": math}))


CASES: list[dict[str, float]] = [
    {},
    {"leak_at_grid": 1.0},
    {"grid_leak_ohm": np.inf, "input_coupling_F": np.inf},
    {"load_ohm": np.inf},
    {"source_ohm": 0.0},
    {"cathode_unbypassed_ohm": 330.0, "bypass_F": 10e-6},
    {"bypass_F": 0.0, "grid_capacitor_F": 22e-12},
    {"cable_F": 0.0, "plate_capacitor_F": 100e-12},
]


@pytest.mark.parametrize("change", CASES)
def test_every_step_of_the_textbook_works_out_to_its_result(
    restage: Restage, change: dict[str, float]
) -> None:
    rows = textbook_steps(restage(**change)).rows
    checked = 0
    for what, formula, result in rows:
        if "whole network" in formula or "by trial" in formula:
            continue
        # The per-cent step is a small difference of two numbers of five figures.
        tolerance: dict[str, Any] = {"abs": 6e-4} if "difference" in what else {"rel": 3e-4}
        assert worked(formula) == pytest.approx(value(result), **tolerance), formula
        checked += 1
    assert checked >= 7


@pytest.mark.parametrize("change", [*CASES, {"grid_bias_V": -0.5}])
def test_every_step_of_the_operating_point_works_out_to_its_result(
    restage: Restage, change: dict[str, float]
) -> None:
    pick = restage(**change)
    rows = operating_point_steps(pick).rows
    for _, formula, result in rows:
        if "solved" not in formula:
            assert worked(formula) == pytest.approx(value(result), rel=3e-4, abs=2e-4), formula
    by_name = {what: value(result) for what, _, result in rows}
    assert by_name["plate voltage to ground"] == pytest.approx(pick.point.plate_V[0], rel=1e-4)
    assert by_name["plate dissipation"] == pytest.approx(
        pick.point.plate_dissipation_W[0], rel=1e-4
    )


def test_the_exact_answers_stand_beside_the_estimate(restage: Restage) -> None:
    pick = restage()
    results = {what: result for what, _, result in textbook_steps(pick).rows}
    assert value(results["input corner, exact"]) == pytest.approx(
        float(pick.input_corner_Hz[0]), rel=1e-4
    )
    assert value(results["gain from source to output, exact"]) == pytest.approx(
        float(pick["gain_dB"][0]), abs=0.005
    )


def test_at_the_second_estimate_half_of_the_squared_voltage_is_left(restage: Restage) -> None:
    for change in CASES:
        results = {what: result for what, _, result in second_steps(restage(**change)).rows}
        left = {w: value(r) for w, r in results.items() if w.startswith("share") and "left" in w}
        reference, corner = left.values()
        assert corner == pytest.approx(reference / 2, rel=1e-4)


def test_no_grid_current_no_step_for_it(restage: Restage) -> None:
    formulas = " ".join(formula for _, formula, _ in operating_point_steps(restage()).rows)
    assert "I_g" not in formulas


def test_without_source_and_stopper_there_is_no_corner_to_divide_by(restage: Restage) -> None:
    rows = {w: (f, r) for w, f, r in textbook_steps(restage(source_ohm=0.0, stopper_ohm=0.0)).rows}
    assert rows["input corner, first estimate"][1].startswith("∞")
    both = restage(source_ohm=0.0, stopper_ohm=0.0, leak_at_grid=1.0)
    formulas = [f for _, f, _ in textbook_steps(both).rows]
    assert any("= 0\u00a0Ω" in f for f in formulas)


def test_simplifications_are_measured_against_the_exact_corner(restage: Restage) -> None:
    pick = restage()
    frame = simplification_frame(pick)
    exact = float(pick.input_corner_Hz[0])
    # Worked out in one batch with the simplifications: the last bit may differ.
    assert frame["corner_Hz"].iloc[0] == pytest.approx(exact, rel=1e-12)
    assert frame["error_percent"].iloc[0] == 0
    errors = 100 * (frame["corner_Hz"] / exact - 1)
    assert frame["error_percent"].to_numpy() == pytest.approx(errors.to_numpy())
    by_name = frame.set_index("simplification")["error_percent"]
    assert by_name["perfect source"] > 5  # a source of 38 kΩ before a stopper of 120 kΩ
    assert len(frame) == 11


def test_an_unbypassed_resistor_and_a_conducting_base_have_steps_of_their_own() -> None:
    """A common-emitter stage of invented parts; every formula works out to its result."""
    stage = Stage(
        supply_V=12.0, grid_bias_V=2.164, grid_leak_ohm=18.03e3, plate_load_ohm=2.2e3,
        cathode_resistor_ohm=680.0, cathode_unbypassed_ohm=47.0, bypass_F=220e-6,
        input_coupling_F=4.7e-6, source_ohm=4.7e3, stopper_ohm=1e3, load_ohm=10e3,
    ).broadcast()  # fmt: skip
    pick = Assessment(stage, device("BC550B"), Targets())
    rows = {what: (formula, result) for what, formula, result in textbook_steps(pick).rows}
    for what, (formula, result) in rows.items():
        if "whole network" not in formula and "by trial" not in formula:
            tolerance: dict[str, Any] = {"abs": 6e-4} if "difference" in what else {"rel": 3e-4}
            assert worked(formula) == pytest.approx(value(result), **tolerance), formula
    gain = next(result for what, (_, result) in rows.items() if "without a bypass" in what)
    exact = value(rows["gain from base to collector, exact"][1])
    assert 20 * math.log10(value(gain)) == pytest.approx(exact, abs=0.1)
    # What the base takes: 1/g_pi, raised by the emitter that follows.
    taken = value(rows["resistance that the conducting base presents"][1])
    share = value(rows["share of the base's voltage that the emitter follows"][1])
    assert taken == pytest.approx(1 / (float(pick.point.grid_conductance_S[0]) * (1 - share)), 1e-3)
    for what, formula, result in operating_point_steps(pick).rows:
        if "solved" not in formula:
            assert worked(formula) == pytest.approx(value(result), rel=3e-4, abs=2e-4), what
    direct = {what: result for what, _, result in operating_point_steps(pick).rows}
    bias = direct["base voltage to ground, from the bias through all that the base current passes"]
    assert value(bias) == pytest.approx(float(pick.point.grid_V[0]), rel=1e-4)
    assert value(bias) < 2.164 - 0.01


def test_a_grounded_cathode_and_an_idle_grid_have_none(restage: Restage) -> None:
    formulas = " ".join(formula for _, formula, _ in textbook_steps(restage()).rows)
    assert "A_k" not in formulas
    assert "R_in" not in formulas
    assert "V_bias" not in " ".join(f for _, f, _ in operating_point_steps(restage()).rows)
