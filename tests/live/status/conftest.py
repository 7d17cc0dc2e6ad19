"""A real server over the invented works, and Debian's Chromium without a network."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, sync_playwright

from monitor.status.app import create_app
from monitor.status.serve import StatusServer
from tests.fixtures.board import FakeBoard

CHROMIUM = "/usr/bin/chromium"
FLAGS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


@pytest.fixture
def board() -> FakeBoard:
    """Give the works on its Friday evening."""
    return FakeBoard()


@pytest.fixture
def server(board: FakeBoard) -> Iterator[StatusServer]:
    """Give a running server of the works."""
    running = StatusServer(create_app(board, open_without_token=True), "127.0.0.1", 0)
    running.start()
    yield running
    running.stop()


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """Give a browser."""
    with sync_playwright() as playwright:
        launched = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield launched
        launched.close()
