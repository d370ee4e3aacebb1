"""Other valves, and a worn one, in the same stage: each as a brief with that valve gives it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from typer.testing import CliRunner

from explorer.brief.loading import parse_brief
from explorer.cli.app import app
from explorer.decision import built_well
from explorer.designs import Design
from explorer.formulation import Formulation, formulate
from explorer.report_swaps import swaps
from fixture_types import MakeBriefText
from objectives.circuit.operating_point import operating_point
from objectives.devices.triodes import Koren
from objectives.stage import Stage
from objectives.tolerance.spreads import END_OF_LIFE
from objectives.tolerance.varied_device import at_end_of_life
from reports.sections.swaps import swap_frame, swap_sentences
from reports.swaps import Swap
from stand_in import StandIn

FIXED = (
    ('series = "E6"\nfrom = "10k"\nto = "220k"', 'value = "68k"'),
    ('values = ["none", "22u"]', 'value = "22u"'),
)


@pytest.fixture(scope="module")
def stage(brief_text: MakeBriefText) -> Formulation:
    return formulate(parse_brief(brief_text()))


@pytest.fixture(scope="module")
def parts(stage: Formulation) -> dict[str, np.ndarray]:
    return dict(stage.problem.draw(1, np.random.default_rng(2)))


@pytest.fixture(scope="module")
def swapped(stage: Formulation, parts: dict[str, np.ndarray]) -> dict[str, Swap]:
    return {swap.device: swap for swap in swaps(stage.brief, stage.problem, parts)}


def test_each_valve_does_what_a_brief_with_it_says(
    swapped: dict[str, Swap], parts: dict[str, np.ndarray], brief_text: MakeBriefText
) -> None:
    assert [*swapped][:2] == ["12AX7", "worn 12AX7"]
    for name in ("12AX7", "5751", "6SN7"):
        alone = formulate(parse_brief(brief_text(('valve = "12AX7"', f'valve = "{name}"')))).problem
        swap = swapped[name]
        scores = alone.scores(parts, list(swap.scores))
        assert swap.scores == pytest.approx({n: v[0] for n, v in scores.items()}, nan_ok=True)
        assert swap.good == built_well(alone, parts)[0]
        found = alone.evaluate(parts)
        assert bool(swap.off or swap.exceeded) >= (found.broken[0] > 0)


def test_what_is_rewired(swapped: dict[str, Swap]) -> None:
    # RETMA basing diagrams: 9A for the first four, 9AJ for the 6DJ8 (heater 6.3 V, a shield on pin
    # 9), 8BD, octal, for the others (RCA, Receiving Tube Manual, from memory).
    wiring = {name: swap.rewiring for name, swap in swapped.items()}
    assert wiring == {
        "12AX7": "present", "worn 12AX7": "worn", "12AU7": "none", "12AT7": "none",
        "12AY7": "none", "5751": "none", "6DJ8": "heater", "6SN7": "pins", "6SL7": "pins",
    }  # fmt: skip


def test_a_worn_valve_is_a_new_one_on_another_scale() -> None:
    # Ohm's law: where a device passes a share of its current at any voltages, resistors as much
    # larger would restore the voltages; so a worn valve stands where a new one does with resistors
    # as much smaller.
    device = StandIn(Koren(100.0, 1.4, 1060.0, 600.0, 300.0))
    stage = Stage(
        supply_V=300.0, plate_load_ohm=100e3, cathode_resistor_ohm=1500.0, grid_leak_ohm=1e6,
        load_ohm=1e6,
    )  # fmt: skip
    smaller = replace(
        stage,
        plate_load_ohm=END_OF_LIFE * stage.plate_load_ohm,
        cathode_resistor_ohm=END_OF_LIFE * stage.cathode_resistor_ohm,
    )
    worn = operating_point(stage, at_end_of_life(device).law)
    new = operating_point(smaller, device.law)
    assert worn.plate_V == pytest.approx(new.plate_V)
    assert worn.plate_current_A == pytest.approx(END_OF_LIFE * new.plate_current_A)
    assert worn.transconductance_S == pytest.approx(END_OF_LIFE * new.transconductance_S)
    assert worn.amplification_factor == pytest.approx(new.amplification_factor)


def test_what_is_off_is_marked(swapped: dict[str, Swap], stage: Formulation) -> None:
    terms = stage.problem.terms
    frame = swap_frame([*swapped.values()], ["plate_current_A"], terms)
    for name, swap in swapped.items():
        assert frame[name][0].endswith("×") == ("plate_current_A" in swap.off)
        named = any(name in text for text in swap_sentences([swap], terms)[1:])
        assert named == bool(swap.exceeded)


def test_a_stage_that_is_read_takes_other_valves_too(
    brief_text: MakeBriefText, tmp_path_factory: pytest.TempPathFactory
) -> None:
    path = tmp_path_factory.mktemp("fixed") / "stage.toml"
    text = brief_text(*FIXED)
    for part, value in (("plate_load", "100k"), ("cathode_resistor", "1k5")):
        head, _, tail = text.partition(f"[parts.{part}]\n")
        _, _, rest = tail.partition("\n\n")
        text = f'{head}[parts.{part}]\nvalue = "{value}"\n\n{rest}'
    path.write_text(text)
    brief = formulate(parse_brief(text)).brief
    assert not brief.varied
    assert Design.of(brief, {}).parts["stopper"] == 68e3
    result = CliRunner().invoke(app, ["assess", str(path), "--swap"])
    assert result.exit_code == 0, result.output
    assert "worn 12AX7" in result.output
    assert "builds that keep all" in result.output


def test_a_target_has_one_row_in_the_table(swapped: dict[str, Swap]) -> None:
    # The corner in hertz stands for its distance from the target, which no instrument shows.
    assert "input_corner_Hz" in swapped["12AX7"].scores
    assert "input_corner_error_octaves" not in swapped["12AX7"].scores
