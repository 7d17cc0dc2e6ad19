"""A client of the app over an invented works; loopback rules unless a test asks for tokens."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from starlette.testclient import TestClient

from monitor.status.app import create_app
from tests.fixtures.board import FakeBoard

LOOPBACK = "http://127.0.0.1:8480"
TOKENS = {"may-read": "read", "may-act": "act", "may-all": "admin"}


@pytest.fixture
def board() -> FakeBoard:
    """Give the works on its Friday evening."""
    return FakeBoard()


@pytest.fixture
def client(board: FakeBoard) -> Iterator[TestClient]:
    """Give a client on loopback."""
    with TestClient(create_app(board, open_without_token=True), base_url=LOOPBACK) as open_client:
        yield open_client


@pytest.fixture
def guarded_board() -> FakeBoard:
    """Give the works with a token of each scope."""
    return FakeBoard(tokens=TOKENS)


@pytest.fixture
def guarded(guarded_board: FakeBoard) -> Iterator[TestClient]:
    """Give a client of a server that other machines can reach."""
    app = create_app(guarded_board, open_without_token=False)
    with TestClient(app, base_url="http://works.example:8480", follow_redirects=False) as open_client:
        yield open_client
