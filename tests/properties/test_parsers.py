"""Laws of the parsers: no input crashes them, nothing that is not finite passes, framing does not hang on the split."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters.intake import Batch, Intake, Piece
from adapters.lines import JOINED, LONGEST, Framing, Line, LinePattern, frame, unfinished
from adapters.parsers import MOST_BYTES, load_json, parse_json, parse_number
from adapters.payloads import PAYLOADS
from adapters.routes import Route
from adapters.sample import PayloadError, Sample
from adapters.timestamps import parse_rfc3339, parse_time
from monitor.plant.reading import Signal
from tests.fixtures.plants import signal

NOW_S = 1_930_000_000.0
FINITE = st.floats(min_value=-1e8, max_value=1e8)
JSON = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=20),
    lambda inner: (
        st.lists(inner, max_size=4) | st.dictionaries(st.sampled_from("tvuqnbx") | st.text(max_size=4), inner)
    ),
    max_leaves=12,
)
BYTES_LIKE_JSON = st.binary(max_size=200) | JSON.map(lambda value: json.dumps(value).encode())
STREAM = st.lists(
    st.sampled_from([b"L1 251.4 mm", b"\r", b"\n", b"\r\n", b"\x00", b"\xff", b" ", b"x" * 200, b"y" * 57])
    | st.binary(max_size=9),
    max_size=30,
).map(b"".join)


def cut(data: bytes, places: Sequence[int]) -> list[bytes]:
    edges = [0, *sorted(place % (len(data) + 1) for place in places), len(data)]
    return [data[low:high] for low, high in pairwise(edges)]


def framed(pieces: Sequence[bytes], start: Framing) -> tuple[list[Line], list[Line]]:
    framing, lines = start, []
    for piece in pieces:
        framing, more = frame(framing, piece)
        lines += more
    return lines, unfinished(framing)


@given(STREAM, st.lists(st.integers(0, 5000), max_size=12), st.sampled_from([Framing(), JOINED]))
def test_lines_do_not_depend_on_how_the_bytes_are_split(data: bytes, places: list[int], start: Framing) -> None:
    assert framed(cut(data, places), start) == framed([data], start)


@given(STREAM)
def test_no_byte_of_a_clean_short_line_is_lost_and_long_ones_are_cut(data: bytes) -> None:
    lines, rest = framed([data], Framing())
    expected = [raw for raw in data.replace(b"\r", b"\n").split(b"\n") if raw]
    assert [line.raw for line in (*lines, *rest)] == [raw[:LONGEST] for raw in expected]
    for line, raw in zip(lines, expected, strict=False):
        clean = len(raw) <= LONGEST and all(byte == 9 or 32 <= byte < 127 for byte in raw)
        assert (line.fault == "") is clean


@given(STREAM)
def test_the_buffer_stays_small(data: bytes) -> None:
    framing, _ = frame(Framing(), data * 20)
    assert len(framing.rest) <= LONGEST + 1


@given(BYTES_LIKE_JSON, st.sampled_from(sorted(PAYLOADS)))
def test_no_payload_crashes_a_parser_or_brings_a_value_that_is_not_finite(payload: bytes, form: str) -> None:
    selector = {"iolink": "bit=0&length=8", "senml": ""}.get(form, "")
    try:
        content = PAYLOADS[form].read(payload, NOW_S)
        samples = PAYLOADS[form].pick(content, selector)
    except PayloadError:
        return
    for sample in samples:
        assert sample.value is None or math.isfinite(sample.value)
        assert sample.time_s is None or math.isfinite(sample.time_s)


@given(BYTES_LIKE_JSON, st.sampled_from(sorted(PAYLOADS)), st.booleans())
def test_every_payload_ends_as_readings_or_as_a_refusal(payload: bytes, form: str, retained: bool) -> None:
    route = Route("lathe-04", signal(Signal.LEVEL, "hall", "a", "mm"), "bit=0&length=8" if form == "iolink" else "")
    batch = Batch()
    Intake("hall", {"a": (route,)}, PAYLOADS[form]).take(batch, Piece("a", payload, NOW_S, retained))
    assert batch.readings or batch.rejected
    assert not any("own fault" in refused.why for refused in batch.rejected)
    for reading in batch.readings:
        assert reading.value is None or math.isfinite(reading.value)
        assert reading.time_s <= NOW_S + 300


@given(FINITE, st.sampled_from(["good", "doubtful", "bad"]), st.integers(946_684_800, 4_000_000_000))
def test_json_says_what_the_device_said(value: float, quality: str, time_s: int) -> None:
    sample = parse_json(json.dumps({"t": time_s, "v": value, "q": quality}).encode())
    assert (sample.value, sample.time_s, sample.quality.value) == (value, float(time_s), quality)


@given(FINITE)
def test_a_bare_number_is_read_as_written(value: float) -> None:
    assert parse_number(repr(value).encode()) == Sample(value)


@given(
    st.sampled_from(
        ["NaN", "Infinity", "-Infinity", "1e999", "-1e999", "true", "false", '"1"', "[1]", "{}", "1e10", "1" * 400]
    )
)
def test_no_value_that_is_not_a_finite_possible_number(text: str) -> None:
    with pytest.raises(PayloadError):
        parse_json(b'{"v": ' + text.encode() + b"}")


@given(st.integers(17, 30_000), st.sampled_from([b"[", b'{"a":', b'[{"v":']))
def test_deep_json_is_refused_without_recursion(depth: int, opening: bytes) -> None:
    payload = (opening * depth)[:MOST_BYTES]
    with pytest.raises(PayloadError):
        load_json(payload)


@given(st.datetimes(), st.integers(-14 * 60, 14 * 60))
def test_rfc_3339_is_read_as_the_standard_library_writes_it(moment: object, offset_min: int) -> None:
    from datetime import UTC, datetime, timedelta, timezone

    assert isinstance(moment, datetime)
    year = 1900 + moment.year % 300
    there = moment.replace(year=year, day=min(moment.day, 28), tzinfo=timezone(timedelta(minutes=offset_min)))
    assert parse_rfc3339(there.isoformat()) == pytest.approx(there.astimezone(UTC).timestamp(), abs=1e-5)


@given(st.text(max_size=30) | st.floats() | st.none() | st.booleans() | st.binary(max_size=4))
def test_no_time_crashes(raw: object) -> None:
    try:
        time_s = parse_time(raw)
    except PayloadError:
        return
    assert 946_684_800 <= time_s <= 10_000_000_000


@given(st.text(st.characters(codec="ascii"), max_size=60))
def test_no_line_crashes_the_pattern(text: str) -> None:
    pattern = LinePattern(r"(?P<channel>\w+) (?P<value>\S+)(?: (?P<time>\S+))?(?: (?P<status>\S+))?", decimal=",")
    try:
        said = pattern.read(Line(text.encode()))
    except PayloadError:
        return
    assert said.value.value is not None
    assert math.isfinite(said.value.value)
