from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from monitor.record.checkpoints import NEWEST_KEPT, REACH_S, SPACING_S, worth_keeping
from monitor.record.store import Record
from tests.unit.record.things import T0, entry, reading


def test_the_latest_is_given_and_one_before_a_time(record: Record) -> None:
    reader = record.reader()
    assert reader.latest_checkpoint() is None
    record.save_checkpoint(T0, b"first")
    record.save_checkpoint(T0 + 60, b"second")
    record.save_checkpoint(T0 + 60, b"second, again")
    assert reader.latest_checkpoint() == (T0 + 60, b"second, again")
    assert reader.latest_checkpoint(before_s=T0 + 60) == (T0, b"first")
    assert reader.latest_checkpoint(before_s=T0) is None


def test_a_late_reading_drops_the_checkpoints_that_should_have_known_of_it(record: Record) -> None:
    for minute in (10, 20, 30):
        record.save_checkpoint(T0 + 60 * minute, b"%d" % minute)
    reader = record.reader()
    record.add([reading(31)])
    assert reader.latest_checkpoint() == (T0 + 1800, b"30")
    record.add([reading(20)])
    assert reader.latest_checkpoint() == (T0 + 600, b"10")
    record.add([reading(20)])  # doubled: nothing new, nothing dropped
    record.save_checkpoint(T0 + 1800, b"30 again")
    record.add([reading(20)])
    assert reader.latest_checkpoint() == (T0 + 1800, b"30 again")


def test_an_entry_logged_late_drops_them_too(record: Record) -> None:
    record.save_checkpoint(T0 + 600, b"10")
    record.save_checkpoint(T0 + 1200, b"20")
    record.add([reading(40)], [entry(1, minute=15)])
    assert record.reader().latest_checkpoint() == (T0 + 600, b"10")


def test_what_is_too_old_to_move_the_estimates_drops_none(record: Record) -> None:
    record.save_checkpoint(T0 + 600, b"10")
    record.add([reading(-9000)], revisable_from_s=T0 - 3600)
    assert record.reader().latest_checkpoint() == (T0 + 600, b"10")
    record.add([reading(-30), reading(-9001)], revisable_from_s=T0 - 3600)
    assert record.reader().latest_checkpoint() is None


def test_old_checkpoints_are_thinned_and_their_number_is_bounded(record: Record) -> None:
    hourly = [T0 + 3600.0 * hour for hour in range(24 * 20)]
    with record.transaction():
        for time_s in hourly:
            record.save_checkpoint(time_s, b"state")
    kept = []
    before_s: float | None = None
    while (found := record.reader().latest_checkpoint(before_s)) is not None:
        before_s = found[0]
        kept.append(before_s)
    assert kept[:NEWEST_KEPT] == hourly[: -NEWEST_KEPT - 1 : -1]
    assert len(kept) <= NEWEST_KEPT + REACH_S / SPACING_S + 1
    assert hourly[-1] - kept[-1] >= REACH_S - SPACING_S
    gaps = [later - earlier for later, earlier in zip(kept[NEWEST_KEPT:], kept[NEWEST_KEPT + 1 :], strict=False)]
    assert max(gaps) <= SPACING_S


def test_a_few_are_all_kept() -> None:
    assert worth_keeping([3.0, 2.0, 1.0]) == [3.0, 2.0, 1.0]


def test_a_body_does_not_stay_in_memory_once_it_is_stored(tmp_path: Path) -> None:
    program = """
import sys
from pathlib import Path
from monitor.give_back import give_back
from monitor.record.store import Record
def resident_mb():
    return next(float(line.split()[1]) for line in open("/proc/self/status") if line.startswith("VmRSS")) / 1024
record = Record.open(Path(sys.argv[1]), now_s=1.9e9)
give_back()
before = resident_mb()
record.save_checkpoint(1.9e9, bytes(64 << 20))
give_back()
print(resident_mb() - before)
record.close()
"""
    command = [sys.executable, "-c", program, str(tmp_path / "record.db")]
    ran = subprocess.run(command, capture_output=True, text=True, check=True)
    assert float(ran.stdout) < 24.0, "64 MB were stored"
