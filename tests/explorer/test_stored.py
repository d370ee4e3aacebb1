"""An enumeration that is kept: the same front again, and nothing believed that is not of it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from explorer.exploration import explore
from explorer.search import enumerate_front
from explorer.settings import Settings
from explorer.stored import NAME, YIELDS, keep, kept, kept_yields
from fixture_types import MakeFormulation

QUICK = Settings(seed=5, evaluations=60, batch=20)


def test_what_is_kept_comes_back_scored_anew(formulated: MakeFormulation, tmp_path: Path) -> None:
    problem = formulated().problem
    exact = enumerate_front(problem)
    keep(problem, exact, tmp_path / "new")
    again = kept(problem, tmp_path / "new")
    assert again is not None
    assert np.array_equal(again.harvest.serious.losses, exact.harvest.serious.losses)
    assert np.array_equal(again.front.losses, exact.front.losses)
    assert again.complete
    assert again.harvest.counts == exact.harvest.counts


def test_a_second_exploration_does_not_enumerate(
    formulated: MakeFormulation, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    first = explore(formulated(), QUICK, method="exact", folder=tmp_path)
    monkeypatch.setattr("explorer.search.enumerate_front", None)
    second = explore(formulated(), QUICK, method="exact", folder=tmp_path)
    assert pd.DataFrame(first.columns()).equals(pd.DataFrame(second.columns()))
    assert first.pick == second.pick


def test_another_problem_or_a_broken_file_is_not_believed(
    formulated: MakeFormulation, tmp_path: Path
) -> None:
    problem = formulated().problem
    assert kept(problem, tmp_path) is None
    keep(problem, enumerate_front(problem), tmp_path)
    other = formulated(("250 V", "260 V")).problem
    assert kept(other, tmp_path) is None
    whole = (tmp_path / NAME).read_bytes()
    for broken in (b"", b"PK\\x03\\x04", whole[: len(whole) // 2], b"[1, 2]", whole[100:]):
        (tmp_path / NAME).write_bytes(broken)
        assert kept(problem, tmp_path) is None


def test_yields_are_read_where_nothing_that_they_depend_on_has_changed(
    formulated: MakeFormulation, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    first = explore(formulated(), QUICK, method="exact", folder=tmp_path)
    assert first.decision is not None
    problem = first.problem
    known = kept_yields(problem, tmp_path)
    assert known
    monkeypatch.setattr("explorer.decision.built_well", None)
    again = explore(formulated(), QUICK, method="exact", folder=tmp_path, keeping=False)
    assert again.decision is not None
    assert again.decision.alternatives == first.decision.alternatives
    assert np.array_equal(again.decision.yields, first.decision.yields, equal_nan=True)
    setup = problem.targets.tolerance
    assert setup is not None
    others = replace(problem.targets, tolerance=replace(setup, seed=setup.seed + 1))
    assert not kept_yields(replace(problem, targets=others), tmp_path)
    assert not kept_yields(formulated(("250 V", "260 V")).problem, tmp_path)
    whole = (tmp_path / YIELDS).read_bytes()
    for broken in (b"", b"PK\x03\x04", whole[: len(whole) // 2], b"[1, 2]"):
        (tmp_path / YIELDS).write_bytes(broken)
        assert not kept_yields(problem, tmp_path)
