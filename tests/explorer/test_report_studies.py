"""The studies of an exploration as they go into its report and its tables."""

from __future__ import annotations

import json
import os
import pickle
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from flat_blocks import all_of

from explorer.exploration import Exploration, explore
from explorer.report_data import report_data
from explorer.report_studies import _of_pick, _shares, _studied, pick_studies
from explorer.settings import Settings
from fixture_types import MakeFormulation
from objectives.tolerance.builds import built_scores
from objectives.tolerance.front_yields import front_yields
from objectives.tolerance.spreads import draw_units
from objectives.tolerance.study import StudySize, tolerance_study
from reports.document.files import write_report
from reports.layout import Figure, Table
from reports.model import ReportData
from reports.sections.swaps import swaps_section
from reports.sections.tolerance import tolerance_section

DRAWS = 512


@pytest.fixture(scope="module")
def ex(formulated: MakeFormulation) -> Exploration:
    return explore(formulated(), Settings(seed=1, evaluations=100, batch=50), method="exact")


@pytest.fixture(scope="module")
def data(ex: Exploration, tmp_path_factory: pytest.TempPathFactory) -> ReportData:
    size = StudySize(draws=DRAWS, index_samples=32)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(
            "explorer.report_studies.tolerance_study", partial(tolerance_study, size=size)
        )
        patch.setattr("explorer.report_studies.front_yields", partial(front_yields, draws=DRAWS))
        studies = pick_studies(ex, tmp_path_factory.mktemp("studies"))
    return report_data(ex, studies)


@pytest.mark.slow
def test_every_design_of_the_front_has_a_yield_and_bands_in_the_tables(
    ex: Exploration, data: ReportData, tmp_path: Path
) -> None:
    written = write_report(data, tmp_path)
    front = pd.read_csv(written["front_csv"])
    assert len(front) == len(ex.front)
    assert front["built_yield_percent"].between(0, 100).all()
    assert (front["built_gain_dB_p5"] <= front["built_gain_dB_p95"]).all()
    assert (front["built_stages"] == DRAWS).all()
    # All designs solved, as the plain study would.
    designs = ex.problem.assess(ex.front.parts)
    setup = designs.targets.tolerance
    assert setup is not None
    units = draw_units(setup.spreads, DRAWS, setup.seed)
    drawn = built_scores(designs, setup.spreads, units, tuple(setup.windows), ratings=setup.ratings)
    good = 100 * drawn.good(setup.windows).mean(axis=-1)
    np.testing.assert_allclose(front["built_yield_percent"], good, atol=1.0)
    readable = pd.read_csv(written["readable_csv"])
    exact = dict(zip(front["candidate"], good, strict=True))
    shown = [exact[c] for c in readable["candidate"]]
    np.testing.assert_allclose(readable["built_yield_percent"], shown, atol=1.0)
    # Of the pick, which comes first, every stage is solved.
    assert readable["built_yield_percent"].iloc[0] == pytest.approx(shown[0])


@pytest.mark.slow
def test_of_a_larger_front_some_designs_have_yields(
    ex: Exploration, data: ReportData, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    size, most = StudySize(draws=DRAWS, index_samples=32), len(ex.representatives) + 5
    assert len(ex.front) > most
    own = "explorer.report_studies."
    monkeypatch.setattr(own + "tolerance_study", partial(tolerance_study, size=size))
    monkeypatch.setattr(own + "front_yields", partial(front_yields, draws=DRAWS))
    monkeypatch.setattr(own + "_MOST_YIELDS", most)
    studies = pick_studies(ex, tmp_path)
    some = report_data(ex, studies)
    written = write_report(some, tmp_path)
    front = pd.read_csv(written["front_csv"])
    built = front["built_yield_percent"].notna()
    assert np.count_nonzero(built) == most
    columns = [*front.filter(regex="^built_")]
    assert (front[columns].notna().all(axis=1) == built).all()
    # Those built are worked out as if all were.
    np.testing.assert_allclose(
        front.loc[built, columns], data.front.loc[built, columns].astype(float), rtol=1e-9
    )
    assert pd.read_csv(written["readable_csv"])["built_yield_percent"].notna().all()
    told = json.loads(written["json"].read_text("utf-8"))["front"]
    assert [row["built_stages"] for row in told] == [DRAWS if here else None for here in built]
    page = written["markdown"].read_text("utf-8")
    assert f"Yields of {most} of the {len(front)} designs" in page
    assert "nan" not in page.split()


@pytest.mark.slow
def test_other_processes_come_to_the_same_bytes(
    ex: Exploration, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    size = StudySize(draws=DRAWS, index_samples=32)
    own = "explorer.report_studies."
    monkeypatch.setattr(own + "tolerance_study", partial(tolerance_study, size=size))
    monkeypatch.setattr(own + "front_yields", partial(front_yields, draws=DRAWS))
    monkeypatch.setattr(own + "_SHARE", 2)
    monkeypatch.setattr(os, "cpu_count", lambda: 2)
    written = []
    for folder, worth_sharing_s in (("alone", 1e9), ("shared", 0.0)):
        monkeypatch.setattr("explorer.workers._WORTH_SHARING_S", worth_sharing_s)
        studies = pick_studies(ex, tmp_path / folder)
        files = write_report(report_data(ex, studies), tmp_path / folder)
        written.append({role: file.read_bytes() for role, file in files.items() if role != "run"})
    assert written[0] == written[1]


@pytest.mark.slow
def test_a_piece_of_work_loads_no_brief(ex: Exploration, tmp_path: Path) -> None:
    studied, pick = _studied(ex), ex.problem.assess(ex.pick_parts)
    shares = (piece for _, piece in _shares(ex, studied, np.arange(len(ex.front))))
    pieces = [*_of_pick(ex, pick, tmp_path, studied), *shares]
    assert {piece.kind for piece in pieces} == {"tolerance", "yields"}
    for piece in pieces:
        # What is unpickled by name is loaded.
        assert b"explorer" not in pickle.dumps(piece.run)


@pytest.mark.slow
def test_the_section_tells_of_the_whole_front_after_the_designs_shown(data: ReportData) -> None:
    section = tolerance_section(data)
    assert section is not None
    names = [block.name for block in all_of(section) if isinstance(block, Figure)]
    assert names[:3] == ["tolerance-response", "tolerance-front", "tolerance-bands"]
    captions = [block.caption for block in all_of(section) if isinstance(block, Table)]
    assert captions[0].startswith("What yield costs")
    assert captions[1].startswith("Yield: share of built stages")


@pytest.mark.slow
def test_the_pick_is_told_of_with_other_valves(data: ReportData) -> None:
    section = swaps_section(data)
    assert section is not None
    assert data.studies is not None
    own, worn, *others = data.studies.swaps
    assert own.scores["gain_dB"] == pytest.approx(data.shown["gain_dB"].iloc[0])
    assert worn.scores["gain_dB"] < own.scores["gain_dB"]
    frame = next(block.frame for block in all_of(section) if isinstance(block, Table))
    assert [*frame.columns[1:]] == [own.device, worn.device, *(swap.device for swap in others)]


@pytest.mark.slow
@pytest.mark.parametrize("stated", ["study = false", "front = false"])
def test_what_the_brief_does_not_want_is_left_out(
    formulated: MakeFormulation, stated: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    size = StudySize(draws=64, index_samples=8)
    monkeypatch.setattr(
        "explorer.report_studies.tolerance_study", partial(tolerance_study, size=size)
    )
    change = ("[search]", f"[tolerance]\n{stated}\n\n[search]")
    ex = explore(formulated(change), Settings(seed=1, evaluations=100, batch=50), method="exact")
    studies = pick_studies(ex, tmp_path)
    assert studies is not None
    assert studies.yields is None
    assert (studies.tolerance is not None) == (stated != "study = false")
    assert "built_yield_percent" not in report_data(ex, studies).front
