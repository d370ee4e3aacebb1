"""Scores of the noise, and of the hum that the supply leaves."""

from __future__ import annotations

import numpy as np

from objectives.arrays import FloatArray
from objectives.assessment import Assessment
from objectives.circuit.noise import to_dBu
from objectives.scores.registry import score


@score(
    "noise_dBu", "dBu", "minimise", "A-weighted noise referred to the {source}",
    superlative="quietest",
    source="IEC 61672-1 weighting; Nyquist 1928; device noise as its table entry says",
)  # fmt: skip
def _noise(a: Assessment) -> FloatArray:
    return a.noise.total_dBu


@score(
    "hum_dBu", "dBu", "minimise",
    "ripple of the supply at the output, referred to the {source} and without weighting",
    source="the supply divided between {plate} load and device, and a bias divider",
    requires=("ripple",),
    superlative="least hum",
)  # fmt: skip
def _hum(a: Assessment) -> FloatArray:
    return to_dBu(a.hum_V / np.abs(a.reference.output))


@score(
    "output_hum_V", "V", "minimise", "r.m.s. ripple of the supply at the output",
    label="hum at the output",
    requires=("ripple",),
)  # fmt: skip
def _output_hum(a: Assessment) -> FloatArray:
    return a.hum_V
