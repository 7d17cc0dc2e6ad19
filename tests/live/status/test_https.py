"""The page over https: a real server, a real certificate, a client that checks it."""

from __future__ import annotations

import http.client
import socket
import ssl
from pathlib import Path
from urllib.parse import urlencode

import pytest

from monitor.plant.errors import SourceError
from monitor.status import connections
from monitor.status.app import create_app
from monitor.status.serve import StatusServer
from tests.fixtures.board import FakeBoard
from tests.fixtures.mosquitto import Certificates, make_certificates

pytestmark = pytest.mark.live


@pytest.fixture(scope="module")
def cards(tmp_path_factory: pytest.TempPathFactory) -> Certificates:
    return make_certificates(tmp_path_factory.mktemp("cards"))


def _server(cards: Certificates, key: Path | None = None) -> StatusServer:
    app = create_app(FakeBoard(tokens={"may-act": "act"}), open_without_token=False)
    return StatusServer(app, "127.0.0.1", 0, certificate=cards.server, key=key or cards.server_key)


def test_it_is_read_by_a_client_that_trusts_the_authority_and_by_no_other(cards: Certificates) -> None:
    server = _server(cards)
    server.start()
    assert server.url == f"https://127.0.0.1:{server.port}/"
    trusting = ssl.create_default_context(cafile=str(cards.authority))
    connection = http.client.HTTPSConnection("127.0.0.1", server.port, context=trusting, timeout=20)
    connection.request("GET", "/api/sumps", headers={"authorization": "Bearer may-act"})
    answer = connection.getresponse()
    assert (answer.status, b"lathe-04" in answer.read()) == (200, True)
    form = {"content-type": "application/x-www-form-urlencoded"}
    connection.request("POST", "/sign-in", urlencode({"token": "may-act"}), form)
    answer = connection.getresponse()
    answer.read()
    assert "Secure" in (answer.getheader("set-cookie") or "")
    connection.close()
    stranger = http.client.HTTPSConnection("127.0.0.1", server.port, context=ssl.create_default_context(), timeout=20)
    with pytest.raises(ssl.SSLCertVerificationError):
        stranger.request("GET", "/")
    server.stop()


def test_who_does_not_shake_hands_is_ended(cards: Certificates, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(connections, "LOOK_EVERY_S", 0.1)
    server = _server(cards)
    server.start()
    with socket.create_connection(("127.0.0.1", server.port), timeout=20) as silent:
        assert silent.recv(1) == b""
    server.stop()


def test_a_certificate_that_cannot_serve_is_said_before_the_start(cards: Certificates, tmp_path: Path) -> None:
    with pytest.raises(SourceError, match=r"status\.certificate: .* cannot be used .* own key"):
        _server(cards, cards.client_key)
    with pytest.raises(SourceError, match="which Bandkeeper may read"):
        _server(cards, tmp_path / "nowhere.key")
