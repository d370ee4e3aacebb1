"""The front as one chart of linked views: plates, profiles and parts.

Selections are named ``chosen`` (a candidate, by its id) and ``brush`` (a rectangle in one of the
plates); the page's script ties the table to them. The rows stand once, in named data sets at the
top of the chart, and not in each of its views.
"""

from __future__ import annotations

import json
import warnings
from collections.abc import Iterator, Sequence
from itertools import combinations
from typing import Any, Final

import altair as alt
import numpy as np
import pandas as pd
from scipy import stats

from objectives.arrays import FloatArray
from objectives.format import part_value, plain_words, prefixed, quantity, score_label
from reports.model import ReportContents, ScoreUse
from reports.theme import ACCENTS, MUTED, PAGE_WIDTH, SI_TICKS

__all__ = [
    "FAINT_LIMIT",
    "front_chart",
    "losses_of",
    "mark_kind",
    "mark_words",
    "spanning_scores",
    "thinned",
]

FAINT_LIMIT: Final = 3000
"""The most points of the full front that are drawn behind the readable set."""


_SEED: Final = 20
_MOST_PLATES: Final = 6

# Room that the left axis of the first plate takes, and of every further one with its gap (px).
_LEFT: Final = 88
_BETWEEN: Final = 102
_INNER: Final = PAGE_WIDTH - _LEFT - 12
_KINDS: Final[dict[str, tuple[str, str, int]]] = {
    "pick": (ACCENTS["orange"], "diamond", 260),
    "nearest": (ACCENTS["orange"], "diamond", 260),
    "knee": (ACCENTS["plum"], "triangle-up", 170),
    "best in a score": (ACCENTS["teal"], "square", 110),
    "shown in the table": (ACCENTS["blue"], "circle", 52),
    "rest of the front": (ACCENTS["slate"], "circle", 12),
}
"""Kind of candidate: colour, shape and area (px²), the most notable first."""


_ORDINARY: Final = "shown in the table"
_FAINT: Final = "rest of the front"


def mark_kind(mark: object) -> str:
    """Return which kind of candidate the text of the ``marks`` column makes of a row."""
    text = mark if isinstance(mark, str) else ""
    words = [word.strip() for word in text.replace(";", ",").split(",") if word.strip()]
    for kind in ("pick", "nearest", "knee"):
        if kind in words:
            return kind
    return "best in a score" if words else _ORDINARY


def mark_words(mark: object) -> str:
    """Return a mark as words, score names spelled out: ``best gain_dB`` gives ``best gain``."""
    if not isinstance(mark, str):
        return ""
    return " ".join(plain_words(word) if "_" in word else word for word in mark.split())


def spanning_scores(contents: ReportContents) -> list[ScoreUse]:
    """Return the scores that span the front; where none is free, every score that varies."""
    present = [use for use in contents.uses if use.name in contents.readable.columns]
    free = [use for use in present if use.free]
    if free:
        return free
    varying = [use for use in present if _varies(contents.readable[use.name].to_numpy())]
    return varying or present[:1]


def front_chart(contents: ReportContents, faint_limit: int = FAINT_LIMIT) -> alt.VConcatChart:
    """Return the front as one chart of linked views: plates, profiles and parts.

    A click chooses a candidate in every view (shift adds to the choice), dragging in a plate keeps
    what lies inside it, and a double click lets go. Behind the readable set stands the full front,
    or a seeded sample of ``faint_limit`` of it.
    """
    scores = spanning_scores(contents)
    data = {
        "shown": _shown_rows(contents, scores),
        "rest": _rest_rows(contents, scores, faint_limit),
    }
    data["profiles"], data["ends"] = _profile_rows(contents, scores, data["shown"])
    views = _Views(contents, scores, data)
    pairs = _pairs(contents, scores)
    rows: list[alt.ConcatChart | alt.LayerChart] = []
    with warnings.catch_warnings():
        # The views share their selections on purpose; Altair warns whenever it merges any.
        warnings.filterwarnings("ignore", "Automatically deduplicated", UserWarning)
        if pairs:
            rows.append(views.plates(pairs))
        rows.append(views.profiles(linked=bool(pairs)))
        if contents.part_labels:
            rows.append(views.strips(linked=bool(pairs)))
        chart = alt.VConcatChart(
            vconcat=rows,
            spacing=30,
            description=_words(contents, scores),
            resolve=alt.Resolve(scale={"color": "shared", "shape": "shared"}),
        )
    names = set(_view_names(chart))
    parameters: Any = chart.params
    for parameter in parameters:
        # Nesting leaves names behind that views no longer have.
        parameter.views = [name for name in parameter.views if name in names]
    chart.datasets = {name: _records(rows) for name, rows in views.data.items() if len(rows)}
    return chart


def _view_names(chart: Any) -> Iterator[str]:
    """Yield the names of all views in a chart made of others."""
    for kind in ("vconcat", "concat", "layer"):
        for part in getattr(chart, kind, ()):
            yield from _view_names(part)
    if isinstance(getattr(chart, "name", None), str):
        yield chart.name


def thinned(spec: dict[str, Any], most: int = 400) -> dict[str, Any]:
    """Return a front chart's specification with at most so many of the faint points.

    For drawings, where thousands of them make files large and slow and show nothing more.
    """
    rest = spec.get("datasets", {}).get("rest", [])
    if len(rest) <= most:
        return spec
    kept = rest[:: -(-len(rest) // most)]
    return spec | {"datasets": spec["datasets"] | {"rest": kept}}


def _words(contents: ReportContents, scores: Sequence[ScoreUse]) -> str:
    names = ", ".join(score_label(use.name) for use in scores)
    return (
        f"Linked charts of {len(contents.readable)} candidates over {names}; "
        "the table that follows holds the same numbers."
    )


def _records(rows: pd.DataFrame) -> list[dict[str, Any]]:
    """Return rows as JSON values; what is missing becomes null."""
    records: list[dict[str, Any]] = json.loads(rows.to_json(orient="records", double_precision=15))
    return records


def _six_figures(values: pd.Series) -> pd.Series:
    """Return a column for drawing: six figures are enough, and infinities become gaps."""
    array = values.to_numpy(dtype=float)
    with np.errstate(divide="ignore", invalid="ignore"):
        scale = 10.0 ** (5 - np.floor(np.log10(np.abs(array))))
        rounded = np.where(array == 0, 0.0, np.round(array * scale) / scale)
    return pd.Series(np.where(np.isfinite(array), rounded, np.nan), index=values.index)


def _marks(frame: pd.DataFrame) -> list[object]:
    return frame["marks"].tolist() if "marks" in frame.columns else [""] * len(frame)


def _shown_rows(contents: ReportContents, scores: Sequence[ScoreUse]) -> pd.DataFrame:
    """Return the readable set with scores, texts for tooltips and the kind of each row."""
    readable = contents.readable
    readable = readable.reset_index(drop=True)
    rows = pd.DataFrame({"candidate": readable["candidate"]})
    rows["kind"] = [mark_kind(mark) for mark in _marks(readable)]
    rows["mark"] = [mark_words(mark) or "—" for mark in _marks(readable)]
    for use in scores:
        rows[use.name] = _six_figures(readable[use.name])
        rows[f"text_{use.name}"] = [quantity(v, use.unit) for v in readable[use.name]]
    for part in contents.part_labels:
        rows[f"text_{part}"] = [part_value(part, v) for v in readable[part]]
        place = rows.groupby(f"text_{part}").cumcount()
        # Fixed steps while they fit, closer ones where many share a value.
        rows[f"height_{part}"] = (place + 0.7) / max(int(place.max()) + 1.4, 9.0)
    # Drawn last means drawn on top.
    rank = {kind: -at for at, kind in enumerate(_KINDS)}
    return rows.sort_values("kind", key=lambda kinds: kinds.map(rank), kind="stable")


def _rest_rows(
    contents: ReportContents, scores: Sequence[ScoreUse], faint_limit: int
) -> pd.DataFrame:
    """Return the scores of the front less the readable set, sampled down to the limit."""
    front = contents.front
    rest = front[~front["candidate"].isin(contents.readable["candidate"])] if len(front) else front
    if len(rest) > faint_limit:
        rest = rest.sample(faint_limit, random_state=_SEED)
    if not len(rest):
        return pd.DataFrame()
    rows = pd.DataFrame({use.name: _six_figures(rest[use.name]) for use in scores})
    rows["kind"] = _FAINT
    return rows


def _profile_rows(
    contents: ReportContents, scores: Sequence[ScoreUse], shown: pd.DataFrame
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return one row per candidate and score, from 0 (worst) to 1 (best), and the axes' ends."""
    reach = contents.front if len(contents.front) else contents.readable
    pieces, ends = [], []
    for at, use in enumerate(scores):
        losses = losses_of(reach, use)
        order = np.argsort(np.where(np.isfinite(losses), losses, np.nan))  # gaps come last
        finite = int(np.isfinite(losses).sum())
        best, worst = (losses[order[0]], losses[order[finite - 1]]) if finite else (0.0, 0.0)
        span = worst - best
        here = losses_of(contents.readable, use)[shown.index]
        piece = shown.assign(axis=score_label(use.name), at=at)
        piece["height"] = np.round((worst - here) / span, 5) if span else 0.5
        pieces.append(piece.replace({"height": [np.inf, -np.inf]}, np.nan))
        for height, row in ((1.0, 0), (0.0, max(finite - 1, 0))):
            value = float(reach[use.name].iloc[order[row]])
            ends.append({"axis": score_label(use.name), "height": height,
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


def _pairs(contents: ReportContents, scores: Sequence[ScoreUse]) -> list[tuple[ScoreUse, ScoreUse]]:
    """Return the pairs worth a plate: all of up to four scores, else those that conflict most.

    Conflict is a negative rank correlation of the losses over the front.
    """
    pairs = list(combinations(scores, 2))
    if len(pairs) <= _MOST_PLATES:
        return pairs
    frame = contents.front if len(contents.front) > 2 else contents.readable

    def agreement(pair: tuple[ScoreUse, ScoreUse]) -> float:
        first, second = (losses_of(frame, use) for use in pair)
        usable = np.isfinite(first) & np.isfinite(second)
        if not (_varies(first[usable]) and _varies(second[usable])):
            return 1.0
        return float(stats.spearmanr(first[usable], second[usable]).statistic)

    strongest = sorted(pairs, key=agreement)[:_MOST_PLATES]
    return [pair for pair in pairs if pair in strongest]


class _Views:
    """The views of one front; they share data sets, scales and selections."""

    def __init__(
        self,
        contents: ReportContents,
        scores: Sequence[ScoreUse],
        data: dict[str, pd.DataFrame],
    ) -> None:
        self.contents, self.scores, self.data = contents, scores, data
        self.whole = "the whole front" if contents.feasible else "what is shown"
        self.chosen = alt.selection_point(name="chosen", fields=["candidate"])
        self.brush = alt.selection_interval(name="brush", resolve="intersect")
        present = set(data["shown"]["kind"]) | ({_FAINT} if len(data["rest"]) else set())
        self.kinds = [kind for kind in _KINDS if kind in present]

    def chart(self, name: str) -> alt.Chart:
        return alt.Chart(alt.NamedData(name))

    def tooltips(self) -> list[alt.Tooltip]:
        labels = self.contents.part_labels
        return [
            alt.Tooltip("candidate:N", title="candidate"),
            alt.Tooltip("mark:N", title="mark"),
            *(alt.Tooltip(f"text_{part}:N", title=label) for part, label in labels.items()),
            *(
                alt.Tooltip(f"text_{use.name}:N", title=score_label(use.name))
                for use in self.scores
            ),
        ]

    def colour(self) -> alt.Color:
        return alt.Color(
            "kind:N",
            title=None,
            scale=alt.Scale(domain=self.kinds, range=[_KINDS[k][0] for k in self.kinds]),
            legend=alt.Legend(symbolOpacity=1),
        )

    def looks(self) -> dict[str, Any]:
        """Return colour, shape and size by kind."""
        size: Any = alt.when(alt.datum.kind == "pick").then(alt.value(_KINDS["pick"][2]))
        for kind in ("nearest", "knee", "best in a score"):
            size = size.when(alt.datum.kind == kind).then(alt.value(_KINDS[kind][2]))
        return {
            "color": self.colour(),
            "shape": alt.Shape(
                "kind:N",
                title=None,
                scale=alt.Scale(domain=self.kinds, range=[_KINDS[k][1] for k in self.kinds]),
                legend=alt.Legend(symbolOpacity=1),
            ),
            "size": size.otherwise(alt.value(_KINDS[_ORDINARY][2])),
        }

    def fades(self, kept: float, dimmed: float, *, linked: bool = True) -> Any:
        """Return the opacity: what is chosen and inside every brush stays, the rest dims."""
        held = (self.chosen & self.brush) if linked else self.chosen
        return alt.when(held).then(alt.value(kept)).otherwise(alt.value(dimmed))

    def axis(self, use: ScoreUse, *, upright: bool = False) -> dict[str, Any]:
        """Return title, scale and axis of a score; which way is better stands by its name."""
        values = np.concatenate(
            [
                rows[use.name].to_numpy(float)
                for rows in (self.data["shown"], self.data["rest"])
                if len(rows)
            ]
        )
        finite = values[np.isfinite(values)]
        better = {1: "more is better", -1: "less is better"}.get(use.better)
        if use.use.startswith("near "):
            better = use.use
        # Decades only where the unit is one that spans them; an error near nought has no ratio.
        wide = (
            prefixed(use.unit)
            and len(finite) > 0
            and finite.min() > 0
            and finite.max() > 30 * finite.min()
        )
        return {
            "title": [score_label(use.name, with_unit=True), *([better] if better else [])],
            "scale": alt.Scale(type="log" if wide else "linear", zero=False, nice=not wide),
            "axis": alt.Axis(
                format=SI_TICKS if prefixed(use.unit) else "~f",
                tickCount=5,
                # An upright title's second line lies nearer to the axis than its first.
                titlePadding=20 if upright else 8,
            ),
        }

    def plates(self, pairs: Sequence[tuple[ScoreUse, ScoreUse]]) -> alt.ConcatChart:
        """Return one plate for each pair of scores."""
        across = {1: 1, 2: 2, 4: 2}.get(len(pairs), 3)
        width = (_INNER - (across - 1) * _BETWEEN) // across
        height = {1: 380, 2: 300}.get(across, 220)
        plates = []
        for first, second in pairs:
            x = alt.X(f"{first.name}:Q", **self.axis(first))
            y = alt.Y(f"{second.name}:Q", **self.axis(second, upright=True))
            layers = []
            if len(self.data["rest"]):
                layers.append(
                    self.chart("rest")
                    .mark_point(filled=True, opacity=0.28, size=_KINDS[_FAINT][2], strokeWidth=0)
                    .encode(x=x, y=y, color=self.colour())
                )
            layers.append(
                self.chart("shown")
                .mark_point(filled=True, stroke="white", strokeWidth=0.8, cursor="pointer")
                .encode(
                    x=x, y=y, opacity=self.fades(1.0, 0.08), tooltip=self.tooltips(), **self.looks()
                )
                .add_params(self.chosen, self.brush)
            )
            plates.append(alt.LayerChart(layer=layers, width=width, height=height))
        return alt.concat(*plates, columns=across, spacing=24)

    def profiles(self, *, linked: bool) -> alt.LayerChart:
        """Return the parallel axes: each score from its worst (below) to its best (above)."""
        x = alt.X(
            "axis:N",
            sort=[score_label(use.name) for use in self.scores],
            title=None,
            scale=alt.Scale(type="point", padding=0.3),
            axis=alt.Axis(
                orient="top",
                labelAngle=0,
                labelFontSize=12,
                labelPadding=20,
                labelLimit=_INNER // max(len(self.scores), 1) - 8,
                labelOverlap=False,
                grid=True,
                gridColor="#aeb8c2",
                domain=False,
                ticks=False,
            ),
        )
        y = alt.Y("height:Q", title=None, axis=None, scale=alt.Scale(domain=[-0.02, 1.02]))
        base = self.chart("profiles").encode(x=x, y=y)
        layers = []
        for kind in reversed([k for k in self.kinds if k != _FAINT]):
            notable = kind != _ORDINARY
            strength = {"pick": 3.6, "nearest": 3.6, _ORDINARY: 1.1}.get(kind, 2.2)
            layers.append(
                base.transform_filter(alt.datum.kind == kind)
                .mark_line(strokeWidth=strength, cursor="pointer")
                .encode(
                    detail="candidate:N",
                    order="at:O",
                    color=self.colour(),
                    opacity=self.fades(1.0 if notable else 0.5, 0.04, linked=linked),
                    tooltip=self.tooltips(),
                )
            )
        layers.append(
            base.mark_point(filled=True, size=30, strokeWidth=0, cursor="pointer")
            .encode(
                color=self.colour(),
                opacity=self.fades(0.9, 0.05, linked=linked),
                tooltip=self.tooltips(),
            )
            .add_params(self.chosen)
        )
        ends = self.chart("ends").encode(x=x, y=y, text="value:N")
        layers += [
            ends.transform_filter(alt.datum.height == height).mark_text(dy=dy, color=MUTED)
            for height, dy in ((1, -12), (0, 14))
        ]
        return alt.LayerChart(
            layer=layers,
            width=_INNER,
            height=220,
            view=alt.ViewBackground(strokeOpacity=0),
            title=alt.Title(
                "Profiles",
                subtitle=f"each score from the worst (below) to the best (above) of {self.whole}",
            ),
        )

    def strips(self, *, linked: bool) -> alt.ConcatChart:
        """Return which part values the candidates use, over how often the whole front does."""
        labels = self.contents.part_labels
        everyone = self.contents.front if len(self.contents.front) else self.contents.readable
        across = 2 if len(labels) > 1 else 1
        width = (_INNER - (across - 1) * 28) // across
        upright: dict[str, Any] = {"title": None, "axis": None, "scale": alt.Scale(domain=[0, 1])}
        strips = []
        for part, label in labels.items():
            counts = everyone[part].value_counts().sort_index()
            bars = pd.DataFrame({"value": [part_value(part, v) for v in counts.index]})
            bars["share"] = counts.to_numpy() / max(int(counts.max()), 1)
            bars["text"] = [f"{n} of {len(everyone)}" for n in counts]
            name = f"used_{part}"
            self.data[name] = bars
            order = list(dict.fromkeys(bars["value"]))
            scale = alt.Scale(domain=order, paddingInner=0.25)
            axis = alt.Axis(labelAngle=0, grid=False)

            def x(field: str, scale: alt.Scale = scale, axis: alt.Axis = axis) -> alt.X:
                return alt.X(f"{field}:N", sort=None, title=None, scale=scale, axis=axis)

            used = (
                self.chart(name)
                .mark_bar(color="#d5dbe1")
                .encode(
                    x=x("value"),
                    y=alt.Y("share:Q", **upright),
                    tooltip=[
                        alt.Tooltip("value:N", title=label),
                        alt.Tooltip("text:N", title="used by"),
                    ],
                )
            )
            points = (
                self.chart("shown")
                .mark_point(filled=True, stroke="white", strokeWidth=0.8, cursor="pointer")
                .encode(
                    x=x(f"text_{part}"),
                    y=alt.Y(f"height_{part}:Q", **upright),
                    opacity=self.fades(1.0, 0.08, linked=linked),
                    tooltip=self.tooltips(),
                    **self.looks(),
                )
                .add_params(self.chosen)
            )
            strips.append(
                alt.LayerChart(
                    layer=[used, points],
                    width=width,
                    height=92,
                    title=alt.Title(label, fontWeight="normal", fontSize=12, offset=4),
                )
            )
        return alt.concat(
            *strips,
            columns=across,
            spacing=alt.RowColnumber(row=14, column=28),
            title=alt.Title(
                "Parts",
                subtitle="marks: candidates of the table; "
                f"grey: how often {self.whole} uses the value",
            ),
        )
