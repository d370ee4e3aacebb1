"""The circuit and the parts list of a stage."""

from __future__ import annotations

import math
from collections.abc import Sequence

import pandas as pd

from objectives.devices.connections import Heater
from objectives.devices.protocol import Device
from objectives.devices.terms import Terms
from objectives.elements import DRIVER, ELEMENTS
from objectives.format import SPACE, number, part_value, percent, quantity, sentence
from objectives.ordering import POWER_SHARE, WITHIN_DB, Order
from reports.layout import Block, Prose, Slot, Table
from reports.model import DriverSummary, PartLine, StageData


def parts_slot(data: StageData) -> Slot:
    """Return the parts list, and what must be known to order and wire them."""
    pick, device = data.pick, data.pick.device
    blocks: list[Block] = []
    if pick.follower is not None:
        blocks.append(
            Prose([f"The output drives the {pick.follower[1].name} cathode follower, which is not "
                   "drawn."])
        )  # fmt: skip
    frame = pd.DataFrame(
        [_device_row(device), *(_row(lines, data) for lines in purchases(data.parts))]
    )
    if not any(line.note for line in data.parts):
        frame = frame.drop(columns="note")
    return Slot("parts", [*blocks, Table(frame), Prose(_remarks(data), listed=True)])


def purchases(lines: Sequence[PartLine]) -> list[list[PartLine]]:
    """Return the lines of a parts list with those that are bought as the same part together."""
    together: dict[object, list[PartLine]] = {}
    for line in lines:
        same = (ELEMENTS[line.field].kind, line.bought, line.order) if line.order else line.field
        together.setdefault(same, []).append(line)
    return list(together.values())


def _device_row(device: Device) -> dict[str, str]:
    wired = device.connections
    return {
        "part": device.terms.kind,
        "value": f"{wired.envelopes} × {device.name}",
        "order": wired.base or "—",
        "marking (IEC 60062)": "—",
        "for": "amplifies",
        "stress": "see the limits",
        "origin": "—",
        "note": "—",
    }


def _row(lines: Sequence[PartLine], data: StageData) -> dict[str, str]:
    terms, line = data.terms, lines[0]
    value = part_value(line.field, line.value)
    if line.order is not None:
        value = f"{len(lines)} × {part_value(line.field, line.bought)}"

    def of_each(texts: Sequence[str]) -> str:
        return "; ".join(dict.fromkeys(text for text in texts if text)) or "—"

    return {
        "part": of_each([_label(each, data) for each in lines]),
        "value": value,
        "order": "—" if line.order is None else order_words(line.order),
        "marking (IEC 60062)": line.marking or "—",
        "for": of_each([terms.write(ELEMENTS[each.field].purpose) for each in lines]),
        "stress": of_each([_stress(each, data.driver, terms) for each in lines]),
        "origin": of_each(
            [
                f"chosen from {each.origin}" if each.origin else "fixed by the brief"
                for each in lines
            ]
        ),
        "note": of_each([each.note for each in lines]),
    }


def _label(line: PartLine, data: StageData) -> str:
    if line.field == f"{DRIVER}divider_shunt_ohm" and data.driver.level < 1:
        return f"level control, set to {number(data.driver.level, 3)}"
    return ELEMENTS[line.field].label_for(data.terms)


def order_words(order: Order) -> str:
    """Return what to ask a shop for: ``±5 %, 0.5 W, 350 V``."""
    low, high = order.tolerance
    words = [f"±{percent(high)}" if low == -high else f"−{number(-100 * low)}/+{percent(high)}"]
    if math.isinf(order.voltage_V):
        return f"{words[0]}; beyond every standard rating: share the stress between several"
    if not math.isnan(order.power_W):
        words.append(f"{number(order.power_W)}{SPACE}W")
    return ", ".join([*words, quantity(order.voltage_V, "V")])


def _stress(line: PartLine, driver: DriverSummary, terms: Terms) -> str:
    stress, element = line.stress, ELEMENTS[line.field]
    if line.order is None:
        return ""
    if not stress.when:
        return "signals only"
    voltage = quantity(stress.voltage_V, "V", 3)
    if element.voltage == "source_V":
        whose = "driving stage's" if driver.device else "stage's own"
        return f"the {whose} supply, {voltage}, at switch-on"
    if stress.when == "at switch-on":
        return f"the full supply, {voltage}, at switch-on"
    if not math.isnan(stress.at_most_V):
        return (
            f"{voltage} at rest, at most {quantity(stress.at_most_V, 'V', 3)} with the "
            f"{terms.kind} fully conducting; none at switch-on, before it conducts"
        )
    return f"{quantity(stress.power_W, 'W', 3)}, {voltage} {stress.when}"


def _remarks(data: StageData) -> list[str]:
    """Return what replaces idealised parts, the pins, and how ratings were chosen."""
    terms, derating, driver = data.terms, data.pick.targets.derating, data.driver
    remarks = [
        f"The circuit leaves out: {terms.supplies}, the capacitances of {terms.kind} and wiring"
        + (
            ", and the capacitor between the earlier stage and its attenuator."
            if driver.device and driver.attenuates
            else "."
        )
    ]
    for line in data.parts:
        if math.isnan(line.down_to_Hz):
            continue
        what = (
            f"{sentence(ELEMENTS[line.field].label_for(terms))}, idealised as "
            f"{part_value(line.field, line.value)}"
        )
        within = f"within {quantity(WITHIN_DB, 'dB')} of that at {quantity(line.down_to_Hz, 'Hz')}"
        remarks.append(
            f"{what}: {part_value(line.field, line.bought)} is the smallest of its series that "
            f"keeps the level {within}."
            if line.order is not None
            else f"{what}: no capacitor of its series keeps the level {within}."
        )
    wiring = device_wiring(data.pick.device)
    if wiring:
        remarks.append(wiring)
    remarks.append(
        "Stresses hold with the supply at the top of its tolerance. Ratings are the next standard "
        f"ones that leave {percent(1 - min(derating, POWER_SHARE))} of a resistor's power unused"
        + (f" and {percent(1 - derating)} of each voltage" if derating < 1 else "")
        + "; a power that the brief states is ordered as it stands. Working voltages of resistors "
        "are those customary for the size (common practice, no source)."
    )
    return remarks


def pin_words(device: Device) -> str:
    """Return the pins of the sections in use: ``plate 1, grid 2, cathode 3``; empty if unknown."""
    sections = device.connections.sections[: device.connections.used]
    t = device.terms
    return "; ".join(
        f"{t.plate} {pins.plate}, {t.grid} {pins.grid}, {t.cathode} {pins.cathode}"
        for pins in sections
    )


def device_wiring(device: Device) -> str:
    """Return pins and heater of a device in a sentence or two; empty where they are not known."""
    wired, t = device.connections, device.terms
    sections = [
        f"{t.plate} {pins.plate}, {t.grid} {pins.grid}, {t.cathode} {pins.cathode}"
        for pins in wired.sections
    ]
    sentences = []
    if sections:
        joint = "; and " if wired.used > 1 else "; or "
        shield = "" if wired.shield is None else f"; shield {wired.shield}"
        sentences.append(
            f"Pins of the {device.name}, {wired.base}: {joint.join(sections)}{shield}."
        )
    if wired.heater is not None:
        sentences.append(_heater(wired.heater))
    if wired.source:
        sentences.append(f"Source: {wired.source}.")
    return " ".join(sentences)


def _heater(heater: Heater) -> str:
    volts, amperes = heater.voltage_V, heater.current_A
    text = f"Heater: {quantity(volts, 'V')}, {quantity(amperes, 'A')}"
    if heater.pins:
        text += f" between {heater.pins[0]} and {heater.pins[1]}"
    if heater.centre_tap is not None:
        half = f"{quantity(volts / 2, 'V')}, {quantity(2 * amperes, 'A')}"
        text += f", or {half} between {heater.centre_tap} and these two joined"
    return f"{text}."
