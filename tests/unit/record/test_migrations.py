from __future__ import annotations

import math
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from sqlite_utils import Database

from monitor.plant.errors import RecordError
from monitor.record.reader import Reader
from monitor.record.schema import APPLICATION_ID, STEPS, migrations
from monitor.record.store import Record
from tests.cases.records.make import HERE as RECORDS
from tests.cases.records.make import rows_of
from tests.unit.record.things import T0, reading


def shape(path: Path) -> set[tuple[str, str]]:
    with closing(sqlite3.connect(path)) as connection:
        return set(connection.execute("SELECT name, sql FROM sqlite_master WHERE name NOT LIKE 'sqlite_%'"))


def test_there_is_more_than_one_version_to_come_from() -> None:
    assert len(STEPS) >= 3
    assert tuple(sorted(STEPS)) == STEPS


def earlier(step: str, path: Path) -> dict[str, list[dict[str, object]]]:
    """Lay a record down as that version left it, and return its rows."""
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.executescript((RECORDS / f"{step}.sql").read_text(encoding="utf-8"))
        return rows_of(connection)


@pytest.mark.parametrize("step", STEPS)
def test_a_record_of_every_earlier_version_upgrades_with_all_that_was_in_it(tmp_path: Path, step: str) -> None:
    old = tmp_path / "old.db"
    before = earlier(step, old)
    assert len(before) >= 4
    assert len(before["reading"]) + len(before.get("sample", ())) == 40
    record = Record.open(old, now_s=T0)
    reader = record.reader()
    assert list(reader.readings(-math.inf, math.inf)) == [reading(minute, 250.0 - minute) for minute in range(40)]
    assert [one.id for one in reader.entries(-math.inf, math.inf)] == ["e-1", "e-2"]
    assert reader.rejected(5)[0].why == "no JSON"
    if "alert" in before:
        assert [one.id for one in reader.alerts()] == ["a-1", "a-2"]
        assert [one.id for one in reader.transitions(0.0, math.inf)] == ["t-1", "t-2"]
        assert [one.id for one in reader.events(0.0, math.inf)] == ["v-1", "v-2"]
        assert len(reader.forecasts("lathe-04", T0 - 3600.0, T0 + 7200.0)) == 2
        assert len(reader.estimates("lathe-04", T0 - 1.0, T0 + 7200.0, 10)) == 2
        assert reader.latest_checkpoint() == (T0 + 600.0, b"state of the pipeline")
    assert record.add([reading(0, 999.0), reading(50)]).readings == (reading(50),)
    record.close()
    with closing(sqlite3.connect(old)) as connection:
        after = rows_of(connection)
    for table, rows in before.items():
        kept = [{name: row[name] for name in rows[0]} for row in after[table]] if rows else []
        assert all(row in kept for row in rows), table
    Record.open(tmp_path / "new.db", now_s=T0).close()
    assert shape(old) == shape(tmp_path / "new.db")


def test_a_step_that_breaks_leaves_the_version_before_it(tmp_path: Path) -> None:
    path = tmp_path / "old.db"
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        migrations.apply(Database(connection), stop_before=STEPS[1:])
        connection.execute("CREATE TABLE estimate (in_the_way)")
    before = shape(path)
    with pytest.raises(RecordError, match="estimate already exists"):
        Record.open(path, now_s=T0)
    assert shape(path) == before
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("DROP TABLE estimate")
    Record.open(path, now_s=T0).close()


def test_a_record_of_a_newer_release_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "bandkeeper.db"
    Record.open(path, now_s=T0).close()
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute(
            "INSERT INTO _sqlite_migrations (migration_set, name, applied_at) VALUES ('bandkeeper', 'm999_later', '')"
        )
    for opening in (lambda: Record.open(path, now_s=T0), lambda: Reader.open(path)):
        with pytest.raises(RecordError, match=r"written by a newer release \(it has m999_later.*install that release"):
            opening()


def test_a_record_of_an_older_release_must_be_brought_up_to_date_before_it_is_only_read(tmp_path: Path) -> None:
    path = tmp_path / "old.db"
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        migrations.apply(Database(connection), stop_before=STEPS[1:])
    with pytest.raises(RecordError, match="was written by an older release; start bandkeeper on it once"):
        Reader.open(path)


def test_another_programs_database_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "theirs.db"
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("CREATE TABLE invoice (id INTEGER)")
    content = path.read_bytes()
    with pytest.raises(RecordError, match="is the database of another program"):
        Record.open(path, now_s=T0)
    assert path.read_bytes() == content


def test_an_empty_file_becomes_a_record_marked_as_ours(tmp_path: Path) -> None:
    path = tmp_path / "empty.db"
    path.touch()
    Record.open(path, now_s=T0).close()
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("PRAGMA application_id").fetchone() == (APPLICATION_ID,)
