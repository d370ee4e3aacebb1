"""The valves and transistors of the tables as records: a list of them, and one in full."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, Final

import numpy as np

from objectives.devices.data_rows import data_rows
from objectives.devices.protocol import Device
from objectives.format import number
from objectives.tolerance.spreads import DEVICE_QUANTITIES

_KINDS: Final = {
    "triode": "triode",
    "junction-fet": "junction FET",
    "bipolar": "bipolar transistor",
}


def device_list(devices: Iterable[Device]) -> list[dict[str, str]]:
    """Return one line a device: names, main ratings, worst residuals in per cent."""
    return [
        {
            **device_heading(device),
            "also": ", ".join(device.aliases[:2]),
            "max (V)": _or_dash(device.plate_voltage_max_V),
            "max (W)": _or_dash(device.plate_dissipation_max_W),
            "trusted (mA)": "–" if trusted is None else _ends(trusted.plate_current_A, 1e3),
            "trusted (V)": "–" if trusted is None else _ends(trusted.plate_voltage_V),
            "worst fitted (%)": _worst(device, "fitted"),
            "worst tested (%)": _worst(device, "tested"),
            "cut-off (ratio)": _cut_off(device),
        }
        for device in devices
        for trusted in (device.trusted,)
    ]


def device_heading(device: Device) -> dict[str, str]:
    """Return name, kind, other names and description."""
    return {
        "device": device.name,
        "kind": _KINDS[device.symbol],
        "also": ", ".join(device.aliases),
        "what it is": device.description,
    }


def _or_dash(value: float | None) -> str:
    return "–" if value is None else number(value)


def _ends(ends: tuple[float, float], by: float = 1.0) -> str:
    return " to ".join(number(by * end, 3) for end in ends)


def _worst(device: Device, used: str) -> str:
    worst = device.fit.worst_percent(used) if device.fit is not None else float("nan")
    return "–" if np.isnan(worst) else f"{worst:.1f}"


def _cut_off(device: Device) -> str:
    ratio = device.fit.cut_off_ratio if device.fit is not None else float("nan")
    return "–" if np.isnan(ratio) else number(ratio, 2)


def device_record(device: Device) -> dict[str, Any]:
    """Return everything the tables know of one device: numbers, residuals and sources."""
    write, fit = device.terms.write, device.fit
    return {
        **device_heading(device),
        "data": [
            {
                "what": write(row.label),
                "numbers": [
                    {"what": write(d.label), "value": d.value.item(), "unit": d.unit}
                    for d in row.data
                ],
                "source": row.source,
            }
            for row in data_rows(device)
        ],
        "spreads": [
            {
                "what": write(DEVICE_QUANTITIES[spread.quantity]),
                "low": spread.low,
                "high": spread.high,
                "distribution": spread.distribution,
                "source": spread.source,
            }
            for spread in device.spreads
        ],
        "fit": None if fit is None else fit.method,
        "residuals": [
            {**vars(point), "residual_percent": point.residual_percent}
            for point in (() if fit is None else fit.points)
        ],
        "curves": [
            {
                "used": curve.used,
                "within_V": curve.within_V,
                "within_A": curve.within_A,
                "source": curve.source,
                "readings": [
                    {**vars(reading), "error_V": round(float(error), 2)}
                    for reading, error in zip(
                        curve.readings, curve.plate_error_V(device.law), strict=True
                    )
                ],
            }
            for curve in (() if fit is None else fit.curves)
        ],
    }
