"""TODO reports.sections.noise."""

from __future__ import annotations

from objectives.assessment import Assessment
from objectives.format import quantity
from reports.charts.noise import noise_chart, noise_shares, share_text
from reports.model import Figure, Prose, Section


def _noise(pick: Assessment) -> Section:
    shares = noise_shares(pick)
    if not len(shares):
        return Section("noise", "Noise budget", [])
    low, high = pick.targets.noise_band_Hz
    largest = shares.iloc[0]
    text = (
        f"Referred to the source the stage makes {quantity(pick.noise.total_dBu, 'dBu')} of "
        f"A-weighted noise, and {quantity(pick.noise.unweighted_total_dBu, 'dBu')} unweighted from "
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
