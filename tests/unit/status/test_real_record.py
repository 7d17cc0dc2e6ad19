"""The status room over a real record on disk, as the daemon gives it."""

from __future__ import annotations

from pathlib import Path

from starlette.testclient import TestClient

from monitor.plant.reading import Entry, EntryKind, Reading, Signal
from monitor.record.reader import Reader
from monitor.record.store import Record
from monitor.status.app import create_app
from monitor.status.board import RecordReader
from tests.fixtures.board import NOW_S, STORIES, FakeBoard, estimate


class RealBoard(FakeBoard):
    """The works whose record lies on disk."""

    def __init__(self, path: Path) -> None:
        super().__init__()
        self.path = path

    def reader(self) -> RecordReader:  # type: ignore[override]
        return Reader(self.path)


def _fill(record: Record) -> str:
    level = [Reading("lathe-04", Signal.LEVEL, 210.0 + n, NOW_S - 3600 + 60 * n, NOW_S) for n in range(30)]
    entry = Entry("t-9", "lathe-04", EntryKind.TOP_UP, NOW_S - 1800, NOW_S, 40.0, 4.0)
    record.add(level, [entry])
    record.save_estimates([estimate(STORIES[0], NOW_S - 900 * n) for n in range(1, 5)])
    return record.add_token("page", "act", NOW_S + 3600, NOW_S)


def test_history_and_pages_come_from_the_record(tmp_path: Path) -> None:
    path = tmp_path / "bandkeeper.db"
    record = Record.open(path, now_s=NOW_S)
    token = _fill(record)
    board = RealBoard(path)
    app = create_app(board, open_without_token=False)
    with TestClient(app, base_url="http://works.example", headers={"authorization": f"Bearer {token}"}) as client:
        body = client.get("/api/sumps/lathe-04/history?points=10").json()
        page = client.get("/sump/lathe-04")
        board.now_s = NOW_S + 7200
        late = client.get("/api/sumps")
    record.close()
    levels = body["signals"]["level"]["points"]
    assert (levels[0]["min"], levels[-1]["max"]) == (210.0, 239.0)
    assert [entry["id"] for entry in body["entries"]] == ["t-9"]
    assert body["estimates"][0]["volume_l"] == 262.0
    assert page.status_code == 200
    assert "topped up 40 L at 4 %" in page.text
    assert late.status_code == 401
