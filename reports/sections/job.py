"""The job: what the stage is for, what surrounds it, and what the brief asks of it."""

from __future__ import annotations

import math

import pandas as pd

from objectives.assessment import Assessment
from objectives.format import (
    allowed_words,
    first,
    number,
    quantity,
    score_label,
    score_words,
    sentence,
)
from reports.layout import Block, Prose, Section, Table
from reports.model import DriverSummary, ReportData, ScoreUse, StageData
from reports.sections.levels import level_sentences, radio_sentences


def job_section(data: ReportData) -> Section:
    """Return the job in sentences, and a table of the scores."""
    terms = data.terms
    frame = pd.DataFrame(
        [
            (score_label(use.name, terms), asked_words(use), terms.write(use.meaning), use.source)
            for use in data.uses
        ],
        columns=["score", "the brief asks", "meaning", "source"],
    )
    blocks: list[Block] = [
        Prose([data.scenario] if data.scenario else []),
        Prose(job_sentences(data), listed=True),
        Table(frame, "The scores, and what the brief asks of each."),
    ]
    blocks.append(Prose(level_sentences(data.pick)))
    if data.constants:
        same = ", ".join(score_words(name, v, terms) for name, v in data.constants.items())
        blocks.append(Prose([f"The same for every candidate: {same}."]))
    return Section("job", "The job", blocks)


def job_sentences(data: ReportData) -> list[str]:
    """Return the job, one sentence an item."""
    terms, targets = data.terms, data.pick.targets
    sentences = surroundings_sentences(data)
    if targets.input_corner_Hz is not None:
        sentences.append(
            f"The input corner, where the {terms.grid} is 3.01 dB down, should lie at "
            f"{quantity(targets.input_corner_Hz, 'Hz')}."
        )
    sentences += [
        f"{sentence(band.name)} ({quantity(band.low_Hz, 'Hz')} to {quantity(band.high_Hz, 'Hz')}) "
        f"must be attenuated by {quantity(band.attenuation_dB, 'dB')} at the {terms.grid}."
        for band in targets.radio_bands
    ]
    if targets.radio_bands:
        sentences += radio_sentences(data.pick)
    free = "; ".join(f"{score_label(u.name, terms)} ({_aim(u)})" for u in data.uses if u.free)
    sentences.append(f"Scores traded against each other: {free}.")
    limited = "; ".join(
        f"{score_label(u.name, terms)} {allowed_words(u.at_least, u.at_most, u.unit)}"
        for u in data.uses
        if u.limited
    )
    if limited:
        sentences.append(f"Limits: {limited}.")
    varied = "; ".join(f"{label} ({data.origins[p]})" for p, label in data.part_labels.items())
    sentences.append(f"Parts free to vary: {varied}.")
    return sentences


def surroundings_sentences(data: StageData) -> list[str]:
    """Return what the stage is, what drives it and what it drives, one sentence an item."""
    pick = data.pick
    return [
        f"One {pick.device.name} {data.terms.stage} on a supply of {_supply_words(pick)}.",
        _driver_sentence(data.driver),
        _load_sentence(data),
    ]


def _supply_words(pick: Assessment) -> str:
    stage, ripple = pick.stage, pick.targets.ripple
    words = quantity(stage.supply_V, "V")
    if ripple is not None:
        hertz = quantity(ripple.frequency_Hz, "Hz")
        words += f" with {quantity(ripple.voltage_V, 'V')} of ripple at {hertz}"
    ohm, farad = first(stage.decoupling_ohm), first(stage.decoupling_F)
    if ohm > 0:
        words += f", decoupled by {quantity(ohm, 'ohm')}"
        words += f" and {quantity(farad, 'F')}" if farad > 0 else ""
    return words


def _driver_sentence(driver: DriverSummary) -> str:
    ohm = quantity(driver.source_ohm, "ohm")
    if not driver.device:
        return f"It is driven from a resistance of {ohm}."
    # The earlier stage is one of a valve, whatever this one is.
    stage = (
        f"It is driven by an earlier {driver.device} stage "
        f"({quantity(driver.plate_load_ohm, 'ohm')} plate load, "
        f"{quantity(driver.cathode_ohm, 'ohm')} cathode resistor, operating at "
        f"{quantity(driver.plate_current_A, 'A')} and {quantity(driver.plate_V, 'V')} at the plate)"
    )
    if driver.passed < 0.999:
        return (
            f"{stage} through a divider that passes {number(driver.passed, 3)} of its voltage; "
            f"together they have an output resistance of {ohm}."
        )
    return f"{stage} with an output resistance of {ohm}."


def _load_sentence(data: StageData) -> str:
    pick = data.pick
    if pick.follower is not None:
        return f"It drives a directly coupled {pick.follower[1].name} cathode follower."
    ohm, farad = first(pick.stage.load_ohm), first(pick.stage.load_F)
    values = [quantity(ohm, "ohm")] if math.isfinite(ohm) else []
    values += [quantity(farad, "F")] if farad > 0 else []
    if not values:
        return f"It drives only its own {data.terms.plate} load."
    if data.next_device:
        return f"It drives a following {data.next_device} stage, a load of {' and '.join(values)}."
    return f"It drives {' and '.join(values)}."


def _aim(use: ScoreUse) -> str:
    lead = {"near": "near", "reach": "at least"}.get(use.aim)
    return use.aim if lead is None else f"{lead} {quantity(use.target, use.unit)}"


def asked_words(use: ScoreUse) -> str:
    """Return what the brief asks of a score: ``minimise; at most 0.5 octaves``."""
    words = [_aim(use)] if use.free else []
    if use.limited:
        words.append(allowed_words(use.at_least, use.at_most, use.unit))
    if use.shown:
        words.append("constant" if use.constant else "shown")
    return "; ".join(words)
