"""Words of the pick: its parts, what it achieves against what was asked, what stands beside it.

A terminal prints them before anything is drawn: no block of a document is needed here.
"""

from __future__ import annotations

import math

import pandas as pd

from objectives.format import (
    allowed_words,
    counted,
    listed,
    part_value,
    percent,
    quantity,
    score_label,
    score_unit,
    score_words,
    sentence,
    shown_name,
    signed_percent,
    step_rounded,
    stepped,
)
from objectives.scores.registry import REGISTRY
from reports.model import (
    DecisionSummary,
    NamedDesign,
    ReportData,
    TargetStanding,
)

_NOTICED = 0.5
"""Differences of less than half a noticeable step are not worth a word."""


def parts_words(data: ReportData, candidate: int, *, changed_only: bool = False) -> str:
    """Return the parts that vary, of one design; on request those that differ from the pick's."""
    pick = data.shown.iloc[0]
    own = pick if candidate == pick["candidate"] else _row(data, candidate)
    return ", ".join(
        f"{label} {part_value(part, own[part])}"
        for part, label in data.part_labels.items()
        if not changed_only or own[part] != pick[part]
    )


def reason_sentences(data: ReportData) -> list[str]:
    """Return why the pick was chosen: targets, yield, what it gives up; a sentence an item."""
    decision = data.decision
    if decision is None:
        return []
    return [
        *(target_words(target, data) for target in decision.targets),
        yield_words(decision),
        why_words(data, decision),
        f"It gives up {given_up_words(data, decision)} against the best on target.",
    ]


def target_words(target: TargetStanding, data: ReportData) -> str:
    """Return a target and how the pick stands to it: ``Input corner: 6.1 kHz, asked 6.2 kHz``."""
    score, value, asked, off = _target_in_plain(target, data)
    unit = score_unit(score)
    here = f"{sentence(score_label(score, data.terms))}: {stepped(value, score)}"
    if math.isnan(asked):
        allowed = allowed_words(target.at_least, target.at_most, unit)
        return f"{here}; asked {allowed}."
    away = (
        signed_percent(100 * (value / asked - 1))
        if REGISTRY[score].step.relative
        else quantity(step_rounded(value - asked, score), unit)
    )
    verdict = "within" if target.missed_steps == 0 else "outside"
    return f"{here}, asked {quantity(asked, unit)}: {away}, {verdict} the {off} allowed."


def _target_in_plain(target: TargetStanding, data: ReportData) -> tuple[str, float, float, str]:
    """Return score, value, value asked and distance allowed; a corner in hertz, not octaves."""
    if target.score == "input_corner_error_octaves":
        asked = data.pick.targets.input_corner_Hz
        assert asked is not None  # the score needs one
        value = float(data.shown.iloc[0]["input_corner_Hz"])
        return "input_corner_Hz", value, asked, percent(2**target.at_most - 1)
    unit = score_unit(target.score)
    if REGISTRY[target.score].step.relative and target.aim:
        off = percent(target.at_most / target.aim - 1)
    else:
        off = quantity(target.at_most - target.aim, unit)
    return target.score, target.value, target.aim, off


def yield_words(decision: DecisionSummary) -> str:
    """Return how many builds keep targets and limits, and how many were asked for."""
    good = decision.pick.good
    if math.isnan(good):
        return "How many builds keep targets and limits was not studied."
    here = f"{percent(good)} of builds keep every target and limit"
    if good >= decision.asked:
        return f"{here}; the brief asks {percent(decision.asked)}."
    better = any(other.good > good for other in decision.alternatives)
    best = "" if better else "; no design built does noticeably better"
    return f"{here}, fewer than the {percent(decision.asked)} that the brief asks{best}."


def chosen_by_hand(decision: DecisionSummary | None) -> bool:
    """Return whether another design than the one recommended is reported."""
    return decision is not None and any(o.kind == "recommended" for o in decision.alternatives)


def why_words(data: ReportData, decision: DecisionSummary) -> str:
    """Return in two sentences why the pick is it."""
    if chosen_by_hand(decision):
        return "It was asked for by number or name, and is not the one that is recommended."
    met, all_of = decision.on_target, data.front_size
    if met == 0:
        lead = "No design meets every target; those that miss least were compared."
    elif met == all_of:
        lead = f"All {counted(all_of)} designs on the front meet every target."
    else:
        meet = "meets" if met == 1 else "meet"
        lead = f"{counted(met)} of the {counted(all_of)} designs on the front {meet} every target."
    built = met > 0 and 0 < decision.asked <= decision.pick.good
    these = f"those that do in {percent(decision.asked)} of builds" if built else "these"
    return (
        f"{lead} Of {these} it comes closest to what is wanted in its worst score, and of designs "
        "that no one could tell apart it is the simplest to build."
    )


def given_up_words(data: ReportData, decision: DecisionSummary) -> str:
    """Return what the pick gives up against the best on target: ``1.2 dB of gain``."""
    given = [
        f"{difference_words(standing.score, standing.best, standing.value)} of "
        f"{score_label(standing.score, data.terms)}"
        for standing in decision.scores
        if standing.given_up_steps >= _NOTICED and standing.score not in _targeted(decision)
    ]
    return listed(given) if given else "nothing noticeable"


def difference_words(score: str, from_value: float, to_value: float) -> str:
    """Return the size of a difference: ``1.2 dB``, ``8 %`` of what is judged by ratio."""
    if REGISTRY[score].step.relative and from_value > 0:
        return percent(abs(to_value / from_value - 1))
    unit = score_unit(score).replace("dBu", "dB")  # a difference of levels has no reference
    return quantity(step_rounded(abs(to_value - from_value), score), unit)


def exchange_words(data: ReportData, other: NamedDesign) -> str:
    """Return what a design gives and costs against the pick, in noticeable differences."""
    assert data.decision is not None
    own, pick = _row(data, other.candidate), data.shown.iloc[0]
    pieces = []
    good, here = other.good, data.decision.pick.good
    if abs(good - here) >= REGISTRY["tolerance_yield_percent"].step.size / 100:
        pieces.append(f"yield {percent(good)}")
    for standing in data.decision.scores:
        name = standing.score
        shown = shown_name(name)
        step = REGISTRY[shown].step
        moved = step.count(own[shown]) - step.count(pick[shown])
        if abs(moved) >= _NOTICED or (shown != name and own[shown] != pick[shown]):
            pieces.append(score_words(shown, own[shown], data.terms))
    return ", ".join(pieces) or "no score noticeably different"


def _row(data: ReportData, candidate: int) -> pd.Series:
    return data.front.iloc[candidate - 1]


def _targeted(decision: DecisionSummary) -> set[str]:
    return {target.score for target in decision.targets}
