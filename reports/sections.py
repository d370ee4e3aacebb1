"""The sections of a report, in the order in which a designer asks."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np
import pandas as pd

from objectives.scores import Assessment
from objectives.textbook import textbook_estimate
from reports.calculation import operating_point_steps, simplification_frame, textbook_steps
from reports.charts import (
    load_line_chart,
    load_lines,
    noise_chart,
    noise_shares,
    radio_budget,
    radio_chart,
    response_chart,
    trace_chart,
)
from reports.contents import Block, Figure, Note, Prose, ReportContents, Section, Table
from reports.format import (
    column,
    number,
    part_value,
    plain_words,
    quantity,
    score_label,
    score_unit,
)
from reports.front_chart import front_chart, mark_words

__all__ = ["CAUTIONS", "build_sections", "front_table"]

CAUTIONS: Final = (
    "A valve stage works at voltages that kill. Nobody should open, build or probe one who is not "
    "trained to work on live high voltage, or supervised by someone who is.",
    "Capacitors keep their charge after the equipment is switched off and unplugged. Discharge "
    "them through a resistor made for it, then measure that the voltage is gone before touching "
    "anything, every time.",
    "Where something must be measured live: one hand only, insulated probes clipped on with the "
    "power off, no jewellery, never alone.",
    "Mains isolation, protective earth, fusing, clearances and insulation are not part of this "
    "calculation. The electrical code of the place and, where it asks for one, a licensed "
    "person decide what may be built and used.",
    "Resistors and capacitors must stand the voltage as well as the power, at switch-on too: "
    "before the cathode is warm the whole supply stands across coupling and decoupling capacitors.",
    "All numbers here are calculated from nominal data. Measure the built stage before relying "
    "on any of them.",
)
"""Said in every report, before anything else."""


def build_sections(contents: ReportContents) -> list[Section]:
    """Return every section of the report in reading order."""
    estimate = textbook_estimate(
        contents.pick.stage, contents.pick.linear, contents.pick.targets.reference_Hz
    )
    pick = contents.pick
    sections = [
        _cautions(contents),
        *([] if contents.feasible else [_blocked(contents)]),
        _job(contents),
        _pick(contents),
        _front(contents),
        _build(contents),
        Section(
            "point",
            "Operating point and load lines",
            [
                _load_line_figure(pick),
                operating_point_steps(pick),
            ],
        ),
        Section(
            "responses",
            "Responses",
            [
                Figure(
                    "responses",
                    response_chart(pick, estimate),
                    "Level at the grid and at the output, each relative to its own level at "
                    f"{quantity(pick.targets.reference_Hz, 'Hz')}.",
                )
            ],
        ),
        Section(
            "textbook",
            "Textbook estimate against the exact answer",
            [
                textbook_steps(pick, estimate),
                Table(
                    _simplifications(pick, estimate),
                    "What each simplification alone does to the input corner.",
                ),
            ],
        ),
        _noise(pick),
        *([_radio(pick)] if pick.targets.radio_bands else []),
        _limits(contents),
        *_valve(pick),
        _method(contents),
        *contents.extra_sections,
        Section("assumptions", "Assumptions", [Prose([*contents.assumptions])]),
        Section("sources", "Sources", [Prose([*contents.sources])]),
    ]
    return [section for section in sections if section.blocks]


def _cautions(contents: ReportContents) -> Section:
    known = list(CAUTIONS)
    return Section(
        "cautions",
        "Before you build anything",
        [
            Note(text, "caution")
            for text in (*known, *(c for c in contents.cautions if c not in known))
        ],
    )


def _blocked(contents: ReportContents) -> Section:
    return Section(
        "blocked",
        "No candidate keeps every limit",
        [
            Note(
                "Nothing in the design space keeps every limit of the brief. What follows are "
                "the nearest candidates, and each of them breaks at least one limit.",
                "finding",
            ),
            Prose([*contents.blocking]),
        ],
    )


def _job(contents: ReportContents) -> Section:
    rows = [
        {
            "score": score_label(use.name, with_unit=True),
            "use": use.use,
            "meaning": use.meaning,
            "source": use.source,
        }
        for use in contents.uses
    ]
    blocks: list[Block] = [Prose([contents.scenario, *contents.job])]
    if rows:
        blocks.append(Table(pd.DataFrame(rows), "What is scored and how the brief uses it."))
    if contents.constants:
        frame = pd.DataFrame(
            {
                "score": [score_label(name) for name in contents.constants],
                "value": [quantity(v, score_unit(n)) for n, v in contents.constants.items()],
            }
        )
        blocks.append(Table(frame, "The same for every candidate."))
    return Section("job", "The job", blocks)


def _pick(contents: ReportContents) -> Section:
    title = "The pick and why" if contents.feasible else "The nearest candidate"
    row = contents.readable.iloc[0]
    values = [
        {
            "score": score_label(use.name),
            "value": quantity(float(row[use.name]), use.unit),
            "use": use.use,
        }
        for use in contents.uses
        if use.name in contents.readable.columns
    ]
    parts = "; ".join(
        f"{label} {part_value(part, float(row[part]))}"
        for part, label in contents.part_labels.items()
    )
    return Section(
        "pick",
        title,
        [
            Note(f"Candidate {row['candidate']}: {parts}.", "finding"),
            Prose([*contents.pick_reasons]),
            Table(pd.DataFrame(values), "Its scores."),
        ],
    )


def front_table(contents: ReportContents) -> Table:
    """Return the readable set as a table for people: parts, scores, marks, ids tied to charts."""
    readable = contents.readable
    columns: dict[str, Sequence[object]] = {"candidate": readable["candidate"].tolist()}
    marks = readable["marks"].tolist() if "marks" in readable.columns else [""] * len(readable)
    columns["mark"] = [mark_words(mark) for mark in marks]
    for part, label in contents.part_labels.items():
        columns[label] = [part_value(part, float(v)) for v in readable[part]]
    for use in contents.uses:
        if use.name in readable.columns:
            prefixed = quantity(1.0, use.unit) != f"1\u00a0{use.unit}" or use.unit in ("Hz", "A")
            heading = score_label(use.name, with_unit=not prefixed)
            columns[heading] = column(readable[use.name], use.unit)
    marked = {at: mark_words(m) for at, m in enumerate(marks) if isinstance(m, str) and m}
    caption = f"{len(readable)} of {len(contents.front)} candidates on the front, the pick first."
    if not contents.feasible:
        caption = f"The {len(readable)} nearest candidates; none keeps every limit."
    return Table(pd.DataFrame(columns), caption, marked, linked=True)


def _front(contents: ReportContents) -> Section:
    return Section(
        "front",
        "The front" if contents.feasible else "The nearest candidates",
        [
            Figure("front", front_chart(contents), "Linked charts."),
            front_table(contents),
        ],
    )


def _build(contents: ReportContents) -> Section:
    frame = pd.DataFrame(
        [
            {
                "part": line.label,
                "value": line.value,
                "IEC 60062": line.marking or "—",
                "chosen": line.chosen,
                "must stand": line.stress or "—",
            }
            for line in contents.parts
        ]
    )
    blocks: list[Block] = []
    if len(frame):
        blocks.append(Table(frame, "Parts of the pick."))
    return Section("parts", "Circuit and parts list", blocks)


def _load_line_figure(pick: Assessment) -> Figure:
    lines = load_lines(pick)
    caption = (
        f"Plate curves of the {pick.device.name}. The AC load line has the slope of "
        f"{quantity(lines.alternating_ohm, 'ohm', 3)} at "
        f"{quantity(pick.targets.reference_Hz, 'Hz')}."
    )
    return Figure("load_lines", load_line_chart(pick), caption)


def _simplifications(pick: Assessment, estimate: object) -> pd.DataFrame:
    frame = simplification_frame(pick, estimate)  # type: ignore[arg-type]
    return pd.DataFrame(
        {
            "simplification": frame["simplification"],
            "what is left out": frame["meaning"],
            "input corner": [quantity(f, "Hz") for f in frame["corner_Hz"]],
            "error (%)": [number(e, 3) for e in frame["error_percent"]],
        }
    )


def _noise(pick: Assessment) -> Section:
    shares = noise_shares(pick)
    low, high = pick.targets.noise_band_Hz
    total = float(np.ravel(pick.noise.total_dBu)[0])
    return Section(
        "noise",
        "Noise budget",
        [
            Prose(
                [
                    f"A-weighted noise referred to the source: {quantity(total, 'dBu')} from "
                    f"{quantity(low, 'Hz')} to {quantity(high, 'Hz')} at "
                    f"{quantity(pick.targets.temperature_K, 'K')}. The largest share, "
                    f"{number(100 * float(shares['share'].iloc[0]), 3)} %, comes from the "
                    f"{shares['label'].iloc[0]}."
                ]
            ),
            Figure("noise", noise_chart(pick), "Shares of the A-weighted noise power."),
        ],
    )


def _radio(pick: Assessment) -> Section:
    budget = radio_budget(pick)
    frame = pd.DataFrame(
        {
            "band": budget["band"],
            "from": [quantity(f, "Hz") for f in budget["low_Hz"]],
            "to": [quantity(f, "Hz") for f in budget["high_Hz"]],
            "required (dB)": [number(v, 3) for v in budget["required_dB"]],
            "given (dB)": [number(v, 3) for v in budget["given_dB"]],
            "margin (dB)": [number(v, 3) for v in budget["margin_dB"]],
            "without stopper (dB)": [number(v, 3) for v in budget["without_stopper_dB"]],
            "ideal stopper (dB)": [number(v, 3) for v in budget["ideal_stopper_dB"]],
            "no shunts (dB)": [number(v, 3) for v in budget["without_shunts_dB"]],
        }
    )
    return Section(
        "radio",
        "Radio-frequency budget",
        [
            Figure("radio", radio_chart(pick), "Least attenuation at the grid in each band."),
            Table(frame, "Attenuation."),
        ],
    )


def _limits(contents: ReportContents) -> Section:
    if not len(contents.limits):
        return Section("limits", "Limits and room left", [])
    return Section("limits", "Limits and room left", [Table(contents.limits)])


def _valve(pick: Assessment) -> list[Section]:
    device = pick.device
    fit = getattr(device, "fit", None)
    blocks: list[Block] = []
    if fit is not None and getattr(fit, "points", ()):
        rows = [
            {
                "quantity": plain_words(point.quantity),
                "conditions": _conditions(point.conditions),
                "published": quantity(point.published, "ohm"),
                "law": quantity(point.law, "ohm"),
                "residual (%)": number(point.residual_percent, 2),
                "used": point.used,
            }
            for point in fit.points
        ]
        blocks.append(Table(pd.DataFrame(rows), "Residuals."))
    return [Section("valve", f"The valve: {device.name}", blocks)]


def _conditions(conditions: Mapping[str, float]) -> str:
    return ", ".join(f"{plain_words(n)} {part_value(n, v)}" for n, v in conditions.items())


def _method(contents: ReportContents) -> Section:
    blocks: list[Block] = [Prose([*contents.method])]
    if contents.search_trace is not None and len(contents.search_trace):
        blocks.append(Figure("search", trace_chart(contents.search_trace), "The search."))
    return Section("method", "How the front was found", blocks)
