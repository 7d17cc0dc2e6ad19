"""Silent signals: one outage is one alert, what is usual calls nobody, and nobody is woken for a cable."""

from __future__ import annotations

from dataclasses import replace

import pytest

from alerts.conditions import Condition
from alerts.outage import HABIT, LONGEST_S, Gaps, with_outages
from alerts.types import Alert, AlertKind, Priority
from alerts.wording import short_text
from monitor.model.types import Estimate, Side
from monitor.plant.calendar import never
from monitor.plant.quantity import UNITS
from monitor.plant.reading import Signal
from monitor.plant.types import Plant, SignalSpec
from tests.unit.alerts.hall import DAY, HOUR, MONDAY, a_plant, a_sump, an_estimate
from tests.unit.alerts.test_wording import raised

NOON = MONDAY + 12 * HOUR
SPECS = {
    Signal.LEVEL: SignalSpec(Signal.LEVEL, "gateway", "a", UNITS["mm"], 300.0),
    Signal.REFRACTOMETER: SignalSpec(Signal.REFRACTOMETER, "other", "b", UNITS["degBx"], 300.0),
}
NAMES = [f"lathe-{number:02}" for number in range(8)]


def plant() -> Plant:
    sumps = {name: replace(a_sump(), id=name, signals=SPECS) for name in NAMES}
    return replace(a_plant(), sumps=sumps)


def estimates(silent: int, now_s: float = NOON) -> dict[str, Estimate]:
    """Let the level of so many sumps be silent for three hours."""
    heard = {Signal.LEVEL: now_s - 3 * HOUR, Signal.REFRACTOMETER: now_s}
    return {
        name: replace(
            an_estimate(300.0, 8.0, now_s),
            sump=name,
            silent=(Signal.LEVEL,) if number < silent else (),
            last_heard_s=heard if number < silent else dict.fromkeys(heard, now_s),
        )
        for number, name in enumerate(NAMES)
    }


def conditions(silent: int) -> dict[str, tuple[Condition, ...]]:
    text = "the level signal is silent"
    return {
        name: (Condition(name, AlertKind.SIGNAL_SILENT, "level", Side.NONE, Priority.LOW, text, None, enter=True),)
        for name in NAMES[:silent]
    }


def found(
    silent: int, gaps: Gaps | None = None, now_s: float = NOON, at: Plant | None = None, alerts: tuple[Alert, ...] = ()
) -> list[Condition]:
    known = gaps or Gaps()
    known.note(estimates(silent, now_s), now_s)
    return with_outages(at or plant(), conditions(silent), estimates(silent, now_s), known, alerts, now_s)


def outage() -> Alert:
    """Return the alert of an outage that was said."""
    alert, _ = raised(390.0, 10.8)
    (said,) = (one for one in found(6) if not one.sump)
    return replace(alert, sump="", kind=AlertKind.SIGNAL_SILENT, subject="gateway", text=said.text, recipe=None)


@pytest.mark.parametrize(("silent", "alone", "together"), [(2, 2, None), (3, 3, None), (4, 0, True), (8, 0, True)])
def test_half_of_a_sources_sumps_are_one_outage(silent: int, alone: int, together: bool | None) -> None:
    every = found(silent)
    assert sum(one.enter for one in every if one.sump) == alone
    assert next((one.enter for one in every if not one.sump), None) is together


@pytest.mark.parametrize(("silent", "stands"), [(3, True), (2, False), (1, False)])
def test_it_stands_until_few_are_left_and_these_call_then(silent: int, stands: bool) -> None:
    every = found(silent, alerts=(outage(),))
    assert any(not one.sump for one in every) is stands
    assert sum(one.enter for one in every if one.sump) == (0 if stands else silent)


def test_it_says_how_many_since_when_and_what_to_do() -> None:
    (one,) = (one for one in found(6) if not one.sump)
    assert (one.subject, one.priority) == ("gateway", Priority.MEDIUM)
    assert one.text == (
        "gateway: 6 of 8 sumps are silent since about Mon 09:00; check gateway, network and power there, and read "
        "levels by hand until then."
    )


def test_it_goes_to_phones_as_it_is_said() -> None:
    said = short_text(outage(), plant())
    assert said.startswith("gateway: 6 of 8 sumps are silent")
    assert len(said) <= 160


@pytest.mark.parametrize(("hour", "calls"), [(3.0, False), (12.0, True), (23.0, False)])
def test_nobody_is_woken_for_a_cable(hour: float, calls: bool) -> None:
    (one,) = found(1, now_s=MONDAY + hour * HOUR)
    assert one.enter is calls
    assert found(1, now_s=MONDAY + hour * HOUR, at=replace(plant(), attended=never("UTC")))[0].enter


def test_an_outage_of_many_is_said_at_night_too() -> None:
    assert any(one.enter for one in found(8, now_s=MONDAY + 3 * HOUR))


def test_what_is_away_now_and_then_calls_only_when_it_is_away_for_longer() -> None:
    gaps, now = Gaps(), MONDAY + 2 * HOUR
    for length_h in (3.0, 5.0):
        gaps.note(estimates(1, now), now)  # three hours behind
        now += (length_h - 3.0) * HOUR
        gaps.note(estimates(0, now), now)
        now += 4 * HOUR
    assert gaps.usual_s(NAMES[0], "level", now) == 5 * HOUR
    assert not found(1, gaps, NOON + HOUR)[0].enter, "three hours are nothing unusual"
    late = estimates(1, NOON + HOUR)
    at = NOON + 3.2 * HOUR
    late = {name: replace(one, time_s=at) for name, one in late.items()}
    gaps.note(late, at)
    assert with_outages(plant(), conditions(1), late, gaps, (), at)[0].enter, "over five hours are"
    assert gaps.usual_s(NAMES[0], "level", at + 20 * DAY) == 0.0, "after two weeks it is forgotten"


def test_a_habit_takes_more_than_once_and_a_day_is_always_too_long() -> None:
    gaps = Gaps(past={NAMES[0]: {"level": [(NOON, 3 * DAY)] * (HABIT - 1)}})
    assert gaps.usual_s(NAMES[0], "level", NOON) == 0.0
    gaps.past[NAMES[0]]["level"].append((NOON, 3 * DAY))
    assert gaps.usual_s(NAMES[0], "level", NOON) == LONGEST_S
