"""The worked calculation: its formulas, worked again, give its results."""

from __future__ import annotations

import math
import re
from collections.abc import Callable

import numpy as np
import pytest

from objectives.scores import Assessment
from reports.calculation import operating_point_steps, simplification_frame, textbook_steps

Restage = Callable[..., Assessment]

SCALE = {"p": 1e-12, "n": 1e-9, "µ": 1e-6, "m": 1e-3, "": 1.0, "k": 1e3, "M": 1e6, "G": 1e9}
QUANTITY = re.compile(r"([−]?\d+(?:\.\d+)?)\u00a0([pnµmkMG]?)(Ω|Hz|F|V|A|W|S|dB|%)")


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
]


@pytest.mark.parametrize("change", CASES)
def test_every_step_of_the_textbook_works_out_to_its_result(
    restage: Restage, change: dict[str, float]
) -> None:
    rows = textbook_steps(restage(**change)).rows
    checked = 0
    for what, formula, result in rows:
        if "whole network" in formula:
            continue
        # The per-cent step is a small difference of two numbers of five figures.
        tolerance = {"abs": 6e-4} if "error" in what else {"rel": 3e-4}
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


def test_no_grid_current_no_step_for_it(restage: Restage) -> None:
    formulas = " ".join(formula for _, formula, _ in operating_point_steps(restage()).rows)
    assert "I_g" not in formulas


def test_without_source_and_stopper_there_is_no_corner_to_divide_by(restage: Restage) -> None:
    rows = {w: (f, r) for w, f, r in textbook_steps(restage(source_ohm=0.0, stopper_ohm=0.0)).rows}
    assert rows["input corner, textbook"][1].startswith("∞")
    both = restage(source_ohm=0.0, stopper_ohm=0.0, leak_at_grid=1.0)
    formulas = [f for _, f, _ in textbook_steps(both).rows]
    assert any("= 0\u00a0Ω" in f for f in formulas)


def test_simplifications_are_measured_against_the_exact_corner(restage: Restage) -> None:
    pick = restage()
    frame = simplification_frame(pick)
    exact = float(pick.input_corner_Hz[0])
    assert frame["corner_Hz"].iloc[0] == exact
    assert frame["error_percent"].iloc[0] == 0
    errors = 100 * (frame["corner_Hz"] / exact - 1)
    assert frame["error_percent"].to_numpy() == pytest.approx(errors.to_numpy())
    by_name = frame.set_index("simplification")["error_percent"]
    assert by_name["perfect source"] > 5  # a source of 38 kΩ before a stopper of 120 kΩ
    assert len(frame) == 9
