"""Valves of the table in words and numbers for people and for machines."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import fields
from typing import Any

import numpy as np
import pandas as pd

from explorer.units import format_quantity
from objectives.devices.fit_record import CurveReadings, FitPoint
from objectives.devices.valve import Valve

__all__ = ["valve_frame", "valve_record"]

_UNITS = {
    "plate_current_A": "A",
    "transconductance_S": "S",
    "plate_resistance_ohm": "ohm",
}


def valve_frame(entries: Iterable[Valve]) -> pd.DataFrame:
    """Return one row a valve: names, main ratings, capacitances, worst residuals."""
    return pd.DataFrame(
        [
            {
                "valve": v.name,
                "also": ", ".join(v.aliases[:4]),
                "what it is": v.description,
                "Cgp (pF)": f"{v.c_grid_plate_F * 1e12:.2f}",
                "Cgk (pF)": f"{v.c_grid_cathode_F * 1e12:.2f}",
                "Cpk (pF)": f"{v.c_plate_cathode_F * 1e12:.2f}",
                "plate max (V)": _or_dash(v.plate_voltage_max_V),
                "plate max (W)": _or_dash(v.plate_dissipation_max_W),
                "worst fitted (%)": _worst(v, "fitted"),
                "worst tested (%)": _worst(v, "tested"),
            }
            for v in entries
        ]
    )


def _picofarads(value_F: float) -> str:
    # Electrode capacitances are always quoted in picofarads, however small.
    return f"{value_F * 1e12:.3g} pF"


def _or_dash(value: float | None) -> str:
    return "–" if value is None else f"{value:g}"


def _worst(entry: Valve, used: str) -> str:
    worst = entry.fit.worst_percent(used) if entry.fit is not None else float("nan")
    return "–" if np.isnan(worst) else f"{worst:.1f}"


def valve_record(entry: Valve) -> dict[str, Any]:
    """Return everything the table knows of one valve, residuals and sources included."""
    law = entry.law
    rated = ("_max_V", "_max_W", "_max_A", "_max_ohm")
    return {
        "valve": entry.name,
        "also": ", ".join(entry.aliases),
        "what it is": entry.description,
        "law": {
            "equation": type(law).__name__,
            **{f.name: getattr(law, f.name) for f in fields(law) if f.name != "grid"},
            "source": entry.law_source,
        },
        "grid current": {
            **(
                {f.name: getattr(law.grid, f.name) for f in fields(law.grid)}
                if law.grid is not None
                else {"law": "none"}
            ),
            "source": entry.grid_current_source,
        },
        "capacitance": {
            "grid to plate": _picofarads(entry.c_grid_plate_F),
            "grid to cathode": _picofarads(entry.c_grid_cathode_F),
            "plate to cathode": _picofarads(entry.c_plate_cathode_F),
            "source": entry.capacitance_source,
        },
        "ratings": {
            **{
                f.name: getattr(entry, f.name)
                for f in fields(entry)
                if f.name.endswith(rated) and getattr(entry, f.name) is not None
            },
            "source": entry.ratings_source,
        },
        "noise": {f.name: getattr(entry.noise, f.name) for f in fields(entry.noise)},
        "spread": {f.name: getattr(entry.spread, f.name) for f in fields(entry.spread)},
        "fit": entry.fit.method if entry.fit is not None else "none",
        "residuals": [_point(p) for p in (entry.fit.points if entry.fit is not None else ())],
        "curves": [_curve(c, entry) for c in (entry.fit.curves if entry.fit is not None else ())],
    }


def _curve(curve: CurveReadings, entry: Valve) -> dict[str, Any]:
    error = curve.plate_error_V(entry.law)
    return {
        "readings": len(curve.readings),
        "r.m.s. error along the plate voltage": f"{np.sqrt(np.mean(error**2)):.1f} V",
        "largest": f"{error[np.argmax(np.abs(error))]:+.1f} V",
        "could be read to": f"{curve.within_V:g} V",
        "used": curve.used,
        "source": curve.source,
        "each": [
            {
                "grid_V": r.grid_V,
                "plate_V": r.plate_V,
                "plate_current_A": r.plate_current_A,
                "law_A": r.law_A,
                "error_V": round(float(volts), 2),
            }
            for r, volts in zip(curve.readings, error, strict=True)
        ],
    }


def _point(point: FitPoint) -> dict[str, str]:
    unit = _UNITS.get(point.quantity)

    def shown(value: float) -> str:
        return format_quantity(value, unit, 3) if unit else f"{value:.3g}"

    return {
        "quantity": point.quantity.rsplit("_", 1)[0].replace("_", " ")
        if unit
        else point.quantity.replace("_", " "),
        "conditions": ", ".join(f"{k} {v:g}" for k, v in point.conditions.items()),
        "published": shown(point.published),
        "law": shown(point.law),
        "error": f"{point.residual_percent:+.1f} %",
        "used": point.used,
        "source": point.source,
    }
