"""Two stages side by side: how they differ, and which of their parts make the difference."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

from objectives.assessment import Assessment
from objectives.elements import ELEMENTS
from objectives.format import first
from objectives.reading.differences import (
    Difference,
    Figures,
    as_read,
    changed,
    customary_lead_H,
    differences,
    figures,
)

STRAYS: Final = "strays"
"""Stands for all stray capacitances and inductances."""

_TOGETHER: Final = {
    "source_ratio": "source_ohm",
    "cable_F": "source_ohm",
    "load_F": "load_ohm",
    "grid_bias_ratio": "grid_bias_V",
} | dict.fromkeys(
    (
        "stopper_shunt_F", "stopper_lead_H", "stray_grid_plate_F", "stray_grid_cathode_F",
        "stray_plate_cathode_F", "stray_grid_ground_F", "stray_plate_ground_F", "grid_lead_H",
        "plate_lead_H", "cathode_lead_H",
    ),
    STRAYS,
)  # fmt: skip
"""Fields that belong to another: they change together."""


@dataclass(frozen=True)
class Swap:
    """The first stage with one part of the second in place of its own."""

    part: str
    """Field of :class:`~objectives.stage.Stage`; ``device``; or :data:`STRAYS`."""
    values: tuple[float, float]
    """Of the part in the first stage and in the second; nan where it has no one value."""
    differences: tuple[Difference, ...]
    """From the first stage to the first stage with this part changed."""

    @property
    def noticeable(self) -> tuple[Difference, ...]:
        """The differences of at least one noticeable step."""
        return tuple(d for d in self.differences if d.noticeable)


@dataclass(frozen=True)
class Total:
    """A score of both stages, and how far the parts taken one by one account for it."""

    difference: Difference
    """From the first stage to the second."""
    explained_steps: float
    """Sum over the swaps; what is left to the whole is interaction between parts."""

    @property
    def interaction_steps(self) -> float:
        """Noticeable steps that no part makes alone."""
        return self.difference.steps - self.explained_steps


@dataclass(frozen=True)
class Comparison:
    """Why two stages differ."""

    swaps: tuple[Swap, ...]
    totals: tuple[Total, ...]
    lead_H: float
    """Inductance assumed of each lead of both (common practice); 0 where one states its own."""


def compare(first_stage: Assessment, second_stage: Assessment) -> Comparison:
    """Compare two stages, both at the reference frequency and in the radio bands of the first.

    Parts are changed from the first to the second one at a time. Source, load and strays each
    change as a whole; so do the grid leak and the input coupling where one stage has no leak, and
    the load and the output coupling where a cathode follower comes or goes.

    Raises
    ------
    ValueError
        If an assessment is not of one stage.
    """
    a = as_read(first_stage)
    b = replace(second_stage.single(), targets=a.targets)
    lead_H = min(customary_lead_H(a), customary_lead_H(b))
    own, other = figures(a, lead_H), figures(b, lead_H)
    here, there = ({n: first(v) for n, v in x.stage.numeric_fields().items()} for x in (a, b))
    owners = dict(_TOGETHER)
    if math.inf in (here["grid_leak_ohm"], there["grid_leak_ohm"]):
        owners["input_coupling_F"] = "grid_leak_ohm"
    followed = a.follower != b.follower
    if followed:
        owners["output_coupling_F"] = "load_ohm"
    groups: dict[str, dict[str, float]] = {}
    for name in (name for name in ELEMENTS if name in here and here[name] != there[name]):
        groups.setdefault(owners.get(name, name), {})[name] = there[name]
    swaps = []

    def swap(part: str, batch: Figures, row: int = 0) -> None:
        values = here.get(part, math.nan), there.get(part, math.nan)
        swaps.append(Swap(part, values, differences(own, batch, row)))

    if a.device != b.device:
        swap("device", figures(replace(a, device=b.device), lead_H))
    if followed:
        load = groups.pop("load_ohm", {})
        swap("load_ohm", figures(changed(replace(a, follower=b.follower), [load]), lead_H))
    if groups:
        batch = figures(changed(a, list(groups.values())), lead_H)
        for row, part in enumerate(groups):
            swap(part, batch, row)
    totals = tuple(
        Total(whole, sum(swap.differences[at].steps for swap in swaps))
        for at, whole in enumerate(differences(own, other, 0))
    )
    return Comparison(tuple(swaps), totals, lead_H)
