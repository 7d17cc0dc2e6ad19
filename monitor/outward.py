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
from monitor.plant.types import Plant
from monitor.post import EVENTS
from monitor.publishing import Publishing
from monitor.sender import Senders
from monitor.snapshot import Changes

Acknowledged = Callable[[str, str], None]


class Outward:
    """The ways out of one plant. `acknowledged(alert, who)` is called when somebody acknowledges over MQTT."""

    def __init__(self, plant: Plant, clock: Callable[[], float], acknowledged: Acknowledged) -> None:
        self._publisher = _publisher(plant, acknowledged)
        self._publishing = None if self._publisher is None else Publishing(plant, self._publisher)
        self.senders = Senders(plant.database, _outlets(plant, self._publisher), clock)

    def start(self) -> None:
        """Begin to connect and to send; returns at once."""
        if self._publisher is not None:
            self._publisher.start()
        self.senders.start()

    def stop(self) -> None:
        """End within seconds: the message under way first, then the good-bye to the broker."""
        self.senders.stop()
        if self._publisher is not None:
            self._publisher.stop()

    def remember_closed(self, alerts: Iterable[Alert]) -> None:
        """Know of alerts that were closed before this start, so that their topics go in time."""
        if self._publishing is not None:
            self._publishing.remember_closed(alerts)

    def told(self, changes: Changes) -> None:
        """Send what a step changed."""
        if self._publishing is not None:
            self._publishing.told(changes)
        self.senders.wake()

    def moved(self, transitions: Sequence[Transition]) -> None:
        """Send what happened to alerts between the steps."""
        if self._publishing is not None:
            self._publishing.moved(transitions)
        self.senders.wake()

    def health(self) -> list[SourceHealth]:
        """Tell how the broker that gets the topics stands."""
        return [] if self._publisher is None else [self._publisher.health()]


def _publisher(plant: Plant, acknowledged: Acknowledged) -> MqttPublisher | None:
    if plant.publish_source is None:
        return None
    return MqttPublisher(plant.sources[plant.publish_source], plant.id, acknowledged=acknowledged)


def _outlets(plant: Plant, publisher: MqttPublisher | None) -> dict[str, Outlet]:
    outlets: dict[str, Outlet] = {
        name: MailOutlet(spec) if spec.kind == "mail" else WebhookOutlet(spec)
        for name, spec in plant.alerting.channels.items()
    }
    if publisher is not None:
        outlets[EVENTS] = EventStream(EVENTS, publisher)
    return outlets
