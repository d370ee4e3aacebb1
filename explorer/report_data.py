"""From an exploration to the records and tables that its report is made from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from explorer.brief.parts import highest
from explorer.evaluation import Parts
from explorer.exploration import Exploration
from explorer.formulation import Formulation
from explorer.obstacles import more_choice, obstacles
from explorer.problem import Problem
from explorer.report_parts import part_lines
from explorer.report_run import run_of
from explorer.results import SearchResult
from explorer.standing import unexplored
from objectives.assessment import Assessment
from objectives.format import first, mark_words
from objectives.radio.tables import wiring
from objectives.scores.registry import REGISTRY
from objectives.tolerance.front_yields import FrontYields
from reports.model import (
    DecisionSummary,
    DriverSummary,
    LimitRow,
    Mark,
    NamedDesign,
    PickStudies,
    ReportData,
    ScoreStanding,
    ScoreUse,
    SearchSummary,
    StageData,
    TargetStanding,
    WiringLine,
)
from reports.record import Run

_SAMPLED = 256
"""Stages that stand in for the front of a brief that was not explored."""


def report_data(ex: Exploration, studies: PickStudies | None = None) -> ReportData:
    """Return what the report of an exploration is made from.

    Parameters
    ----------
    studies :
        What was worked out about the pick and the front beyond their scores.

    Raises
    ------
    ValueError
        If the exploration found no candidate at all.
    """
    if len(ex.front) == 0:
        raise ValueError("front: empty: must hold at least one candidate")
    trace = ex.trace
    own = ex.pick_parts
    pick = ex.problem.assess(own)
    marks = {row + 1: [Mark(*mark) for mark in marked] for row, marked in ex.marks.items()}
    front = _front(ex, pick, marks, studies.yields if studies is not None else None)
    return ReportData(
        **_of_stage(ex.formulation, ex.problem, pick, own),
        uses=_uses(ex),
        constants=dict(ex.constants),
        space=ex.formulation.problem.size,
        exact=_search(ex.exact),
        searched=_search(ex.searched),
        search_share=ex.search_share,
        hypervolume=ex.hypervolume,
        interrupted=ex.interrupted,
        front=front,
        marks=marks,
        shown=front.iloc[ex.representatives].reset_index(drop=True),
        decision=_decision(ex),
        feasible=ex.feasible,
        obstacles=obstacles(ex),
        more_choice=more_choice(ex),
        studies=studies,
        beside=_beside(ex),
        search_trace=pd.DataFrame(trace, columns=["evaluations", "hypervolume"]) if trace else None,
        run=run_of(ex),
    )


def _beside(ex: Exploration) -> dict[int, StageData]:
    """Return the designs that stand beside the pick, by candidate."""
    if ex.decision is None:
        return {}
    rows = [other.row for other in ex.decision.alternatives if other.row != ex.decision.pick]
    stages = {}
    for row in rows:
        own = {part: values[[row]] for part, values in ex.front.parts.items()}
        assessment = ex.problem.assess(own)
        stages[row + 1] = StageData(**_of_stage(ex.formulation, ex.problem, assessment, own))
    return stages


def stage_data(formulation: Formulation, parts: Parts | None = None) -> StageData:
    """Return one stage of a brief as a report takes it.

    Parameters
    ----------
    parts :
        The parts that the brief leaves free, each of shape (1,); none where it fixes them all.
    """
    return staged(formulation, formulation.problem, parts or {})


def staged(formulation: Formulation, problem: Problem, own: Parts) -> StageData:
    """Return a stage as a report takes it, in a problem that was narrowed."""
    return StageData(**_of_stage(formulation, problem, problem.assess(own), own))


def unexplored_data(formulation: Formulation, own: Parts) -> ReportData:
    """Return what is known of a brief before it is explored, with a stage in place of a pick.

    A sample of its space stands in place of the front, so that scales show what could be.
    """
    ex = unexplored(formulation)
    problem = ex.problem
    quick = replace(problem, shown=tuple(n for n in problem.shown if not REGISTRY[n].slow))
    drawn = quick.draw(_SAMPLED, np.random.default_rng(0)) if problem.choices else {}
    some = quick.show(quick.evaluate(drawn), np.arange(_SAMPLED if drawn else 1))
    return ReportData(
        **_of_stage(formulation, problem, problem.assess(own), own),
        uses=_uses(ex),
        constants={},
        space=problem.size,
        exact=None,
        searched=None,
        search_share=None,
        hypervolume=0.0,
        interrupted=False,
        front=pd.DataFrame({**some.parts, **some.scores}),
        marks={},
        shown=pd.DataFrame(),
        decision=None,
        feasible=True,
        obstacles=None,
        more_choice=[],
        run=Run("", "", formulation.brief.text),
    )


def _of_stage(
    formulation: Formulation, problem: Problem, pick: Assessment, own: Parts
) -> dict[str, Any]:
    """Return the fields of a stage and its surroundings; ``own`` are the parts that it states."""
    brief, driver = formulation.brief, _driver(formulation, problem, own)
    others = (brief.driver.stage, brief.load.stage, brief.load.cathode_follower)
    return {
        "title": brief.title,
        "scenario": " ".join(brief.scenario.split()),
        "driver": driver,
        "next_device": "" if brief.load.stage is None else brief.load.stage.valve,
        "pick": pick,
        "origins": {c.part: c.origin for c in problem.choices},
        "parts": part_lines(problem, brief.stock.capacitor_series, pick, own, driver),
        "limits": _limits(problem, pick),
        "wiring": [
            WiringLine(w.kind, w.between, w.total_F, wiring(w.kind).source)
            for w in brief.strays.wiring
        ],
        "highest_supply_V": max(
            highest(brief.supply.voltage), *(highest(o.supply) for o in others if o is not None), 0
        ),
        "neighbours": formulation.neighbours,
    }


def _front(
    ex: Exploration,
    pick: Assessment,
    marks: Mapping[int, list[Mark]],
    yields: FrontYields | None,
) -> pd.DataFrame:
    """Return the whole front with its marks in words and what was found of built stages."""
    front = pd.DataFrame(ex.columns())
    terms = ex.problem.terms
    front["marks"] = [
        ", ".join(mark_words(mark.kind, mark.score, terms) for mark in marks.get(candidate, ()))
        for candidate in front["candidate"]
    ]
    if not ex.feasible:
        broken = np.sum([excess > 0 for excess in ex.front.excess.values()], axis=0)
        front["limits_broken_count"] = broken
    return front if yields is None else front.join(yield_columns(yields))


def yield_columns(yields: FrontYields) -> pd.DataFrame:
    """Return yield, bands and built stages of the designs built, by their rows of the front."""
    columns: dict[str, object] = {"built_yield_percent": 100.0 * yields.good}
    for name, band in yields.bands.items():
        for percentile, value in zip(yields.percentiles, band, strict=True):
            columns[f"built_{name}_p{percentile:g}"] = value
    # As objects they stay whole numbers where those of other designs are missing.
    counts = {"built_stages": yields.draws, "built_stages_solved": yields.solved}
    columns |= {name: count.astype(object) for name, count in counts.items()}
    return pd.DataFrame(columns, index=yields.rows)


def _driver(formulation: Formulation, problem: Problem, own: Parts) -> DriverSummary:
    driving = problem.driving.at(own)
    fields, earlier = driving.fields(), formulation.brief.driver.stage
    plain = DriverSummary(
        first(fields["source_ohm"]),
        first(fields["source_ratio"]),
        driving.resistance_ohm,
        first(driving.divider_series_ohm),
        first(driving.divider_shunt_ohm),
        first(driving.level_fraction),
    )
    if driving.driver is None or driving.stage is None or earlier is None:
        return plain
    return replace(
        plain,
        ahead_ohm=first(driving.driver.output_impedance_ohm.real),
        device=earlier.valve,
        supply_V=first(driving.stage.supply_V),
        plate_load_ohm=first(driving.stage.plate_load_ohm),
        cathode_ohm=first(driving.stage.cathode_total_ohm),
        plate_current_A=first(driving.driver.point.plate_current_A),
        plate_V=first(driving.driver.point.plate_V),
    )


def _search(run: SearchResult | None) -> SearchSummary | None:
    if run is None:
        return None
    stored = run.taken_up
    return SearchSummary(
        run.evaluated, run.harvest.feasible, run.seconds, run.interrupted,
        stored.candidates, stored.unfinished, stored.proposals, stored.damaged,
    )  # fmt: skip


def _uses(ex: Exploration) -> list[ScoreUse]:
    problem = ex.problem
    free = {f.name: f for f in problem.free}
    windows = {w.name: w for w in problem.windows}
    uses = []
    for name in dict.fromkeys([*free, *windows, *problem.shown]):
        entry = REGISTRY[name]
        asked: dict[str, Any] = {"shown": name in problem.shown, "constant": name in ex.constants}
        if name in free:
            asked |= {"aim": free[name].use, "target": free[name].target}
        if name in windows:
            asked |= {"at_least": windows[name].at_least, "at_most": windows[name].at_most}
        direction = asked.get("aim", entry.direction)
        better = {"maximise": 1, "minimise": -1}.get(direction, 0)
        uses.append(ScoreUse(name, entry.unit, entry.meaning, entry.source, better=better, **asked))
    return uses


def _decision(ex: Exploration) -> DecisionSummary | None:
    decision = ex.decision
    if decision is None:
        return None
    problem, row, scores = ex.problem, decision.pick, ex.front.scores
    alternatives = [
        NamedDesign(other.row + 1, other.kind, other.score, float(decision.yields[other.row]))
        for other in decision.alternatives
        if other.row != row
    ]
    aims = {free.name: free.target for free in problem.free if free.use == "near"}
    targets = [
        TargetStanding(
            goal.name, float(scores[goal.name][row]), goal.at_least, goal.at_most,
            float(missed), aims.get(goal.name, np.nan),
        )
        for goal, missed in zip(problem.goals, decision.missed[row], strict=True)
    ]  # fmt: skip
    standings = [
        ScoreStanding(
            free.name, float(scores[free.name][row]), free.value_at(wanted), free.value_at(good),
            bool(stated), free.value_at(best), float(given_up),
        )
        for free, wanted, good, stated, best, given_up in zip(
            problem.free, decision.wanted, decision.good_enough, decision.stated, decision.best,
            decision.given_up, strict=True,
        )
    ]  # fmt: skip
    return DecisionSummary(
        NamedDesign(row + 1, "pick", "", float(decision.yields[row])),
        alternatives,
        targets,
        standings,
        problem.yield_asked,
        int(np.count_nonzero(decision.on_target & ex.on_front)),
        np.asarray((decision.steps - decision.best).max(axis=1)),
    )


def _limits(problem: Problem, pick: Assessment) -> list[LimitRow]:
    rows = []
    for rating in pick.ratings:
        value, allowed = first(rating.value), first(rating.allowed)
        rows.append(
            LimitRow("rating", f"{rating.name} rating", rating.unit, value, -np.inf, allowed,
                     value <= allowed, rating.source)
        )  # fmt: skip
    for window in problem.windows:
        value = first(pick[window.name])
        rows.append(
            LimitRow("window", window.name, REGISTRY[window.name].unit, value, window.at_least,
                     window.at_most, bool(window.excess(np.asarray(value)) <= 0), "brief")
        )  # fmt: skip
    return rows
