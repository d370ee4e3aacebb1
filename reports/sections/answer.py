"""The first screen: what to solder, what it does, why this one, and what else was close."""

from __future__ import annotations

import math
from typing import Final

from objectives.format import counted, mark_words, part_value, percent, sentence
from reports.charts.schematic import schematic
from reports.charts.trade_off import trade_off
from reports.layout import Answer, Block, Card, Note, Prose, Slot
from reports.model import ReportData, StageData, StageReport
from reports.sections.cautions import cautions, danger
from reports.sections.gauges import also_words, gauges
from reports.sections.infeasible import more_choice_words, obstacle_sentences
from reports.sections.levels import attenuator_loss
from reports.sections.parts import order_words, pin_words, purchases
from reports.sections.pick import (
    chosen_by_hand,
    exchange_words,
    given_up_words,
    parts_words,
    target_words,
    why_words,
)
from reports.sections.purposes import reading_blocks

_LEAD: Final = 60
"""Letters of the scenario that are enough to open with."""


def answer(data: ReportData) -> Answer:
    """Return the first screen of a finished exploration."""
    pick = int(data.shown.iloc[0]["candidate"])
    decision = data.decision
    cards = [Card(str(pick), "This one", value_words(data), _standing_words(data))]
    for other in decision.alternatives if decision else ():
        cards.append(
            Card(
                str(other.candidate),
                sentence(mark_words(other.kind, other.score, data.terms)),
                parts_words(data, other.candidate, changed_only=True),
                exchange_words(data, other),
            )
        )
    return Answer(
        lead=lead_words(data),
        badge=badge_words(data),
        danger=danger(data),
        cautions=cautions(data),
        notes=_notes(data),
        build_title=_build_title(data),
        build=build_slot(data),
        does=does_slot(data, data, decision.pick.good if decision else math.nan),
        cards=cards if len(cards) > 1 else [],
        chart=trade_off(data),
    )


def unexplored_answer(data: ReportData) -> Answer:
    """Return the first screen of a brief that was not explored, at one stage of its space."""
    return Answer(
        lead=lead_words(data),
        badge="not explored yet",
        danger=danger(data),
        cautions=cautions(data),
        notes=[],
        build_title="A stage in the middle of the space",
        build=build_slot(data),
        does=does_slot(data, data, math.nan),
        cards=[],
        chart=None,
    )


def stage_answer(report: StageReport) -> Answer:
    """Return the first screen of a stage that was read."""
    stage = report.stage
    return Answer(
        lead=stage.scenario,
        badge="one stage, read",
        danger=danger(stage),
        cautions=cautions(stage),
        notes=[],
        build_title="The stage",
        build=build_slot(stage),
        does=Slot("does", reading_blocks(report)),
        cards=[],
        chart=None,
    )


def _build_title(data: ReportData) -> str:
    if not data.feasible:
        return "The nearest: do not build it as it stands"
    return "The design asked for" if chosen_by_hand(data.decision) else "Build this"


def lead_words(data: ReportData) -> str:
    """Return what the job is, in a line or two: how its scenario begins."""
    lead = ""
    for sentence_ in data.scenario.split(". "):
        lead += f"{sentence_.rstrip('.')}. "
        if len(lead) > _LEAD:
            break
    return lead.strip() if data.scenario else ""


def badge_words(data: ReportData) -> str:
    """Return how sure the front is: ``exact: 41,400 candidates``."""
    run = data.exact or data.searched
    assert run is not None  # one of them found the front
    if data.exact is not None and not data.interrupted:
        return f"exact: {counted(run.evaluated)} candidates"
    return f"searched: {counted(run.evaluated)} candidates"


def value_words(data: ReportData) -> str:
    """Return the values that vary of the pick, without their names."""
    row = data.shown.iloc[0]
    return ", ".join(
        part_value(part, row[part]) for part in data.part_labels if part != "leak_at_grid"
    )


def _standing_words(data: ReportData) -> str:
    good = data.decision.pick.good if data.decision else math.nan
    given = f"gives up {given_up_words(data, data.decision)}" if data.decision else ""
    return given if math.isnan(good) else f"yield {percent(good)}; {given}"


def _notes(data: ReportData) -> list[Note]:
    """Return what must be known before the rest is read."""
    notes = []
    if not data.feasible:
        notes.append(
            Note(
                "Nothing in the design space keeps every limit of the brief. "
                + " ".join(obstacle_sentences(data)),
                "caution",
            )
        )
    decision = data.decision
    if decision is not None and decision.missed:
        missed = [target_words(target, data) for target in decision.missed]
        more = [more_choice_words(more, data) for more in data.more_choice]
        notes.append(Note(" ".join(["It misses what was asked.", *missed, *more]), "caution"))
    if data.unfinished:
        notes.append(
            Note(
                "Not the whole report yet: the stage under its drive, its tolerances and other "
                "devices in its place are still being worked out, and this page is replaced when "
                "they are. If the command was stopped, the same command adds them."
            )
        )
    return notes


def build_slot(stage: StageData) -> Slot:
    """Return what to solder: the circuit, and what to buy for it."""
    one = stage.pick
    drawing = schematic(one.stage, one.device, stage.origins, stage.driver, one.point)
    return Slot("build", [drawing, Prose(buy_lines(stage), listed=True, style="buy")])


def buy_lines(stage: StageData) -> list[str]:
    """Return what to buy, an item a line: ``1 × 100 kΩ, ±1 %, 1 W, 500 V``."""
    device = stage.pick.device
    pins = pin_words(device)
    lines = [f"{device.connections.envelopes} × {device.name}{f', {pins}' if pins else ''}"]
    for same in purchases(stage.parts):
        line = same[0]
        if line.order is not None:
            bought = part_value(line.field, line.bought)
            lines.append(f"{len(same)} × {bought}, {order_words(line.order)}")
    return lines


def does_slot(
    data: ReportData, stage: StageData, good: float = math.nan, *, quick: bool = False
) -> Slot:
    """Return what a design does, and why it stands where it does.

    With ``quick`` its yield and slow scores that are only shown are left open.
    """
    blocks: list[Block] = [gauges(data, stage.pick, good, quick=quick)]
    if stage is data and data.decision is not None:
        given_up = given_up_words(data, data.decision)
        why = f"{why_words(data, data.decision)} Against the best on target it gives up {given_up}."
        blocks.append(Prose([why], style="why"))
    if also := also_words(data, stage.pick, quick=quick):
        blocks.append(Prose([f"Also: {also}."], style="also"))
    if lost := attenuator_loss(stage.pick):
        told = f"Gain and noise are counted ahead of the attenuator, which loses {lost}."
        blocks.append(Prose([told], style="also"))
    return Slot("does", blocks)
