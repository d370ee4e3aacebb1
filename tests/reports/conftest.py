"""A finished exploration made from ``objectives`` alone: invented demo data, small and exact.

The valve is a stand-in with a published parameter set (N. Koren, Glass Audio 8(5), 1996) and
round-number ratings; job, drawer and reasons are made up.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import dataclass, field, fields, replace

import moocore
import numpy as np
import pandas as pd
import pytest
from scipy import constants

from objectives.assessment import Assessment
from objectives.devices.protocol import DeviceNoise, OperatingPoint, Rating
from objectives.devices.terms import VALVE, Terms
from objectives.devices.triodes import Koren
from objectives.scores.registry import REGISTRY
from objectives.stage import Stage
from objectives.targets import PartRating, RadioBand, Targets
from reports.model import PartLine, ReportContents, ScoreUse


@dataclass(frozen=True)
class DemoTriode:
    """A stand-in for an entry of the valve table."""

    name: str = "12AX7 (demo set)"
    law: Koren = field(default_factory=lambda: Koren(mu=100, ex=1.4, kg1=1060, kp=600, kvb=300))
    plate_dissipation_max_W: float = 1.2
    terms: Terms = VALVE

    def capacitances(self, point: OperatingPoint) -> tuple[float, float, float]:
        return 1.6e-12, 1.7e-12, 0.46e-12

    def noise(self, point: OperatingPoint, temperature_K: float) -> DeviceNoise:
        white = 4 * constants.k * temperature_K * 2.5 / point.transconductance_S
        return DeviceNoise(white, np.asarray(5e3), point.grid_current_A)

    def ratings(self, stage: Stage, point: OperatingPoint) -> list[Rating]:
        source = "invented for the demo"
        return [
            Rating("plate dissipation", point.plate_dissipation_W, np.asarray(1.2), "W", source),
            Rating("plate voltage", point.plate_cathode_V, np.asarray(330.0), "V", source),
        ]


E12 = np.array([1.0, 1.2, 1.5, 1.8, 2.2, 2.7, 3.3, 3.9, 4.7, 5.6, 6.8, 8.2])
PARTS = {
    "stopper_ohm": "grid stopper",
    "plate_load_ohm": "plate load",
    "cathode_resistor_ohm": "cathode resistor",
    "bypass_F": "cathode bypass",
}
FREE = ("gain_dB", "input_corner_error_octaves", "rf_margin_dB", "noise_dBu")
SHOWN = ("input_corner_Hz", "upper_corner_Hz", "plate_current_A")
BETTER = {"gain_dB": 1, "input_corner_error_octaves": -1, "rf_margin_dB": 1, "noise_dBu": -1}
TARGETS = Targets(
    input_corner_Hz=8000.0,
    radio_bands=(
        RadioBand("medium-wave broadcast", 526.5e3, 1606.5e3, 30.0),
        RadioBand("FM broadcast", 87.5e6, 108e6, 60.0),
        RadioBand("GSM 900 downlink", 925e6, 960e6, 60.0),
    ),
    preferred={"stopper_ohm": np.outer(10.0 ** np.arange(7), E12).ravel()},
    part_ratings={"plate_load_ohm": PartRating(0.5, 250.0)},
)
SURROUNDINGS = {
    "supply_V": 300.0,
    "source_ohm": 38e3,
    "cable_F": 100e-12,
    "input_coupling_F": 22e-9,
    "grid_leak_ohm": 1e6,
    "stopper_shunt_F": 0.3e-12,
    "stopper_lead_H": 10e-9,
    "output_coupling_F": 22e-9,
    "load_ohm": 470e3,
    "load_F": 100e-12,
    "stray_grid_plate_F": 0.6e-12,
    "stray_grid_ground_F": 2e-12,
}


def _grid(scale: np.ndarray) -> dict[str, np.ndarray]:
    decades = np.outer(10.0 ** np.arange(2, 6), scale).ravel()
    stopper = np.concatenate([[0.0], decades[(decades > 9e3) & (decades < 500e3)]])
    load = decades[(decades > 60e3) & (decades < 300e3)]
    cathode = decades[(decades > 900) & (decades < 4e3)]
    bypass = np.array([0.0, 0.68e-6, 2.2e-6, 22e-6, np.inf])
    rows = np.array(list(itertools.product(stopper, load, cathode, bypass)))
    return dict(zip(PARTS, rows.T, strict=True))


def _scaled_losses(frame: pd.DataFrame) -> np.ndarray:
    scaled = np.column_stack([-BETTER[n] * frame[n].to_numpy() for n in FREE])
    span = np.ptp(scaled, axis=0)
    return np.asarray((scaled - scaled.min(axis=0)) / np.where(span > 0, span, 1))


def make_contents(
    scale: np.ndarray = E12, surroundings: dict[str, float] | None = None, rows: int | None = None
) -> ReportContents:
    """Enumerate the demo space over a series (one decade of values) and report its front."""
    values = _grid(scale)
    around = surroundings or SURROUNDINGS
    everyone = Assessment(Stage(**around, **values), DemoTriode(), TARGETS)
    frame = pd.DataFrame({"candidate": np.arange(len(values["stopper_ohm"])), **values})
    for name in (*FREE, *SHOWN):
        frame[name] = everyone[name]
    losses = np.column_stack([-BETTER[n] * frame[n].to_numpy() for n in FREE])
    keep = np.flatnonzero(moocore.is_nondominated(losses))
    if rows is not None:
        keep = np.resize(keep, rows) if len(keep) < rows else keep[:rows]
    front = frame.iloc[keep].reset_index(drop=True)
    front["candidate"] = np.arange(len(front))
    scaled = _scaled_losses(front)
    pick, knee = int(np.argmin(scaled.max(axis=1))), int(np.argmin(scaled.sum(axis=1)))
    marks = [""] * len(front)
    for position, mark in [
        (pick, "pick"),
        (knee, "knee"),
        *((int(np.argmin(scaled[:, j])), f"best {n}") for j, n in enumerate(FREE)),
    ]:
        marks[position] = ", ".join(filter(None, [marks[position], mark]))
    front["marks"] = marks
    others = np.random.default_rng(7).permutation(len(front))
    marked = [i for i, m in enumerate(marks) if m and i != pick]
    order = list(dict.fromkeys([pick, *marked, *others.tolist()]))[:40]
    readable = front.iloc[order].reset_index(drop=True)
    stages = Stage(**around, **{p: readable[p].to_numpy() for p in PARTS})
    batch = Assessment(stages, DemoTriode(), TARGETS)
    one = Assessment(stages.at(slice(0, 1)), DemoTriode(), TARGETS)
    return ReportContents(
        title="A bright first stage for a bass preamplifier",
        scenario="Invented demo data: a passive pickup through a volume control into one stage.",
        job=(
            "Amplify a source of 38 kΩ from a 300 V supply with one 12AX7 section.",
            "Put the input corner near 8 kHz and keep radio out of the grid.",
        ),
        uses=[
            ScoreUse(
                n,
                REGISTRY[n].unit,
                REGISTRY[n].meaning,
                REGISTRY[n].source,
                {1: "maximise", -1: "minimise"}.get(BETTER.get(n, 0), "shown"),
                n in FREE,
                BETTER.get(n, 0),
            )
            for n in (*FREE, *SHOWN)
        ],
        constants={"series_departure_percent": 0.0},
        method=(f"Exact: all {len(frame)} combinations of stock parts were worked out.",),
        front=front,
        readable=readable,
        readable_stages=batch,
        pick=one,
        pick_reasons=(
            "Its worst score, measured on the span of the front, is the least bad of all.",
            "It gives up 1.2 dB of the gain of the loudest candidate.",
        ),
        part_labels=PARTS,
        parts=_parts(readable.iloc[0], one),
        limits=pd.DataFrame(
            {
                "limit": ["plate dissipation", "plate voltage"],
                "value": ["0.18 W", "190 V"],
                "allowed": ["1.2 W", "330 V"],
                "room left": ["85 %", "42 %"],
                "source": ["demo", "demo"],
            }
        ),
        feasible=True,
        blocking=(),
        assumptions=("Every valve is a new one of nominal data.", "The supply is stiff at 300 V."),
        sources=("IEC 60063:2015, preferred number series.", "IEC 60062:2016, marking codes."),
        cautions=(),
        search_trace=pd.DataFrame(
            {
                "evaluations": np.arange(100, 2100, 100),
                "hypervolume": 0.8 * (1 - np.exp(-np.arange(1, 21) / 4)),
            }
        ),
    )


def _parts(row: pd.Series, pick: Assessment) -> list[PartLine]:
    current = float(pick.point.supply_current_A[0])
    load = float(row["plate_load_ohm"])
    return [
        PartLine("stopper_ohm", "grid stopper", "100 kΩ", "100K", "chosen from E12", ""),
        PartLine(
            "plate_load_ohm", "plate load", "150 kΩ", "150K", "chosen from E12",
            f"{1e3 * current**2 * load:.0f} mW, {current * load:.0f} V",
        ),
        PartLine("cathode_resistor_ohm", "cathode resistor", "1.5 kΩ", "1K5", "chosen", "1.6 V"),
        PartLine("bypass_F", "cathode bypass", "22 µF", "22µ", "chosen", "1.6 V"),
        PartLine("input_coupling_F", "input coupling", "22 nF", "22n", "fixed by the brief", ""),
    ]  # fmt: skip


@pytest.fixture(scope="session")
def contents() -> ReportContents:
    return make_contents()


@pytest.fixture(scope="session")
def infeasible(contents: ReportContents) -> ReportContents:
    return replace(
        contents,
        feasible=False,
        blocking=("The plate dissipation is 0.31 W at least; the brief allows 0.05 W.",),
    )


@pytest.fixture(scope="session")
def remake() -> Callable[..., ReportContents]:
    return make_contents


@pytest.fixture
def restage(contents: ReportContents) -> Callable[..., Assessment]:
    """Return the pick with some fields of its stage changed."""

    def change(**values: float) -> Assessment:
        known = {f.name for f in fields(Stage)}
        assert values.keys() <= known
        stage = replace(contents.pick.stage, **{k: np.array([v]) for k, v in values.items()})
        return Assessment(stage, contents.pick.device, contents.pick.targets)

    return change
