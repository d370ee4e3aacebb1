"""Shared by all tests: published tables, a valve, random stages."""

from __future__ import annotations

import os
import tomllib
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

# As the commands do before NumPy is loaded: sums come to the same bits in every process.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
import pytest

from fixture_types import MakeStages, ReadReference
from objectives.circuit.small_signal import SmallSignal
from objectives.stage import Stage


@pytest.fixture(scope="session", autouse=True)
def _cache_of_its_own(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Keep what tests make out of the user's cache, and what lies there out of tests."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_CACHE_HOME", str(tmp_path_factory.mktemp("cache")))
        yield


REFERENCES = Path(__file__).parent / "references"


@pytest.fixture(scope="session")
def reference() -> ReadReference:
    """Return a loader of the published tables in tests/references."""

    def load(name: str) -> dict[str, Any]:
        return tomllib.loads((REFERENCES / f"{name}.toml").read_text("utf-8"))

    return load


@pytest.fixture(scope="session")
def random_stages() -> MakeStages:
    """Return a maker of random stages and devices; every kind of absent part occurs."""

    def make(count: int, seed: int) -> tuple[Stage, SmallSignal]:
        rng = np.random.default_rng(seed)

        def spread(low: float, high: float) -> np.ndarray:
            return np.exp(rng.uniform(np.log(low), np.log(high), count))

        def sometimes(value: float, low: float, high: float) -> np.ndarray:
            return np.where(rng.random(count) < 0.25, value, spread(low, high))

        stage = Stage(
            supply_V=spread(100, 400),
            plate_load_ohm=spread(1e4, 1e6),
            cathode_resistor_ohm=sometimes(0.0, 100, 1e4),
            stopper_ohm=sometimes(0.0, 1e2, 1e6),
            bypass_F=np.where(rng.random(count) < 0.2, np.inf, sometimes(0.0, 1e-8, 1e-4)),
            cathode_unbypassed_ohm=sometimes(0.0, 10, 1e4),
            bypass_series_ohm=sometimes(0.0, 10, 1e4),
            source_ohm=sometimes(0.0, 10, 1e6),
            source_ratio=sometimes(1.0, 0.05, 1.0),
            cable_F=spread(1e-12, 1e-9),
            input_coupling_F=sometimes(np.inf, 1e-9, 1e-6),
            grid_leak_ohm=spread(1e4, 1e7),
            leak_at_grid=(rng.random(count) < 0.5).astype(float),
            stopper_shunt_F=sometimes(0.0, 1e-14, 1e-11),
            stopper_lead_H=sometimes(0.0, 1e-9, 1e-7),
            grid_capacitor_F=sometimes(0.0, 1e-13, 1e-10),
            plate_capacitor_F=sometimes(0.0, 1e-13, 1e-9),
            output_coupling_F=sometimes(np.inf, 1e-9, 1e-6),
            load_ohm=sometimes(np.inf, 1e4, 1e7),
            load_F=sometimes(0.0, 1e-13, 1e-9),
            stray_grid_ground_F=spread(1e-13, 1e-11),
            stray_plate_ground_F=spread(1e-13, 1e-11),
            grid_lead_H=sometimes(0.0, 1e-9, 1e-7),
            plate_lead_H=sometimes(0.0, 1e-9, 1e-7),
            cathode_lead_H=sometimes(0.0, 1e-9, 1e-7),
        )
        device = SmallSignal(
            transconductance_S=spread(1e-4, 1e-2),
            plate_conductance_S=spread(1e-6, 1e-3),
            grid_cathode_F=spread(1e-13, 1e-11),
            grid_plate_F=spread(1e-13, 1e-11),
            plate_cathode_F=spread(1e-13, 1e-11),
            grid_conductance_S=sometimes(0.0, 1e-9, 1e-4),
            grid_plate_conductance_S=sometimes(0.0, 1e-10, 1e-7),
        )
        # Drawn last, so that every other value is what it has been.
        return replace(stage, grid_capacitor_lead_H=sometimes(0.0, 1e-9, 1e-7)), device

    return make
