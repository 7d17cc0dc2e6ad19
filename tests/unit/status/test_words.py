"""Times and chances in words: the plant's own clock, also on the nights it changes."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from monitor.status.words import NBSP, ago, ahead, at, chances, count, early_late, likely, signal_name, span
from tests.fixtures.board import NOW_S, STORIES, forecast

LISBON = "Europe/Lisbon"


def _plain(text: str) -> str:
    return text.replace(NBSP, " ")


@pytest.mark.parametrize(
    ("hours", "words"),
    [(0, "21:10"), (2, "23:10"), (3, "Sat 00:10"), (-22, "Thu 23:10"), (20, "Sat 17:10"), (24 * 8, "Sat 15 Mar")],
)
def test_moments_as_people_say_them(hours: float, words: str) -> None:
    assert _plain(at(NOW_S + hours * 3600, NOW_S, LISBON)) == words


def test_a_moment_that_never_comes_and_one_that_has_come() -> None:
    assert at(math.inf, NOW_S, LISBON) == "later"
    assert ahead(NOW_S - 900, NOW_S, LISBON) == "now"
    assert _plain(ahead(NOW_S + 7200, NOW_S, LISBON)) == "23:10"


def test_the_same_wall_time_before_and_after_the_clock_change() -> None:
    saturday = 1932552000.0  # Sat 2031-03-29 12:00 UTC; Lisbon changes that night
    assert _plain(at(saturday, saturday, LISBON)) == "12:00"
    assert _plain(at(saturday + 24 * 3600, saturday, LISBON)) == "Sun 13:00"


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(10, "1 min"), (600, "10 min"), (5 * 3600, "5 h"), (47 * 3600, "47 h"), (3 * 86400, "3 days")],
)
def test_lengths_of_time(seconds: float, words: str) -> None:
    assert span(seconds) == words


def test_how_long_ago() -> None:
    assert ago(NOW_S - 30, NOW_S) == "just now"
    assert ago(NOW_S - 720, NOW_S) == "12 min ago"


def test_a_forecast_in_words() -> None:
    made = forecast(STORIES[0])
    assert made is not None
    assert _plain(likely(made, NOW_S, LISBON)) == "Likely too rich Sat 17:10"
    assert _plain(early_late(made, NOW_S, LISBON)) == "early Sat 08:24, late Sun 08:46"
    assert _plain(chances(made, NOW_S + 10 * 3600, NOW_S, LISBON)) == "1 of 20 chances before Sat 07:10"


def test_a_forecast_beyond_its_horizon() -> None:
    made = forecast(STORIES[0])
    assert made is not None
    far = replace(made, exit_p10_h=100.0, exit_p50_h=240.0, exit_p90_h=240.0)
    assert likely(far, NOW_S, LISBON) == "Stays inside for the next 10 days, more likely than not"
    assert _plain(early_late(far, NOW_S, LISBON)).endswith("late after 10 days")
    never = replace(far, exit_p10_h=240.0)
    assert early_late(never, NOW_S, LISBON) == ""


def test_small_words() -> None:
    assert (count(1, "sump"), count(2, "sump"), count(2, "is", "are")) == ("1 sump", "2 sumps", "2 are")
    assert (signal_name("make_up_meter"), signal_name("ph"), signal_name("")) == ("Make-up meter", "pH", "Signal")
