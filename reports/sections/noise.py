"""The section on noise: how much there is, and where it comes from."""

from __future__ import annotations

from objectives.assessment import Assessment
from objectives.format import quantity
from reports.charts.noise import noise_drawing, noise_shares, noise_title, share_text
from reports.layout import Figure, Prose, Section
from reports.sections.levels import attenuator_loss


def noise_section(pick: Assessment) -> Section:
    """Return the noise budget of the first stage of a batch; empty where nothing makes noise."""
    shares = noise_shares(pick)
    if not len(shares):
        return Section("noise", "Noise budget", [])
    low, high = (quantity(f, "Hz") for f in pick.targets.noise_band_Hz)
    largest, *rest = zip(shares["label"], map(share_text, shares["share"]), strict=True)
    lost = attenuator_loss(pick)
    text = (
        f"Referred to the {pick.device.terms.source}"
        f"{f', ahead of an attenuator that loses {lost},' if lost else ''} the stage makes "
        f"{quantity(pick.noise.total_dBu, 'dBu')} of A-weighted noise, and "
        f"{quantity(pick.noise.unweighted_total_dBu, 'dBu')} unweighted from {low} to {high}, "
        f"with its resistors at {quantity(pick.targets.temperature_K, 'K')}. The largest share, "
        f"{largest[1]}, comes from the {largest[0]}"
    )
    if rest:
        text += f"; the next, {rest[0][1]}, from the {rest[0][0]}"
    caption = "Share of each origin in the A-weighted noise power."
    return Section(
        "noise",
        "Noise budget",
        [Prose([text + "."]), Figure("noise", noise_drawing(shares), caption, noise_title(shares))],
    )
