"""The guard of the page: the token, this machine's name, the page's own origin, sizes, times."""

from __future__ import annotations

import asyncio
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest
import uvicorn
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import PlainTextResponse
from starlette.routing import Route
from starlette.testclient import TestClient
from starlette.types import Message, Scope

from explorer.page.guard import MOST_BYTES, Guard
from explorer.page.serving import Impatient

TOKEN, PORT = "a-token-of-tests", 8000
OWN = f"http://127.0.0.1:{PORT}"
JSON = {"content-type": "application/json", "origin": OWN}


async def echo(request: Request) -> PlainTextResponse:
    return PlainTextResponse(str(len(await request.body())))


ROUTES = [Route("/", echo, methods=["GET", "POST"]), Route("/in", echo, methods=["GET", "POST"])]


@pytest.fixture(scope="module")
def client() -> TestClient:
    return TestClient(Guard(Starlette(routes=ROUTES), TOKEN, PORT), base_url=OWN)


def test_the_address_that_was_printed_is_answered(client: TestClient) -> None:
    reply = client.get(f"/{TOKEN}/")
    assert (reply.status_code, reply.text) == (200, "0")


@pytest.mark.parametrize(
    "path",
    ["/", "/in", f"/{TOKEN[:-1]}/", f"/{TOKEN}x/", f"/{TOKEN.upper()}/", "/wrong/", f"//{TOKEN}/",
     f"/?token={TOKEN}"],
)  # fmt: skip
def test_a_wrong_token_gets_nothing(client: TestClient, path: str) -> None:
    assert client.get(path).status_code == 404


@pytest.mark.parametrize(
    "path", ["../", "%2e%2e/in", "..%2fetc", "in/../../x", "%00", "in%2f", "..\\in"]
)
def test_no_trick_with_a_path_leads_anywhere(client: TestClient, path: str) -> None:
    scope = _scope(path=f"/{TOKEN}/{path}")
    assert _status(Guard(Starlette(routes=ROUTES), TOKEN, PORT), scope) == 404


@pytest.mark.parametrize("host", ["127.0.0.1:8000", "localhost:8000"])
def test_this_machine_goes_by_two_names(client: TestClient, host: str) -> None:
    assert client.get(f"/{TOKEN}/", headers={"host": host}).status_code == 200


# A foreign name that is made to point to this machine: DNS rebinding.
@pytest.mark.parametrize(
    "host", ["evil.example:8000", "127.0.0.1", "127.0.0.1:8001", "localhost.evil.example:8000", ""]
)
def test_a_foreign_host_is_refused(client: TestClient, host: str) -> None:
    assert client.get(f"/{TOKEN}/", headers={"host": host}).status_code == 421


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        (JSON, 200),
        (JSON | {"origin": "http://localhost:8000"}, 200),
        (JSON | {"sec-fetch-site": "same-origin"}, 200),
        (JSON | {"origin": "http://evil.example"}, 403),
        (JSON | {"origin": "null"}, 403),
        ({"content-type": "application/json"}, 403),
        (JSON | {"sec-fetch-site": "cross-site"}, 403),
        (JSON | {"sec-fetch-site": "same-site"}, 403),
        (JSON | {"content-type": "text/plain"}, 415),
        (JSON | {"content-type": "multipart/form-data; boundary=x"}, 415),
    ],
)
def test_only_the_page_itself_may_change_something(
    client: TestClient, headers: dict[str, str], status: int
) -> None:
    assert client.post(f"/{TOKEN}/in", content="{}", headers=headers).status_code == status


@pytest.mark.parametrize("method", ["PUT", "DELETE", "OPTIONS", "TRACE", "PATCH"])
def test_other_methods_are_refused(client: TestClient, method: str) -> None:
    assert client.request(method, f"/{TOKEN}/").status_code == 405


def test_a_body_has_an_end(client: TestClient) -> None:
    def chunks(size: int) -> Iterator[bytes]:
        yield from (b"x" * 1024 for _ in range(size // 1024))

    def post(size: int, **how: str) -> int:
        reply = client.post(f"/{TOKEN}/in", content=chunks(size), headers=JSON | how)
        return int(reply.status_code)

    assert post(MOST_BYTES) == 200
    assert post(MOST_BYTES + 1024) == 413
    whole = b"x" * (MOST_BYTES + 1)
    assert client.post(f"/{TOKEN}/in", content=whole, headers=JSON).status_code == 413
    assert post(1024, **{"content-length": "9" * 5000}) == 413
    assert post(1024, **{"content-length": "-1"}) == 413


def test_what_is_sent_stays_here(client: TestClient) -> None:
    headers = client.get(f"/{TOKEN}/").headers
    policy = headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "://" not in policy
    assert headers["cache-control"] == "no-store"
    assert headers["referrer-policy"] == "no-referrer"
    assert headers["x-content-type-options"] == "nosniff"


def test_a_slow_body_is_not_waited_for() -> None:
    async def never() -> Message:
        await asyncio.sleep(10)
        raise AssertionError

    guard = Guard(Starlette(routes=ROUTES), TOKEN, PORT, patience_s=0.05)
    assert _status(guard, _scope(method="POST", path=f"/{TOKEN}/in"), never) == 408


def test_a_socket_is_refused() -> None:
    assert _status(Guard(Starlette(routes=ROUTES), TOKEN, PORT), _scope(type="websocket")) == 404


@contextmanager
def served(**options: Any) -> Iterator[int]:
    """Serve the routes behind their guard on a real socket, yield its port, and stop."""
    with socket.socket() as place:
        place.bind(("127.0.0.1", 0))
        port = place.getsockname()[1]
        guard = Guard(Starlette(routes=ROUTES), TOKEN, port)
        server = uvicorn.Server(
            uvicorn.Config(guard, lifespan="off", log_level="critical", **options)
        )
        thread = threading.Thread(target=server.run, args=([place],))
        thread.start()
        try:
            while not server.started:
                time.sleep(0.01)
            yield port
        finally:
            server.should_exit = True
            thread.join()


def test_a_real_server_refuses_what_is_no_request() -> None:
    """Headers without end, and a path that a client would have tidied up, over a real socket."""
    with served() as port:
        host = f"Host: 127.0.0.1:{port}\r\n".encode()
        assert _raw(port, f"GET /{TOKEN}/ HTTP/1.1\r\n".encode() + host) == b"200"
        assert _raw(port, f"GET /{TOKEN}/../in HTTP/1.1\r\n".encode() + host) == b"404"
        assert _raw(port, f"GET /{TOKEN}/ HTTP/1.1\r\n".encode() + 2 * host) in (b"400", b"421")
        long = b"X: " + b"y" * 200_000 + b"\r\n"
        assert _raw(port, f"GET /{TOKEN}/ HTTP/1.1\r\n".encode() + host + long) == b"400"


@pytest.mark.parametrize("before", [False, True])
def test_a_slow_head_is_not_waited_for(before: bool) -> None:
    """A head a byte at a time, on a new connection and on one that has been answered."""

    class Hasty(Impatient):
        patience_s = 0.5

    with served(http=Hasty, timeout_keep_alive=60) as port:
        head = f"GET /{TOKEN}/ HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\n".encode()
        with socket.create_connection(("127.0.0.1", port), timeout=30) as line:
            if before:
                line.sendall(head + b"\r\n")
                assert line.recv(65536).split(b" ")[1] == b"200"
            line.sendall(head)
            assert _closed(line)


def _closed(line: socket.socket) -> bool:
    """Return whether a server closes a connection on which a header grows without end."""
    line.settimeout(0.1)
    for _ in range(300):
        try:
            line.sendall(b"x")
            if line.recv(65536) == b"":
                return True
        except TimeoutError:
            continue
        except OSError:
            return True
    return False


def _raw(port: int, head: bytes) -> bytes:
    """Return the status with which a server answers a request as it is."""
    with socket.create_connection(("127.0.0.1", port), timeout=5) as line:
        line.sendall(head + b"Connection: close\r\n\r\n")
        return line.recv(65536).split(b" ")[1]


def _scope(**changes: str) -> Scope:
    path = changes.get("path", f"/{TOKEN}/")
    return {
        "type": "http", "method": "GET", "path": path, "raw_path": path.encode(),
        "query_string": b"", "root_path": "", "scheme": "http", "http_version": "1.1",
        "headers": [(b"host", f"127.0.0.1:{PORT}".encode()),
                    *((k.encode(), v.encode()) for k, v in JSON.items())],
        **changes,
    }  # fmt: skip


def _status(guard: Guard, scope: Scope, receive: object = None) -> int:
    """Return the status with which the guard answers."""
    sent: list[Message] = []

    async def send(message: Message) -> None:
        sent.append(message)

    async def empty() -> Message:
        return {"type": "http.request", "body": b"", "more_body": False}

    asyncio.run(guard(scope, receive or empty, send))  # type: ignore[arg-type]
    return int(sent[0]["status"])
