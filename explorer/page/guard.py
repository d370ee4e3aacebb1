"""Lets in only the browser that was given the address, and only requests of a sensible size."""

from __future__ import annotations

import asyncio
import hmac
from dataclasses import dataclass
from typing import Final

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

MOST_BYTES: Final = 64 * 1024
"""Of the body of a request."""

PATIENCE_S: Final = 10.0
"""In which the body of a request must have arrived."""

_POLICY: Final = (
    "default-src 'none'; script-src 'self' 'unsafe-eval'; style-src 'self' 'unsafe-inline'; "
    "img-src 'self' data:; media-src 'self'; connect-src 'self'; base-uri 'none'; "
    "form-action 'none'; frame-ancestors 'none'"
)
_HEADERS: Final = {
    "Content-Security-Policy": _POLICY,
    "Cache-Control": "no-store",
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
}


class _Refused(Exception):
    """A request that is not answered: why, in words, and the status."""

    def __init__(self, status: int, words: str) -> None:
        self.status, self.words = status, words
        super().__init__(words)


@dataclass(frozen=True)
class Guard:
    """Wraps an application; what it refuses never reaches it.

    The first step of every path must be the token. ``Host`` must be this machine's, so that a
    foreign name that is made to point here (DNS rebinding) is refused, and what changes something
    must come from the page itself.
    """

    app: ASGIApp
    token: str
    port: int
    patience_s: float = PATIENCE_S

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer a request, or refuse it."""
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return

        async def sending(message: Message) -> None:
            if message["type"] == "http.response.start":
                MutableHeaders(scope=message).update(_HEADERS)
            await send(message)

        try:
            self._check(scope)
            body = await asyncio.wait_for(_body(receive), self.patience_s)
        except _Refused as refused:
            answer = PlainTextResponse(f"{refused.words}\n", refused.status)
            await answer(scope, receive, sending)
            return
        except TimeoutError:
            await PlainTextResponse("too slow\n", 408)(scope, receive, sending)
            return
        messages = iter([{"type": "http.request", "body": body, "more_body": False}])

        async def received() -> Message:
            return next(messages, None) or await receive()

        inner = {**scope, "root_path": f"/{self.token}"}
        await self.app(inner, received, sending)

    def _check(self, scope: Scope) -> None:
        if scope["type"] != "http":
            raise _Refused(404, "not here")
        headers = Headers(scope=scope)
        hosts = {f"127.0.0.1:{self.port}", f"localhost:{self.port}"}
        if headers.getlist("host") != [headers.get("host")] or headers.get("host") not in hosts:
            raise _Refused(421, "not the host of this page")
        given = scope["path"].split("/")[1]
        if not hmac.compare_digest(given.encode(), self.token.encode()):
            raise _Refused(404, "not here: open the whole address that the command has printed")
        if b".." in scope["raw_path"] or b"%" in scope["raw_path"] or "\\" in scope["path"]:
            raise _Refused(404, "not here")
        if scope["method"] == "POST":
            origin = headers.get("origin")
            own = {f"http://{host}" for host in hosts}
            site = headers.get("sec-fetch-site", "same-origin")
            if origin not in own or site != "same-origin":
                raise _Refused(403, "not from this page")
            if headers.get("content-type", "").split(";")[0] != "application/json":
                raise _Refused(415, "expected JSON")
        elif scope["method"] not in ("GET", "HEAD"):
            raise _Refused(405, "expected GET or POST")
        length = headers.get("content-length", "0")
        if not length.isascii() or not length.isdecimal() or int(length[:9]) > MOST_BYTES:
            raise _Refused(413, f"expected at most {MOST_BYTES:,} bytes")


async def _body(receive: Receive) -> bytes:
    """Return the whole body of a request, which a missing length does not make any longer."""
    body = b""
    while True:
        message = await receive()
        if message["type"] != "http.request":
            raise _Refused(400, "the browser has gone")
        body += bytes(message.get("body", b""))
        if len(body) > MOST_BYTES:
            raise _Refused(413, f"expected at most {MOST_BYTES:,} bytes")
        if not message.get("more_body", False):
            return body
