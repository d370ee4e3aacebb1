"""The linked chart of the front: what it shows, how it is sampled, what is linked."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from objectives.devices.terms import FIELD_EFFECT, VALVE
from objectives.scores.registry import REGISTRY
from reports.charts.front import FAINT_LIMIT, front_chart, spread_chart
from reports.charts.front_rows import losses_of, mark_kind, mark_label, spanning_scores
from reports.charts.trade_off import trade_off
from reports.model import Mark, ReportData, ScoreUse
from valid_charts import valid_spec


@pytest.fixture(scope="module")
def spec(contents: ReportData) -> dict[str, Any]:
    return valid_spec(front_chart(contents))


@pytest.fixture(scope="module")
def spread(contents: ReportData) -> dict[str, Any]:
    return valid_spec(spread_chart(contents))


def units(spec: dict[str, Any]) -> Iterator[dict[str, Any]]:
    """Every single view inside a specification."""
    inner = [spec[k] for k in ("layer", "concat", "vconcat", "hconcat") if k in spec]
    if not inner:
        yield spec
    for group in inner:
        for part in group:
            yield from units(part)


@pytest.mark.parametrize(
    ("marks", "kind"),
    [
        ([Mark("pick")], "pick"),
        ([Mark("pick"), Mark("alternative", "gain_dB")], "pick"),
        ([Mark("best", "gain_dB"), Mark("alternative", "gain_dB")], "alternative"),
        ([Mark("best", "gain_dB"), Mark("best", "noise_dBu")], "best in a score"),
        ([Mark("nearest")], "nearest"),
        ([], "shown in the table"),
    ],
)
def test_marks_make_kinds(marks: list[Mark], kind: str) -> None:
    assert mark_kind(marks) == kind


def test_the_axes_of_a_design_that_stands_alone_span_steps_that_matter(
    contents: ReportData,
) -> None:
    """No tick of an axis may need more figures than anyone can hear."""
    assert contents.decision is not None
    alone = contents.front[contents.front["candidate"] == contents.decision.pick.candidate]
    decision = replace(contents.decision, alternatives=[])
    chart = trade_off(replace(contents, front=alone, shown=alone, decision=decision))
    for way in "xy":
        channels = [u["encoding"][way] for u in units(valid_spec(chart.chart)) if "encoding" in u]
        channel = next(c for c in channels if c.get("field") in REGISTRY)
        ends = REGISTRY[channel["field"]].step.count(np.array(channel["scale"]["domain"]))
        assert np.diff(ends)[0] > 1.9


def test_marks_are_in_the_words_of_the_device() -> None:
    assert mark_label(Mark("alternative", "noise_dBu"), VALVE) == "quietest"
    assert mark_label(Mark("best", "rf_margin_dB"), VALVE) == "best RF margin"
    assert mark_label(Mark("best", "plate_current_A"), FIELD_EFFECT) == "best drain current"


def test_every_pair_of_four_free_scores_has_a_plate(spec: dict[str, Any]) -> None:
    plates = spec["vconcat"][0]["concat"]
    assert len(plates) == 6
    pairs = {
        (p["layer"][-1]["encoding"]["x"]["field"], p["layer"][-1]["encoding"]["y"]["field"])
        for p in plates
    }
    assert ("gain_dB", "noise_dBu") in pairs


@pytest.mark.slow
def test_five_scores_show_the_six_pairs_that_conflict_most(contents: ReportData) -> None:
    rng = np.random.default_rng(1)
    front = contents.front.assign(cost_price=rng.random(len(contents.front)))
    extra = ScoreUse("cost_price", "", "price", "drawer", "minimise", better=-1)
    more = replace(
        contents,
        uses=[*contents.uses, extra],
        front=front,
        shown=contents.shown.assign(cost_price=0.5),
    )
    spec = valid_spec(front_chart(more))
    plates = spec["vconcat"][0]["concat"]
    assert len(plates) == 6
    fields = [
        (p["layer"][-1]["encoding"]["x"]["field"], p["layer"][-1]["encoding"]["y"]["field"])
        for p in plates
    ]
    assert ("rf_margin_dB", "noise_dBu") in fields  # rank correlation of the losses near -1


def dimmed(spec: dict[str, Any]) -> list[Any]:
    return [
        unit["encoding"]["opacity"] for unit in units(spec) if "opacity" in unit.get("encoding", {})
    ]


def test_selections_are_shared_by_every_view(spec: dict[str, Any], spread: dict[str, Any]) -> None:
    params = {p["name"]: p for p in spec["params"]}
    assert set(params) == {"chosen", "brush"}
    assert len(params["brush"]["views"]) == 6
    assert len(params["chosen"]["views"]) == 6
    assert set(params["chosen"]["views"]) <= {unit.get("name") for unit in units(spec)}
    assert len(dimmed(spec)) >= 6
    assert all("chosen" in str(opacity) and "brush" in str(opacity) for opacity in dimmed(spec))
    (chosen,) = spread["params"]
    assert chosen["name"] == "chosen"
    assert len(chosen["views"]) == 1 + 4
    assert all("chosen" in str(opacity) for opacity in dimmed(spread))


def test_the_designs_shown_are_shown_whole_and_the_pick_on_top(
    spec: dict[str, Any], contents: ReportData
) -> None:
    shown = spec["datasets"]["shown"]
    assert {row["candidate"] for row in shown} == set(contents.shown["candidate"])
    assert shown[-1]["kind"] == "pick"
    assert shown[-1]["candidate"] == contents.shown["candidate"].iloc[0]
    by_id = contents.shown.set_index("candidate")
    for row in shown:
        assert row["gain_dB"] == pytest.approx(by_id.loc[row["candidate"], "gain_dB"], rel=1e-5)


def test_the_rest_of_a_small_front_is_behind_it(spec: dict[str, Any], contents: ReportData) -> None:
    drawn = min(FAINT_LIMIT, len(contents.front) - len(contents.shown))
    assert len(spec["datasets"]["rest"]) == drawn


@pytest.mark.slow
def test_a_large_front_is_sampled_with_a_seed(remake: Callable[..., ReportData]) -> None:
    large = remake(rows=5000)
    first = valid_spec(front_chart(large))["datasets"]["rest"]
    assert len(first) == FAINT_LIMIT
    assert first == valid_spec(front_chart(large))["datasets"]["rest"]


def test_profiles_run_from_worst_to_best(spread: dict[str, Any], contents: ReportData) -> None:
    rows = pd.DataFrame(spread["datasets"]["profiles"])
    assert len(rows) == 4 * len(contents.shown)
    for label, column, better in (("gain", "gain_dB", 1), ("noise", "noise_dBu", -1)):
        axis = rows[rows["axis"] == label].set_index("candidate")
        front = contents.front[column]
        best, worst = (front.max(), front.min()) if better > 0 else (front.min(), front.max())
        values = contents.shown.set_index("candidate")[column]
        for candidate, height in zip(axis.index, axis["height"], strict=True):
            value = values[candidate]
            assert height == pytest.approx((value - worst) / (best - worst), abs=1e-4)


@pytest.mark.slow
def test_a_score_wanted_near_a_value_is_best_there(contents: ReportData) -> None:
    target = np.log2(contents.front["input_corner_Hz"] / 8000.0).abs()
    shown = np.log2(contents.shown["input_corner_Hz"] / 8000.0).abs()
    near = ScoreUse("input_corner_Hz", "Hz", "corner", "brief", "near", 8e3)
    changed = replace(
        contents,
        uses=[near, *(u for u in contents.uses if u.name in ("gain_dB", "noise_dBu"))],
        front=contents.front.assign(input_corner_Hz_from_target=target),
        shown=contents.shown.assign(input_corner_Hz_from_target=shown),
    )
    assert losses_of(changed.shown, near) == pytest.approx(shown.to_numpy())
    spec = valid_spec(spread_chart(changed))
    rows = pd.DataFrame(spec["datasets"]["profiles"])
    axis = rows[rows["axis"] == "input corner"].set_index("candidate")["height"]
    best = contents.shown["candidate"].iloc[int(np.argmin(shown))]
    assert axis.idxmax() == best
    titles = [
        unit["encoding"]["x"].get("title")
        for unit in units(valid_spec(front_chart(changed)))
        if "x" in unit.get("encoding", {})
    ]
    assert any("near 8\u00a0kHz" in title for title in titles if isinstance(title, list))


def test_strips_count_how_often_the_front_uses_a_value(
    spread: dict[str, Any], contents: ReportData
) -> None:
    used = pd.DataFrame(spread["datasets"]["used_bypass_F"])
    counts = contents.front["bypass_F"].value_counts().sort_index()
    assert used["value"].tolist()[0] == "none"
    assert used["value"].tolist()[-1] == "full"
    assert used["share"].to_numpy() == pytest.approx((counts / counts.max()).to_numpy())


@pytest.mark.slow
def test_infinite_scores_become_gaps(contents: ReportData) -> None:
    shown = contents.shown.copy()
    shown.loc[3, "rf_margin_dB"] = np.inf
    spec = valid_spec(front_chart(replace(contents, shown=shown)))
    gone = [row for row in spec["datasets"]["shown"] if row["rf_margin_dB"] is None]
    assert [row["candidate"] for row in gone] == [shown["candidate"].iloc[3]]


@pytest.mark.slow
def test_one_free_score_has_no_plates_but_profiles_and_parts(contents: ReportData) -> None:
    one = replace(contents, uses=[u for u in contents.uses if u.name == "gain_dB"])
    spec = valid_spec(front_chart(one))
    assert len(spec["vconcat"]) == 1
    assert len(valid_spec(spread_chart(one))["vconcat"]) == 2
    assert {p["name"] for p in spec["params"]} == {"chosen"}


def test_without_free_scores_those_that_vary_span_the_view(contents: ReportData) -> None:
    none_free = replace(contents, uses=[replace(u, aim="") for u in contents.uses])
    assert len(spanning_scores(none_free)) == len(contents.uses)


@pytest.mark.slow
def test_an_empty_front_shows_the_nearest_candidates(infeasible: ReportData) -> None:
    bare = replace(infeasible, front=infeasible.front.iloc[:0])
    spec = valid_spec(front_chart(bare))
    assert "rest" not in spec["datasets"]
    assert len(spec["datasets"]["shown"]) == len(infeasible.shown)
    kinds = {row["kind"] for row in spec["datasets"]["shown"]}
    domain = next(
        unit["encoding"]["color"]["scale"]["domain"]
        for unit in units(spec)
        if unit.get("encoding", {}).get("color", {}).get("field") == "kind"
    )
    assert set(domain) == kinds
