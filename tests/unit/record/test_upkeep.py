"""Upkeep: figures by hour and day say what the readings said, whatever comes late, and the record stays in bounds."""

from __future__ import annotations

import math
import random
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.plant.reading import Quality, Reading, Signal
from monitor.plant.types import Keeping
from monitor.record.store import Record
from monitor.record.stored import Point
from tests.unit.record.things import alert, entry, estimate, event, forecast, transition

DAY_S = 86_400.0
BEGIN_S = 1_930_262_400.0  # a Monday, 00:00 UTC
KEEPING = Keeping(10 * DAY_S, 30 * DAY_S, 300 * DAY_S, 5 * DAY_S, 20 * DAY_S, 40 * DAY_S)
SUMPS = ("lathe-04", "mill-07")


def said(day: int, *, seed: int = 1, every_s: float = 600.0) -> list[Reading]:
    """Return what two sumps said on a day."""
    dice = random.Random(seed * 1000 + day)
    found = []
    for number in range(int(DAY_S / every_s)):
        time_s = BEGIN_S + day * DAY_S + number * every_s
        for sump in SUMPS:
            found.append(Reading(sump, Signal.LEVEL, round(dice.uniform(100.0, 300.0), 1), time_s, time_s + 1.0))
            found.append(Reading(sump, Signal.RUNNING, float(dice.random() < 0.5), time_s, time_s + 1.0))
    return found


@pytest.fixture
def kept(tmp_path: Path) -> Iterator[Record]:
    opened = Record.open(tmp_path / "kept.db", now_s=BEGIN_S, keeping=KEEPING)
    yield opened
    opened.close()


def keep_up(record: Record, now_s: float) -> int:
    """Do a whole round (whatever the clock said before) and return how many steps it took."""
    steps = 1
    while record.upkeep(now_s):
        steps += 1
    return steps


def live(record: Record, days: range) -> None:
    """Let the days pass: what was said, and a round of upkeep at the end of each."""
    for day in days:
        record.add(said(day))
        keep_up(record, BEGIN_S + (day + 1) * DAY_S + 1.0)


def rows(record: Record, table: str) -> int:
    return int(record._db.table(table).count)


def close(one: list[Point], other: list[Point]) -> bool:
    return len(one) == len(other) and all(
        math.isclose(a, b, rel_tol=1e-12)
        for p, q in zip(one, other, strict=True)
        for a, b in zip(p[1:], q[1:], strict=True)
    )


def test_readings_become_figures_by_the_hour_and_these_by_the_day(kept: Record) -> None:
    live(kept, range(60))
    reader = kept.reader()
    assert reader.readings_from_s() == BEGIN_S + 50 * DAY_S
    assert list(reader.readings(-math.inf, math.inf)) == sorted(
        (one for day in range(50, 60) for one in said(day)), key=lambda one: (one.time_s, one.sump, one.signal)
    )
    by_hour = kept._db.execute("SELECT min(day), max(day), count(*) FROM hourly").fetchone()
    first_day = int(BEGIN_S // DAY_S)
    assert by_hour == (first_day + 30, first_day + 58, 29 * 24 * 4)
    by_day = kept._db.execute("SELECT min(day), max(day), count(*) FROM daily").fetchone()
    assert by_day == (first_day, first_day + 29, 30 * 4)


@pytest.mark.parametrize("day", [3, 35, 49, 50, 57])
def test_a_day_says_the_same_from_readings_hours_and_days(kept: Record, tmp_path: Path, day: int) -> None:
    live(kept, range(60))
    whole = Record.open(tmp_path / "whole.db", now_s=BEGIN_S)
    whole.add([one for number in range(60) for one in said(number)])
    span = (BEGIN_S + day * DAY_S, BEGIN_S + (day + 1) * DAY_S)
    for sump in SUMPS:
        mine, all_of_it = kept.reader().history(sump, *span, 1), whole.reader().history(sump, *span, 1)
        assert mine.keys() == all_of_it.keys() == {Signal.LEVEL, Signal.RUNNING}
        assert all(close(mine[signal], all_of_it[signal]) for signal in mine)
    whole.close()


def test_a_history_over_all_seams_has_no_gap_and_nothing_twice(kept: Record, tmp_path: Path) -> None:
    live(kept, range(60))
    whole = Record.open(tmp_path / "whole.db", now_s=BEGIN_S)
    whole.add([one for number in range(60) for one in said(number)])
    for days in (1, 4, 60):  # columns a day wide, and wider
        span = (BEGIN_S, BEGIN_S + 60 * DAY_S, 60 // days)
        mine, all_of_it = kept.reader().history("mill-07", *span), whole.reader().history("mill-07", *span)
        assert close(mine[Signal.LEVEL], all_of_it[Signal.LEVEL])
        assert close(mine[Signal.RUNNING], all_of_it[Signal.RUNNING])
    whole.close()


def test_columns_of_an_hour_across_the_seam_of_readings_and_figures(kept: Record, tmp_path: Path) -> None:
    live(kept, range(60))
    whole = Record.open(tmp_path / "whole.db", now_s=BEGIN_S)
    whole.add([one for number in range(60) for one in said(number)])
    span = (BEGIN_S + 48 * DAY_S, BEGIN_S + 52 * DAY_S, 96)
    mine, all_of_it = kept.reader().history("lathe-04", *span), whole.reader().history("lathe-04", *span)
    assert close(mine[Signal.LEVEL], all_of_it[Signal.LEVEL])
    narrow = kept.reader().history("lathe-04", BEGIN_S + 55 * DAY_S, BEGIN_S + 56 * DAY_S, 144)
    assert close(
        narrow[Signal.LEVEL],
        whole.reader().history("lathe-04", BEGIN_S + 55 * DAY_S, BEGIN_S + 56 * DAY_S, 144)[Signal.LEVEL],
    )
    assert len(narrow[Signal.LEVEL]) == 144
    whole.close()


def test_the_figures_of_an_hour_are_what_they_are_called(kept: Record) -> None:
    values = [3.0, 1.0, None, 2.0]
    readings = [
        Reading(
            "lathe-04", Signal.LEVEL, value, BEGIN_S + 600.0 * number, BEGIN_S, Quality.GOOD, "" if value else "gone"
        )
        for number, value in enumerate(values)
    ]
    readings.append(Reading("lathe-04", Signal.LEVEL, 9.0, BEGIN_S + 3000.0, BEGIN_S, Quality.DOUBTFUL))
    readings.append(Reading("lathe-04", Signal.LEVEL, None, BEGIN_S + 3600.0, BEGIN_S, Quality.BAD, "cable"))
    kept.add(readings)
    keep_up(kept, BEGIN_S + 2.5 * DAY_S)
    found = kept._db.execute("SELECT hour, count, unsure, low, mean, high, last FROM hourly").fetchall()
    assert found == [(0, 4, 2, 1.0, 3.75, 9.0, 9.0), (1, 0, 1, None, None, None, None)]


def test_a_late_reading_of_a_day_with_figures_makes_them_anew(kept: Record) -> None:
    live(kept, range(8))
    late = Reading("lathe-04", Signal.LEVEL, 999.0, BEGIN_S + 2 * DAY_S + 1.0, BEGIN_S + 8 * DAY_S)
    new = Reading("mill-07", Signal.PH, 9.1, BEGIN_S - 1 * DAY_S, BEGIN_S + 8 * DAY_S)
    assert kept.add([late, new]).readings == (late, new)
    assert kept._db.execute("SELECT count(*) FROM late_day").fetchone() == (2,)
    live(kept, range(8, 9))
    assert kept._db.execute("SELECT count(*) FROM late_day").fetchone() == (0,)
    wide = kept.reader().history("lathe-04", BEGIN_S - 5 * DAY_S, BEGIN_S + 5 * DAY_S, 10)
    assert [point.high for point in wide[Signal.LEVEL]].count(999.0) == 1
    assert sum(1 for _ in kept.reader().readings(-math.inf, math.inf)) == 9 * len(said(0)) + 2
    assert kept.add([late]).doubled_readings == 1


def highest(record: Record, day: int) -> float:
    """Return the highest level of all figures by the hour of a day."""
    sql = "SELECT max(high) FROM hourly WHERE day = ?"
    return float(record._db.execute(sql, (int(BEGIN_S // DAY_S) + day,)).fetchone()[0])


def add_while_gathering(record: Record, day: int, late: Reading, now_s: float) -> None:
    """Go through a round and let a reading come in the middle of gathering a day."""
    wanted, added = int(BEGIN_S // DAY_S) + day, False
    while record.upkeep(now_s):
        if record._upkeep._gathering == wanted and not added:
            added = bool(record.add([late]).readings)
    assert added


@pytest.mark.parametrize("hour", [0, 23])
def test_a_reading_that_comes_while_its_day_is_gathered_is_in_the_figures(
    kept: Record, monkeypatch: pytest.MonkeyPatch, hour: int
) -> None:
    monkeypatch.setattr("monitor.record.figures.ROWS_READ", 100)
    kept.add(said(0))
    late = Reading("lathe-04", Signal.LEVEL, 999.0, BEGIN_S + hour * 3600.0 + 1.0, BEGIN_S + 2 * DAY_S)
    now_s = BEGIN_S + 2.5 * DAY_S
    add_while_gathering(kept, 0, late, now_s)
    keep_up(kept, now_s + 3600.0)
    sql = "SELECT max(high), sum(count) FROM hourly WHERE stream = 1 AND hour = ?"
    assert kept._db.execute(sql, (hour,)).fetchone() == (999.0, 7)


def test_a_late_reading_that_comes_while_another_late_day_is_made_anew_is_in_the_figures(
    kept: Record, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("monitor.record.figures.ROWS_READ", 100)
    live(kept, range(8))
    early, later = (
        Reading("lathe-04", Signal.LEVEL, 999.0, BEGIN_S + day * DAY_S + 1.0, BEGIN_S + 8 * DAY_S) for day in (2, 5)
    )
    kept.add([early])
    now_s = BEGIN_S + 8 * DAY_S + 3700.0
    add_while_gathering(kept, 2, later, now_s)
    keep_up(kept, now_s + 3600.0)
    assert [highest(kept, day) for day in (2, 5)] == [999.0, 999.0]


def test_a_reading_of_a_time_of_which_only_figures_are_left_is_refused_and_said(kept: Record) -> None:
    live(kept, range(20))
    late = Reading("lathe-04", Signal.LEVEL, 999.0, BEGIN_S + 5 * DAY_S, BEGIN_S + 20 * DAY_S)
    again = said(5)[0]
    added = kept.add([late, again, said(19)[0]])
    assert (added.readings, added.doubled_readings) == ((), 1)
    assert [one.where for one in added.refused] == ["lathe-04/level", "lathe-04/level"]
    assert "too late: single readings are kept from 2031-03-13T00:00:00+00:00 on" in added.refused[0].why
    assert kept.reader().rejected(5)[0].why == added.refused[0].why
    keep_up(kept, BEGIN_S + 21 * DAY_S)
    assert kept._db.execute("SELECT max(high) FROM hourly").fetchone()[0] <= 300.0


def test_a_young_record_takes_a_history_that_is_older_than_readings_are_kept(kept: Record) -> None:
    live(kept, range(100, 104))
    assert kept.add([one for day in range(40) for one in said(day)]).refused == ()
    live(kept, range(104, 105))
    assert rows(kept, "daily") == 40 * 4
    assert kept.reader().reading_count() == 5 * len(said(0))
    assert len(kept.add(said(5)).refused) == len(said(5))
    span = (BEGIN_S, BEGIN_S + 40 * DAY_S, 40)
    assert len(kept.reader().history("mill-07", *span)[Signal.LEVEL]) == 40


def test_what_has_outlived_its_time_goes_and_the_rest_stays(kept: Record) -> None:
    for day in range(50):
        at = (BEGIN_S - 1_930_339_800.0) / 60.0 + day * 1440.0
        kept.save_forecasts([forecast(at)])
        kept.save_estimates([estimate(at + 60.0 * hour) for hour in range(24)])
        one = alert(day, cleared_s=None if day == 3 else BEGIN_S + day * DAY_S)
        kept.save_transitions([transition(day, one)])
        kept.add([], [entry(day, at)])
        live(kept, range(day, day + 1))
    kept.save_events([event(1)])
    keep_up(kept, BEGIN_S + 50 * DAY_S + 3700.0)
    assert rows(kept, "forecast") == 4
    assert rows(kept, "estimate") == 30 * 24 + 20
    assert rows(kept, "alert") == 19 + 1
    assert rows(kept, "transition") == 19 + 1
    assert [one.id for one in kept.reader().alerts(open_only=True)] == ["a-3"]
    assert rows(kept, "entry") == 39
    assert rows(kept, "event") == 1
    last = kept.reader().estimates("lathe-04", BEGIN_S, BEGIN_S + DAY_S, 24)
    assert [point.time_s for point in last] == [BEGIN_S + 23 * 3600.0]


def test_a_clock_that_jumps_a_year_ahead_throws_nothing_away(kept: Record) -> None:
    live(kept, range(9))
    for hour in range(3):
        keep_up(kept, BEGIN_S + 365 * DAY_S + 3600.0 * hour)
    assert kept.reader().reading_count() >= 3 * len(said(0))
    keep_up(kept, BEGIN_S + 9 * DAY_S)  # the clock is right again
    kept.add(said(9))
    assert kept.reader().reading_count() >= 4 * len(said(0))


def test_a_round_is_due_once_an_hour_and_after_a_clock_that_went_back(kept: Record) -> None:
    kept.add(said(0))
    assert keep_up(kept, BEGIN_S + 3 * DAY_S) > 1
    assert keep_up(kept, BEGIN_S + 3 * DAY_S + 3599.0) == 1
    assert keep_up(kept, BEGIN_S + 3 * DAY_S + 3600.0) > 1
    assert keep_up(kept, BEGIN_S + 2 * DAY_S) > 1


def test_space_is_given_back_where_much_of_it_is_free(kept: Record, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("monitor.record.upkeep.FREE_BYTES", 32_768)
    monkeypatch.setattr("monitor.record.upkeep.BYTES_AT_ONCE", 65_536)
    for number in range(40):
        kept.save_checkpoint(BEGIN_S + number, bytes(random.Random(number).randbytes(100_000)))
    with kept.transaction():
        kept._db.execute("DELETE FROM checkpoint")
    pages = kept._db.execute("PRAGMA page_count").fetchone()[0]
    assert keep_up(kept, BEGIN_S) > 5
    left = kept._db.execute("PRAGMA page_count").fetchone()[0]
    assert left < pages / 2
    assert kept._db.execute("PRAGMA integrity_check").fetchone() == ("ok",)


def test_the_file_stops_growing_once_everything_has_its_age(tmp_path: Path) -> None:
    keeping = Keeping(5 * DAY_S, 10 * DAY_S, 15 * DAY_S, 5 * DAY_S, 10 * DAY_S, 10 * DAY_S)
    record = Record.open(tmp_path / "kept.db", now_s=BEGIN_S, keeping=keeping)
    sizes = []
    for day in range(80):
        at = (BEGIN_S - 1_930_339_800.0) / 60.0 + day * 1440.0
        record.save_forecasts([forecast(at + 60.0 * hour) for hour in range(24)])
        record.save_estimates([estimate(at + 60.0 * hour) for hour in range(24)])
        record.save_transitions([transition(day, alert(day, cleared_s=BEGIN_S + day * DAY_S))])
        record.add([], [entry(day, at)])
        live(record, range(day, day + 1))
        sizes.append(record._db.execute("PRAGMA page_count").fetchone()[0])
    assert max(sizes[40:]) <= max(sizes[:40]) + 2
    record.close()


def gone_and_left(record: Record) -> int:
    """Return how many readings count as gone and have not been deleted yet."""
    sql = "SELECT count(*) FROM sample, upkeep WHERE key / 1048576 < 1000.0 * readings_from_s"
    return int(record._db.execute(sql).fetchone()[0])


def test_readings_that_count_as_gone_leave_at_the_pace_they_came_in_unless_there_are_many(kept: Record) -> None:
    for day in range(14):
        kept.add(said(day))
    now_s = BEGIN_S + 14 * DAY_S
    for hour in range(7):  # the clock is believed by two days a round
        keep_up(kept, now_s + 3600.0 * hour)
    left = kept.reader().readings_from_s()
    assert left == BEGIN_S + 4 * DAY_S
    assert gone_and_left(kept) == 2 * len(said(0))
    before = gone_and_left(kept)
    went = []
    for number in range(1, 500):
        keep_up(kept, now_s + 25_000.0 + 100.0 * number)
        went.append(before - (before := gone_and_left(kept)))
    assert {one for one in went if one} == {4}  # four signals' worth of ten minutes, at most every 300 s
    assert 3 * sum(map(bool, went)) <= len(went) + 3
    assert next(one.time_s for one in kept.reader().readings(-math.inf, math.inf)) == left
    for number in range(20 * 288):
        keep_up(kept, now_s + DAY_S + 300.0 * number)
    assert kept.reader().reading_count() == 0


def test_nothing_goes_that_is_kept_for_ever(tmp_path: Path) -> None:
    keeping = Keeping(math.inf, math.inf, math.inf, math.inf, math.inf, math.inf)
    record = Record.open(tmp_path / "all.db", now_s=BEGIN_S, keeping=keeping)
    live(record, range(40))
    assert record.reader().reading_count() == 40 * len(said(0))
    assert record.reader().readings_from_s() is None
    assert (rows(record, "hourly"), rows(record, "daily")) == (39 * 24 * 4, 0)
    record.close()


def test_hours_that_are_kept_for_ever_stay_where_readings_go(tmp_path: Path) -> None:
    keeping = Keeping(5 * DAY_S, math.inf, math.inf)
    record = Record.open(tmp_path / "hours.db", now_s=BEGIN_S, keeping=keeping)
    live(record, range(20))
    assert record.reader().readings_from_s() == BEGIN_S + 15 * DAY_S
    assert (rows(record, "hourly"), rows(record, "daily")) == (19 * 24 * 4, 0)
    record.close()
