"""What is on disk, one migration a step. A step that has been released is never changed; a new one is added below it.

Readings lie in one table whose row number is their time and their stream (a signal of a sump, as a small number; see
`samples`): they come in almost in that order, so a commit touches the page at its end, and the same key keeps a doubled
reading out. Times are Unix seconds as floats. `arrived_s` is mostly the delay (see `arrivals`), `quality`
is 0 good, 1 doubtful, 2 bad.
"""

from __future__ import annotations

from contextlib import closing
from typing import Final

from monitor.record.tables import Database, Migrations

APPLICATION_ID: Final = 0x42616E64
"""Marks the file as ours ("Band"), so that another program's database is never written into."""

migrations: Final = Migrations("bandkeeper")


@migrations()
def m001_what_came_in(db: Database) -> None:
    """Create readings, the log book, input that could not be used, and when the record was opened."""
    db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    db.execute(
        "CREATE TABLE stream (id INTEGER PRIMARY KEY, sump TEXT NOT NULL, signal TEXT NOT NULL, UNIQUE (sump, signal))"
    )
    db.execute(
        "CREATE TABLE reading (time_s REAL NOT NULL, stream INTEGER NOT NULL, value REAL, quality INTEGER NOT NULL,"
        " arrived_s REAL, reason TEXT, PRIMARY KEY (time_s, stream)) WITHOUT ROWID"
    )
    db.table("entry").create(
        {
            "id": str,
            "sump": str,
            "kind": str,
            "time_s": float,
            "logged_s": float,
            "volume_l": float,
            "mix_pct": float,
            "value": float,
            "unit": str,
            "note": str,
        },
        pk="id",
        not_null={"sump", "kind", "time_s", "logged_s", "unit", "note"},
    ).create_index(["time_s"])
    db.table("rejected").create(
        {"id": int, "place": str, "arrived_s": float, "why": str, "raw": str},
        pk="id",
        not_null={"place", "arrived_s", "why", "raw"},
    )
    db.table("opening").create({"id": int, "time_s": float}, pk="id", not_null={"time_s"})


@migrations()
def m002_what_was_concluded(db: Database) -> None:
    """Create events, alerts with their transitions, forecasts, estimates and checkpoints."""
    db.table("event").create(
        {
            "id": str,
            "sump": str,
            "kind": str,
            "time_s": float,
            "detected_s": float,
            "volume_l": float,
            "mix_pct": float,
            "confidence": float,
            "detail": str,
        },
        pk="id",
        not_null={"sump", "kind", "time_s", "detected_s", "confidence", "detail"},
    ).create_index(["time_s"])
    db.table("alert").create(
        {"id": str, "sump": str, "raised_s": float, "cleared_s": float, "body": str},
        pk="id",
        not_null={"sump", "raised_s", "body"},
    ).create_index(["raised_s"])
    db.table("transition").create(
        {"id": str, "alert_id": str, "time_s": float, "before": str, "after": str, "reason": str, "body": str},
        pk="id",
        not_null={"alert_id", "time_s", "before", "after", "reason", "body"},
    ).create_index(["time_s"])
    db.execute(
        "CREATE TABLE forecast (hour INTEGER NOT NULL, sump TEXT NOT NULL, made_s REAL NOT NULL,"
        " horizon_h REAL NOT NULL, exit_p10_h REAL, exit_p50_h REAL, exit_p90_h REAL,"
        " side TEXT NOT NULL, side_share TEXT NOT NULL,"
        " dots_h TEXT NOT NULL, PRIMARY KEY (hour, sump)) WITHOUT ROWID"
    )
    db.execute(
        "CREATE TABLE estimate (time_s REAL NOT NULL, sump TEXT NOT NULL, volume_l REAL, volume_sd_l REAL,"
        " concentration_pct REAL, concentration_sd_pct REAL, evaporation_l_per_day REAL, drag_out_l_per_day REAL,"
        " PRIMARY KEY (time_s, sump)) WITHOUT ROWID"
    )
    db.execute("CREATE TABLE checkpoint (id INTEGER PRIMARY KEY, time_s REAL NOT NULL UNIQUE, body BLOB NOT NULL)")


@migrations()
def m003_tokens(db: Database) -> None:
    """Create the tokens of the status API: only the SHA-256 of each is kept."""
    db.table("token").create(
        {"name": str, "hash": str, "scope": str, "created_s": float, "expires_s": float},
        pk="name",
        not_null={"hash", "scope", "created_s"},
    )


@migrations()
def m004_receipts(db: Database) -> None:
    """Keep how messages without a time of their own were stamped, so that a repeat after a crash is known again."""
    db.execute(
        "CREATE TABLE receipt (id INTEGER PRIMARY KEY, source TEXT NOT NULL, mid INTEGER NOT NULL,"
        " digest INTEGER NOT NULL, arrived_s REAL NOT NULL)"
    )


@migrations()
def m005_landings_and_containers(db: Database) -> None:
    """Keep who did what is logged and with which container, and where each correction landed."""
    db.execute("ALTER TABLE entry ADD COLUMN who TEXT NOT NULL DEFAULT ''")
    db.execute("ALTER TABLE entry ADD COLUMN container TEXT NOT NULL DEFAULT ''")
    db.table("landing").create(
        {"id": str, "sump": str, "time_s": float, "verdict": str, "body": str},
        pk="id",
        not_null={"sump", "time_s", "verdict", "body"},
    ).create_index(["sump", "time_s"])


@migrations()
def m006_outbox(db: Database) -> None:
    """Keep every message until it is delivered, and what is to be said again if nobody acknowledges."""
    db.execute(
        "CREATE TABLE outbox (id INTEGER PRIMARY KEY, key TEXT NOT NULL UNIQUE, event TEXT NOT NULL, alert_id TEXT,"
        " person TEXT NOT NULL, ways TEXT NOT NULL, way INTEGER NOT NULL DEFAULT 0, channel TEXT NOT NULL,"
        " body TEXT NOT NULL, only_if_open INTEGER NOT NULL, made_s REAL NOT NULL, due_s REAL NOT NULL, lease_s REAL,"
        " tries INTEGER NOT NULL DEFAULT 0, way_tries INTEGER NOT NULL DEFAULT 0, refused TEXT NOT NULL DEFAULT '',"
        " state TEXT NOT NULL DEFAULT 'waiting', done_s REAL, detail TEXT NOT NULL DEFAULT '')"
    )
    db.execute("CREATE INDEX outbox_waiting ON outbox (channel, due_s) WHERE state = 'waiting'")
    db.execute("CREATE INDEX outbox_done ON outbox (done_s)")
    db.execute("CREATE INDEX outbox_event ON outbox (event)")
    db.execute(
        "CREATE TABLE follow_up (id TEXT PRIMARY KEY, alert_id TEXT NOT NULL, transition_id TEXT NOT NULL,"
        " route TEXT NOT NULL, step TEXT NOT NULL, number INTEGER NOT NULL, due_s REAL NOT NULL)"
    )
    db.execute("CREATE INDEX follow_up_due ON follow_up (due_s)")


@migrations()
def m007_sessions(db: Database) -> None:
    """Keep the sessions that people begin at the page with a token: only the SHA-256 of each."""
    db.table("session").create(
        {"hash": str, "token": str, "begun_s": float, "expires_s": float},
        pk="hash",
        not_null={"token", "begun_s", "expires_s"},
    ).create_index(["token"])


@migrations()
def m008_figures_and_upkeep(db: Database) -> None:
    """Create hourly and daily figures of readings, how far the upkeep has come, mishaps, and ways to find old rows.

    Figures lie by day (or by stretches of 32 days), then by stream: writing a day touches few pages, and what one
    stream said in a year is a few hundred short stretches.
    """
    figures = "count INTEGER NOT NULL, unsure INTEGER NOT NULL, low REAL, mean REAL, high REAL, last REAL"
    db.execute(
        "CREATE TABLE hourly (day INTEGER NOT NULL, stream INTEGER NOT NULL, hour INTEGER NOT NULL,"
        f" {figures}, PRIMARY KEY (day, stream, hour)) WITHOUT ROWID"
    )
    db.execute(
        "CREATE TABLE daily (stretch INTEGER NOT NULL, stream INTEGER NOT NULL, day INTEGER NOT NULL,"
        f" {figures}, PRIMARY KEY (stretch, stream, day)) WITHOUT ROWID"
    )
    db.execute("CREATE TABLE late_day (day INTEGER PRIMARY KEY)")
    db.execute(
        "CREATE TABLE upkeep (id INTEGER PRIMARY KEY CHECK (id = 1), believed_s REAL NOT NULL DEFAULT -1e18,"
        " figures_to_s REAL NOT NULL DEFAULT -1e18, readings_from_s REAL NOT NULL DEFAULT -1e18,"
        " thinned_to_s REAL NOT NULL DEFAULT -1e18)"
    )
    db.execute("INSERT INTO upkeep (id) VALUES (1)")
    db.execute("ALTER TABLE opening ADD COLUMN closed INTEGER NOT NULL DEFAULT 1")
    db.execute("CREATE TABLE mishap (id INTEGER PRIMARY KEY, time_s REAL NOT NULL, what TEXT NOT NULL, remedy TEXT)")
    db.execute("CREATE INDEX alert_open ON alert (raised_s) WHERE cleared_s IS NULL")
    db.execute("CREATE INDEX alert_closed ON alert (cleared_s) WHERE cleared_s IS NOT NULL")
    db.execute("CREATE INDEX transition_alert ON [transition] (alert_id)")
    db.execute("CREATE INDEX landing_time ON landing (time_s)")


@migrations()
def m009_shapes_and_times_away(db: Database) -> None:
    """Keep since when each sump has the tank and the fluid that it has, and when nobody watched."""
    db.execute("CREATE TABLE shape (sump TEXT PRIMARY KEY, text TEXT NOT NULL, since_s REAL) WITHOUT ROWID")
    db.execute("CREATE TABLE away (to_s REAL PRIMARY KEY, from_s REAL NOT NULL) WITHOUT ROWID")


@migrations()
def m010_what_alerts_rested_on(db: Database) -> None:
    """Keep with each change of an alert the estimate and the forecast it rested on."""
    db.execute("ALTER TABLE [transition] ADD COLUMN basis TEXT NOT NULL DEFAULT ''")


@migrations()
def m011_arrivals_as_delays(_db: Database) -> None:
    """Mark that arrivals are kept as milliseconds after the time, where they were kept as moments before.

    Both are read; a release that knows only moments must not take the record.
    """


@migrations()
def m012_samples(db: Database) -> None:
    """Create the table that new readings go to: a row number of time and stream, so that it only grows at its end.

    The readings that are there stay where they are until they have outlived their time (see `samples`).
    """
    db.execute(
        "CREATE TABLE sample (key INTEGER PRIMARY KEY, value REAL, quality INTEGER NOT NULL, arrived_s REAL,"
        " reason TEXT, time_s REAL, stream INTEGER)"
    )


@migrations()
def m013_dots_as_bytes(_db: Database) -> None:
    """Mark that the dots of forecasts are kept as bytes, where they were kept as JSON before (see `dots`).

    Both are read; a release that knows only JSON must not take the record.
    """


def _names() -> tuple[str, ...]:
    with closing(Database(memory=True)) as empty:
        return tuple(step.name for step in migrations.pending(empty))


STEPS: Final = _names()
"""The names of all steps in their order."""
