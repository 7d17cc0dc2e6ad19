"""Fixtures with real parts, shared by all live tests."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.fixtures.mosquitto import Broker, Certificates, make_certificates
from tests.fixtures.pty_line import PtyLine


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    """Give a running mosquitto of the test's own: anonymous, persistent, on loopback."""
    with Broker(tmp_path) as running:
        yield running


@pytest.fixture(scope="session")
def certificates(tmp_path_factory: pytest.TempPathFactory) -> Certificates:
    """Give certificates of a self-made authority for 127.0.0.1."""
    return make_certificates(tmp_path_factory.mktemp("certificates"))


@pytest.fixture
def pty_line(tmp_path: Path) -> Iterator[PtyLine]:
    """Give a plugged-in pseudo-terminal whose port is `pty_line.path`."""
    with PtyLine(tmp_path / "instrument") as line:
        yield line
