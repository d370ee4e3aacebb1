"""TODO objectives.scores.operating_point."""

from __future__ import annotations

import numpy as np

from objectives.arrays import FloatArray
from objectives.assessment import Assessment
from objectives.scores.registry import score


def _of_point(name: str, unit: str, attribute: str, meaning: str) -> None:
    def compute(a: Assessment) -> FloatArray:
        return np.asarray(getattr(a.point, attribute))

    score(name, unit, "neither", meaning)(compute)


_of_point("plate_current_A", "A", "plate_current_A", "quiescent {plate} current")
_of_point("plate_voltage_V", "V", "plate_V", "quiescent {plate} voltage to ground")
_of_point("plate_cathode_voltage_V", "V", "plate_cathode_V", "quiescent {plate}-{cathode} voltage")
_of_point("cathode_voltage_V", "V", "cathode_V", "quiescent {cathode} voltage to ground")
_of_point("grid_cathode_voltage_V", "V", "grid_cathode_V", "quiescent {grid}-{cathode} voltage")
_of_point("plate_dissipation_W", "W", "plate_dissipation_W", "quiescent {plate} dissipation")
_of_point(
    "transconductance_S", "S", "transconductance_S", "transconductance at the operating point"
)
_of_point(
    "plate_resistance_ohm",
    "ohm",
    "plate_resistance_ohm",
    "{plate_resistance} at the operating point",
)
_of_point(
    "amplification_factor_ratio",
    "",
    "amplification_factor",
    "{amplification_factor} at the operating point",
)
