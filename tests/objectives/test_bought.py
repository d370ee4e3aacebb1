"""Tolerances as bought, against what makers' and service documents print."""

from __future__ import annotations

import numpy as np
import pytest

from objectives.marking import TOLERANCE_LETTERS
from objectives.radio.tables import resistor_style, resistor_styles
from objectives.tolerance.bought import SERIES_TOLERANCE, as_sold

# Sanyo, service manual of the DP19649, 2009, capacitor and resistor code chart, p. 41; F and G for
# capacitors: C. Lowe and others, Electronics Capacitor Tolerance Code, dummies.com; Q: IEC 60062
# (from memory); S: list of members of electro-tech-online.com, Capacitor Letter, with IEC 60062
# (from memory).
PRINTED = {
    "D": (-0.5, 0.5), "F": (-1, 1), "G": (-2, 2), "J": (-5, 5), "K": (-10, 10), "M": (-20, 20),
    "N": (-30, 30), "Q": (-10, 30), "S": (-20, 50), "T": (-10, 50), "Z": (-20, 80),
}  # fmt: skip


def test_letters_are_those_that_are_printed() -> None:
    assert TOLERANCE_LETTERS.keys() == PRINTED.keys()
    for letter, percent in PRINTED.items():
        assert TOLERANCE_LETTERS[letter] == pytest.approx(np.array(percent) / 100), letter


@pytest.mark.parametrize("series", [None, "E3", "E6", "E12", "E24"])
def test_a_coarse_series_makes_no_part_wider(series: str | None) -> None:
    # Film resistors are sold to 1 or 5 %, wound film capacitors to 1, 2.5, 5, 10 and 20 % (WIMA,
    # Capacitance Tolerance); aluminium electrolytics to -20/+50 % (from memory).
    resistor = as_sold("stopper_ohm", np.array([68e3]), series=series)
    film = as_sold("output_coupling_F", np.array([22e-9]), series=series)
    large = as_sold("bypass_F", np.array([1e-6, 22e-6]), series=series)
    assert [(s.low, s.high) for s in (resistor, film, large)] == [
        (-0.05, 0.05), (-0.1, 0.1), (-0.2, 0.5),
    ]  # fmt: skip


@pytest.mark.parametrize(("series", "tolerance"), SERIES_TOLERANCE.items())
def test_parts_of_a_fine_series_are_as_close_as_its_step(series: str, tolerance: float) -> None:
    assert as_sold("stopper_ohm", np.array([68.1e3]), series=series).high == tolerance
    assert as_sold("plate_capacitor_F", np.array([226e-12]), series=series).high == tolerance
    # Neighbours just meet.
    step = 10 ** (1 / int(series[1:]))
    assert (1 + tolerance) / (1 - tolerance) == pytest.approx(step, rel=0.1)


def test_the_kind_of_a_resistor_says_how_close_it_is() -> None:
    # YAGEO, CFR series data sheet, 2024: carbon film, 2 and 5 %. Metal film to 1 %, carbon
    # composition to 5 and 10 %: common practice, no source.
    sold = {"carbon film": (0.02, 0.05), "metal film": (0.01,), "carbon composition": (0.05, 0.1)}
    for style in resistor_styles():
        for kind, grades in sold.items():
            if style.name.startswith(kind):
                assert style.tolerance == max(grades), style.name
    closer = as_sold(
        "stopper_ohm",
        np.array([68.1e3]),
        style=resistor_style("carbon film 1/4 W"),
        series="E96",
    )
    assert closer.high == 0.01
