"""Two stages side by side, in words: their scores, and which parts make the difference."""

from __future__ import annotations

from collections.abc import Iterator

import pandas as pd

from objectives.elements import ELEMENTS
from objectives.format import (
    part_value,
    quantity,
    score_unit,
    sentence,
    signed_percent,
    step_rounded,
)
from objectives.scores.registry import REGISTRY
from reports.layout import Block, Prose, Section, Table
from reports.model import StageReport
from reports.sections.purposes import aspect_label, difference_list, figure_words


def swap_entries(data: StageReport) -> Iterator[tuple[str, str]]:
    """Yield each part whose change from one stage to the other moves a score, and how."""
    if data.comparison is None or data.other is None:
        return
    terms = data.stage.terms
    for swap in data.comparison.swaps:
        if not swap.noticeable:
            continue
        if swap.part == "device":
            name = f"{data.stage.pick.device.name} → {data.other.pick.device.name}"
        elif swap.part in ELEMENTS:
            before, after = (part_value(swap.part, value, 3) for value in swap.values)
            name = f"{ELEMENTS[swap.part].label_for(terms)} {before} → {after}"
        else:
            name = swap.part
        yield name, difference_list(swap.noticeable, terms)


def interaction_sentences(data: StageReport) -> list[str]:
    """Return the scores in which the parts taken one by one do not add up to the whole."""
    if data.comparison is None:
        return []
    return [
        f"{sentence(aspect_label(total.difference.aspect, data.stage.terms))}: "
        f"{_steps_words(total.difference.aspect.score, total.explained_steps)} one by one, "
        f"{_steps_words(total.difference.aspect.score, total.difference.steps)} all at once."
        for total in data.comparison.totals
        if abs(total.interaction_steps) >= 1
    ]


def _steps_words(score: str, steps: float) -> str:
    """Return so many steps as a difference with its sign: ``+1.2 dB``, ``−8 %``."""
    step = REGISTRY[score].step
    if step.relative:
        return signed_percent(100 * ((1 + step.size) ** steps - 1))
    value = step.size * steps
    unit = "dB" if score_unit(score) == "dBu" else score_unit(score)
    return f"{'+' if value > 0 else ''}{quantity(step_rounded(value, score), unit)}"


def comparison_frame(data: StageReport) -> pd.DataFrame:
    """Return the scores of both stages side by side; columns: score, this stage, the other."""
    totals = data.comparison.totals if data.comparison is not None else ()
    rows = [
        (
            d.aspect.band or aspect_label(d.aspect, data.stage.terms),
            figure_words(d.aspect, d.value),
            figure_words(d.aspect, d.changed),
            _steps_words(d.aspect.score, d.steps) if d.noticeable else "the same",
        )
        for d in (total.difference for total in totals)
    ]
    return pd.DataFrame(rows, columns=["score", "this stage", "the other", "difference"])


def comparison_section(data: StageReport) -> Section | None:
    """Return how another stage differs, and why; None without one."""
    if data.other is None:
        return None
    frame = pd.DataFrame(swap_entries(data), columns=["changed alone", "what it makes of it"])
    together = interaction_sentences(data)
    blocks: list[Block] = [
        Prose([f"The other stage: {data.other.title}."]),
        Table(comparison_frame(data), "The scores of both; of radio bands the attenuation."),
        Table(frame, "This stage with one part of the other at a time."),
        Prose(["Where the parts one by one do not add up to the whole, they act on each other:"]),
        Prose(together, listed=True),
    ]
    return Section("comparison", "Why the other stage differs", blocks if together else blocks[:3])
