"""Whatever a file holds, it is read or refused with one clear error, and never a traceback.

A thousand cases run with the other tests, each time the same; STAGEFRONT_FUZZ=100000 draws so many
new ones, as a night allows. What was met is kept as an example here and in ``test_bounds.py``.
"""

import json
import os
import re
import warnings
from collections.abc import Callable
from importlib.resources import files
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from explorer.bench import read_response
from explorer.brief.errors import BriefError
from explorer.brief.loading import parse_brief, shipped_brief_text
from explorer.brief.shipped import shipped_briefs
from explorer.brief_review import review
from explorer.designs import load_design
from explorer.drawer import read_drawer
from explorer.formulation import formulate
from explorer.stored import kept, kept_yields
from objectives.checks import InputError
from objectives.devices.valve_table import read_valves, valves
from objectives.devices.valve_writing import format_valves
from objectives.fitting.measurements import read_measurements

pytestmark = [pytest.mark.fuzz, pytest.mark.slow]

CASES = int(os.environ.get("STAGEFRONT_FUZZ", "1000"))
BRIEFS = [shipped_brief_text(name) for name in shipped_briefs()]
FOLDER = files("explorer") / "briefs"
VALVE = format_valves([valves()[0]])
DRAWER = (FOLDER / "drawer.csv").read_text("utf-8")
READINGS = "frequency_Hz,level_dB,sigma_dB\n" + "".join(
    f"{f},{f / 100},0.2\n" for f in range(20, 80)
)
CURVES = "grid_voltage_V,plate_voltage_V,plate_current_mA\n-1,100,0.5\n-1,200,1.5\n-2,200,0.7\n"
DESIGN = '[design]\nstopper = "68k"\nplate_load = "100k"\ncathode_resistor = "1k5"\n'

# What has broken readers before: sizes, signs, brackets, quotes, other scripts, paths, controls.
PIECES = [
    "", "0", "-0", "-1", "1e308", "-1e308", "5e-324", "nan", "inf", "-inf", "1" + "0" * 400,
    "9" * 5000, "0x" + "f" * 300, "1_000", "1e9", "1e-9", "1e15", "1e-18", "true", "[]", "{}",
    "[" * 200, "{a=" * 99, "a." * 400 + "a = 1", '"', "'", '"""', "#", ",", ";",
    "[[]]", "=", "\n", "\r", "\t", "\x00", "\ufeff", "\u2028", "Ω", "µ", "−", "１２", "½",
    "😀", "../../etc/passwd", "/dev/null", "drawer.csv", "[parts]", "[[targets.radio_bands]]",
    "\u202e", "none", "full", "either",
    '"1 mV"', '"12 V"', '"1e308 V"', '"4k7"', '"4,7k"', '"-1 pF"', '"1e-18 F"', '"1e15 ohm"',
    "{ from = 1, to = 1e15 }", '["none", "full"]', "2026-11-26", "08:30:00", "x" * 300,
]  # fmt: skip

FUZZ = settings(
    max_examples=max(CASES // 8, 1),  # there are eight tests
    derandomize="STAGEFRONT_FUZZ" not in os.environ,
    deadline=None,
    database=None,
    suppress_health_check=list(HealthCheck),
)


@st.composite
def mutated(draw: st.DrawFn, texts: list[str]) -> str:
    """Return one of the texts with some of its tokens replaced, doubled, dropped or moved."""
    tokens = re.findall(r"\w+|\s+|.", draw(st.sampled_from(texts)), re.DOTALL)
    for _ in range(draw(st.integers(1, 4))):
        at = draw(st.integers(0, max(len(tokens) - 1, 0)))
        match draw(st.integers(0, 5)):
            case 0:
                tokens[at : at + 1] = [draw(st.sampled_from(PIECES))]
            case 1:
                tokens[at:at] = [draw(st.sampled_from(PIECES))]
            case 2:
                del tokens[at : at + draw(st.integers(1, 12))]
            case 3:
                tokens[at:at] = tokens[at : at + draw(st.integers(1, 40))]
            case 4:
                tokens[at : at + 1] = [draw(st.text(max_size=8))]
            case _:
                digit = re.sub(
                    r"\d", lambda _: str(draw(st.integers(0, 9))), "".join(tokens[at : at + 1])
                )
                tokens[at : at + 1] = [digit]
    return "".join(tokens)


def readable(read: Callable[[], object]) -> Any:
    """Return what is read, or None where it is refused as it should be."""
    with warnings.catch_warnings():
        warnings.simplefilter("error", RuntimeWarning)
        try:
            return read()
        except (BriefError, InputError):
            return None


def written(text: str, read: Callable[[Path], object]) -> Any:
    """Return what is read of a file that holds a text."""
    with TemporaryDirectory() as folder:
        path = Path(folder) / "own"
        path.write_bytes(text.encode("utf-8", "surrogatepass"))
        return readable(lambda: read(path))


@FUZZ
@given(mutated(BRIEFS))
@example(
    BRIEFS[0].replace("[driver]", '[driver]\ncable = "microphone cable"\ncable_metres = 1e15', 1)
)
def test_any_brief(text: str) -> None:
    readable(lambda: formulate(parse_brief(text, FOLDER)))


@settings(FUZZ, max_examples=max(CASES // 80, 1))  # each takes ten times as long
@given(mutated(BRIEFS))
@example(BRIEFS[0].replace('"300 V"', '"1 mV"'))
def test_any_brief_is_reviewed(text: str) -> None:
    readable(lambda: review(formulate(parse_brief(text, FOLDER))))


@FUZZ
@given(mutated([DRAWER]))
def test_any_drawer(text: str) -> None:
    written(text, read_drawer)


@FUZZ
@given(mutated([READINGS, READINGS.replace("level_dB", "gain_dB")]))
def test_any_readings(text: str) -> None:
    found = written(text, read_response)
    assert found is None or np.isfinite(found.level_dB).all()


@FUZZ
@given(mutated([CURVES]))
def test_any_curves(text: str) -> None:
    found = written(text, read_measurements)
    assert found is None or np.isfinite(found.plate_current_A).all()


@FUZZ
@given(mutated([DESIGN]))
def test_any_design(text: str) -> None:
    brief = parse_brief(BRIEFS[0], FOLDER)
    written(text, lambda path: load_design(path, brief))


@FUZZ
@given(mutated([VALVE]))
def test_any_valve_table(text: str) -> None:
    readable(lambda: read_valves(text, "own.toml"))


@FUZZ
@pytest.mark.filterwarnings("ignore::explorer.stored.StoredWarning")
@given(st.data())
def test_any_kept_file(data: st.DataObject) -> None:
    problem = formulate(parse_brief(BRIEFS[0], FOLDER)).problem
    with TemporaryDirectory() as name:
        folder = Path(name)
        record = json.dumps({"key": data.draw(st.text(max_size=9)), "seconds": 1.0})
        np.savez_compressed(folder / "exact.npz", record=np.array(record), x=np.arange(9.0))
        raw = bytearray((folder / "exact.npz").read_bytes())
        for _ in range(data.draw(st.integers(0, 8))):
            raw[data.draw(st.integers(0, len(raw) - 1))] = data.draw(st.integers(0, 255))
        for place in ("exact.npz", "yields.npz"):
            (folder / place).write_bytes(raw[: data.draw(st.integers(0, len(raw)))])
        assert kept(problem, folder) is None
        assert kept_yields(problem, folder) == {}
