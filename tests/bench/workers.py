"""How candidates a second grow with workers, and the load on what they share.

One enumeration of two million candidates by 1, 2, 4 and 8 workers: processes that share a study
on a PostgreSQL of its own, and a Dask cluster, both on loopback. Run it:

    OPENBLAS_NUM_THREADS=1 PYTHONPATH=tests python tests/bench/workers.py [--turns 3]

It prints a table, of each number of workers the quickest turn: machines that are shared with others
are now quick and now slow. The storage's share is that of CPU time: of the workers' calls of Optuna
and of the database, in all that both take; of Dask, whose study is in memory, that of the process
that asks. Workers beyond the cores of the machine share these: what more machines would do,
candidates by second of CPU time say.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import time
from operator import itemgetter
from typing import Any

import optuna
import pandas as pd
import psutil  # type: ignore[import-untyped]
import psycopg
from bench.search import WIDE, problem_of
from distributed import Client, LocalCluster
from postgresql import database, programs

from explorer.problem import Problem
from explorer.search import enumerate_front
from explorer.settings import Settings

LARGER = WIDE[0], WIDE[3], WIDE[4]
"""Changes that make 1,995,840 candidates of treble-cut."""


def problem() -> Problem:
    """Return the problem that is enumerated."""
    return problem_of("treble-cut", *LARGER)


def timed_storage() -> list[float]:
    """Let Optuna note in the list that is returned the time that each call takes (CPU s)."""
    taken: list[float] = []
    for owner, names in {
        optuna.Study: ("ask", "tell", "get_trials"),
        optuna.Trial: ("set_user_attr", "set_constraint"),
    }.items():
        for name in names:
            setattr(owner, name, _timed(getattr(owner, name), taken))
    return taken


def _timed(call: Any, taken: list[float]) -> Any:
    def timed(*args: Any, **kwargs: Any) -> Any:
        start = time.process_time()
        try:
            return call(*args, **kwargs)
        finally:
            taken.append(time.process_time() - start)

    return timed


def work(url: str) -> None:
    """Be one worker: wait for a line, enumerate, and print what it took."""
    os.cpu_count = lambda: 1  # a process is one worker
    taken, own = timed_storage(), problem()
    print("ready", flush=True)
    sys.stdin.readline()
    cpu = time.process_time()
    result = enumerate_front(own, Settings(storage=url))
    print(json.dumps({
        "seconds": result.seconds, "cpu": time.process_time() - cpu, "storage": sum(taken),
        "candidates": result.evaluated, "front": len(result.front),
    }))  # fmt: skip


def on_postgresql(workers: int) -> dict[str, float]:
    """Return what the enumeration takes processes that share a database."""
    there = programs()
    assert there is not None, "needs PostgreSQL's own programs"
    with database(there) as url, psycopg.connect(url, autocommit=True) as watching:

        def ask(query: str) -> float:
            row = watching.execute(query).fetchone()
            assert row is not None
            return float(row[0])

        server = psutil.Process(int(ask("select pg_backend_pid()"))).parent()
        assert server is not None
        transactions = "select sum(xact_commit) from pg_stat_database"
        size = "select pg_database_size(current_database())"
        processes = [
            subprocess.Popen(
                [sys.executable, __file__, "--share", url],
                stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
            )
            for _ in range(workers)
        ]  # fmt: skip
        for process in processes:
            assert process.stdout is not None
            process.stdout.readline()
        optuna.storages.get_storage(url.replace("://", "+psycopg://"))  # its tables
        before = ask(transactions), ask(size)
        for process in processes:
            assert process.stdin is not None
            process.stdin.write("\n")
            process.stdin.flush()
        each = pd.DataFrame(
            [json.loads(process.communicate()[0].splitlines()[-1]) for process in processes]
        )
        time.sleep(1.0)  # until the counts are in
        used = server.cpu_times()  # of its children that have ended: the workers' connections
        served = used.children_user + used.children_system
        trials = ask("select count(*) from trials where state = 'COMPLETE'")
        assert each["candidates"].nunique() == each["front"].nunique() == 1
        return {
            "seconds": each["seconds"].max(),
            "cpu": each["cpu"].sum() + served,
            "candidates": each["candidates"][0],
            "storage %": 100 * (each["storage"].sum() + served) / (each["cpu"].sum() + served),
            "trials": trials,
            "transactions a trial": (ask(transactions) - before[0]) / trials,
            "kB a trial": (ask(size) - before[1]) / trials / 1e3,
        }


def on_dask(workers: int) -> dict[str, float]:
    """Return what the enumeration takes a cluster."""
    own, taken = problem(), timed_storage()
    with LocalCluster(  # type: ignore[no-untyped-call]
        n_workers=workers, threads_per_worker=1, dashboard_address=None, host="127.0.0.1"
    ) as cluster:

        def cpu() -> float:
            with Client(cluster) as client:  # type: ignore[no-untyped-call]
                return float(sum(client.run(time.process_time).values()))

        before, asking = cpu(), time.process_time()
        result = enumerate_front(own, Settings(cluster=cluster.scheduler_address))
        used = cpu() - before + time.process_time() - asking
        return {
            "seconds": result.seconds,
            "cpu": used,
            "candidates": result.evaluated,
            "storage %": 100 * sum(taken) / used,
        }


def main() -> None:
    """Print the table."""
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("--workers", type=int, nargs="+", default=[1, 2, 4, 8])
    ask.add_argument("--turns", type=int, default=3)
    ask.add_argument("--share", help=argparse.SUPPRESS)
    asked = ask.parse_args()
    if asked.share:
        work(asked.share)
        return
    optuna.logging.set_verbosity(optuna.logging.WARNING)
    best: dict[tuple[str, int], dict[str, float]] = {}
    for _ in range(asked.turns):
        for name, run in {"PostgreSQL": on_postgresql, "Dask": on_dask}.items():
            for workers in asked.workers:
                row = run(workers)
                print(name, workers, f"{row['seconds']:.1f} s", flush=True)
                best[name, workers] = min(
                    row, best.get((name, workers), row), key=itemgetter("seconds")
                )
    table = pd.DataFrame.from_dict(best, orient="index").rename_axis(["by", "workers"])
    table["candidates/s"] = table["candidates"] / table["seconds"]
    table["candidates/CPU s"] = table["candidates"] / table["cpu"]
    print(table.to_string(na_rep="", float_format="{:,.1f}".format))


if __name__ == "__main__":
    main()
