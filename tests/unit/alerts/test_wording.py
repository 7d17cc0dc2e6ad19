"""What people read: instructions, landings, alerts, the 160 characters, the envelope."""

from __future__ import annotations

import json
from typing import Any

import pytest

from alerts.conditions import find_conditions
from alerts.containers import Measures
from alerts.envelope import alert_json, cloud_event, event_name
from alerts.lifecycle import acknowledge, shelve, step
from alerts.recipes import make_recipe, plan_recipe
from alerts.types import Alert, AlertKind, AlertState, Recipe, Transition
from alerts.wording import SHORT_TEXT, say_action, say_alert, say_lands, say_recipe, short_text
from monitor.model.types import Event, EventKind
from monitor.plant.quantity import L_PER_US_GAL
from monitor.plant.reading import Signal
from monitor.plant.types import Plant, Sump
from tests.unit.alerts.hall import HOUR, MONDAY, a_forecast, a_plant, a_sump, an_estimate

EVENING = MONDAY + 18 * HOUR
SUMP = a_sump()
METRIC, US = a_plant(SUMP), a_plant(SUMP, units="us")


def made(volume_l: float, pct: float, plant: Plant = METRIC, sump: Sump = SUMP, **changes: Any) -> Recipe:
    estimate = an_estimate(volume_l, pct, **changes)
    return make_recipe(plant, sump, estimate, a_forecast(estimate, sump), EVENING)


def raised(volume_l: float, pct: float, plant: Plant = METRIC, **changes: Any) -> tuple[Alert, Transition]:
    estimate = an_estimate(volume_l, pct, **changes)
    forecast = a_forecast(estimate)
    recipe = make_recipe(plant, SUMP, estimate, forecast, EVENING)
    jumps = changes.get("events", ())
    conditions = find_conditions(plant, SUMP, estimate, forecast, jumps, EVENING)
    living, told = step({}, conditions, {SUMP.id: recipe}, EVENING)
    return next(iter(living.values())), told[0]


def test_instructions_are_numbered_and_tell_every_bucket() -> None:
    taken, whole, part, circulate, measure = say_recipe(made(390.0, 10.8), METRIC)
    assert taken == "1. Take out 43 L (gauge down to 278 mm at rest). Set it aside in a labelled container."
    assert whole == "2. Add 2 buckets of 20 L: each 19.8 L deionised water, then 220 mL concentrate into it (1.1 %)."
    assert part.startswith(
        "3. Add a part bucket of 9 L: 8.9 L deionised water, then 100 mL concentrate into it (1.1 %)."
    )
    assert part.endswith("Stop at 317 mm on the gauge at rest, even if some is left over.")
    assert circulate == "4. Let it circulate for 20 minutes."
    assert measure.startswith(
        "5. Measure: refractometer on a filtered sample from the moving fluid, and the gauge at rest"
    )


def test_us_plants_read_gallons_ounces_and_inches() -> None:
    lines = say_recipe(made(390.0, 10.8, US), US)
    assert lines[0].startswith("1. Take out 11.25 US gal (gauge down to 11 in at rest).")
    assert "buckets of 5 US gal: each 4.95 US gal deionised water, then" in lines[1]
    assert "US fl oz concentrate into it" in lines[1]
    assert not [line for line in lines if " L " in line or " mm" in line]


def test_water_and_concentrate_of_the_words_make_the_bucket() -> None:
    recipe = made(210.0, 8.05)
    (add,) = (step for step in recipe.steps if step.do == "add")
    assert "each 18.4 L deionised water, then 1.6 L concentrate" in say_recipe(recipe, METRIC)[0]
    assert Measures.of(METRIC).split(add.volume_l or 0.0).whole == 9


def test_a_landing_says_its_interval_and_its_chance() -> None:
    assert (
        say_lands(made(210.0, 8.05), METRIC)
        == "Lands at 8.0 % (7.8 % to 8.3 %) with 395 L; inside the band with over 99 %."
    )
    assert say_lands(made(380.0, 8.0), METRIC).startswith("It stands at 8.0 %")


def test_a_wait_says_until_when_and_what_the_gauge_then_shows() -> None:
    first = say_recipe(made(392.0, 9.4), METRIC)[0]
    assert first.startswith("1. Wait until ")
    assert "the gauge then shows about" in first


def test_leaving_alone_checking_and_looking_are_said_plainly() -> None:
    alone, check = made(380.0, 8.0), made(250.0, 5.5, concentration_sd_pct=2.5)
    assert say_recipe(alone, METRIC) == ["1. Leave it alone: nothing to do now."]
    assert say_action(alone, METRIC) == "Leave it alone."
    assert say_action(check, METRIC) == "Measure level and strength."
    estimate = an_estimate(205.0, 8.0)
    jump = Event("e1", "lathe-04", EventKind.LOSS_JUMP, EVENING, EVENING, 38.0, None, 0.9, "leak")
    look = make_recipe(METRIC, SUMP, estimate, None, EVENING, loss_jump=jump)
    assert say_action(look, METRIC) == "Look for the loss."
    assert "hoses, seals" in say_recipe(look, METRIC)[0]


def test_the_action_of_steps_tells_to_measure_between() -> None:
    assert say_action(made(150.0, 16.0), METRIC).count("measure level and strength") == 1


def test_an_alert_is_one_sentence_and_the_action() -> None:
    alert, _ = raised(390.0, 10.8)
    assert say_alert(alert, METRIC) == (
        "lathe-04 is rich: 10.8 %, its band is 6.0 % to 10.0 % (20 of 20 sure). "
        "Take out 43 L (to 278 mm), add 2 x 20 L + 9 L at 1.1 %; lands at 9.6 %."
    )


@pytest.mark.parametrize("units", ["metric", "us"])
@pytest.mark.parametrize(("volume_l", "pct"), [(390.0, 10.8), (390.0, 24.0), (205.0, 9.0), (150.0, 16.0), (250.0, 5.0)])
def test_the_short_text_fits_and_names_the_sump(units: Any, volume_l: float, pct: float) -> None:
    plant = a_plant(SUMP, units=units)
    alert, _ = raised(volume_l, pct, plant)
    text = short_text(alert, plant)
    assert len(text) <= SHORT_TEXT
    assert text.startswith("lathe-04 ")
    assert "dd " in text or "ake out" in text


def test_the_short_text_of_a_long_name_is_cut_with_a_mark() -> None:
    alert, _ = raised(390.0, 10.8)
    long = Alert(**{**{f: getattr(alert, f) for f in alert.__slots__}, "sump": "x" * 200})
    assert len(short_text(long, METRIC)) == SHORT_TEXT
    assert short_text(long, METRIC).endswith("…")


@pytest.mark.parametrize(
    ("kind", "expected"),
    [
        (AlertKind.SIGNAL_SILENT, "lathe-04: level signal silent, check it."),
        (AlertKind.SIGNAL_DOUBTFUL, "lathe-04: refractometer signal doubtful, check it."),
    ],
)
def test_the_short_text_of_signals(kind: AlertKind, expected: str) -> None:
    estimate = an_estimate(300.0, 8.0, silent=(Signal.LEVEL,), doubtful=(Signal.REFRACTOMETER,))
    living, _ = step({}, find_conditions(METRIC, SUMP, estimate, None, (), EVENING), {}, EVENING)
    (alert,) = (a for a in living.values() if a.kind is kind)
    assert short_text(alert, METRIC) == expected


def test_the_short_text_of_a_foreseen_exit_tells_the_plants_clock() -> None:
    alert, _ = raised(205.0, 8.0)
    assert alert.kind is AlertKind.LEAVES_BAND_UNATTENDED
    assert short_text(alert, METRIC).startswith("lathe-04 LOW likely Tue 02:00. Add ")


def test_an_alert_as_json_is_plain_and_complete() -> None:
    alert, _ = raised(390.0, 10.8)
    said = json.loads(json.dumps(alert_json(alert, METRIC), allow_nan=False))
    assert said["id"] == alert.id
    assert said["raised_at"] == "2031-03-03T18:00:00+00:00"
    assert said["cleared_at"] is None
    assert said["open"] is True
    assert said["recipe"]["kind"] == "take_out_and_refill"
    assert said["words"]["recipe"][0].startswith("1. ")
    assert len(said["words"]["short"]) <= SHORT_TEXT


def test_a_transition_is_a_cloud_event() -> None:
    """CloudEvents 1.0 structured JSON: specversion, id, source and type are required; time is RFC 3339."""
    alert, transition = raised(390.0, 10.8)
    event = json.loads(json.dumps(cloud_event(alert, transition, METRIC, "/plants/ferry-lane"), allow_nan=False))
    assert event["specversion"] == "1.0"
    assert event["id"] == transition.id
    assert event["source"] == "/plants/ferry-lane"
    assert event["type"] == "bandkeeper.alert.raised"
    assert event["subject"] == "lathe-04"
    assert event["time"] == "2031-03-03T18:00:00+00:00"
    assert event["datacontenttype"] == "application/json"
    assert (event["data"]["before"], event["data"]["after"]) == ("normal", "unacknowledged")
    assert event["data"]["alert"]["words"]["alert"].startswith("lathe-04 is rich")


def test_events_are_named_by_what_happened() -> None:
    alert, first = raised(390.0, 10.8)
    acked, second = acknowledge(alert, "Rosa", EVENING + 60.0)
    shelved, third = shelve(acked, EVENING + HOUR, "no concentrate", "Rosa", EVENING + 120.0)
    assert second is not None
    assert [event_name(t) for t in (first, second, third)] == ["raised", "acknowledged", "shelved"]
    names = {
        (AlertState.UNACKNOWLEDGED, AlertState.UNACKNOWLEDGED): "updated",
        (AlertState.UNACKNOWLEDGED, AlertState.RETURNED_UNACKNOWLEDGED): "cleared",
        (AlertState.ACKNOWLEDGED, AlertState.NORMAL): "cleared",
        (AlertState.RETURNED_UNACKNOWLEDGED, AlertState.NORMAL): "closed",
        (AlertState.RETURNED_UNACKNOWLEDGED, AlertState.UNACKNOWLEDGED): "returned",
        (AlertState.SHELVED, AlertState.UNACKNOWLEDGED): "unshelved",
        (AlertState.SUPPRESSED_BY_DESIGN, AlertState.UNACKNOWLEDGED): "unsuppressed",
        (AlertState.OUT_OF_SERVICE, AlertState.UNACKNOWLEDGED): "returned_to_service",
        (AlertState.OUT_OF_SERVICE, AlertState.NORMAL): "cleared",
        (AlertState.UNACKNOWLEDGED, AlertState.SUPPRESSED_BY_DESIGN): "suppressed",
        (AlertState.UNACKNOWLEDGED, AlertState.OUT_OF_SERVICE): "out_of_service",
    }
    for (before, after), name in names.items():
        assert event_name(Transition("t", alert.id, EVENING, before, after, "why", shelved)) == name


@pytest.mark.parametrize(
    ("volume_l", "said"),
    [(388.0, "1. Add a part bucket of"), (375.0, "1. Add 1 bucket of"), (350.0, "1. Add 2 buckets of")],
)
def test_buckets_are_counted_as_people_speak(volume_l: float, said: str) -> None:
    estimate = an_estimate(volume_l, 8.2)
    recipe = plan_recipe(METRIC, SUMP, estimate, None, EVENING, EVENING)
    assert say_recipe(recipe, METRIC)[0].startswith(said)


def test_a_us_bucket_holds_five_gallons_here() -> None:
    assert US.bucket_l == pytest.approx(5 * L_PER_US_GAL)
