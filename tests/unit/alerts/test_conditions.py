"""When something asks for somebody: the rule of the last good moment, dead bands, priorities."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from alerts.conditions import Condition, find_conditions, latest_loss_jump
from alerts.types import AlertKind, Priority
from monitor.model.types import Estimate, Event, EventKind, Forecast, Side
from monitor.plant.calendar import always, never
from monitor.plant.people import Alerting, Calling
from monitor.plant.reading import Signal
from tests.unit.alerts.hall import DAY, HOUR, MONDAY, a_forecast, a_plant, a_sump, an_estimate

SUMP = a_sump()
PLANT = a_plant(SUMP)
LEAVES, OUTSIDE = AlertKind.LEAVES_BAND_UNATTENDED, AlertKind.OUTSIDE_BAND


def a_leaving(exit_h: float, now_s: float, **changes: Any) -> tuple[Estimate, Forecast]:
    """Forecast an exit on the rich side whose twenty dots lie from 0.7 to 1.3 times `exit_h`."""
    estimate = an_estimate(300.0, 9.0, now_s)
    dots = tuple(min(exit_h * (0.7 + 0.6 * (i + 0.5) / 20), 240.0) for i in range(20))
    forecast = replace(
        a_forecast(estimate),
        exit_p10_h=(dots[1] + dots[2]) / 2,
        exit_p50_h=exit_h,
        exit_p90_h=(dots[17] + dots[18]) / 2,
        dots_h=dots,
        side=Side.RICH,
        side_share={Side.RICH: 1.0},
    )
    return estimate, replace(forecast, **changes)


def found(
    kind: AlertKind, now_s: float, estimate: Estimate, forecast: Forecast | None, **plant: Any
) -> Condition | None:
    every = find_conditions(replace(PLANT, **plant), SUMP, estimate, forecast, (), now_s)
    return next((condition for condition in every if condition.kind is kind), None)


@pytest.mark.parametrize(
    ("hour", "exit_h", "expected"),
    [
        (18.0, 10.0, True),  # leaves at 04:00, somebody is back at 06:00
        (18.0, 3.0, True),  # leaves at 21:00: the last round still can prevent it
        (18.0, 30.0, False),  # holds until tomorrow's midnight: somebody is back before
        (10.0, 14.0, False),  # leaves at midnight, but it is the middle of the shift
        (17.9, 10.0, False),  # a little before the last good moments
        (23.0, 4.0, True),  # at night it stays
        (23.0, 12.0, False),  # at night, but it holds until the morning
        (5.0, 3.0, False),  # an hour before somebody is back
    ],
)
def test_leaves_before_somebody_is_back_at_the_last_good_moment(hour: float, exit_h: float, expected: bool) -> None:
    now = MONDAY + hour * HOUR
    condition = found(LEAVES, now, *a_leaving(exit_h, now))
    assert (condition is not None and condition.enter) is expected


def test_before_the_weekend_somebody_is_back_on_monday() -> None:
    friday = MONDAY + 4 * DAY + 18 * HOUR
    condition = found(LEAVES, friday, *a_leaving(50.0, friday))
    assert condition is not None
    assert condition.enter
    assert "before somebody is back (Mon 06:00)" in condition.text


def test_the_sentence_names_sump_side_times_and_chance() -> None:
    now = MONDAY + 18 * HOUR
    condition = found(LEAVES, now, *a_leaving(11.0, now))
    assert condition is not None
    assert condition.side is Side.RICH
    assert condition.exit_p50_h == 11.0
    assert condition.text == (
        "lathe-04 goes rich (above its band) before somebody is back (Tue 06:00) with a chance of 13 of 20: "
        "early Tue 02:15, likely Tue 05:00, late Tue 07:45."
    )


def test_it_enters_when_the_chance_is_worth_a_call_and_stands_while_one_dot_does() -> None:
    now = MONDAY + 18 * HOUR
    chances = {}
    for exit_h in (12.7, 13.0, 16.5, 17.2):
        condition = found(LEAVES, now, *a_leaving(exit_h, now))
        chances[exit_h] = (
            None if condition is None else (condition.text.partition(" of 20")[0].split()[-1], condition.enter)
        )
    assert chances == {12.7: ("8", True), 13.0: ("7", False), 16.5: ("1", False), 17.2: None}


@pytest.mark.parametrize(
    ("side", "hour", "count", "expected"),
    [
        (Side.RICH, 18.0, 8, True),
        (Side.RICH, 18.0, 7, False),
        (Side.LEAN, 18.0, 8, True),
        (Side.LOW, 18.0, 4, True),  # the pump would draw air: less is enough
        (Side.LOW, 18.0, 3, False),
        (Side.RICH, 23.0, 9, False),  # somebody would be woken: it takes more
        (Side.RICH, 23.0, 10, True),
        (Side.LOW, 23.0, 5, False),
        (Side.LOW, 23.0, 6, True),
    ],
)
def test_what_is_worth_a_call_hangs_on_consequence_and_on_who_is_there(
    side: Side, hour: float, count: int, expected: bool
) -> None:
    now = MONDAY + hour * HOUR
    dots = (1.0,) * count + (100.0,) * (20 - count)
    told = {"dots_h": dots, "exit_p10_h": 1.0, "side": side, "side_share": {side: 1.0}}
    condition = found(LEAVES, now, *a_leaving(100.0, now, **told))
    assert condition is not None
    assert condition.enter is expected


def test_the_plant_file_says_what_is_worth_a_call() -> None:
    now = MONDAY + 18 * HOUR
    bold = Alerting(calling=Calling(chance_attended=0.1, lead_s=2 * HOUR))
    assert found(LEAVES, now, *a_leaving(15.0, now), alerting=bold) is None, "too early"
    later = now + 2 * HOUR
    condition = found(LEAVES, later, *a_leaving(13.0, later), alerting=bold)
    assert condition is not None
    assert condition.enter


def test_hours_since_the_forecast_was_made_count() -> None:
    made, now = MONDAY + 12 * HOUR, MONDAY + 18 * HOUR
    condition = found(LEAVES, now, *a_leaving(15.0, made))
    assert condition is not None
    assert condition.exit_p50_h == 9.0


@pytest.mark.parametrize(("exit_h", "expected"), [(3.0, True), (9.0, False)])
def test_where_somebody_is_always_there_the_lead_stands_in(exit_h: float, expected: bool) -> None:
    now = MONDAY + 10 * HOUR
    condition = found(LEAVES, now, *a_leaving(exit_h, now), attended=always("UTC"))
    assert (condition is not None and condition.enter) is expected


def test_where_nobody_ever_is_a_day_stands_in() -> None:
    now = MONDAY + 10 * HOUR
    condition = found(LEAVES, now, *a_leaving(20.0, now), attended=never("UTC"))
    assert condition is not None
    assert "within 24 h" in condition.text


def test_an_exit_beyond_the_horizon_is_no_exit_however_long_nobody_comes() -> None:
    now = MONDAY + 18 * HOUR
    never_leaves = a_leaving(11.0, now, exit_p10_h=240.0, exit_p50_h=240.0, dots_h=(240.0,) * 20)
    assert found(LEAVES, now, *never_leaves) is None


@pytest.mark.parametrize(
    ("side", "hour", "exit_h", "expected"),
    [
        (Side.RICH, 18.0, 9.0, Priority.MEDIUM),
        (Side.RICH, 18.0, 15.0, Priority.LOW),  # a few of twenty
        (Side.RICH, 23.0, 3.0, Priority.LOW),  # nobody is woken for a strong mix
        (Side.LOW, 18.0, 15.0, Priority.MEDIUM),
        (Side.LOW, 18.0, 10.0, Priority.HIGH),  # the last round can still do it
        (Side.LOW, 23.0, 3.0, Priority.HIGH),  # a pump that draws air is worth a call
        (Side.LOW, 24.0 * 5, 30.0, Priority.MEDIUM),  # but on Friday night nobody is woken for Sunday
        (Side.LOW, 24.0 * 5, 5.2, Priority.HIGH),  # four hours before the earliest in ten
        (Side.LOW, 24.0 * 5, 5.4, Priority.MEDIUM),
    ],
)
def test_priority_follows_consequence_and_time(side: Side, hour: float, exit_h: float, expected: Priority) -> None:
    now = MONDAY + hour * HOUR
    estimate, forecast = a_leaving(exit_h, now, side=side, side_share={side: 1.0})
    condition = found(LEAVES, now, estimate, forecast)
    assert condition is not None
    assert condition.priority is expected


def test_where_the_forecast_names_no_side_the_likeliest_is_taken() -> None:
    now = MONDAY + 18 * HOUR
    shares = {Side.NONE: 0.6, Side.LEAN: 0.3, Side.LOW: 0.1}
    condition = found(LEAVES, now, *a_leaving(11.0, now, side=Side.NONE, side_share=shares))
    assert condition is not None
    assert condition.side is Side.LEAN


@pytest.mark.parametrize(
    ("volume_l", "pct", "side", "enter"),
    [
        (300.0, 10.3, Side.RICH, True),
        (300.0, 10.02, Side.RICH, False),  # out, but not surely: only keeps an alert open
        (300.0, 9.85, Side.RICH, False),  # inside, but not by a twentieth of the band
        (300.0, 5.7, Side.LEAN, True),
        (195.0, 8.0, Side.LOW, True),
        (195.0, 10.3, Side.LOW, True),  # the pump comes first
        (205.0, 8.0, Side.LOW, False),
    ],
)
def test_outside_enters_surely_and_leaves_by_a_margin(volume_l: float, pct: float, side: Side, enter: bool) -> None:
    now = MONDAY + 10 * HOUR
    condition = found(OUTSIDE, now, an_estimate(volume_l, pct, now), None)
    assert condition is not None
    assert (condition.side, condition.enter) == (side, enter)


@pytest.mark.parametrize(("volume_l", "pct"), [(300.0, 9.7), (300.0, 8.0), (212.0, 8.0), (300.0, 6.3)])
def test_well_inside_is_not_outside(volume_l: float, pct: float) -> None:
    now = MONDAY + 10 * HOUR
    assert found(OUTSIDE, now, an_estimate(volume_l, pct, now), None) is None


def test_a_strength_that_enters_comes_before_a_level_that_only_keeps() -> None:
    now = MONDAY + 10 * HOUR
    condition = found(OUTSIDE, now, an_estimate(206.0, 10.4, now), None)
    assert condition is not None
    assert condition.side is Side.RICH


def test_outside_says_how_far_and_how_sure() -> None:
    now = MONDAY + 10 * HOUR
    rich, low = (found(OUTSIDE, now, an_estimate(*state, now), None) for state in ((300.0, 10.3), (195.0, 8.0)))
    assert rich is not None
    assert rich.text == "lathe-04 is rich: 10.3 %, its band is 6.0 % to 10.0 % (20 of 20 sure)."
    assert low is not None
    assert "at 195 L, 156 mm on the gauge at rest; its lowest is 200 L" in low.text


def test_far_outside_is_urgent() -> None:
    now = MONDAY + 10 * HOUR
    near, far = (found(OUTSIDE, now, an_estimate(300.0, pct, now), None) for pct in (10.5, 12.5))
    assert near is not None
    assert near.priority is Priority.MEDIUM
    assert far is not None
    assert far.priority is Priority.HIGH


def test_a_sump_that_is_surely_outside_does_not_also_leave() -> None:
    now = MONDAY + 18 * HOUR
    estimate = an_estimate(300.0, 10.5, now)
    kinds = [c.kind for c in find_conditions(PLANT, SUMP, estimate, a_forecast(estimate), (), now)]
    assert kinds == [OUTSIDE]


def test_an_unknown_sump_is_neither_inside_nor_outside() -> None:
    now = MONDAY + 18 * HOUR
    estimate = an_estimate(0.0, 0.0, now, known=False, silent=(Signal.LEVEL,), last_heard_s={})
    (condition,) = find_conditions(PLANT, SUMP, estimate, None, (), now)
    assert condition.kind is AlertKind.SIGNAL_SILENT
    assert "was not heard yet" in condition.text


def a_jump(detected_s: float, confidence: float = 0.9, sump: str = "lathe-04") -> Event:
    return Event(
        f"e{detected_s}", sump, EventKind.LOSS_JUMP, detected_s - HOUR, detected_s, 40.0, None, confidence, "leak"
    )


@pytest.mark.parametrize(
    ("age_h", "confidence", "expected"), [(1.0, 0.9, True), (23.0, 0.9, True), (25.0, 0.9, None), (1.0, 0.3, False)]
)
def test_a_loss_jump_stands_for_a_day(age_h: float, confidence: float, expected: bool | None) -> None:
    now = MONDAY + 18 * HOUR
    estimate = an_estimate(300.0, 8.0, now)
    every = find_conditions(PLANT, SUMP, estimate, None, [a_jump(now - age_h * HOUR, confidence)], now)
    jump = next((c for c in every if c.kind is AlertKind.LOSS_JUMP), None)
    assert (None if jump is None else jump.enter) is expected


def test_a_loss_jump_of_another_sump_is_not_ours() -> None:
    now = MONDAY + 18 * HOUR
    assert find_conditions(PLANT, SUMP, an_estimate(300.0, 8.0, now), None, [a_jump(now, sump="mill-02")], now) == ()


def test_the_latest_loss_jump_counts() -> None:
    now = MONDAY + 18 * HOUR
    jumps = [a_jump(now - 5 * HOUR), a_jump(now - 2 * HOUR), a_jump(now + HOUR)]
    assert latest_loss_jump(jumps, now) == jumps[1]
    assert latest_loss_jump([], now) is None


def test_a_loss_that_empties_the_sump_before_somebody_is_back_is_urgent() -> None:
    now = MONDAY + 18 * HOUR
    soon, later = (
        next(
            c
            for c in find_conditions(PLANT, SUMP, *a_leaving(exit_h, now), [a_jump(now)], now)
            if c.kind is AlertKind.LOSS_JUMP
        )
        for exit_h in (8.0, 90.0)
    )
    assert (soon.priority, later.priority) == (Priority.HIGH, Priority.MEDIUM)


def test_silent_and_doubtful_signals_name_themselves_and_what_to_do() -> None:
    now = MONDAY + 10 * HOUR
    estimate = an_estimate(
        300.0,
        8.0,
        now,
        silent=(Signal.LEVEL,),
        doubtful=(Signal.REFRACTOMETER,),
        last_heard_s={Signal.LEVEL: now - 2 * HOUR},
    )
    doubt = Event(
        "d1", "lathe-04", EventKind.DOUBTFUL_SIGNAL, now, now, None, None, 0.8, "refractometer stuck at 5.2 degBx."
    )
    silent, doubtful = find_conditions(PLANT, SUMP, estimate, None, [doubt], now)
    assert (silent.kind, silent.subject) == (AlertKind.SIGNAL_SILENT, "level")
    assert "silent since Mon 08:00" in silent.text
    assert "read the sight glass" in silent.text
    assert (doubtful.kind, doubtful.subject) == (AlertKind.SIGNAL_DOUBTFUL, "refractometer")
    assert "(refractometer stuck at 5.2 degBx)" in doubtful.text
    assert "hand refractometer check" in doubtful.text


def test_signals_that_fell_silent_together_are_one_alert() -> None:
    now = MONDAY + 10 * HOUR
    both = (Signal.LEVEL, Signal.REFRACTOMETER)
    together = an_estimate(
        300.0, 8.0, now, silent=both, last_heard_s={Signal.LEVEL: now - 2 * HOUR, Signal.REFRACTOMETER: now - 7100.0}
    )
    apart = replace(together, last_heard_s={Signal.LEVEL: now - 2 * HOUR, Signal.REFRACTOMETER: now - 9 * HOUR})
    one = find_conditions(PLANT, SUMP, together, None, (), now)
    assert [(c.subject, c.enter) for c in one] == [("level", True), ("refractometer", False)]
    assert "the level and refractometer signals are silent since Mon 08:00" in one[0].text
    assert [c.enter for c in find_conditions(PLANT, SUMP, apart, None, (), now)] == [True, True]


def test_a_forecast_whose_course_the_sump_has_left_raises_nothing() -> None:
    made, now = MONDAY + 21 * HOUR, MONDAY + 21.75 * HOUR
    _, forecast = a_leaving(4.0, made)
    topped_up = an_estimate(390.0, 8.0, now)
    condition = found(LEAVES, now, topped_up, forecast)
    assert condition is not None
    assert not condition.enter


@pytest.mark.parametrize(
    ("calling", "strength", "enter"),
    [
        (Calling(), 9.85, False),  # outside for sure no more, but not inside by a twentieth of the band
        (Calling(dead_band=0.01), 9.85, None),
        (Calling(dead_band=0.2), 9.3, False),
        (Calling(sure=0.99), 10.2, False),
        (Calling(sure=0.6), 10.05, True),
    ],
)
def test_the_plant_file_says_how_sure_and_by_how_much_it_has_to_be_inside(
    calling: Calling, strength: float, enter: bool | None
) -> None:
    now = MONDAY + 12 * HOUR
    estimate = replace(an_estimate(300.0, strength, now), concentration_sd_pct=0.1)
    condition = found(AlertKind.OUTSIDE_BAND, now, estimate, None, alerting=Alerting(calling=calling))
    assert (None if condition is None else condition.enter) is enter
