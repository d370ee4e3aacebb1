"""What is known of a device as the rows of a data table: numbers with units, and their source."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from objectives.devices.law import Datum
from objectives.devices.protocol import MET_WITHIN, Device, OperatingPoint

_TRUSTED = (
    f"between the data that the law meets within {100 * MET_WITHIN:g} %, seen by its fit or not"
)


@dataclass(frozen=True)
class DataRow:
    """One row: its label and the labels of its numbers are templates for ``Terms.write``."""

    label: str
    data: tuple[Datum, ...]
    source: str


def data_rows(device: Device, point: OperatingPoint | None = None) -> tuple[DataRow, ...]:
    """Return law, capacitances, pins, heater, ratings, noise and spreads of a device.

    Parameters
    ----------
    point :
        Operating point at which the capacitances hold; without bias when None.
    """
    if point is None:
        none = np.zeros(())
        at_rest = {field.name: none for field in fields(OperatingPoint)}
        point, where = OperatingPoint(**at_rest), "capacitances, without bias and strays"
    else:
        where = "capacitances, without strays"
    between = ("{grid}–{cathode}", "{grid}–{plate}", "{plate}–{cathode}")
    capacitances = tuple(
        Datum(label, value, "F")
        for label, value in zip(between, device.capacitances(point), strict=True)
    )
    law, sources = device.law, device.sources
    rows = [DataRow(f"equation: {law.title}", law.parameters(), sources.law)]
    if device.trusted is not None:
        low_A, high_A = device.trusted.plate_current_A
        low_V, high_V = device.trusted.plate_voltage_V
        trusted = (
            Datum("least {plate} current", np.asarray(low_A), "A"),
            Datum("greatest {plate} current", np.asarray(high_A), "A"),
            Datum("least {plate} voltage", np.asarray(low_V), "V"),
            Datum("greatest {plate} voltage", np.asarray(high_V), "V"),
        )
        rows.append(DataRow("where the law can be trusted", trusted, _TRUSTED))
    if law.grid_parameters():
        rows.append(DataRow("{grid} current", law.grid_parameters(), sources.grid_current))
    rows.append(DataRow(where, capacitances, sources.capacitance))
    wired = device.connections
    for number, pins in enumerate(wired.sections):
        other = "" if number == 0 else "the other section's "
        own = (Datum("{grid}", pins.grid), Datum("{plate}", pins.plate),
               Datum("{cathode}", pins.cathode))  # fmt: skip
        shield = () if wired.shield is None else (Datum("shield", wired.shield),)
        rows.append(DataRow(f"{other}pins, {wired.base}", own + shield, wired.source))
    if wired.heater is not None:
        heater = wired.heater
        ends = tuple(Datum("pin", pin) for pin in heater.pins)
        tap = () if heater.centre_tap is None else (Datum("centre tap", heater.centre_tap),)
        supplied = (
            Datum("voltage", heater.voltage_V, "V"),
            Datum("current", heater.current_A, "A"),
        )
        rows.append(DataRow("heater", supplied + ends + tap, wired.source))
    if device.maxima:
        rows.append(DataRow("ratings, each a maximum", device.maxima, sources.ratings))
    rows.append(DataRow("noise", device.noise_data, sources.noise))
    return tuple(rows)
