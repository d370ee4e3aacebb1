"""The front over the two scores that matter most: what was asked, the pick and what is close by."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any, Final

import altair as alt
import numpy as np
import pandas as pd

from objectives.arrays import FloatArray
from objectives.format import (
    allowed_words,
    mark_words,
    part_value,
    percent,
    quantity,
    score_label,
    sentence,
    shown_name,
    stepped,
)
from objectives.scores.registry import REGISTRY
from reports.charts.front_rows import agreement, rank_correlation, spanning_scores
from reports.charts.layers import haloed, same_scale
from reports.layout import Figure
from reports.model import ReportData, ScoreUse
from reports.theme import CHOSEN, INK, MUTED, OK, PAPER, score_axis

MOST_POINTS: Final = 300
"""The most designs that are drawn faintly."""

_HEIGHT: Final = 300
# Labels are placed so that they fit on a telephone and on a wide screen.
_WIDTHS: Final = (300, 1000)
_LETTER: Final = 6.4
_LINE: Final = 16.0
_AROUND: Final = 3.0
_STRONG: Final = 0.8
_WEAK: Final = 0.4


@dataclass(frozen=True)
class _Axis:
    """A score as people are shown it, and what is asked of it."""

    use: ScoreUse
    name: str
    at_least: float
    at_most: float
    asked: str
    """In words; empty where nothing is asked."""


def trade_off(data: ReportData) -> Figure:
    """Return the front over two scores, with what was asked, the pick and the named designs.

    The first of the two is the score with the target, since the target is the job; the other is
    the one that conflicts with it most, by rank correlation over the front. Without a target it is
    the pair that conflicts most. A front of one score lies over the values of its first part.
    """
    axes = _axes(data)
    part = next(iter(data.part_labels), "")
    frame = data.front if len(data.front) else data.shown
    names = [axis.name for axis in axes]
    named = _named(data, part)
    usable = np.isfinite(frame[names].to_numpy(float)).all(axis=1)
    rest = frame[usable & ~frame["candidate"].isin(named["candidate"])]
    scales = [_scale(axis, rest[axis.name], named[axis.name]) for axis in axes]
    x = _channel(alt.X, axes[0], scales[0], data)
    if len(axes) > 1:
        y = _channel(alt.Y, axes[1], scales[1], data)
    else:
        names.append("part")
        rest = rest.assign(part=[part_value(part, v) for v in rest[part]])
        named["part"] = [part_value(part, v) for v in named[part]]
        order = [part_value(part, v) for v in sorted(frame[part].unique(), reverse=True)]
        y = alt.Y("part:N", title=sentence(data.part_labels[part]), sort=order)
        named["up"] = [1 - (order.index(v) + 0.5) / len(order) for v in named["part"]]
    for axis, scale, way in zip(axes, scales, ("across", "up"), strict=False):
        rest, named = (f.assign(**{way: scale.place(f[axis.name])}) for f in (rest, named))
        rest = rest[rest[way].between(0, 1)]
    title = _title(data, axes, rest)
    inside = rest.iloc[:: max(1, math.ceil(len(rest) / MOST_POINTS))]
    told = "; ".join(
        f"{row.text}: " + ", ".join(stepped(getattr(row, axis.name), axis.name) for axis in axes)
        for row in named.itertuples()
    )
    return Figure(
        "trade-off",
        alt.LayerChart(
            layer=[
                *_zone(axes, scales, x, y),
                alt.Chart(inside[["candidate", *names]])
                .mark_point(filled=False, color=MUTED, size=34, strokeWidth=1.2, opacity=0.7)
                .encode(x=x, y=y),
                *_named_marks(_placed(named, inside), x, y),
            ],
            width="container",
            height=_HEIGHT,
            description=f"{title}. {told}.",
        ),
        title=title,
    )


def _axes(data: ReportData) -> list[_Axis]:
    """Return the scores of the two axes; one where only one spans the front."""
    scores = spanning_scores(data)
    frame = data.front if len(data.front) > 2 else data.shown
    missed = [limit.name for limit in data.obstacles.nearest] if data.obstacles else []
    wanted = [target.score for target in data.decision.targets] if data.decision else missed
    uses = {use.name: use for use in data.uses if use.name in frame.columns}
    first = next((uses[name] for name in wanted if name in uses), None)
    if first is None:
        pair = min(combinations(scores, 2), key=lambda p: agreement(frame, *p), default=scores)
        return [_axis(data, use) for use in pair]
    others = [use for use in scores if use.name != first.name]
    second = sorted(others, key=lambda use: agreement(frame, first, use))[:1]
    return [_axis(data, use) for use in (first, *second)]


def _axis(data: ReportData, use: ScoreUse) -> _Axis:
    name = shown_name(use.name)
    low, high = use.at_least, use.at_most
    if data.decision:
        for target in data.decision.targets:
            if target.score == use.name:
                low, high = target.at_least, target.at_most
    corner = data.pick.targets.input_corner_Hz
    if name != use.name and name in data.front.columns and corner is not None:
        # A distance in octaves from the corner asked becomes the corner itself.
        if not math.isfinite(high):
            return _Axis(use, name, corner, corner, quantity(corner, "Hz"))
        words = f"{quantity(corner, 'Hz')} ± {percent(2**high - 1)}"
        return _Axis(use, name, corner * 2**-high, corner * 2**high, words)
    asked = allowed_words(low, high, use.unit) if math.isfinite(low) or math.isfinite(high) else ""
    return _Axis(use, use.name, low, high, asked)


def _named(data: ReportData, part: str) -> pd.DataFrame:
    """Return the pick and the designs beside it, with what is written at them."""
    known = pd.concat([data.shown, data.front]).drop_duplicates("candidate").set_index("candidate")
    ids = [int(data.shown["candidate"].iloc[0])]
    value = part_value(part, known[part].to_dict()[ids[0]]) if part else ""
    texts = [" — ".join(filter(None, [value, "build this" if data.feasible else "the nearest"]))]
    if data.decision:
        ids[0] = data.decision.pick.candidate
        for other in data.decision.alternatives:
            ids.append(other.candidate)
            texts.append(mark_words(other.kind, other.score, data.terms))
    rows = known.loc[ids].reset_index()
    return rows.assign(text=texts, kind=["pick"] + ["alternative"] * (len(ids) - 1))


@dataclass(frozen=True)
class _Scale:
    """Ends of an axis; frequencies and the like are spaced by ratio."""

    low: float
    high: float
    log: bool = False

    def place(self, values: Any) -> Any:
        """Return where values lie, from 0 to 1."""
        if self.log:
            return np.log(values / self.low) / math.log(self.high / self.low)
        return (values - self.low) / (self.high - self.low)


def _scale(axis: _Axis, rest: pd.Series, named: pd.Series) -> _Scale:
    """Return the part of an axis that shows what is named and asked, and most designs round it."""
    wanted = [*named, *(end for end in (axis.at_least, axis.at_most) if math.isfinite(end))]
    step = REGISTRY[axis.name].step
    log = step.relative and min([*wanted, *rest]) > 0
    there, back = (np.log, np.exp) if log else (np.asarray, np.asarray)
    core: FloatArray = there(wanted)
    many = there(np.quantile(rest if len(rest) else wanted, [0.05, 0.95]))
    size = (np.abs(core).max() or 1.0) if step.relative else 1.0
    one = math.log1p(step.size) if log else step.size * size
    reach = _AROUND * max(np.ptp(core), one)
    low = min(core.min(), max(many[0], core.min() - reach))
    high = max(core.max(), min(many[1], core.max() + reach))
    room = max(0.08 * (high - low), one)
    return _Scale(float(back(low - room)), float(back(high + room)), log)


def _channel(kind: Any, axis: _Axis, scale: _Scale, data: ReportData) -> Any:
    better = {1: ", more is better", -1: ", less is better"}.get(axis.use.better, "")
    return kind(
        f"{axis.name}:Q",
        title=sentence(score_label(axis.name, data.terms)) + ("" if axis.asked else better),
        scale=alt.Scale(
            type="log" if scale.log else "linear",
            domain=[scale.low, scale.high],
            nice=False,
        ),
        axis=score_axis(axis.name),
    )


def _zone(axes: Sequence[_Axis], scales: Sequence[_Scale], x: alt.X, y: alt.Y) -> list[alt.Chart]:
    """Return what is asked as a shaded field, with its words above."""
    asked = [axis for axis in axes if axis.asked]
    if not asked:
        return []
    names = [f"{score_label(axis.name)} " if axis is not axes[0] else "" for axis in asked]
    words = [f"{name}{axis.asked}" for name, axis in zip(names, asked, strict=True)]
    ends: dict[str, float] = {}
    for axis, scale, way in zip(axes, scales, "xy", strict=False):
        ends |= {way: max(axis.at_least, scale.low), f"{way}2": min(axis.at_most, scale.high)}
    zone = alt.Chart(pd.DataFrame([ends | {"text": f"asked: {', '.join(words)}"}]))
    middle = scales[0].place(
        math.sqrt(ends["x"] * ends["x2"]) if scales[0].log else (ends["x"] + ends["x2"]) / 2
    )
    edge: Any = ("left", "x") if middle < 0.5 else ("right", "x2")
    field = zone.mark_rect(color=OK, fillOpacity=0.16, stroke=OK, strokeWidth=1)
    across = {"x": same_scale(x, "x"), "x2": "x2:Q"}
    upward = {"y": same_scale(y, "y"), "y2": "y2:Q"} if "y" in ends else {}
    field = field.encode(**across, **upward)
    text = zone.mark_text(align=edge[0], dy=-9, color=OK, fontWeight=600, fontSize=12)
    return [field, text.encode(x=same_scale(x, edge[1]), y=alt.value(0), text="text:N")]


@dataclass(frozen=True)
class _Box:
    """Where a text stands: its middle and half its size (px)."""

    x: float
    y: float
    half_x: float
    half_y: float

    def holds(self, points: FloatArray) -> Any:
        """Return which points lie under the text."""
        away = np.abs(points - [self.x, self.y])
        return (away < [self.half_x + 3, self.half_y + 2]).all(axis=1)

    def meets(self, other: _Box) -> bool:
        """Return whether the texts run into each other."""
        across = abs(self.x - other.x) < self.half_x + other.half_x
        return across and abs(self.y - other.y) < self.half_y + other.half_y


def _placed(named: pd.DataFrame, faint: pd.DataFrame) -> pd.DataFrame:
    """Return the named designs with the first place for each label that runs into nothing."""
    spots, faint_spots = (
        frame[["across", "up"]].to_numpy(float) if "up" in frame else np.empty((0, 2))
        for frame in (named, faint)
    )
    weights = np.repeat([30.0, 1.0], [len(spots), len(faint_spots)])
    pages = [(w, np.vstack([spots, faint_spots]) * [w, _HEIGHT]) for w in _WIDTHS]
    taken: list[list[_Box]] = []
    places = []
    for row, text in enumerate(named["text"]):
        choices = []
        for dy in (0, 16, -16, 30, -30, 46, -46):
            for align, sign in (("left", 1), ("right", -1)):
                cost, boxes = abs(dy) / 40, []
                for at, (width, points) in enumerate(pages):
                    middle = points[row] + [sign * (11 + _LETTER * len(text) / 2), -dy]
                    box = _Box(middle[0], middle[1], _LETTER * len(text) / 2, _LINE / 2)
                    over = box.holds(points)
                    cost += weights[over].sum() + 100 * sum(box.meets(t[at]) for t in taken)
                    cost += 1000 * (box.x < box.half_x or box.x + box.half_x > width + 8)
                    cost += 200 * (box.y < box.half_y or box.y + box.half_y > _HEIGHT)
                    boxes.append(box)
                choices.append((cost, dy, align, boxes))
        _, dy, align, boxes = min(choices, key=lambda choice: choice[0])
        taken.append(boxes)
        places.append({"align": align, "dx": 11 if align == "left" else -11, "dy": dy})
    return pd.concat([named, pd.DataFrame(places)], axis=1)


def _named_marks(named: pd.DataFrame, x: alt.X, y: alt.Y) -> list[alt.Chart]:
    columns = [x.shorthand.split(":")[0], y.shorthand.split(":")[0]]
    kept = named[["candidate", *columns, "text", "kind", "align", "dx", "dy"]]
    marks: list[alt.Chart] = []
    place: dict[str, Any] = {name: {"expr": f"datum.{name}"} for name in ("align", "dx", "dy")}
    for kind, colour, size, weight in (("alternative", INK, 110, 400), ("pick", CHOSEN, 190, 700)):
        base = alt.Chart(kept[kept["kind"] == kind]).encode(x=x, y=y)
        marks.append(
            base.mark_point(
                filled=True, shape="diamond", size=size, color=colour, stroke=PAPER, opacity=1
            )
        )
        marks += haloed(
            base.encode(text="text:N"), color=colour, fontSize=12.5, fontWeight=weight, **place
        )
    return marks


def _title(data: ReportData, axes: Sequence[_Axis], frame: pd.DataFrame) -> str:
    """Return what the front says of the two scores, or how far the nearest design is from asked."""
    first, t = axes[0], data.terms
    if not data.feasible:
        value = stepped(float(data.shown[first.name].iloc[0]), first.name)
        asked = f", asked {first.asked}" if first.asked else ""
        here = f"{score_label(first.name, t)} {value}"
        return f"No design keeps every limit: the nearest has {here}{asked}"
    if len(axes) == 1:
        return f"{sentence(score_label(first.name, t))} of the {len(frame)} designs on the front"
    second = axes[1]
    rank = rank_correlation(*frame[[first.name, second.name]].to_numpy(float).T)
    if np.isnan(rank):
        return (
            f"{sentence(score_label(second.name, t))} and {score_label(first.name, t)} on the front"
        )
    more = "less" if second.use.better < 0 else "more"
    with_it = -rank if more == "less" else rank
    if abs(rank) < _WEAK:
        return (
            f"{sentence(score_label(first.name, t))} and {score_label(second.name, t)}: "
            "one does not settle the other"
        )
    verb = "means" if abs(rank) >= _STRONG else "tends to mean"
    if first.name.endswith("_corner_Hz"):
        effect = f"a {'higher' if with_it > 0 else 'lower'} {score_label(first.name, t)}"
    else:
        effect = f"{'more' if with_it > 0 else 'less'} {score_label(first.name, t)}"
    return f"{sentence(more)} {score_label(second.name, t)} {verb} {effect}"
