"""The parameters of the triode laws as a least-squares solver moves them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from objectives.arrays import FloatArray
from objectives.checks import InputError
from objectives.devices.triodes import LAWS, GridCurrent, TriodeLaw


@dataclass(frozen=True)
class Unknown:
    """One parameter of a law as the solver sees it.

    ``log``: the solver moves ln(value - floor), so the value stays above the floor.
    ``typical`` and ``width`` (in the solver's own unit) are what a fit to a few published points
    is held near where they leave the parameter open; a width of None leaves it free.
    """

    name: str
    typical: float
    width: float | None
    log: bool = True
    floor: float = 0.0

    def to_solver(self, value: float) -> float:
        """Return what the solver moves for a value of the parameter."""
        return float(np.log(value - self.floor)) if self.log else float(value)

    def from_solver(self, x: float) -> float:
        """Return the value of the parameter for what the solver moves."""
        return float(np.exp(x) + self.floor) if self.log else float(x)

    @property
    def bounds(self) -> tuple[float, float]:
        """Bounds in the solver's unit, far outside any triode; they only keep it from overflow."""
        if not self.log:
            return -10.0, 10.0
        centre = self.to_solver(self.typical)
        # An exponent from 1.005 to 4, everything else within a factor of e^6 of typical.
        return (centre - 4.4, centre + 2.0) if self.floor else (centre - 6.0, centre + 6.0)


def unknowns(equation: str, mu: float) -> tuple[Unknown, ...]:
    """Return the parameters of a law with their typical values (common practice, no source)."""
    if equation == "koren":
        return (
            Unknown("mu", mu, 0.1),
            Unknown("ex", 1.4, 0.3, floor=1.0),
            Unknown("kg1", 1500.0, None),
            # Published sets of this form have sharpness of roughly four to ten times mu.
            Unknown("kp", 6.0 * mu, 1.0),
            Unknown("kvb", 300.0, 1.0),
            Unknown("grid_offset_V", 0.0, 0.3, log=False),
            Unknown("grid_smear_V", 0.1, 1.0),
        )
    if equation == "child-langmuir":
        return (
            Unknown("mu", mu, 0.1),
            Unknown("perveance", 1.5e-3, None),
            Unknown("grid_offset_V", 0.0, 0.3, log=False),
            Unknown("knee_V", 5.0, 0.5),
        )
    if equation == "dempwolf-zolzer":
        return (
            Unknown("mu", mu, 0.1),
            Unknown("perveance", 2e-3, None),
            Unknown("exponent", 1.3, 0.5, floor=1.0),
            Unknown("sharpness", 350.0 / mu, 1.0),
            Unknown("knee_V", 5.0, 0.5),
        )
    raise InputError("law", equation, f"must be one of {', '.join(LAWS)}")


# What a fit to measured curves holds unless it is told otherwise.
HELD: Mapping[str, Mapping[str, float]] = {
    "koren": {"grid_smear_V": 0.0},
    "child-langmuir": {"knee_V": 5.0},
    "dempwolf-zolzer": {"knee_V": 5.0},
}


def law_from(
    equation: str, knobs: Sequence[Unknown], x: Sequence[float] | FloatArray,
    held: Mapping[str, float], grid: GridCurrent | None,
) -> TriodeLaw:  # fmt: skip
    """Return the law at a point of the solver, with the parameters that are held."""
    values = {knob.name: knob.from_solver(float(v)) for knob, v in zip(knobs, x, strict=True)}
    return LAWS[equation](**values, **held, grid=grid)


def rounded(law: TriodeLaw) -> TriodeLaw:
    """Return the law with its fitted parameters at six figures, as the table holds them."""
    names = [knob.name for knob in unknowns(law.equation, 1.0)]
    figures: dict[str, Any] = {name: float(f"{getattr(law, name):.6g}") for name in names}
    return replace(law, **figures)


def first_guess(knob: Unknown, value: float, factor: float) -> float:
    """Return where the solver starts a parameter, inside its bounds."""
    low, high = knob.bounds
    # Other starts differ in sharpness only, the parameter that local minima hang on.
    scale = factor if knob.name in ("kp", "sharpness") else 1.0
    return float(np.clip(knob.to_solver(value * scale), low + 1e-3, high - 1e-3))
