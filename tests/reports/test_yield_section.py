"""What is said of the yield of a whole front is what the yields say."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from objectives.tolerance.front_yields import FrontYields
from reports.charts.yields import yield_chart
from reports.layout import Figure, Note, Prose, Table
from reports.sections.yields import price_table, yield_blocks
from reports.theme import svg_of
from valid_charts import valid_spec

SIZE = 12
FREE = ("gain_dB", "output_resistance_ohm")
PARTS = ("stopper_ohm", "plate_load_ohm")
GOOD = np.array([0.99, 0.2, 0.62, 0.81, 0.93, 0.96, 1.0, 0.4, 0.1, 0.0, 0.5, 0.7])
GIVEN_UP = np.array([0.9, 0.3, 0.35, 0.5, 0.45, 0.6, 0.95, 0.7, 0.8, 0.9, 0.4, 0.99])
PICK = 1


@pytest.fixture
def yields() -> FrontYields:
    """Return yields of an invented front, of which some designs are solved."""
    draws, solved = np.full(SIZE, 10_240), np.full(SIZE, 244)
    solved[[1, 2, 9]] = 10_240
    solved[8] = 446
    corner = np.where(np.arange(SIZE) % 2 == 0, GOOD, np.maximum(GOOD, 0.995))
    refused = np.zeros(SIZE, dtype=bool)
    refused[[2, 9]] = True
    return FrontYields(
        rows=np.arange(SIZE),
        percentiles=(5.0, 50.0, 95.0),
        good=GOOD,
        kept={"input_corner_Hz": corner},
        ratings_kept=np.where(np.arange(SIZE) % 2 == 0, 1.0, GOOD),
        bands={"gain_dB": np.tile(np.array([[30.0], [31.0], [32.0]]), SIZE)},
        draws=draws,
        solved=solved,
        refused=refused,
        through_point=np.arange(SIZE) == 8,
        wanted=10_240,
        checked=448,
        wrongly_good=2,
        wrongly_bad=3,
        misfit={"gain_dB": 0.031},
        percentile_error=0.123,
        seconds=1.234,
    )


@pytest.fixture
def front() -> pd.DataFrame:
    at = np.arange(SIZE)
    return pd.DataFrame(
        {
            "candidate": at + 1,
            "stopper_ohm": 10e3 * (at + 1),
            "plate_load_ohm": 100e3,
            "gain_dB": 30.0 + at,
            "output_resistance_ohm": 1e3 * 2.0**at,
        }
    )


def test_the_words_count_what_is_there(yields: FrontYields, front: pd.DataFrame) -> None:
    words, finding, figure, table = yield_blocks(
        yields, front, GIVEN_UP, pick=PICK, free=FREE, parts=PARTS
    )
    # Of those with 90 % or more, the fifth gives up least.
    assert isinstance(finding, Note)
    assert finding.text.replace("\u00a0", " ") == (
        "Candidate 5 has a yield of 93.0 % against the pick's 20.0 %, and gives up 0.45 "
        "noticeable steps in its worst score, against 0.3."
    )
    assert isinstance(words, Prose)
    assert isinstance(figure, Figure)
    assert isinstance(table, Table)
    first, surfaces, solved = (text.replace("\u00a0", " ") for text in words.paragraphs)
    assert "12 designs" in first
    for count, least in ((8, 50), (5, 80), (4, 90), (3, 95), (2, 99)):
        assert f"{count} have {least} % or more" in first
    assert "the pick has 20.0 %, the best design 100.0 %" in first
    assert "front.csv" in first
    assert "For 8 of them 244 builds were solved" in surfaces
    assert "For another 1, whose builds cross a bend in the curves of the device, 446" in surfaces
    assert "checked against is 12 % of a score's spread" in surfaces
    assert "Of 448 solved builds" in surfaces
    assert "5 (1.1 %) lie on the other side" in surfaces
    assert "2 of them bad builds that it calls good" in surfaces
    assert "in any score is 3.1 % of that score's own spread" in surfaces
    assert "for the pick and 2 that no surface follows" in solved


def test_of_a_front_that_was_built_in_part_only_that_is_told(
    yields: FrontYields, front: pd.DataFrame
) -> None:
    # The designs built stand in every fifth row; what was not built would be taken in each place.
    rows = 5 * np.arange(SIZE) + 3
    some = replace(yields, rows=rows, within_steps=0.61)
    whole = pd.DataFrame(1e-9, index=range(5 * SIZE + 4), columns=front.columns)
    whole.iloc[rows] = front
    whole["candidate"] = np.arange(len(whole)) + 1
    given_up = np.full(len(whole), -1.0)
    given_up[rows] = GIVEN_UP
    told = yield_blocks(some, whole, given_up, pick=int(rows[PICK]), free=FREE, parts=PARTS)
    alone = yield_blocks(
        yields, whole.iloc[rows].reset_index(), GIVEN_UP, pick=PICK, free=FREE, parts=PARTS
    )
    words, finding, figure, table = told
    assert isinstance(words, Prose)
    assert "Yields of 12 of the 64 designs" in words.paragraphs[0]
    assert "0.61 noticeable steps" in words.paragraphs[0]
    assert finding == alone[1]
    assert isinstance(figure, Figure)
    (drawn,) = valid_spec(figure.chart)["datasets"].values()
    assert [row["candidate"] for row in drawn] == (rows + 1).tolist()
    assert isinstance(table, Table)
    assert isinstance(alone[3], Table)
    pd.testing.assert_frame_equal(table.frame, alone[3].frame)


def test_a_front_that_never_builds_well_is_told_so(
    yields: FrontYields, front: pd.DataFrame
) -> None:
    poor = replace(yields, good=np.full(SIZE, 0.25))
    words, *rest = yield_blocks(poor, front, GIVEN_UP, pick=PICK, free=FREE, parts=PARTS)
    assert not any(isinstance(block, Note) for block in rest)
    assert isinstance(words, Prose)
    assert "or more" not in words.paragraphs[0]
    assert (
        "12 designs: the pick has 25.0\u00a0%, the best design 25.0\u00a0%" in words.paragraphs[0]
    )
    table = price_table(poor, front, GIVEN_UP, pick=PICK, free=FREE, parts=PARTS)
    assert table.frame["yield wanted"].tolist() == ["the pick"]


def test_the_price_is_the_least_given_up_for_each_yield(
    yields: FrontYields, front: pd.DataFrame
) -> None:
    table = price_table(yields, front, GIVEN_UP, pick=PICK, free=FREE, parts=PARTS)
    rows = table.frame.set_index("yield wanted")
    expected = {}
    for share in (0.5, 0.8, 0.9, 0.95, 0.99):
        enough = [i for i in range(SIZE) if GOOD[i] >= share]
        expected[f"{100 * share:g}\u00a0% or more"] = min(enough, key=lambda i: GIVEN_UP[i]) + 1
    assert rows["candidate"].to_dict() == {
        "the pick": "2",
        **{words: str(at) for words, at in expected.items()},
        "the highest": "7",
    }
    assert rows.loc["the highest", "yield (%)"] == "100.0"
    assert rows.loc["the pick", "given up in its worst score (steps)"] == "0.3"
    assert rows.loc["the pick", "grid stopper"] == "20\u00a0kΩ"
    assert table.marked == {0: "pick"}


def test_the_chart_shows_every_design_in_a_panel_a_score(
    yields: FrontYields, front: pd.DataFrame
) -> None:
    chart = yield_chart(yields, front, PICK, FREE)
    spec = valid_spec(chart)
    assert len(spec["concat"]) == len(FREE)
    (rows,) = spec["datasets"].values()
    assert [row["yield"] for row in rows] == (100 * GOOD).tolist()
    assert [row["which"] for row in rows].count("the pick") == 1
    # Even rows miss the corner, odd ones a rating; what misses nothing says so.
    assert [row["missed"] for row in rows][:8] == [
        "input corner", "a rating", "input corner", "a rating", "input corner", "a rating",
        "nothing: all are good", "a rating",
    ]  # fmt: skip
    axes = [panel["layer"][0]["encoding"]["x"] for panel in spec["concat"]]
    assert axes[1]["scale"]["type"] == "log"
    assert "the pick 20.0\u00a0%, the best 100.0\u00a0% (candidate 7)" in spec["description"]
    assert svg_of(spec).startswith("<svg")
