"""A stage that was read, in words: what it does, what each part is for, what was wanted."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import groupby
from typing import Final

import numpy as np
import pandas as pd

from objectives.circuit.arrival import QUASI_STATIC_HZ
from objectives.circuit.corners import HIGHEST_HZ
from objectives.circuit.stability import MARGIN_CAP_DB
from objectives.devices.terms import Terms
from objectives.elements import ELEMENTS
from objectives.format import (
    first,
    fixed,
    number,
    part_value,
    quantity,
    score_label,
    score_unit,
    sentence,
    signed_percent,
    stepped,
)
from objectives.reading.differences import LEAD_MM, OF_LEADS, RADIO, Aspect, Difference
from objectives.reading.purposes import AUDIO_HZ, Corner, Guess, Kind, Purpose, Reading
from objectives.scores.registry import REGISTRY
from reports.calculation import simplification_frame
from reports.layout import Block, Prose, Section, Table
from reports.model import StageReport
from reports.sections.job import surroundings_sentences
from reports.sections.levels import arrival_words, unscored_words
from reports.sections.textbook import left_out_sentences

_CHANGED: Final[dict[Kind, str]] = {
    "without": "",
    "perfect": "",
    "full": "with a bypass that is a short for signals",
    "bypassed": "with the bypass across it too",
    "moved": "on the other side of the stopper",
    "larger": "ten times as large",
}
"""How a part is changed whose absence is not what is asked about."""

_ROLES: Final = {
    "grid_leak_ohm": "fixes the direct voltage of the {grid}; ",
    "input_coupling_F": "keeps direct voltage from the {grid}; ",
    "output_coupling_F": "keeps the direct voltage of the {plate} from the load; ",
}
"""What a part is for before any score is looked at."""

_ECHOES: Final = {"upper_corner_Hz": "input_corner_Hz", "plate_gain_dB": "gain_dB"}
"""Scores that move with another as a rule, and are told only where they do not."""

_ECHO_STEPS: Final = 3.0

_NOTHING: Final = "nothing that is noticed"


def figure_words(aspect: Aspect, value: float) -> str:
    """Return the value of a score: ``35.5 dB``; a corner beyond the network's range in words."""
    if aspect.score == "lower_corner_Hz" and value == 0:
        return "direct current"
    if score_unit(aspect.score) == "Hz" and value >= HIGHEST_HZ:
        return f"beyond {quantity(HIGHEST_HZ, 'Hz')}"
    if aspect.score == "stability_margin_dB" and value >= MARGIN_CAP_DB:
        return f"more than {quantity(MARGIN_CAP_DB, 'dB')}"
    if REGISTRY[aspect.score].step.relative:
        return quantity(value, score_unit(aspect.score), 3)
    return stepped(value, aspect.score)


def aspect_label(aspect: Aspect, terms: Terms) -> str:
    """Return the name of a score: ``gain``; of the attenuation of radio with its band."""
    if aspect.band:
        return f"attenuation of {aspect.band}"
    return score_label(aspect.score, terms)


def summary_entries(reading: Reading) -> Iterator[tuple[str, str]]:
    """Yield what the stage does: a label and a text, one subject each."""
    terms = reading.assessment.device.terms

    def words(*scores: str) -> str:
        return ", ".join(
            f"{score_label(s, terms)} {figure_words(Aspect(s), reading.figures[Aspect(s)])}"
            for s in scores
        )

    yield "At rest", words("plate_current_A", "plate_cathode_voltage_V", "grid_cathode_voltage_V")
    yield (
        "Gain",
        (f"{words('gain_dB')} ({terms.source} to output), {words('plate_gain_dB', 'headroom_V')}"),
    )
    yield "Corners", "; ".join(_corner_words(corner, terms) for corner in reading.corners)
    yield "Ends", words("input_capacitance_F", "output_resistance_ohm")
    yield (
        "Noise",
        f"{figure_words(Aspect('noise_dBu'), reading.figures[Aspect('noise_dBu')])}, "
        + (f"A-weighted, referred to the {terms.source}"),
    )
    radio = ", ".join(
        f"{aspect.band} {fixed(value, 0)}"
        for aspect, value in reading.figures.items()
        if aspect.band
    )
    targets = reading.assessment.targets
    came, unscored = arrival_words(targets.carrier.arrival), unscored_words(targets)
    yield (
        "Radio",
        f"arriving {came}, attenuated at the {terms.grid} by (dB): {radio}"
        + (f". {sentence(unscored)}" if unscored else ""),
    )
    stability = words(*OF_LEADS)
    if reading.figures[Aspect("least_damping_ratio")] >= 1:
        stability = f"nothing resonates below {quantity(QUASI_STATIC_HZ, 'Hz')}"
    yield "Stability", stability + _leads(reading)


def _leads(reading: Reading) -> str:
    if reading.lead_H == 0:
        return ""
    return (
        f" (with leads of {number(LEAD_MM)} mm, {quantity(reading.lead_H, 'H', 2)} each: common "
        "practice, the brief states none)"
    )


def _corner_words(corner: Corner, terms: Terms) -> str:
    label = score_label(corner.score, terms)
    text = f"{label} {figure_words(Aspect(corner.score), corner.value_Hz)}"
    by = f", by the {ELEMENTS[corner.part].label_for(terms)}" if corner.part else ""
    if corner.place == "inside":
        return f"{text}, inside the audio band, so it looks deliberate{by}"
    return f"{text}, at the edge of the audio band{by}" if corner.place == "edge" else text


def part_entries(reading: Reading) -> Iterator[tuple[str, str]]:
    """Yield each part with its value, and what it is for."""
    stage, point = reading.assessment.stage, reading.assessment.point
    terms = reading.assessment.device.terms
    if first(stage.cathode_total_ohm) > 0:
        yield (
            _named("cathode_resistor_ohm", first(stage.cathode_resistor_ohm), terms),
            (
                f"sets the bias: {quantity(point.grid_cathode_V, 'V', 3)} from {terms.grid} to "
                f"{terms.cathode} at {quantity(point.plate_current_A, 'A', 3)}"
            ),
        )
    dropped = first(point.supply_current_A * stage.plate_load_ohm)
    signals = reading.assessment.textbook.load_line_ohm
    yield (
        _named("plate_load_ohm", first(stage.plate_load_ohm), terms),
        (
            f"turns current into voltage: drops {quantity(dropped, 'V', 3)} of "
            f"{quantity(stage.supply_V, 'V', 3)}; with what follows "
            f"{quantity(signals, 'ohm', 3)} for signals"
        ),
    )
    for part, group in groupby(reading.purposes, key=lambda purpose: purpose.part):
        purposes = list(group)
        texts = [_purpose_words(purpose, terms) for purpose in purposes]
        role = terms.write(_ROLES.get(part, ""))
        yield _named(part, purposes[0].value, terms), role + "; ".join(texts)


def _named(part: str, value: float, terms: Terms) -> str:
    return f"{ELEMENTS[part].label_for(terms)} {part_value(part, value, 3)}"


def _purpose_words(purpose: Purpose, terms: Terms) -> str:
    lead, told = _CHANGED[purpose.kind], _without_echoes(purpose.noticeable)
    if lead:
        return f"{lead}: {difference_list(told, terms)}"
    texts = [_own_words(d, terms) for d in told if d.aspect.score != RADIO]
    texts += _radio_words([d for d in told if d.aspect.score == RADIO])
    if purpose.part == "stopper_ohm" and not purpose.of(OF_LEADS[0]).noticeable:
        texts.append("the least damping of the leads' resonances is the same without it")
    return "; ".join(texts) or f"does {_NOTHING}"


def _without_echoes(differences: Sequence[Difference]) -> list[Difference]:
    """Return the differences without those that say once more what another has said."""
    steps = {d.aspect.score: d.steps for d in differences}
    return [
        d
        for d in differences
        if abs(d.steps - steps.get(_ECHOES.get(d.aspect.score, ""), np.inf)) > _ECHO_STEPS
    ]


def _own_words(d: Difference, terms: Terms) -> str:
    """Return what a part does to a score, from what becomes of it without the part."""
    label = aspect_label(d.aspect, terms)
    entry = REGISTRY[d.aspect.score]
    if entry.unit in ("dB", "dBu") and d.aspect.score != "stability_margin_dB":
        rises, less = d.value > d.changed, entry.direction == "minimise"
        verb = ("costs" if less else "gives") if rises else ("saves" if less else "costs")
        amount = stepped(abs(d.value - d.changed), d.aspect.score).replace("dBu", "dB")
        return f"{verb} {amount} of {label}"
    changed, own = figure_words(d.aspect, d.changed), figure_words(d.aspect, d.value)
    return f"makes the {label} {own} (without it {changed})"


def _radio_words(radio: Sequence[Difference]) -> Iterator[str]:
    """Yield what a part does against radio: from band to band, and where the most."""
    for verb, sign in (("gives", 1), ("costs", -1)):
        some = {d.aspect.band: sign * (d.value - d.changed) for d in radio if sign * d.steps < 0}
        if some:
            yield f"{verb} {_bands_words(some)}"


def _bands_words(amounts_dB: Mapping[str, float], more: str = "") -> str:
    """Return decibels over several bands: ``4 to 35 dB against radio, most at FM broadcast``."""
    most = max(amounts_dB, key=amounts_dB.__getitem__)
    least_dB, most_dB = round(min(amounts_dB.values())), round(amounts_dB[most])
    if len(amounts_dB) == 1:
        return f"{quantity(most_dB, 'dB')} {more}against {most}"
    span = f"{least_dB} to " if least_dB < most_dB else ""
    return f"{span}{quantity(most_dB, 'dB')} {more}against radio, most at {most}"


def difference_list(differences: Sequence[Difference], terms: Terms) -> str:
    """Return what a change makes of the scores, radio told from band to band."""
    told = _without_echoes(differences)
    texts = [_moved_words(d, terms) for d in told if d.aspect.score != RADIO]
    for word, sign in (("more ", 1), ("less ", -1)):
        radio = {
            d.aspect.band: sign * (d.changed - d.value)
            for d in told
            if d.aspect.score == RADIO and sign * d.steps > 0
        }
        if radio:
            texts.append(_bands_words(radio, word))
    return ", ".join(texts) or _NOTHING


def _moved_words(d: Difference, terms: Terms) -> str:
    label = aspect_label(d.aspect, terms)
    if REGISTRY[d.aspect.score].unit in ("dB", "dBu"):
        change = stepped(abs(d.changed - d.value), d.aspect.score).replace("dBu", "dB")
        return f"{label} {'+' if d.changed > d.value else '−'}{change}"
    changed, own = figure_words(d.aspect, d.changed), figure_words(d.aspect, d.value)
    return f"{label} {changed} instead of {own}"


def guess_sentences(reading: Reading) -> list[str]:
    """Return what a designer may have wanted, each as a guess with the fact it rests on."""
    terms = reading.assessment.device.terms
    return [_guess_words(guess, terms) for guess in reading.guesses]


def _guess_words(guess: Guess, t: Terms) -> str:
    part = ELEMENTS[guess.part].label_for(t) if guess.part else ""
    match guess.aim:
        case "treble_cut":
            return (
                f"The {part} puts a corner at {quantity(guess.value, 'Hz', 3)}: perhaps the treble "
                "was to be softened."
            )
        case "bass_cut":
            return (
                f"The {part} puts a corner at {quantity(guess.value, 'Hz', 3)}: perhaps the bass "
                "was to be kept lean."
            )
        case "wide_band":
            low, high = (quantity(f, "Hz") for f in AUDIO_HZ)
            return f"Nothing cuts well inside {low} to {high}: perhaps all of it was to pass."
        case "radio":
            return (
                f"The {part} adds {quantity(round(guess.value), 'dB')} against {guess.band}: "
                "perhaps it was put there to keep out radio."
            )
        case "stability":
            return (
                f"The {part} raises the least damping from {number(guess.value, 2)} to "
                f"{number(guess.other, 2)}: perhaps the stage oscillated without it."
            )
        case "feedback":
            return (
                f"{quantity(guess.value, 'dB', 2)} of gain is given up at the {t.cathode}: perhaps "
                "for steadier gain and less distortion, or since there was enough."
            )
        case "cutoff_first":
            return (
                f"It cuts off at {quantity(guess.value, 'V', 3)} peak, long before {t.conduction} "
                f"at {quantity(guess.other, 'V', 3)}: perhaps a cold bias, to clip on one side."
            )
        case "conduction_first":
            return (
                f"It reaches {t.conduction} at {quantity(guess.other, 'V', 3)} peak, long before "
                f"cut-off at {quantity(guess.value, 'V', 3)}: perhaps a hot bias, for gain or low "
                "noise."
            )
        case "centred":
            return (
                f"It swings {quantity(guess.value, 'V', 3)} to cut-off and "
                f"{quantity(guess.other, 'V', 3)} to {t.conduction}: perhaps biased for the "
                "largest clean output."
            )


def hand_words(reading: Reading) -> str:
    """Return the hand calculation beside the exact answer, and what each simplification costs."""
    one = reading.assessment
    e, terms = one.textbook, one.device.terms
    frame = simplification_frame(one)
    alone = frame.iloc[1:-2]
    errors = ", ".join(
        f"{name} {signed_percent(error)}"
        for name, error in zip(alone["simplification"], alone["error_percent"], strict=True)
    )
    off = signed_percent(first(e.error_percent))
    behind = quantity(e.resistance_ohm, "ohm", 3)
    if first(e.cable_F) > 0:
        cable_ohm = quantity(e.cable_ohm, "ohm", 3)
        behind += f", the cable's {quantity(e.cable_F, 'F', 3)} behind {cable_ohm}"
    exact = figure_words(Aspect("input_corner_Hz"), reading.figures[Aspect("input_corner_Hz")])
    exact_gain = 10 ** (reading.figures[Aspect("plate_gain_dB")] / 20)
    return (
        f"{terms.plate} gain {number(e.gain_magnitude, 3)} (exact {number(exact_gain, 3)}), input "
        f"{quantity(e.input_F, 'F', 3)} behind {behind}, corner "
        f"{quantity(e.corner_Hz, 'Hz', 3)} (exact {exact}, {off}), with the time constant at the "
        f"{terms.plate} {quantity(e.second.corner_Hz, 'Hz', 3)} "
        f"({signed_percent(first(e.second_error_percent))}). "
        f"Error of each simplification alone: {errors}. {' '.join(left_out_sentences(one))}"
    )


def reading_blocks(data: StageReport) -> list[Block]:
    """Return what the stage is and what it does."""
    frame = pd.DataFrame(summary_entries(data.reading), columns=["", "what it does"])
    return [Prose(surroundings_sentences(data.stage), listed=True), Table(frame)]


def purposes_section(data: StageReport) -> Section:
    """Return what each part is for, and what may have been wanted."""
    frame = pd.DataFrame(part_entries(data.reading), columns=["part", "what it is for"])
    return Section(
        "purposes",
        "What each part is for",
        [
            Prose(
                [
                    "Each part was left out, or given the customary value instead, and every score "
                    "was worked out again, the operating point included. What follows names the "
                    "differences of at least one noticeable step."
                ]
            ),
            Table(frame),
            Prose(["What may have been wanted is a guess from these facts:"]),
            Prose(guess_sentences(data.reading), listed=True),
        ],
    )
