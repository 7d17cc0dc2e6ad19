"""Everything that goes out of a plant: the retained topics, the stream of events, messages over the channels."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

from adapters.delivery import SourceHealth
from adapters.event_stream import EventStream
from adapters.mail import MailOutlet
from adapters.mqtt_out import MqttPublisher
from adapters.outlet import Outlet
from adapters.webhook import WebhookOutlet
from alerts.types import Alert, Transition
from monitor.plant.types import Plant, SourceSpec
from monitor.post import EVENTS
from monitor.publishing import Publishing
from monitor.sender import Senders
from monitor.snapshot import Changes


class Outward:
    """The ways out of one plant.

    Made from `before`, those of an earlier plant file, it goes on with what is the same: a connection stays, and what
    was counted goes on being counted. Then `switch` says from when on the new plant file holds, and `take_over` ends
    the rest of the old ways and begins with the new ones.
    """

    def __init__(self, plant: Plant, clock: Callable[[], float], before: Outward | None = None) -> None:
        self.plant, self._clock, self._before = plant, clock, before
        self.publisher: MqttPublisher | None
        self.publishing: Publishing | None
        self.senders: Senders
        same = before is not None and _broker(before.plant) == _broker(plant)
        if before is not None and same:
            self.publisher, self.publishing = before.publisher, before.publishing
        else:
            self.publisher = _publisher(plant)
            self.publishing = None if self.publisher is None else Publishing(plant, self.publisher)
        if before is not None and same and before.plant.alerting.channels == plant.alerting.channels:
            self.senders = before.senders
        else:
            self.senders = Senders(plant.database, _outlets(plant, self.publisher), clock)

    def start(self) -> None:
        """Begin to connect and to send; returns at once."""
        if self.publisher is not None:
            self.publisher.start()
        self.senders.start()

    def switch(self) -> None:
        """Tell by the new plant file from now on."""
        before = self._before
        if before is not None and before.publishing is self.publishing and self.publishing is not None:
            self.publishing.turn_to(self.plant, self._clock())

    def turn_back(self, now_s: float) -> None:
        """Tell of moments again that the clock has left behind."""
        if self.publishing is not None:
            self.publishing.turn_to(self.plant, now_s)

    def take_over(self) -> None:
        """End what is no longer used of the old ways and begin with what is new; within seconds."""
        before, self._before = self._before, None
        if before is None:
            return
        if before.senders is not self.senders:
            before.senders.stop()
            self.senders.counters = before.senders.counters
        if before.publisher is not self.publisher:
            if before.publisher is not None:
                before.publisher.clear()
                before.publisher.stop()
            if self.publisher is not None:
                self.publisher.start()
        if before.senders is not self.senders:
            self.senders.start()

    def stop(self) -> None:
        """End within seconds: the message under way first, then the good-bye to the broker."""
        self.senders.stop()
        if self.publisher is not None:
            self.publisher.stop()

    def remember(self, closed: Iterable[Alert], open_moves: Iterable[Transition], gone: Iterable[str]) -> None:
        """Know what an earlier process published: alerts that are closed, those that stand, sumps that are gone."""
        if self.publishing is not None:
            self.publishing.remember_closed(closed)
            self.publishing.moved(open_moves)
            self.publishing.forget(gone)

    def told(self, changes: Changes) -> None:
        """Send what a step changed."""
        if self.publishing is not None:
            self.publishing.told(changes)
        self.senders.wake()

    def moved(self, transitions: Sequence[Transition]) -> None:
        """Send what happened to alerts between the steps."""
        if self.publishing is not None:
            self.publishing.moved(transitions)
        self.senders.wake()

    def health(self) -> list[SourceHealth]:
        """Tell how the broker that gets the topics stands."""
        return [] if self.publisher is None else [self.publisher.health()]


def _broker(plant: Plant) -> tuple[str, SourceSpec | None]:
    """Return what the connection of a plant's topics hangs on."""
    return plant.id, None if plant.publish_source is None else plant.sources[plant.publish_source]


def _publisher(plant: Plant) -> MqttPublisher | None:
    if plant.publish_source is None:
        return None
    return MqttPublisher(plant.sources[plant.publish_source], plant.id)


def _outlets(plant: Plant, publisher: MqttPublisher | None) -> dict[str, Outlet]:
    outlets: dict[str, Outlet] = {
        name: MailOutlet(spec) if spec.kind == "mail" else WebhookOutlet(spec)
        for name, spec in plant.alerting.channels.items()
    }
    if publisher is not None:
        outlets[EVENTS] = EventStream(EVENTS, publisher)
    return outlets
