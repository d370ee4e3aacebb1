"""What levels are relative to, and what an attenuator ahead of the stage loses of them."""

from __future__ import annotations

import math

from objectives.assessment import Assessment
from objectives.format import first, quantity, stepped


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
        + f"; 0 dBu is 0.775 V. Corners and the attenuation of radio at the {t.grid} are relative "
        f"to the level at {reference}."
    ]
