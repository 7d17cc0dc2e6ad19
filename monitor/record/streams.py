"""Small numbers for the signals of sumps, so that a reading's row stays short."""

from __future__ import annotations

import sqlite3

from monitor.plant.reading import Signal

Stream = tuple[str, Signal]


def load_streams(connection: sqlite3.Connection) -> dict[int, Stream]:
    """Return number to (sump, signal) of all that ever sent a reading."""
    rows = connection.execute("SELECT id, sump, signal FROM stream").fetchall()
    return {number: (sump, Signal(signal)) for number, sump, signal in rows}


class StreamNumbers(dict[Stream, int]):
    """The writer's look-up from (sump, signal) to number; an unknown one gets a row of its own.

    Clear it when a transaction is rolled back: numbers given within it are gone.
    """

    def __init__(self, connection: sqlite3.Connection) -> None:
        super().__init__()
        self._connection = connection

    def __missing__(self, stream: Stream) -> int:
        names = (stream[0], str(stream[1]))
        found = self._connection.execute("SELECT id FROM stream WHERE sump = ? AND signal = ?", names).fetchone()
        if found is None:
            sql = "INSERT INTO stream (sump, signal) VALUES (?, ?) RETURNING id"
            found = self._connection.execute(sql, names).fetchone()
        self[stream] = number = int(found[0])
        return number
