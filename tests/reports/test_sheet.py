"""The sheet: formulas that work out, assumptions, exercises by another route, the page."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree as ET

import numpy as np
import pytest
from scipy.optimize import brentq

from closed_forms import dense_response
from fixture_types import Restage
from objectives.assessment import Assessment
from objectives.checks import InputError
from objectives.devices.lookup import device
from objectives.format import first
from objectives.stage import Stage
from reports.model import ReportData
from reports.sheet.exercises import Exercise, exercises, restaged
from reports.sheet.files import write_sheet
from reports.sheet.formula import Formula, constant, of, root, square
from reports.sheet.markdown import sheet_markdown
from reports.sheet.model import ALL, BASE, SWITCHES, study, worked_under
from reports.sheet.page import sheet_page
from reports.sheet.sheet import Sheet, sheet
from reports.sheet.steps import Step, derivation
from reports.sheet.tables import answers

STAGES: list[dict[str, float]] = [
    {},
    {"cable_F": 0.0},
    {"leak_at_grid": 1.0, "cable_F": 0.0},
    {"grid_leak_ohm": np.inf, "input_coupling_F": np.inf, "load_ohm": np.inf},
    {"source_ohm": 0.0, "cable_F": 0.0},
    {"bypass_F": 0.0, "grid_capacitor_F": 22e-12},
]


def number(formula: Formula) -> float:
    """Work out a formula from its leaves."""
    if formula.kind == "quantity":
        return formula.value
    if formula.kind == "constant":
        return {"1": 1.0, "2π": 2 * math.pi}[formula.symbol]
    a, *rest = map(number, formula.parts)
    b = rest[0] if rest else math.nan
    work = {
        "+": lambda: a + b, "-": lambda: a - b, "*": lambda: a * b, "/": lambda: a / b,
        "∥": lambda: a * b / (a + b), "√": lambda: math.sqrt(a), "∛": lambda: math.cbrt(a),
        "²": lambda: a * a,
    }  # fmt: skip
    return work[formula.kind]()


def steps_work_out(steps: Sequence[Step]) -> int:
    """Hold every step to its own formula; return how many there were."""
    worked = [e for step in steps for e in step.equations if e.right is not None]
    for equation in worked:
        assert equation.right is not None
        assert number(equation.right) == pytest.approx(equation.left.value, rel=1e-6)
    return len(worked)


def dense_corner_Hz(whole: Assessment) -> float:
    """Find the input corner in the dense nodal system of a stage with a given operating point."""
    stage, linear, reference = whole.loaded, whole.linear, whole.targets.reference_Hz

    def level(log_f: float) -> float:
        return abs(complex(np.ravel(dense_response(stage, linear, math.exp(log_f))["g"])[0]))

    half = level(math.log(reference)) / math.sqrt(2)
    grid = np.linspace(math.log(reference), math.log(1e8), 60)
    end = next(n for n, x in enumerate(grid) if level(x) < half)
    return math.exp(brentq(lambda x: level(x) - half, grid[end - 1], grid[end], xtol=1e-10))


@pytest.fixture(scope="session")
def made(contents: ReportData) -> Sheet:
    return sheet(contents, 1)


def one(restage: Restage, change: dict[str, float]) -> Assessment:
    return restage(**change).single()


def test_one_formula_in_three_notations() -> None:
    a, b = of("R_L", 100e3, "ohm"), of("µ", 100.0)
    formula = b * a / (a + (b + constant("1")) * of("R_k", 1500.0, "ohm"))
    assert formula.write("text") == "µ R_L/(R_L + (µ + 1) R_k)"
    assert formula.write("text", numbers=True) == (
        "100 × 100\u00a0kΩ/(100\u00a0kΩ + (100 + 1) × 1.5\u00a0kΩ)"
    )
    assert formula.write("tex").startswith(r"\frac{\mu\,R_\mathrm{L}}{R_\mathrm{L} + \left(\mu + 1")
    mathml = ET.fromstring(f"<math>{formula.write('mathml')}</math>")
    assert [child.tag for child in mathml] == ["mfrac"]
    assert (a - (b - b)).write("text") == "R_L − (µ − µ)"
    assert ((a | b) + a).write("text") == "R_L ∥ µ + R_L"
    assert square(root(a)).write("tex") == r"\sqrt{R_\mathrm{L}}^2"
    assert (a * of("V", -2.0, "V")).write("text", numbers=True).endswith("× (−2\u00a0V)")


@pytest.mark.parametrize("change", STAGES)
def test_every_step_works_out_in_every_set(restage: Restage, change: dict[str, float]) -> None:
    whole = one(restage, change)
    for case in study(whole).cases:
        assert steps_work_out(case.steps) >= 5
        corner = [e.left.value for e in case.steps[-1].equations if e.left.symbol == "f"]
        assert corner in ([case.hand_Hz], [])


def test_a_conducting_base_has_a_step_of_its_own(contents: ReportData) -> None:
    stage = Stage(
        supply_V=12, plate_load_ohm=4.7e3, cathode_resistor_ohm=1e3, bypass_F=0.0,
        source_ohm=4.7e3, stopper_ohm=1e3, grid_leak_ohm=68e3, grid_bias_ratio=0.25,
        input_coupling_F=1e-6, output_coupling_F=1e-6, load_ohm=47e3,
    )  # fmt: skip
    whole = Assessment(stage, device("BC550B"), contents.pick.targets)
    found = study(whole.single())
    assert [s.key for s in found.cases[0].steps].count("conduction") == 1
    for case in found.cases:
        steps_work_out(case.steps)


@pytest.mark.parametrize("change", STAGES[:4])
def test_the_exact_answer_is_that_of_the_dense_system(
    restage: Restage, change: dict[str, float]
) -> None:
    whole = one(restage, change)
    found = study(whole)
    assert found.exact_Hz == pytest.approx(dense_corner_Hz(whole), rel=1e-5)
    assert found.cases[0].network_Hz == pytest.approx(found.exact_Hz)


def test_all_assumptions_at_once_by_hand(restage: Restage) -> None:
    """Stopper, bare valve, its own load: 1/(2 pi R_g (C_gk + C_gp (1 + A))), A = mu R/(rp + R)."""
    whole = one(restage, {})
    d, s = whole.linear, whole.stage
    mu, rp = first(d.transconductance_S / d.plate_conductance_S), first(1 / d.plate_conductance_S)
    load = first(s.plate_load_ohm)
    c_gp = first(d.grid_plate_F - s.stray_grid_plate_F)
    c_in = first(d.grid_cathode_F) + c_gp * (1 + mu * load / (rp + load))
    assert study(whole).cases[ALL].hand_Hz == pytest.approx(
        1 / (2 * math.pi * first(s.stopper_ohm) * c_in)
    )


def test_the_three_factors_make_the_error(made: Sheet) -> None:
    found = made.study
    for case in found.cases:
        ratio = case.hand_Hz / case.counted_Hz * (case.counted_Hz / case.network_Hz)
        assert ratio * case.network_Hz / found.exact_Hz == pytest.approx(
            case.hand_Hz / found.exact_Hz
        )
    texts = answers(found.cases[BASE], found)
    assert set(texts) == {"hand", "error", "network", "counting", "formula", "assumptions"}


def test_a_switch_that_changes_nothing_is_idle(restage: Restage) -> None:
    keys = [switch.key for switch in SWITCHES]
    found = study(one(restage, {"source_ohm": 0.0, "cable_F": 0.0, "bypass_F": np.inf}))
    idle = {key for n, key in enumerate(keys) if found.idle(n)}
    assert {"source", "bypass"} <= idle
    assert not {"next", "strays"} & idle


# -- exercises ----------------------------------------------------------------------------------


def miller_F(whole: Assessment) -> float:
    """Input capacitance of a stage by the handbook's closed forms (from memory)."""
    d, s = whole.linear, whole.loaded
    mu, rp = first(d.transconductance_S / d.plate_conductance_S), first(1 / d.plate_conductance_S)
    load = 1 / (1 / first(s.plate_load_ohm) + 1 / first(s.load_ohm))
    bare = first(s.bypass_F) == 0
    rk = (first(s.cathode_resistor_ohm) if bare else 0.0) + first(s.cathode_unbypassed_ohm)
    below = rp + load + (mu + 1) * rk
    own = first(d.grid_cathode_F) * (1 - mu * rk / below)
    to_ground = first(s.grid_capacitor_F + s.stray_grid_ground_F)
    return own + first(d.grid_plate_F) * (1 + mu * load / below) + to_ground


def seen_ohm(whole: Assessment) -> float:
    s = whole.stage
    return 1 / (1 / first(s.source_ohm) + 1 / first(s.grid_leak_ohm)) + first(s.stopper_ohm)


def rc_Hz(whole: Assessment) -> float:
    return 1 / (2 * math.pi * seen_ohm(whole) * miller_F(whole))


def check_exercise(exercise: Exercise, whole: Assessment) -> None:
    """Hold an answer to closed forms and to the dense nodal system."""
    new = restaged(whole, exercise.given)
    told = re.findall(r"([\d.]+)\u00a0kHz", exercise.answer)
    match exercise.key:
        case "miller":
            assert exercise.value == pytest.approx(miller_F(new))
        case "stopper":
            fitted = restaged(whole, {"stopper_ohm": exercise.value})
            asked = re.search(r"at ([\d.]+)\u00a0kHz", exercise.question)
            assert asked is not None
            assert rc_Hz(fitted) == pytest.approx(1e3 * float(asked[1]), rel=1e-6)
            assert float(told[0]) == pytest.approx(dense_corner_Hz(new) / 1e3, rel=6e-3)
        case "next-value":
            assert exercise.value == pytest.approx(100 * (rc_Hz(new) / rc_Hz(whole) - 1))
            ratio = first(new.stage.stopper_ohm / whole.stage.stopper_ohm)
            assert max(ratio, 1 / ratio) == pytest.approx(1.2, abs=0.08)
        case "blame":
            truth = dense_corner_Hz(new)
            quick = study(new).cases[ALL].hand_Hz
            assert exercise.value == pytest.approx(100 * (quick / truth - 1), rel=1e-4)
            moved = {"perfect source": {"source_ohm": 0.0, "cable_F": 0.0},
                     "no leak": {"grid_leak_ohm": np.inf},
                     "full bypass": {"bypass_F": np.inf},
                     "no next stage": {"load_ohm": np.inf, "load_F": 0.0},
                     "no strays": {n: 0.0 for n in new.stage.numeric_fields()
                                   if "stray" in n or n == "stopper_shunt_F"}}  # fmt: skip
            errors = {}
            for name, change in moved.items():
                # The operating point stays as it is.
                simpler = restaged(new, change)
                vars(simpler)["point"] = new.point
                errors[name] = abs(dense_corner_Hz(simpler) / truth - 1)
            worst = max(errors, key=lambda name: errors[name])
            assert f"“{worst}”" in exercise.answer or "“constant gain”" in exercise.answer
        case "bypass" | "lead":
            assert exercise.value == pytest.approx(rc_Hz(new))
            assert float(told[2]) == pytest.approx(dense_corner_Hz(new) / 1e3, rel=6e-3)
        case "capacitor":
            assert rc_Hz(new) == pytest.approx(rc_Hz(whole))
            assert float(told[0]) == pytest.approx(dense_corner_Hz(new) / 1e3, rel=6e-3)
        case "follower":
            d, load = whole.linear, exercise.given["cathode_resistor_ohm"]
            gm, gp = first(d.transconductance_S), first(d.plate_conductance_S)
            gain = gm / (gm + gp + 1 / load)
            assert exercise.value == pytest.approx(
                first(d.grid_plate_F) + first(d.grid_cathode_F) * (1 - gain)
            )
        case _:
            pytest.fail(f"{exercise.key}: no check")


@pytest.mark.parametrize(
    "seed", [0, 1, *(pytest.param(seed, marks=pytest.mark.slow) for seed in range(2, 6))]
)
def test_answers_are_right_by_another_route(restage: Restage, seed: int) -> None:
    whole = one(restage, {"cable_F": 0.0, "bypass_F": np.inf})
    asked = exercises(whole, seed)
    assert len(asked) == 8
    for exercise in asked:
        check_exercise(exercise, whole)
        steps_work_out(exercise.solution)


def test_a_seed_draws_the_numbers(restage: Restage) -> None:
    whole = one(restage, {"cable_F": 0.0})
    first_time = exercises(whole, 3)
    assert first_time == exercises(whole, 3)
    assert [x.question for x in first_time] != [x.question for x in exercises(whole, 4)]


def test_with_a_cable_no_exercise_needs_one_time_constant(restage: Restage) -> None:
    keys = {x.key for x in exercises(one(restage, {}), 1)}
    assert keys == {"miller", "next-value", "blame", "bypass", "follower", "lead"}


# -- page and Markdown --------------------------------------------------------------------------


def visible(page: str) -> str:
    """Return what a reader sees of a page without script."""
    body = re.sub(r"(?s)<(style|script|svg)\b.*?</\1>", " ", page)
    return re.sub(r"<[^>]+>", " ", body)


def test_the_page_needs_no_network_and_no_script_for_the_base_case(made: Sheet) -> None:
    page = sheet_page(made)
    assert not re.findall(r'(?:src|href)="(?!#)', page)
    assert set(re.findall(r"https?://[^\s\"'<)]+", page)) <= {"http://www.w3.org/2000/svg"}
    shown = visible(page)
    for text in answers(made.study.cases[BASE], made.study).values():
        assert text in shown
    assert page.count("<details") == 1 + len(made.exercises)
    for exercise in made.exercises:
        assert page.count("<strong>Answer:</strong>") == 2 * len(made.exercises)
        assert exercise.key in page


def test_formulas_are_mathml(made: Sheet) -> None:
    formulas = re.findall(r"<math\b.*?</math>", sheet_page(made))
    assert len(formulas) > 40
    for formula in formulas:
        ET.fromstring(formula)


def test_the_script_has_every_set(made: Sheet) -> None:
    page = sheet_page(made)
    found = re.search(r'id="data">(.*?)</script>', page)
    assert found is not None
    data = json.loads(found[1])
    assert len(data["cases"]) == 64
    for case in data["cases"]:
        assert all(0 <= n < len(data["steps"]) for n in case["steps"])
        assert all(0 <= n < len(data["curves"]) for n in case["curves"])
    base = data["cases"][BASE]
    for step, at in zip(made.steps, base["steps"], strict=True):
        assert data["steps"][at] in page.replace("\\u003c", "<")
        assert step.key in page
    # Each text once: far fewer than 64 of each step.
    assert len(data["steps"]) < 64 * len(base["steps"]) / 3


def test_markdown_has_tex(made: Sheet) -> None:
    text = sheet_markdown(made)
    assert text.count("$$") % 2 == 0
    assert text.count(r"\begin{aligned}") == text.count(r"\end{aligned}") == text.count("$$") / 2
    assert r"C_\mathrm{gp}" in text
    assert "<math" not in text


@pytest.mark.parametrize("name", ["J201", "BC550B"])
def test_a_transistor_has_its_own_words(contents: ReportData, name: str) -> None:
    own = {"grid_bias_ratio": 0.25} if name == "BC550B" else {}
    stage = Stage(
        supply_V=9.0, plate_load_ohm=10e3, cathode_resistor_ohm=2.2e3, load_ohm=47e3,
        stopper_ohm=10e3, source_ohm=10e3, input_coupling_F=1e-6, output_coupling_F=1e-6, **own,
    ).broadcast()  # fmt: skip
    pick = Assessment(stage, device(name), contents.pick.targets)
    low = replace(contents, pick=pick, title="A stage", highest_supply_V=9.0)
    made = sheet(low, 1)
    texts = (visible(sheet_page(made)), sheet_markdown(made))
    for text in texts:
        assert not re.findall(r"\b(?:[Gg]rid|[Pp]late|[Cc]athode|[Vv]alve)s?\b", text)
    for step in made.kin:
        steps_work_out([step])


def test_without_resistance_there_is_nothing_to_derive(
    contents: ReportData, restage: Restage
) -> None:
    pick = restage(source_ohm=0.0, stopper_ohm=0.0, cable_F=0.0)
    with pytest.raises(InputError, match="input corner"):
        sheet(replace(contents, pick=pick), 1)
    # The source alone makes a corner, which a perfect one has not.
    pick = restage(stopper_ohm=0.0, cable_F=0.0)
    page = sheet_page(sheet(replace(contents, pick=pick), 1))
    assert '"none"' in page


def test_both_files_are_written(made: Sheet, tmp_path: Path) -> None:
    files = write_sheet(made, tmp_path / "out")
    assert {name: path.name for name, path in files.items()} == {
        "html": "sheet.html", "markdown": "sheet.md",
    }  # fmt: skip
    assert all(path.stat().st_size > 5000 for path in files.values())


def test_a_set_worked_alone_is_that_of_the_study(restage: Restage) -> None:
    whole = one(restage, {})
    alone = derivation(worked_under(whole, 9), whole.targets.reference_Hz, conducting=False)
    assert alone == study(whole).cases[9].steps
