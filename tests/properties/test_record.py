"""Laws of the record: order and repetition do not matter, everything comes back as it was."""

from __future__ import annotations

import atexit
import math
import random
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from functools import cache
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.plant.reading import Entry, EntryKind, Quality, Reading, Signal
from monitor.plant.types import Plant
from monitor.record.csv_in import read_entries, read_readings
from monitor.record.csv_text import guard, unguard
from monitor.record.export import ON_TIME_S, export_entries, export_readings
from monitor.record.store import Record
from monitor.record.times import parse_time, write_time
from tests.unit.record.shop import make_plant

FEW = settings(max_examples=40, deadline=None)
MANY = settings(deadline=None)
ALWAYS = (-math.inf, math.inf)
FINITE = st.floats(allow_nan=False, allow_infinity=False)
TIMES = st.floats(1.0, 4e9) | st.integers(0, 4_000_000_000).map(float)
TEXTS = st.text(st.characters(exclude_categories=["Cs"]), max_size=30)
REASONS = TEXTS.map(lambda text: " ".join(text.split()))


@st.composite
def readings(
    draw: st.DrawFn, times: st.SearchStrategy[float] = TIMES, values: st.SearchStrategy[float] = FINITE
) -> Reading:
    """Draw any reading of the shop's sumps."""
    sump, signal = draw(
        st.sampled_from(
            [
                ("lathe-04", Signal.LEVEL),
                ("lathe-04", Signal.REFRACTOMETER),
                ("mill-07", Signal.LEVEL),
                ("mill-07", Signal.COOLANT_TEMPERATURE),
            ]
        )
    )
    value = draw(st.none() | values)
    reason = draw(REASONS.filter(bool) if value is None else st.just("") | REASONS)
    quality = draw(st.sampled_from(Quality))
    return Reading(sump, signal, value, draw(times), draw(TIMES), quality, reason)


def key(reading: Reading) -> tuple[float, str, Signal]:
    return reading.time_s, reading.sump, reading.signal


@cache
def shop() -> tuple[Plant, Path]:
    """Return the plant and an empty record to copy; both are made once."""
    folder = Path(tempfile.mkdtemp(prefix="bandkeeper-shop-"))
    atexit.register(shutil.rmtree, folder)
    Record.open(folder / "empty.db", now_s=0.0).close()
    return make_plant(folder), folder / "empty.db"


@contextmanager
def fresh() -> Iterator[tuple[Record, Path]]:
    """Give a record without readings and the folder it lies in."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        record = Record.open(Path(shutil.copy(shop()[1], folder / "bandkeeper.db")), now_s=0.0)
        try:
            yield record, folder
        finally:
            record.close()


def kept(batches: list[list[Reading]]) -> tuple[list[Reading], int]:
    """Return what a fresh record gives back after these batches, and how many it said were new."""
    with fresh() as (record, _):
        new = sum(len(record.add(batch).readings) for batch in batches)
        return list(record.reader().readings(*ALWAYS)), new


@FEW
@given(st.lists(readings(), max_size=30, unique_by=key), st.randoms(use_true_random=False))
def test_any_order_and_repetition_gives_the_same_record(some: list[Reading], luck: random.Random) -> None:
    shuffled = some * 2 + [reading for reading in some if luck.random() < 0.5]
    luck.shuffle(shuffled)
    cuts = sorted(luck.randrange(len(shuffled) + 1) for _ in range(4))
    batches = [shuffled[start:end] for start, end in zip([0, *cuts], [*cuts, len(shuffled)], strict=True)]
    in_order = sorted(some, key=key)
    assert kept(batches) == (in_order, len(some))


@FEW
@given(st.lists(readings(), max_size=30))
def test_of_readings_with_one_key_the_first_is_kept(some: list[Reading]) -> None:
    first: dict[object, Reading] = {}
    for reading in some:
        first.setdefault(key(reading), reading)
    assert kept([some[:7], some[7:]]) == (sorted(first.values(), key=key), len(first))


LEVELS = st.floats(0.0, 1e4) | st.integers(0, 9999).map(lambda tenths: tenths / 10 * 25.4)
CLOSE_TIMES = st.floats(1.93e9, 1.93e9 + 3000.0)


@FEW
@given(st.lists(readings(CLOSE_TIMES, LEVELS), max_size=20, unique_by=key))
def test_what_is_exported_is_read_back_bit_for_bit(some: list[Reading]) -> None:
    with fresh() as (record, folder):
        record.add(some)
        export_readings(record.reader(), shop()[0], folder / "R.csv.gz", *ALWAYS)
        rejected: list[object] = []
        found = list(read_readings(folder / "R.csv.gz", shop()[0], rejected.append))
    assert not rejected
    assert found == [on_time(reading) for reading in sorted(some, key=key)]


def on_time(reading: Reading) -> Reading:
    """Give a reading as an export says it: what came within the time that is waited for came at once."""
    late = reading.arrived_s - reading.time_s > ON_TIME_S
    return reading if late else replace(reading, arrived_s=reading.time_s)


AMOUNTS = st.none() | st.floats(0.0, 1e6)
ENTRIES = st.builds(
    Entry,
    id=st.uuids().map(str),
    sump=st.just("mill-07"),
    kind=st.just(EntryKind.TOP_UP),
    time_s=TIMES,
    logged_s=TIMES,
    volume_l=st.floats(0.0, 1e6),
    mix_pct=st.floats(0.0, 100.0),
    value=AMOUNTS,
    unit=st.just(""),
    note=TEXTS.map(lambda text: text.replace("\r", "\n").strip()),
)


@FEW
@given(st.lists(ENTRIES, max_size=10))
def test_the_log_book_is_exported_and_read_back_as_it_was(some: list[Entry]) -> None:
    with fresh() as (record, folder):
        record.add(entries=some)
        assert sorted(record.reader().entries(*ALWAYS), key=lambda one: one.id) == sorted(some, key=lambda one: one.id)
        export_entries(record.reader(), folder / "E.csv", *ALWAYS)
        rejected: list[object] = []
        found = list(read_entries(folder / "E.csv", shop()[0], rejected.append))
    assert not rejected
    assert sorted(map(repr, found)) == sorted(map(repr, some))


@MANY
@given(st.floats(1.0, 2.5e11) | st.floats(-6e10, -1.0) | TIMES)
def test_times_are_written_without_losing_a_bit(time_s: float) -> None:
    assert parse_time(write_time(time_s)) == time_s


@MANY
@given(st.text("'=+-@\t\ra 1") | TEXTS)
def test_a_guarded_text_is_harmless_and_comes_back(text: str) -> None:
    assert unguard(guard(text)) == text
    assert not guard(text).startswith(("=", "+", "-", "@", "\t", "\r"))


@MANY
@given(st.text(st.characters(exclude_characters="\0"), max_size=200))
def test_any_text_as_a_replay_file_ends_in_readings_and_reasons(text: str) -> None:
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "R.csv"
        file.write_bytes(b"time,sump,signal,value\n" + text.encode("utf-8", "surrogatepass"))
        rejected: list[object] = []
        assert list(read_readings(file, shop()[0], rejected.append)) == []
        lines = file.read_text("utf-8", errors="replace").splitlines()
        assert len(rejected) <= len(lines) + text.count("\r")
