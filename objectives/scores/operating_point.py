"""Scores of the operating point: currents, voltages and slopes at rest."""

from __future__ import annotations

from objectives.arrays import FloatArray
from objectives.assessment import Assessment
from objectives.scores.registry import Step, score


def _of_point(
    name: str, unit: str, attribute: str, label: str, meaning: str = "", step: Step | None = None
) -> None:
    def compute(a: Assessment) -> FloatArray:
        value: FloatArray = getattr(a.point, attribute)
        return value

    score(name, unit, "neither", meaning or f"quiescent {label}", label=label, step=step)(compute)


_of_point("plate_current_A", "A", "plate_current_A", "{plate} current")
_of_point("plate_voltage_V", "V", "plate_V", "{plate} voltage",
          "quiescent {plate} voltage to ground")  # fmt: skip
_of_point("plate_cathode_voltage_V", "V", "plate_cathode_V", "{plate} {cathode} voltage",
          "quiescent {plate}-{cathode} voltage")  # fmt: skip
_of_point("cathode_voltage_V", "V", "cathode_V", "{cathode} voltage",
          "quiescent {cathode} voltage to ground")  # fmt: skip
_of_point(
    "grid_cathode_voltage_V", "V", "grid_cathode_V", "{grid} {cathode} voltage",
    "quiescent {grid}-{cathode} voltage",
    Step(0.05, "devices of one type differ by as much (common practice, no source)"),
)  # fmt: skip
_of_point("plate_dissipation_W", "W", "plate_dissipation_W", "{plate} dissipation")
for _name, _unit, _attribute, _label in (
    ("transconductance_S", "S", "transconductance_S", "transconductance"),
    ("plate_resistance_ohm", "ohm", "plate_resistance_ohm", "{plate_resistance}"),
    ("amplification_factor_ratio", "", "amplification_factor", "{amplification_factor}"),
):
    _of_point(_name, _unit, _attribute, _label, f"{_label} at the operating point")
