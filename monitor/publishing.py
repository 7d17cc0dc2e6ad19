"""What goes out over MQTT: the retained topics of the contract's section 3, made from what each step changed."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any, Final, TypeVar

from adapters.mqtt_out import MqttPublisher
from alerts.envelope import cloud_event
from alerts.types import Alert, MixingDemand, Recipe, Transition
from monitor.plant.types import Plant
from monitor.snapshot import Changes, SumpView
from monitor.status.shapes import encode, estimate_json, forecast_json, landing_json, signals_json

T = TypeVar("T")

CLOSED_STAYS_S: Final = 24 * 3600.0


class Publishing:
    """Writes changes to a publisher; unchanged payloads are not sent again."""

    def __init__(self, plant: Plant, publisher: MqttPublisher) -> None:
        self._plant = plant
        self._publisher = publisher
        self._source = f"bandkeeper/{plant.id}"
        self._closed: dict[str, float] = {}
        self._last: dict[str, object] = {}

    def told(self, changes: Changes) -> None:
        """Publish the state of every sump, new forecasts and recipes, transitions and demands."""
        for view in changes.snapshot.sumps.values():
            self._sump(view)
        for transition in changes.transitions:
            self._transition(transition)
        for fluid, demand in changes.snapshot.mixing.items():
            self._if_new(f"mixing/{fluid}/demand", demand, MixingDemand.as_json)
        self._tidy(changes.snapshot.now_s)

    def moved(self, transitions: Iterable[Transition]) -> None:
        """Publish what people did to alerts."""
        for transition in transitions:
            self._transition(transition)

    def remember_closed(self, alerts: Iterable[Alert]) -> None:
        """Know of alerts that were closed before this start, so that their topics go in time."""
        self._closed.update({alert.id: alert.cleared_s for alert in alerts if alert.cleared_s is not None})

    def _sump(self, view: SumpView) -> None:
        topic = f"sump/{view.sump}"
        sump = self._plant.sumps[view.sump]
        state = {"sump": view.sump, **estimate_json(view.estimate), "signals": signals_json(view.estimate, sump)}
        state["last_landing"] = landing_json(view.landings[0]) if view.landings else None
        self._publisher.publish(f"{topic}/state", encode(state))
        self._if_new(f"{topic}/forecast", view.forecast, forecast_json)
        self._if_new(f"{topic}/recipe", view.recipe, Recipe.as_json)

    def _if_new(self, topic: str, thing: T | None, as_json: Callable[[T], dict[str, Any]]) -> None:
        """Publish a value that is another one than last time: most stand for an hour, and writing them out costs."""
        if thing is not None and self._last.get(topic) is not thing:
            self._last[topic] = thing
            self._publisher.publish(topic, encode(as_json(thing)))

    def _transition(self, transition: Transition) -> None:
        event = cloud_event(transition.alert, transition, self._plant, self._source)
        self._publisher.publish(f"alert/{transition.alert_id}", encode(event))
        if transition.alert.cleared_s is not None:
            self._closed[transition.alert_id] = transition.alert.cleared_s

    def _tidy(self, now_s: float) -> None:
        """Take the topics of alerts away that closed a day ago."""
        for alert_id in [a for a, cleared_s in self._closed.items() if now_s - cleared_s > CLOSED_STAYS_S]:
            self._publisher.publish(f"alert/{alert_id}", b"")
            del self._closed[alert_id]
