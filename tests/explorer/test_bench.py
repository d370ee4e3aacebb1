"""A response from the bench: reading its file, and finding the values that explain it.

The responses are our own, invented: the dense nodal solve of a stage whose values were changed by
known amounts, plus normal noise.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from typer.testing import CliRunner

import explorer.cli.command  # noqa: F401 (enters the commands)
from closed_forms import dense_response
from explorer.bench import BenchComparison, READING_dB, compare_with_bench, read_response
from explorer.brief.errors import BriefError
from explorer.cli.app import app
from explorer.cli.measured import CHART
from explorer.designs import Design, parse_design
from explorer.formulation import Formulation
from fixture_types import MakeBriefText, MakeFormulation
from objectives.arrays import FloatArray
from objectives.assessment import Assessment
from objectives.bench.prediction import Readings
from objectives.circuit.operating_point import operating_point
from objectives.circuit.small_signal import SmallSignal, small_signal
from objectives.stage import Stage
from objectives.tolerance.spreads import draw_factors, draw_units
from objectives.tolerance.varied_device import spread_batch

# A stopper of 10 k behind the 47 k source: source and Miller capacitance make the upper corner.
PAIRS = ("stopper=10k", "plate_load=100k", "cathode_resistor=1k5", "bypass=22u")
WIDE = np.geomspace(10, 300e3, 40)
NOISE_dB = 0.1
NODES = {"output": "o", "grid": "g"}


@pytest.fixture(scope="module")
def formulation(formulated: MakeFormulation) -> Formulation:
    return formulated()


@pytest.fixture(scope="module")
def design(formulation: Formulation) -> Design:
    return parse_design(PAIRS, formulation.brief)


@pytest.fixture(scope="module")
def nominal(formulation: Formulation, design: Design) -> Assessment:
    fields = {name: np.array([value]) for name, value in design.stage_fields().items()}
    return formulation.problem.assess(fields).single()


def changed(
    stage: Stage, linear: SmallSignal, factors: Mapping[str, float]
) -> tuple[Stage, SmallSignal]:
    """Return the stage with the three values multiplied."""
    gm = factors.get("transconductance_S", 1.0)
    return (
        replace(stage, source_ohm=stage.source_ohm * factors.get("source_ohm", 1.0)),
        replace(
            linear,
            grid_plate_F=linear.grid_plate_F * factors.get("grid_plate_F", 1.0),
            transconductance_S=linear.transconductance_S * gm,
            plate_conductance_S=linear.plate_conductance_S * gm,
        ),
    )


def readings(
    stage: Stage,
    linear: SmallSignal,
    *,
    frequency_Hz: FloatArray = WIDE,
    seed: int = 1,
    absolute: bool = True,
    port: Any = "output",
) -> Readings:
    """Return the dense solve of one stage as read with noise; relative levels are 37 dB high."""
    voltage = np.ravel(dense_response(stage, linear, frequency_Hz)[NODES[port]])
    noise = np.random.default_rng(seed).normal(0, NOISE_dB, frequency_Hz.size)
    level = 20 * np.log10(np.abs(voltage)) + noise + (0.0 if absolute else 37.0)
    return Readings(frequency_Hz, level, np.full(level.size, NOISE_dB), absolute, port)


def compared(
    formulation: Formulation, design: Design, nominal: Assessment, /, **how: Any
) -> BenchComparison:
    """Compare the design with a stage whose values are off by ``factors`` and ``parts``."""
    stage, linear = changed(nominal.stage, nominal.linear, how.pop("factors", {}))
    stage = replace(stage, **how.pop("parts", {}))
    return compare_with_bench(formulation.problem, design, readings(stage, linear, **how))


# --- the fit -------------------------------------------------------------------------------------


@pytest.mark.parametrize("port", ["output", "grid"])
@pytest.mark.parametrize("absolute", [True, False])
def test_values_come_back_within_their_errors(
    formulation: Formulation, design: Design, nominal: Assessment, port: str, absolute: bool
) -> None:
    factors = {"source_ohm": 1.25, "grid_plate_F": 1.15, "transconductance_S": 0.95}
    comparison = compared(
        formulation, design, nominal, factors=factors, absolute=absolute, port=port
    )
    fit = comparison.fit
    assert [value.quantity for value in fit.values] == [*factors]
    assert fit.explained
    assert not fit.agrees
    for value in fit.values:
        off = np.log(value.value / value.nominal / factors[value.quantity])
        assert abs(off) < 2.5 * value.error
        assert value.error < value.spread
    if not absolute:
        assert comparison.prediction.offset_dB == pytest.approx(37, abs=1)


@pytest.mark.parametrize(("quantity", "factor"), [("source_ohm", 1.4), ("grid_plate_F", 1.45)])
def test_the_value_that_was_changed_is_among_those_that_explain(
    formulation: Formulation, design: Design, nominal: Assessment, quantity: str, factor: float
) -> None:
    comparison = compared(formulation, design, nominal, factors={quantity: factor}, absolute=False)
    fit = comparison.fit
    assert not fit.agrees
    assert comparison.prediction.departures()
    value = next(v for v in fit.values if v.quantity == quantity)
    assert value.explains
    assert value.alone / value.nominal == pytest.approx(factor, rel=0.08)


def test_one_corner_tells_a_product_and_not_its_factors(
    formulation: Formulation, design: Design, nominal: Assessment
) -> None:
    # f = 1 / (2 pi R C) with C the Miller capacitance: more R passes for less C.
    fit = compared(formulation, design, nominal, frequency_Hz=np.geomspace(300, 40e3, 30),
                   absolute=False).fit  # fmt: skip
    assert ("source_ohm", "grid_plate_F") in fit.tied
    told = {value.quantity: value.told for value in fit.values}
    assert told["source_ohm"] == told["grid_plate_F"] == "together"
    assert fit.correlation[0, 1] < -0.5


def test_readings_of_the_middle_alone_tell_nothing(
    formulation: Formulation, design: Design, nominal: Assessment
) -> None:
    fit = compared(formulation, design, nominal, frequency_Hz=np.geomspace(300, 1000, 12),
                   absolute=False).fit  # fmt: skip
    assert fit.agrees
    assert {value.told for value in fit.values} == {"not"}
    assert fit.tied == ()


def test_a_wrong_coupling_capacitor_is_none_of_the_values(
    formulation: Formulation, design: Design, nominal: Assessment
) -> None:
    comparison = compared(formulation, design, nominal, parts={"output_coupling_F": 2.2e-9})
    assert not comparison.fit.explained
    assert not any(value.explains for value in comparison.fit.values)
    (part,) = comparison.prediction.departures()
    assert part.region == "low"
    # A tenth of the capacitance: nearly 20 dB at 10 Hz, far below either corner.
    assert -20 < part.worst_dB < -12
    assert part.low_Hz == WIDE[0]


def test_a_stage_as_stated_agrees(
    formulation: Formulation, design: Design, nominal: Assessment
) -> None:
    comparison = compared(formulation, design, nominal)
    assert comparison.fit.agrees
    assert comparison.prediction.departures() == ()


@pytest.mark.slow
def test_standard_errors_cover_as_often_as_they_say(
    formulation: Formulation, design: Design, nominal: Assessment
) -> None:
    """Values drawn from their spreads, all other parts from theirs, and noise: 50 times."""
    setup = nominal.targets.tolerance
    assert setup is not None
    first = compared(formulation, design, nominal).fit
    units = draw_units(setup.spreads, 64, seed=4711)
    stages, device = spread_batch(
        nominal.stage, nominal.device, setup.spreads, draw_factors(setup.spreads, units)
    )
    rng, scores = np.random.default_rng(12), []
    linear = small_signal(stages, device, operating_point(stages, device.law))
    own = nominal.linear
    for build in range(50):
        logs = {v.quantity: rng.normal(0, v.spread) for v in first.values}
        at = (0, build)
        gm = np.broadcast_to(linear.transconductance_S, stages.shape)[at]
        gp = np.broadcast_to(linear.plate_conductance_S, stages.shape)[at]
        held = SmallSignal(
            transconductance_S=own.transconductance_S,
            plate_conductance_S=gp * own.transconductance_S / gm,
            grid_cathode_F=np.broadcast_to(linear.grid_cathode_F, stages.shape)[at],
            grid_plate_F=own.grid_plate_F,
            plate_cathode_F=np.broadcast_to(linear.plate_cathode_F, stages.shape)[at],
        )
        pair = changed(stages.broadcast().at(at), held, {k: np.exp(x) for k, x in logs.items()})
        fit = compare_with_bench(
            formulation.problem, design, readings(*pair, frequency_Hz=WIDE[::2], seed=build)
        ).fit
        scores += [(np.log(v.value / v.nominal) - logs[v.quantity]) / v.error for v in fit.values]
    size = np.abs(scores)
    # A normal error is within one standard error in 68 %, within two in 95 %; of 150 scores in
    # groups of three the share is good to some 5 points.
    assert 0.58 < np.mean(size < 1) < 0.80
    assert np.mean(size < 2) > 0.90
    assert size.max() < 4


# --- the file ------------------------------------------------------------------------------------


def written(tmp_path: Path, *lines: str) -> Path:
    path = tmp_path / "response.csv"
    path.write_text("\n".join(lines), "utf-8")
    return path


def test_reads_levels_in_any_order(tmp_path: Path) -> None:
    path = written(
        tmp_path, "# own reading", "", "level_dB, note, frequency_Hz", "3,,400", "1,,100",
        "", "2,,200",
        "# again", "2.5,,200", "4,,800", "5,late,1600",
    )  # fmt: skip
    read = read_response(path)
    assert read.frequency_Hz.tolist() == [100, 200, 200, 400, 800, 1600]
    assert read.level_dB.tolist() == [1, 2, 2.5, 3, 4, 5]
    assert set(read.sigma_dB) == {READING_dB}
    assert not read.absolute


def test_gains_with_their_errors(tmp_path: Path) -> None:
    rows = [f"{f},{f / 100},0.{f // 100}" for f in range(100, 700, 100)]
    read = read_response(written(tmp_path, "frequency_Hz,gain_dB,sigma_dB", *rows), "grid")
    assert read.absolute
    assert read.port == "grid"
    assert read.sigma_dB.tolist() == pytest.approx([0.1, 0.2, 0.3, 0.4, 0.5, 0.6])


@pytest.mark.parametrize(
    ("lines", "wrong"),
    [
        (["frequency_Hz,level_dB", "100,x", "-5,3", "", "300", "400,nan", "inf,1"],
         ["line 2, level_dB", "line 3, frequency_Hz", "line 5, level_dB", "line 6, level_dB",
          "line 7, frequency_Hz"]),
        (["frequency_Hz,level_dB,sigma_dB", "100,1,0"], ["line 2, sigma_dB"]),
        (["frequency_Hz,level_dB", "100,1,5", "100,1"], ["line 2"]),
        (["frequency_Hz,level_dB", *(f"{f},1" for f in range(1, 6))], ["readings"]),
        (["frequency_Hz,level_dB"], ["readings"]),
        (["frequency_Hz;level_dB", "1;2"], ["columns"]),
        (["frequency_Hz,level_dB,gain_dB", "1,2,3"], ["columns"]),
        (["frequency_Hz,level_dB,level_dB", "1,2,3"], ["column"]),
        (["# nothing"], ["file"]),
    ],
)  # fmt: skip
def test_bad_lines_are_named(tmp_path: Path, lines: list[str], wrong: list[str]) -> None:
    with pytest.raises(BriefError) as caught:
        read_response(written(tmp_path, *lines))
    assert [error.field for error in caught.value.errors] == wrong


# --- the command ---------------------------------------------------------------------------------


@pytest.fixture
def bench(tmp_path: Path, brief_text: MakeBriefText, nominal: Assessment) -> list[str]:
    """Return the arguments that compare the design with a source that is 40 % high."""
    read = readings(*changed(nominal.stage, nominal.linear, {"source_ohm": 1.4}), absolute=False)
    lines = [f"{f},{level}" for f, level in zip(read.frequency_Hz, read.level_dB, strict=True)]
    path = written(tmp_path, "frequency_Hz,level_dB", *lines)
    brief = tmp_path / "brief.toml"
    brief.write_text(brief_text(), "utf-8")
    return ["assess", str(brief), *PAIRS, "--measured", str(path)]


@pytest.mark.slow
def test_the_command_prints_and_draws(bench: list[str], tmp_path: Path) -> None:
    folder = tmp_path / "out"
    done = CliRunner().invoke(app, [*bench, "--into", str(folder)], env={"COLUMNS": "80"})
    assert done.exit_code == 0, done.output
    path_line = str(folder / CHART)
    assert all(len(line) <= 80 for line in done.stdout.splitlines() if path_line[-8:] not in line)
    assert "source resistance" in done.stdout
    assert "High voltage" in done.stdout
    page = (folder / CHART).read_text("utf-8")
    assert "leave the predicted band" in page
    assert "<script src=" not in page  # opens without network
    assert sorted(path.name for path in folder.iterdir()) == [CHART]  # and nothing was searched


@pytest.mark.slow
def test_the_command_answers_in_json(bench: list[str]) -> None:
    done = CliRunner().invoke(app, [*bench, "--form", "json"])
    assert done.exit_code == 0, done.output
    record = json.loads(done.stdout)
    assert record["levels"] == "relative"
    assert len(record["response"]) == WIDE.size
    assert record["values"][0]["quantity"] == "source_ohm"
    assert record["values"][0]["explains"]
    assert not record["agrees"]


def test_the_command_names_bad_lines(bench: list[str]) -> None:
    path = Path(bench[-1])
    path.write_text(path.read_text("utf-8") + "\n5000,loud\n", "utf-8")
    done = CliRunner().invoke(app, bench)
    assert done.exit_code == 2
    assert f"line {2 + WIDE.size}" in done.output
