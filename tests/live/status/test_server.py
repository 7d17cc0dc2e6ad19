"""The real server: ports, streams, stopping, and several readers at once."""

from __future__ import annotations

import http.client
import json
import socket
import threading
import time
from concurrent.futures import ThreadPoolExecutor

import pytest

from monitor.plant.errors import SourceError
from monitor.status.app import create_app
from monitor.status.serve import StatusServer
from tests.fixtures.board import STORIES, FakeBoard

pytestmark = pytest.mark.live


def _connection(server: StatusServer) -> http.client.HTTPConnection:
    return http.client.HTTPConnection("127.0.0.1", server.port, timeout=30)


def _get(server: StatusServer, path: str) -> tuple[int, bytes]:
    connection = _connection(server)
    connection.request("GET", path)
    answer = connection.getresponse()
    body = answer.read()
    connection.close()
    return answer.status, body


def test_it_answers_on_the_port_it_says(server: StatusServer) -> None:
    assert server.port > 0
    assert server.url == f"http://127.0.0.1:{server.port}/"
    status, body = _get(server, "/api/sumps")
    assert status == 200
    assert len(json.loads(body)["sumps"]) == len(STORIES)


def test_a_taken_port_is_said_with_a_remedy(board: FakeBoard) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        server = StatusServer(create_app(board, open_without_token=True), "127.0.0.1", port)
        with pytest.raises(SourceError, match=rf"127\.0\.0\.1:{port}.*another program"):
            server.start()
        server.stop()


def test_an_address_of_nobody_is_said(board: FakeBoard) -> None:
    server = StatusServer(create_app(board, open_without_token=True), "203.0.113.7", 0)
    with pytest.raises(SourceError, match="cannot listen"):
        server.start()


def test_the_stream_tells_changes_from_another_thread(server: StatusServer, board: FakeBoard) -> None:
    connection = _connection(server)
    connection.request("GET", "/api/stream")
    answer = connection.getresponse()
    assert answer.getheader("content-type", "").startswith("text/event-stream")
    assert answer.readline() == b"retry: 5000\n"
    assert answer.readline() == b"\n"
    threading.Thread(target=board.feed.publish, args=(["lathe-04"], ["a-1"])).start()
    lines = [answer.readline() for _ in range(6)]
    assert lines[0] == b"event: changed\n"
    assert json.loads(lines[1].removeprefix(b"data: "))["sumps"] == ["lathe-04"]
    assert lines[3] == b"event: alert\n"
    connection.close()


def test_stopping_ends_open_streams_and_frees_the_port(board: FakeBoard) -> None:
    server = StatusServer(create_app(board, open_without_token=True), "127.0.0.1", 0)
    server.start()
    connection = _connection(server)
    connection.request("GET", "/api/stream")
    answer = connection.getresponse()
    answer.readline()
    began = time.monotonic()
    server.stop()
    assert time.monotonic() - began < 5
    assert answer.read().strip() == b""
    connection.close()
    with pytest.raises(OSError, match="refused"), socket.create_connection(("127.0.0.1", server.port), timeout=5):
        pass


def test_many_readers_and_writers_at_once(server: StatusServer, board: FakeBoard) -> None:
    def post(number: int) -> int:
        connection = _connection(server)
        body = json.dumps({"sump": "lathe-04", "kind": "removal", "volume": 1, "id": f"n-{number}"})
        connection.request("POST", "/api/entries", body, {"content-type": "application/json"})
        status = connection.getresponse().status
        connection.close()
        return status

    paths = ["/", "/api/sumps", "/metrics", "/health/ready", "/sump/lathe-04"] * 4
    with ThreadPoolExecutor(8) as pool:
        read = pool.map(lambda path: _get(server, path)[0], paths)
        written = pool.map(post, range(20))
        assert set(read) == {200}
        assert set(written) == {201}
    assert sum(entry.id.startswith("n-") for entry in board.record.book) == 20


def test_half_a_request_does_not_hold_the_others(server: StatusServer) -> None:
    with socket.create_connection(("127.0.0.1", server.port), timeout=10) as slow:
        slow.sendall(b"POST /api/entries HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 900\r\n\r\n{")
        assert _get(server, "/health/live")[0] == 200
