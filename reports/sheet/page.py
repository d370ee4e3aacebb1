"""A sheet as one HTML page that needs no network: formulas as MathML, a curve that moves."""

from __future__ import annotations

from typing import Any

from markupsafe import Markup, escape

from reports.document.blocks import subscripts
from reports.document.templates import asset, base_style, environment, script_json
from reports.sheet.chart import HEIGHT, WIDTH, across, frequency_ticks, level_ticks, path
from reports.sheet.connections import comparison_rows
from reports.sheet.exercises import Exercise
from reports.sheet.model import BASE, SWITCHES
from reports.sheet.sheet import Sheet
from reports.sheet.steps import Equation, Step
from reports.sheet.tables import alone_rows, answers, corner, error_labels, lead_words


def sheet_page(sheet: Sheet) -> str:
    """Return the sheet as one page."""
    study = sheet.study
    steps, curves = _Pool(), _Pool()
    cases = [
        {
            "steps": [steps.place(_work(step)) for step in case.steps],
            "curves": [curves.place(path(case.hand_dB)), curves.place(path(case.network_dB))],
            "at": [_at(sheet, case.counted_Hz), _at(sheet, case.network_Hz)],
            "texts": answers(case, study),
        }
        for case in study.cases
    ]
    base = study.cases[BASE]
    alone, kin = alone_rows(study), comparison_rows(sheet.worked, sheet.connections)
    return (
        environment()
        .get_template("sheet.html.jinja")
        .render(
            title=sheet.title,
            lead=lead_words(study),
            danger=sheet.danger,
            cautions=sheet.cautions,
            circuit={
                "wide": Markup(sheet.circuit.markup),
                "narrow": Markup(sheet.circuit.narrow),
                "caption": sheet.circuit.caption,
            },
            steps=[_slide(step) for step in sheet.steps],
            switches=[
                {
                    "label": study.terms.write(switch.label),
                    "leaves_out": switch.leaves_out(study.whole),
                    "bit": 1 << n,
                    "on": bool(BASE >> n & 1),
                    "idle": study.idle(n),
                }
                for n, switch in enumerate(SWITCHES)
            ],
            exact=corner(study.exact_Hz),
            texts=answers(base, study),
            error_labels=error_labels(study),
            chart={
                "exact": path(study.exact_dB),
                "hand": path(base.hand_dB),
                "network": path(base.network_dB),
                "at": [_at(sheet, hz) for hz in (base.counted_Hz, base.network_Hz, study.exact_Hz)],
                "size": (WIDTH, HEIGHT),
                "x": [(100 * place, label) for place, label in frequency_ticks(study)],
                "y": [(100 * place, label) for place, label in level_ticks()],
            },
            grid=study.terms.grid,
            alone=alone,
            kin=[_slide(step) for step in sheet.kin],
            kin_table=kin,
            kin_words=sheet.kin_words,
            exercises=[_exercise(exercise) for exercise in sheet.exercises],
            seed=sheet.seed,
            base=BASE,
            data=script_json({"cases": cases, "steps": steps.kept, "curves": curves.kept}),
            style=base_style() + asset("sheet.css"),
            script=asset("sheet.js"),
        )
    )


class _Pool:
    """Texts that occur many times, each kept once."""

    def __init__(self) -> None:
        self.kept: list[str] = []
        self._places: dict[str, int] = {}

    def place(self, text: str) -> int:
        """Return the place of a text, which is kept if it is new."""
        if text not in self._places:
            self._places[text] = len(self.kept)
            self.kept.append(text)
        return self._places[text]


def _at(sheet: Sheet, corner_Hz: float) -> float:
    return round(100 * across(sheet.study, corner_Hz), 2)


def _slide(step: Step) -> dict[str, Any]:
    return {"key": step.key, "title": step.title, "work": Markup(_work(step))}


def _exercise(exercise: Exercise) -> dict[str, Any]:
    return {
        "key": exercise.key,
        "question": exercise.question,
        "solution": [
            {"title": step.title, "work": Markup(_equations(step) or _words(step))}
            for step in exercise.solution
        ],
        "answer": exercise.answer,
    }


def _work(step: Step) -> str:
    """Return words and equations of a step; each line can be shown by itself."""
    return _words(step) + _equations(step)


def _words(step: Step) -> str:
    return f'<p class="words">{subscripts(str(escape(step.words)))}</p>'


def _equations(step: Step) -> str:
    return "".join(_equation(equation) for equation in step.equations)


def _equation(equation: Equation) -> str:
    """Return symbols, numbers and result, each on its own line."""
    left, right = equation.left, equation.right
    result = f'<mrow class="value">{left.write("mathml", numbers=True)}</mrow>'
    if right is None:
        lines = [("stated", f"{left.write('mathml')}<mo>=</mo>{result}")]
    else:
        symbols, numbers = right.write("mathml"), right.write("mathml", numbers=True)
        lines = [
            ("symbols", f"{left.write('mathml')}<mo>=</mo>{symbols}"),
            ("numbers", f"<mo>=</mo>{numbers}"),
            ("result", f"<mo>=</mo>{result}"),
        ]
        if numbers == left.write("mathml", numbers=True):
            del lines[1]
    return '<div class="equation">' + "".join(map(_line, lines)) + "</div>"


def _line(line: tuple[str, str]) -> str:
    kind, mathml = line
    return f'<div class="line {kind}"><math displaystyle="true"><mrow>{mathml}</mrow></math></div>'
