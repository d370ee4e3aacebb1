"""Whether a stage works where published numbers bear the law of its device out, in words."""

from __future__ import annotations

from objectives.assessment import Assessment
from objectives.format import first, quantity


def untrusted_words(pick: Assessment) -> str:
    """Return where the first stage of a batch lies outside its law's data; empty inside."""
    device, point = pick.device, pick.point
    if device.trusted is None or first(device.trusts(point)):
        return ""
    low, high = (quantity(v, "A") for v in device.trusted.plate_current_A)
    least, most = (quantity(v, "V") for v in device.trusted.plate_voltage_V)
    return (
        f"{quantity(point.plate_current_A, 'A', 3)} at {quantity(point.plate_cathode_V, 'V', 3)} "
        f"lies outside what bears out the law of the {device.name}, "
        f"{low} to {high} and {least} to {most}: gain and current may be further off than "
        "elsewhere."
    )
