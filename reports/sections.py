"""The sections of a report, in the order in which a designer asks."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import fields, is_dataclass, replace
from itertools import combinations
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy import stats

from objectives.corners import HIGHEST_HZ
from objectives.device import Device
from objectives.scores import Assessment
from objectives.spreads import TRANSISTOR_QUANTITIES, published_spreads
from objectives.terms import AsIs
from objectives.textbook import TextbookEstimate, textbook_estimate
from objectives.transistors import BipolarTransistor, JunctionFet, Transistor
from objectives.valves import Valve
from reports.calculation import operating_point_steps, simplification_frame, textbook_steps
from reports.charts import (
    load_line_chart,
    load_lines,
    noise_chart,
    noise_shares,
    radio_budget,
    radio_chart,
    response_chart,
    responses,
    share_text,
    trace_chart,
)
from reports.contents import Block, Figure, Note, Prose, ReportContents, Section, Table
from reports.format import (
    column,
    field_label,
    first,
    fixed,
    number,
    part_value,
    plain_words,
    prefixed,
    quantity,
    score_label,
    score_unit,
    sentence,
)
from reports.front_chart import front_chart, losses_of, mark_words, spanning_scores
from reports.schematic import schematic
from reports.valve_charts import plate_curves_chart, residual_chart

__all__ = ["CAUTIONS", "build_sections", "front_table", "trade_offs"]

CAUTIONS: Final = (
    "Valve stages work at voltages that kill. Only people who are trained to work on live high "
    "voltage, or are supervised by someone who is, should build, open or probe one.",
    "Capacitors keep their charge after the equipment is switched off and unplugged. Discharge "
    "them through a resistor made for it, then measure that the voltage is gone, every time "
    "before touching anything.",
    "What must be measured live: one hand only, insulated probes clipped on with the power off, "
    "no jewellery, never alone.",
    "Isolation from the mains, protective earth, fuses, clearances and insulation are no part of "
    "this calculation. The electrical code of the place, and a licensed practitioner where it "
    "asks for one, decide what may be built and used.",
    "Parts must stand the voltage as well as the power, at switch-on too: before the cathode is "
    "warm the whole supply stands across coupling and decoupling capacitors.",
    "All figures are calculated from nominal data. Measure the built stage before relying on them.",
)
"""Said before anything else when the contents bring no cautions of their own."""


def build_sections(contents: ReportContents) -> list[Section]:
    """Return every section of the report in reading order; empty ones are left out."""
    pick = contents.pick
    estimate = textbook_estimate(pick.loaded, pick.linear, pick.targets.reference_Hz)
    sections = [
        Section(
            "cautions",
            "Before you build anything",
            [Note(text, "caution") for text in (contents.cautions or CAUTIONS)],
        ),
        _blocked(contents),
        _job(contents),
        _pick(contents),
        _front(contents),
        _parts(contents),
        _point(pick),
        _responses(pick, estimate),
        _textbook(pick, estimate),
        _noise(pick),
        _radio(pick),
        _limits(contents),
        _valve(pick, contents.neighbours),
        _method(contents),
        *contents.extra_sections,
        Section("assumptions", "Assumptions", [_listed(contents.assumptions)]),
        Section("sources", "Sources", [_listed(contents.sources)]),
    ]
    return [section for section in sections if any(_holds(block) for block in section.blocks)]


def _holds(block: Block) -> bool:
    return bool(block.paragraphs) if isinstance(block, Prose) else True


def _listed(items: Sequence[str]) -> Prose:
    return Prose(list(items), listed=True)


# -- what was asked, and the answer ----------------------------------------------------------------


def _blocked(contents: ReportContents) -> Section:
    blocks: list[Block] = []
    if not contents.feasible:
        blocks = [
            Note(
                "Nothing in the design space keeps every limit of the brief. What follows are the "
                "nearest candidates; each of them breaks at least one limit, and none should be "
                "built as it stands.",
                "finding",
            ),
            _listed(contents.blocking),
        ]
    return Section("blocked", "No candidate keeps every limit", blocks)


def _job(contents: ReportContents) -> Section:
    blocks: list[Block] = [Prose([t for t in (contents.scenario,) if t]), _listed(contents.job)]
    if contents.uses:
        frame = pd.DataFrame(
            [(score_label(u.name), u.use, u.meaning, u.source) for u in contents.uses],
            columns=["score", "the brief asks", "what it is", "source"],
        )
        blocks.append(Table(frame, "What is scored, and how the brief uses it."))
    if contents.constants:
        same = [
            f"{score_label(name)} {quantity(value, score_unit(name))}"
            for name, value in contents.constants.items()
        ]
        blocks.append(Prose([f"The same for every candidate: {', '.join(same)}."]))
    return Section("job", "The job", blocks)


def _pick(contents: ReportContents) -> Section:
    if not len(contents.readable):
        return Section("pick", "The pick and why", [])
    row = contents.readable.iloc[0]
    parts = [
        f"{label} {part_value(part, float(row[part]))}"
        for part, label in contents.part_labels.items()
    ]
    kind = "The pick is candidate" if contents.feasible else "Nearest is candidate"
    frame = pd.DataFrame(
        [
            (score_label(use.name), quantity(float(row[use.name]), use.unit), use.use)
            for use in contents.uses
            if use.name in contents.readable.columns
        ],
        columns=["score", "value", "the brief asks"],
    )
    return Section(
        "pick",
        "The pick and why" if contents.feasible else "The nearest candidate",
        [
            Note(f"{kind} {row['candidate']}: {', '.join(parts)}.", "finding"),
            _listed(contents.pick_reasons),
            Table(frame, "Its scores."),
        ],
    )


# -- the front -------------------------------------------------------------------------------------


def trade_offs(contents: ReportContents, most: int = 3) -> list[str]:
    """Return in words which free scores conflict most over the front.

    Measured by Spearman's rank correlation of the losses: −1 means that whoever gains in one
    loses in the other. Fewer than eight candidates say nothing reliable and give no words.
    """
    frame = contents.front
    scores = spanning_scores(contents)
    if len(frame) < 8:
        return []
    found = []
    for one, other in combinations(scores, 2):
        a, b = losses_of(frame, one), losses_of(frame, other)
        usable = np.isfinite(a) & np.isfinite(b)
        if np.unique(a[usable]).size < 2 or np.unique(b[usable]).size < 2:
            continue
        found.append((float(stats.spearmanr(a[usable], b[usable]).statistic), one, other))
    strongest = [
        f"{score_label(one.name)} against {score_label(other.name)} ({number(round(rho, 2), 2)})"
        for rho, one, other in sorted(found, key=lambda item: item[0])[:most]
        if rho < -0.3
    ]
    if not strongest:
        return []
    return [
        "Along the front, improving one score costs another most in these pairs, by rank "
        f"correlation of the losses (−1: always): {'; '.join(strongest)}."
    ]


def front_table(contents: ReportContents) -> Table:
    """Return the readable set as a table for people: parts, scores, marks, ids tied to charts."""
    readable = contents.readable
    columns: dict[str, Sequence[object]] = {"candidate": readable["candidate"].tolist()}
    marks = [mark_words(mark) for mark in readable.get("marks", [""] * len(readable))]
    if any(marks):
        columns["mark"] = marks
    for part, label in contents.part_labels.items():
        columns[label] = [part_value(part, float(v)) for v in readable[part]]
    for use in contents.uses:
        if use.name in readable.columns:
            heading = score_label(use.name, with_unit=not prefixed(use.unit))
            columns[heading] = column(readable[use.name], use.unit)
    if not contents.feasible and "limits_broken" in readable.columns:
        columns["limits broken"] = [str(int(n)) for n in readable["limits_broken"]]
    if contents.feasible:
        caption = (
            f"{len(readable)} of the {len(contents.front)} candidates on the front, the pick "
            "first; the others stand in front.csv."
        )
    else:
        caption = f"The {len(readable)} nearest candidates, the nearest first."
    return Table(
        pd.DataFrame(columns), caption, {at: m for at, m in enumerate(marks) if m}, linked=True
    )


def _front(contents: ReportContents) -> Section:
    blocks: list[Block] = []
    if contents.feasible:
        blocks.append(Prose(trade_offs(contents)))
    blocks += [
        Figure(
            "front",
            front_chart(contents),
            "In the HTML file these views and the table are linked: a click chooses a candidate "
            "everywhere, with shift it adds to the choice; dragging in a panel keeps what lies "
            "inside, in several panels at once; a double click lets go.",
        ),
        front_table(contents),
    ]
    return Section("front", "The front" if contents.feasible else "Nearest candidates", blocks)


# -- the stage -------------------------------------------------------------------------------------


def _parts(contents: ReportContents) -> Section:
    pick = contents.pick
    blocks: list[Block] = [
        schematic(pick.stage, pick.device, contents.part_labels, contents.part_labels)
    ]
    if pick.follower is not None:
        after = pick.follower[1].name
        words = f"At the output hangs the grid of the {after} cathode follower, which is not drawn."
        blocks.append(Prose([AsIs(words)]))
    if contents.parts:
        frame = pd.DataFrame(
            [
                (p.label, p.value, p.marking or "—", p.chosen, p.stress or "—")
                for p in contents.parts
            ],
            columns=["part", "value", "marking (IEC 60062)", "how it came about", "must stand"],
        )
        blocks.append(Table(frame, "Parts list."))
    return Section("parts", "Circuit and parts list", blocks)


def _point(pick: Assessment) -> Section:
    lines = load_lines(pick)
    reference = quantity(pick.targets.reference_Hz, "Hz")
    caption = (
        f"Plate curves of the {pick.device.name} for the grid voltages written at their ends. The "
        f"AC load line stands for {quantity(lines.alternating_ohm, 'ohm', 3)}, what the valve "
        f"works into at {reference}; the cathode-bias line is where the current through the "
        "cathode resistor makes just the bias that the current needs."
    )
    if lines.dissipation_W is not None and lines.dissipation_W / lines.reach_V > lines.top_A:
        watts = quantity(lines.dissipation_W, "W")
        caption += f" The greatest plate dissipation, {watts}, lies above everything drawn here."
    small = pd.DataFrame(
        [
            ("transconductance", _of(pick.point.transconductance_S, "S")),
            ("plate resistance", _of(pick.point.plate_resistance_ohm, "ohm")),
            ("amplification factor", _of(pick.point.amplification_factor, "")),
            ("input capacitance at the grid, Miller effect included",
             _of(pick["input_capacitance_F"], "F")),
            ("output resistance", _of(pick["output_resistance_ohm"], "ohm")),
        ],
        columns=["at the operating point", "value"],
    )  # fmt: skip
    return Section(
        "point",
        "Operating point and load lines",
        [
            Figure("load_lines", load_line_chart(pick), caption),
            operating_point_steps(pick),
            Table(small, f"What the stage is for small signals, at {reference}."),
        ],
    )


def _of(value: ArrayLike, unit: str, digits: int = 4) -> str:
    return quantity(first(value), unit, digits)


def _responses(pick: Assessment, estimate: TextbookEstimate) -> Section:
    low, high = (first(f) for f in pick.output_corners_Hz)
    reference = quantity(pick.targets.reference_Hz, "Hz")
    lower = f"from {quantity(low, 'Hz')}" if low > 0 else "from direct current"
    upper = f"to {quantity(high, 'Hz')}" if high < HIGHEST_HZ else "to beyond 10 GHz"
    text = (
        f"From source to output the stage is within 3.01 dB of its level at {reference} "
        f"{lower} {upper}."
    )
    swept = responses(pick, estimate).levels
    decades = 10.0 ** np.arange(10)
    frame = pd.DataFrame({"frequency": [quantity(f, "Hz") for f in decades]})
    for port, name in (("grid_dB", "grid (dB)"), ("output_dB", "output (dB)")):
        levels = np.interp(np.log(decades), np.log(swept["frequency_Hz"]), swept[port])
        frame[name] = [fixed(float(v), 1) for v in levels]
    return Section(
        "responses",
        "Responses",
        [
            Prose([text]),
            Figure(
                "responses",
                response_chart(pick, estimate),
                f"Levels at the grid and at the output, each relative to itself at {reference}, "
                "by the exact network. The textbook curve is the one RC section of the estimate.",
            ),
            Table(frame, f"The same in numbers, relative to {reference}."),
        ],
    )


def _textbook(pick: Assessment, estimate: TextbookEstimate) -> Section:
    frame = simplification_frame(pick, estimate)
    shown = pd.DataFrame(
        {
            "simplification": frame["simplification"],
            "what it means": frame["meaning"],
            "input corner": [quantity(f, "Hz") for f in frame["corner_Hz"]],
            "error": [_percent(e) for e in frame["error_percent"]],
        }
    )
    texts = [
        "The hand calculation, with every number: gain at mid-band, Miller capacitance at that "
        "gain, the resistance that the grid looks back into, one RC corner. Below it the same "
        "corner from the whole network."
    ]
    left_out = [
        f"{field_label(name)} {part_value(name, value)}"
        for name in _LEFT_OUT
        if 0 < (value := first(getattr(pick.loaded, name))) < np.inf
    ]
    if left_out:
        texts.append(f"The estimate knows nothing of: {', '.join(left_out)}.")
    errors = frame["error_percent"].to_numpy()[1:-2]
    if np.isfinite(errors).any():
        worst = frame.iloc[1 + int(np.nanargmax(np.abs(errors)))]
        texts.append(
            f"Of the single simplifications the dearest is “{worst['simplification']}”: it moves "
            f"the corner by {_percent(float(worst['error_percent']))}."
        )
    return Section(
        "textbook",
        "Textbook estimate against the exact answer",
        [
            Prose(texts),
            textbook_steps(pick, estimate),
            Table(
                shown,
                "Each simplification made alone, everything else exact: what it does to the "
                "input corner.",
                {0: "exact"},
            ),
        ],
    )


_LEFT_OUT: Final = (
    "cable_F",
    "stray_grid_ground_F",
    "stopper_shunt_F",
    "stopper_lead_H",
    "plate_capacitor_F",
    "load_F",
    "stray_plate_ground_F",
)
"""What shapes the corner and has no place in the estimate."""


def _percent(value: float) -> str:
    if not np.isfinite(value):
        return number(value)
    text = number(round(value, 1 if abs(value) >= 1 else 2), 4)
    return f"{'+' if value > 0 and text != '0' else ''}{text}\u00a0%"


def _noise(pick: Assessment) -> Section:
    shares = noise_shares(pick)
    if not len(shares):
        return Section("noise", "Noise budget", [])
    low, high = pick.targets.noise_band_Hz
    largest = shares.iloc[0]
    text = (
        f"Referred to the source the stage makes {_of(pick.noise.total_dBu, 'dBu')} of A-weighted "
        f"noise, and {_of(pick.noise.unweighted_total_dBu, 'dBu')} unweighted from "
        f"{quantity(low, 'Hz')} to {quantity(high, 'Hz')}, with its resistors at "
        f"{quantity(pick.targets.temperature_K, 'K')}. The largest share, "
        f"{share_text(float(largest['share']))}, comes from the {largest['label']}"
    )
    if len(shares) > 1:
        second = shares.iloc[1]
        text += f", the next, {share_text(float(second['share']))}, from the {second['label']}"
    return Section(
        "noise",
        "Noise budget",
        [
            Prose([text + "."]),
            Figure(
                "noise", noise_chart(pick), "Share of each origin in the A-weighted noise power."
            ),
        ],
    )


def _radio(pick: Assessment) -> Section:
    if not pick.targets.radio_bands:
        return Section("radio", "Radio-frequency budget", [])
    budget = radio_budget(pick)
    worst = budget.iloc[int(np.argmin(budget["margin_dB"]))]
    margin = float(worst["margin_dB"])
    gained = float(worst["given_dB"] - worst["without_stopper_dB"])
    lost = float(worst["ideal_stopper_dB"] - worst["given_dB"])
    state = "with" if margin >= 0 else "short by"
    spare = "to spare" if margin >= 0 else ""
    texts = [
        f"Tightest is {worst['band']}: {_dB(worst['given_dB'])} of attenuation at the grid where "
        f"{_dB(worst['required_dB'])} is required, {state} {_dB(abs(margin))} {spare}".rstrip()
        + ".",
    ]
    if first(pick.stage.stopper_ohm) > 0:
        cost = f"cost {_dB(lost)}" if abs(lost) >= 0.05 else "cost next to nothing"
        texts.append(
            f"The grid stopper gives {_dB(gained)} of it; its own capacitance and leads {cost} "
            "against an ideal one."
        )
    frame = pd.DataFrame(
        {
            "band": budget["band"],
            "range": [
                f"{quantity(a, 'Hz')} to {quantity(b, 'Hz')}"
                for a, b in zip(budget["low_Hz"], budget["high_Hz"], strict=True)
            ],
            **{
                heading: [fixed(float(v), 1) for v in budget[name]]
                for name, heading in (
                    ("required_dB", "required (dB)"),
                    ("given_dB", "given (dB)"),
                    ("margin_dB", "margin (dB)"),
                    ("without_stopper_dB", "given without stopper (dB)"),
                    ("ideal_stopper_dB", "given with an ideal stopper (dB)"),
                    ("without_shunts_dB", "given without shunt capacitors (dB)"),
                )
            },
        }
    )
    broken = {at: "broken" for at, m in enumerate(budget["margin_dB"]) if m < 0}
    return Section(
        "radio",
        "Radio-frequency budget",
        [
            Prose(texts),
            Figure(
                "radio",
                radio_chart(pick),
                "Least attenuation at the grid in each band, relative to the reference frequency.",
            ),
            Table(
                frame,
                "What the attenuation owes to the stopper, to the stopper not being ideal, and to "
                "cable, grid capacitor and strays to ground.",
                broken,
            ),
        ],
    )


def _dB(value: object) -> str:
    return quantity(round(float(value), 1), "dB", 5)  # type: ignore[arg-type]


def _limits(contents: ReportContents) -> Section:
    limits = contents.limits
    if not len(limits):
        return Section("limits", "Limits and room left", [])
    shown = limits.copy()
    broken: dict[int, str] = {}
    for name in shown.columns:
        if shown[name].dtype == bool:
            broken |= {at: "broken" for at, kept in enumerate(shown[name]) if not kept}
            shown[name] = np.where(shown[name], "yes", "no")
    return Section(
        "limits",
        "Limits and room left",
        _sourced(
            Table(shown, "Every rating and every must-have of the brief, at the pick.", broken)
        ),
    )


def _sourced(table: Table, longest: int = 30) -> list[Block]:
    """Return the table with long sources that repeat as numbers, and what the numbers mean."""
    frame = table.frame
    if "source" not in frame.columns or frame["source"].map(len).max() <= longest:
        return [table]
    numbers = {text: f"({at})" for at, text in enumerate(dict.fromkeys(frame["source"]), start=1)}
    keyed = frame.assign(source=frame["source"].map(numbers))
    return [
        replace(table, frame=keyed),
        Prose(["Sources: " + "; ".join(f"{n} {text}" for text, n in numbers.items()) + "."]),
    ]


# -- the valve, the search -------------------------------------------------------------------------


def _valve(pick: Assessment, neighbours: Sequence[tuple[str, Device]] = ()) -> Section:
    """Return what is known of the device; an entry of the valve table tells most."""
    device = pick.device
    entry = getattr(device, "valve", device)
    blocks: list[Block] = [Prose([t for t in (getattr(entry, "description", ""),) if t])]
    rows = [_law_row(device.law, entry), _capacitance_row(pick, entry), *_entry_rows(pick, entry)]
    blocks.append(Table(pd.DataFrame(rows, columns=["data", "values", "source"])))
    fit = getattr(entry, "fit", None)
    points = tuple(getattr(fit, "points", ()))
    if fit is not None and points:
        blocks.append(Prose([f"How the law was fitted: {str(fit.method).rstrip('.')}."]))
        if isinstance(entry, Valve):
            blocks.append(
                Figure(
                    "residuals",
                    residual_chart(entry),
                    "How far the law is from each published number, in per cent of it.",
                )
            )
        frame = pd.DataFrame([_residual_row(point) for point in points])
        blocks += _sourced(Table(frame, "Published numbers and what the law gives for them."))
        if isinstance(entry, Valve):
            blocks += _plate_curves(entry)
    blocks += _neighbours(device, neighbours)
    return Section("valve", f"The {device.name} as it is modelled here", blocks)


def _neighbours(device: Device, neighbours: Sequence[tuple[str, Device]]) -> list[Block]:
    """Return what is known of the other devices in the circuit: laws, residuals, sources."""
    blocks: list[Block] = []
    same = [role for role, other in neighbours if other.name == device.name]
    if same:
        blocks.append(
            Prose([AsIs(f"The {' and the '.join(same)} {'have' if len(same) > 1 else 'has'} the "
                        f"same {device.name}.")])
        )  # fmt: skip
    others: dict[str, tuple[Device, list[str]]] = {}
    for role, other in neighbours:
        if other.name != device.name:
            others.setdefault(other.name, (other, []))[1].append(role)
    for name, (other, roles) in others.items():
        entry = getattr(other, "valve", other)
        where, values, source = _law_row(other.law, entry)
        blocks.append(
            Prose([AsIs(f"The {' and the '.join(roles)}: {name}. {sentence(where)}: {values}. "
                        f"Source: {source}.")])
        )  # fmt: skip
        points = tuple(getattr(getattr(entry, "fit", None), "points", ()))
        if points:
            frame = pd.DataFrame([_residual_row(point) for point in points])
            blocks += _sourced(
                Table(frame, AsIs(f"Published numbers of the {name} and what its law gives."))
            )
        if isinstance(entry, Valve):
            blocks += _curve_table(entry)
    return blocks


def _law_row(law: Any, entry: Any) -> tuple[str, str, str]:
    """Return the equation's name and its parameters, those of its grid current among them."""
    name = _LAW_WORDS.get(type(law).__name__) or _spaced(type(law).__name__)
    values = "; ".join(_parameters(law)) if is_dataclass(law) else ""
    return f"equation: {name}", values, str(getattr(entry, "law_source", "") or "—")


def _parameters(law: Any, prefix: str = "") -> Iterator[str]:
    for parameter in fields(law):
        value = getattr(law, parameter.name)
        if is_dataclass(value) and not isinstance(value, type):
            yield from _parameters(value, f"{parameter.name} ")
        elif isinstance(value, (int, float, np.ndarray)):
            unit = score_unit(parameter.name)
            plain = plain_words(parameter.name) if unit else parameter.name
            label = _PARAMETER_WORDS.get(parameter.name, plain)
            yield f"{prefix}{label} {quantity(first(value), unit)}"


_LAW_WORDS: Final = {
    "SquareLawFet": "square law of the channel, and gate diode",
    "Bipolar": "transport current with the Early effect, and base current",
}
_PARAMETER_WORDS: Final = {
    "idss_A": "I_dss",
    "cutoff_V": "cut-off voltage",
    "channel_modulation_per_V": "channel modulation",
    "gate_saturation_A": "gate saturation current",
    "gate_leakage_A": "gate leakage",
    "temperature_K": "at",
    "saturation_A": "saturation current",
    "forward_gain": "forward current gain",
    "early_V": "Early voltage",
    "leakage_A": "base leakage",
    "leakage_ideality": "its ideality",
    "base_ohm": "base resistance",
    "channel_noise_factor": "channel noise factor",
}
"""What parameters of a transistor are called, where their name in the table does not say it."""


def _spaced(name: str) -> str:
    """Return a class name as words: ``DempwolfZolzer`` gives ``Dempwolf Zolzer``."""
    return "".join(f" {c}" if c.isupper() and at else c for at, c in enumerate(name))


def _capacitance_row(pick: Assessment, entry: Any) -> tuple[str, str, str]:
    names = ("grid–cathode", "grid–plate", "plate–cathode")
    values = pick.device.capacitances(pick.point)
    texts = [f"{name} {_of(value, 'F')}" for name, value in zip(names, values, strict=True)]
    source = str(getattr(entry, "capacitance_source", "") or "—")
    return "capacitances, without strays", "; ".join(texts), source


_RATING_UNITS: Final = {
    "plate_voltage_max_V": "V",
    "plate_dissipation_max_W": "W",
    "cathode_current_max_A": "A",
    "heater_cathode_max_V": "V",
    "grid_leak_cathode_bias_max_ohm": "ohm",
    "grid_leak_fixed_bias_max_ohm": "ohm",
    "grid_negative_max_V": "V",
}


def _entry_rows(pick: Assessment, entry: Any) -> Iterator[tuple[str, str, str]]:
    """Yield what an entry of a device table says of ratings, noise and spread."""
    stated = [
        f"{plain_words(name).removesuffix(' max')} {quantity(value, unit)}"
        for name, unit in _RATING_UNITS.items()
        if (value := getattr(entry, name, None)) is not None
    ]
    if isinstance(entry, JunctionFet | BipolarTransistor):
        yield from _transistor_rows(pick, entry)
        return
    if stated:
        yield "ratings, each a maximum", "; ".join(stated), getattr(entry, "ratings_source", "—")
    for name, title in (("noise", "noise"), ("spread", "spread between valves, one sigma")):
        record = getattr(entry, name, None)
        if not is_dataclass(record):
            continue
        texts = [
            f"{plain_words(field.name)} {quantity(value, score_unit(field.name))}"
            for field in fields(record)
            if isinstance(value := getattr(record, field.name), (int, float))
        ]
        yield title, "; ".join(texts), str(getattr(record, "source", "—"))


def _transistor_rows(pick: Assessment, entry: Transistor) -> Iterator[tuple[str, str, str]]:
    ratings = [f"{r.name} {_of(r.allowed, r.unit)}" for r in entry.ratings(pick.stage, pick.point)]
    yield "ratings, each a maximum", "; ".join(ratings), entry.sources.ratings
    noise = [
        f"{_PARAMETER_WORDS.get(name, plain_words(name))} "
        f"{quantity(getattr(entry, name), score_unit(name))}"
        for name in entry.noise_parameters
    ]
    yield "noise", "; ".join(noise), entry.sources.noise
    for own in published_spreads(entry):
        what = TRANSISTOR_QUANTITIES[own.quantity]
        yield "spread between transistors", f"{what}: {own.words()}", own.source


def _plate_curves(entry: Valve) -> list[Block]:
    """Return the law's plate curves with what is published of them, and how far they lie apart."""
    curves = entry.fit.curves if entry.fit is not None else ()
    blocks: list[Block] = [
        Figure(
            "plate-curves",
            plate_curves_chart(entry),
            "Plate curves of the law at several grid voltages, and the published "
            + ("readings and points" if curves else "points")
            + " beside them; dashed: the rated dissipation.",
        )
    ]
    return blocks + _curve_table(entry)


def _curve_table(entry: Valve) -> list[Block]:
    """Return how far the law lies from readings off published curves, where there are any."""
    rows = []
    for curve in entry.fit.curves if entry.fit is not None else ():
        error = curve.plate_error_V(entry.law)
        worst = int(np.argmax(np.abs(error)))
        at = curve.readings[worst]
        rows.append(
            {
                "readings off curves": f"{len(curve.readings)}",
                "r.m.s. error along the plate voltage": quantity(
                    float(np.sqrt(np.mean(error**2))), "V", 2
                ),
                "largest": quantity(float(error[worst]), "V", 2),
                "where": f"{quantity(at.grid_V, 'V')}, {quantity(at.plate_V, 'V')}",
                "could be read to": quantity(curve.within_V, "V"),
                "used": curve.used,
                "source": curve.source,
            }
        )
    if not rows:
        return []
    return _sourced(
        Table(
            pd.DataFrame(rows),
            "Readings off published plate curves, and how far along the plate voltage the law's "
            "curve lies from them: positive where it needs more voltage for the current.",
        )
    )


def _residual_row(point: Any) -> dict[str, str]:
    unit = score_unit(point.quantity)
    return {
        "quantity": plain_words(point.quantity),
        "conditions": _conditions(point.conditions),
        "published": quantity(point.published, unit),
        "law": quantity(point.law, unit, 3),
        "residual": _percent(float(point.residual_percent)),
        "used": point.used,
        "source": point.source,
    }


def _conditions(conditions: Mapping[str, float]) -> str:
    return ", ".join(f"{plain_words(n)} {part_value(n, v)}" for n, v in conditions.items())


def _method(contents: ReportContents) -> Section:
    blocks: list[Block] = [Prose(list(contents.method))]
    trace = contents.search_trace
    if trace is not None and len(trace) > 1:
        blocks.append(
            Figure("search", trace_chart(trace), "Hypervolume of the front as the search went on.")
        )
    return Section("method", "How the front was found", blocks)
