"""Serves a page on this machine until it is stopped."""

from __future__ import annotations

import secrets
import socket
import webbrowser
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Final

import typer
import uvicorn

from explorer.page.app import application
from explorer.page.subject import Subject
from objectives.checks import InputError

_TOGETHER: Final = 64
"""Connections that are answered at once; a browser opens six."""


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
