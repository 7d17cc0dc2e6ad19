"""Fixtures of the record's tests: real files in a folder of their own."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.plant.types import Plant
from monitor.record.store import Record
from tests.unit.record.shop import make_plant


@pytest.fixture
def plant(tmp_path: Path) -> Plant:
    return make_plant(tmp_path)


@pytest.fixture
def record(tmp_path: Path) -> Iterator[Record]:
    opened = Record.open(tmp_path / "bandkeeper.db", now_s=1_930_000_000.0)
    yield opened
    opened.close()
