"""A finished exploration made from ``objectives`` alone: invented demo data, small and exact.

The valve is a stand-in with a published parameter set (N. Koren, Glass Audio 8(5), 1996) and
round-number ratings; the job is made up.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import fields, replace

import moocore
import numpy as np
import pandas as pd
import pytest

from fixture_types import Restage
from objectives.assessment import Assessment
from objectives.format import mark_words
from objectives.ordering import Order, Stress
from objectives.scores.registry import REGISTRY
from objectives.stage import Stage
from objectives.targets import PartRating, RadioBand, Targets
from reports.model import (
    DecisionSummary,
    DriverSummary,
    LimitRow,
    Mark,
    NamedDesign,
    PartLine,
    ReportData,
    ScoreStanding,
    ScoreUse,
    SearchSummary,
    WiringLine,
)
from reports.obstacles import MissedLimit, Obstacles
from reports.record import Run
from stand_in import StandIn

DEMO = StandIn(
    name="12AX7 (demo set)",
    farads=(1.6e-12, 1.7e-12, 0.46e-12),
    flicker_Hz=5e3,
    plate_dissipation_max_W=1.2,
    rated=(
        ("plate dissipation", lambda stage, point: point.plate_dissipation_W, 1.2, "W"),
        ("plate voltage", lambda stage, point: point.plate_cathode_V, 330.0, "V"),
    ),
)
E12 = np.array([1.0, 1.2, 1.5, 1.8, 2.2, 2.7, 3.3, 3.9, 4.7, 5.6, 6.8, 8.2])
PARTS = {
    "stopper_ohm": "E12, 10 kΩ to 470 kΩ, and none",
    "plate_load_ohm": "E12, 68 kΩ to 270 kΩ",
    "cathode_resistor_ohm": "E12, 1 kΩ to 3.9 kΩ",
    "bypass_F": "5 listed values, none to full",
}
"""What varies, and where its values come from."""


FREE = ("gain_dB", "input_corner_error_octaves", "rf_margin_dB", "noise_dBu")
SHOWN = ("input_corner_Hz", "upper_corner_Hz", "plate_current_A")
BETTER = {"gain_dB": 1, "input_corner_error_octaves": -1, "rf_margin_dB": 1, "noise_dBu": -1}
TARGETS = Targets(
    input_corner_Hz=8000.0,
    radio_bands=(
        RadioBand("medium-wave broadcast", 526.5e3, 1606.5e3, 10.0),
        RadioBand("FM broadcast", 87.5e6, 108e6, 20.0),
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
) -> ReportData:
    """Enumerate the demo space over a series (one decade of values) and report its front."""
    values = _grid(scale)
    around = surroundings or SURROUNDINGS
    everyone = Assessment(Stage(**around, **values), DEMO, TARGETS)
    frame = pd.DataFrame({"candidate": np.arange(len(values["stopper_ohm"])), **values})
    for name in (*FREE, *SHOWN):
        frame[name] = everyone[name]
    losses = np.column_stack([-BETTER[n] * frame[n].to_numpy() for n in FREE])
    keep = np.flatnonzero(moocore.is_nondominated(losses))
    if rows is not None:
        keep = np.resize(keep, rows) if len(keep) < rows else keep[:rows]
    front = frame.iloc[keep].reset_index(drop=True)
    front["candidate"] = np.arange(len(front)) + 1
    front["limits_broken"] = 0.0
    front["law_trusted"] = True
    front["on_front"] = True
    scaled = _scaled_losses(front)
    pick, close = int(np.argmin(scaled.max(axis=1))), int(np.argmin(scaled.sum(axis=1)))
    best = [int(np.argmin(scaled[:, j])) for j in range(len(FREE))]
    marks: dict[int, list[Mark]] = {}
    for row, mark in (
        (pick, Mark("pick")),
        (close, Mark("alternative", FREE[0])),
        *((row, Mark("best", name)) for row, name in zip(best, FREE, strict=True)),
    ):
        marks.setdefault(row + 1, []).append(mark)
    front["marks"] = [
        ", ".join(mark_words(mark.kind, mark.score) for mark in marks.get(candidate, ()))
        for candidate in front["candidate"]
    ]
    others = np.random.default_rng(7).permutation(len(front))
    order = list(dict.fromkeys([pick, *(c - 1 for c in marks), *others.tolist()]))[:40]
    shown = front.iloc[order].reset_index(drop=True)
    stage = Stage(**around, **{p: shown[p].to_numpy()[:1] for p in PARTS})
    one = Assessment(stage, DEMO, TARGETS)
    return ReportData(
        title="A bright first stage for a bass preamplifier",
        scenario="Invented demo data: a passive pickup through a volume control into one stage.",
        driver=DriverSummary(38e3),
        next_device="",
        uses=[
            ScoreUse(
                n,
                REGISTRY[n].unit,
                REGISTRY[n].meaning,
                REGISTRY[n].source,
                aim=("maximise" if BETTER[n] > 0 else "minimise") if n in FREE else "",
                shown=n in SHOWN,
                better=BETTER.get(n, 0),
            )
            for n in (*FREE, *SHOWN)
        ],
        constants={"series_departure_percent": 0.0},
        space=float(len(frame)),
        exact=SearchSummary(len(frame), len(frame), 1.5),
        searched=SearchSummary(2000, 2000, 3.0),
        search_share=0.98,
        hypervolume=0.7,
        interrupted=False,
        front=front,
        marks=marks,
        shown=shown,
        pick=one,
        decision=_decision(front, pick, best, scaled),
        origins=PARTS,
        parts=_parts(shown.iloc[0], one),
        limits=[
            LimitRow("rating", "plate dissipation rating", "W", 0.18, -np.inf, 1.2, True, "demo"),
            LimitRow("window", "gain_dB", "dB", 36.0, 30.0, np.inf, True, "brief"),
        ],
        feasible=True,
        obstacles=None,
        more_choice=[],
        wiring=[WiringLine("twisted pair", "grid to ground", 12e-12, "invented for the demo")],
        highest_supply_V=300.0,
        run=Run("stagefront explore demo.toml", "demo.toml", 'title = "demo"\n'),
        search_trace=pd.DataFrame(
            {
                "evaluations": np.arange(100, 2100, 100),
                "hypervolume": 0.8 * (1 - np.exp(-np.arange(1, 21) / 4)),
            }
        ),
    )


def _decision(
    front: pd.DataFrame, pick: int, best: list[int], scaled: np.ndarray
) -> DecisionSummary:
    standings = [
        ScoreStanding(
            name,
            float(front[name].iloc[pick]),
            float(front[name].quantile(0.9 if BETTER[name] > 0 else 0.1)),
            float(front[name].median()),
            False,
            float(front[name].iloc[best[j]]),
            float(
                abs(
                    REGISTRY[name].step.count(front[name].iloc[pick])
                    - REGISTRY[name].step.count(front[name].iloc[best[j]])
                )
            ),
        )
        for j, name in enumerate(FREE)
    ]
    close = int(np.argmin(scaled.sum(axis=1)))
    return DecisionSummary(
        NamedDesign(pick + 1, "pick", "", 0.93),
        [NamedDesign(close + 1, "alternative", FREE[0], 0.95)] if close != pick else [],
        [],
        standings,
        0.9,
        len(front),
        10 * scaled.max(axis=1),
    )


FILM = Order((-0.1, 0.1), np.nan, 400.0)


def _parts(row: pd.Series, pick: Assessment) -> list[PartLine]:
    current = float(pick.point.supply_current_A[0])
    load = float(row["plate_load_ohm"])
    return [
        PartLine(
            "stopper_ohm", float(row["stopper_ohm"]), "120K", PARTS["stopper_ohm"],
            float(row["stopper_ohm"]), order=Order((-0.05, 0.05), 0.125, 150.0),
        ),
        PartLine(
            "plate_load_ohm", load, "220K", PARTS["plate_load_ohm"], load,
            stress=Stress(current**2 * load, current * load, "at rest"),
            order=Order((-0.05, 0.05), 0.5, 350.0),
        ),
        PartLine(
            "bypass_F", np.inf, "22µ", PARTS["bypass_F"], 22e-6, 20.0,
            Stress(voltage_V=1.6, when="at rest", at_most_V=2.0), Order((-0.2, 0.5), np.nan, 6.3),
        ),
        PartLine(
            "input_coupling_F", 22e-9, "22n", "", 22e-9,
            stress=Stress(voltage_V=300.0, when="at switch-on"), order=FILM,
        ),
        PartLine(
            "output_coupling_F", 22e-9, "22n", "", 22e-9,
            stress=Stress(voltage_V=300.0, when="at switch-on"), order=FILM,
        ),
    ]  # fmt: skip


def _broken(frame: pd.DataFrame) -> pd.DataFrame:
    return frame.assign(limits_broken=0.4, limits_broken_count=np.arange(len(frame)) % 3 + 1)


@pytest.fixture(scope="session")
def contents() -> ReportData:
    return make_contents()


@pytest.fixture(scope="session")
def infeasible(contents: ReportData) -> ReportData:
    return replace(
        contents,
        feasible=False,
        front=_broken(contents.front),
        shown=_broken(contents.shown),
        marks={int(contents.shown["candidate"].iloc[0]): [Mark("nearest")]},
        decision=None,
        obstacles=Obstacles(
            1000,
            [MissedLimit("window", "gain_dB", 0.4, 36.0, at_least=40.0)],
            [(MissedLimit("rating", "plate dissipation rating", 0.1), 0.5)],
            [MissedLimit("window", "gain_dB", 0.4, 36.0, at_least=40.0)],
        ),
    )


@pytest.fixture(scope="session")
def batch(contents: ReportData) -> Assessment:
    """Return the designs shown as a batch."""
    stages = Stage(**SURROUNDINGS, **{p: contents.shown[p].to_numpy() for p in PARTS})
    return Assessment(stages, contents.pick.device, TARGETS)


@pytest.fixture(scope="session")
def remake() -> Callable[..., ReportData]:
    return make_contents


@pytest.fixture
def restage(contents: ReportData) -> Restage:
    """Return the pick with some fields of its stage changed."""

    def change(**values: float) -> Assessment:
        known = {f.name for f in fields(Stage)}
        assert values.keys() <= known
        stage = replace(contents.pick.stage, **{k: np.array([v]) for k, v in values.items()})
        return Assessment(stage, contents.pick.device, contents.pick.targets)

    return change
