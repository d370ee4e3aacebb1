"""TODO objectives.fitting.parameters."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal, cast

import numpy as np
from numpy.typing import NDArray

from objectives.devices.fit_record import Law
from objectives.devices.triodes import LAWS, GridCurrent

FloatArray = NDArray[np.float64]
Equation = Literal["koren", "child-langmuir", "dempwolf-zolzer"]


# Parameters and how the fit moves them


@dataclass(frozen=True)
class _Knob:
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

    def inward(self, value: float) -> float:
        return float(np.log(value - self.floor)) if self.log else float(value)

    def outward(self, x: float) -> float:
        return float(np.exp(x) + self.floor) if self.log else float(x)

    @property
    def bounds(self) -> tuple[float, float]:
        """Bounds in the solver's unit, far outside any triode; they only keep it from overflow."""
        if not self.log:
            return -10.0, 10.0
        centre = self.inward(self.typical)
        # An exponent from 1.005 to 4, everything else within a factor of e^6 of typical.
        return (centre - 4.4, centre + 2.0) if self.floor else (centre - 6.0, centre + 6.0)


def _knobs(equation: str, mu: float) -> tuple[_Knob, ...]:
    """Return the parameters of a law with their typical values (common practice, no source)."""
    if equation == "koren":
        return (
            _Knob("mu", mu, 0.1),
            _Knob("ex", 1.4, 0.3, floor=1.0),
            _Knob("kg1", 1500.0, None),
            # Published sets of this form have sharpness of roughly four to ten times mu.
            _Knob("kp", 6.0 * mu, 1.0),
            _Knob("kvb", 300.0, 1.0),
            _Knob("grid_offset_V", 0.0, 0.3, log=False),
            _Knob("grid_smear_V", 0.1, 1.0),
        )
    if equation == "child-langmuir":
        return (
            _Knob("mu", mu, 0.1),
            _Knob("perveance", 1.5e-3, None),
            _Knob("grid_offset_V", 0.0, 0.3, log=False),
            _Knob("knee_V", 5.0, 0.5),
        )
    if equation == "dempwolf-zolzer":
        return (
            _Knob("mu", mu, 0.1),
            _Knob("perveance", 2e-3, None),
            _Knob("exponent", 1.3, 0.5, floor=1.0),
            _Knob("sharpness", 350.0 / mu, 1.0),
            _Knob("knee_V", 5.0, 0.5),
        )
    raise ValueError(f"law: {equation!r}: must be one of {', '.join(LAWS)}")


# What a fit to measured curves holds unless it is told otherwise.
HELD: Mapping[str, Mapping[str, float]] = {
    "koren": {"grid_smear_V": 0.0},
    "child-langmuir": {"knee_V": 5.0},
    "dempwolf-zolzer": {"knee_V": 5.0},
}


def _build(
    equation: str, knobs: Sequence[_Knob], x: Sequence[float] | FloatArray,
    held: Mapping[str, float], grid: GridCurrent | None,
) -> Law:  # fmt: skip
    values = {knob.name: knob.outward(float(v)) for knob, v in zip(knobs, x, strict=True)}
    return LAWS[equation](**values, **held, grid=grid)


def _rounded(law: Law) -> Law:
    """Return the law with its fitted parameters at six figures, as the table holds them."""
    names = [knob.name for knob in _knobs(_equation(law), 1.0)]
    figures: dict[str, Any] = {name: float(f"{getattr(law, name):.6g}") for name in names}
    return replace(law, **figures)


def _equation(law: Law) -> Equation:
    return cast(Equation, next(name for name, kind in LAWS.items() if type(law) is kind))


def _inside(knob: _Knob, value: float, factor: float) -> float:
    low, high = knob.bounds
    # Other starts differ in sharpness only, the parameter that local minima hang on.
    scale = factor if knob.name in ("kp", "sharpness") else 1.0
    return float(np.clip(knob.inward(value * scale), low + 1e-3, high - 1e-3))
