"""Reading the record. Each call opens its own read-only connection, so that any thread may ask at any time."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Iterator, Mapping
from contextlib import closing, contextmanager
from itertools import groupby
from operator import itemgetter
from pathlib import Path
from typing import Any, Final

from alerts.codec import alert_from_json, basis_from_json, landing_from_json
from alerts.types import Alert, AlertState, Transition
from alerts.watching import LandingRecord
from monitor.model.types import Event, EventKind, Side
from monitor.plant.errors import DamagedRecordError, RecordError
from monitor.plant.reading import Entry, EntryKind, Reading, Rejected, Signal
from monitor.record import history, samples, tokens
from monitor.record import shapes as shapes_on_record
from monitor.record.arrivals import LATE, arrival
from monitor.record.dots import unpacked
from monitor.record.faults import explained
from monitor.record.migrations import check_current, open_for_reading
from monitor.record.samples import WITHIN, Raw
from monitor.record.stored import EstimatePoint, Mishap, Point, StoredForecast
from monitor.record.streams import Stream, load_streams
from monitor.record.tables import Database
from monitor.record.writer import QUALITIES

_ESTIMATES_SQL: Final = (
    "WITH RECURSIVE moment(at_s) AS (SELECT min(time_s) FROM estimate WHERE time_s >= :from_s UNION ALL"
    " SELECT (SELECT min(time_s) FROM estimate WHERE time_s > at_s) FROM moment WHERE at_s < :to_s)"
    " SELECT (min(time_s) + max(time_s)) / 2, avg(volume_l), avg(volume_sd_l), avg(concentration_pct),"
    " avg(concentration_sd_pct), avg(evaporation_l_per_day), avg(drag_out_l_per_day)"
    " FROM moment CROSS JOIN estimate ON time_s = at_s AND sump = :sump WHERE at_s < :to_s"
    " GROUP BY min(CAST((time_s - :from_s) / :width_s AS INTEGER), :last) ORDER BY 1"
)
"""The moments of which there are estimates are few, and each is looked up: the other sumps' rows are not read."""


class Reader:
    """Questions to the record. Spans run from `from_s` (included) to `to_s` (not included), in Unix seconds."""

    def __init__(self, path: Path, damaged: Callable[[str], None] | None = None) -> None:
        self.path = path
        self._damaged = damaged

    @classmethod
    def open(cls, path: Path) -> Reader:
        """Return a reader of a record that must be there already, for commands that only read."""
        if not path.is_file():
            raise RecordError(f"{path}: there is no record yet; it is made when bandkeeper runs on its plant file")
        reader = cls(path)
        with reader._database() as db:
            check_current(db, path)
        return reader

    @contextmanager
    def _database(self) -> Iterator[Database]:
        """Open a connection whose statements all see the record as it was at the first of them."""
        try:
            with explained(self.path), closing(open_for_reading(self.path)) as connection:
                connection.execute("BEGIN")
                yield Database(connection, recursive_triggers=False, execute_plugins=False)
        except DamagedRecordError as error:
            if self._damaged is not None:
                self._damaged(str(error))
            raise

    def _rows(self, sql: str, parameters: dict[str, Any] | None = None) -> list[dict[str, Any]]:
        with self._database() as db:
            return list(db.query(sql, parameters))

    def _one(self, sql: str, parameters: tuple[Any, ...] = ()) -> Any:
        with self._database() as db:
            return db.execute(sql, parameters).fetchone()

    def readings(self, from_s: float, to_s: float, sump: str | None = None) -> Iterator[Reading]:
        """Yield the single readings that are kept, in time order, those of one time by sump and signal.

        Memory stays bounded. Before `readings_from_s` there are none.
        """
        streams: dict[int, Stream] = {}
        for time_s, together in groupby(self._raw_readings(from_s, to_s, sump, streams), itemgetter(0)):
            rows = sorted(((streams[row[1]], row) for row in together), key=itemgetter(0))
            for (name, signal), (_, _, value, quality, arrived, reason) in rows:
                came_s = arrival(time_s, arrived)
                yield Reading(name, signal, value, time_s, came_s, QUALITIES[quality], reason or "")

    def _raw_readings(self, from_s: float, to_s: float, sump: str | None, streams: dict[int, Stream]) -> Iterator[Raw]:
        kept_s = -math.inf

        def ask(sql: str, values: tuple[float, ...]) -> list[Any]:
            nonlocal kept_s
            with self._database() as db:
                streams.update(load_streams(db.conn))
                kept_s = _kept_from_s(db)
                only = None if sump is None else [number for number, (name, _) in streams.items() if name == sump]
                return db.conn.execute(samples.only(sql, only), values).fetchall()

        for row in samples.in_order(ask, from_s, to_s):
            if row[0] >= kept_s:
                yield row

    def reading_count(self) -> int:
        """Return how many readings are on record."""
        return int(self._one("SELECT (SELECT count(*) FROM sample) + (SELECT count(*) FROM reading)")[0])

    def sumps(self) -> set[str]:
        """Return the sumps of which readings are or were on record, in the plant file or not."""
        with self._database() as db:
            return {sump for sump, _ in load_streams(db.conn).values()}

    def sinces(self, shapes: Mapping[str, str], now_s: float) -> dict[str, float]:
        """Return since when each sump has its shape, without noting it (see `Record.settle`)."""
        with self._database() as db:
            return shapes_on_record.sinces(db.conn, shapes, now_s)

    def newest_reading_s(self) -> float | None:
        """Return the latest source time on record, None if there is none."""
        with self._database() as db:
            return samples.newest_s(db.conn)

    def newest_estimate_s(self) -> float | None:
        """Return the time of the latest estimate on record, None if there is none."""
        found: float | None = self._one("SELECT max(time_s) FROM estimate")[0]
        return found

    def times_away(self, from_s: float) -> list[tuple[float, float]]:
        """Return between which moments nobody watched, as far as they end after `from_s`, in order."""
        rows = self._rows("SELECT from_s, to_s FROM away WHERE to_s >= :from_s ORDER BY to_s", {"from_s": from_s})
        return [(row["from_s"], row["to_s"]) for row in rows]

    def unsure_count(self, from_s: float, to_s: float) -> int:
        """Return how many readings of a span are not good, have no value or come with a reason."""
        sql = f"SELECT count(*) AS unsure FROM {WITHIN} WHERE quality > 0 OR value IS NULL OR reason IS NOT NULL"  # noqa: S608
        return int(self._rows(sql, samples.within(from_s, to_s))[0]["unsure"])

    def late_count(self, from_s: float, to_s: float, by_s: float) -> int:
        """Return how many readings of a span came more than so many seconds after their time."""
        sql = f"SELECT count(*) AS late FROM {WITHIN} WHERE {LATE}"  # noqa: S608 - both are ours
        return int(self._rows(sql, {**samples.within(from_s, to_s), "by_s": by_s})[0]["late"])

    def entries(self, from_s: float, to_s: float, sump: str | None = None) -> list[Entry]:
        """Return the log book of a span by the time things happened."""
        rows = self._rows(*_span("entry", from_s, to_s, sump))
        return [Entry(**{**row, "kind": EntryKind(row["kind"])}) for row in rows]

    def rejected(self, limit: int = 100) -> list[Rejected]:
        """Return the newest input that could not be used, newest first."""
        rows = self._rows("SELECT * FROM rejected ORDER BY id DESC LIMIT :limit", {"limit": limit})
        return [Rejected(row["place"], row["arrived_s"], row["why"], row["raw"]) for row in rows]

    def rejected_count(self) -> int:
        """Return how many inputs could not be used so far, dropped ones included."""
        return int(self._one("SELECT coalesce(max(id), 0) FROM rejected")[0])

    def mishaps(self, from_s: float) -> list[Mishap]:
        """Return what happened to the record itself since a moment, the newest first."""
        rows = self._rows(
            "SELECT what, remedy FROM mishap WHERE time_s >= :from_s ORDER BY id DESC", {"from_s": from_s}
        )
        return [Mishap(row["what"], row["remedy"] or "") for row in rows]

    def events(self, from_s: float, to_s: float, sump: str | None = None) -> list[Event]:
        """Return what the pipeline noticed in a span, by the time it happened."""
        rows = self._rows(*_span("event", from_s, to_s, sump))
        return [Event(**{**row, "kind": EventKind(row["kind"])}) for row in rows]

    def landings(self, sump: str, limit: int = 20) -> list[LandingRecord]:
        """Return where the last corrections of a sump landed, the newest first."""
        sql = "SELECT body FROM landing WHERE sump = :sump ORDER BY time_s DESC, id DESC LIMIT :limit"
        return [landing_from_json(row["body"]) for row in self._rows(sql, {"sump": sump, "limit": limit})]

    def alerts_closed_since(self, from_s: float) -> list[Alert]:
        """Return alerts that were closed at a moment or later, in that order."""
        sql = "SELECT body FROM alert WHERE cleared_s >= :from_s ORDER BY cleared_s, id"
        return [alert_from_json(row["body"]) for row in self._rows(sql, {"from_s": from_s})]

    def alerts(self, *, open_only: bool = False) -> list[Alert]:
        """Return alerts in the order they were raised."""
        only = "WHERE cleared_s IS NULL" if open_only else ""
        sql = f"SELECT body FROM alert {only} ORDER BY raised_s, id"  # noqa: S608 - one of two texts of ours
        return [alert_from_json(row["body"]) for row in self._rows(sql)]

    def transitions(self, from_s: float, to_s: float, alert_id: str | None = None) -> list[Transition]:
        """Return the changes of alerts in a span, of one alert or of all."""
        sql = (
            "SELECT * FROM [transition] WHERE time_s >= :from_s AND time_s < :to_s"
            " AND (:alert_id IS NULL OR alert_id = :alert_id) ORDER BY time_s, rowid"
        )
        rows = self._rows(sql, {"from_s": from_s, "to_s": to_s, "alert_id": alert_id})
        return [_transition(row) for row in rows]

    def forecasts(self, sump: str, from_s: float, to_s: float) -> list[StoredForecast]:
        """Return the forecasts kept of a sump (the first of each hour) by the time they were made."""
        sql = (
            "SELECT * FROM forecast WHERE hour >= :first AND hour <= :last AND made_s >= :from_s AND made_s < :to_s"
            " AND sump = :sump ORDER BY made_s"
        )
        span = {"first": from_s / 3600 - 1, "last": to_s / 3600, "from_s": from_s, "to_s": to_s, "sump": sump}
        return [_forecast(row) for row in self._rows(sql, span)]

    def history(self, sump: str, from_s: float, to_s: float, points: int) -> dict[Signal, list[Point]]:
        """Return each signal of a sump as at most `points` stretches with lowest, mean and highest value."""
        with self._database() as db:
            streams = {number: signal for number, (name, signal) in load_streams(db.conn).items() if name == sump}
            found = history.points(db.conn, streams, _span_of(from_s, to_s, points))
            return {streams[number]: said for number, said in sorted(found.items())}

    def estimates(self, sump: str, from_s: float, to_s: float, points: int) -> list[EstimatePoint]:
        """Return the stored estimates of a sump, averaged to at most `points`."""
        with self._database() as db:
            rows = db.conn.execute(_ESTIMATES_SQL, {**_span_of(from_s, to_s, points).values(), "sump": sump})
            return [EstimatePoint(*row) for row in rows]

    def readings_from_s(self) -> float | None:
        """Return the moment before which only figures are left of readings, None while all are there."""
        with self._database() as db:
            found = _kept_from_s(db)
        return found if found > 0.0 else None

    def latest_checkpoint(self, before_s: float | None = None) -> tuple[float, bytes] | None:
        """Return time and body of the latest checkpoint (with `before_s`: of an earlier time than that), or None.

        Going on from it with the readings and entries whose time lies behind it gives the state of a run without
        a break.
        """
        sql = "SELECT time_s, body FROM checkpoint WHERE ? IS NULL OR time_s < ? ORDER BY time_s DESC LIMIT 1"
        row = self._one(sql, (before_s, before_s))
        return None if row is None else (row[0], row[1])

    def receipts(self, source: str) -> list[tuple[int, int, float]]:
        """Return (mid, digest, arrived_s) of a source's messages that were stamped on arrival, the oldest first."""
        sql = "SELECT mid, digest, arrived_s FROM receipt WHERE source = :source ORDER BY id"
        rows = self._rows(sql, {"source": source})
        return [(row["mid"], row["digest"] % (1 << 64), row["arrived_s"]) for row in rows]

    def token_scope(self, token: str, now_s: float) -> str | None:
        """Return read, act or admin for a token that is valid now, else None."""
        with self._database() as db:
            return tokens.token_scope(db, token, now_s)

    def session_scope(self, session: str, now_s: float) -> str | None:
        """Return read, act or admin for a session that goes on, else None."""
        with self._database() as db:
            return tokens.session_scope(db, session, now_s)

    def tokens(self) -> list[dict[str, Any]]:
        """Return name, scope, created_s and expires_s of each token."""
        return self._rows("SELECT name, scope, created_s, expires_s FROM token ORDER BY name")


def _kept_from_s(db: Database) -> float:
    return float(db.execute("SELECT readings_from_s FROM upkeep").fetchone()[0])


def _span(table: str, from_s: float, to_s: float, sump: str | None) -> tuple[str, dict[str, Any]]:
    sql = (
        f"SELECT * FROM {table} WHERE time_s >= :from_s AND time_s < :to_s"  # noqa: S608 - the table is ours
        " AND (:sump IS NULL OR sump = :sump) ORDER BY time_s, sump, id"
    )
    return sql, {"from_s": from_s, "to_s": to_s, "sump": sump}


def _span_of(from_s: float, to_s: float, points: int) -> history.Span:
    if points < 1 or not 0 < to_s - from_s < math.inf:
        raise RecordError(
            f"a history needs at least one point and a span that runs forward, not {points} from {from_s} to {to_s}"
        )
    return history.Span(from_s, to_s, points)


def _transition(row: dict[str, Any]) -> Transition:
    before, after = AlertState(row["before"]), AlertState(row["after"])
    alert, basis = alert_from_json(row["body"]), basis_from_json(row["basis"])
    return Transition(row["id"], row["alert_id"], row["time_s"], before, after, row["reason"], alert, basis)


def _forecast(row: dict[str, Any]) -> StoredForecast:
    fields = {key: value for key, value in row.items() if key != "hour"}
    fields["side"] = Side(row["side"])
    fields["side_share"] = {Side(side): share for side, share in json.loads(row["side_share"]).items()}
    fields["dots_h"] = unpacked(row["dots_h"])
    return StoredForecast(**fields)
