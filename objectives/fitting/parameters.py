"""The parameters of the triode laws as a least-squares solver moves and determines them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from objectives.arrays import FloatArray
from objectives.checks import InputError, Written
from objectives.devices.terms import VALVE
from objectives.devices.triodes import LAWS, Equation, GridCurrent, TriodeLaw


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
            # The parameter mu is not the published factor: a soft cut-off lowers the valve's
            # factor, the more the less current flows, so that mu lies up to twice above it.
            Unknown("mu", mu, 2.0),
            Unknown("ex", 1.4, 0.3, floor=1.0),
            Unknown("kg1", 1500.0, None),
            # Published sets of this form have sharpness of roughly four to ten times mu.
            Unknown("kp", 6.0 * mu, 2.0),
            Unknown("kvb", 300.0, 0.8),
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


def parameter_words(equation: Equation, name: str) -> str:
    """Return what people call a parameter of a law."""
    label, _ = LAWS[equation].parameter_labels.get(name, (name, ""))
    return VALVE.write(label)


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


def standard_errors(solution: Any, knobs: Sequence[Unknown]) -> dict[str, float]:
    """Return the standard error of each parameter, relative, or in volts where it may be 0.

    From the Gauss-Newton covariance. The residuals are in units of the reading error; where they
    come out smaller (synthetic data) that error still stands, so that the answer does not depend
    on luck.
    """
    jacobian = np.asarray(solution.jac)
    spare = max(jacobian.shape[0] - jacobian.shape[1], 1)
    variance = max(2.0 * float(solution.cost) / spare, 1.0)
    _, singular, axes = np.linalg.svd(jacobian, full_matrices=False)
    # A direction without effect gets a large but finite error, so that it can be named.
    singular = np.maximum(singular, 1e-9 * np.max(singular, initial=1e-300))
    spread = np.sqrt(variance * np.sum((axes.T / singular) ** 2, axis=1))
    error = {}
    for knob, x, s in zip(knobs, solution.x, spread, strict=True):
        value = knob.from_solver(float(x))
        # The solver's logarithm is that of what is above the floor.
        error[knob.name] = float(s) * (1.0 - knob.floor / value if knob.log else 1.0)
    return error


# A parameter known to no better than half its value, or an offset to half a volt, is not known.
_MOST_ERROR = 0.5


def require_determined(
    error: Mapping[str, float], solution: Any, knobs: Sequence[Unknown], fixed: Mapping[str, float]
) -> None:
    """Check that no parameter is left undetermined.

    Raises
    ------
    InputError
        Naming the parameter known worst, with what to measure or what to hold.
    """
    worst = max(error, key=lambda name: error[name])
    at_bound = [
        knob.name
        for knob, x in zip(knobs, solution.x, strict=True)
        if min(x - knob.bounds[0], knob.bounds[1] - x) < 1e-3
    ]
    if error[worst] <= _MOST_ERROR and not at_bound:
        return
    name = worst if error[worst] > _MOST_ERROR else at_bound[0]
    knob = next(k for k in knobs if k.name == name)
    if name == worst and error[worst] > _MOST_ERROR:
        how = (
            f"standard error {100 * error[name]:.0f} %" if knob.log
            else f"standard error {error[name]:.2g} V"
        )  # fmt: skip
    else:
        how = "it ran to the end of its range"
    held = ", ".join(f"{n}={v:.4g}" for n, v in {**fixed, name: knob.typical}.items())
    raise InputError(
        f"{name}",
        Written(f"not determined by these measurements ({how})"),
        f"must be within 50 %, or 0.5 V; {ADVICE[name]}, or hold it: {held}",
    )


ADVICE: Mapping[str, str] = {
    "mu": "add readings at other grid and plate voltages",
    "ex": "add readings over a wider range of current",
    "exponent": "add readings over a wider range of current",
    "kg1": "add readings at higher current",
    "perveance": "add readings at higher current",
    "kp": "add readings near cut-off",
    "sharpness": "add readings near cut-off",
    "kvb": "add readings at low plate voltage and a grid near zero",
    "knee_V": "add readings at plate voltages of a few volts",
    "grid_offset_V": "add readings at other grid voltages",
    "grid_smear_V": "add readings near cut-off at low plate voltage",
}
