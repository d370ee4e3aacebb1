"""How the pick was weighed in each score that is traded."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from objectives.format import SPACE, fixed, percent, quantity, score_label, score_unit, stepped
from objectives.scores.registry import REGISTRY
from reports.layout import Table
from reports.model import ReportData, ScoreStanding


def weighing_table(data: ReportData, standings: Sequence[ScoreStanding]) -> Table:
    """Return how the pick was weighed in each score that is traded."""
    frame = pd.DataFrame(
        [
            (
                score_label(s.score, data.terms),
                stepped(s.value, s.score),
                stepped(s.wanted, s.score) + ("" if s.stated else " *"),
                stepped(s.good_enough, s.score) + ("" if s.stated else " *"),
                stepped(s.best, s.score),
                fixed(s.given_up_steps, 1),
            )
            for s in standings
        ],
        columns=["score", "the pick", "wanted", "good enough", "best on target", "steps given up"],
    )
    return Table(
        frame,
        "How the pick was weighed. A step is the smallest difference that matters in practice: "
        + "; ".join(
            f"{score_label(s.score, data.terms)}{SPACE}{_step_words(s.score)}" for s in standings
        )
        + ". * not stated by the brief: taken from the designs on target.",
    )


def _step_words(score: str) -> str:
    step = REGISTRY[score].step
    if step.relative:
        return percent(step.size, 0 if step.size >= 0.045 else 1)
    return quantity(step.size, score_unit(score))
