"""Score of the noise."""

from __future__ import annotations

from objectives.arrays import FloatArray
from objectives.assessment import Assessment
from objectives.scores.registry import score


@score(
    "noise_dBu", "dBu", "minimise", "A-weighted noise referred to the {source}",
    superlative="quietest",
    source="IEC 61672-1 weighting; Nyquist 1928; device noise as its table entry says",
)  # fmt: skip
def _noise(a: Assessment) -> FloatArray:
    return a.noise.total_dBu
