"""One exploration: exact and searched fronts, the pick, constants, and nothing feasible."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import moocore
import numpy as np
import pandas as pd
import pytest

from explorer.exploration import Exploration, Mark, explore
from explorer.results import Progress
from explorer.settings import Settings
from fixture_types import TARGETLESS, MakeFormulation
from objectives.checks import InputError

QUICK = Settings(seed=5, evaluations=60, batch=4, block=2)
"""Blocks of two candidates, so that a search sees part of the small space."""


@pytest.fixture(scope="module")
def both(formulated: MakeFormulation) -> Exploration:
    return explore(formulated(), QUICK, method="compare")


def everything(ex: Exploration) -> Any:
    """Return every candidate of the explored problem, in one piece."""
    choices = ex.problem.choices
    rows = np.array(list(itertools.product(*(c.values for c in choices))))
    return ex.problem.evaluate({c.part: rows[:, at] for at, c in enumerate(choices)})


def scaled(losses: np.ndarray) -> np.ndarray:
    span = np.ptp(losses, axis=0)
    return np.asarray((losses - losses.min(axis=0)) / np.where(span > 0, span, 1))


def volume(points: np.ndarray) -> float:
    """Return the share of the box up to 1.1 that points on the front's scale dominate."""
    ref = np.full(points.shape[1], 1.1)
    return float(moocore.hypervolume(points[(points < 1.1).all(axis=1)], ref=ref) / ref.prod())


# --- the front -----------------------------------------------------------------------------------


def test_a_comparison_gives_the_exact_front_and_how_much_of_it_was_found(
    both: Exploration, size: int
) -> None:
    assert both.exact is not None
    assert both.searched is not None
    assert both.source is both.exact
    # Blocks are whole, of two candidates.
    assert both.exact.evaluated == size
    assert 60 <= both.searched.evaluated < 62
    assert both.feasible
    assert not both.interrupted
    front = both.front.losses
    assert both.hypervolume == pytest.approx(volume(scaled(front)), rel=1e-9)
    best, span = front.min(axis=0), np.ptp(front, axis=0)
    share = volume((both.searched.front.losses - best) / span) / both.hypervolume
    assert both.search_share == pytest.approx(share, rel=1e-9)
    assert 0 < share < 1
    assert np.array_equal(both.scale.best, best)
    assert np.array_equal(both.scale.worst, front.max(axis=0))


def test_nothing_in_the_space_beats_the_front(both: Exploration) -> None:
    whole = everything(both)
    good = whole.losses[whole.feasible]
    # Pick and alternatives may stand beside it, for the room that they have.
    for row in both.front.losses[both.on_front]:
        better = np.any(good < row - 1e-9 * np.abs(row), axis=1)
        assert not (np.all(good <= row, axis=1) & better).any()
    assert both.front.feasible.all()


def test_those_on_target_that_achieve_most_come_first(both: Exploration) -> None:
    decision = both.decision
    assert decision is not None
    missed = decision.missed.sum(axis=1)
    assert np.array_equal(missed > 0, np.sort(missed > 0))
    on_target = decision.shortfall[missed == 0]
    assert np.array_equal(on_target, np.sort(on_target))


@pytest.mark.slow
def test_a_search_that_sees_everything_finds_everything(
    formulated: MakeFormulation, size: int
) -> None:
    ex = explore(
        formulated(),
        replace(QUICK, evaluations=size, sampler="random"),
        method="compare",
    )
    assert ex.searched is not None
    assert len(ex.searched.front) == len(ex.front)
    assert ex.search_share == pytest.approx(1.0, abs=1e-12)
    assert ex.search_share is not None
    assert ex.search_share <= 1.0


def test_the_pick_is_marked_and_comes_first(both: Exploration) -> None:
    assert both.decision is not None
    assert both.decision.pick == both.pick == int(both.representatives[0])
    assert Mark("pick") in both.marks[both.pick]
    chosen = both.choosing(5)
    assert chosen.pick == int(chosen.representatives[0]) == 5
    assert chosen.marks[5][0] == Mark("pick")


def test_marks_name_the_best_of_each_score(both: Exploration) -> None:
    for at, free in enumerate(both.problem.free):
        marked = [row for row, marks in both.marks.items() if Mark("best", free.name) in marks]
        assert len(marked) == 1
        assert both.front.losses[marked[0], at] == both.front.losses[:, at].min()
    assert sum(Mark("pick") in marks for marks in both.marks.values()) == 1


def test_a_long_front_is_shown_in_forty(formulated: MakeFormulation) -> None:
    ex = explore(
        formulated(
            ('series = "E6"\nfrom = "10k"\nto = "220k"', 'series = "E24"\nfrom = "10k"\nto = "1M"'),
            ('values = ["1k", "1k5", "2k2"]', 'series = "E12"\nfrom = "1k"\nto = "2k7"'),
        ),
        QUICK,
        method="exact",
    )
    assert len(ex.front) > 100
    assert len(ex.representatives) == len(set(ex.representatives.tolist())) == 40
    assert ex.representatives[0] == ex.pick
    assert set(ex.marks) <= set(ex.representatives.tolist())
    assert np.array_equal(ex.representatives[1:], np.sort(ex.representatives[1:]))


def test_the_frame_holds_the_front_in_si_units(both: Exploration) -> None:
    frame = pd.DataFrame(both.columns())
    assert frame["candidate"].tolist() == list(range(1, len(both.front) + 1))
    for name, values in {**both.front.parts, **both.front.scores}.items():
        assert np.array_equal(frame[name].to_numpy(), values)
    assert frame["limits_broken"].eq(0).all()


def test_the_distance_from_a_target_is_in_the_frame(formulated: MakeFormulation) -> None:
    ex = explore(formulated(('gain_dB = "maximise"', 'gain_dB = { near = "30 dB" }')), QUICK)
    frame = pd.DataFrame(ex.columns())
    assert frame["gain_dB_from_target"].to_numpy() == pytest.approx(
        (frame["gain_dB"] - 30).abs().to_numpy()
    )


# --- methods -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("method", "patience_s", "exact", "searched"),
    [
        ("auto", 60.0, True, False),
        ("compare", 1e-9, True, True),
        ("auto", 1e-9, False, True),
        ("search", 60.0, False, True),
        ("exact", 1e-9, True, False),
    ],
)
def test_each_method_does_what_it_says(
    formulated: MakeFormulation, method: Any, patience_s: float, exact: bool, searched: bool
) -> None:
    seen: set[str] = set()
    ex = explore(
        formulated(),
        QUICK,
        method=method,
        patience_s=patience_s,
        progress=lambda p: seen.add(p.kind),
    )
    assert (ex.exact is not None, ex.searched is not None) == (exact, searched)
    assert seen == {w for w, done in (("enumerating", exact), ("searching", searched)) if done}
    assert (ex.search_share is not None) == (exact and searched)
    assert len(ex.front) > 3


def test_a_search_of_the_whole_space_is_exact(formulated: MakeFormulation, size: int) -> None:
    ex = explore(formulated(), replace(QUICK, evaluations=size), method="search")
    assert ex.searched is None
    assert ex.exact is not None
    assert ex.exact.evaluated == size
    assert pd.DataFrame(ex.columns()).equals(
        pd.DataFrame(explore(formulated(), QUICK, method="exact").columns())
    )


def test_a_continuous_space_is_searched_and_cannot_be_exact(
    formulated: MakeFormulation, continuous: tuple[str, str]
) -> None:
    ex = explore(formulated(continuous), QUICK)
    assert ex.exact is None
    assert ex.search_share is None
    assert len(ex.front) > 3
    with pytest.raises(InputError) as caught:
        explore(formulated(continuous), QUICK, method="exact")
    assert (caught.value.field, caught.value.value) == ("method", "exact")


def test_parts_of_a_drawer_are_explored(formulated: MakeFormulation, tmp_path: Path) -> None:
    (tmp_path / "d.csv").write_text(
        "kind,value,quantity\nresistor,12k,3\nresistor,33k,1\nresistor,100k,4\nresistor,1M,1\n"
    )
    ex = explore(
        formulated(
            ('series = "E6"\nfrom = "10k"\nto = "220k"', 'drawer = "d.csv"'),
            (
                "[scores]",
                '[stock]\ndrawer = "d.csv"\n\n[scores]\nseries_departure_percent = "show"',
            ),
            folder=tmp_path,
        ),
        QUICK,
    )
    assert ex.problem.size == 4 * 3 * 3 * 2
    assert set(ex.front.parts["stopper_ohm"].tolist()) <= {12e3, 33e3, 100e3, 1e6}
    # Departure is from the drawer: 1k, 1k5 and 2k2 are not in it, whatever the series says.
    rk = ex.front.parts["cathode_resistor_ohm"]
    assert ex.front.scores["series_departure_percent"] == pytest.approx(
        100 * np.log(12e3 / rk), rel=1e-6
    )


# --- constants -----------------------------------------------------------------------------------


@pytest.mark.slow
def test_a_constant_score_leaves_the_search_and_is_kept_once(
    formulated: MakeFormulation, size: int
) -> None:
    plain = explore(formulated(), QUICK)
    ex = explore(
        formulated(('noise_dBu = "minimise"', 'noise_dBu = "minimise"\n'
               'series_departure_percent = "minimise"')),
        QUICK,
    )  # fmt: skip
    assert ex.constants == {"series_departure_percent": 0.0}
    assert [f.name for f in ex.problem.free] == [f.name for f in plain.problem.free]
    assert ex.problem.score_names.count("series_departure_percent") == 1
    assert ex.front.losses.shape == plain.front.losses.shape
    assert np.array_equal(ex.front.losses, plain.front.losses)
    assert pd.DataFrame(ex.columns())["series_departure_percent"].eq(0).all()
    assert plain.constants == {}
    assert ex.exact is not None
    assert ex.exact.evaluated == size


def test_when_every_score_is_constant_one_is_kept(formulated: MakeFormulation) -> None:
    ex = explore(
        formulated(
            ('gain_dB = "maximise"', 'series_departure_percent = "minimise"'),
            ('input_corner_error_octaves = "minimise"\n', ""),
            ('noise_dBu = "minimise"\n', 'series_departure_rms_percent = "minimise"\n'),
            ('rf_margin_dB = "maximise"\n', ""),
            TARGETLESS,
        ),
        QUICK,
    )
    assert [f.name for f in ex.problem.free] == ["series_departure_percent"]
    assert ex.constants == {"series_departure_rms_percent": 0.0}
    assert ex.on_front.sum() == 1


def test_one_score_has_one_best_candidate(formulated: MakeFormulation) -> None:
    ex = explore(
        formulated(
            ('input_corner_error_octaves = "minimise"\n', ""),
            ('noise_dBu = "minimise"\n', ""),
            ('rf_margin_dB = "maximise"\n', ""),
            TARGETLESS,
        ),
        QUICK,
    )
    whole = everything(ex)
    assert ex.on_front.sum() == 1
    assert ex.front.scores["gain_dB"][ex.on_front][0] == pytest.approx(
        whole.scores["gain_dB"][whole.feasible].max(), rel=1e-12
    )
    assert ex.hypervolume == pytest.approx(1.0)


# --- nothing feasible, and interrupted -----------------------------------------------------------


def test_when_nothing_is_feasible_the_nearest_are_shown_nearest_first(
    formulated: MakeFormulation, impossible: tuple[str, str]
) -> None:
    ex = explore(formulated(impossible), QUICK)
    assert not ex.feasible
    assert len(ex.front) == len(ex.representatives) == 12
    broken = ex.front.broken
    assert (broken > 0).all()
    assert np.array_equal(broken, np.sort(broken))
    assert broken[0] == pytest.approx(everything(ex).broken.min(), rel=1e-9)
    assert ex.marks == {0: (Mark("nearest"),)}
    assert (ex.hypervolume, ex.search_share) == (0.0, None)
    assert pd.DataFrame(ex.columns())["limits_broken"].gt(0).all()


def stop_at(kind: str) -> Callable[[Progress], None]:
    def report(p: Progress) -> None:
        if p.kind == kind:
            raise KeyboardInterrupt

    return report


def test_an_interrupted_search_is_read_as_far_as_it_went(formulated: MakeFormulation) -> None:
    ex = explore(formulated(), QUICK, method="compare", progress=stop_at("searching"))
    assert ex.interrupted
    assert ex.exact is None
    assert ex.source.evaluated == 30  # the closure starts with as much as it may take, half
    assert len(ex.front) > 0
    assert ex.representatives[0] == ex.pick


def test_an_interrupted_enumeration_falls_back_on_the_search(
    formulated: MakeFormulation, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("explorer.search._WAVE_S", 0.0)
    ex = explore(formulated(), QUICK, method="compare", progress=stop_at("enumerating"))
    assert ex.interrupted
    assert ex.exact is None
    assert 60 <= ex.source.evaluated < 62  # blocks are whole, of two candidates
    alone = explore(formulated(), QUICK, method="exact", progress=stop_at("enumerating"))
    assert alone.interrupted
    assert alone.source.evaluated == 2
    assert len(alone.front) > 0


# --- another design than the pick ----------------------------------------------------------------


def test_a_design_is_asked_for_by_number_or_by_name(both: Exploration) -> None:
    assert both.decision is not None
    assert both.row_of("pick") == both.pick
    assert both.row_of("3") == 2
    for name, row in both.named.items():
        assert both.row_of(name) == row
    assert len(both.named) == 1 + len(both.decision.alternatives)
    for wrong in ("0", str(len(both.front) + 1), "quitest", "-1", "9" * 30, "²"):
        with pytest.raises(InputError, match="candidate"):
            both.row_of(wrong)


def test_the_pick_stands_beside_what_is_chosen_in_its_place(both: Exploration) -> None:
    assert both.decision is not None
    row = (both.pick + 1) % len(both.front)
    chosen = both.choosing(row)
    assert chosen.decision is not None
    assert chosen.pick == int(chosen.representatives[0]) == row
    assert chosen.named["recommended"] == both.pick
    assert both.choosing(both.pick) is both


def test_where_a_part_may_have_any_value_the_pick_has_one_that_is_sold(
    formulated: MakeFormulation, continuous: tuple[str, str]
) -> None:
    ex = explore(formulated(continuous), Settings(seed=5))
    assert ex.decision is not None
    e12 = {10, 12, 15, 18, 22, 27, 33, 39, 47, 56, 68, 82}  # IEC 60063
    value = float(ex.front.parts["stopper_ohm"][ex.pick])
    mantissa = value / 10 ** (np.floor(np.log10(value)) - 1)
    assert min(abs(mantissa - m) for m in e12) < 1e-6
    # The front itself keeps the values that were searched.
    on_front = ex.front.parts["stopper_ohm"][ex.on_front]
    assert np.any(np.abs(on_front / value - 1) > 1e-3)
