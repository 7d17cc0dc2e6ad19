"""Checkpoints: the pipeline's whole state at a time, so that a restart need not go over everything again.

A checkpoint at T holds all that was stored with a source time up to T. What is stored later with a source time up to
T makes it wrong, so it is dropped in that same transaction: the latest checkpoint on disk is always one to go on from.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from monitor.record.tables import Database

NEWEST_KEPT: Final = 4
"""So many of the newest checkpoints are kept."""
SPACING_S: Final = 6 * 3600.0
"""Older ones are kept this far apart …"""
REACH_S: Final = 7 * 86_400.0
"""… and this far back from the newest."""

_SAVE: Final = "INSERT OR REPLACE INTO checkpoint (time_s, body) SELECT ?1, ?2 WHERE ?2 <> x''"


def save_checkpoint(db: Database, time_s: float, body: bytes) -> None:
    """Store a checkpoint and drop those that are no longer worth their room."""
    db.execute(_SAVE, [time_s, body])
    db.execute(_SAVE, [time_s, b""])  # stores nothing: the prepared statement lets go of its copy of the body
    times = [row[0] for row in db.execute("SELECT time_s FROM checkpoint ORDER BY time_s DESC")]
    for dropped in sorted(set(times) - set(worth_keeping(times))):
        db.execute("DELETE FROM checkpoint WHERE time_s = ?", [dropped])


def worth_keeping(times: Sequence[float]) -> list[float]:
    """Return which of the times (newest first) to keep: the newest few, then the oldest of each stretch of time."""
    stretches = {time_s // SPACING_S: time_s for time_s in times[NEWEST_KEPT:] if time_s >= times[0] - REACH_S}
    return [*times[:NEWEST_KEPT], *stretches.values()]


def drop_from(db: Database, time_s: float) -> None:
    """Drop the checkpoints that should have known of something at `time_s`."""
    db.execute("DELETE FROM checkpoint WHERE time_s >= ?", [time_s])
