"""The record, in numbered statements: why each value of the pick, and what repeats the run."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from itertools import count
from typing import Final

from objectives.elements import ELEMENTS
from objectives.format import (
    MINUS,
    SPACE,
    counted,
    fixed,
    listed,
    number,
    part_value,
    percent,
    quantity,
    score_label,
    score_unit,
    sentence,
    shown_name,
    stepped,
    unit_symbol,
)
from objectives.reading.differences import Difference
from objectives.scores.registry import REGISTRY
from reports.layout import Block, Prose, Section
from reports.model import ReportData, ScoreUse
from reports.record import Neighbour, PartReason, Reasons, Slope
from reports.sections.assumptions import assumption_sentences, source_lines
from reports.sections.infeasible import obstacle_sentences
from reports.sections.job import asked_words
from reports.sections.limit_words import missed_words
from reports.sections.pick import parts_words, reason_sentences

_REASONS: Final = "reasons"

_TOLD: Final = 0.01
"""Slopes below so many noticeable steps for 1 % are not worth a word."""

_YIELD_STEP: Final = REGISTRY["tolerance_yield_percent"].step.size / 100

_Group = tuple[str, Sequence[str]]
"""A heading, which may be empty, and the statements below it."""


def record_sections(data: ReportData) -> list[Section]:
    """Return the record, its statements numbered through, so that each can be objected to."""
    numbers = count(1)
    sections = []
    for key, title, groups in _drafts(data):
        blocks: list[Block] = []
        for heading, statements in groups:
            if heading:
                blocks.append(Prose([heading]))
            numbered = [f"R{next(numbers)}. {sentence(text)}" for text in statements]
            blocks.append(Prose(numbered, listed=True))
        if blocks:
            sections.append(Section(key, title, blocks))
    return sections


def reasons_section(data: ReportData) -> Section | None:
    """Return why each value is as it is, numbered as in the record; None where not worked out."""
    return next((s for s in record_sections(data) if s.key == _REASONS), None)


def _drafts(data: ReportData) -> Iterator[tuple[str, str, Sequence[_Group]]]:
    """Yield key, title and statements of each section."""
    title = "What is recommended" if data.feasible else "Nothing is recommended"
    title = "The design asked for" if _by_hand(data) else title
    yield "recommended", title, [("", _conclusion(data))]
    reasons = None if data.studies is None else data.studies.reasons
    if reasons is not None:
        yield _REASONS, "Why each value", list(_reasons(reasons, data))
    elif data.feasible:
        state = "are still being" if data.unfinished else "were not"
        unknown = f"The neighbours of its values {state} worked out."
        yield "unknown", "Why each value", [("", [unknown])]
    yield "found", "How it was found", [("", list(_method(data)))]
    yield "assumed", "What is assumed", [("", assumption_sentences(data))]
    yield "taken-from", "Where it is taken from", [("", source_lines(data))]
    yield "repeat", "What repeats it", [("", list(_repeat(data)))]


def _conclusion(data: ReportData) -> list[str]:
    candidate = data.shown.iloc[0]["candidate"]
    parts = f"candidate {candidate}: {parts_words(data, candidate)}"
    if data.decision is None:
        return [*obstacle_sentences(data), f"The nearest is {parts}; it should not be built."]
    tolerance = None if data.studies is None else data.studies.tolerance
    statements = [f"{sentence(parts)}.", *reason_sentences(data)]
    if tolerance is not None:
        at = tolerance.pick
        low, high = (fixed(100 * end[at], 1) for end in (tolerance.good_low, tolerance.good_high))
        statements.append(
            f"Yield: {percent(tolerance.good[at], 1)} of {counted(tolerance.draws)} builds; 95"
            f"{SPACE}% interval {low} to {high}{SPACE}% (Wilson)."
        )
    return statements


def _reasons(reasons: Reasons, data: ReportData) -> Iterator[_Group]:
    yield "", list(_rules(reasons, data))
    for reason in reasons.parts:
        label = sentence(data.part_labels[reason.part])
        yield f"{label}, {part_value(reason.part, reason.value)}", list(_part(reason, data))
    given = [
        f"{sentence(ELEMENTS[line.field].label_for(data.terms))} "
        f"{part_value(line.field, line.value)}."
        for line in data.parts
        if line.order is not None and not line.origin
    ]
    if given:
        yield "Fixed by the brief", given


def _rules(reasons: Reasons, data: ReportData) -> Iterator[str]:
    terms, decision = data.terms, data.decision
    assert decision is not None
    yield (
        "Each part was moved alone to the next value of its list below and above, and every score "
        "that is weighed was worked out anew, the operating point included."
    )
    steps = [
        f"{score_label(shown_name(s.score), terms)} {_step_words(shown_name(s.score))}"
        for s in decision.scores
    ]
    yield f"Differences are counted in noticeable steps, smaller ones left out: {', '.join(steps)}."
    ends = [
        f"{score_label(s.score, terms)} {stepped(s.wanted, s.score)} and "
        f"{stepped(s.good_enough, s.score)}{'' if s.stated else ' (from the designs on target)'}"
        for s in decision.scores
    ]
    yield f"Wanted and good enough: {'; '.join(ends)}."
    yield (
        "A design falls short by 0 where its worst score is as wanted, by 1 where it is just good "
        f"enough, and by much more below that; the pick by {fixed(reasons.shortfall, 2)}, in "
        f"{score_label(reasons.worst, terms)}."
    )
    if reasons.draws:
        yield (
            f"Each neighbour that keeps limits and targets was built {counted(reasons.draws)} "
            f"times; its yield is uncertain by up to {_margin(reasons.draws)} points (95{SPACE}%) "
            f"and named where it differs by {percent(_YIELD_STEP)}."
        )
    yield (
        "A value would do where no score that is weighed moves by a noticeable step, and limits "
        "and targets are kept as often as is asked."
    )
    yield f"Slopes are central differences of 0.1{SPACE}%." + (
        f" There is none for {listed([score_label(n, terms) for n in reasons.unsmooth])}."
        if reasons.unsmooth
        else ""
    )


def _margin(draws: int) -> str:
    """Return the half-width of the interval (points) about a yield of 90 %, by the normal law."""
    return number(100 * 1.96 * math.sqrt(0.9 * 0.1 / draws), 1)


def _part(reason: PartReason, data: ReportData) -> Iterator[str]:
    terms, part = data.terms, reason.part
    purpose = terms.write(ELEMENTS[part].purpose)
    origin = f"{data.origins[part]}{_end_words(reason)}"
    yield f"It {purpose}; chosen from {origin}." if purpose else f"Chosen from: {origin}."
    moved = dict.fromkeys(d.aspect.score for n in reason.neighbours for d in _told(n))
    if moved:
        asked = [f"{score_label(name, terms)} (asked: {_asked(name, data)})" for name in moved]
        yield f"A neighbour changes {listed(asked)}."
    ranged = reason.alike is not None and reason.alike[0] < reason.alike[1]
    for neighbour in reason.neighbours:
        if not (ranged and neighbour.verdict == "alike"):
            yield _neighbour(neighbour, reason, data)
    if reason.alike is not None and ranged:
        low, high = (part_value(part, end) for end in reason.alike)
        yield f"Any of its values from {low} to {high} would do."
    told = [slope for slope in reason.slopes if abs(slope.steps_per_percent) >= _TOLD]
    if told:
        slopes = ", ".join(f"{score_label(s.score, terms)} {_slope_words(s)}" for s in told)
        first = max(told, key=lambda slope: abs(slope.steps_per_percent))
        room = f"; a noticeable step, of {score_label(first.score, terms)}, takes {_room(first)}"
        yield f"1{SPACE}% more of it: {slopes}{'' if ranged else room}."
    elif reason.slopes and not ranged:
        yield "Near its value no score that is weighed depends on it noticeably."


def _end_words(reason: PartReason) -> str:
    """Return that a value is the last of its list, where only one side has a neighbour."""
    if len(reason.neighbours) != 1 or not reason.slopes or isinstance(reason.value, str):
        return ""
    other = reason.neighbours[0].value
    assert not isinstance(other, str)  # of one part
    return f", of which it is the {'largest' if other < reason.value else 'smallest'}"


def _asked(name: str, data: ReportData) -> str:
    corner = data.pick.targets.input_corner_Hz
    uses = {use.name: use for use in data.uses}
    use: ScoreUse | None = uses.get(name)
    if name == "input_corner_Hz" and corner is not None and (use is None or not use.free):
        return f"near {quantity(corner, 'Hz')}"
    return "" if use is None else asked_words(use)


def _told(neighbour: Neighbour) -> list[Difference]:
    """Return the differences of a noticeable step, or that bring it nearer or farther by one."""
    return [
        d
        for d in neighbour.differences
        if d.noticeable or abs(neighbour.gains[d.aspect.score]) >= 1
    ]


def _neighbour(neighbour: Neighbour, reason: PartReason, data: ReportData) -> str:
    told = [_change(d, neighbour.gains[d.aspect.score], data) for d in _told(neighbour)]
    assert data.decision is not None
    good, own = neighbour.good, data.decision.pick.good
    if abs(good - own) >= _YIELD_STEP and neighbour.verdict != "builds":
        told.append(f"yield {percent(good)}")
    value = sentence(part_value(reason.part, neighbour.value))
    return f"{value}: {', '.join(told) or 'nothing noticeable'}. {_verdict(neighbour, data)}"


def _change(d: Difference, gain: float, data: ReportData) -> str:
    score = d.aspect.score
    label = score_label(score, data.terms)
    side = "better" if gain > 0 else "worse"
    steps = f"{fixed(abs(gain), 1)} steps {side}" if abs(gain) >= 0.05 else "as far from the target"
    if REGISTRY[score].unit in ("dB", "dBu"):
        size = stepped(abs(d.changed - d.value), score).replace("dBu", "dB")
        return f"{label} {'+' if d.changed > d.value else MINUS}{size} ({steps})"
    return f"{label} {stepped(d.changed, score)}, not {stepped(d.value, score)} ({steps})"


def _verdict(neighbour: Neighbour, data: ReportData) -> str:
    terms, decision = data.terms, data.decision
    assert decision is not None
    short = f"{fixed(neighbour.shortfall, 2)}, in {score_label(neighbour.worst, terms)}"
    match neighbour.verdict:
        case "breaks":
            broken = listed([missed_words(missed, terms) for missed in neighbour.broken])
            return f"It breaks the limit on {broken}."
        case "misses":
            names = [score_label(shown_name(name), terms) for name in neighbour.missed]
            return f"It misses the target on {listed(names)}."
        case "builds":
            return f"Too few builds are good: {percent(neighbour.good)}."
        case "alike":
            return "It would do as well."
        case "less":
            return f"It falls short by {short}."
        case "little":
            return f"It falls short by {short}: less, but by no noticeable step."
        case "better":
            why = (
                "the design here was asked for"
                if _by_hand(data)
                else "not every candidate that serves was built or searched"
            )
            return f"It falls short by {short}, and would be the better pick: {why}."


def _by_hand(data: ReportData) -> bool:
    """Return whether another design than the one recommended is recorded."""
    others = () if data.decision is None else data.decision.alternatives
    return any(other.kind == "recommended" for other in others)


def _slope_words(slope: Slope) -> str:
    relative = REGISTRY[slope.score].step.relative
    unit = "%" if relative else unit_symbol(score_unit(slope.score).replace("dBu", "dB"))
    sign = "+" if slope.per_percent > 0 else MINUS
    return f"{sign}{number(abs(slope.per_percent), 2)}{SPACE}{unit}"


def _room(slope: Slope) -> str:
    """Return by how much a part must change to move a score by a noticeable step, by its slope."""
    ratio = math.exp(0.01 / abs(slope.steps_per_percent))
    return f"a change of {percent(ratio - 1)}" if ratio < 2 else "more than doubling it"


def _step_words(score: str) -> str:
    step = REGISTRY[score].step
    if step.relative:
        return percent(step.size, 0 if step.size >= 0.045 else 1)
    return quantity(step.size, score_unit(score).replace("dBu", "dB"))


def _method(data: ReportData) -> Iterator[str]:
    run = data.exact or data.searched
    assert run is not None
    size = counted(int(data.space)) if math.isfinite(data.space) else "a space without end"
    if data.exact is not None and not data.interrupted:
        yield f"Every one of the {size} candidates was worked out, so the front is exact."
    else:
        yield (
            f"A search worked out {counted(run.evaluated)} candidates of {size}; better ones may "
            "remain."
        )
    yield (
        f"{counted(run.feasible)} keep every limit, and no other candidate beats "
        f"{counted(data.front_size)} of those."
        if data.feasible
        else "None keeps every limit."
    )
    if data.interrupted:
        yield "The run was interrupted, so it does not repeat."
    if data.run.shared:
        yield (
            "The search was kept in a storage of its own: it repeats from an empty one with one "
            "worker alone."
        )


def _repeat(data: ReportData) -> Iterator[str]:
    run = data.run
    versions = ", ".join(f"{name} {version}" for name, version in run.versions.items())
    yield f"Versions: {versions}. Another kind of processor may round the last digit otherwise."
    setup = data.pick.targets.tolerance
    builds = "" if setup is None else f", of the builds {setup.seed}"
    yield f"Seed of the search {run.seed}{builds}."
    for name, fingerprint in run.fingerprints.items():
        yield f"SHA-256 of {name}: {fingerprint}."
    if not run.brief_text:
        yield "The brief was stated in Python and has no text."
