"""The cautions that open a report: what may hurt or kill whoever builds the stage."""

from __future__ import annotations

from typing import Final

from reports.model import StageData

_HARMLESS_V: Final = 60.0
"""Direct voltages up to here are harmless to dry skin (IEC 61140, from memory, ripple-free)."""


CAUTIONS: Final = (
    "Valve stages work at voltages that kill. Only people who are trained to work on live high "
    "voltage, or are supervised by someone who is, should build, open or probe one.",
    "Capacitors keep their charge after the equipment is switched off and unplugged. Discharge "
    "them through a resistor made for it, then measure that the voltage is gone, every time "
    "before touching anything.",
    "For measurements that must be made live: one hand only, insulated probes clipped on with the "
    "power off, no jewellery, never alone.",
    "Isolation from the mains, protective earth, fuses, clearances and insulation are no part of "
    "this calculation. The electrical code of the place, and a licensed practitioner where it "
    "asks for one, decide what may be built and used.",
    "Parts must withstand the voltage as well as the power, at switch-on too: before the cathode "
    "is warm the whole supply appears across coupling and decoupling capacitors.",
    "All figures are calculated from nominal data. Measure the built stage before relying on them.",
)
"""Where any supply of the circuit is more than harmless."""


LOW_VOLTAGE_CAUTIONS: Final = (
    "The stage itself works at a harmless voltage; what supplies it may not. Chargers, adapters "
    "and anything else on the mains are for people who are trained to work on them, and the "
    "electrical code of the place decides what may be built and used.",
    "Reversed polarity, static electricity, and a soldering iron on a live board destroy "
    "junctions: switch off, let capacitors discharge, and touch ground first.",
    "Electrolytic capacitors with reversed polarity burst. Parts must withstand the full supply, "
    "as a coupling capacitor does at switch-on.",
    "All figures are calculated from nominal data. Measure the built stage before relying on them.",
)
"""Where every supply of the circuit is harmless."""


def cautions(data: StageData) -> tuple[str, ...]:
    """Return the cautions that the highest supply of the circuit asks for."""
    return CAUTIONS if data.highest_supply_V > _HARMLESS_V else LOW_VOLTAGE_CAUTIONS


def danger(data: StageData) -> str:
    """Return the cautions in a line."""
    if data.highest_supply_V > _HARMLESS_V:
        return (
            "High voltage kills: building and probing are for people trained to do it, under local "
            "codes. All figures are calculated."
        )
    return (
        "What supplies this stage may be less harmless than the stage. All figures are calculated."
    )
