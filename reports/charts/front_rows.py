"""The rows of the front's chart: what each view of it draws, in numbers and ready texts."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations
from typing import Final

import numpy as np
import pandas as pd

from objectives.arrays import FloatArray
from objectives.devices.terms import Terms
from objectives.format import mark_words, part_value, quantity, score_label
from reports.model import Mark, ReportData, ScoreUse
from reports.theme import ACCENTS, CHOSEN

_SEED: Final = 20
_MOST_PLATES: Final = 6
KINDS: Final[dict[str, tuple[str, str, int]]] = {
    "pick": (CHOSEN, "diamond", 260),
    "nearest": (CHOSEN, "diamond", 260),
    "alternative": (ACCENTS["plum"], "triangle-up", 170),
    "best in a score": (ACCENTS["teal"], "square", 110),
    "shown in the table": (ACCENTS["blue"], "circle", 52),
    "rest of the front": (ACCENTS["slate"], "circle", 12),
}
"""Kind of candidate: colour, shape and area (px²), the most notable first."""


ORDINARY: Final = "shown in the table"
FAINT: Final = "rest of the front"


def mark_kind(marks: Sequence[Mark]) -> str:
    """Return which kind of candidate its marks make of a row, the most notable."""
    beside = ("recommended", "closest", "alternative")
    kinds = {"alternative" if mark.kind in beside else mark.kind for mark in marks}
    for kind in ("pick", "nearest", "alternative"):
        if kind in kinds:
            return kind
    return "best in a score" if kinds else ORDINARY


def mark_label(mark: Mark, terms: Terms) -> str:
    """Return a mark in words: ``quietest`` of those on target, ``best gain`` of all."""
    return mark_words(mark.kind, mark.score, terms)


def spanning_scores(data: ReportData) -> list[ScoreUse]:
    """Return the scores that span the front; where none is free, every score that varies."""
    present = [use for use in data.uses if use.name in data.shown.columns]
    free = [use for use in present if use.free]
    if free:
        return free
    varying = [use for use in present if _varies(data.shown[use.name].to_numpy())]
    return varying or present[:1]


def _six_figures(values: pd.Series) -> pd.Series:
    """Return a column for drawing: six figures are enough, and infinities become gaps."""
    array = values.to_numpy(dtype=float)
    with np.errstate(divide="ignore", invalid="ignore"):
        scale = 10.0 ** (5 - np.floor(np.log10(np.abs(array))))
        rounded = np.where(array == 0, 0.0, np.round(array * scale) / scale)
    return pd.Series(np.where(np.isfinite(array), rounded, np.nan), index=values.index)


def shown_rows(data: ReportData, scores: Sequence[ScoreUse]) -> pd.DataFrame:
    """Return the designs shown with scores, texts for tooltips and the kind of each row."""
    shown, terms = data.shown.reset_index(drop=True), data.terms
    marks = [data.marks_of(candidate) for candidate in shown["candidate"]]
    rows = pd.DataFrame({"candidate": shown["candidate"]})
    rows["kind"] = [mark_kind(row) for row in marks]
    rows["mark"] = [", ".join(mark_label(mark, terms) for mark in row) or "—" for row in marks]
    for use in scores:
        rows[use.name] = _six_figures(shown[use.name])
        rows[f"text_{use.name}"] = [quantity(v, use.unit) for v in shown[use.name]]
    for part in data.part_labels:
        rows[f"text_{part}"] = [part_value(part, v) for v in shown[part]]
        place = rows.groupby(f"text_{part}").cumcount()
        # Fixed steps while they fit, closer ones where many share a value.
        rows[f"height_{part}"] = (place + 0.7) / max(int(place.max()) + 1.4, 9.0)
    # Drawn last means drawn on top.
    rank = {kind: -at for at, kind in enumerate(KINDS)}
    return rows.sort_values("kind", key=lambda kinds: kinds.map(rank), kind="stable")


def rest_rows(data: ReportData, scores: Sequence[ScoreUse], faint_limit: int) -> pd.DataFrame:
    """Return the scores of the front less the designs shown, sampled down to the limit."""
    front = data.front
    rest = front[~front["candidate"].isin(data.shown["candidate"])] if len(front) else front
    if len(rest) > faint_limit:
        rest = rest.sample(faint_limit, random_state=_SEED)
    if not len(rest):
        return pd.DataFrame()
    rows = pd.DataFrame({use.name: _six_figures(rest[use.name]) for use in scores})
    rows["kind"] = FAINT
    return rows


def profile_rows(
    data: ReportData, scores: Sequence[ScoreUse], shown: pd.DataFrame
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return one row per candidate and score, from 0 (worst) to 1 (best), and the axes' ends."""
    reach = data.front if len(data.front) else data.shown
    pieces, ends = [], []
    for at, use in enumerate(scores):
        losses = losses_of(reach, use)
        order = np.argsort(np.where(np.isfinite(losses), losses, np.nan))  # gaps come last
        finite = int(np.isfinite(losses).sum())
        best, worst = (losses[order[0]], losses[order[finite - 1]]) if finite else (0.0, 0.0)
        span = worst - best
        here = losses_of(data.shown, use)[shown.index]
        piece = shown.assign(axis=score_label(use.name, data.terms), at=at)
        piece["height"] = np.round((worst - here) / span, 5) if span else 0.5
        pieces.append(piece.replace({"height": [np.inf, -np.inf]}, np.nan))
        for height, row in ((1.0, 0), (0.0, max(finite - 1, 0))):
            value = float(reach[use.name].iloc[order[row]])
            ends.append({"axis": score_label(use.name, data.terms), "height": height,
                         "value": quantity(value, use.unit)})  # fmt: skip
    return pd.concat(pieces, ignore_index=True), pd.DataFrame(ends)


def losses_of(frame: pd.DataFrame, use: ScoreUse) -> FloatArray:
    """Return a column of losses for a score: less is better, whatever the score's direction.

    A score that is wanted near a value has its distance from it beside it in the frame.
    """
    distance = f"{use.name}_from_target"
    if distance in frame.columns:
        return frame[distance].to_numpy(float)
    return -(use.better or 1) * frame[use.name].to_numpy(float)


def _varies(values: FloatArray) -> bool:
    return len(values) > 0 and bool(np.any(values != values[0]))


def conflicting_pairs(
    data: ReportData, scores: Sequence[ScoreUse]
) -> list[tuple[ScoreUse, ScoreUse]]:
    """Return the pairs worth a plate: all of up to four scores, else those that conflict most.

    Conflict is a negative rank correlation of the losses over the front.
    """
    pairs = list(combinations(scores, 2))
    if len(pairs) <= _MOST_PLATES:
        return pairs
    frame = data.front if len(data.front) > 2 else data.shown
    strongest = sorted(pairs, key=lambda pair: agreement(frame, *pair))[:_MOST_PLATES]
    return [pair for pair in pairs if pair in strongest]


def agreement(frame: pd.DataFrame, one: ScoreUse, other: ScoreUse) -> float:
    """Return the rank correlation of two scores' losses: -1 where they conflict throughout.

    It is 1 where fewer than three designs, or a score that does not vary, tell nothing.
    """
    correlation = rank_correlation(losses_of(frame, one), losses_of(frame, other))
    return 1.0 if np.isnan(correlation) else correlation


def rank_correlation(first: FloatArray, second: FloatArray) -> float:
    """Return Spearman's rank correlation of the finite pairs.

    It is nan for fewer than three of them, or where one column does not vary.
    By pandas: SciPy's statistics take a second and more to load.
    """
    pairs = np.column_stack([first, second])
    ranked = pd.DataFrame(pairs[np.isfinite(pairs).all(axis=1)])
    return float(ranked.corr("spearman", min_periods=3).to_numpy()[0, 1])
