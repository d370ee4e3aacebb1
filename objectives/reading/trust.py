"""Whether a stage works where published numbers bear the law of its device out, in words."""

from __future__ import annotations

from objectives.assessment import Assessment
from objectives.format import first, quantity

_MEANINGLESS = 0.1
"""Share of the least current or voltage of the data under which a law tells nothing: the last of
the current near cut-off, which no law here follows, is then most of it (common practice, no
source)."""


def untrusted_words(pick: Assessment) -> str:
    """Return where the first stage of a batch lies outside its law's data; empty inside."""
    device, point = pick.device, pick.point
    if device.trusted is None or first(device.trusts(point)):
        return ""
    (low_A, _), (least_V, _) = device.trusted.plate_current_A, device.trusted.plate_voltage_V
    reached = first(point.plate_current_A) / low_A, first(point.plate_cathode_V) / least_V
    low, high = (quantity(v, "A") for v in device.trusted.plate_current_A)
    least, most = (quantity(v, "V") for v in device.trusted.plate_voltage_V)
    t = device.terms
    return (
        f"{quantity(point.plate_current_A, 'A', 3)} at {quantity(point.plate_cathode_V, 'V', 3)} "
        f"from {t.plate} to {t.cathode} lies outside the data that bear out the law of the "
        f"{device.name}, "
        f"{low} to {high} and {least} to {most}: "
        + (
            "gain and current may be further off than elsewhere."
            if min(reached) >= _MEANINGLESS
            else "so far below that none of its figures means anything."
        )
    )
