"""`kill -9` while dropped files are read, committed and put aside: each row once on record, each file in `done/`."""

from __future__ import annotations

import gzip
import math
import signal
import subprocess
import sys
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import pytest

from monitor.plant.reading import Entry, Reading, Rejected
from monitor.record.reader import Reader
from monitor.record.times import write_time
from tests.fixtures.ports import wait_for
from tests.unit.pipeline.shop import BEGIN_S, HEAD, Machine, readings_of

pytestmark = pytest.mark.live

HOURS = 3
NOW_S = BEGIN_S + 3600.0 * HOURS + 900.0
FILES = ("log.csv", "monday.csv.gz")


def shop() -> list[Machine]:
    return [Machine("lathe-04", acts=[(1.5, 50.0, 3.0)]), Machine("mill-07", full_l=250.0, volume_l=200.0)]


@cache
def recording() -> bytes:
    """Give three hours of two machines, some 3,200 rows and nine that cannot be used."""
    lines = [
        f"{write_time(one.time_s)},{one.sump},{one.signal.value},{one.value}\n"
        for one in readings_of(shop(), HOURS, every_s=20.0)
    ]
    for number in range(9):
        lines.insert(350 * number, f"row {number} is no reading\n")
    return gzip.compress(("time,sump,signal,value\n" + "".join(lines)).encode())


LOG = (
    "time,sump,kind,volume,mix,value,unit,note\n"
    f"{write_time(BEGIN_S + 5500.0)},lathe-04,top_up,50,3,,,\n"
    f"{write_time(BEGIN_S + 5500.0)},lathe-04,top_up,50,3,,,the same once more\n"
    "nonsense\n"
)


@dataclass(frozen=True)
class Record:
    """What is on record in the end."""

    readings: list[Reading]
    entries: list[Entry]
    rejected: list[Rejected]
    done: dict[str, bytes]


class Works:
    """A folder with plant file, clock and dropped files."""

    def __init__(self, folder: Path) -> None:
        head = HEAD.replace('kind = "mqtt"\nhost = "127.0.0.1"\n', 'kind = "folder"\npath = "drop"\nsettle = "0.2 s"\n')
        text = "".join(machine.text() for machine in shop()).replace('"hall/', '"')
        self.plant_file = folder / "plant.toml"
        self.plant_file.write_text(head + text + '\n[status]\nlisten = "off"\n')
        self.clock = folder / "clock"
        self.clock.write_text(repr(NOW_S))
        self.drop = folder / "drop"
        self.drop.mkdir()
        (self.drop / "log.csv").write_text(LOG)
        (self.drop / "monday.csv.gz").write_bytes(recording())

    def run(self, point: str, count: int) -> subprocess.Popen[str]:
        command = [sys.executable, "-m", "tests.faults.daemon.child", str(self.plant_file), str(self.clock)]
        return subprocess.Popen([*command, point, str(count)], stdout=subprocess.PIPE, text=True)

    def die(self, point: str, count: int) -> None:
        """Let the daemon run until it is killed at a point."""
        with self.run(point, count) as child:
            assert child.wait(timeout=120) == -signal.SIGKILL

    def finish(self) -> Record:
        """Let the daemon run until the folder is empty, and give what is on record."""
        with self.run("never", 1) as child:
            wait_for(lambda: not list(self.drop.glob("*.csv*")), "the folder is empty", within_s=120)
            child.kill()
        reader = Reader.open(self.plant_file.with_name("bandkeeper.db"))
        return Record(
            list(reader.readings(-math.inf, math.inf)),
            reader.entries(-math.inf, math.inf),
            sorted(reader.rejected(1000), key=lambda one: one.where),
            {path.name: path.read_bytes() for path in sorted((self.drop / "done").iterdir())},
        )


@pytest.fixture(scope="module")
def unbroken(tmp_path_factory: pytest.TempPathFactory) -> Record:
    return Works(tmp_path_factory.mktemp("unbroken")).finish()


def test_a_run_without_a_break_has_everything(unbroken: Record) -> None:
    assert [(r.sump, r.signal, r.value) for r in unbroken.readings] == [
        (r.sump, r.signal, r.value)
        for r in sorted(readings_of(shop(), HOURS, every_s=20.0), key=lambda r: (r.time_s, r.sump, r.signal))
    ]
    assert len(unbroken.entries) == 2
    assert len(unbroken.rejected) == 10
    assert set(unbroken.done) == {*FILES, *(f"{name}.rejected.csv" for name in FILES)}
    assert unbroken.done["monday.csv.gz"] == recording()


@pytest.mark.parametrize(
    ("point", "count"),
    [
        ("storing", 1),
        ("storing", 3),
        ("stored", 1),
        ("stored", 3),
        ("handing", 1),
        ("handing", 2),
        ("moving", 1),
        ("moving", 2),
        ("moved", 1),
        ("moved", 2),
    ],
)
def test_a_kill_at_any_point_loses_and_doubles_nothing(
    tmp_path: Path, unbroken: Record, point: str, count: int
) -> None:
    works = Works(tmp_path)
    works.die(point, count)
    found = works.finish()
    assert found.readings == unbroken.readings
    assert found.entries == unbroken.entries
    assert found.rejected == unbroken.rejected
    assert found.done == unbroken.done
