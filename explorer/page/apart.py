"""What a page has done in a process of its own, so that the page stays quick."""

from __future__ import annotations

import multiprocessing
import threading
from collections.abc import Callable
from multiprocessing.process import BaseProcess
from typing import Any


def apart(
    work: Callable[..., None],
    *given: object,
    hear: Callable[[Any], None],
    ended: Callable[[], None],
    daemon: bool = True,
) -> BaseProcess:
    """Start ``work``, a function of a module, in a process of its own, and return that.

    Parameters
    ----------
    given :
        What it is called with; as its last argument it takes a connection to send messages by.
    hear, ended :
        Called with each message, and when the process has come to an end.
    daemon :
        Whether it ends with this process; it may then start none itself.
    """
    context = multiprocessing.get_context("spawn")
    here, there = context.Pipe(duplex=False)
    process = context.Process(target=work, args=(*given, there), daemon=daemon)
    process.start()
    there.close()

    def listen() -> None:
        try:
            while True:
                hear(here.recv())
        except EOFError:
            ended()

    threading.Thread(target=listen, daemon=True).start()
    return process
