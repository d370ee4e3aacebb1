"""The parts list: real parts for ideal ones, dividers and attenuators as what they are made of."""

from __future__ import annotations

import math

import numpy as np
import pytest

from explorer.brief.errors import BriefError
from explorer.brief.loading import parse_brief
from explorer.exploration import Exploration, explore
from explorer.report_data import report_data
from explorer.settings import Settings
from fixture_types import MakeBriefText, MakeFormulation
from objectives.elements import BIAS_LOWER, BIAS_UPPER, DRIVER
from reports.model import PartLine
from reports.sections.levels import attenuator_loss, level_sentences
from reports.sections.noise import noise_section
from reports.sections.parts import device_wiring, purchases

QUICK = Settings(evaluations=60, batch=20)
E6 = (1.0, 1.5, 2.2, 3.3, 4.7, 6.8)
"""IEC 60063."""


def listed(ex: Exploration) -> dict[str, PartLine]:
    return {line.field: line for line in report_data(ex).parts}


@pytest.mark.slow
def test_what_is_ideal_is_followed_by_a_part_of_the_series(formulated: MakeFormulation) -> None:
    ex = explore(
        formulated(
            ('values = ["none", "22u"]', 'value = "full"'),
            ('[parts.output_coupling]\nvalue = "22n"', '[parts.output_coupling]\nvalue = "direct"'),
        ),
        QUICK,
        method="exact",
    )
    lines = listed(ex)
    stage = ex.problem.assess({n: a[[ex.pick]] for n, a in ex.front.parts.items()}).stage
    bypass, coupling = lines["bypass_F"], lines["output_coupling_F"]
    for line in (bypass, coupling):
        assert line.value == math.inf
        assert line.down_to_Hz == 20.0  # the lower edge of the band of the reference
        exponent = math.floor(math.log10(line.bought))
        assert round(line.bought / 10**exponent, 6) in E6
    # Bounds by hand: the coupling's corner, 1/(2 pi f R), lies below 20 Hz / 2.86 at 0.5 dB. The
    # plate's own resistance, at most its load's, adds to R, and a step of E6 is a factor 1.5.
    least = 1 / (2 * math.pi * 20.0 * 0.3493 * (470e3 + float(stage.plate_load_ohm[0])))
    assert least < coupling.bought < 1.5 * 1.5 * least
    assert bypass.bought > 1 / (2 * math.pi * 20.0 * float(stage.cathode_resistor_ohm[0]))
    assert bypass.marking.strip("µmn") != ""
    assert coupling.order is not None
    assert coupling.order.voltage_V == 400.0  # above 275 V


@pytest.mark.slow
def test_the_lower_corner_that_is_asked_says_how_far_down(formulated: MakeFormulation) -> None:
    made = formulated(
        ('values = ["none", "22u"]', 'value = "full"'),
        ("[limits]", '[limits]\nlower_corner_Hz = { at_most = "80 Hz" }'),
    )
    assert listed(explore(made, QUICK, method="exact"))["bypass_F"].down_to_Hz == 80.0


def test_parts_that_are_ordered_alike_are_one_purchase(formulated: MakeFormulation) -> None:
    ex = explore(
        formulated(("[parts.output_coupling]", '[parts.input_coupling]\nvalue = "22n"\n'
                    "[parts.output_coupling]")),
        QUICK, method="exact",
    )  # fmt: skip
    groups = [{line.field for line in group} for group in purchases(report_data(ex).parts)]
    assert {"input_coupling_F", "output_coupling_F"} in groups


def test_decoupling_is_listed_as_it_is_sold(formulated: MakeFormulation) -> None:
    made = formulated(
        ("[supply]", '[supply]\ndecoupling_resistor = "22k"\ndecoupling_capacitor = "47 uF"')
    )
    lines = listed(explore(made, QUICK, method="exact"))
    resistor, capacitor = lines["decoupling_ohm"].order, lines["decoupling_F"].order
    assert resistor is not None
    assert capacitor is not None
    assert (resistor.tolerance, capacitor.tolerance) == ((-0.05, 0.05), (-0.2, 0.5))
    assert lines["decoupling_F"].marking == "47µ"


@pytest.mark.slow
def test_an_attenuator_is_listed_and_its_loss_named(formulated: MakeFormulation) -> None:
    ex = explore(
        formulated(('resistance = "47k"',
                    'resistance = "600"\ndivider_series_resistance = "99.4k"\n'
                    'divider_shunt_resistance = "100k"\nlevel_fraction = 0.5')),
        QUICK, method="exact",
    )  # fmt: skip
    data, lines = report_data(ex), listed(ex)
    assert lines[f"{DRIVER}divider_series_ohm"].value == 99.4e3
    control = lines[f"{DRIVER}divider_shunt_ohm"].order
    assert control is not None
    assert control.tolerance == (-0.2, 0.2)  # a potentiometer: common practice, no source
    # 50 kΩ of 200 kΩ: a quarter, 12.04 dB.
    assert attenuator_loss(data.pick).replace("\u00a0", " ") == "12.04 dB"
    assert "12.04" in level_sentences(data.pick)[0]
    noise = noise_section(data.pick).blocks[0]
    assert "12.04" in str(noise)


@pytest.mark.slow
def test_a_plain_source_loses_nothing(formulated: MakeFormulation) -> None:
    data = report_data(explore(formulated(), QUICK, method="exact"))
    assert attenuator_loss(data.pick) == ""
    assert data.driver.attenuates is False
    assert "B9A" in device_wiring(data.pick.device)


@pytest.mark.slow
def test_an_attenuator_after_a_stage_bears_its_swing(formulated: MakeFormulation) -> None:
    stage = (
        '[driver]\ndivider_series_resistance = "470k"\ndivider_shunt_resistance = "10k"\n'
        '[driver.stage]\nvalve = "12AX7"\nsupply = "200 V"\nplate_load = "100k"\n'
        'cathode_resistor = "1k5"'
    )
    ex = explore(
        formulated(('[driver]\nresistance = "47k"', stage),
                   ("[parts.output_coupling]", '[parts.input_coupling]\nvalue = "22n"\n'
                    "[parts.output_coupling]")),
        QUICK, method="exact",
    )  # fmt: skip
    lines = listed(ex)
    assert lines["input_coupling_F"].stress.voltage_V == pytest.approx(220.0)
    series = lines[f"{DRIVER}divider_series_ohm"].stress
    assert series.voltage_V == pytest.approx(220 / 2 / np.sqrt(2) * 47 / 48)


# --- the bias divider -----------------------------------------------------------------------------

SUPPLY = 'voltage = "250 V"'
DIVIDER = f'{SUPPLY}\n[supply.bias_divider]\nupper = "1M"\nlower = "22k"'


@pytest.mark.slow
def test_a_bias_divider_is_listed_as_its_two_resistors(formulated: MakeFormulation) -> None:
    changes = (
        (SUPPLY, DIVIDER),
        ('at_least = "0.6 mA", at_most = "0.9 mA"', 'at_least = "0.1 mA"'),
    )
    coupled = ("[parts.output_coupling]", '[parts.input_coupling]\nvalue = "22n"\n'
               "[parts.output_coupling]")  # fmt: skip
    ex = explore(formulated(*changes, coupled), QUICK, method="exact")
    stage, lines = ex.problem.fixed, listed(ex)
    assert float(stage.grid_bias_ratio) == pytest.approx(22 / 1022)
    assert float(stage.grid_leak_ohm) == pytest.approx(22e3 * 1000 / 1022)
    assert (lines[BIAS_UPPER].bought, lines[BIAS_LOWER].bought) == pytest.approx((1e6, 22e3))
    assert (lines[BIAS_UPPER].marking, lines[BIAS_LOWER].marking) == ("1M0", "22K")
    assert "grid_leak_ohm" not in lines
    upper = lines[BIAS_UPPER].order
    assert upper is not None
    assert (upper.power_W, upper.voltage_V) == (
        0.5,
        350.0,
    )  # 269 V are too much for 0.25 W


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ((SUPPLY, f'{SUPPLY}\ngrid_bias_ratio = 0.1\n{DIVIDER[len(SUPPLY) + 1:]}'),
         "supply.grid_bias_ratio"),
        ((SUPPLY, f'{SUPPLY}\ngrid_bias = "-2 V"\n{DIVIDER[len(SUPPLY) + 1:]}'),
         "supply.grid_bias"),
    ],
)  # fmt: skip
def test_a_bias_is_stated_once(
    brief_text: MakeBriefText, change: tuple[str, str], field: str
) -> None:
    with pytest.raises(BriefError, match=rf"{field}: .*bias_divider gives the bias"):
        parse_brief(brief_text(change))


def test_a_divider_and_a_leak_are_not_both_given(brief_text: MakeBriefText) -> None:
    leak = ("[parts.output_coupling]", "[parts.grid_leak]\n{}\n[parts.output_coupling]")
    both = (leak[0], leak[1].format('value = "1M"'))
    with pytest.raises(BriefError, match=r"parts\.grid_leak: 1.*bias_divider gives"):
        parse_brief(brief_text((SUPPLY, DIVIDER), both))
    placed = (leak[0], leak[1].format('position = "after stopper"'))
    brief = parse_brief(brief_text((SUPPLY, DIVIDER), placed))
    assert brief.parts.leak.positions().tolist() == [1.0]
    assert brief.parts.leak.ends() == pytest.approx((22e3 * 1000 / 1022,))
    assert parse_brief(brief.model_dump(by_alias=True, exclude_none=True)) == brief


def test_a_wrong_divider_is_told_by_its_own_table(brief_text: MakeBriefText) -> None:
    wrong = (SUPPLY, DIVIDER.replace('"22k"', '"-22k"'))
    with pytest.raises(BriefError, match=r"supply\.bias_divider\.lower"):
        parse_brief(brief_text(wrong))
