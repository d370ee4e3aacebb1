"""From an exploration to what a report is given: words, tables, parts list, limits."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from explorer.brief.model import Brief
from explorer.brief.parts import PARTS
from explorer.exploration import Exploration
from explorer.problem import Evaluation, FreeScore, Problem, Window
from explorer.units import format_quantity, iec_60062_code
from objectives.assessment import Assessment
from objectives.devices.terms import AsIs, terms_of
from objectives.format import part_value, sentence
from objectives.radio.tables import wiring
from objectives.scores.registry import REGISTRY
from reports.model import PartLine, ReportContents, ScoreUse, Section
from reports.sections.cautions import CAUTIONS

__all__ = ["blocking_words", "broken_words", "contents_of", "part_text", "score_text"]


def part_text(field: str, value: float) -> str:
    """Return a part's value as people write it: '68 kΩ', 'none', 'after the stopper'."""
    # Reports keep number and unit on one line; a terminal and a sentence may break them.
    return part_value(field, value, space=" ")


def score_text(name: str, value: float) -> str:
    """Return a score's value as people write it: '5.42 kHz', '−2.1 dB'."""
    return format_quantity(value, REGISTRY[name].unit)


def _use_text(free: FreeScore) -> str:
    return f"near {score_text(free.name, free.target)}" if free.use == "near" else free.use


def _window_text(window: Window) -> str:
    ends = []
    if np.isfinite(window.at_least):
        ends.append(f"at least {score_text(window.name, window.at_least)}")
    if np.isfinite(window.at_most):
        ends.append(f"at most {score_text(window.name, window.at_most)}")
    return " and ".join(ends)


def _uses(ex: Exploration) -> list[ScoreUse]:
    problem = ex.problem
    texts: dict[str, list[str]] = {}
    for free in problem.free:
        texts.setdefault(free.name, []).append(_use_text(free))
    for window in problem.windows:
        texts.setdefault(window.name, []).append(_window_text(window))
    for name in problem.shown:
        texts.setdefault(name, []).append("constant" if name in ex.constants else "shown")
    free_names = {f.name for f in problem.free}
    found = []
    for name, words in texts.items():
        entry = REGISTRY[name]
        use = next((f.use for f in problem.free if f.name == name), None)
        better = {"maximise": 1, "minimise": -1}.get(use or entry.direction, 0)
        found.append(
            ScoreUse(
                name,
                entry.unit,
                entry.meaning,
                entry.source,
                "; ".join(words),
                name in free_names,
                better,
            )
        )
    return found


def _job(ex: Exploration) -> list[str]:
    brief = ex.posed.brief
    stage = ex.problem.fixed
    sentences = [
        f"One {ex.problem.device.name} {terms_of(ex.problem.device).stage} on a supply of "
        f"{format_quantity(brief.supply.voltage, 'V')}.",
        _driver_words(ex),
        _load_words(ex, float(np.asarray(stage.load_ohm)), float(np.asarray(stage.load_F))),
    ]
    if brief.targets.input_corner is not None:
        sentences.append(
            "The input corner (where the grid is 3.01 dB down) is wanted at "
            f"{format_quantity(brief.targets.input_corner, 'Hz')}."
        )
    sentences += [
        f"{sentence(b.name)} ({format_quantity(b.low, 'Hz')} to {format_quantity(b.high, 'Hz')}) "
        f"must be {b.attenuation:g} dB down at the grid."
        for b in brief.targets.radio_bands
    ]
    free = [f"{REGISTRY[f.name].label} ({_use_text(f)})" for f in ex.problem.free]
    sentences.append(f"Traded against each other: {'; '.join(free)}.")
    limited = [f"{REGISTRY[w.name].label} {_window_text(w)}" for w in ex.problem.windows]
    if limited:
        sentences.append(f"Limits: {'; '.join(limited)}.")
    varied = [f"{c.label} ({c.origin})" for c in ex.problem.choices]
    sentences.append(f"Free to vary: {'; '.join(varied)}.")
    return sentences


def _driver_words(ex: Exploration) -> str:
    posed = ex.posed
    ohm = format_quantity(posed.source_ohm, "ohm") if posed.source_ohm else "0 Ω"
    if posed.driver is None:
        return f"It is driven from {ohm}."
    earlier = posed.brief.driver.stage
    assert earlier is not None
    point = posed.driver.point
    text = (
        f"It is driven by an earlier {earlier.valve} stage ("
        f"{format_quantity(earlier.plate_load, 'ohm')} plate load, "
        f"{format_quantity(earlier.cathode_resistor + earlier.cathode_unbypassed, 'ohm')} cathode "
        f"resistor, working at {format_quantity(float(np.ravel(point.plate_current_A)[0]), 'A')} "
        f"and {format_quantity(float(np.ravel(point.plate_V)[0]), 'V')} at the plate), which looks "
        f"like {ohm} to it"
    )
    if posed.divider_ratio < 0.999:
        text += f", behind a divider that passes {posed.divider_ratio:.3g} of its voltage"
    return AsIs(text + ".")


def _load_words(ex: Exploration, load_ohm: float, load_F: float) -> str:
    brief = ex.posed.brief
    if brief.load.cathode_follower is not None:
        after = brief.load.cathode_follower.valve
        return AsIs(f"It drives a directly coupled {after} cathode follower.")
    what = "" if np.isinf(load_ohm) else f" {format_quantity(load_ohm, 'ohm')}"
    if load_F > 0:
        what += f"{' and' if what else ''} {format_quantity(load_F, 'F')}"
    if not what:
        return "It drives nothing but its own plate load."
    if brief.load.stage is not None:
        return AsIs(f"It drives the grid of a next {brief.load.stage.valve} stage, which is{what}.")
    return f"It drives{what}."


def _method(ex: Exploration) -> list[str]:
    found = []
    space = ex.problem.size
    if ex.exact is not None:
        done = "Every one" if not ex.exact.interrupted else f"Only {ex.exact.evaluated:,}"
        kept = (
            f"{ex.exact.feasible:,} keep every limit and {len(ex.front):,} of those are beaten by "
            "no other."
            if ex.feasible
            else "none keeps every limit."
        )
        found.append(
            f"Exact front: {done.lower()} of the {space:,.0f} candidates was worked out, in "
            f"{ex.exact.seconds:.1f} s ({ex.exact.evaluated / max(ex.exact.seconds, 1e-9):,.0f} "
            f"a second); {kept}"
        )
    if ex.searched is not None:
        s = ex.searched
        size = f"{space:,.0f} candidates" if np.isfinite(space) else "a continuous space"
        lead = "For comparison, a search" if ex.exact is not None else "Searched front: a search"
        text = f"{lead} (Optuna) evaluated {s.evaluated:,} of {size}"
        if s.resumed:
            text += f", {s.resumed:,} of them in an earlier run"
        text += f", in {s.seconds:.1f} s; {s.feasible:,} keep every limit."
        if ex.search_share is not None:
            text += f" It reached {100 * ex.search_share:.1f} % of the exact front's hypervolume."
        elif ex.exact is None:
            text += " What it did not look at may hold better candidates."
        found.append(text)
    if ex.feasible:
        found.append(
            f"Hypervolume of the front: {ex.hypervolume:.4f} of the box that spans it, with 10 % "
            "added on the worse side of every score."
        )
    if ex.interrupted:
        found.append("The run was interrupted; the results are those found until then.")
    return found


def _reasons(ex: Exploration) -> list[str]:
    if not ex.feasible:
        return []
    problem, front, row = ex.problem, ex.front, ex.pick
    scaled = ex.scale(front.losses)
    weakest = int(np.argmax(scaled[row]))
    name = problem.free[weakest].name
    reasons = [
        f"None of the {len(front):,} candidates on the front beats another in every score. The "
        "pick is the one that gives up least in whatever it does worst: on the way from the "
        "front's best to its worst value, each score at "
        + ", ".join(
            f"{100 * share:.0f} % ({REGISTRY[f.name].label})"
            for f, share in zip(problem.free, scaled[row], strict=True)
        )
        + f"; its weakest is {REGISTRY[name].label}."
    ]
    for j, free in enumerate(problem.free):
        best = int(np.lexsort((scaled.sum(axis=1), scaled[:, j]))[0])
        here, there = front.scores[free.name][row], front.scores[free.name][best]
        label = REGISTRY[free.name].label
        if scaled[best, j] >= scaled[row, j] - 1e-9:
            reasons.append(f"{sentence(label)}: {score_text(free.name, here)}, the front's best.")
            continue
        costs = [
            f"{REGISTRY[f.name].label} from {score_text(f.name, front.scores[f.name][row])} to "
            f"{score_text(f.name, front.scores[f.name][best])}"
            for i, f in enumerate(problem.free)
            if i != j and scaled[best, i] > scaled[row, i] + 1e-9
        ]
        reasons.append(
            f"{sentence(label)}: {score_text(free.name, here)}; candidate {best + 1} has "
            f"{score_text(free.name, there)}, at the cost of {' and '.join(costs) or 'nothing'}."
        )
    return reasons


def _stress(field: str, assessment: Assessment) -> str:
    """Return what the part must stand, in words."""
    point, stage = assessment.point, assessment.stage
    supply = float(np.ravel(np.asarray(stage.supply_V))[0])
    value = float(np.ravel(np.asarray(getattr(stage, field)))[0])
    current = {
        "plate_load_ohm": point.supply_current_A,
        "cathode_resistor_ohm": point.cathode_current_A,
        "cathode_unbypassed_ohm": point.cathode_current_A,
    }.get(field)
    if current is not None and value > 0:
        amps = float(np.ravel(current)[0])
        return (
            f"{format_quantity(amps * amps * value, 'W', 3)}, "
            f"{format_quantity(amps * value, 'V', 3)} at rest"
        )
    if field in ("output_coupling_F", "plate_capacitor_F") and 0 < value < np.inf:
        return f"the full supply, {format_quantity(supply, 'V', 3)}, at switch-on"
    if field == "bypass_F" and 0 < value < np.inf:
        return f"{format_quantity(float(np.ravel(point.cathode_V)[0]), 'V', 3)} at rest"
    if field == "input_coupling_F" and 0 < value < np.inf:
        return "the supply of whatever drives it, at switch-on"
    return ""


def _parts(ex: Exploration, pick: Assessment, brief: Brief) -> list[PartLine]:
    origins = {c.part: c.origin for c in ex.problem.choices}
    lines = []
    for info in PARTS.values():
        field = info.stage_field
        value = float(np.ravel(np.asarray(getattr(pick.stage, field)))[0])
        unit = "ohm" if info.kind == "resistor" else "F"
        fitted = 0 < value < np.inf
        origin = origins.get(field)
        chosen = f"chosen from {origin}" if origin else "fixed by the brief"
        if not fitted and origin is None:
            continue
        lines.append(
            PartLine(
                field,
                info.label,
                part_text(field, value),
                iec_60062_code(value, unit) if fitted else "",
                chosen,
                _stress(field, pick),
            )
        )
        if field == "grid_leak_ohm":
            at_grid = float(np.ravel(np.asarray(pick.stage.leak_at_grid))[0])
            origin = origins.get("leak_at_grid")
            lines.append(
                PartLine(
                    "leak_at_grid",
                    "grid leak position",
                    part_text("leak_at_grid", at_grid),
                    "",
                    f"chosen from {origin}" if origin else "fixed by the brief",
                    "",
                )
            )
    return lines


def _limits(ex: Exploration, pick: Assessment) -> pd.DataFrame:
    rows = []
    for rating in pick.ratings:
        value, allowed = float(np.ravel(rating.value)[0]), float(np.ravel(rating.allowed)[0])
        rows.append(
            {
                "limit": f"{rating.name.replace('_', ' ')} rating",
                "value": format_quantity(value, rating.unit, 3),
                "allowed": f"at most {format_quantity(allowed, rating.unit, 3)}",
                "room": f"{100 * (1 - value / allowed):.0f} %",
                "kept": value <= allowed,
                "source": rating.source,
            }
        )
    for window in ex.problem.windows:
        value = float(np.ravel(pick[window.name])[0])
        rooms = [abs(value - end) for end in (window.at_least, window.at_most) if np.isfinite(end)]
        rows.append(
            {
                "limit": REGISTRY[window.name].label,
                "value": score_text(window.name, value),
                "allowed": _window_text(window),
                "room": score_text(window.name, min(rooms)),
                "kept": bool(window.excess(np.asarray(value)) <= 0),
                "source": "brief",
            }
        )
    return pd.DataFrame(rows, columns=["limit", "value", "allowed", "room", "kept", "source"])


def blocking_words(ex: Exploration) -> list[str]:
    """Return, when nothing is feasible, which limits block, in words."""
    if ex.feasible:
        return []
    found, total = ex.source, ex.source.evaluated
    never = [name for name, least in found.least_excess.items() if least > 0]
    words = [
        f"{_limit_label(name)}: none of the {total:,} candidates looked at keeps it; the best "
        f"still misses it{_miss_words(ex.problem, name, found.least_excess[name])}."
        for name in never
    ]
    if not never:
        worst = sorted(found.broken.items(), key=lambda item: -item[1])
        listed = [f"{_limit_label(n)} ({100 * c / total:.0f} %)" for n, c in worst if c > 0]
        words.append(
            "Every single limit is kept by some candidate, but none keeps them all. Share of the "
            f"{total:,} candidates looked at that break each: {', '.join(listed)}."
        )
    if len(ex.front):
        words.append(
            f"The nearest candidate breaks {' and '.join(broken_words(ex.problem, ex.front))}."
        )
    return words


def _limit_label(name: str) -> str:
    return REGISTRY[name].label if name in REGISTRY else name.replace("_", " ")


def broken_words(problem: Problem, found: Evaluation, row: int = 0) -> list[str]:
    """Return each limit that a candidate breaks, with its value and what is allowed."""
    words = []
    for name, excess in found.excess.items():
        if not excess[row] > 0:
            continue
        value = score_text(name, float(found.scores[name][row])) if name in REGISTRY else ""
        words.append(_limit_label(name) + _miss_words(problem, name, float(excess[row]), value))
    return words


def _miss_words(problem: Problem, name: str, excess: float, value: str = "") -> str:
    if name in REGISTRY:
        window = next(w for w in problem.windows if w.name == name)
        if not value and np.isfinite(best := window.value_at(excess)):
            value = score_text(name, best)
        return f" ({value + ', ' if value else ''}{_window_text(window)})"
    return "" if name == "every score a number" else f" by {100 * excess:.1f} %"


def _assumptions(ex: Exploration) -> list[str]:
    brief = ex.posed.brief
    found = [
        "The supply is a short to ground for signals, and holds its voltage.",
        "Small-signal figures hold for signals that do not move the operating point.",
        "The grid leak and stopper carry only the grid current that the valve's law gives.",
        f"Gain is stated at {format_quantity(brief.reference.frequency, 'Hz')}, from the EMF of "
        "the source to the load.",
        f"Noise: resistors at {brief.reference.temperature:g} K, A-weighted from "
        f"{format_quantity(brief.reference.band[0], 'Hz')} to "
        f"{format_quantity(brief.reference.band[1], 'Hz')}; excess noise of resistors under direct "
        "current, hum and microphony are not counted.",
        f"Wiring: the stopper has {format_quantity(brief.strays.stopper_shunt, 'F')} end to end"
        " (common practice, no source, unless measured); strays as the brief states them"
        f"{_wiring_words(brief)}.",
        "Electrodes' stray capacitances act at the electrodes, inside the lead inductances.",
    ]
    bias_V = float(np.ravel(ex.problem.fixed.bias_V)[0])
    if bias_V != 0:
        follows = " and follows the supply" if brief.supply.grid_bias_ratio > 0 else " and holds"
        found.append(
            f"The grid leak returns to {format_quantity(bias_V, 'V')}, which is free of noise and "
            f"ripple{follows}."
        )
    if hasattr(ex.problem.device.law, "temperature_K"):
        found.append(
            f"The law of the {ex.problem.device.name} is that of its data sheet's temperature; "
            "what warmth does to the operating point is not counted."
        )
    base_ohm = getattr(ex.problem.device, "base_ohm", 0.0)
    if base_ohm:
        found.append(
            f"The base resistance, {format_quantity(base_ohm, 'ohm')}, counts in the noise alone; "
            "in the response it would be more of the stopper."
        )
    if ex.posed.next_stage is not None:
        found.append(
            "The next stage is taken as its leak and its input capacitance at the reference "
            "frequency."
        )
    return found


def _wiring_words(brief: Brief) -> str:
    pieces = [
        f"{w.kind} {w.between} {format_quantity(w.total_F, 'F')} ({wiring(w.kind).source})"
        for w in brief.strays.wiring
    ]
    return f", {'; '.join(pieces)} among them" if pieces else ""


def _sources(ex: Exploration) -> list[str]:
    device = ex.problem.device
    entry: Any = getattr(device, "valve", device)
    noise = entry.sources.noise if hasattr(entry, "sources") else entry.noise.source
    found = [
        f"{device.name}: law: {entry.law_source}.",
        f"{device.name}: capacitances: {entry.capacitance_source}.",
        f"{device.name}: ratings: {entry.ratings_source}.",
        f"{device.name}: noise: {noise}.",
    ]
    found += [
        "Miller capacitance: J. M. Miller, Scientific Papers of the Bureau of Standards 15, 1920.",
        "Thermal noise: H. Nyquist, Physical Review 32, 1928.",
        "A-weighting: IEC 61672-1. Preferred values: IEC 60063. Markings: IEC 60062.",
    ]
    return found


# Direct voltages up to here are harmless to dry skin (IEC 61140, from memory: 60 V, ripple-free).
_HARMLESS_V = 60.0
_LOW_VOLTAGE_CAUTIONS = (
    "The stage itself works at a harmless voltage; what supplies it may not. Chargers, adapters "
    "and anything else on the mains are for people who are trained to work on them, and the "
    "electrical code of the place decides what may be built and used.",
    "Junctions die of a supply that is turned round, of static electricity and of a soldering iron "
    "on a live board: switch off, let capacitors run down, and touch ground first.",
    "Electrolytic capacitors burst when they are turned round. Parts must stand the full supply "
    "across them, as a coupling capacitor does at switch-on.",
    "All figures are calculated from nominal data. Measure the built stage before relying on them.",
)


def _cautions(brief: Brief) -> tuple[str, ...]:
    """Return the cautions that the highest direct voltage of the brief asks for."""
    others = (brief.driver.stage, brief.load.stage, brief.load.cathode_follower)
    supplies = [brief.supply.voltage, *(other.supply for other in others if other is not None)]
    return CAUTIONS if max(supplies) > _HARMLESS_V else _LOW_VOLTAGE_CAUTIONS


def contents_of(
    ex: Exploration,
    extra_sections: tuple[Section, ...] = (),
    built: pd.DataFrame | None = None,
) -> ReportContents:
    """Return what a report of this exploration is made from.

    Parameters
    ----------
    extra_sections :
        What the studies say.
    built :
        Further columns for the table of the front, one row a design.

    Raises
    ------
    ValueError
        If the exploration found no candidate at all.
    """
    if len(ex.front) == 0:
        raise ValueError("front: empty: must hold at least one candidate")
    brief, front = ex.posed.brief, ex.front
    frame = ex.frame() if built is None else pd.concat([ex.frame(), built], axis=1)
    readable = front.take(ex.readable)
    pick = ex.problem.assess({n: a[ex.readable[:1]] for n, a in front.parts.items()})
    trace = ex.trace
    return ReportContents(
        title=brief.title,
        scenario=AsIs(" ".join(brief.scenario.split())),
        job=_job(ex),
        uses=_uses(ex),
        constants=dict(ex.constants),
        method=_method(ex),
        front=frame,
        readable=frame.iloc[ex.readable].reset_index(drop=True),
        readable_stages=ex.problem.assess(readable.parts),
        pick=pick,
        pick_reasons=_reasons(ex),
        part_labels={c.part: c.label for c in ex.problem.choices},
        parts=_parts(ex, pick, brief),
        limits=_limits(ex, pick),
        feasible=ex.feasible,
        blocking=blocking_words(ex),
        assumptions=_assumptions(ex),
        sources=_sources(ex),
        cautions=_cautions(brief),
        neighbours=ex.posed.neighbours,
        extra_sections=extra_sections,
        search_trace=pd.DataFrame(trace, columns=["evaluations", "hypervolume"]) if trace else None,
    )
