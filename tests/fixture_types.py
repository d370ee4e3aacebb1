"""Types of what the shared fixtures make, by name."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeAlias

from explorer.formulation import Formulation
from objectives.assessment import Assessment
from objectives.circuit.small_signal import SmallSignal
from objectives.stage import Stage

ReadReference: TypeAlias = Callable[[str], dict[str, Any]]
"""Takes the name of a published table."""
MakeStages: TypeAlias = Callable[..., tuple[Stage, SmallSignal]]
"""Takes how many, and a seed."""
MakeBriefText: TypeAlias = Callable[..., str]
"""Takes pairs of texts, the second in place of the first."""
MakeFormulation: TypeAlias = Callable[..., Formulation]
"""Takes pairs of texts, and the brief's folder."""
Restage: TypeAlias = Callable[..., Assessment]
"""Takes fields of the pick's stage."""


TARGETLESS = (
    'input_corner = "8 kHz"\n\n[[targets.radio_bands]]\nname = "medium wave"\nfrom = "530 kHz"\n'
    'to = "1.7 MHz"\nattenuation = "12 dB"\n',
    "",
)
"""A change of the brief that takes its targets out: a target takes part by itself."""
