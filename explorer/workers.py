"""Where blocks are worked out: in this process, in one a core, or on a cluster."""

from __future__ import annotations

import os
import threading
import time
import warnings
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from multiprocessing import current_process
from typing import Any, Final

from joblib import Parallel, parallel_config

from objectives.checks import InputError

_WORTH_SHARING_S: Final = 5.0
"""Shorter work is not shared among processes, which take a second or two to start."""

_PATIENCE_S: Final = 10.0
"""Time to wait for a cluster to answer."""


@contextmanager
def workers(cluster: str, seconds: float) -> Iterator[int]:
    """Let joblib work where it is best, and yield how many work at once.

    Parameters
    ----------
    cluster :
        Address of a Dask scheduler, such as ``tcp://10.0.0.1:8786``; empty: this machine.
    seconds :
        How long one process would take.

    Raises
    ------
    InputError
        If there is no cluster at the address, or what it takes to reach one is not installed.
    """
    if not cluster:
        # A process that the page lets end with itself may start none.
        alone = seconds < _WORTH_SHARING_S or current_process().daemon
        jobs = 1 if alone else os.cpu_count() or 1
        # With the same arguments joblib keeps its processes. Arrays are sent: one that a process
        # reads from a file it cannot change.
        with parallel_config(
            "loky", n_jobs=jobs, max_nbytes=None, initializer=_end_with, initargs=(os.getpid(),)
        ):
            yield jobs
        return
    try:
        from distributed import Client
    except ImportError:
        missing = 'needs the extra "cluster": pip install "stagefront[cluster]"'
        raise InputError("cluster", cluster, missing) from None
    try:
        client = Client(cluster, timeout=_PATIENCE_S)  # type: ignore[no-untyped-call]
        client.wait_for_workers(1, timeout=_PATIENCE_S)
    except (OSError, ValueError, TimeoutError) as error:
        allowed = f"expected the address of a Dask scheduler that has workers ({error})"
        raise InputError("cluster", cluster, allowed) from None
    with client, parallel_config("dask", n_jobs=-1):
        yield sum(client.ncores().values())  # type: ignore[no-untyped-call]


@contextmanager
def results_of(calls: Iterable[Any]) -> Iterator[Iterator[Any]]:
    """Let joblib work on delayed calls, and yield what they come to, in order and as it comes.

    What is not there when the context ends is given up, without a word of it.
    """
    results = Parallel(return_as="generator")(calls)
    try:
        yield results
    finally:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            results.close()


def _end_with(parent: int) -> None:
    """Let this process end soon after the one that has started it, which may have been killed."""

    def watch() -> None:
        while os.getppid() == parent:
            time.sleep(1.0)
        os._exit(1)

    threading.Thread(target=watch, daemon=True).start()
