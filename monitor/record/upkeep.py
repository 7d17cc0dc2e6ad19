"""Upkeep of the record: figures by hour and day, what is too old goes, its space is given back; one small step a turn.

Each step is a transaction of its own, short enough to fit between two batches of input, and leaves the record whole:
a kill between any two of them loses nothing and doubles nothing, and the next round goes on. The order of a round:

1. Days whose readings are all in (they ended a day ago) get figures by the hour, and days that got late readings get
   theirs anew. Nothing is deleted; `upkeep.figures_to_s` says up to where figures are there.
2. `upkeep.readings_from_s` moves up: readings before it count as gone. What lies two days before it is deleted.
3. Hours older than `hourly` become days, estimates of those days are thinned to one a day.
4. What has outlived its time goes: forecasts, events, alerts, landings, entries, old days.
5. Free space beyond a fifth of the file is given back, some pages at a time.

What lies between is deleted between the rounds, every five minutes, at a little more than the pace at which it came:
what comes then takes the same pages before the log is folded in, so that the file gets these once and not twice.

The clock is believed slowly: the moment from which ages are reckoned moves up by two days a round at most, and there
is one round an hour. A clock that jumps ahead by a year does not throw a year of readings away.
"""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Callable, Iterable, Iterator
from contextlib import AbstractContextManager
from functools import partial
from typing import Final

from monitor.plant.types import Keeping
from monitor.record import outlived
from monitor.record.figures import DAY_S, DayFigures, Row, to_daily, write_hourly
from monitor.record.samples import KEYS_A_SECOND, key_at
from monitor.record.samples import newest_s as newest_reading_s
from monitor.record.samples import oldest_s as oldest_reading_s

EVERY_S: Final = 3600.0
"""So often a round begins."""
BELIEVED_AT_ONCE_S: Final = 2.0 * DAY_S
SETTLED_S: Final = 1.0 * DAY_S
"""So long after its end a day gets its first figures."""
AFTER_TROUBLE_S: Final = 60.0
LET_GO_EVERY_S: Final = 300.0
PACE: Final = 1.25
"""So many times the span between two goes is deleted with each."""
LEFT_OVER_S: Final = 2.0 * DAY_S
"""What counts as gone for longer is not deleted at a pace, but at once."""
STREAMS_AT_ONCE: Final = 200
BYTES_AT_ONCE: Final = 1 << 20
FREE_SHARE: Final = 0.2
FREE_BYTES: Final = 1 << 24

Transaction = Callable[[], AbstractContextManager[None]]


class Upkeep:
    """One round after the other, step by step. Used on the writer's thread; `transaction` wraps each step."""

    def __init__(self, connection: sqlite3.Connection, transaction: Transaction, keeping: Keeping) -> None:
        self._db, self._transaction, self._keeping = connection, transaction, keeping
        self._round: Iterator[None] | None = None
        self._next_s = self._let_go_s = -math.inf
        self._gathering: int | None = None
        self._touched: set[int] = set()
        self.readings_from_s = self._mark("readings_from_s")
        self._figures_to_s = self._mark("figures_to_s")

    def turn(self, now_s: float) -> bool:
        """Do one step; tell whether there is more to do at once."""
        if self._round is None:
            if not self._next_s - EVERY_S <= now_s < self._next_s:
                self._next_s = now_s + EVERY_S
                self._round = self._steps(now_s)
            elif not self._let_go_s - LET_GO_EVERY_S <= now_s < self._let_go_s:
                self._let_go_s = now_s + LET_GO_EVERY_S
                self._round = self._let_some_go()
            else:
                return False
        try:
            next(self._round)
        except StopIteration:
            self._round = None
        except BaseException:
            self._round = None
            self._next_s = now_s + AFTER_TROUBLE_S
            raise
        return self._round is not None

    def note(self, times_s: Iterable[float]) -> None:
        """Mark days that got late readings, in the transaction that stores them: their figures are made anew."""
        gathered_to_s = -math.inf if self._gathering is None else (self._gathering + 1.0) * DAY_S
        until_s = max(self._figures_to_s, gathered_to_s)
        late = {int(time_s // DAY_S) for time_s in times_s if time_s < until_s}
        if late:
            self._touched |= late
            self._db.executemany("INSERT OR IGNORE INTO late_day VALUES (?)", [(day,) for day in late])

    def _mark(self, name: str) -> float:
        return float(self._db.execute(f"SELECT {name} FROM upkeep").fetchone()[0])  # noqa: S608 - the name is ours

    def _move(self, name: str, to_s: float) -> None:
        self._db.execute(f"UPDATE upkeep SET {name} = ?", (to_s,))  # noqa: S608 - the name is ours

    def _steps(self, now_s: float) -> Iterator[None]:
        now_s = self._believe(now_s)
        yield
        yield from self._new_figures(now_s)
        yield from self._late_figures()
        yield from self._drop_readings(now_s)
        yield from self._drop_hours(now_s)
        yield from self._thin_estimates(now_s)
        for step in outlived.steps(self._db, self._keeping, now_s):
            while self._did(step):
                yield
        yield from self._give_back()

    def _did(self, step: Callable[[], int]) -> bool:
        with self._transaction():
            return step() > 0

    def _believe(self, now_s: float) -> float:
        before_s = self._mark("believed_s")
        if before_s < 0.0:
            newest_s = newest_reading_s(self._db)
            before_s = now_s if newest_s is None else newest_s
        believed_s = min(now_s, before_s + BELIEVED_AT_ONCE_S)
        if believed_s > before_s or self._mark("believed_s") < 0.0:
            with self._transaction():
                self._move("believed_s", believed_s)
        return believed_s

    def _new_figures(self, now_s: float) -> Iterator[None]:
        """Make the figures of each day that is over and settled, the oldest first."""
        while True:
            first_s = oldest_reading_s(self._db, max(self._figures_to_s, self.readings_from_s))
            if first_s is None or (first_s // DAY_S + 1) * DAY_S > now_s - SETTLED_S:
                return
            yield from self._figures_of(int(first_s // DAY_S))

    def _late_figures(self) -> Iterator[None]:
        for (day,) in self._db.execute("SELECT day FROM late_day ORDER BY day").fetchall():
            yield from self._figures_of(day)

    def _figures_of(self, day: int) -> Iterator[None]:
        """Gather a day and write it; only its last transaction says that it is done."""
        self._gathering = day
        self._touched.discard(day)
        try:
            gathered = DayFigures(day)
            while gathered.read_on(self._db):
                yield
            last: list[Row] = []
            for lot in gathered.lots():
                if last:
                    with self._transaction():
                        write_hourly(self._db, last)
                    yield
                last = lot
            to_s = max(self._figures_to_s, (day + 1.0) * DAY_S)
            with self._transaction():
                write_hourly(self._db, last)
                self._move("figures_to_s", to_s)
                if day not in self._touched:
                    self._db.execute("DELETE FROM late_day WHERE day = ?", (day,))
            self._figures_to_s = to_s
        finally:
            self._gathering = None
        yield

    def _drop_readings(self, now_s: float) -> Iterator[None]:
        """Let readings go whose figures are there; the mark stays while there are none, so that old files can come."""
        cut_s = min(_day_before(now_s - self._keeping.readings_s), self._figures_to_s)
        late = self._db.execute("SELECT min(day) FROM late_day").fetchone()[0]
        cut_s = cut_s if late is None else min(cut_s, late * DAY_S)
        oldest_s = oldest_reading_s(self._db)
        if oldest_s is not None and oldest_s < cut_s and cut_s > self.readings_from_s:
            with self._transaction():
                self._move("readings_from_s", cut_s)
            self.readings_from_s = cut_s
            yield
        while self._did(self._delete_left_over):
            yield

    def _delete_left_over(self) -> int:
        old = outlived.delete_before(self._db, "reading", "time_s", self.readings_from_s)
        return old or self._delete_samples(key_at(max(self.readings_from_s - LEFT_OVER_S, 0.0)))

    def _let_some_go(self) -> Iterator[None]:
        """Delete the first of the readings that count as gone."""
        first = self._db.execute("SELECT min(key) FROM sample").fetchone()[0]
        if first is None:
            return
        some = first + int(PACE * LET_GO_EVERY_S * KEYS_A_SECOND)
        upto = min(some, key_at(max(self.readings_from_s, 0.0)))
        while first < upto and self._did(partial(self._delete_samples, upto)):
            yield

    def _delete_samples(self, upto: int) -> int:
        return outlived.delete_before(self._db, "sample", "key", upto)

    def _drop_hours(self, now_s: float) -> Iterator[None]:
        """Turn hours into days, some streams of one day at a time."""
        upto_s = min(_day_before(now_s - self._keeping.hourly_s), self.readings_from_s)
        while True:
            day = self._db.execute("SELECT min(day) FROM hourly").fetchone()[0]
            if day is None or day * DAY_S >= upto_s:
                return
            sql = "SELECT max(stream), min(stream) FROM hourly WHERE day = ?"
            most, after = self._db.execute(sql, (day,)).fetchone()
            after -= 1
            while after < most:
                with self._transaction():
                    to_daily(self._db, day, after, after + STREAMS_AT_ONCE)
                after += STREAMS_AT_ONCE
                yield

    def _thin_estimates(self, now_s: float) -> Iterator[None]:
        """Leave the last estimate of each sump of each day."""
        to_s = _day_before(now_s - self._keeping.hourly_s)
        done_s = self._mark("thinned_to_s")
        while done_s < to_s:
            sql = "SELECT min(time_s) FROM estimate WHERE time_s >= ?"
            first_s = self._db.execute(sql, (done_s,)).fetchone()[0]
            day_s = to_s if first_s is None else min(_day_before(first_s), to_s)
            done_s = min(day_s + DAY_S, to_s)
            with self._transaction():
                outlived.thin_estimates(self._db, day_s, done_s)
                self._move("thinned_to_s", done_s)
            yield

    def _give_back(self) -> Iterator[None]:
        """Give free pages back to the file system where there are many; the rest is used again."""
        if self._pragma("auto_vacuum") != 2 or not self._much_is_free(FREE_SHARE):
            return
        page_bytes = self._pragma("page_size")
        while self._much_is_free(FREE_SHARE / 2.0):
            self._db.execute(f"PRAGMA incremental_vacuum({BYTES_AT_ONCE // page_bytes})").fetchall()
            yield

    def _much_is_free(self, share: float) -> bool:
        least = FREE_BYTES // self._pragma("page_size")
        return self._pragma("freelist_count") > max(least, share * self._pragma("page_count"))

    def _pragma(self, name: str) -> int:
        return int(self._db.execute(f"PRAGMA {name}").fetchone()[0])


def _day_before(time_s: float) -> float:
    """Return the beginning of the UTC day a moment falls in."""
    return time_s if not math.isfinite(time_s) else time_s // DAY_S * DAY_S
