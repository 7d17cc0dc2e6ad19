"""The drop folder with real files: complete ones are taken in once and put aside."""

from __future__ import annotations

import gzip
import threading
import time
from dataclasses import replace
from pathlib import Path

import pytest

from adapters.delivery import SourceState
from adapters.folder import AT_ONCE, MOST_OUTSTANDING
from adapters.inlet import make_inlets
from monitor.plant.errors import SourceError
from monitor.plant.reading import EntryKind, Signal
from monitor.record.csv_in import MOST_LISTED, CsvHistory
from tests.fixtures.plants import plant, signal, source, sump
from tests.fixtures.ports import wait_for
from tests.live.adapters.drop_hall import HEAD, MakeFolderInlet, done, listed, put, row, rows, works
from tests.live.adapters.sink import Sink

pytestmark = pytest.mark.live


def test_readings_are_taken_in_and_the_file_is_put_aside(folder: Path, folder_inlet: MakeFolderInlet) -> None:
    put(folder, "monday.csv", rows(3) + row(5, 5.2, what="refractometer") + row(6, "oops") + "x,y\n")
    sink, one = Sink(), folder_inlet()
    before_s = time.time()
    one.start(sink)
    wait_for(lambda: done(folder) == ["monday.csv", "monday.csv.rejected.csv"], "the file is put aside")
    assert not (folder / "monday.csv").exists()
    assert [(r.signal, r.value) for r in sink.readings] == [
        (Signal.LEVEL, 200.0),
        (Signal.LEVEL, 200.1),
        (Signal.LEVEL, 200.2),
        (Signal.REFRACTOMETER, 5.2),
    ]
    assert sink.readings[0].time_s == 1772496000.0
    assert all(before_s <= r.arrived_s <= time.time() for r in sink.readings)
    assert [(r["line"], r["raw"]) for r in listed(folder, "monday.csv")] == [
        ("6", "2026-03-03T00:06:00Z,lathe-04,level,oops"),
        ("7", "x,y"),
    ]
    assert [r.where for r in sink.rejected] == ["drop: monday.csv:6", "drop: monday.csv:7"]
    assert "is no number" in sink.rejected[0].why
    wait_for(lambda: one.health().detail == f"watching {folder}", "all is well")
    assert one.health().state is SourceState.UP
    assert (one.health().received, one.health().accepted, one.health().rejected) == (6, 4, 2)


def test_the_log_book_is_taken_in_too(folder: Path, folder_inlet: MakeFolderInlet) -> None:
    text = "time,sump,kind,volume,mix,value,unit,note\n2026-03-03T06:00:00Z,lathe-04,top_up,60,4.5,,,by file\n"
    put(folder, "log.csv.gz", gzip.compress(text.encode()))
    sink, one = Sink(), folder_inlet()
    one.start(sink)
    wait_for(lambda: done(folder) == ["log.csv.gz"], "the file is put aside")
    (entry,) = [entry for delivery in sink.deliveries for entry in delivery.entries]
    assert (entry.kind, entry.volume_l, entry.note) == (EntryKind.TOP_UP, 60.0, "by file")
    assert entry.logged_s > entry.time_s, "it was logged when it came"
    assert entry.id.startswith("csv-")


def test_a_name_that_was_there_before_is_kept_apart(folder: Path, folder_inlet: MakeFolderInlet) -> None:
    sink, one = Sink(), folder_inlet()
    one.start(sink)
    for turn in range(3):
        put(folder, "day.csv", rows(1, first=turn) + "bad\n")
        wait_for(lambda turn=turn: len(done(folder)) == 2 * (turn + 1), "the file is put aside")  # type: ignore[misc]
    assert done(folder) == sorted(
        name + more for name in ("day.csv", "day.2.csv", "day.3.csv") for more in ("", ".rejected.csv")
    )
    assert len(sink.readings) == 3


def test_the_same_content_at_the_same_place_is_taken_in_once(folder: Path, folder_inlet: MakeFolderInlet) -> None:
    sink, one = Sink(), folder_inlet()
    one.start(sink)
    for turn in range(2):
        put(folder, "day.csv", rows(3) + "bad\n")
        wait_for(lambda turn=turn: not (folder / "day.csv").exists() and len(done(folder)) > turn, "put aside")  # type: ignore[misc]
    one.stop()
    assert len(sink.readings) == 3
    assert len(sink.rejected) == 1
    receipts = [receipt for delivery in sink.deliveries for receipt in delivery.receipts]
    assert len(receipts) == 1
    put(folder, "day.csv", rows(3) + "bad\n")
    later, again = Sink(), folder_inlet(receipts)
    again.start(later)
    wait_for(lambda: not (folder / "day.csv").exists(), "it is put aside by what the record kept")
    assert later.deliveries == []


def test_a_file_dropped_again_is_read_again_once_the_plant_file_knows_its_signals(
    folder: Path, folder_inlet: MakeFolderInlet
) -> None:
    sink, one = Sink(), folder_inlet()
    one.start(sink)

    def drop() -> list[tuple[str, float | None]]:
        put(folder, "day.csv", rows(1) + row(5, 180, name="mill-02"))
        before = len(sink.readings)
        wait_for(lambda: not (folder / "day.csv").exists(), "it is put aside")
        return [(reading.sump, reading.value) for reading in sink.readings[before:]]

    assert drop() == [("lathe-04", 200.0)]
    assert drop() == []
    more = works(folder)
    mill = sump("mill-02", signal(Signal.LEVEL, "drop", "mill-02/level", "mm"))
    assert one.reroute(folder_inlet(works=replace(more, sumps={**more.sumps, mill.id: mill})))
    assert drop() == [("lathe-04", 200.0), ("mill-02", 180.0)]
    assert drop() == []


def test_only_the_newest_files_are_known_again(
    folder: Path, folder_inlet: MakeFolderInlet, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("adapters.folder.MOST_REMEMBERED", 2)
    sink, one = Sink(), folder_inlet()
    one.start(sink)
    for turn in (0, 1, 2, 2, 0):
        put(folder, f"{turn}.csv", rows(1, first=turn))
        wait_for(lambda turn=turn: not (folder / f"{turn}.csv").exists(), "it is put aside")  # type: ignore[misc]
    assert sink.values == [200.0, 200.1, 200.2, 200.0], "the last is read, the first was forgotten"


def test_nothing_is_put_aside_before_it_is_on_disk(folder: Path, folder_inlet: MakeFolderInlet) -> None:
    put(folder, "day.csv", rows(3))
    sink, one = Sink(commits=False), folder_inlet()
    one.start(sink)
    sink.wait(3)
    time.sleep(0.2)
    assert done(folder) == []
    assert one.health().unconfirmed == 1
    sink.deliveries[0].done()
    wait_for(lambda: done(folder) == ["day.csv"], "it is put aside")
    assert one.health().unconfirmed == 0


def test_a_huge_file_goes_through_in_pieces(folder: Path, folder_inlet: MakeFolderInlet) -> None:
    """Never more on the way than four pieces; the rows that cannot be used are listed up to a bound."""
    bad = MOST_LISTED + 500
    stamp = "2026-03-03T{:02}:{:02}:{:02}.{:03}Z,lathe-04,level,250\n"
    good = "".join(
        stamp.format(n // 3_600_000, n // 60_000 % 60, n // 1000 % 60, n % 1000) for n in range(0, 60_000_00, 300)
    )
    put(folder, "year.csv.gz", gzip.compress((HEAD + good + "bad\n" * bad).encode()))
    most = [0]

    class Slow(Sink):
        def __call__(self, delivery: object) -> None:
            most[0] = max(most[0], one.health().unconfirmed)
            super().__call__(delivery)  # type: ignore[arg-type]

    sink, one = Slow(commits=False), folder_inlet()

    def commit() -> None:
        at = 0
        while not ended.is_set():
            for delivery in sink.deliveries[at:]:
                delivery.done()
                at += 1
            time.sleep(0.002)

    ended = threading.Event()
    writer = threading.Thread(target=commit)
    writer.start()
    one.start(sink)
    wait_for(lambda: "year.csv.gz" in done(folder), "it is put aside", within_s=120)
    ended.set()
    writer.join()
    assert len(sink.readings) == 20_000
    assert max(len(delivery.readings) for delivery in sink.deliveries) <= AT_ONCE
    assert most[0] <= MOST_OUTSTANDING
    assert len(sink.rejected) == 100
    lines = listed(folder, "year.csv.gz")
    assert len(lines) == MOST_LISTED + 1
    assert lines[-1]["why"] == f"{bad} rows could not be used; {MOST_LISTED} are listed"


def test_a_file_that_is_still_written_is_waited_for(folder: Path, folder_inlet: MakeFolderInlet) -> None:
    sink, one = Sink(), folder_inlet(settle_s=0.3)
    one.start(sink)
    with (folder / "slow.csv").open("w", encoding="utf-8") as stream:
        for piece in (HEAD, *(row(minute, 250) for minute in range(20))):
            stream.write(piece)
            stream.flush()
            time.sleep(0.05)
        assert sink.readings == []
    wait_for(lambda: done(folder) == ["slow.csv"], "it is put aside")
    assert len(sink.readings) == 20


def test_a_file_that_ends_in_the_middle_of_a_line_is_told_and_given_time(
    folder: Path, folder_inlet: MakeFolderInlet
) -> None:
    sink, one = Sink(), folder_inlet(settle_s=0.2)
    path = folder / "half.csv"
    path.write_text(rows(3) + "2026-03-03T08:00:00Z,lathe-04,level,25")
    one.start(sink)
    wait_for(lambda: "half.csv ends in the middle of a line" in one.health().detail, "it says so")
    assert one.health().remedy == "it is waited for"
    put(folder, "other.csv", rows(1, first=700))
    wait_for(lambda: done(folder) == ["other.csv"], "another file is not held up")
    with path.open("a") as stream:
        stream.write("1.4\n")
    wait_for(lambda: "half.csv" in done(folder), "it is put aside")
    assert 251.4 in sink.values
    assert 25.0 not in sink.values


def test_a_file_without_a_last_line_end_is_taken_after_a_longer_time(
    folder: Path, folder_inlet: MakeFolderInlet
) -> None:
    put(folder, "short.csv", rows(3).rstrip("\n"))
    sink, one = Sink(), folder_inlet()
    one.start(sink)
    wait_for(lambda: done(folder) == ["short.csv"], "it is put aside")
    assert len(sink.readings) == 3


def test_what_is_written_after_the_file_was_put_aside_is_read_too(folder: Path, folder_inlet: MakeFolderInlet) -> None:
    """A writer that paused for long: its file has moved under its hand, and comes back."""
    sink, one = Sink(), folder_inlet(settle_s=0.3)
    with (folder / "pause.csv").open("w", encoding="utf-8") as stream:
        stream.write(rows(3))
        stream.flush()
        one.start(sink)
        wait_for(lambda: done(folder) == ["pause.csv"], "it is put aside")
        stream.write(row(9, 259))
    wait_for(lambda: 259.0 in sink.values, "the rest")
    wait_for(lambda: done(folder) == ["pause.csv"], "it is put aside again")
    assert not (folder / "pause.csv").exists()


def test_rows_of_the_future_are_refused(folder: Path, folder_inlet: MakeFolderInlet) -> None:
    ahead = "2099-03-03T00:00:00Z,lathe-04,level,250\n"
    put(folder, "day.csv", rows(2) + ahead + row(9, 250))
    entries = "time,sump,kind,volume,mix,value\n2099-03-03T00:00:00Z,lathe-04,top_up,60,4,\n"
    put(folder, "log.csv", entries)
    sink, one = Sink(), folder_inlet()
    one.start(sink)
    wait_for(lambda: {"day.csv", "log.csv"} <= set(done(folder)), "both are put aside")
    assert len(sink.readings) == 3
    assert ["in the future" in r.why for r in sink.rejected] == [True, True]


def test_it_stops_in_the_middle_and_begins_anew(folder: Path, folder_inlet: MakeFolderInlet) -> None:
    put(folder, "year.csv", HEAD + "".join(row(n % 1440, 200 + n) for n in range(1400)) * 1 + row(1401, 1) * 9000)
    sink, one = Sink(commits=False), folder_inlet()
    one.start(sink)
    wait_for(lambda: len(sink.deliveries) == MOST_OUTSTANDING, "it waits for the disk")
    one.stop()
    assert done(folder) in ([], ["year.csv.rejected.csv"])
    again = Sink()
    one.start(again)
    wait_for(lambda: "year.csv" in done(folder), "it is put aside")
    assert len(again.readings) == 10_400


def test_make_inlets_builds_it_with_or_without_signals(folder: Path) -> None:
    shop = plant([source("drop", "folder", "csv", {"path": folder})], sump("lathe-04"))
    (one,) = make_inlets(shop, time.time, history=CsvHistory())
    assert one.health().state is SourceState.STOPPED
    with pytest.raises(SourceError, match="files cannot be read here"):
        make_inlets(shop, time.time)
    with pytest.raises(SourceError, match="path is missing"):
        make_inlets(plant([source("drop", "folder", "csv", {})], sump("a")), time.time, history=CsvHistory())
