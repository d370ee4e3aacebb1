"""How soon the page answers a step: median and 95th percentile of 200 steps, in this process.

    PYTHONPATH=tests .venv/bin/python tests/bench/page.py [BRIEF]

Time is that of the processor, since a machine at work on other things answers later; beside it the
time on the clock. The replies are those that a page asks for one after the other: ``quick`` is
circuit, gauges and parts; ``rest`` responses, load lines, worked lines, limits and noise; ``more``
radio and stability; ``slow`` yield and scores under drive. The last two at every tenth step.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from starlette.testclient import TestClient

from explorer.brief.loading import load_brief
from explorer.exploration import explore
from explorer.formulation import formulate
from explorer.page.app import application
from explorer.page.subject import SENT, Subject
from explorer.settings import Settings

STEPS = 200


def main(name: str) -> None:
    """Step parts at random from the pick on, and print how long the replies took."""
    formulation = formulate(load_brief(name))
    subject = Subject(formulation, explore(formulation, Settings(seed=1)))
    own = application(subject, "token", 8000, Path(tempfile.mkdtemp()))
    page = TestClient(own, base_url="http://127.0.0.1:8000/token/")
    rng = np.random.default_rng(1)
    query, steppers = subject.query(subject.start), subject.steppers(subject.start)
    state = {stepper.key: stepper.short for stepper in steppers}
    at = [
        {"key": stepper.key, "down": stepper.down, "up": stepper.up, "short": stepper.short}
        for stepper in steppers
    ]
    page.get(f"stage?{query}&send=quick")
    took: dict[str, list[tuple[float, float]]] = {reply: [] for reply in SENT}
    for step in range(STEPS):
        moves = [(own["key"], own[way]) for own in at for way in ("down", "up") if own[way]]
        key, value = moves[rng.integers(len(moves))]
        state[key] = value
        for which in SENT if step % 10 == 0 else ("quick", "rest"):
            start = time.process_time(), time.perf_counter()
            reply = page.get("stage", params={**state, "send": which})
            took[which].append((time.process_time() - start[0], time.perf_counter() - start[1]))
            assert reply.status_code == 200, reply.text
            at = reply.json().get("steppers", at)
    for which, rows in took.items():
        print(f"{which}: {_words([cpu for cpu, _ in rows])} of the processor", end="; ")
        print(f"{_words([wall for _, wall in rows])} on the clock")


def _words(seconds: Sequence[float]) -> str:
    median, high = 1e3 * np.percentile(seconds, [50, 95])
    return f"median {median:.0f} ms, 95 % within {high:.0f} ms"


if __name__ == "__main__":
    main(sys.argv[1] if len(sys.argv) > 1 else "treble-cut")
