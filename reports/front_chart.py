"""The front as one chart of linked views: plates, profiles and parts.

Selections are named ``chosen`` (a candidate, by its id) and ``brush`` (a rectangle in one of the
plates); the page's script ties the table to them.
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from itertools import combinations
from typing import Any, Final

import altair as alt
import numpy as np
import pandas as pd
from scipy import stats

from objectives.batch import FloatArray
from reports.contents import ReportContents, ScoreUse
from reports.format import (
    part_value,
    plain_words,
    quantity,
    score_label,
    unit_symbol,
)
from reports.look import ACCENTS, MUTED, PAGE_WIDTH, SI_TICKS

__all__ = ["FAINT_LIMIT", "front_chart", "mark_kind", "mark_words", "spanning_scores"]

FAINT_LIMIT: Final = 3000
"""The most points of the full front that are drawn behind the readable set."""
_SEED: Final = 20
_MOST_PLATES: Final = 6

_KINDS: Final[dict[str, tuple[str, str, float]]] = {
    "pick": (ACCENTS["orange"], "diamond", 240),
    "knee": (ACCENTS["plum"], "triangle-up", 170),
    "best in a score": (ACCENTS["teal"], "square", 120),
    "on the readable front": (ACCENTS["blue"], "circle", 60),
    "rest of the front": (ACCENTS["slate"], "circle", 12),
}
"""Kind of candidate: colour, shape and area (px²), the most notable first."""
_ORDINARY: Final = "on the readable front"
_FAINT: Final = "rest of the front"


def mark_kind(mark: object) -> str:
    """Return which kind of candidate the text of the ``marks`` column makes of a row."""
    text = mark if isinstance(mark, str) else ""
    words = [word.strip() for word in text.replace(";", ",").split(",") if word.strip()]
    if "pick" in words:
        return "pick"
    if "knee" in words:
        return "knee"
    return "best in a score" if words else _ORDINARY


def front_chart(contents: ReportContents, faint_limit: int = FAINT_LIMIT) -> alt.TopLevelMixin:
    """Return the front as one chart of linked views: plates, profiles and parts.

    A click chooses a candidate in every view (shift adds to the choice), dragging in a plate keeps
    what lies inside it, and a double click lets go. Behind the readable set stands the full front,
    or a seeded sample of ``faint_limit`` of it.
    """
    scores = spanning_scores(contents)
    chosen = alt.selection_point(name="chosen", fields=["candidate"])
    brush = alt.selection_interval(name="brush", resolve="intersect")
    shown = _shown_rows(contents, scores)
    rest = _rest_rows(contents, scores, faint_limit)
    rows: list[alt.ConcatChart | alt.LayerChart] = []
    pairs = _pairs(contents, scores)
    with warnings.catch_warnings():
        # The views share their selections on purpose; Altair warns whenever it merges any.
        warnings.filterwarnings("ignore", "Automatically deduplicated", UserWarning)
        if pairs:
            rows.append(_plates(pairs, shown, rest, contents, chosen, brush))
        rows.append(_profiles(scores, shown, contents, chosen, brush, linked=bool(pairs)))
        if contents.part_labels:
            rows.append(_strips(shown, contents, scores, chosen, brush, linked=bool(pairs)))
        front: alt.VConcatChart = (
            alt.vconcat(*rows, spacing=28)
            .properties(description=_front_words(contents, scores))
            .resolve_scale(color="shared", shape="shared", size="shared")
        )
    return front


def spanning_scores(contents: ReportContents) -> list[ScoreUse]:
    """Return the scores that span the front; where none is free, every score that varies."""
    present = [use for use in contents.uses if use.name in contents.readable.columns]
    free = [use for use in present if use.free]
    if free:
        return free
    varying = [use for use in present if _varies(contents.readable[use.name].to_numpy())]
    return varying or present[:1]


def _front_words(contents: ReportContents, scores: Sequence[ScoreUse]) -> str:
    names = ", ".join(score_label(use.name) for use in scores)
    return (
        f"Linked charts of {len(contents.readable)} candidates over {names}; "
        "the table beside them holds the same numbers."
    )


def _finite(values: pd.Series) -> pd.Series:
    """Return a column that JSON can hold: infinities become gaps, and six figures are enough."""
    array = values.to_numpy(dtype=float)
    with np.errstate(divide="ignore", invalid="ignore"):
        scale = 10.0 ** (5 - np.floor(np.log10(np.abs(array))))
        rounded = np.where(array == 0, 0.0, np.round(array * scale) / scale)
    return pd.Series(np.where(np.isfinite(array), rounded, np.nan), index=values.index)


def _shown_rows(contents: ReportContents, scores: Sequence[ScoreUse]) -> pd.DataFrame:
    """Return the readable set with scores, texts for tooltips and the kind of each row."""
    readable = contents.readable
    rows = pd.DataFrame({"candidate": readable["candidate"]})
    rows["kind"] = [mark_kind(mark) for mark in _marks(readable)]
    rows["mark"] = [mark_words(mark) or "—" for mark in _marks(readable)]
    for use in scores:
        rows[use.name] = _finite(readable[use.name])
        rows[f"text_{use.name}"] = [quantity(v, use.unit) for v in readable[use.name]]
    for part in contents.part_labels:
        rows[f"text_{part}"] = [part_value(part, v) for v in readable[part]]
    # Drawn last means drawn on top.
    rank = {kind: -at for at, kind in enumerate(_KINDS)}
    return rows.sort_values("kind", key=lambda kinds: kinds.map(rank), kind="stable")


def _rest_rows(
    contents: ReportContents, scores: Sequence[ScoreUse], faint_limit: int
) -> pd.DataFrame:
    """Return the scores of the front less the readable set, sampled down to the limit."""
    front = contents.front
    if front.empty:
        return pd.DataFrame()
    rest = front[~front["candidate"].isin(contents.readable["candidate"])]
    if len(rest) > faint_limit:
        rest = rest.sample(faint_limit, random_state=_SEED)
    rows = pd.DataFrame({use.name: _finite(rest[use.name]) for use in scores})
    rows["kind"] = _FAINT
    return rows


def _marks(frame: pd.DataFrame) -> list[object]:
    return frame["marks"].tolist() if "marks" in frame.columns else [""] * len(frame)


def mark_words(mark: object) -> str:
    """Return a mark as words, score names spelled out: ``best gain_dB`` gives ``best gain``."""
    if not isinstance(mark, str):
        return ""
    return " ".join(plain_words(word) if "_" in word else word for word in mark.split())


def _pairs(contents: ReportContents, scores: Sequence[ScoreUse]) -> list[tuple[ScoreUse, ScoreUse]]:
    """Return the pairs worth a plate: all of up to four scores, else those that conflict most.

    Conflict is a negative rank correlation of the losses over the front.
    """
    pairs = list(combinations(scores, 2))
    if len(pairs) <= _MOST_PLATES:
        return pairs
    frame = contents.front if len(contents.front) > 2 else contents.readable

    def agreement(pair: tuple[ScoreUse, ScoreUse]) -> float:
        first, second = (frame[use.name].to_numpy(float) for use in pair)
        usable = np.isfinite(first) & np.isfinite(second)
        if not (_varies(first[usable]) and _varies(second[usable])):
            return 1.0
        rho = float(stats.spearmanr(first[usable], second[usable]).statistic)
        return rho * (pair[0].better or 1) * (pair[1].better or 1)

    strongest = sorted(pairs, key=agreement)[:_MOST_PLATES]
    return [pair for pair in pairs if pair in strongest]


def _varies(values: FloatArray) -> bool:
    return len(values) > 0 and bool(np.any(values != values[0]))


def _kind_encodings() -> dict[str, Any]:
    names = list(_KINDS)
    legend = alt.Legend(title=None, symbolOpacity=1)
    return {
        "color": alt.Color(
            "kind:N",
            scale=alt.Scale(domain=names, range=[c for c, _, _ in _KINDS.values()]),
            legend=legend,
        ),
        "shape": alt.Shape(
            "kind:N",
            scale=alt.Scale(domain=names, range=[s for _, s, _ in _KINDS.values()]),
            legend=legend,
        ),
        "size": alt.Size(
            "kind:N",
            scale=alt.Scale(domain=names, range=[a for _, _, a in _KINDS.values()]),
            legend=legend,
        ),
    }


def _tooltips(contents: ReportContents, scores: Sequence[ScoreUse]) -> list[alt.Tooltip]:
    return [
        alt.Tooltip("candidate:N", title="candidate"),
        alt.Tooltip("mark:N", title="mark"),
        *(alt.Tooltip(f"text_{p}:N", title=label) for p, label in contents.part_labels.items()),
        *(alt.Tooltip(f"text_{use.name}:N", title=score_label(use.name)) for use in scores),
    ]


def _score_axis(use: ScoreUse, values: pd.Series) -> dict[str, Any]:
    """Return title, scale and axis of a score: which way is better is said beside its name."""
    prefixed = unit_symbol(use.unit) in ("Hz", "A", "V", "W", "F", "Ω", "S")
    better = {1: "more is better", -1: "less is better"}.get(use.better)
    finite = values[np.isfinite(values)]
    wide = len(finite) > 0 and finite.min() > 0 and finite.max() / finite.min() > 30
    return {
        "title": [score_label(use.name, with_unit=True), *([better] if better else [])],
        "scale": alt.Scale(type="log" if wide else "linear", zero=False, nice=not wide),
        "axis": alt.Axis(format=SI_TICKS if prefixed else "~g", tickCount=5),
    }


def _plates(
    pairs: Sequence[tuple[ScoreUse, ScoreUse]],
    shown: pd.DataFrame,
    rest: pd.DataFrame,
    contents: ReportContents,
    chosen: alt.Parameter,
    brush: alt.Parameter,
) -> alt.ConcatChart:
    across = {1: 1, 2: 2, 4: 2}.get(len(pairs), 3)
    # What is left of the page when every plate has its axis (about 64 px) and a gap.
    width = (PAGE_WIDTH - across * 66 - (across - 1) * 22) // across
    height = {1: 380, 2: 320}.get(across, 230)
    scores = list(dict.fromkeys(use for pair in pairs for use in pair))
    plates = []
    for first, second in pairs:
        both = {
            axis: (use, pd.concat([shown[use.name], rest.get(use.name, pd.Series(dtype=float))]))
            for axis, use in (("x", first), ("y", second))
        }
        x = alt.X(f"{first.name}:Q", **_score_axis(*both["x"]))
        y = alt.Y(f"{second.name}:Q", **_score_axis(*both["y"]))
        layers: list[alt.Chart] = []
        if len(rest):
            layers.append(
                alt.Chart(rest)
                .mark_point(filled=True, opacity=0.35, strokeWidth=0)
                .encode(x=x, y=y, **_kind_encodings())
            )
        layers.append(
            alt.Chart(shown)
            .mark_point(filled=True, stroke="white", strokeWidth=0.7, cursor="pointer")
            .encode(
                x=x,
                y=y,
                opacity=alt.when(chosen & brush).then(alt.value(0.95)).otherwise(alt.value(0.1)),
                tooltip=_tooltips(contents, scores),
                **_kind_encodings(),
            )
            .add_params(chosen, brush)
        )
        plates.append(alt.layer(*layers).properties(width=width, height=height))
    return alt.concat(*plates, columns=across, spacing=22)


def _profiles(
    scores: Sequence[ScoreUse],
    shown: pd.DataFrame,
    contents: ReportContents,
    chosen: alt.Parameter,
    brush: alt.Parameter,
    *,
    linked: bool,
) -> alt.LayerChart:
    """Return the parallel axes: each score from its worst (below) to its best (above) value."""
    pieces, ends = [], []
    for at, use in enumerate(scores):
        reach = contents.front[use.name] if len(contents.front) else contents.readable[use.name]
        finite = reach[np.isfinite(reach)]
        low, high = (float(finite.min()), float(finite.max())) if len(finite) else (0.0, 0.0)
        best, worst = (low, high) if use.better < 0 else (high, low)
        piece = shown.copy()
        piece["axis"], piece["at"] = score_label(use.name), at
        span = best - worst
        piece["height"] = (shown[use.name] - worst) / span if span else 0.5
        piece["value"] = shown[f"text_{use.name}"]
        pieces.append(piece)
        for height, value in ((1.0, best), (0.0, worst)):
            ends.append({"axis": score_label(use.name), "height": height, "at": at,
                         "value": quantity(value, use.unit)})  # fmt: skip
    long = pd.concat(pieces, ignore_index=True)
    order = [score_label(use.name) for use in scores]
    x = alt.X(
        "axis:N",
        sort=order,
        title=None,
        scale=alt.Scale(type="point", padding=0.35),
        axis=alt.Axis(orient="top", labelAngle=0, labelFontSize=12, labelPadding=20, grid=True,
                      gridColor="#b9c2cb", domain=False, ticks=False, labelLimit=230),
    )  # fmt: skip
    y = alt.Y("height:Q", title=None, axis=None, scale=alt.Scale(domain=[-0.02, 1.02]))
    held = (chosen & brush) if linked else chosen
    base = alt.Chart(long).encode(x=x, y=y)
    shared: dict[str, Any] = {
        "color": _kind_encodings()["color"],
        "opacity": alt.when(held).then(alt.value(0.75)).otherwise(alt.value(0.05)),
        "tooltip": [*_tooltips(contents, scores)],
    }
    thin = alt.value(1.1)
    width = (
        alt.when(alt.datum.kind == "pick").then(alt.value(3.5))
        .when(chosen, empty=False).then(alt.value(3.0))
        .when(alt.datum.kind != _ORDINARY).then(alt.value(2.0))
        .otherwise(thin)
    )  # fmt: skip
    lines = base.mark_line(cursor="pointer").encode(
        detail="candidate:N", order="at:O", strokeWidth=width, **shared
    )
    dots = (
        base.mark_point(filled=True, size=34, cursor="pointer", strokeWidth=0)
        .encode(**shared)
        .add_params(chosen)
    )
    labels = alt.Chart(pd.DataFrame(ends)).encode(x=x, y=y, text="value:N")
    best_text = labels.transform_filter(alt.datum.height == 1).mark_text(dy=-12, color=MUTED)
    worst_text = labels.transform_filter(alt.datum.height == 0).mark_text(dy=14, color=MUTED)
    return alt.layer(lines, dots, best_text, worst_text).properties(
        width=PAGE_WIDTH - 16,
        height=230,
        title=alt.Title(
            "Profiles",
            subtitle="each score from the worst (below) to the best (above) of the front",
        ),
    )


def _strips(
    shown: pd.DataFrame,
    contents: ReportContents,
    scores: Sequence[ScoreUse],
    chosen: alt.Parameter,
    brush: alt.Parameter,
    *,
    linked: bool,
) -> alt.ConcatChart:
    """Return which part values the candidates use, over how often the whole front uses them."""
    held = (chosen & brush) if linked else chosen
    across = 2 if len(contents.part_labels) > 1 else 1
    width = (PAGE_WIDTH - 24 * (across - 1) - 20 * across) // across
    strips: list[alt.LayerChart] = []
    for part, label in contents.part_labels.items():
        everyone = contents.front if len(contents.front) else contents.readable
        counts = everyone[part].value_counts().sort_index()
        order = [part_value(part, v) for v in counts.index]
        bars = pd.DataFrame({"value": order, "share": counts.to_numpy() / counts.max()})
        bars["text"] = [f"{n} of {len(everyone)}" for n in counts]
        dots = shown.copy()
        dots["value"] = dots[f"text_{part}"]
        place = dots.groupby("value").cumcount() + 1
        dots["height"] = place / (max(int(place.max()), 6) + 1)
        x = alt.X(
            "value:N",
            sort=order,
            title=None,
            scale=alt.Scale(domain=list(dict.fromkeys(order)), paddingInner=0.25),
            axis=alt.Axis(labelAngle=0, grid=False),
        )
        column = (
            alt.Chart(bars)
            .mark_bar(color="#d5dbe1")
            .encode(x=x, y=alt.Y("share:Q", title=None, axis=None,
                    scale=alt.Scale(domain=[0, 1])),
                    tooltip=[alt.Tooltip("value:N", title=label),
                             alt.Tooltip("text:N", title="of the front")])
        )  # fmt: skip
        points = (
            alt.Chart(dots)
            .mark_point(filled=True, stroke="white", strokeWidth=0.7, cursor="pointer")
            .encode(
                x=x,
                y=alt.Y("height:Q", title=None, axis=None, scale=alt.Scale(domain=[0, 1])),
                opacity=alt.when(held).then(alt.value(0.95)).otherwise(alt.value(0.08)),
                tooltip=_tooltips(contents, scores),
                **_kind_encodings(),
            )
            .add_params(chosen)
        )
        strips.append(
            alt.layer(column, points).properties(
                width=width, height=74, title=alt.Title(label, fontWeight="normal", offset=2)
            )
        )
    return alt.concat(*strips, columns=across, spacing=24)
