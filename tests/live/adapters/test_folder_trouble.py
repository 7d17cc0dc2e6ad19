"""Files in a drop folder that cannot be read: each is told with what helps, stays, and stops no other."""

from __future__ import annotations

import fcntl
import gzip
import os
import subprocess
import sys
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

from adapters.delivery import SourceState
from tests.fixtures.ports import wait_for
from tests.live.adapters.drop_hall import HEAD, MakeFolderInlet, done, listed, put, rows
from tests.live.adapters.sink import Sink

pytestmark = pytest.mark.live


SPOILT: dict[str, tuple[bytes, str]] = {
    "header.csv": (b"when,where\n1,2\n", "no column 'time'"),
    "empty.csv": (b"", "the file is empty"),
    "cut.csv.gz": (gzip.compress(rows(2000).encode())[:-200], "damaged or cut off"),
    "noise.csv": (os.urandom(64).replace(b"\n", b"x") + b"\n", "no column"),
    "bomb.csv.gz": (gzip.compress(HEAD.encode() + b"0" * (24 << 20), 9), "unfolds to more than 250 times its size"),
    "rows.csv.gz": (
        gzip.compress(HEAD.encode() + (b"0" * 1000 + b"\n") * (24 << 10), 9),
        "unfolds to more than 250 times its size",
    ),
}


@pytest.mark.parametrize("name", SPOILT)
def test_a_spoilt_file_is_told_and_stays_and_stops_no_other(
    folder: Path, folder_inlet: MakeFolderInlet, name: str
) -> None:
    content, said = SPOILT[name]
    put(folder, name, content)
    sink, one = Sink(), folder_inlet()
    one.start(sink)
    wait_for(lambda: said in one.health().detail, "it says what is wrong", within_s=60)
    assert one.health().state is SourceState.REFUSED
    assert one.health().detail.startswith(name)
    assert one.health().remedy
    put(folder, "good.csv", rows(3))
    wait_for(lambda: "good.csv" in done(folder), "another file is not held up", within_s=60)
    assert (folder / name).exists()
    put(folder, name, gzip.compress(rows(2, first=100).encode()) if name.endswith("gz") else rows(2, first=100))
    wait_for(lambda: name in done(folder), "the mended file is taken in", within_s=60)
    wait_for(lambda: one.health().state is SourceState.UP, "all is well")
    assert {260.0 - 50 + n / 10 for n in (0, 1)} <= set(sink.values)


def test_a_bomb_costs_bounded_memory() -> None:
    """100 MB of nothing in 100 KB: refused after the free part, within a few megabytes."""
    program = (
        "import gzip, io, resource, sys\n"
        "from pathlib import Path\n"
        "from monitor.plant.errors import RecordError\n"
        "from monitor.record.csv_in import CsvHistory\n"
        "from tests.live.adapters.drop_hall import works\n"
        "path = Path(sys.argv[1])\n"
        "before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss\n"
        "try:\n"
        "    print(len(list(CsvHistory().read(path, works(path.parent), lambda row: None, 4e9))))\n"
        "except RecordError as error:\n"
        "    print('refused', resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before)\n"
    )
    with TemporaryDirectory() as name:
        path = Path(name) / "bomb.csv.gz"
        with gzip.open(path, "wb", 9) as stream:
            stream.write(HEAD.encode())
            for _ in range(100):
                stream.write(b"0" * (1 << 20))
        said = subprocess.run(
            [sys.executable, "-c", program, str(path)], capture_output=True, text=True, check=True, timeout=120
        ).stdout.split()
    assert said[0] == "refused"
    assert int(said[1]) < 20_000, "kilobytes"


def test_a_locked_file_is_told_and_read_when_it_is_free(folder: Path, folder_inlet: MakeFolderInlet) -> None:
    path = put(folder, "locked.csv", rows(3))
    sink, one = Sink(), folder_inlet()
    with path.open("r+") as stream:
        fcntl.flock(stream, fcntl.LOCK_EX)
        one.start(sink)
        wait_for(lambda: "locked.csv is locked by another program" in one.health().detail, "it says so")
        assert sink.readings == []
    wait_for(lambda: done(folder) == ["locked.csv"], "it is put aside")


@pytest.mark.parametrize(
    ("name", "shown"),
    [
        ("-rf.csv", "-rf.csv"),
        ("a b;c'd\"e$(f).csv", "a b;c'd\"e$(f).csv"),
        ("line\nfeed\r\x1b[31m.csv", "line\\nfeed\\r\\x1b[31m.csv"),
        ("..csv", None),
        ("Umlaut-ä-日本.CSV", "Umlaut-ä-日本.CSV"),
        ("=cmd.csv", "=cmd.csv"),
        ("n" * 196 + ".csv", "n" * 79 + "…"),
    ],
)
def test_names_with_odd_characters(folder: Path, folder_inlet: MakeFolderInlet, name: str, shown: str | None) -> None:
    put(folder, name, rows(1) + "bad\n")
    put(folder, "zz.csv", rows(1, first=9))
    sink, one = Sink(), folder_inlet()
    one.start(sink)
    wait_for(lambda: "zz.csv" in done(folder), "the other is put aside")
    if shown is None:
        assert (folder / name).exists(), "hidden files are left alone"
        return
    assert (name in done(folder), name + ".rejected.csv" in done(folder)) == (True, True)
    assert sink.rejected[0].where == f"drop: {shown}:3"
    assert listed(folder, name)[0]["why"]


def test_names_that_are_no_text(folder: Path, folder_inlet: MakeFolderInlet) -> None:
    """A name of bytes that are no UTF-8 can be shown, logged and stored."""
    raw = os.fsencode(folder) + b"/\xff\xfe-day.csv"
    with open(raw, "wb") as stream:  # noqa: PTH123 - pathlib would not take bytes
        stream.write(b"nonsense\n")
    sink, one = Sink(), folder_inlet()
    one.start(sink)
    wait_for(lambda: "no column" in one.health().detail, "it says what is wrong")
    assert one.health().detail.startswith("\\xff\\xfe-day.csv cannot be used: ")
    one.health().detail.encode()
    with open(raw, "wb") as stream:  # noqa: PTH123
        stream.write((rows(1) + "bad\n").encode())
    wait_for(lambda: len(done(folder)) == 2, "it is put aside")
    assert sink.rejected[0].where == "drop: \\xff\\xfe-day.csv:3"
    sink.rejected[0].where.encode()


def test_what_is_no_plain_file_is_told(folder: Path, folder_inlet: MakeFolderInlet, tmp_path: Path) -> None:
    (tmp_path / "outside.csv").write_text(rows(2))
    (folder / "link.csv").symlink_to(tmp_path / "outside.csv")
    os.mkfifo(folder / "pipe.csv")
    (folder / "folder.csv").mkdir()
    (folder / ("n" * 230 + ".csv")).write_text(rows(1))
    (folder / "notes.txt").write_text("hello")
    (folder / "old.csv.rejected.csv").write_text("file,line,why,raw\n")
    put(folder, "good.csv", rows(1))
    sink, one = Sink(), folder_inlet()
    one.start(sink)
    wait_for(lambda: done(folder) == ["good.csv"], "the good one is put aside")
    wait_for(lambda: "and 3 more files" in one.health().detail, "the others are told")
    assert one.health().detail.startswith("folder.csv is no plain file")
    assert len(sink.readings) == 1
    (folder / "folder.csv").rmdir()
    wait_for(lambda: one.health().detail.startswith("link.csv is a link"), "the next is told")
    (folder / "link.csv").unlink()
    wait_for(lambda: "has too long a name" in one.health().detail, "the next is told")
    assert (tmp_path / "outside.csv").exists()


def test_a_folder_that_is_not_there_is_waited_for(folder: Path, folder_inlet: MakeFolderInlet) -> None:
    folder.rmdir()
    sink, one = Sink(), folder_inlet()
    one.start(sink)
    wait_for(lambda: one.health().state is SourceState.WAITING, "it waits")
    assert one.health().detail == f"{folder} is not there"
    folder.mkdir()
    put(folder, "day.csv", rows(1))
    wait_for(lambda: done(folder) == ["day.csv"], "it is put aside")
    one.stop()
    assert one.health().state is SourceState.STOPPED


BOUND = """
import sys, time
from pathlib import Path
from adapters.folder import FolderInlet
from monitor.record.csv_in import CsvHistory
from tests.live.adapters.sink import Sink
from tests.live.adapters.drop_hall import works
folder = Path(sys.argv[1])
sink = Sink()
one = FolderInlet("drop", folder, works(folder), CsvHistory(), time.time, settle_s=0.05, receipts=iter(()))
one.start(sink)
end = time.monotonic() + 30
while time.monotonic() < end and (one.health().state in {"up", "stopped"} or len(sink.readings) < int(sys.argv[2])):
    time.sleep(0.02)
print(len(sink.readings), one.health().state.value, one.health().detail, "|", one.health().remedy)
one.stop()
"""


def bound_by_file_modes(folder: Path, readings: int) -> str:
    """Run an inlet as a user whom file modes bind, until something is wrong and so many readings came."""
    bound = ["setpriv", "--bounding-set=-dac_override,-dac_read_search"] if os.geteuid() == 0 else []
    command = [*bound, sys.executable, "-c", BOUND, str(folder), str(readings)]
    return subprocess.run(command, capture_output=True, text=True, check=True, timeout=60).stdout.strip()


def test_a_file_that_may_not_be_read(folder: Path) -> None:
    put(folder, "good.csv", rows(2))
    put(folder, "secret.csv", rows(2, first=9)).chmod(0o000)
    said = bound_by_file_modes(folder, 2)
    assert said.startswith("2 refused secret.csv may not be read or moved (Permission denied)")
    assert "let the service's user read the file" in said


def test_a_folder_that_may_not_be_written(folder: Path) -> None:
    """Nothing is taken in that could not be put aside."""
    put(folder, "day.csv", rows(2))
    folder.chmod(0o555)
    said = bound_by_file_modes(folder, 0)
    folder.chmod(0o755)
    assert said.startswith("0 refused day.csv may not be read or moved")
    assert (folder / "day.csv").exists()


def test_a_folder_that_may_not_be_read(folder: Path) -> None:
    folder.chmod(0o000)
    said = bound_by_file_modes(folder, 0)
    folder.chmod(0o755)
    assert said.startswith(f"0 refused {folder} may not be used by this user")
