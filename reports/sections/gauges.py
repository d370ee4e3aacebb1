"""What a design does, score by score: against what is asked, on a scale that shows what could be.

The scale of a score spans the front; of a target that is to be met closely, the surroundings of the
target.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Final

import numpy as np

from objectives.assessment import Assessment
from objectives.format import (
    allowed_words,
    first,
    percent,
    quantity,
    score_label,
    score_unit,
    shown_name,
    signed_percent,
    step_rounded,
    stepped,
)
from objectives.scores.registry import REGISTRY
from objectives.tolerance.setup import YIELD
from reports.layout import Gauge, Gauges
from reports.model import ReportData, ScoreUse
from reports.sections.radio import tightest_band

_AROUND: Final = 1.5
"""How far the scale of a target goes on beyond what counts as on target, in widths of that."""

_PADDING: Final = 0.04


def gauges(data: ReportData, pick: Assessment, good: float, *, quick: bool = False) -> Gauges:
    """Return the gauges of a design: targets first, then what is traded, limits, and the yield.

    Parameters
    ----------
    data :
        The exploration: what is asked, and the front that the scales span.
    pick :
        The design, a batch of one.
    good :
        Share of its builds that keep targets and limits; nan where that is not known.
    quick :
        Whether that is still to come.
    """
    targets = {target.score: target for target in data.decision.targets} if data.decision else {}
    asked = [use for use in data.uses if use.free or use.limited]
    rows = []
    for use in sorted(asked, key=lambda use: (use.name not in targets, not use.free)):
        target = targets.get(use.name)
        if use.aim == "near" or shown_name(use.name) != use.name:
            rows.append(_target(data, use, pick, target.at_most if target else math.nan))
        elif target is not None and use.aim != "reach":
            reach = replace(use, at_least=target.at_least, at_most=target.at_most, aim="")
            rows.append(_span(data, reach, pick))
        else:
            rows.append(_span(data, use, pick))
    known = not math.isnan(good)
    if known or (quick and _told_of_builds(data)):
        wanted = data.decision.asked if data.decision else 0.0
        rows.append(
            Gauge(
                "yield",
                f"at least {percent(wanted)} of builds" if wanted else "not asked",
                percent(good) if known else "…",
                "of builds keep all" if known else "being worked out",
                good >= wanted if wanted and known else None,
                (wanted, 1.0) if wanted else None,
                good,
            )
        )
    return Gauges(rows)


def also_words(data: ReportData, pick: Assessment, *, quick: bool = False) -> str:
    """Return the scores that are only shown, in a line; empty where there are none.

    With ``quick`` a slow one is an ellipsis.
    """

    def value(name: str) -> str:
        return "…" if quick and REGISTRY[name].slow else stepped(first(pick[name]), name)

    return "; ".join(
        f"{score_label(use.name, data.terms)} {value(use.name)}"
        for use in data.uses
        if not use.free
        and not use.limited
        and use.name in data.front.columns
        and use.name not in _as_shown(data)
        and not (use.name == YIELD and _told_of_builds(data))
    )


def _told_of_builds(data: ReportData) -> bool:
    """Return whether the decision tells how many builds are good."""
    return data.decision is not None and not math.isnan(data.decision.pick.good)


def _as_shown(data: ReportData) -> set[str]:
    """Return the scores that stand in a gauge in place of others."""
    return {shown_name(use.name) for use in data.uses if use.free or use.limited}


def _target(data: ReportData, use: ScoreUse, pick: Assessment, off: float) -> Gauge:
    """Return the gauge of a target that is to be met closely: its surroundings."""
    score = shown_name(use.name)
    value = first(pick[score])
    if score != use.name:  # a corner in hertz for its distance in octaves
        asked = float(pick.targets.input_corner_Hz or math.nan)
        low, high = asked * 2**-off, asked * 2**off
        within = percent(2**off - 1)
        away = signed_percent(100 * (value / asked - 1))
    else:
        asked = use.target
        low, high = 2 * asked - off, off
        within = quantity(step_rounded(off - asked, score), score_unit(score))
        away = quantity(step_rounded(value - asked, score), score_unit(score))
    width = math.log(high / low) if low > 0 else high - low
    ends = (
        (low * math.exp(-_AROUND * width), high * math.exp(_AROUND * width))
        if low > 0
        else (low - _AROUND * width, high + _AROUND * width)
    )
    scale = _Scale([*ends, value], log=low > 0)
    return Gauge(
        score_label(score, data.terms),
        f"{quantity(asked, score_unit(score))} ± {within}",
        stepped(value, score),
        away,
        low <= value <= high if not math.isnan(off) else None,
        (scale(low), scale(high)) if not math.isnan(off) else None,
        scale(value),
    )


def _span(data: ReportData, use: ScoreUse, pick: Assessment) -> Gauge:
    """Return the gauge of a score on the span of the front."""
    value, unit = first(pick[use.name]), use.unit
    low, high, kept = use.at_least, use.at_most, None
    words, verdict = [], ""
    if use.aim == "reach":
        low, words = max(low, use.target), [f"at least {quantity(use.target, unit)}"]
    elif use.aim:
        words = [f"as {'much' if use.aim == 'maximise' else 'little'} as can be"]
        verdict = _short_of_best(data, use, value)
    if use.limited:
        words.append(allowed_words(use.at_least, use.at_most, unit))
    if math.isfinite(low) or math.isfinite(high):
        kept = low <= value <= high
        spare = min(value - low, high - value)
        amount = quantity(step_rounded(abs(spare), use.name), unit, 3)
        if not use.aim or use.aim == "reach":
            verdict = f"{amount} to spare" if kept else f"misses by {amount}"
    if use.name == "rf_margin_dB" and (band := tightest_band(pick)):
        verdict += f"; {band}"
    zone_low, zone_high = low, high
    for standing in data.decision.scores if data.decision else ():
        if standing.score == use.name and use.better and not use.limited and use.aim != "reach":
            good = standing.good_enough
            zone_low, zone_high = (good, high) if use.aim == "maximise" else (low, good)
    spread = data.front[use.name].to_numpy(dtype=float)
    spread = spread[np.isfinite(spread)]
    ends = [float(spread.min()), float(spread.max())] if spread.size else []
    finite = [end for end in (zone_low, zone_high) if math.isfinite(end)]
    log = REGISTRY[use.name].step.relative and min([*ends, *finite, value]) > 0
    scale = _Scale([*ends, *finite, value], log=log)
    zone = (scale(zone_low), scale(zone_high)) if finite else None
    label = score_label(use.name, data.terms)
    return Gauge(
        label, "; ".join(words), stepped(value, use.name), verdict, kept, zone, scale(value)
    )


def _short_of_best(data: ReportData, use: ScoreUse, value: float) -> str:
    """Return how far a design is from the best on target: ``1.9 dB short of the most``."""
    for standing in data.decision.scores if data.decision else ():
        if standing.score == use.name:
            step = REGISTRY[use.name].step
            steps = use.better * (
                step.count(np.asarray(standing.best)) - step.count(np.asarray(value))
            )
            if abs(steps) < 0.5:
                return "as good as any on target"
            away = (
                percent(abs(value / standing.best - 1))
                if step.relative
                else quantity(step_rounded(abs(value - standing.best), use.name), use.unit)
            ).replace("dBu", "dB")
            side = "short of" if steps > 0 else "beyond"
            return f"{away} {side} the best on target"
    return ""


class _Scale:
    """A scale with a little room at both ends; values beyond stand at its ends."""

    def __init__(self, values: list[float], *, log: bool) -> None:
        self._log = log
        placed = [self._place(v) for v in values if math.isfinite(v)]
        self._low, high = min(placed, default=0.0), max(placed, default=1.0)
        self._width = (high - self._low) or 1.0

    def _place(self, value: float) -> float:
        return math.log(value) if self._log else value

    def __call__(self, value: float) -> float:
        if math.isnan(value):
            return math.nan
        if math.isinf(value) or (self._log and value <= 0):
            return float(value > 0)
        share = (self._place(value) - self._low) / self._width
        return min(max(_PADDING + (1 - 2 * _PADDING) * share, 0.0), 1.0)
