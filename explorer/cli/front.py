"""Words of what was decided, for a terminal; and of what blocks where nothing is feasible."""

from __future__ import annotations

import math
from collections.abc import Iterator

from rich.markup import escape

from explorer.cli.answer import Answer
from explorer.cli.printing import labelled, out
from objectives.format import counted, mark_words, percent, score_words, sentence
from objectives.reading.trust import untrusted_words
from reports.model import DecisionSummary, ReportData
from reports.sections.infeasible import (
    blocking_sentences,
    more_choice_words,
    not_alone_words,
    relaxation_words,
)
from reports.sections.levels import attenuator_loss, unscored_words
from reports.sections.pick import (
    exchange_words,
    given_up_words,
    parts_words,
    target_words,
)

_LABEL = 10
"""Columns of the label of a line."""

_MOST_LINES = 8
"""Lines in which a terminal is told what blocks; the report has all of it."""


def print_decision(data: ReportData) -> None:
    """Print what was decided; where nothing is feasible what blocks, as far as there is room."""
    if data.decision is not None:
        answer_of(data, data.decision).print()
        return
    console = out()
    console.print(f"[bold]{escape(data.title)}[/bold] ({_how(data)})", highlight=False)
    for line in _obstacles(data, console.width):
        console.print(escape(line), highlight=False, soft_wrap=True)


def answer_of(data: ReportData, decision: DecisionSummary) -> Answer:
    """Return what was decided: what to solder, what it does, what was close."""
    return Answer(data.title, _how(data), list(_decided(data, decision)))


def _how(data: ReportData) -> str:
    if data.exact is not None:
        return f"exact: {counted(data.exact.evaluated)} candidates"
    assert data.searched is not None  # one of the two was run
    return f"searched: {counted(data.searched.evaluated)} candidates"


def _decided(data: ReportData, decision: DecisionSummary) -> Iterator[tuple[str, str]]:
    if data.interrupted:
        yield "Stopped", "interrupted: better designs may be left"
    if decision.missed:
        yield "Misses", " ".join(target_words(target, data) for target in decision.missed)
        for more in data.more_choice[:1]:
            yield "Allow", more_choice_words(more, data)
    pick = decision.pick
    yield "Solder", f"{parts_words(data, pick.candidate)} (candidate {pick.candidate})"
    if decision.met:
        yield "On target", " ".join(target_words(target, data) for target in decision.met)
    row, targeted = data.shown.iloc[0], {target.score for target in decision.targets}
    gives = [
        score_words(s.score, float(row[s.score]), data.terms)
        for s in decision.scores
        if s.score not in targeted
    ]
    if not math.isnan(pick.good):
        asked = "" if pick.good >= decision.asked else f" ({percent(decision.asked)} asked)"
        gives.append(f"targets and limits kept in {percent(pick.good)} of builds{asked}")
    lost = attenuator_loss(data.pick)
    behind = f" (levels ahead of an attenuator that loses {lost})" if lost else ""
    yield "Gives", ", ".join(gives) + behind
    if untrusted := untrusted_words(data.pick):
        alike = "" if data.shown["law_trusted"].any() else " So do all other designs shown."
        yield "Doubt", untrusted + alike
    if unscored := unscored_words(data.pick.targets):
        yield "Radio", unscored
    yield "Gives up", given_up_words(data, decision)
    for other in decision.alternatives:
        name = sentence(mark_words(other.kind, other.score, data.terms))
        changes = parts_words(data, other.candidate, changed_only=True)
        yield "Or", f"{name} ({other.candidate}): {changes}; gives {exchange_words(data, other)}"


def _obstacles(data: ReportData, width: int) -> list[str]:
    """Return what blocks and what would help, the most telling first, as far as there is room."""
    candidate = int(data.shown.iloc[0]["candidate"])
    blocking = blocking_sentences(data)[:-1]  # what the nearest breaks is what is to be relaxed
    entries = [
        ("Blocked", f"Nothing keeps every limit. {' '.join(map(sentence, blocking))}"),
        ("Nearest", f"{parts_words(data, candidate)} (candidate {candidate})"),
    ]
    relaxed, more = relaxation_words(data), [more_choice_words(m, data) for m in data.more_choice]
    entries += [("Relax" if at == 0 else "Or", words) for at, words in enumerate(relaxed[:2])]
    entries += [("Or allow", words) for words in more]
    entries += [("Or", words) for words in relaxed[2:]]
    entries += [("", words) for words in not_alone_words(data)]
    lines: list[str] = []
    for label, text in entries:
        new = labelled(label, text, width, _LABEL)
        if len(lines) + len(new) <= _MOST_LINES or label == "Nearest":
            lines += new
    return lines
