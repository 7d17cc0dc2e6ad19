"""What goes out over MQTT: the retained topics of the contract's section 3, made from what each step changed."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from functools import partial
from typing import Any, Final, TypeVar

from adapters.mqtt_out import MqttPublisher
from alerts.envelope import cloud_event
from alerts.types import Alert, MixingDemand, Recipe, Transition
from monitor.plant.types import Plant, Sump
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
        self._told: dict[str, float] = {}
        self._newest_s = -math.inf

    def told(self, changes: Changes) -> None:
        """Publish the state of every sump, new forecasts and recipes, transitions and demands.

        Of a picture older than the last one only what happened to alerts: the past is gone over after a restart, and
        nobody wants to hear it again.
        """
        for transition in changes.transitions:
            self._transition(transition)
        if changes.snapshot.now_s < self._newest_s:
            return
        self._newest_s = changes.snapshot.now_s
        for view in changes.snapshot.sumps.values():
            self._sump(view)
        for fluid, demand in changes.snapshot.mixing.items():
            self._if_new(f"mixing/{fluid}/demand", demand, MixingDemand.as_json)
        self._tidy(changes.snapshot.now_s)

    def turn_to(self, plant: Plant, now_s: float) -> None:
        """Go on with another plant file under the same topics; what is gone from it is taken away."""
        before, self._plant = self._plant, plant
        self._newest_s = min(self._newest_s, now_s)
        self._last.clear()
        self.forget(before.sumps.keys() - plant.sumps.keys())
        for fluid in _fluids(before) - _fluids(plant):
            self._publisher.publish(f"mixing/{fluid}/demand", b"")

    def forget(self, sumps: Iterable[str]) -> None:
        """Take the topics of sumps away that are no longer in the plant file."""
        for sump in sorted(sumps):
            for what in ("state", "forecast", "recipe"):
                self._publisher.publish(f"sump/{sump}/{what}", b"")

    def moved(self, transitions: Iterable[Transition]) -> None:
        """Publish what people did to alerts."""
        for transition in transitions:
            self._transition(transition)

    def remember_closed(self, alerts: Iterable[Alert]) -> None:
        """Know of alerts that were closed before this start, so that their topics go in time."""
        self._closed.update({alert.id: alert.cleared_s for alert in alerts if alert.cleared_s is not None})

    def _sump(self, view: SumpView) -> None:
        topic = f"sump/{view.sump}"
        self._publisher.publish(f"{topic}/state", partial(_state, view, self._plant.sumps[view.sump]))
        self._if_new(f"{topic}/forecast", view.forecast, forecast_json)
        self._if_new(f"{topic}/recipe", view.recipe, Recipe.as_json)

    def _if_new(self, topic: str, thing: T | None, as_json: Callable[[T], dict[str, Any]]) -> None:
        """Publish a value that is another one than last time: most stand for an hour, and writing them out costs."""
        if thing is not None and self._last.get(topic) is not thing:
            self._last[topic] = thing
            self._publisher.publish(topic, partial(_written, thing, as_json))

    def _transition(self, transition: Transition) -> None:
        if transition.time_s < self._told.get(transition.alert_id, -math.inf):
            return
        self._told[transition.alert_id] = transition.time_s
        event = partial(_event, transition, self._plant, self._source)
        self._publisher.publish(f"alert/{transition.alert_id}", event)
        if transition.alert.cleared_s is not None:
            self._closed[transition.alert_id] = transition.alert.cleared_s
        else:
            self._closed.pop(transition.alert_id, None)

    def _tidy(self, now_s: float) -> None:
        """Take the topics of alerts away that closed a day ago."""
        for alert_id in [a for a, cleared_s in self._closed.items() if now_s - cleared_s > CLOSED_STAYS_S]:
            self._publisher.publish(f"alert/{alert_id}", b"")
            del self._closed[alert_id]
            self._told.pop(alert_id, None)


def _fluids(plant: Plant) -> set[str]:
    return {sump.fluid.id for sump in plant.sumps.values()}


def _state(view: SumpView, sump: Sump) -> bytes:
    state = {"sump": view.sump, **estimate_json(view.estimate), "signals": signals_json(view.estimate, sump)}
    return encode(state | {"last_landing": landing_json(view.landings[0]) if view.landings else None})


def _event(transition: Transition, plant: Plant, source: str) -> bytes:
    return encode(cloud_event(transition.alert, transition, plant, source))


def _written(thing: T, as_json: Callable[[T], dict[str, Any]]) -> bytes:
    return encode(as_json(thing))
