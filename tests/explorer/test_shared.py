"""One enumeration on a cluster, or by several processes with one PostgreSQL: none lost, none twice.

Both on loopback, four workers each, one of them killed; the front is that of the single run.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading

import numpy as np
import pytest

from explorer.brief.loading import load_brief
from explorer.evaluation import Evaluation
from explorer.formulation import formulate
from explorer.harvest import Harvest
from explorer.problem import Problem
from explorer.results import Progress
from explorer.search import enumerate_front
from explorer.settings import Settings
from objectives.checks import InputError

pytestmark = pytest.mark.slow

BLOCK = 100
"""Of treble-cut 90 blocks of 460."""

WORKER = """
import sys
from explorer.brief.loading import load_brief
from explorer.formulation import formulate
from explorer.search import enumerate_front
from explorer.settings import Settings

problem = formulate(load_brief("treble-cut")).problem
print("ready", flush=True)
settings = Settings(block=100, storage=sys.argv[1])
found = enumerate_front(problem, settings, lambda p: print(p.done, flush=True))
print(found.evaluated, len(found.front), found.complete, flush=True)
"""


@pytest.fixture(scope="module")
def problem() -> Problem:
    return formulate(load_brief("treble-cut")).problem


@pytest.fixture(scope="module")
def single(problem: Problem) -> Harvest:
    """Return what one process comes to, in blocks of another size."""
    return enumerate_front(problem, Settings()).harvest


def same(found: Harvest, expected: Harvest) -> None:
    def rows(of: Evaluation) -> np.ndarray:
        return np.stack([of.parts[name] for name in sorted(of.parts)], axis=-1)

    assert np.array_equal(rows(found.front), rows(expected.front))
    assert np.array_equal(rows(found.serious), rows(expected.serious))
    assert found.counts.keys() == expected.counts.keys()
    assert found.evaluated == expected.evaluated
    assert found.feasible == expected.feasible
    assert found.broken == expected.broken


def test_four_workers_on_one_database_of_which_one_is_killed(
    problem: Problem, single: Harvest, postgresql_url: str
) -> None:
    workers = [
        subprocess.Popen(
            [sys.executable, "-c", WORKER, postgresql_url], stdout=subprocess.PIPE, text=True
        )
        for _ in range(4)
    ]
    victim, *others = workers
    assert victim.stdout is not None
    # All start at once on an empty database; one is killed as soon as it has done something.
    assert victim.stdout.readline() == "ready\n"
    victim.stdout.readline()
    victim.kill()
    victim.wait()  # its own helpers may hold its output open for minutes
    assert victim.returncode == -signal.SIGKILL
    last = [other.communicate(timeout=300)[0].splitlines()[-1] for other in others]
    assert last == [f"{int(problem.size)} {len(single.front)} True"] * 3
    # What they stored is the whole of it: another one only reads.
    read = enumerate_front(problem, Settings(block=BLOCK, storage=postgresql_url))
    assert (read.resumed, read.complete) == (problem.size, True)
    same(read.harvest, single)


def test_a_cluster_of_which_a_worker_is_killed(
    problem: Problem, single: Harvest, monkeypatch: pytest.MonkeyPatch
) -> None:
    distributed = pytest.importorskip("distributed")
    monkeypatch.setattr("explorer.search._WAVE_S", 0.0)  # few blocks at a time
    cluster = distributed.LocalCluster(
        n_workers=4, threads_per_worker=1, dashboard_address=None, host="127.0.0.1"
    )
    with cluster:
        victim = next(iter(cluster.workers.values())).process.pid
        killed: list[int] = []

        def kill(progress: Progress) -> None:
            if not killed:
                killed.append(progress.done)
                threading.Timer(0.1, os.kill, (victim, signal.SIGKILL)).start()

        found = enumerate_front(
            problem, Settings(block=BLOCK, cluster=cluster.scheduler_address), kill
        )
    assert 0 < killed[0] < problem.size
    assert found.complete
    same(found.harvest, single)


def test_an_address_without_a_cluster_is_named(problem: Problem) -> None:
    pytest.importorskip("distributed")
    with pytest.raises(InputError) as caught:
        enumerate_front(problem, Settings(cluster="tcp://127.0.0.1:9"))
    assert (caught.value.field, caught.value.value) == ("cluster", "tcp://127.0.0.1:9")
