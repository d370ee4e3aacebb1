"""Why no candidate keeps every limit, what the least change is that helps, and what more choice."""

from __future__ import annotations

import math

from objectives.format import (
    counted,
    field_label,
    part_value,
    percent,
    quantity,
    sentence,
)
from reports.model import ReportData
from reports.obstacles import MissedLimit, MoreChoice, Relaxation
from reports.sections.limit_words import limit_label, miss_words, missed_words


def obstacle_sentences(data: ReportData) -> list[str]:
    """Return which limits block and what would help, one sentence an item."""
    relaxed = [f"Relax {words}." for words in relaxation_words(data)]
    more = [more_choice_words(more, data) for more in data.more_choice]
    told = [*blocking_sentences(data), *relaxed, *not_alone_words(data), *more]
    return [] if data.feasible else told


def blocking_sentences(data: ReportData) -> list[str]:
    """Return which limits block, one sentence an item."""
    what, terms = data.obstacles, data.terms
    if what is None:
        return []
    total = counted(what.evaluated)
    sentences = [
        f"{limit_label(missed.kind, missed.name, terms)}: none of the {total} candidates evaluated "
        f"keeps it; the best misses it{miss_words(missed)}."
        for missed in what.never
    ]
    if not what.never:
        shares = ", ".join(
            f"{limit_label(missed.kind, missed.name, terms)} ({percent(share)})"
            for missed, share in what.shares
        )
        sentences.append(
            "Each limit is kept by some candidate, but none keeps them all. Share of the "
            f"{total} candidates evaluated that break each: {shares}."
        )
    if what.nearest:
        broken = " and ".join(missed_words(missed, terms) for missed in what.nearest)
        sentences.append(f"The nearest candidate breaks {broken}.")
    return sentences


def relaxation_words(data: ReportData) -> list[str]:
    """Return each relaxation that makes the brief feasible, the least first."""
    what = data.obstacles
    if what is None:
        return []
    several = what.together if what.together and len(what.together.moved) > 1 else None
    least = [several] if several else []
    return [_relaxed(one, data) for one in [*least, *what.alone]]


def not_alone_words(data: ReportData) -> list[str]:
    """Return, in one sentence at most, the limits of which no value alone suffices."""
    useless = [] if data.obstacles is None else data.obstacles.not_alone
    names = [limit_label(missed.kind, missed.name, data.terms) for missed in useless]
    return [f"No value of {' or of '.join(names)} alone suffices."] if names else []


def _relaxed(relaxation: Relaxation, data: ReportData) -> str:
    """Return one relaxation: ``gain at least 31.2 dB instead of 40 dB (candidate 3)``."""
    moved = " and ".join(_moved(missed, data) for missed in relaxation.moved)
    return f"{moved} (candidate {relaxation.candidate})"


def _moved(missed: MissedLimit, data: ReportData) -> str:
    terms = data.terms
    label = limit_label(missed.kind, missed.name, terms)
    if missed.kind == "rating":
        # A part is ordered by its own rating, of which the brief uses a share.
        share = data.pick.targets.derating if missed.part else 1.0
        here = quantity(missed.enough / share, missed.unit)
        part = (
            f", for a {field_label(missed.part, terms=terms)} of "
            f"{part_value(missed.part, missed.part_value)}"
            if missed.part
            else ""
        )
        return f"{label} {here} instead of {quantity(missed.at_most / share, missed.unit)}{part}"
    low = missed.value < missed.at_least
    end = missed.at_least if low else missed.at_most
    here = quantity(missed.enough, missed.unit)
    words = f"{label} {'at least' if low else 'up to'} {here} instead of"
    bands = " and ".join(
        f"{quantity(_floored(band.attenuation_dB), 'dB')} instead of "
        f"{quantity(band.asked_dB, 'dB')} of attenuation in the {band.band} band"
        for band in missed.bands
    )
    return f"{words} {quantity(end, missed.unit)}{f', that is {bands}' if bands else ''}"


def _floored(attenuation_dB: float) -> float:
    return math.floor(10 * attenuation_dB) / 10


def more_choice_words(more: MoreChoice, data: ReportData) -> str:
    """Return a part at the end of its range and what a value beyond would do."""
    end = "largest" if more.largest else "smallest"
    label = sentence(field_label(more.part, terms=data.terms))
    missed = " and ".join(missed_words(missed, data.terms) for missed in more.missed)
    kept = "every limit" if not data.feasible else "every limit and target"
    then = f"still misses {missed}" if missed else f"keeps {kept}"
    return (
        f"{label} at its {end}, {part_value(more.part, more.end)}: "
        f"{part_value(more.part, more.beyond)} {then}."
    )
