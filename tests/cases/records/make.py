"""Write the record of the newest version down: `python -m tests.cases.records.make`, once for each new migration.

A file that is there is never written again: it is what was on people's disks.
"""

from __future__ import annotations

import sqlite3
import sys
import tempfile
from contextlib import closing
from pathlib import Path

from sqlite_utils import Database

from monitor.plant.reading import Rejected
from monitor.record.outbox import FollowUp, Message
from monitor.record.schema import STEPS, migrations
from monitor.record.store import Record
from tests.unit.record.things import T0, alert, entry, estimate, event, forecast, reading, transition

HERE = Path(__file__).parent
OURS = "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite_%' AND name NOT LIKE '_sqlite_%'"


class Stamp:
    """A message stamped on arrival."""

    source, mid, digest, arrived_s = "hall", 7, (1 << 64) - 5, T0


def fill(path: Path) -> None:
    """Put something into every table."""
    record = Record.open(path, now_s=T0)
    record.add(
        [reading(minute, 250.0 - minute) for minute in range(40)],
        [entry(1), entry(2, 30.0)],
        [Rejected("hall: hall/lathe-04/level", T0, "no JSON", "level is fine")],
        receipts=[Stamp()],
    )
    record.save_events([event(1), event(2)])
    record.save_transitions([transition(1, alert(1)), transition(2, alert(2, cleared_s=T0 + 60.0))])
    record.save_forecasts([forecast(0), forecast(60)])
    record.save_estimates([estimate(0), estimate(60)])
    record.save_checkpoint(T0 + 600.0, b"state of the pipeline")
    record.add_token("phone", "act", T0 + 1e6, T0)
    message = Message("k-1", "t-1", "ana", (("mail", "ana@example.org"),), {"text": "gannet"}, T0, "a-1")
    follow_up = FollowUp("f-1", "a-1", "t-1", "all", "escalate", 1, T0 + 900.0)
    record.post([message], T0, follow_ups=[follow_up])
    with record.transaction():
        for sql in (
            "INSERT INTO landing VALUES ('l-1', 'lathe-04', 1930339800.0, 'landed', '{}')",
            "INSERT INTO hourly VALUES (22341, 1, 21, 40, 0, 211.0, 230.5, 250.0, 211.0)",
            "INSERT INTO daily VALUES (698, 1, 22340, 480, 3, 200.0, 230.5, 260.0, 251.0)",
            "INSERT INTO session VALUES ('abc', 'phone', 1930339800.0, 1930400000.0)",
            "INSERT INTO mishap VALUES (1, 1930339800.0, 'the record was damaged', 'see to the disk')",
            "INSERT INTO late_day VALUES (22340)",
        ):
            record._db.execute(sql)
    record.close()


def rows_of(connection: sqlite3.Connection) -> dict[str, list[dict[str, object]]]:
    """Return all rows by table and column, but those that tell of openings."""
    connection.row_factory = sqlite3.Row
    tables = [row[0] for row in connection.execute(OURS) if row[0] not in {"opening", "upkeep"}]
    return {name: [dict(row) for row in connection.execute(f"SELECT * FROM [{name}]")] for name in tables}  # noqa: S608


def dump(step: str, full: Path, folder: Path) -> str:
    """Return a record of the version that `step` made, filled from a full one as far as that version knew."""
    path = folder / f"{step}.db"
    with closing(sqlite3.connect(path, isolation_level=None)) as old, closing(sqlite3.connect(full)) as new:
        migrations.apply(Database(old), stop_before=STEPS[STEPS.index(step) + 1 :])
        old.execute("UPDATE _sqlite_migrations SET applied_at = '2031-03-03 21:30:00+00:00'")
        old.execute("INSERT INTO opening (time_s) VALUES (1930339800.0)")
        for table, rows in rows_of(new).items():
            columns = [row[1] for row in old.execute(f"PRAGMA table_info([{table}])")]
            names, marks = ", ".join(f"[{name}]" for name in columns), ", ".join("?" * len(columns))
            for row in rows if columns else ():
                old.execute(
                    f"INSERT INTO [{table}] ({names}) VALUES ({marks})",  # noqa: S608 - the names are ours
                    [row[name] for name in columns],
                )
        lines = [f"PRAGMA application_id = {old.execute('PRAGMA application_id').fetchone()[0]};", *old.iterdump()]
    return "\n".join(lines) + "\n"


def main() -> int:
    """Write the files that are not there yet."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        fill(folder / "full.db")
        for step in STEPS:
            file = HERE / f"{step}.sql"
            if not file.exists():
                file.write_text(dump(step, folder / "full.db", folder), encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
