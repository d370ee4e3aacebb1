"""Serves a page on this machine until it is stopped."""

from __future__ import annotations

import asyncio
import secrets
import socket
import webbrowser
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Final

import typer
import uvicorn
from uvicorn.protocols.http.h11_impl import H11Protocol

from explorer.page.app import application
from explorer.page.guard import PATIENCE_S
from explorer.page.subject import Subject
from objectives.checks import InputError

_TOGETHER: Final = 64
"""Connections that are answered at once; a browser opens six."""


class Impatient(H11Protocol):
    """A connection that is closed where the head of a request does not come in time."""

    patience_s = PATIENCE_S
    _deadline: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Wait for the first request."""
        super().connection_made(transport)
        self._wait()

    def on_response_complete(self) -> None:
        """Wait for the next one, which may come as slowly."""
        super().on_response_complete()
        self._wait()

    def connection_lost(self, exc: Exception | None) -> None:
        """Wait no more."""
        if self._deadline is not None:
            self._deadline.cancel()
        super().connection_lost(exc)

    def _wait(self) -> None:
        if self._deadline is not None:
            self._deadline.cancel()
        self._deadline = self.loop.call_later(self.patience_s, self._give_up)

    def _give_up(self) -> None:
        # The body of a request that is being answered is the guard's to wait for.
        if self.cycle is None or self.cycle.response_complete:
            self.transport.close()


def serve(
    subject: Subject, port: int, into: Path, *, browse: bool, folder: Traversable | Path = Path()
) -> None:
    """Serve a page until Ctrl-C, and print its address.

    Raises
    ------
    InputError
        If the port is taken.
    """
    with socket.socket() as place:
        place.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            place.bind(("127.0.0.1", port))
        except OSError as error:
            allowed = f"expected a free port ({error.strerror})"
            raise InputError("port", port, allowed) from None
        number, token = place.getsockname()[1], secrets.token_urlsafe(24)
        address = f"http://127.0.0.1:{number}/{token}/"
        typer.echo(f"{address}\nOnly for this machine; Ctrl-C ends it.")
        config = uvicorn.Config(
            application(subject, token, number, into, folder),
            http=Impatient,
            lifespan="off",
            access_log=False,
            log_level="error",
            server_header=False,
            limit_concurrency=_TOGETHER,
            timeout_keep_alive=5,
            timeout_graceful_shutdown=2,
            h11_max_incomplete_event_size=16384,
        )
        if browse:
            webbrowser.open(address)
        try:
            uvicorn.Server(config).run(sockets=[place])
        except KeyboardInterrupt:
            typer.echo("stopped")
