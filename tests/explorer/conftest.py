"""Small invented briefs that are searched in moments."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from postgresql import database, programs

import explorer.cli.command  # noqa: F401 (enters the commands)
from explorer.brief.loading import parse_brief
from explorer.formulation import Formulation, formulate
from fixture_types import MakeBriefText, MakeFormulation

BRIEF = """\
# Invented, for tests.
title = "A small stage for tests"
scenario = "Invented."
valve = "12AX7"

[supply]
voltage = "250 V"

[driver]
resistance = "47k"

[load]
resistance = "470k"
capacitance = "50 pF"

[strays]
grid_to_plate = "0.5 pF"

[targets]
input_corner = "8 kHz"

[[targets.radio_bands]]
name = "medium wave"
from = "530 kHz"
to = "1.7 MHz"
attenuation = "12 dB"

[limits]
plate_current_A = { at_least = "0.6 mA", at_most = "0.9 mA" }

[parts.stopper]
series = "E6"
from = "10k"
to = "220k"

[parts.plate_load]
values = ["100k", "150k", "220k"]

[parts.cathode_resistor]
values = ["1k", "1k5", "2k2"]

[parts.bypass]
values = ["none", "22u"]

[parts.output_coupling]
value = "22n"

[scores]
gain_dB = "maximise"
input_corner_error_octaves = "minimise"
noise_dBu = "minimise"
rf_margin_dB = "maximise"
input_corner_Hz = "show"

[search]
seed = 5
evaluations = 60
batch = 20
"""
SIZE = 9 * 3 * 3 * 2


@pytest.fixture(scope="session")
def brief_text() -> MakeBriefText:
    """Return a maker of the small brief with some of its text replaced."""

    def make(*changes: tuple[str, str]) -> str:
        text = BRIEF
        for old, new in changes:
            assert old in text, old
            text = text.replace(old, new)
        return text

    return make


@pytest.fixture(scope="session")
def formulated(brief_text: MakeBriefText) -> MakeFormulation:
    """Return a maker of the problem that the small brief, changed, poses."""

    def make(*changes: tuple[str, str], folder: str | Path = ".") -> Formulation:
        return formulate(parse_brief(brief_text(*changes), folder))

    return make


@pytest.fixture(scope="session")
def size() -> int:
    """Return the number of candidates of the small brief."""
    return SIZE


IMPOSSIBLE = ('plate_current_A = { at_least = "0.6 mA"', 'gain_dB = { at_least = "60 dB" }\n'
              'plate_current_A = { at_least = "0.6 mA"')  # fmt: skip
DRIVEN = ("[load]", '[drive]\nlevel = "20 V"\nnote = "220 Hz"\nharmonics_above = "6 kHz"\n\n[load]')
CONTINUOUS = (
    'series = "E6"\nfrom = "10k"\nto = "220k"',
    'continuous = true\nfrom = "10k"\nto = "220k"',
)


@pytest.fixture(scope="session")
def driven() -> tuple[str, str]:
    """Return the change after which the stage is driven hard."""
    return DRIVEN


@pytest.fixture(scope="session")
def impossible() -> tuple[str, str]:
    """Return the change after which no candidate keeps every limit."""
    return IMPOSSIBLE


@pytest.fixture(scope="session")
def continuous() -> tuple[str, str]:
    """Return the change that makes the stopper continuous."""
    return CONTINUOUS


@pytest.fixture
def postgresql_url() -> Iterator[str]:
    """Return the URL of a PostgreSQL of its own."""
    pytest.importorskip("psycopg")
    there = programs()
    if there is None:
        pytest.skip("needs PostgreSQL's own programs")
    with database(there) as url:
        yield url


@pytest.fixture(scope="module")
def browser() -> Iterator[object]:
    """Return Chromium, without a window."""
    playwright = pytest.importorskip("playwright.sync_api")
    chromium = os.environ.get("CHROMIUM") or shutil.which("chromium")
    if chromium is None:
        pytest.skip("needs Chromium")
    playwright.expect.set_options(timeout=30_000)
    with playwright.sync_playwright() as started:
        launched = started.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        yield launched
        launched.close()
