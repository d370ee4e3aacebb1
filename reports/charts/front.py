"""The front as one chart of linked views: plates, profiles and parts.

Selections are named ``chosen`` (a candidate, by its id) and ``brush`` (a rectangle in one of the
plates); the page's script ties the table to them. The rows stand once, in named data sets at the
top of the chart, and not in each of its views.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, Final, TypeAlias

import altair as alt
import numpy as np
import pandas as pd

from objectives.format import counted, listed, part_value, prefixed, quantity, score_label
from reports.charts.front_rows import (
    FAINT,
    KINDS,
    ORDINARY,
    conflicting_pairs,
    profile_rows,
    rest_rows,
    shown_rows,
    spanning_scores,
)
from reports.charts.layers import Column, Grid, Layers, records
from reports.model import ReportData, ScoreUse
from reports.theme import BESIDE, LINE, MUTED, PAGE_WIDTH, PAPER, ticks

FAINT_LIMIT: Final = 500
"""The most points of the full front that are drawn behind the designs shown."""


_GAP: Final = 24


_View: TypeAlias = alt.ConcatChart | alt.LayerChart


def front_chart(data: ReportData, faint_limit: int = FAINT_LIMIT) -> alt.VConcatChart:
    """Return the front over each pair of scores that conflict, as linked views.

    A click chooses a candidate in every view (shift adds to the choice), dragging in a plate keeps
    what lies inside it, and a double click or Escape clears that. Behind the designs shown the full
    front is drawn, or a seeded sample of ``faint_limit`` of it.

    Examples
    --------
    >>> import explorer, reports
    >>> report = explorer.report(explorer.explore("battery-preamp"))
    >>> chart = reports.front_chart(report)
    """
    pairs = conflicting_pairs(data, spanning_scores(data))
    return _joined(
        data,
        faint_limit,
        lambda views: [views.plates(pairs) if pairs else views.profiles(linked=False)],
    )


def spread_chart(data: ReportData) -> alt.VConcatChart:
    """Return what the designs shown have of each score and of each part, as linked views."""

    def rows(views: _Views) -> list[_View]:
        profiles = views.profiles(linked=False)
        return [profiles, views.strips(linked=False)] if data.part_labels else [profiles]

    return _joined(data, 0, rows)


def _joined(
    data: ReportData, faint_limit: int, make: Callable[[_Views], list[_View]]
) -> alt.VConcatChart:
    """Return views of the front one above the other, with their rows and selections."""
    scores = spanning_scores(data)
    sets = {
        "shown": shown_rows(data, scores),
        "rest": rest_rows(data, scores, faint_limit),
    }
    sets["profiles"], sets["ends"] = profile_rows(data, scores, sets["shown"])
    views = _Views(data, scores, sets)
    made = make(views)
    used = {name: views.sets[name] for name in views.used if len(views.sets[name])}
    return Column(
        vconcat=made,
        spacing=30,
        description=_words(data, scores),
        resolve=alt.Resolve(scale={"color": "shared", "shape": "shared"}),
        params=[
            alt.TopLevelSelectionParameter(**selection.to_dict(), views=names)
            for selection, names in views.selections()
            if names
        ],
        datasets={name: records(frame) for name, frame in used.items()},
    )


def front_title(data: ReportData) -> str:
    """Return how many designs there are to choose between, and over what."""
    names = listed([score_label(use.name, data.terms) for use in spanning_scores(data)])
    if not data.feasible:
        return f"The {counted(len(data.shown))} nearest designs over {names}"
    return f"{counted(data.front_size)} designs of which none beats another in {names} together"


def _words(data: ReportData, scores: Sequence[ScoreUse]) -> str:
    names = ", ".join(score_label(use.name, data.terms) for use in scores)
    return (
        f"Linked charts of {len(data.shown)} candidates over {names}; "
        "the table that follows holds the same numbers."
    )


class _Views:
    """The views of one front; they share data sets, scales and selections."""

    def __init__(
        self,
        data: ReportData,
        scores: Sequence[ScoreUse],
        sets: dict[str, pd.DataFrame],
    ) -> None:
        self.report, self.scores, self.sets = data, scores, sets
        self.labels = {use.name: score_label(use.name, data.terms) for use in scores}
        self.whole = "the whole front" if data.feasible else "what is shown"
        self.chosen = alt.selection_point(name="chosen", fields=["candidate"])
        self.brush = alt.selection_interval(
            name="brush",
            resolve="intersect",
            clear="dblclick, window:keydown[event.key === 'Escape']",
        )
        present = set(sets["shown"]["kind"]) | ({FAINT} if len(sets["rest"]) else set())
        self.used: dict[str, None] = {}
        """Names of the data sets that the views made so far draw."""
        self.kinds = [kind for kind in KINDS if kind in present]
        self.choosing: list[str] = []
        self.brushing: list[str] = []
        """Names of the views in which a click chooses, and of those with a rectangle."""

    def chart(self, name: str) -> alt.Chart:
        self.used[name] = None
        return alt.Chart(alt.NamedData(name))

    def selections(self) -> list[tuple[Any, list[str]]]:
        """Return each selection as the library has it, with the views that it is made in."""
        return [(self.chosen.param, self.choosing), (self.brush.param, self.brushing)]

    def chosen_in(self, *, brushed: bool = False) -> str:
        """Return the name of one more view in which a click chooses."""
        name = f"view-{len(self.choosing) + 1}"
        self.choosing.append(name)
        if brushed:
            self.brushing.append(name)
        return name

    def tooltips(self) -> list[alt.Tooltip]:
        labels = self.report.part_labels
        return [
            alt.Tooltip("candidate:N", title="candidate"),
            alt.Tooltip("mark:N", title="mark"),
            *(alt.Tooltip(f"text_{part}:N", title=label) for part, label in labels.items()),
            *(
                alt.Tooltip(f"text_{use.name}:N", title=self.labels[use.name])
                for use in self.scores
            ),
        ]

    def colour(self) -> alt.Color:
        return alt.Color(
            "kind:N",
            title=None,
            scale=alt.Scale(domain=self.kinds, range=[KINDS[k][0] for k in self.kinds]),
            legend=alt.Legend(symbolOpacity=1, columns=2),
        )

    def styles(self) -> dict[str, Any]:
        """Return colour, shape and size by kind."""
        size: Any = alt.when(alt.datum.kind == "pick").then(alt.value(KINDS["pick"][2]))
        for kind in ("nearest", "alternative", "best in a score"):
            size = size.when(alt.datum.kind == kind).then(alt.value(KINDS[kind][2]))
        return {
            "color": self.colour(),
            "shape": alt.Shape(
                "kind:N",
                title=None,
                scale=alt.Scale(domain=self.kinds, range=[KINDS[k][1] for k in self.kinds]),
                legend=alt.Legend(symbolOpacity=1, columns=2),
            ),
            "size": alt.SizeValue(**size.otherwise(alt.value(KINDS[ORDINARY][2]))),
        }

    def fades(self, kept: float, dimmed: float, *, linked: bool = True) -> Any:
        """Return the opacity: what is chosen and inside every brush stays, the rest dims."""
        held = (self.chosen & self.brush) if linked else self.chosen
        # As what it is; Altair takes long to find out what a mapping could be.
        return alt.OpacityValue(**alt.when(held).then(alt.value(kept)).otherwise(alt.value(dimmed)))

    def axis(self, use: ScoreUse, *, upright: bool = False) -> dict[str, Any]:
        """Return title, scale and axis of a score; which way is better stands by its name."""
        values = np.concatenate(
            [
                rows[use.name].to_numpy(float)
                for rows in (self.sets["shown"], self.sets["rest"])
                if len(rows)
            ]
        )
        finite = values[np.isfinite(values)]
        better = {1: "more is better", -1: "less is better"}.get(use.better)
        if use.aim == "near":
            better = f"near {quantity(use.target, use.unit)}"
        # Decades only where the unit is one that spans them; an error near 0 has no ratio.
        wide = (
            prefixed(use.unit)
            and len(finite) > 0
            and finite.min() > 0
            and finite.max() > 30 * finite.min()
        )
        return {
            "title": [
                self.labels[use.name],
                *([better] if better else []),
            ],
            "scale": alt.Scale(type="log" if wide else "linear", zero=False, nice=not wide),
            # An upright title's second line lies nearer to the axis than its first.
            "axis": ticks(use.unit, titlePadding=20 if upright else 8),
        }

    def plates(self, pairs: Sequence[tuple[ScoreUse, ScoreUse]]) -> alt.ConcatChart:
        """Return one plate for each pair of scores."""
        across = {1: 1, 2: 2, 4: 2}.get(len(pairs), 3)
        width = (PAGE_WIDTH - (across - 1) * _GAP) // across - BESIDE
        height = {1: 320, 2: 280}.get(across, 220)
        plates = []
        for first, second in pairs:
            x = alt.X(f"{first.name}:Q", **self.axis(first))
            y = alt.Y(f"{second.name}:Q", **self.axis(second, upright=True))
            layers = []
            if len(self.sets["rest"]):
                layers.append(
                    self.chart("rest")
                    .mark_point(filled=True, opacity=0.28, size=KINDS[FAINT][2], strokeWidth=0)
                    .encode(x=x, y=y, color=self.colour())
                )
            layers.append(
                self.chart("shown")
                .mark_point(filled=True, stroke=PAPER, strokeWidth=0.8, cursor="pointer")
                .encode(
                    x=x,
                    y=y,
                    opacity=self.fades(1.0, 0.08),
                    tooltip=self.tooltips(),
                    **self.styles(),
                )
                .properties(name=self.chosen_in(brushed=True))
            )
            plates.append(Layers(layer=layers, width=width, height=height))
        return Grid(concat=plates, columns=across, spacing=_GAP)

    def profiles(self, *, linked: bool) -> alt.LayerChart:
        """Return the parallel axes: each score from its worst (below) to its best (above)."""
        x = alt.X(
            "axis:N",
            sort=list(self.labels.values()),
            title=None,
            scale=alt.Scale(type="point", padding=0.3),
            axis=alt.Axis(
                labelAngle=0,
                labelFontSize=12,
                labelPadding=24,
                # A line a word, so that a narrow page has room for all.
                labelExpr="split(datum.label, ' ')",
                labelOverlap=False,
                grid=True,
                gridColor=LINE,
                domain=False,
                ticks=False,
            ),
        )
        y = alt.Y("height:Q", title=None, axis=None, scale=alt.Scale(domain=[-0.02, 1.02]))
        base = self.chart("profiles").encode(x=x, y=y)
        layers = []
        for kind in reversed([k for k in self.kinds if k != FAINT]):
            notable = kind != ORDINARY
            strength = {"pick": 3.6, "nearest": 3.6, ORDINARY: 1.1}.get(kind, 2.2)
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
            .properties(name=self.chosen_in())
        )
        ends = self.chart("ends").encode(x=x, y=y, text="value:N")
        layers += [
            ends.transform_filter(alt.datum.height == height).mark_text(dy=dy, color=MUTED)
            for height, dy in ((1, -12), (0, 14))
        ]
        return Layers(
            layer=layers,
            width=PAGE_WIDTH - BESIDE,
            height=220,
            view=alt.ViewBackground(strokeOpacity=0),
            title=alt.Title(
                "Profiles",
                subtitle=[
                    "each score from the worst (below)",
                    f"to the best (above) of {self.whole}",
                ],
            ),
        )

    def strips(self, *, linked: bool) -> alt.ConcatChart:
        """Return which part values the candidates use, over how often the whole front does."""
        labels = self.report.part_labels
        report = self.report
        everyone = report.front if len(report.front) else report.shown
        across = 2 if len(labels) > 1 else 1
        width = (PAGE_WIDTH - (across - 1) * _GAP) // across - BESIDE
        upright: dict[str, Any] = {"title": None, "axis": None, "scale": alt.Scale(domain=[0, 1])}
        strips = []
        for part, label in labels.items():
            counts = everyone[part].value_counts().sort_index()
            bars = pd.DataFrame({"value": [part_value(part, v) for v in counts.index]})
            bars["share"] = counts.to_numpy() / max(int(counts.max()), 1)
            bars["text"] = [f"{n} of {len(everyone)}" for n in counts]
            name = f"used_{part}"
            self.sets[name] = bars
            order = list(dict.fromkeys(bars["value"]))
            scale = alt.Scale(domain=order, paddingInner=0.25)
            axis = alt.Axis(labelAngle=0, grid=False)

            def x(field: str, scale: alt.Scale = scale, axis: alt.Axis = axis) -> alt.X:
                return alt.X(f"{field}:N", sort=None, title=None, scale=scale, axis=axis)

            used = (
                self.chart(name)
                .mark_bar(color=LINE)
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
                .mark_point(filled=True, stroke=PAPER, strokeWidth=0.8, cursor="pointer")
                .encode(
                    x=x(f"text_{part}"),
                    y=alt.Y(f"height_{part}:Q", **upright),
                    opacity=self.fades(1.0, 0.08, linked=linked),
                    tooltip=self.tooltips(),
                    **self.styles(),
                )
                .properties(name=self.chosen_in())
            )
            strips.append(
                Layers(
                    layer=[used, points],
                    width=width,
                    height=92,
                    title=alt.Title(label, fontWeight="normal", fontSize=12, offset=4),
                )
            )
        return Grid(
            concat=strips,
            columns=across,
            spacing=alt.RowColnumber(row=14, column=_GAP),
            title=alt.Title(
                "Parts",
                subtitle=[
                    "marks: candidates of the table;",
                    f"grey: how often {self.whole} uses the value",
                ],
            ),
        )
