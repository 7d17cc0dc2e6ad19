"""One client must not keep the others out: idle, slow and unread connections of the real server."""

from __future__ import annotations

import http.client
import json
import socket
import time
from collections.abc import Iterator
from contextlib import ExitStack

import pytest
from starlette.responses import Response

from monitor.status import connections
from monitor.status.app import create_app
from monitor.status.serve import StatusServer
from tests.fixtures.board import FakeBoard
from tests.fixtures.ports import wait_for

pytestmark = pytest.mark.live

BEGUN = {
    "idle": b"",
    "half a head": b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n",
    "half a body": b"POST /api/entries HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 900\r\n\r\n{",
}
LARGE = 8_000_000
MANY = connections.MOST_CONNECTIONS + 150


def _status(server: StatusServer, path: str = "/health/live") -> int:
    connection = http.client.HTTPConnection("127.0.0.1", server.port, timeout=30)
    connection.request("GET", path)
    answer = connection.getresponse()
    answer.read()
    connection.close()
    return answer.status


def _ended(caller: socket.socket) -> bool:
    caller.settimeout(0.0)
    try:
        return caller.recv(1) == b""
    except BlockingIOError:
        return False
    except ConnectionError:
        return True


@pytest.fixture
def callers() -> Iterator[ExitStack]:
    with ExitStack() as kept:
        yield kept


def _call(server: StatusServer, callers: ExitStack, sent: bytes) -> socket.socket:
    caller = callers.enter_context(socket.create_connection(("127.0.0.1", server.port), timeout=30))
    caller.sendall(sent)
    return caller


@pytest.mark.parametrize("begun", BEGUN)
def test_a_crowd_that_says_nothing_whole_keeps_nobody_out(server: StatusServer, callers: ExitStack, begun: str) -> None:
    crowd = [_call(server, callers, BEGUN[begun]) for _ in range(MANY)]
    assert [_status(server) for _ in range(5)] == [200] * 5
    wait_for(lambda: sum(map(_ended, crowd)) >= MANY - connections.MOST_CONNECTIONS, "the longest waiting are ended")
    assert not _ended(crowd[-1])


@pytest.mark.parametrize("begun", BEGUN)
def test_what_never_becomes_a_request_is_ended(
    server: StatusServer, callers: ExitStack, begun: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(connections, "LOOK_EVERY_S", 0.1)
    caller = _call(server, callers, BEGUN[begun])
    wait_for(lambda: _ended(caller), "the server hangs up", within_s=10)
    assert _status(server) == 200


def test_a_head_that_comes_drop_by_drop_is_ended(
    server: StatusServer, callers: ExitStack, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(connections, "LOOK_EVERY_S", 0.1)
    caller = _call(server, callers, b"GET / HTTP/1.1\r\nX: ")
    until = time.monotonic() + 10.0
    while not _ended(caller) and time.monotonic() < until:
        try:
            caller.sendall(b"a")
        except ConnectionError:
            break
        time.sleep(0.02)
    assert time.monotonic() < until


def test_a_stream_stays_open_though_nothing_is_sent(
    server: StatusServer, board: FakeBoard, callers: ExitStack, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(connections, "LOOK_EVERY_S", 0.1)
    stream = http.client.HTTPConnection("127.0.0.1", server.port, timeout=30)
    callers.callback(stream.close)
    stream.request("GET", "/api/stream")
    answer = stream.getresponse()
    assert answer.readline() == b"retry: 5000\n"
    time.sleep(1.0)
    board.feed.publish(["lathe-04"], [])
    told = [answer.readline() for _ in range(3)]
    assert json.loads(told[2].removeprefix(b"data: "))["sumps"] == ["lathe-04"]


def _unread(server: StatusServer, callers: ExitStack) -> None:
    caller = callers.enter_context(socket.socket())
    caller.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
    caller.connect(("127.0.0.1", server.port))
    caller.sendall(b"GET /large HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")


def test_answers_nobody_reads_do_not_pile_up(
    board: FakeBoard, callers: ExitStack, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(connections, "MOST_UNREAD_BYTES", 3 * LARGE)
    app = create_app(board, open_without_token=True)
    app.add_api_route("/large", lambda: Response(b"x" * LARGE))
    server = StatusServer(app, "127.0.0.1", 0)
    server.start()
    callers.callback(server.stop)
    for count in range(1, 11):
        _unread(server, callers)
        wait_for(lambda count=count: _asked(server) == count, "the request is answered")  # type: ignore[misc]
    assert 0 < _held(server) <= 4 * LARGE
    assert _status(server, "/api/sumps") == 200


def _asked(server: StatusServer) -> int:
    return server._server.server_state.total_requests


def _protocols(server: StatusServer) -> list[connections.PatientProtocol]:
    known = tuple(server._server.server_state.connections)
    return [one for one in known if isinstance(one, connections.PatientProtocol)]


def _held_by(one: connections.PatientProtocol) -> int:
    return 0 if one.transport.is_closing() else one.unread


def _held(server: StatusServer) -> int:
    return sum(map(_held_by, _protocols(server)))
