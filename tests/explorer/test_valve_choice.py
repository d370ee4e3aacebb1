"""The valve as a choice: every candidate is scored as with its own valve, and shown by name."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from flat_blocks import all_of

from explorer.brief.errors import BriefError
from explorer.brief.loading import parse_brief
from explorer.designs import parse_design
from explorer.exploration import explore
from explorer.formulation import Formulation, formulate
from explorer.report_data import report_data
from explorer.report_studies import pick_studies
from explorer.settings import Settings
from explorer.standing import assess_design
from fixture_types import MakeBriefText
from objectives.checks import InputError
from reports.layout import Table
from reports.sections.build import document

VALVES = ("12AX7", "5751", "12AY7")


@pytest.fixture(scope="module")
def chosen(brief_text: MakeBriefText) -> Formulation:
    listed = ", ".join(f'"{name}"' for name in VALVES)
    return formulate(parse_brief(brief_text(('valve = "12AX7"', f"valve = [{listed}]"))))


@pytest.fixture(scope="module")
def alone(brief_text: MakeBriefText) -> list[Formulation]:
    texts = [brief_text(('valve = "12AX7"', f'valve = "{name}"')) for name in VALVES]
    return [formulate(parse_brief(text)) for text in texts]


def test_the_space_is_that_of_each_valve_together(
    chosen: Formulation, alone: list[Formulation]
) -> None:
    assert chosen.problem.size == sum(one.problem.size for one in alone)
    assert chosen.brief.size == chosen.problem.size
    assert chosen.brief.varied[0] == "valve"


def test_every_candidate_is_scored_as_with_its_valve_alone(
    chosen: Formulation, alone: list[Formulation]
) -> None:
    problem = chosen.problem
    parts = problem.draw(90, np.random.default_rng(4))
    found = problem.evaluate(parts)
    names = problem.score_names
    scores = problem.scores(parts, names)
    assert set(parts["device"]) == {0.0, 1.0, 2.0}
    for number, one in enumerate(alone):
        rows = np.flatnonzero(parts["device"] == number)
        own = {name: a[rows] for name, a in parts.items() if name != "device"}
        expected = one.problem.evaluate(own)
        assert found.losses[rows] == pytest.approx(expected.losses, rel=1e-12)
        assert found.broken[rows] == pytest.approx(expected.broken, rel=1e-12)
        for name in names:
            assert scores[name][rows] == pytest.approx(one.problem.assess(own)[name], rel=1e-12), (
                name
            )
    with pytest.raises(InputError, match="device"):
        problem.assess(parts)


def test_the_yield_of_each_candidate_is_that_of_its_own_valve(
    chosen: Formulation, alone: list[Formulation]
) -> None:
    parts = dict(chosen.problem.draw(6, np.random.default_rng(1)))
    parts["device"] = np.array([0.0, 1.0, 2.0, 0.0, 1.0, 2.0])
    name = "tolerance_yield_percent"
    found = chosen.problem.scores(parts, [name])[name]
    for number, one in enumerate(alone):
        rows = np.flatnonzero(parts["device"] == number)
        own = {part: a[rows] for part, a in parts.items() if part != "device"}
        assert found[rows] == pytest.approx(one.problem.assess(own)[name])


@pytest.mark.slow
def test_the_front_is_exact_and_its_report_names_the_valves(
    chosen: Formulation, alone: list[Formulation], tmp_path: Path
) -> None:
    settings = Settings(storage=tmp_path / "search.log", block=6)
    ex = explore(chosen, settings, method="exact")
    assert set(pd.DataFrame(ex.columns())["device"]) <= set(VALVES)
    # No design of one valve's own front beats a design of the joint front; pick and alternatives
    # may stand beside it.
    joint = ex.front.losses[ex.on_front]
    for one in alone:
        own = explore(one, settings, method="exact").front.losses
        no_worse = (own[:, None] <= joint).all(-1)
        assert not (no_worse & (own[:, None] < joint).any(-1)).any()
    studies = pick_studies(ex, tmp_path)
    assert studies is not None
    assert studies.yields is not None
    assert studies.yields.good.shape == (len(ex.front),)
    assert np.all((studies.yields.good >= 0) & (studies.yields.good <= 1))
    data = report_data(ex, studies)
    sections = {
        section.key: section for section in [*document(data).sections, *document(data).appendix]
    }
    tables = [b.frame for b in all_of(sections["front"]) if isinstance(b, Table)]
    assert set(tables[0]["valve"]) <= set(VALVES)


def test_a_design_names_its_valve(chosen: Formulation, tmp_path: Path) -> None:
    settings = Settings(storage=tmp_path / "search.log", block=6)
    ex = explore(chosen, settings, method="exact")
    given = ["stopper=100k", "plate_load=100k", "cathode_resistor=1k5", "bypass=22u"]
    design = parse_design([*given, "valve=5751"], chosen.brief)
    assert assess_design(ex, design).scores["gain_dB"] == pytest.approx(
        ex.problem.scores({n: np.array([v]) for n, v in design.stage_fields().items()},
                          ["gain_dB"])["gain_dB"][0]
    )  # fmt: skip
    with pytest.raises(BriefError, match=r"design\.valve.*12AX7, 5751, 12AY7"):
        parse_design(given, chosen.brief)


def test_a_valve_listed_twice_is_refused(brief_text: MakeBriefText) -> None:
    with pytest.raises(BriefError, match="valve: '12AX7': listed twice"):
        parse_brief(brief_text(('valve = "12AX7"', 'valve = ["12AX7", "12AX7"]')))
