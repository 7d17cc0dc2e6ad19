from __future__ import annotations

import pytest

from monitor.record.times import parse_time, write_time


@pytest.mark.parametrize(
    ("text", "time_s"),
    [
        ("1970-01-01T00:00:00Z", 0.0),
        ("2031-03-03T21:30:00+00:00", 1_930_339_800.0),
        ("2031-03-03t22:30:00+01:00", 1_930_339_800.0),
        ("2031-03-03 16:00:00-05:30", 1_930_339_800.0),
        ("2031-03-03T21:30:00.5Z", 1_930_339_800.5),
        ("2031-03-03T21:30:00.123456789Z", 1_930_339_800.123456789),
        ("1969-12-31T23:59:59.75Z", -0.25),
        ("1985-04-12T23:20:50.52Z", 482_196_050.52),  # RFC 3339, section 5.8
        ("1996-12-19T16:39:57-08:00", 851_042_397.0),  # RFC 3339, section 5.8
        ("1937-01-01T12:00:27.87+00:20", -1_041_337_172.13),  # RFC 3339, section 5.8
    ],
)
def test_rfc_3339_texts_are_read(text: str, time_s: float) -> None:
    assert parse_time(text) == time_s


@pytest.mark.parametrize(
    "text",
    [
        "",
        "2031-03-03",
        "2031-03-03T21:30:00",
        "2031-03-03T21:30Z",
        "20310303T213000Z",
        "2031-W10-1T21:30:00Z",
        "2031-03-03T21:30:00.Z",
        "2031-03-03T21:30:00+0000",
        "2031-13-03T21:30:00Z",
        "2031-03-03T24:30:00Z",
        "2031-03-03T21:30:00+99:00",
        "٢٠٣١-03-03T21:30:00Z",
        "1930339800",
        " 2031-03-03T21:30:00Z",
        "0000-01-01T00:00:00Z",
    ],
)
def test_other_texts_are_refused(text: str) -> None:
    with pytest.raises(ValueError, match="time "):
        parse_time(text)


@pytest.mark.parametrize(
    ("time_s", "text"),
    [
        (1_930_339_800.0, "2031-03-03T21:30:00+00:00"),
        (1_930_339_800.5, "2031-03-03T21:30:00.5+00:00"),
        (1_930_339_800.1234567, "2031-03-03T21:30:00.1234567+00:00"),
        (-0.25, "1969-12-31T23:59:59.75+00:00"),
        (-1.0, "1969-12-31T23:59:59+00:00"),
    ],
)
def test_times_are_written_with_as_many_decimals_as_they_need(time_s: float, text: str) -> None:
    assert write_time(time_s) == text
