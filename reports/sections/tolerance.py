"""The section on tolerance: yield of every design, bands, what matters most, worst corners."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from objectives.arrays import IntArray
from objectives.devices.terms import VALVE, Terms
from objectives.format import (
    MINUS,
    SPACE,
    allowed_words,
    column,
    counted,
    fixed,
    number,
    percent,
    prefixed,
    score_label,
    score_unit,
    sentence,
)
from objectives.tolerance.results import SlowBands, ToleranceStudy
from objectives.tolerance.setup import YIELD
from objectives.tolerance.spreads import DEVICE_QUANTITIES, Spread
from objectives.tolerance.worst_case import Swing, WorstCase
from reports.charts.response_band import response_band_chart, response_band_title
from reports.charts.sensitivity import WORTH_NAMING, sensitivity_chart, sensitivity_title
from reports.charts.tolerance_bands import (
    band_chart,
    band_title,
    quantity_label,
    scores_drawn,
    windowed_first,
)
from reports.layout import Block, Figure, Note, Prose, Section, Table
from reports.model import ReportData
from reports.sections.yields import yield_blocks


def tolerance_section(data: ReportData) -> Section | None:
    """Return the section on tolerances; None where none were studied."""
    studies = data.studies
    if studies is None or studies.tolerance is None:
        return None
    front: list[Block] = []
    if studies.yields is not None and data.decision is not None:
        front = yield_blocks(
            studies.yields,
            data.front,
            data.decision.shortfall,
            pick=data.front["candidate"].tolist().index(data.shown["candidate"].iloc[0]),
            free=[use.name for use in data.uses if use.free],
            parts=list(data.origins),
            terms=data.terms,
        )
    study, terms = studies.tolerance, data.terms
    return Section(
        "tolerance",
        "Tolerance",
        tolerance_blocks(study, terms),
        [*front, *tolerance_details(study, terms)],
    )


def tolerance_blocks(study: ToleranceStudy, terms: Terms = VALVE) -> list[Block]:
    """Return what the tolerances do to the pick: all numbers are the study's."""
    return [
        Prose(_opening(study, terms)),
        *_findings(study, terms),
        Figure(
            "tolerance-response",
            response_band_chart(study.responses, terms),
            f"How far {counted(study.responses[0].draws)} built stages of the pick deviate from "
            f"its nominal level: {_percentile_words(study, 'area', 'dashed')} at each frequency. A "
            "band is taken frequency by frequency; no single stage follows it.",
            response_band_title(study.responses, terms),
        ),
    ]


def tolerance_details(study: ToleranceStudy, terms: Terms = VALVE) -> list[Block]:
    """Return the rest: the designs shown, what moves each score, what varies and how far."""
    blocks: list[Block] = [yield_table(study, terms)]
    if scores_drawn(study):
        blocks.append(
            Figure(
                "tolerance-bands",
                band_chart(study, terms),
                f"{sentence(_percentile_words(study, 'bar', 'tick'))} of built stages for every "
                "design. The point is the nominal value, dashed lines are the ends of the window, "
                "and the pick is set off.",
                band_title(study, terms),
            )
        )
    if study.swings:
        blocks.append(
            Figure(
                "tolerance-parts",
                sensitivity_chart(study, terms),
                "Left: what each part alone does to the score of the pick, from the low to the "
                "high end of its spread. Right: the share of the score's variance that it "
                "causes, together with others (bar, with its 95 % interval) and alone (vertical "
                "mark). Where bar and mark differ, the part acts through others.",
                sensitivity_title(study, terms),
            )
        )
        blocks.append(worst_table(study, terms))
    if study.slow is not None:
        blocks.append(slow_table(study.slow, terms))
    beyond = _inside_extremes(study, terms)
    if study.swings and beyond:
        blocks.append(Note(beyond, "caution"))
    if study.setup.spreads:
        blocks.append(_spread_table(study.setup.spreads, terms))
    return [*blocks, Note(_left_out(study, terms))]


def _percentile_words(study: ToleranceStudy, band: str, middle: str) -> str:
    low, _, high = study.percentiles
    return f"percentiles {number(low)} to {number(high)} ({band}) and median ({middle})"


def _opening(study: ToleranceStudy, terms: Terms) -> list[str]:
    setup = study.setup
    windows = "; ".join(
        f"{score_label(name, terms)} {allowed_words(low, high, score_unit(name))}"
        for name, (low, high) in setup.windows.items()
    )
    left = ", ".join(score_label(name, terms) for name in setup.unjudged)
    count = len(study.candidates)
    designs = f"Each of the {count} designs" if count > 1 else "The design"
    return [
        f"{designs} was built {counted(study.draws)} times. Parts, {terms.kind} and supply vary as "
        "the table of spreads states, in the same draws for every design (scrambled Sobol points, "
        f"seed {setup.seed}). {_solved(study)} {counted(study.evaluations)} stages were solved in "
        "all.",
        f"A built stage is good when it keeps: {windows or 'nothing but the ratings'}"
        + ("; and exceeds no rating." if setup.ratings and windows else ".")
        + (f" Not judged, since each needs a time-domain solution: {left}." if left else ""),
    ]


def _findings(study: ToleranceStudy, terms: Terms) -> list[Block]:
    pick, best = study.pick, int(np.argmax(study.good))
    text = (
        f"The pick, candidate {study.candidates[pick]}, has a yield of "
        f"{percent(study.good[pick], 1)} ({_interval(study, pick)})"
    )
    if study.good[best] > study.good[pick]:
        text += (
            f"; candidate {study.candidates[best]} has the best, {percent(study.good[best], 1)}."
        )
    else:
        text += "; no other design shown has more." if len(study.good) > 1 else "."
    hardest = study.hardest[pick]
    if hardest is not None:
        text += (
            f" The limit that most of its built stages miss is {score_label(hardest.score, terms)} "
            f"({percent(hardest.kept, 1)} keep it). The main contributor is the "
            f"{quantity_label(hardest.quantity, terms)}: alone it causes "
            f"{percent(max(hardest.share, 0.0), 1)} of that score's variance."
        )
    blocks: list[Block] = [Note(text, "finding" if study.good[pick] >= 0.9 else "caution")]
    leaders = [
        index for index in study.indices if index.score == YIELD and np.isfinite(index.total)
    ]
    if leaders and max(index.total for index in leaders) > 0:
        first, *rest = sorted(leaders, key=lambda index: -index.total)
        second = f", then on the {quantity_label(rest[0].quantity, terms)}" if rest else ""
        blocks.append(
            Note(
                "Whether a built pick is good depends most on the "
                f"{quantity_label(first.quantity, terms)} (total index {number(first.total, 2)})"
                f"{second}: a closer tolerance raises the yield most there.",
                "finding",
            )
        )
    return blocks


def _inside_extremes(study: ToleranceStudy, terms: Terms) -> str:
    """Return a caution that names scores whose extreme lies inside the box; '' where none does."""
    names = []
    for case in study.worst:
        least, greatest = study.extremes[case.score]
        slack = 1e-6 * max(abs(case.least), abs(case.greatest), abs(least), abs(greatest))
        if least < case.least - slack or greatest > case.greatest + slack:
            names.append(score_label(case.score, terms))
    if not names:
        return ""
    return (
        f"Some draws go beyond every corner tried for: {', '.join(names)}. The extreme then lies "
        "inside the box of tolerances (as for a distance from a target within the spread) or at a "
        "corner that was not tried; the band tells more than the corners."
    )


def _left_out(study: ToleranceStudy, terms: Terms) -> str:
    return (
        "Left out: drift with temperature and age, parts that deviate together because they come "
        f"from one batch, and selection of {terms.kind}s in the workshop. The interval of a yield "
        "is Wilson's at 95 %, as if draws were independent; Sobol points do better, so it is on "
        "the safe side. Indices: Sobol's first-order and total ones from a base sample of "
        f"{counted(study.index_samples)} (Saltelli et al., Computer Physics Communications 181, "
        "2010, by SALib). Main contributors in the table of yields: RBD-FAST on the draws of the "
        "yield (Tarantola et al., Reliability Engineering and System Safety 91, 2006, by SALib). "
        f"Ratings of a part's own value, such as the largest {terms.grid_leak}, are judged on the "
        "nominal part and not on draws."
    )


def yield_table(study: ToleranceStudy, terms: Terms = VALVE) -> Table:
    """Return yield and its causes, one row a design, in the order of the front."""
    columns: dict[str, list[str]] = {
        "candidate": list(study.candidates),
        "yield (%)": [fixed(100 * share, 1) for share in study.good],
        "95 % interval (%)": [_interval_numbers(study, at) for at in range(len(study.good))],
    }
    for name, kept in study.kept.items():
        columns[f"{score_label(name, terms)} kept (%)"] = [fixed(100 * share, 1) for share in kept]
    if study.setup.ratings:
        columns["ratings kept (%)"] = [fixed(100 * share, 1) for share in study.ratings_kept]
    if study.kept:
        columns["limit missed most"] = [
            "—" if hard is None else score_label(hard.score, terms) for hard in study.hardest
        ]
        columns["main contributor"] = [
            "—"
            if hard is None
            else f"{quantity_label(hard.quantity, terms)} ({percent(max(hard.share, 0.0), 1)})"
            for hard in study.hardest
        ]
    return Table(
        pd.DataFrame(columns),
        "Yield: share of built stages that keep every window and rating. In brackets: the share of "
        "that score's variance that the part alone causes.",
        {study.pick: "pick"},
    )


def worst_table(study: ToleranceStudy, terms: Terms = VALVE) -> Table:
    """Return the worst corners of the pick, one row a score."""
    rows = []
    cases = {case.score: case for case in study.worst}
    for case in (cases[name] for name in windowed_first(study, list(cases))):
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
                "score": score_label(case.score, terms, with_unit=not prefixed(unit)),
                **dict(
                    zip(
                        ("least", "5 %", "nominal", "95 %", "greatest"),
                        column(values, unit),
                        strict=True,
                    )
                ),
                "least where": _corner(case, study.swings, terms, least=True),
                "greatest where": _corner(case, study.swings, terms, least=False),
            }
        )
    case = study.worst[0]
    return Table(
        pd.DataFrame(rows),
        f"Worst corners of the pick: {counted(case.corners)} corners tried for each score, all "
        f"combinations of the {len(case.checked)} parts that move it most, the rest at the ends "
        "that their own swings point to. Named are the parts that matter, the first most.",
    )


def _solved(study: ToleranceStudy) -> str:
    """Return how many of the built stages were solved, and where the others come from."""
    exact = "solved by the same exact network as the nominal one"
    read = study.solved < study.draws
    if not read.any():
        return f"Each stage is {exact}."
    whole = int(np.count_nonzero(~read)) - 1
    also = f", and of {counted(whole)} that no response surface follows" if whole else ""
    return (
        f"Each stage of the pick{also} is {exact}. Of the other designs "
        f"{_ends(study.solved[read])} are, and a response surface that was checked against solved "
        "ones gives the rest."
    )


def _ends(counts: IntArray) -> str:
    """Return the least and the greatest of some counts, which may be one."""
    ends = dict.fromkeys((int(counts.min()), int(counts.max())))
    return " to ".join(counted(count) for count in ends)


def slow_table(slow: SlowBands, terms: Terms = VALVE) -> Table:
    """Return the bands of the pick's scores under drive."""
    rows = []
    for name, (low, middle, high) in slow.bands.items():
        unit = score_unit(name)
        values = column([slow.nominal[name], low, middle, high], unit)
        label = score_label(name, terms, with_unit=not prefixed(unit))
        rows.append(
            {"score": label} | dict(zip(("nominal", "5 %", "median", "95 %"), values, strict=True))
        )
    return Table(
        pd.DataFrame(rows),
        f"Scores under drive, of the pick: {counted(slow.draws)} built stages with a nominal "
        f"driver. {_under_drive(slow)}",
    )


def _under_drive(slow: SlowBands) -> str:
    if slow.solved == slow.draws:
        return "Each was solved under its drive."
    return (
        f"{counted(slow.solved)} were solved under their drive; a response surface that was "
        "checked against some of them gives the rest."
    )


def _corner(case: WorstCase, swings: Sequence[Swing], terms: Terms, *, least: bool) -> str:
    at = case.least_at if least else case.greatest_at
    own = sorted((s for s in swings if s.score == case.score), key=lambda s: -s.size)
    together = sum(swing.size for swing in own)
    if not together > 0:
        return "anywhere"
    return ", ".join(
        f"{quantity_label(s.quantity, terms)} {_signed(at[s.quantity])}"
        for s in own
        if s.size > WORTH_NAMING * together
    )


def _signed(deviation: float) -> str:
    sign = MINUS if deviation < 0 else "+"
    return f"{sign}{number(abs(100 * deviation), 3)}{SPACE}%"


def _spread_table(spreads: Sequence[Spread], terms: Terms) -> Table:
    frame = pd.DataFrame(
        {
            "quantity": [quantity_label(s.quantity, terms) for s in spreads],
            "spread": [s.words() for s in spreads],
            "what it multiplies": [
                terms.write(DEVICE_QUANTITIES.get(s.quantity, "the nominal value")) for s in spreads
            ],
            "source": [s.source for s in spreads],
        }
    )
    return Table(
        frame,
        "What varies and how far. Normal: the ends are three sigma, cut off there; rounded: "
        "beta(2, 2); selected out: that normal without its inner half.",
    )


def _interval_numbers(study: ToleranceStudy, row: int) -> str:
    return f"{fixed(100 * study.good_low[row], 1)}–{fixed(100 * study.good_high[row], 1)}"


def _interval(study: ToleranceStudy, row: int) -> str:
    return f"95{SPACE}% interval {_interval_numbers(study, row)}{SPACE}%"
