"""The outbox: messages on disk from the moment of their cause until a channel has taken them.

A message is written in the same transaction as the change it tells of (`put`), claimed by one sender for a time
(`claim`), and marked only after the channel has answered: so it is sent at least once, and after a crash between the
sending and the mark once more, under the same id. All times are Unix seconds of the plant's clock.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from monitor.record.faults import explained
from monitor.record.migrations import BUSY_MS, open_for_reading

KEPT_S: Final = 90 * 86400.0
"""So long what was delivered or given up is kept, for the report on alerts."""
_CLAIM: Final = (
    "UPDATE outbox SET lease_s = :until_s, tries = tries + 1, way_tries = way_tries + 1 WHERE id ="
    " (SELECT id FROM outbox WHERE state = 'waiting' AND channel = :channel AND due_s <= :now_s"
    " AND (lease_s IS NULL OR lease_s <= :now_s) ORDER BY due_s, id LIMIT 1)"
    " RETURNING id, key, event, alert_id, person, ways, way, body, only_if_open, made_s, due_s, tries, way_tries,"
    " refused"
)


@dataclass(frozen=True, slots=True)
class Message:
    """A message to one person. `ways` are (channel, address), the best first; `key` keeps a second one out."""

    key: str
    event: str
    person: str
    ways: tuple[tuple[str, str], ...]
    body: Mapping[str, Any]
    due_s: float
    alert_id: str | None = None
    only_if_open: bool = False


@dataclass(frozen=True, slots=True)
class Claimed:
    """A message that a sender holds; `way` is the one to try, `way_tries` how often it was, this time included."""

    id: int
    message: Message
    way: int
    made_s: float
    tries: int
    way_tries: int
    refused: frozenset[int]


@dataclass(frozen=True, slots=True)
class FollowUp:
    """Something to be said later if the alert is still unacknowledged: `step` is escalate or remind."""

    id: str
    alert_id: str
    transition_id: str
    route: str
    step: str
    number: int
    due_s: float


@dataclass(frozen=True, slots=True)
class Waiting:
    """What waits in one channel: how many messages are overdue, since when the oldest, and what was said last."""

    channel: str
    messages: int
    oldest_due_s: float
    detail: str


def put(connection: sqlite3.Connection, messages: Iterable[Message], now_s: float) -> int:
    """Store messages inside the caller's transaction but those whose key is known; return how many were new."""
    sql = (
        "INSERT INTO outbox (key, event, alert_id, person, ways, channel, body, only_if_open, made_s, due_s)"
        " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING"
    )
    return sum(connection.execute(sql, _row(message, now_s)).rowcount for message in messages)


def _row(message: Message, now_s: float) -> tuple[Any, ...]:
    return (
        message.key,
        message.event,
        message.alert_id,
        message.person,
        json.dumps(message.ways),
        message.ways[0][0],
        json.dumps(message.body),
        int(message.only_if_open),
        now_s,
        message.due_s,
    )


def put_follow_ups(connection: sqlite3.Connection, follow_ups: Iterable[FollowUp]) -> None:
    """Store what is to be said later, inside the caller's transaction."""
    sql = "INSERT INTO follow_up VALUES (?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING"
    rows = [(f.id, f.alert_id, f.transition_id, f.route, f.step, f.number, f.due_s) for f in follow_ups]
    connection.executemany(sql, rows)


def drop_follow_ups(connection: sqlite3.Connection, alert_ids: Iterable[str]) -> None:
    """Forget what was to be said about alerts that somebody took on or that are gone."""
    connection.executemany("DELETE FROM follow_up WHERE alert_id = ?", [(one,) for one in alert_ids])


def take_due_follow_ups(connection: sqlite3.Connection, now_s: float) -> list[FollowUp]:
    """Take what is due out of the table, inside the caller's transaction."""
    sql = "DELETE FROM follow_up WHERE due_s <= ? RETURNING id, alert_id, transition_id, route, step, number, due_s"
    return sorted((FollowUp(*row) for row in connection.execute(sql, (now_s,))), key=lambda one: (one.due_s, one.id))


def has_due_follow_ups(connection: sqlite3.Connection, now_s: float) -> bool:
    """Tell whether something is due."""
    return connection.execute("SELECT 1 FROM follow_up WHERE due_s <= ? LIMIT 1", (now_s,)).fetchone() is not None


def unknown(connection: sqlite3.Connection, transition_ids: Sequence[str]) -> set[str]:
    """Return which transitions are not on record yet."""
    sql = "SELECT 1 FROM [transition] WHERE id = ?"
    return {one for one in transition_ids if connection.execute(sql, (one,)).fetchone() is None}


def has_event(connection: sqlite3.Connection, event: str) -> bool:
    """Tell whether messages of this event were written already."""
    return connection.execute("SELECT 1 FROM outbox WHERE event = ? LIMIT 1", (event,)).fetchone() is not None


class Outbox:
    """A sender's own way into the outbox. Each call is a short transaction; one thread at a time may use it."""

    def __init__(self, path: Path) -> None:
        self.path = path
        with explained(path):
            self._db = sqlite3.connect(path, timeout=BUSY_MS / 1000, isolation_level=None, check_same_thread=False)
            self._db.execute("PRAGMA synchronous = FULL")

    def close(self) -> None:
        """Close the connection."""
        self._db.close()

    def free_leases(self) -> None:
        """Let what a former process held be claimed at once."""
        self._do("UPDATE outbox SET lease_s = NULL WHERE state = 'waiting' AND lease_s IS NOT NULL")

    def channels(self) -> set[str]:
        """Return the channels for which something waits."""
        with explained(self.path):
            return {row[0] for row in self._db.execute("SELECT DISTINCT channel FROM outbox WHERE state = 'waiting'")}

    def claim(self, channel: str, now_s: float, lease_s: float) -> Claimed | None:
        """Take the next due message of a channel for `lease_s` seconds; None if there is none. Nobody else gets it."""
        with explained(self.path):
            rows = self._db.execute(_CLAIM, {"channel": channel, "now_s": now_s, "until_s": now_s + lease_s}).fetchall()
        return _claimed(rows[0]) if rows else None

    def is_open(self, alert_id: str) -> bool:
        """Tell whether an alert still waits for somebody to acknowledge it."""
        sql = "SELECT json_extract(body, '$.state') FROM alert WHERE id = ?"
        with explained(self.path):
            row = self._db.execute(sql, (alert_id,)).fetchone()
        return row is not None and row[0] == "unacknowledged"

    def done(self, claimed: Claimed, state: str, now_s: float, detail: str = "") -> None:
        """Mark a message: delivered, never (nobody takes it) or dropped (nobody needs it any more)."""
        sql = "UPDATE outbox SET state = ?, done_s = ?, lease_s = NULL, detail = ? WHERE id = ?"
        self._do(sql, (state, now_s, detail, claimed.id))

    def later(self, claimed: Claimed, due_s: float, detail: str) -> None:
        """Let a message be tried again in the same way at `due_s`."""
        self._do("UPDATE outbox SET due_s = ?, lease_s = NULL, detail = ? WHERE id = ?", (due_s, detail, claimed.id))

    def other_way(self, claimed: Claimed, way: int, due_s: float, refused: Iterable[int], detail: str) -> None:
        """Let a message go another way."""
        sql = (
            "UPDATE outbox SET way = ?, channel = ?, due_s = ?, refused = ?, way_tries = 0, lease_s = NULL, detail = ?"
            " WHERE id = ?"
        )
        said = ",".join(map(str, sorted(refused)))
        self._do(sql, (way, claimed.message.ways[way][0], due_s, said, detail, claimed.id))

    def tidy(self, now_s: float) -> None:
        """Forget what was done with long ago."""
        self._do("DELETE FROM outbox WHERE state != 'waiting' AND done_s < ?", (now_s - KEPT_S,))

    def _do(self, sql: str, values: tuple[Any, ...] = ()) -> None:
        with explained(self.path):
            self._db.execute(sql, values)


def _claimed(row: tuple[Any, ...]) -> Claimed:
    number, key, event, alert_id, person, ways, way, body, only_if_open, made_s, due_s, tries, way_tries, refused = row
    pairs = tuple((channel, to) for channel, to in json.loads(ways))
    message = Message(key, event, person, pairs, json.loads(body), due_s, alert_id, bool(only_if_open))
    said = frozenset(int(one) for one in refused.split(",") if one)
    return Claimed(number, message, way, made_s, tries, way_tries, said)


def waiting(path: Path, now_s: float) -> list[Waiting]:
    """Return what is overdue in each channel."""
    sql = (
        "SELECT channel, count(*), min(made_s), max(detail) FROM outbox"
        " WHERE state = 'waiting' AND (tries > 0 OR due_s <= ?) GROUP BY channel ORDER BY channel"
    )
    with explained(path), closing(open_for_reading(path)) as connection:
        return [Waiting(*row) for row in connection.execute(sql, (now_s,))]


def given_up(path: Path, since_s: float) -> list[tuple[str, str]]:
    """Return (person, why) of the messages that nobody took since a moment."""
    sql = "SELECT person, detail FROM outbox WHERE state = 'never' AND done_s >= ? ORDER BY done_s"
    with explained(path), closing(open_for_reading(path)) as connection:
        return [(row[0], row[1]) for row in connection.execute(sql, (since_s,))]


def sent_counts(path: Path, from_s: float, to_s: float) -> dict[tuple[str, str], int]:
    """Return how many messages about alerts were made for each (person, alert) in a span."""
    sql = (
        "SELECT person, alert_id, count(*) FROM outbox WHERE alert_id IS NOT NULL AND made_s >= ? AND made_s < ?"
        " AND channel NOT LIKE '=%' GROUP BY person, alert_id"
    )
    with explained(path), closing(open_for_reading(path)) as connection:
        return {(row[0], row[1]): row[2] for row in connection.execute(sql, (from_s, to_s))}
