"""JSON and number payloads, times: what is taken, and the words for what is not."""

from __future__ import annotations

import pytest

from adapters.parsers import parse_json, parse_number
from adapters.sample import PayloadError, Sample
from adapters.timestamps import parse_time, parse_time_text, too_far_ahead
from monitor.plant.reading import Quality


@pytest.mark.parametrize(
    ("payload", "sample"),
    [
        (b'{"t": "2031-03-03T21:30:00Z", "v": 251.4}', Sample(251.4, 1930339800.0)),
        (b'{"t": 1930339800, "v": 251}', Sample(251.0, 1930339800.0)),
        (b'{"t": "2031-03-03T22:30:00.250+01:00", "v": 251.4}', Sample(251.4, 1930339800.25)),
        (b' {"v":-3.5e2,"u":"mm","q":"doubtful","battery":{"v":3.1}}\n', Sample(-350.0, None, "mm", Quality.DOUBTFUL)),
        (b'{"v": null, "q": "bad"}', Sample(None, quality=Quality.BAD, reason="the device sent no value")),
        (b'{"v": 1, "t": null, "u": null, "q": null}', Sample(1.0)),
    ],
)
def test_json_payloads(payload: bytes, sample: Sample) -> None:
    assert parse_json(payload) == sample


@pytest.mark.parametrize(
    ("payload", "words"),
    [
        (b"", "no JSON"),
        (b"251.4", "a JSON number, not an object"),
        (b"[]", "a JSON list, not an object"),
        (b"null", "a JSON null, not an object"),
        (b'{"t": 1930339800}', 'no "v"'),
        (b'{"v": true}', "send 1 or 0"),
        (b'{"v": "251.4"}', "is a text, not a number"),
        (b'{"v": [1]}', "is a list, not a number"),
        (b'{"v": NaN}', "NaN is no JSON number"),
        (b'{"v": -Infinity}', "-Infinity is no JSON number"),
        (b'{"v": 1e999}', "inf"),
        (b'{"v": 1000000001}', "nothing in a sump"),
        (b'{"v": 1, "v": 2}', "twice"),
        (b'{"v": 1,}', "no JSON"),
        (b'{"v": 1} {"v": 2}', "no JSON"),
        (b'{"v": 01}', "no JSON"),
        (b"\xff\xfe{\x00", "not UTF-8"),
        (b'{"v": 1, "u": 5}', '"u" is no unit'),
        (b'{"v": 1, "u": ""}', '"u" is no unit'),
        (b'{"v": 1, "q": "fine"}', '"good", "doubtful" or "bad"'),
        (b'{"v": 1, "q": 1}', '"good", "doubtful" or "bad"'),
        (b'{"v": 1, "t": true}', "not a time"),
        (b'{"v": 1, "t": "2031-03-03T21:30:00"}', "with an offset"),
        (b'{"v": 1, "t": "yesterday"}', "with an offset"),
        (b'{"v": 1, "t": "2031-02-30T21:30:00Z"}', "does not exist"),
        (b'{"v": 1, "t": 1930339800000}', "milliseconds?"),
        (b'{"v": 1, "t": 12}', "before the year 2000"),
        (b'{"v": ' + b" " * 65536 + b"1}", "at most 65536"),
        (b'{"x": ' + b"[" * 20 + b"]" * 20 + b', "v": 1}', "nested deeper"),
    ],
)
def test_json_refusals_say_what_would_be_right(payload: bytes, words: str) -> None:
    with pytest.raises(PayloadError) as refused:
        parse_json(payload)
    assert words in str(refused.value)
    assert len(str(refused.value)) < 300


def test_brackets_inside_a_text_are_not_depth() -> None:
    assert parse_json(b'{"note": "' + b"[{" * 40 + b'\\"[", "v": 1}').value == 1


@pytest.mark.parametrize(("payload", "value"), [(b"251.4", 251.4), (b" -3\r\n", -3), (b"+.5e1", 5), (b"7.", 7)])
def test_bare_numbers(payload: bytes, value: float) -> None:
    assert parse_number(payload) == Sample(value)


@pytest.mark.parametrize(
    "payload",
    [b"", b"1,5", b"1_000", b"nan", b"inf", b"0x10", b"1 2", b"12 mm", "١٢".encode(), b"1e999", b"9" * 70_000],
)
def test_what_is_no_bare_number(payload: bytes) -> None:
    with pytest.raises(PayloadError):
        parse_number(payload)


def test_times() -> None:
    assert parse_time("2031-03-03t21:30:00z") == 1930339800
    assert parse_time("2016-12-31T23:59:60Z") == parse_time("2017-01-01T00:00:00Z")
    assert parse_time_text("1930339800.5") == 1930339800.5
    assert parse_time_text("2031-03-03 21:30:00+00:00") == 1930339800
    for wrong in ("2031-03-03T25:00:00Z", "2031-03-03T21:30:61Z", "2031-03-03T21:30:00+25:00", "0000-01-01T00:00:00Z"):
        with pytest.raises(PayloadError):
            parse_time(wrong)


def test_the_future_begins_after_five_minutes() -> None:
    assert not too_far_ahead(1_000_300.0, 1_000_000.0)
    assert too_far_ahead(1_000_300.1, 1_000_000.0)
