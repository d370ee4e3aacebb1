"""TODO reports.sections.cautions."""

from __future__ import annotations

from typing import Final

__all__ = ["CAUTIONS"]

CAUTIONS: Final = (
    "Valve stages work at voltages that kill. Only people who are trained to work on live high "
    "voltage, or are supervised by someone who is, should build, open or probe one.",
    "Capacitors keep their charge after the equipment is switched off and unplugged. Discharge "
    "them through a resistor made for it, then measure that the voltage is gone, every time "
    "before touching anything.",
    "What must be measured live: one hand only, insulated probes clipped on with the power off, "
    "no jewellery, never alone.",
    "Isolation from the mains, protective earth, fuses, clearances and insulation are no part of "
    "this calculation. The electrical code of the place, and a licensed practitioner where it "
    "asks for one, decide what may be built and used.",
    "Parts must stand the voltage as well as the power, at switch-on too: before the cathode is "
    "warm the whole supply stands across coupling and decoupling capacitors.",
    "All figures are calculated from nominal data. Measure the built stage before relying on them.",
)
"""Said before anything else when the contents bring no cautions of their own."""
