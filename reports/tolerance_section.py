"""The section on tolerance: yield of every design, bands, what matters most, worst corners."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import altair as alt
import numpy as np
import pandas as pd

from objectives.spreads import TRANSISTOR_QUANTITIES, VALVE_QUANTITIES, Spread
from objectives.tolerance import ResponseBand, SlowBands, Swing, ToleranceStudy, WorstCase
from reports.contents import Block, Figure, Note, Prose, Section, Table
from reports.format import (
    MINUS,
    SPACE,
    column,
    counted,
    field_label,
    fixed,
    number,
    prefixed,
    quantity,
    score_label,
    score_unit,
    sentence,
)
from reports.look import ACCENTS, INK, MUTED, PAGE_WIDTH, SI_TICKS, score_axis, score_scale

__all__ = [
    "band_chart",
    "quantity_label",
    "response_band_chart",
    "section",
    "sensitivity_chart",
    "slow_table",
    "worst_table",
    "yield_table",
]

_YIELD: Final = "tolerance_yield_percent"
_VALVE_LABELS: Final = {
    "valve_transconductance": "transconductance of the valve",
    "valve_amplification_factor": "amplification factor of the valve",
    "valve_capacitance": "capacitances of the valve",
    "valve_grid_cathode_F": "grid–cathode capacitance",
    "valve_grid_plate_F": "grid–plate capacitance",
    "valve_plate_cathode_F": "plate–cathode capacitance",
    "transistor_cutoff_voltage": "cut-off voltage of the transistor",
    "transistor_current_gain": "current gain of the transistor",
}
_SHOWN_PARTS: Final = 6
"""Quantities in each tornado; the rest of them matter less still."""
_SHOWN_SCORES: Final = 6
"""Scores in the charts of the pick; those with a window first."""
# A quantity that moves a score by less than this share of all swings together is left unnamed.
_WORTH_NAMING: Final = 0.03


def section(study: ToleranceStudy, front: Sequence[Block] = ()) -> Section:
    """Return the section on the tolerances of a front and of its pick.

    All numbers are the study's; nothing is worked out again here. ``front`` is what there is to
    say of the whole front, and follows the designs shown.
    """
    blocks: list[Block] = [Prose(_opening(study)), *_findings(study), yield_table(study), *front]
    if _chosen_scores(study):
        blocks.append(
            Figure(
                "tolerance-bands",
                band_chart(study),
                f"{sentence(_percentile_words(study, 'bar', 'tick'))} of built stages for every "
                "design; the point is the nominal value, dashed lines are the ends of the window, "
                "and the pick is blue.",
            )
        )
    blocks.append(
        Figure(
            "tolerance-response",
            response_band_chart(study.responses),
            "The pick: nominal levels over the source, and how far built stages depart from them: "
            f"{_percentile_words(study, 'area', 'dashed')} at each frequency. A band is taken "
            "frequency by frequency and is no curve of any one stage.",
        )
    )
    if study.swings:
        blocks += [
            Figure(
                "tolerance-parts",
                sensitivity_chart(study),
                "Left: what each part alone does to the score of the pick, from the low to the "
                "high end of its spread. Right: the share of the score's variance that it brings "
                "about, together with others (bar, with its 95 % interval) and alone (upright "
                "mark). Where bar and mark differ, the part acts through others.",
            ),
            worst_table(study),
        ]
    if study.slow is not None:
        blocks.append(slow_table(study.slow))
    if study.swings:
        missed = _inside_extremes(study)
        if missed:
            blocks.append(Note(missed, "caution"))
    if study.setup.spreads:
        blocks.append(_spread_table(study.setup.spreads))
    blocks.append(Note(_limits_of_it(study)))
    return Section("tolerance", "Tolerance", blocks)


def quantity_label(name: str) -> str:
    """Return the trade's name of a quantity that spreads."""
    return _VALVE_LABELS.get(name) or field_label(name)


# -- words -----------------------------------------------------------------------------------------


def _opening(study: ToleranceStudy) -> list[str]:
    setup = study.setup
    windows = "; ".join(
        f"{score_label(name)} {_window_words(name, window)}"
        for name, window in setup.windows.items()
    )
    asked = windows or "nothing but the ratings"
    left = ", ".join(score_label(name) for name in setup.unjudged)
    count = len(study.candidates)
    designs = f"Each of the {count} designs" if count > 1 else "The design"
    return [
        f"{designs} was built {counted(study.draws)} times from parts, valve and supply that stray "
        "as the table of spreads says: the same draws for every design (scrambled Sobol points, "
        f"seed {setup.seed}), solved by the same exact network as the nominal stage. Stages worked "
        f"out in all: {counted(study.evaluations)}, in {number(study.seconds, 2)} s.",
        f"A built stage is good when it keeps: {asked}"
        + ("; and exceeds no rating." if setup.ratings and windows else ".")
        + (f" Not judged, for each takes a solution in time: {left}." if left else ""),
    ]


def _window_words(name: str, window: tuple[float, float]) -> str:
    low, high = window
    unit = score_unit(name)
    if math.isinf(low) and math.isinf(high):
        return "of any value"
    if math.isinf(low):
        return f"at most {quantity(high, unit)}"
    if math.isinf(high):
        return f"at least {quantity(low, unit)}"
    return f"{quantity(low, unit)} to {quantity(high, unit)}"


def _findings(study: ToleranceStudy) -> list[Block]:
    pick, best = study.pick, int(np.argmax(study.good))
    text = (
        f"The pick, candidate {study.candidates[pick]}, has a yield of "
        f"{_percent(study.good[pick])} ({_interval(study, pick)})"
    )
    if study.good[best] > study.good[pick]:
        text += f"; candidate {study.candidates[best]} has the best, {_percent(study.good[best])}."
    else:
        text += "; no other design shown has more." if len(study.good) > 1 else "."
    hardest = study.hardest[pick]
    if hardest is not None:
        text += (
            f" What most of its built stages miss is {score_label(hardest.score)} "
            f"({_percent(hardest.kept)} keep it), and the {quantity_label(hardest.quantity)} is "
            f"most to blame: {_percent(max(hardest.share, 0.0))} of that score's variance alone."
        )
    blocks: list[Block] = [Note(text, "finding" if study.good[pick] >= 0.9 else "caution")]
    leaders = [
        index for index in study.indices if index.score == _YIELD and np.isfinite(index.total)
    ]
    if leaders and max(index.total for index in leaders) > 0:
        first, *rest = sorted(leaders, key=lambda index: -index.total)
        second = f", then the {quantity_label(rest[0].quantity)}" if rest else ""
        blocks.append(
            Note(
                f"Whether a built pick is good hangs most on the {quantity_label(first.quantity)} "
                f"(total index {number(first.total, 2)}){second}: a closer part buys most yield "
                "there.",
                "finding",
            )
        )
    return blocks


def _inside_extremes(study: ToleranceStudy) -> str:
    """Return a caution that names scores whose extreme lies inside the box; '' where none does."""
    names = []
    for case in study.worst:
        least, greatest = study.drawn[case.score]
        slack = 1e-6 * max(abs(case.least), abs(case.greatest), abs(least), abs(greatest))
        if least < case.least - slack or greatest > case.greatest + slack:
            names.append(score_label(case.score))
    if not names:
        return ""
    return (
        f"Some draws go beyond every corner tried for: {', '.join(names)}. There the extreme lies "
        "inside the box of tolerances or at a corner that was not tried, as for a distance from a "
        "target that the spread passes through; the band tells more than the corners."
    )


def _limits_of_it(study: ToleranceStudy) -> str:
    return (
        "What is not in it: drift with temperature and age, parts that stray together because they "
        "come from one batch, and selection of valves in the workshop. The interval of a yield is "
        "Wilson's at 95 %, as if draws were independent; Sobol points do better, so it is on the "
        "safe side. Indices: Sobol's first-order and total ones from a base sample of "
        f"{study.index_samples} (Saltelli et al., Computer Physics Communications 181, 2010, by "
        "SALib); the part to blame in the table of yields: RBD-FAST on the draws of the yield "
        "(Tarantola et al., Reliability Engineering and System Safety 91, 2006, by SALib). "
        "Ratings of a part's own value, such as the largest grid leak, are kept by the nominal "
        "part and not judged on draws."
    )


# -- tables ----------------------------------------------------------------------------------------


def yield_table(study: ToleranceStudy) -> Table:
    """Return yield and its causes, one row a design, in the order of the front."""
    columns: dict[str, list[str]] = {
        "candidate": list(study.candidates),
        "yield (%)": [fixed(100 * share, 1) for share in study.good],
        "95 % interval (%)": [_interval_numbers(study, at) for at in range(len(study.good))],
    }
    for name, kept in study.kept.items():
        columns[f"{score_label(name)} kept (%)"] = [fixed(100 * share, 1) for share in kept]
    if study.setup.ratings:
        columns["ratings kept (%)"] = [fixed(100 * share, 1) for share in study.ratings_kept]
    if study.kept:
        columns["hardest window"] = [
            "—" if hard is None else score_label(hard.score) for hard in study.hardest
        ]
        columns["part to blame"] = [
            "—"
            if hard is None
            else f"{quantity_label(hard.quantity)} ({_percent(max(hard.share, 0.0))})"
            for hard in study.hardest
        ]
    return Table(
        pd.DataFrame(columns),
        "Yield: share of built stages that keep every window and rating. In brackets: the share of "
        "that score's variance that the part brings about alone.",
        {study.pick: "pick"},
        linked=True,
    )


def worst_table(study: ToleranceStudy) -> Table:
    """Return the worst corners of the pick, one row a score."""
    rows = []
    cases = {case.score: case for case in study.worst}
    for case in (cases[name] for name in _windowed_first(study, list(cases))):
        unit = score_unit(case.score)
        low, _, high = (float(b[study.pick]) for b in study.bands[case.score])
        values = [
            case.least,
            low,
            float(study.nominal[case.score][study.pick]),
            high,
            case.greatest,
        ]
        rows.append(
            {
                "score": score_label(case.score, with_unit=not prefixed(unit)),
                **dict(
                    zip(
                        ("least", "5 %", "nominal", "95 %", "greatest"),
                        column(values, unit),
                        strict=True,
                    )
                ),
                "least where": _corner_words(case, study.swings, least=True),
                "greatest where": _corner_words(case, study.swings, least=False),
            }
        )
    case = study.worst[0]
    return Table(
        pd.DataFrame(rows),
        f"Worst corners of the pick: {case.corners} corners tried for each score, all combinations "
        f"of the {len(case.checked)} parts that move it most and the rest at the ends that their "
        "own swings ask for. Named: the parts that matter, the first most.",
    )


def slow_table(slow: SlowBands) -> Table:
    """Return the bands of the pick's scores under drive."""
    rows = []
    for name, (low, middle, high) in slow.bands.items():
        unit = score_unit(name)
        values = column([slow.nominal[name], low, middle, high], unit)
        label = score_label(name, with_unit=not prefixed(unit))
        rows.append(
            {"score": label} | dict(zip(("nominal", "5 %", "median", "95 %"), values, strict=True))
        )
    return Table(
        pd.DataFrame(rows),
        f"Scores under drive, of the pick: {counted(slow.draws)} built stages, each solved in time "
        "with a nominal driver.",
    )


def _corner_words(case: WorstCase, swings: Sequence[Swing], *, least: bool) -> str:
    at = case.least_at if least else case.greatest_at
    own = sorted((s for s in swings if s.score == case.score), key=lambda s: -s.size)
    together = sum(swing.size for swing in own)
    if not together > 0:
        return "anywhere"
    return ", ".join(
        f"{quantity_label(s.quantity)} {_signed(at[s.quantity])}"
        for s in own
        if s.size > _WORTH_NAMING * together
    )


def _spread_table(spreads: Sequence[Spread]) -> Table:
    frame = pd.DataFrame(
        {
            "quantity": [quantity_label(s.quantity) for s in spreads],
            "spread": [s.words() for s in spreads],
            "what it multiplies": [
                {**VALVE_QUANTITIES, **TRANSISTOR_QUANTITIES}.get(s.quantity, "the nominal value")
                for s in spreads
            ],
            "source": [s.source for s in spreads],
        }
    )
    return Table(
        frame,
        "What strays and how far. Normal: the ends are three sigma, cut off there; rounded: "
        "beta(2, 2); selected out: that normal without its inner half.",
    )


def _signed(deviation: float) -> str:
    sign = MINUS if deviation < 0 else "+"
    return f"{sign}{number(abs(100 * deviation), 3)}{SPACE}%"


def _percent(share: float) -> str:
    return f"{fixed(100 * float(share), 1)}{SPACE}%"


def _interval_numbers(study: ToleranceStudy, row: int) -> str:
    return f"{fixed(100 * study.good_low[row], 1)}–{fixed(100 * study.good_high[row], 1)}"


def _interval(study: ToleranceStudy, row: int) -> str:
    return f"95{SPACE}% interval {_interval_numbers(study, row)}{SPACE}%"


def _percentile_words(study: ToleranceStudy, band: str, middle: str) -> str:
    low, _, high = study.percentiles
    return f"percentiles {number(low)} to {number(high)} ({band}) and median ({middle})"


# -- charts ----------------------------------------------------------------------------------------


def _chosen_scores(study: ToleranceStudy) -> list[str]:
    """Return the scores to draw: those with a window first, none that does not move."""
    moving = []
    for name in study.scores:
        low, middle, high = study.bands[name]
        if np.any(high - low > 1e-9 * np.abs(middle)):
            moving.append(name)
    return _windowed_first(study, moving)[:_SHOWN_SCORES]


def _windowed_first(study: ToleranceStudy, names: Sequence[str]) -> list[str]:
    return sorted(names, key=lambda name: name not in study.setup.windows)


def band_chart(study: ToleranceStudy) -> alt.VConcatChart:
    """Return one panel a score: band, median and nominal value of every design, and the window."""
    names = _chosen_scores(study)
    panels = [_band_panel(study, name, last=name == names[-1]) for name in names]
    chart: alt.VConcatChart = alt.vconcat(
        *panels,
        spacing=10,
        description=(
            "Bands of built stages by design: "
            + "; ".join(
                f"{score_label(name)} of the pick "
                + " to ".join(
                    quantity(float(study.bands[name][at, study.pick]), score_unit(name))
                    for at in (0, -1)
                )
                for name in names
            )
            + "."
        ),
    )
    return chart


def _band_panel(study: ToleranceStudy, name: str, *, last: bool) -> alt.LayerChart:
    low, middle, high = study.bands[name]
    order = list(study.candidates)
    frame = pd.DataFrame(
        {
            "candidate": order,
            "low": low,
            "middle": middle,
            "high": high,
            "nominal": study.nominal[name],
            "which": ["the pick" if at == study.pick else "others" for at in range(len(order))],
        }
    )
    window = [end for end in study.setup.windows.get(name, ()) if math.isfinite(end)]
    everything = np.concatenate([low, high, study.nominal[name], window])
    scale = score_scale(everything)
    title = score_label(name, with_unit=True)

    def y(field: str) -> alt.Y:
        return alt.Y(f"{field}:Q", title=title, scale=scale, axis=score_axis(name))

    base = alt.Chart(frame).encode(
        x=alt.X(
            "candidate:N",
            sort=order,
            title="candidate" if last else None,
            axis=alt.Axis(labelAngle=0, labels=last, ticks=last),
        ),
        color=alt.Color(
            "which:N",
            title=None,
            scale=alt.Scale(
                domain=["the pick", "others"], range=[ACCENTS["blue"], ACCENTS["slate"]]
            ),
            legend=None,
        ),
    )
    layers: list[alt.Chart] = [
        base.mark_bar(size=9, opacity=0.55).encode(y=y("low"), y2="high:Q"),
        base.mark_tick(thickness=2, size=13, opacity=1).encode(y=y("middle")),
        base.mark_point(size=14, color=INK, opacity=1, shape="diamond").encode(
            y=y("nominal"), color=alt.value(INK)
        ),
    ]
    if window:
        ends = pd.DataFrame({"end": window})
        layers.append(
            alt.Chart(ends)
            .mark_rule(color=ACCENTS["orange"], strokeDash=[5, 3], strokeWidth=1.5)
            .encode(y=y("end"))
        )
    return alt.LayerChart(layer=layers, width=PAGE_WIDTH - 110, height=120)


def response_band_chart(responses: Sequence[ResponseBand]) -> alt.VConcatChart:
    """Return the nominal levels, and for each port how far built stages depart from them."""
    chart: alt.VConcatChart = alt.vconcat(
        _level_panel(responses),
        *(_departure_panel(band) for band in responses),
        spacing=14,
        description="Bands of the response of the pick; "
        + "; ".join(
            f"at the {band.port} the widest is "
            f"{number(float(np.max(band.high_dB - band.low_dB)), 3)} dB, at "
            + quantity(float(band.frequency_Hz[np.argmax(band.high_dB - band.low_dB)]), "Hz", 3)
            for band in responses
        )
        + ".",
    )
    return chart


_PORT_HUES: Final = {"grid": ACCENTS["blue"], "output": ACCENTS["plum"]}


def _frequency(*, titled: bool = True) -> alt.X:
    return alt.X(
        "frequency_Hz:Q",
        title="frequency (Hz)" if titled else None,
        scale=alt.Scale(type="log", nice=False),
        axis=alt.Axis(format=SI_TICKS, tickCount=9),
    )


def _level_panel(responses: Sequence[ResponseBand]) -> alt.Chart:
    frame = pd.concat(
        [
            pd.DataFrame(
                {"frequency_Hz": b.frequency_Hz, "level": b.nominal_dB, "port": f"at the {b.port}"}
            )
            for b in responses
        ],
        ignore_index=True,
    )
    ports = [band.port for band in responses]
    top = float(frame["level"].max())
    bottom = max(float(frame["level"].min()), top - 120.0)
    panel: alt.Chart = (
        alt.Chart(frame)
        .mark_line(clip=True)
        .encode(
            x=_frequency(titled=False),
            y=alt.Y(
                "level:Q",
                title="nominal level (dB)",
                scale=alt.Scale(domain=[10 * math.floor(bottom / 10), 10 * math.ceil(top / 10)]),
                axis=alt.Axis(tickCount=6),
            ),
            color=alt.Color(
                "port:N",
                title=None,
                scale=alt.Scale(
                    domain=[f"at the {port}" for port in ports],
                    range=[_PORT_HUES.get(port, INK) for port in ports],
                ),
            ),
        )
        .properties(width=PAGE_WIDTH - 110, height=150)
    )
    return panel


def _departure_panel(band: ResponseBand) -> alt.LayerChart:
    frame = pd.DataFrame(
        {
            "frequency_Hz": band.frequency_Hz,
            "low": band.low_dB - band.nominal_dB,
            "middle": band.middle_dB - band.nominal_dB,
            "high": band.high_dB - band.nominal_dB,
        }
    )
    hue = _PORT_HUES.get(band.port, INK)
    base = alt.Chart(frame).encode(x=_frequency())

    def y(field: str) -> alt.Y:
        return alt.Y(
            f"{field}:Q",
            title=f"{band.port}: built less nominal (dB)",
            scale=alt.Scale(zero=True, nice=True),
            axis=alt.Axis(tickCount=5),
        )

    return alt.LayerChart(
        layer=[
            base.mark_area(color=hue, opacity=0.3).encode(y=y("low"), y2="high:Q"),
            base.mark_line(color=hue, strokeDash=[6, 4]).encode(y=y("middle")),
            alt.Chart(pd.DataFrame({"nominal": [0.0]})).mark_rule(color=INK).encode(y=y("nominal")),
        ],
        width=PAGE_WIDTH - 110,
        height=140,
    )


def sensitivity_chart(study: ToleranceStudy) -> alt.VConcatChart:
    """Return, score by score, each part's own swing and its shares of the pick's variance."""
    names = _chosen_scores(study)
    rows, told = [], []
    for name in names:
        order = _by_importance(study, name)
        if order:
            rows.append(_sensitivity_row(study, name, order))
            told.append(f"{score_label(name)}: {quantity_label(order[0])}")
    chart: alt.VConcatChart = alt.vconcat(
        *rows,
        spacing=16,
        description=f"What moves each score of the pick most: {'; '.join(told)}.",
    )
    return chart


def _by_importance(study: ToleranceStudy, score: str) -> list[str]:
    total = {i.quantity: i.total for i in study.indices if i.score == score}
    size = {s.quantity: s.size for s in study.swings if s.score == score}
    moving = [q for q in size if size[q] > 0]
    ranked = sorted(moving, key=lambda q: (-np.nan_to_num(total.get(q, 0.0)), -size[q]))
    return ranked[:_SHOWN_PARTS]


def _sensitivity_row(study: ToleranceStudy, score: str, order: Sequence[str]) -> alt.HConcatChart:
    labels = [quantity_label(q) for q in order]
    own = {s.quantity: s for s in study.swings if s.score == score}
    ends = pd.DataFrame(
        [
            {"part": label, "end": end, "from": own[q].nominal, "value": value}
            for q, label in zip(order, labels, strict=True)
            for end, value in (("low end", own[q].at_low), ("high end", own[q].at_high))
        ]
    )
    height = 22 * len(order)
    y = alt.Y(
        "part:N",
        sort=labels,
        title=None,
        axis=alt.Axis(labelLimit=230, domain=False, ticks=False, labelOverlap=False),
    )
    scale = alt.Scale(zero=False, nice=True)
    title = score_label(score, with_unit=True)
    tornado = alt.LayerChart(
        layer=[
            alt.Chart(ends)
            .mark_bar(height=11)
            .encode(
                y=y,
                x=alt.X("from:Q", title=title, scale=scale, axis=score_axis(score)),
                x2="value:Q",
                color=alt.Color(
                    "end:N",
                    title="part at its",
                    scale=alt.Scale(
                        domain=["low end", "high end"], range=[ACCENTS["teal"], ACCENTS["orange"]]
                    ),
                ),
            ),
            alt.Chart(pd.DataFrame({"nominal": [own[order[0]].nominal]}))
            .mark_rule(color=INK)
            .encode(x=alt.X("nominal:Q", title=title, scale=scale)),
        ],
        width=(PAGE_WIDTH - 330) // 2,
        height=height,
    )
    index = {i.quantity: i for i in study.indices if i.score == score}
    shares = pd.DataFrame(
        [
            {
                "part": label,
                "total": index[q].total,
                "first": index[q].first,
                "low": max(index[q].total - index[q].total_margin, 0.0),
                "high": index[q].total + index[q].total_margin,
            }
            for q, label in zip(order, labels, strict=True)
            if q in index
        ],
        columns=["part", "total", "first", "low", "high"],
    )
    bare = alt.Y("part:N", sort=labels, title=None, axis=None)
    scale = alt.Scale(domain=[0, 1], clamp=True)

    def x(field: str) -> alt.X:
        return alt.X(
            f"{field}:Q",
            scale=scale,
            title="share of the variance",
            axis=alt.Axis(values=[0, 0.2, 0.4, 0.6, 0.8, 1], format="%"),
        )

    bars = alt.Chart(shares)
    variance = alt.LayerChart(
        layer=[
            bars.mark_bar(height=11, color=ACCENTS["blue"], opacity=0.6).encode(
                y=bare, x=x("total")
            ),
            bars.mark_rule(color=MUTED).encode(y=bare, x=x("low"), x2="high:Q"),
            bars.mark_tick(color=INK, thickness=2.5, size=15, opacity=1).encode(
                y=bare, x=x("first")
            ),
        ],
        width=(PAGE_WIDTH - 330) // 2,
        height=height,
    )
    row: alt.HConcatChart = alt.hconcat(
        tornado, variance, spacing=18, title=sentence(score_label(score))
    )
    return row
