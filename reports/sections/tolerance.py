"""The section on tolerance: yield of every design, bands, what matters most, worst corners."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pandas as pd

from objectives.format import (
    SPACE,
    column,
    counted,
    fixed,
    number,
    prefixed,
    quantity,
    score_label,
    score_unit,
    sentence,
)
from objectives.tolerance.results import SlowBands, ToleranceStudy
from objectives.tolerance.setup import YIELD
from objectives.tolerance.spreads import TRANSISTOR_QUANTITIES, VALVE_QUANTITIES, Spread
from objectives.tolerance.worst_case import Swing, WorstCase
from reports.charts.response_band import response_band_chart
from reports.charts.sensitivity import _WORTH_NAMING, sensitivity_chart
from reports.charts.tolerance_bands import (
    _chosen_scores,
    _percent,
    _percentile_words,
    _signed,
    _windowed_first,
    band_chart,
    quantity_label,
)
from reports.model import Block, Figure, Note, Prose, Section, Table

__all__ = ["slow_table", "tolerance_section", "worst_table", "yield_table"]


def tolerance_section(study: ToleranceStudy, front: Sequence[Block] = ()) -> Section:
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
        index for index in study.indices if index.score == YIELD and np.isfinite(index.total)
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
        least, greatest = study.extremes[case.score]
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


def _interval_numbers(study: ToleranceStudy, row: int) -> str:
    return f"{fixed(100 * study.good_low[row], 1)}–{fixed(100 * study.good_high[row], 1)}"


def _interval(study: ToleranceStudy, row: int) -> str:
    return f"95{SPACE}% interval {_interval_numbers(study, row)}{SPACE}%"
