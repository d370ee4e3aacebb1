"""CPU seconds of each command as a ratio to importing typer and rich, and to its aim, in one run.

Run it from the top of the checkout: ``python tests/bench/commands.py``. ``explore`` works in a
folder of its own, first anew and then shown again.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile

FEW = 5.0
"""What "a few times the cost of importing typer and rich" is taken to be."""

SECOND = 5.5
"""What a second of CPU is in that unit on the machine on which the aims were set (0.18 s)."""

EXPLORE_S = 122.0
"""What ``explore treble-cut`` took there before the aims were set: 12 % of it is aimed at for the
whole report, 2 % for showing it again."""

_INSTALLED = {name: v for name, v in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
"""What commands run in: as installed, their modules are compiled once."""

STAGE = (
    "stopper=100k", "plate_load=100k", "cathode_resistor=1k5", "bypass=22u", "grid_leak=1M",
    "grid_leak_position=after stopper",
)  # fmt: skip


def cpu_s(*arguments: str, times: int = 3) -> float:
    """Return the least CPU time of a Python process over some runs (s)."""
    least = float("inf")
    for _ in range(times):
        before = os.times()
        subprocess.run(
            [sys.executable, *arguments],
            check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, env=_INSTALLED,
        )  # fmt: skip
        after = os.times()
        used = after.children_user - before.children_user
        least = min(least, used + after.children_system - before.children_system)
    return least


def main() -> None:
    """Print one line a command."""
    unit = cpu_s("-c", "import typer, rich", times=5)
    print(f"{'import typer, rich':<28}{unit:6.2f} s")

    def show(label: str, aim: float, *arguments: str, times: int = 3) -> None:
        used = cpu_s("-m", "explorer", *arguments, times=times)
        share = used / unit / aim
        print(f"{label:<28}{used:6.2f} s{used / unit:8.1f} times{share:8.2f} of aim", flush=True)

    for arguments in (("--help",), ("schema",), ("check", "treble-cut"), ("devices",)):
        show(arguments[0], FEW, *arguments)
    with tempfile.TemporaryDirectory() as folder:
        into = ("--into", folder)
        show("vary", SECOND, "vary", "treble-cut", "stopper")
        show("assess without a front", SECOND, "assess", "treble-cut", *STAGE, *into)
        show(
            "explore", 0.12 * EXPLORE_S * SECOND, "explore", "treble-cut", "--quiet", *into, times=1
        )
        show("explore again", 0.02 * EXPLORE_S * SECOND, "explore", "treble-cut", "--quiet", *into)
        show("assess with a front", SECOND, "assess", "treble-cut", *STAGE, *into)


if __name__ == "__main__":
    main()
