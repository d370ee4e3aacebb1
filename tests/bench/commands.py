"""CPU seconds of each command as a ratio to importing typer and rich, and to its aim, in one run.

Run it from the top of the checkout: ``python tests/bench/commands.py``. ``explore`` works in a
folder of its own, first anew and then shown again; the commands after it find its front there.

``--old COMMAND`` names the ``stagefront`` of an environment with the code of 46d2dab, which the
aims are shares of. Then a second is what it was there, and of each shipped brief the time until the
pick is printed is set against that of the whole of the old ``explore`` (some minutes a brief).
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence

FEW = 5.0
"""What "a few times the cost of importing typer and rich" is taken to be."""

SECOND = 5.5
"""What a second of CPU is in that unit on the machine on which the aims were set (0.18 s)."""

OLD_CHECK_S = 4.0
"""What ``check treble-cut`` took there before the aims were set."""

EXPLORE_S = 122.0
"""What ``explore treble-cut`` took there: 12 % of it is aimed at for the whole report, 2 % for
showing it again, 4 % for the pick of every brief."""

PICK = 0.04

BRIEFS = "treble-cut", "studio-line", "quiet-input", "battery-preamp", "talkback"

_INSTALLED = {name: v for name, v in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
"""What commands run in: as installed, their modules are compiled once."""

_OLD = {name: v for name, v in _INSTALLED.items() if name != "PYTHONPATH"}

OURS = sys.executable, "-m", "explorer"

STAGE = (
    "stopper=100k", "plate_load=100k", "cathode_resistor=1k5", "bypass=22u", "grid_leak=1M",
    "grid_leak_position=after stopper",
)  # fmt: skip


def cpu_s(command: Sequence[str], times: int = 3, env: dict[str, str] = _INSTALLED) -> float:
    """Return the least CPU time of a command over some runs (s)."""
    least = float("inf")
    for _ in range(times):
        before = os.times()
        subprocess.run(
            command, check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, env=env
        )
        after = os.times()
        used = after.children_user - before.children_user
        least = min(least, used + after.children_system - before.children_system)
    return least


def pick_s(brief: str) -> float:
    """Return the time on the clock until ``explore`` has printed its pick (s)."""
    with tempfile.TemporaryDirectory() as folder:
        start = time.perf_counter()
        run = subprocess.Popen(
            [*OURS, "explore", brief, "--quiet", "--into", folder],
            stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True, env=_INSTALLED,
        )  # fmt: skip
        assert run.stdout is not None
        next(line for line in run.stdout if line.startswith("Solder"))
        taken = time.perf_counter() - start
        run.kill()
        run.communicate()
    return taken


def show_picks(old: str) -> None:
    """Print one line a brief: the pick as a share of all that the old code took."""
    for brief in BRIEFS:
        with tempfile.TemporaryDirectory() as folder:
            start = time.perf_counter()
            cpu_s([old, "explore", brief, "--quiet", "--into", folder], 1, _OLD)
            whole = time.perf_counter() - start
        pick = pick_s(brief)
        print(
            f"{f'pick of {brief}':<28}{pick:6.2f} s{100 * pick / whole:8.1f} % of {whole:.0f} s"
            f"{pick / whole / PICK:8.2f} of aim (clock)", flush=True,
        )  # fmt: skip


def main() -> None:
    """Print one line a command."""
    parser = argparse.ArgumentParser(description="CPU time of each command, as a ratio.")
    parser.add_argument("--old", help="the stagefront command of an environment of 46d2dab")
    old = parser.parse_args().old
    unit = cpu_s([sys.executable, "-c", "import typer, rich"], times=5)
    print(f"{'import typer, rich':<28}{unit:6.2f} s")
    second = SECOND
    if old:
        check = cpu_s([old, "check", "treble-cut"], env=_OLD)
        second = check / OLD_CHECK_S / unit
        print(f"{'check as of 46d2dab':<28}{check:6.2f} s, so a second is {second:.1f} times that")

    def show(label: str, aim: float, *arguments: str, times: int = 3) -> None:
        used = cpu_s([*OURS, *arguments], times)
        share = used / unit / aim
        print(f"{label:<28}{used:6.2f} s{used / unit:8.1f} times{share:8.2f} of aim", flush=True)

    for arguments in (("--help",), ("schema",), ("devices",)):
        show(arguments[0], FEW, *arguments)
    show("check", 0.8 * second, "check", "treble-cut")
    with tempfile.TemporaryDirectory() as folder:
        into, explore = ("--into", folder), ("explore", "treble-cut", "--quiet")
        show("vary", second, "vary", "treble-cut", "stopper")
        show("assess without a front", second, "assess", "treble-cut", *STAGE, *into)
        show("explore", 0.12 * EXPLORE_S * second, *explore, *into, times=1)
        show("explore again", 0.02 * EXPLORE_S * second, *explore, *into)
        show("assess with a front", second, "assess", "treble-cut", *STAGE, *into)
        show("assess of the pick", second, "assess", "treble-cut", "pick", *into)
    if old:
        show_picks(old)
    else:
        for brief in BRIEFS:
            print(f"{f'pick of {brief}':<28}{pick_s(brief):6.2f} s on the clock", flush=True)


if __name__ == "__main__":
    main()
