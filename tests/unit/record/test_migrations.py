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
from tests.unit.record.things import T0, event, reading


def shape(path: Path) -> set[tuple[str, str]]:
    with closing(sqlite3.connect(path)) as connection:
        return set(connection.execute("SELECT name, sql FROM sqlite_master WHERE name NOT LIKE 'sqlite_%'"))


def test_there_is_more_than_one_version_to_come_from() -> None:
    assert len(STEPS) >= 3
    assert tuple(sorted(STEPS)) == STEPS


@pytest.mark.parametrize("known", range(1, len(STEPS) + 1))
def test_every_earlier_version_is_brought_up_to_date_and_keeps_its_readings(tmp_path: Path, known: int) -> None:
    old = tmp_path / "old.db"
    with closing(sqlite3.connect(old, isolation_level=None)) as connection:
        migrations.apply(Database(connection), stop_before=STEPS[known:])
        connection.execute("INSERT INTO stream VALUES (7, 'lathe-04', 'level')")
        connection.execute("INSERT INTO reading VALUES (?, 7, 250.0, 0, ?, NULL)", (T0, T0 + 0.5))
    record = Record.open(old, now_s=T0)
    added = record.add([reading(0, 999.0), reading(1)])
    record.save_events([event(1)])
    record.add_token("phone", "read", None, T0)
    assert added.readings == (reading(1),)
    assert list(record.reader().readings(-math.inf, math.inf)) == [reading(0), reading(1)]
    record.close()
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
