"""What levels are relative to, and what an attenuator ahead of the stage loses of them."""

from __future__ import annotations

import math
from typing import Final

from objectives.assessment import Assessment
from objectives.circuit.arrival import AlongCable, Arrival, CommonMode
from objectives.format import first, quantity, sentence, stepped
from objectives.targets import Targets


def attenuator_loss(pick: Assessment) -> str:
    """Return what an attenuator ahead of the stage loses: '33.6 dB'; empty where nothing is."""
    loss = -20 * math.log10(first(pick.stage.source_ratio))
    return quantity(loss, "dB") if loss >= 0.005 else ""


def level_sentences(pick: Assessment) -> list[str]:
    """Return what gain, noise and the other levels are relative to."""
    t, lost = pick.device.terms, attenuator_loss(pick)
    reference, gain = (
        quantity(pick.targets.reference_Hz, "Hz"),
        stepped(first(pick["gain_dB"]), "gain_dB"),
    )
    of_it = f", of which the attenuator ahead of the stage loses {lost}" if lost else ""
    return [
        f"Gain is the output's level at {reference} over the open-circuit voltage of the "
        f"{t.source}: {gain}{of_it}. Noise is referred to that same voltage"
        + (", ahead of the attenuator" if lost else "")
        + f"; 0 dBu is 0.775 V. Corners are relative to the level at {reference}."
    ]


def radio_sentences(pick: Assessment) -> list[str]:
    """Return how radio arrives, what its attenuation is, and which bands are not scored."""
    t, targets = pick.device.terms, pick.targets
    sentences = [
        f"Radio arrives {arrival_words(targets.carrier.arrival)}. Its attenuation is the EMF of "
        f"the carrier there over the voltage from {t.grid} to ground."
    ]
    return [*sentences, sentence(unscored)] if (unscored := unscored_words(targets)) else sentences


def arrival_words(arrival: Arrival) -> str:
    """Return where radio enters, and behind what: 'at the jack, from 50 Ω'."""
    ohm = quantity(arrival.impedance_ohm, "ohm")
    match arrival:
        case AlongCable():
            return "along the cable, in series with its conductor"
        case CommonMode():
            return (
                f"in common mode on the screen of a lead, from {ohm}, across a bond of "
                f"{quantity(arrival.bond_H, 'H', 2)} to the chassis"
            )
        case _:
            return f"{arrival.way}, from {ohm}"


_ENDS: Final = {
    "wiring": "the wiring is a tenth of a wave long",
    "cable": "the cable is a tenth of a wave long",
    "device": "the device no longer follows at once",
}


def unscored_words(targets: Targets) -> str:
    """Return the bands beyond what the model is trusted at, to begin a sentence; else nothing."""
    top, because = targets.carrier.arrival.trust
    edge = quantity(top, "Hz", 3)
    whole = {band.name: band.low_Hz for band in targets.radio_bands}
    names = (
        band.name if band.low_Hz == whole[band.name] else f"{band.name} above {edge}"
        for band in targets.unscored_bands
    )
    if not (listed := "; ".join(names)):
        return ""
    return f"not scored: {listed}: the model is trusted up to {edge}, where {_ENDS[because]}."
