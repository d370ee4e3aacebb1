"""Scores of what radio leaves at the grid, and of what the device makes audible of it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from objectives.arrays import FloatArray
from objectives.assessment import Assessment
from objectives.radio.detection import QUIETEST_DBU, Detection, detection
from objectives.scores.registry import Step, greatest, least, score
from objectives.targets import BAND_POINTS

_NONE_SCORED = "not given, or all beyond where the network is trusted"


def assessed_detection(a: Assessment, frequency_Hz: ArrayLike | None = None) -> Detection:
    """Return :func:`detection` of a batch with its targets' carrier.

    Without frequencies those of the targets' scored bands are taken, :data:`BAND_POINTS` to a band,
    band by band; ValueError if there are none either.
    """
    if frequency_Hz is None:
        bands = a.targets.scored_bands
        if not bands:
            raise ValueError(f"targets.radio_bands: {_NONE_SCORED}: detection needs at least one")
        frequency_Hz = np.concatenate([band.frequencies_Hz for band in bands])
    return detection(a.loaded, a.linear, a.point, a.device.law, frequency_Hz, a.targets.carrier)


def detected_by_band_dBu(a: Assessment) -> dict[str, FloatArray]:
    """Return for each radio band of the targets the loudest audio (dBu) of a carrier in it."""
    level = assessed_detection(a).level_dBu
    per_band = level.reshape(*level.shape[:-1], -1, BAND_POINTS).max(axis=-1)
    return {band.name: per_band[..., at] for at, band in enumerate(a.targets.scored_bands)}


@score(
    "detected_radio_dBu", "dBu", "minimise",
    "loudest audio that a carrier in the radio bands leaves by detection, referred to the {source}",
    combine=greatest,
    source="square law of the device's own curve at its operating point",
    requires=("radio_bands",),
)  # fmt: skip
def _detected(a: Assessment) -> Sequence[FloatArray]:
    return tuple(np.minimum(level, -QUIETEST_DBU) for level in detected_by_band_dBu(a).values())


@score(
    "rf_margin_dB", "dB", "maximise",
    "least attenuation from the carrier's EMF to the {grid} over the radio bands, minus what is "
    "required",
    label="RF margin",
    step=Step(1.0, "wiring decides the last decibel at radio frequencies"),
    superlative="most radio rejection",
    combine=least,
    requires=("radio_bands",),
)  # fmt: skip
def _rf_margin(a: Assessment) -> Sequence[FloatArray]:
    if not a.radio_margins_dB:
        raise ValueError(f"targets.radio_bands: {_NONE_SCORED}: rf_margin_dB needs at least one")
    return tuple(a.radio_margins_dB.values())
