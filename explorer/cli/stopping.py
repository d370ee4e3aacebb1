"""Ctrl-C and SIGTERM: one may be put off until the essential is done, two stop at once."""

from __future__ import annotations

import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import FrameType


def heed_sigterm() -> None:
    """Let SIGTERM, by which a system asks a process to end, do what Ctrl-C does."""
    signal.signal(signal.SIGTERM, signal.default_int_handler)


@contextmanager
def putting_off(told: Callable[[], None]) -> Iterator[Callable[[], bool]]:
    """Put off a Ctrl-C or SIGTERM, and say so by ``told``; a second one stops at once.

    Yields what returns whether there was one.
    """
    asked = False

    def note(_: int, __: FrameType | None) -> None:
        nonlocal asked
        if asked:
            raise KeyboardInterrupt
        asked = True
        told()

    earlier = {number: signal.signal(number, note) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield lambda: asked
    finally:
        for number, handler in earlier.items():
            signal.signal(number, handler)
