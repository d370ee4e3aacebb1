"""Pins by the published base diagrams: RETMA 9A, 9AJ and 8BD, and the TO-92 case (from memory)."""

from __future__ import annotations

import pytest

from objectives.devices.connections import Heater, Pins
from objectives.devices.lookup import device, devices
from objectives.devices.parallel import ParallelSections
from objectives.devices.valve_table import read_valves, valve, valves
from objectives.devices.valve_writing import format_valves

NOVAL = (Pins(plate=1, grid=2, cathode=3), Pins(plate=6, grid=7, cathode=8))
OCTAL = (Pins(grid=1, plate=2, cathode=3), Pins(grid=4, plate=5, cathode=6))


@pytest.mark.parametrize(
    ("name", "diagram", "sections", "heater", "shield"),
    [
        *(
            (name, "9A", NOVAL, Heater(12.6, amperes, (4, 5), 9), None)
            for name, amperes in (
                ("12AX7", 0.15), ("12AU7", 0.15), ("12AT7", 0.15), ("12AY7", 0.15), ("5751", 0.175),
            )
        ),
        ("6DJ8", "9AJ", NOVAL, Heater(6.3, 0.365, (4, 5)), 9),
        ("6SN7", "8BD", OCTAL, Heater(6.3, 0.6, (7, 8)), None),
        ("6SL7", "8BD", OCTAL, Heater(6.3, 0.3, (7, 8)), None),
    ],
)  # fmt: skip
def test_a_valve_is_wired_by_its_base_diagram(
    name: str, diagram: str, sections: tuple[Pins, ...], heater: Heater, shield: int | None
) -> None:
    wired = valve(name).connections
    assert wired.base.endswith(f"diagram {diagram}")
    assert (wired.sections, wired.heater, wired.shield) == (sections, heater, shield)


@pytest.mark.parametrize(
    ("name", "pins"),
    [
        # TO-92, pins 1 to 3: collector, base, emitter; emitter, base, collector; drain, source,
        # gate.
        ("BC550B", Pins(plate=1, grid=2, cathode=3)),
        ("2N3904", Pins(cathode=1, grid=2, plate=3)),
        ("2N5457", Pins(plate=1, cathode=2, grid=3)),
        ("J201", Pins(plate=1, cathode=2, grid=3)),
    ],
)
def test_a_transistor_is_wired_by_its_case(name: str, pins: Pins) -> None:
    wired = device(name).connections
    assert (wired.base, wired.sections) == ("TO-92", (pins,))


def test_every_device_is_wired_each_pin_once_and_says_by_whom() -> None:
    for entry in devices():
        wired = entry.connections
        heater = () if wired.heater is None else (*wired.heater.pins, wired.heater.centre_tap)
        pins = [pin for section in wired.sections for pin in vars(section).values()]
        pins += [pin for pin in (*heater, wired.shield) if pin is not None]
        assert len(pins) == len(set(pins)) >= 3, entry.name
        assert wired.source, entry.name


def test_what_is_written_of_the_pins_is_read_again() -> None:
    again = read_valves(format_valves(valves()), "again")
    assert [entry.connections for entry in again] == [entry.connections for entry in valves()]


@pytest.mark.parametrize(("sections", "envelopes"), [(1, 1), (2, 1), (3, 2), (4, 2)])
def test_sections_in_parallel_take_as_many_valves_as_they_need(
    sections: int, envelopes: int
) -> None:
    together = ParallelSections.of(valve("12AX7"), sections=sections)
    assert together.connections.envelopes == envelopes
