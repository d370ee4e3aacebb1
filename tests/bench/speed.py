"""How much batch and response surface buy, in candidates and in built stages a second.

Batched closed form against one dense nodal solve at a time: both sides work out the same five
numbers of the same stages (operating point, gain, input corner, lower corner of the output, worst
attenuation over the radio bands) and must agree on them. Then the whole space of a brief, with an
axis for each part, so many together, and in rows; and one of which few candidates keep the limits,
with these looked at first. Then 10,240 built stages of some designs,
read off checked response surfaces against all of them solved. Last, where it is named, against the
Python of an environment in which the code of commit 46d2dab is installed: the same space there, in
turns with ours. Run it:

    OPENBLAS_NUM_THREADS=1 PYTHONPATH=tests python tests/bench/speed.py [--old PYTHON]

It prints ratios from one run on one machine; it is no test and asserts no time.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace

import numpy as np
from scipy.optimize import brentq

from closed_forms import dense_response
from explorer.blocks import harvest_of
from explorer.brief.loading import load_brief
from explorer.evaluation import Limits
from explorer.formulation import formulate
from explorer.probe import sample_of, scale_of
from explorer.space import BLOCK, OUTER_CHUNK, Space
from objectives.assessment import Assessment
from objectives.circuit.corners import HALF_POWER_DB
from objectives.circuit.operating_point import operating_point
from objectives.circuit.small_signal import SmallSignal, small_signal
from objectives.devices.valve_table import valve
from objectives.stage import Stage
from objectives.targets import RadioBand, Targets
from objectives.tolerance.bought import default_spreads
from objectives.tolerance.builds import built_scores
from objectives.tolerance.response_surface import ResponseSurface
from objectives.tolerance.spreads import draw_units

DEVICE = valve("12AX7")
TARGETS = Targets(
    radio_bands=(RadioBand("AM", 526.5e3, 1606.5e3, 0.0), RadioBand("FM", 87.5e6, 108e6, 0.0))
)
SCORES = ("plate_current_A", "gain_dB", "input_corner_Hz", "lower_corner_Hz", "rf_margin_dB")


def stages(count: int) -> Stage:
    """Return seeded random stages of a usual kind."""
    rng = np.random.default_rng(2)
    return Stage(
        supply_V=rng.uniform(200, 350, count),
        plate_load_ohm=rng.uniform(5e4, 3e5, count),
        cathode_resistor_ohm=rng.uniform(800, 5e3, count),
        bypass_F=rng.choice([0.0, 6.8e-7, 2.2e-5, np.inf], count),
        stopper_ohm=rng.uniform(1e3, 3e5, count),
        stopper_shunt_F=0.3e-12,
        source_ohm=rng.uniform(1e3, 1e5, count),
        input_coupling_F=22e-9,
        output_coupling_F=22e-9,
        load_ohm=rng.choice([2.2e5, 1e6], count),
        load_F=1e-10,
    ).broadcast()


def batched(of: Stage, chunk: int = 2048) -> np.ndarray:
    """Return the scores (N, 5) by the batched closed form."""
    pieces = []
    for at in range(0, of.shape[0], chunk):
        found = Assessment(of.at(slice(at, at + chunk)), DEVICE, TARGETS)
        pieces.append(np.stack([found[name] for name in SCORES], axis=-1))
    return np.concatenate(pieces)


def one_at_a_time(of: Stage) -> np.ndarray:
    """Return the scores (N, 5) by plain dense nodal solves, one stage and frequency at a time."""
    rows = []
    for at in range(of.shape[0]):
        stage = of.at(at)
        point = operating_point(stage, DEVICE.law)
        linear = small_signal(stage, DEVICE, point)

        def level(f: float, node: str, stage: Stage = stage, linear: SmallSignal = linear) -> float:
            return float(20 * np.log10(abs(complex(dense_response(stage, linear, f)[node]))))

        def corner(node: str, up: bool, level: Callable[[float, str], float] = level) -> float:
            sought = level(1e3, node) - HALF_POWER_DB
            step = 10 ** (0.25 if up else -0.25)
            here = 1e3
            while level(here * step, node) > sought:
                here *= step
            low, high = sorted((float(np.log2(here)), float(np.log2(here * step))))
            return 2 ** float(brentq(lambda x: level(2**x, node) - sought, low, high, xtol=1e-13))

        # From the jack a carrier drives the stage from 50 ohm, in place of source and cable.
        from_jack = replace(stage, source_ohm=50.0, cable_F=0.0)
        worst = min(
            -level(f, "g", from_jack)
            for band in TARGETS.radio_bands
            for f in np.geomspace(band.low_Hz, band.high_Hz, 9)
        )
        rows.append(
            (
                float(point.plate_current_A),
                level(1e3, "o"),
                corner("g", True),
                corner("o", False),
                worst,
            )
        )
    return np.array(rows)


def built(designs: int = 32, draws: int = 10_240) -> None:
    """Print how fast built stages are solved and read off surfaces, and how their yields agree."""
    front = Assessment(stages(designs), DEVICE, TARGETS)
    spreads = default_spreads(front.stage, DEVICE.spreads)
    units = draw_units(spreads, draws, 1)
    windows = {"input_corner_Hz": (20e3, np.inf), "gain_dB": (33.0, np.inf)}
    surface = ResponseSurface(spreads, units)
    start = time.perf_counter()
    read = surface.scores(front, SCORES).built.good(windows).mean(axis=-1)
    read_rate = designs * draws / (time.perf_counter() - start)
    start = time.perf_counter()
    solved = built_scores(front, spreads, units, SCORES).good(windows).mean(axis=-1)
    solved_rate = designs * draws / (time.perf_counter() - start)
    print(f"built stages, by surface:   {read_rate:12,.0f} a second")
    print(f"built stages, all solved:   {solved_rate:12,.0f} a second")
    print(f"ratio:                      {read_rate / solved_rate:12,.0f}")
    apart = 100 * np.abs(read - solved).max()
    print(f"largest difference of the {designs} yields: {apart:.2f} points")


def whole_space(brief: str = "treble-cut") -> None:
    """Print how fast the space of a brief is worked out with an axis for each part, and in rows."""
    problem = formulate(load_brief(brief)).problem
    space = Space.of(problem, BLOCK)
    for most in (OUTER_CHUNK // 8, OUTER_CHUNK, 4 * OUTER_CHUNK):
        start = time.process_time()
        for block in range(space.blocks):
            for parts in space.chunks(block, most):
                problem.evaluate(parts)
        rate = space.size / (time.process_time() - start)
        print(f"{brief}, an axis a part, {most:6,} together: {rate:10,.0f} candidates/s and core")
    start = time.process_time()
    by_axes = [problem.evaluate(p) for b in range(space.blocks) for p in space.chunks(b)]
    axes_rate = space.size / (time.process_time() - start)
    rows = [found.parts for found in by_axes]
    start = time.process_time()
    by_rows = [problem.evaluate(parts) for parts in rows]
    rows_rate = space.size / (time.process_time() - start)
    losses = (np.concatenate([e.losses for e in pieces]) for pieces in (by_axes, by_rows))
    apart = np.abs(np.subtract(*losses)).max()
    print(f"{brief}, all scores, an axis a part: {axes_rate:10,.0f} candidates/s and core")
    print(f"{brief}, all scores, in rows:        {rows_rate:10,.0f} candidates/s and core")
    print(f"ratio:                      {axes_rate / rows_rate:12,.1f}")
    print(f"largest difference of a loss: {apart:.1e}")


def limits_first(brief: str = "quiet-input") -> None:
    """Print what it spares to look at limits first where few candidates keep them."""
    problem = formulate(load_brief(brief)).problem
    space, scale = Space.of(problem, BLOCK), scale_of(sample_of(problem, 1))
    seconds, harvests = [], []
    for limits in ("exact", "first"):
        start = time.process_time()
        harvests.append(
            [
                harvest_of(problem, space, scale, block, near=False, limits=limits)
                for block in range(space.blocks)
            ]
        )
        seconds.append(time.process_time() - start)
    one, other = ([h.serious.losses for h in own] for own in harvests)
    feasible = sum(h.feasible for h in harvests[0])
    print(f"{brief}: {feasible:,} of {space.size:,} candidates keep every limit")
    print(f"all scores of all:            {space.size / seconds[0]:10,.0f} candidates/s and core")
    print(f"limits first:                 {space.size / seconds[1]:10,.0f} candidates/s and core")
    print(f"ratio:                        {seconds[0] / seconds[1]:10,.1f}")
    print(f"the same serious ones: {all(map(np.allclose, one, other))}")


FIVE = ("gain_dB", "input_corner_error_octaves", "lower_corner_Hz", "noise_dBu", "rf_margin_dB")
OLD = """
import json, sys, time
from dataclasses import fields
import numpy as np
from objectives.scores import Assessment, RadioBand, Targets
from objectives.stage import Stage
from objectives.valve_device import ValveDevice
from objectives.valves import valve

asked = json.loads(sys.stdin.readline())
names = {field.name for field in fields(Stage)}
fixed = {name: value for name, value in asked["fixed"].items() if name in names}
axes = np.meshgrid(*asked["parts"].values(), indexing="ij")
parts = dict(zip(asked["parts"], (a.ravel() for a in axes)))
bands = tuple(RadioBand(*band) for band in asked["bands"])
targets = Targets(input_corner_Hz=asked["input_corner_Hz"], radio_bands=bands)
device = ValveDevice(valve(asked["valve"]))
for _ in sys.stdin:
    start = time.process_time()
    for at in range(0, axes[0].size, 2048):
        some = {name: a[at : at + 2048] for name, a in parts.items()}
        assessed = Assessment(Stage(**{**fixed, **some}).broadcast(), device, targets)
        for name in asked["scores"]:
            assessed[name]
    print(time.process_time() - start, flush=True)
"""
"""Works the space out with the code of 46d2dab, in rows as it did, once for a line of input."""


def against_old(python: str, brief: str = "treble-cut", turns: int = 5) -> None:
    """Print how many times as fast as the code of 46d2dab the space of a brief is worked out."""
    problem = formulate(load_brief(brief)).problem
    space, scale = Space.of(problem, BLOCK), scale_of(sample_of(problem, 1))
    targets = problem.targets
    asked = {
        "fixed": {name: float(a) for name, a in problem.fixed.numeric_fields().items()},
        "parts": {choice.part: choice.values.tolist() for choice in problem.choices},
        "bands": [(b.name, b.low_Hz, b.high_Hz, b.attenuation_dB) for b in targets.radio_bands],
        "input_corner_Hz": targets.input_corner_Hz,
        "valve": problem.device.name,
        "scores": FIVE,
    }

    def all_scores() -> None:
        for block in range(space.blocks):
            for parts in space.chunks(block):
                assessed = problem.assess(parts)
                for name in FIVE:
                    assessed[name]

    def ours(limits: Limits) -> None:
        for block in range(space.blocks):
            harvest_of(problem, space, scale, block, near=False, limits=limits)

    ways: dict[str, Callable[[], None]] = {
        "five scores of all": all_scores,
        "and what serious ones they leave": lambda: ours("exact"),
        "limits told by levels": lambda: ours("told"),
    }
    seconds: dict[str, list[float]] = {name: [] for name in ("46d2dab, five scores of all", *ways)}
    environment = {name: v for name, v in os.environ.items() if name != "PYTHONPATH"}
    with (
        tempfile.TemporaryDirectory() as elsewhere,
        subprocess.Popen(
            [python, "-c", OLD], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
            cwd=elsewhere, env=environment,
        ) as old,
    ):  # fmt: skip
        assert old.stdin is not None
        assert old.stdout is not None
        print(json.dumps(asked), file=old.stdin)
        for _ in range(turns):
            print(file=old.stdin, flush=True)
            seconds["46d2dab, five scores of all"].append(float(old.stdout.readline()))
            for name, work in ways.items():
                start = time.process_time()
                work()
                seconds[name].append(time.process_time() - start)
        old.stdin.close()
    least = {name: min(each) for name, each in seconds.items()}
    base = next(iter(least.values()))
    print(f"{brief}, {space.size:,} candidates, least CPU time of {turns} turns each:")
    for name, each in least.items():
        rate, ratio = space.size / each, base / each
        print(f"{name + ':':<34}{rate:10,.0f} candidates/s and core, ratio {ratio:5.1f}")


def main() -> None:
    """Print the rates and their ratios."""
    options = argparse.ArgumentParser()
    options.add_argument(
        "--old", metavar="PYTHON", help="in which the code of 46d2dab is installed"
    )
    old = options.parse_args().old
    few, many = 24, 40_000
    batched(stages(256))  # warm up
    start = time.perf_counter()
    fast = batched(stages(many))
    fast_rate = many / (time.perf_counter() - start)
    start = time.perf_counter()
    slow = one_at_a_time(stages(many).at(slice(0, few)))
    slow_rate = few / (time.perf_counter() - start)
    difference = np.abs(fast[:few] / slow - 1).max()
    print(f"batched closed form:        {fast_rate:12,.0f} candidates/s")
    print(f"one dense solve at a time:  {slow_rate:12,.1f} candidates/s")
    print(f"ratio:                      {fast_rate / slow_rate:12,.0f}")
    print(f"largest relative difference of the five scores: {difference:.1e}")
    print()
    whole_space()
    print()
    limits_first()
    print()
    built()
    if old:
        print()
        against_old(old)


if __name__ == "__main__":
    main()
