"""Compressed files that unfold to far more than they say: refused with words, in bounded memory."""

from __future__ import annotations

import gzip
import tracemalloc
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from monitor.plant.errors import RecordError
from monitor.plant.reading import Reading, Rejected, Signal
from monitor.record.csv_lines import JUDGED_FROM, UNFOLDS
from monitor.record.csv_readings import read_readings
from tests.fixtures.plants import plant, signal, sump

SHOP = plant([], sump("a", signal(Signal.LEVEL, "hall", "a", "mm")))
HEAD = b"time,sump,signal,value\n2031-03-03T21:30:00Z,a,level,251.4\n"


def _bomb(path: Path, filling: bytes, times: int) -> Path:
    with gzip.open(path, "wb", compresslevel=9) as packed:
        packed.write(HEAD)
        for _ in range(times):
            packed.write(filling)
    return path


@pytest.mark.parametrize("filling", [b"\0" * (1 << 20), b"\n" * (1 << 20), (b"," * 1023 + b"\n") * 1024])
def test_a_bomb_is_refused_after_what_came_before_it(tmp_path: Path, filling: bytes) -> None:
    bomb = _bomb(tmp_path / "bomb.csv.gz", filling, 2 * (JUDGED_FROM >> 20))
    readings: list[Reading] = []
    refused = 0

    def refuse(_one: Rejected) -> None:
        nonlocal refused
        refused += 1

    with pytest.raises(RecordError, match=f"unfolds to more than {UNFOLDS} times its size"):
        readings += read_readings(bomb, SHOP, refuse)
    assert refused <= UNFOLDS * bomb.stat().st_size // 1024


def test_one_endless_line_needs_no_memory(tmp_path: Path) -> None:
    bomb = _bomb(tmp_path / "bomb.csv.gz", b"\0" * (1 << 20), 2 * (JUDGED_FROM >> 20))
    tracemalloc.start()
    with pytest.raises(RecordError):
        list(read_readings(bomb, SHOP, lambda _one: None))
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < JUDGED_FROM


def test_a_large_honest_file_is_read_to_its_end(tmp_path: Path) -> None:
    begin = datetime(2031, 3, 3, 21, 30, tzinfo=UTC)
    times = ((begin + timedelta(seconds=second)).isoformat() for second in range(120_000))
    text = "time,sump,signal,value\n" + "".join(f"{time},a,level,251.4\n" for time in times)
    assert len(text) > JUDGED_FROM
    path = tmp_path / "honest.csv.gz"
    path.write_bytes(gzip.compress(text.encode(), 9))
    assert sum(1 for _ in read_readings(path, SHOP, lambda one: pytest.fail(one.why))) == 120_000
