"""Scores of stability: damping and margin."""

from __future__ import annotations

from objectives.arrays import FloatArray
from objectives.assessment import Assessment
from objectives.circuit.poles import least_damping
from objectives.circuit.stability import transconductance_margin_dB
from objectives.scores.registry import Step, score


@score(
    "least_damping_ratio", "", "maximise",
    "least damping ratio of the network's poles up to 300 MHz, lead inductances included",
    step=Step(0.05, "what strays and leads leave uncertain (common practice, no source)"),
    source="generalised eigenvalues of the nodal system",
)  # fmt: skip
def _least_damping(a: Assessment) -> FloatArray:
    return least_damping(a.loaded, a.linear)


@score(
    "stability_margin_dB", "dB", "maximise",
    "how much the transconductance may rise before the stage oscillates below 300 MHz, up to "
    "60 dB; negative: it oscillates",
    step=Step(1.0, "devices differ by more (common practice, no source)"),
    source="return ratio, Bode 1945 (from memory)",
)  # fmt: skip
def _stability_margin(a: Assessment) -> FloatArray:
    return transconductance_margin_dB(a.loaded, a.linear)
