"""The roof: wires sources, record, pipeline, publishing and the status page together; owns threads and signals."""

from __future__ import annotations

import logging
import math
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Future
from concurrent.futures import TimeoutError as AnswerTimeoutError
from dataclasses import asdict, replace
from types import TracebackType
from typing import Any, Final, Self

from apscheduler.schedulers.background import BackgroundScheduler

from adapters.delivery import Receipt
from alerts import lifecycle
from alerts.hygiene import Hygiene
from alerts.links import Claim, read_link
from alerts.types import Alert, Transition
from monitor.health import Doctor
from monitor.hygiene import hygiene_of
from monitor.keys import link_key
from monitor.lock import RecordLock
from monitor.outward import Outward
from monitor.own_alerts import OwnAlerts
from monitor.pipeline import Pipeline
from monitor.plant.errors import RecordError
from monitor.plant.reading import Entry, Reading
from monitor.plant.types import Plant
from monitor.post import PostOffice
from monitor.recall import closed_lately, recalled, resume
from monitor.record.reader import Reader
from monitor.record.store import Record
from monitor.snapshot import Changes, Snapshot
from monitor.sources import Sources
from monitor.status.app import create_app
from monitor.status.board import Health
from monitor.status.feed import Feed, Subscription
from monitor.status.serve import StatusServer, check_listener, is_loopback
from monitor.worker import Worker

log = logging.getLogger("bandkeeper")

TICK_S: Final = 1.0
ANSWER_S: Final = 10.0
STOP_S: Final = 15.0
LOOK_EVERY_S: Final = 10.0

_Deed = Callable[[Alert, float], tuple[Alert, Transition | None]]


def wall_clock() -> float:
    """Return now in Unix seconds."""
    return time.time()


class Daemon:
    """The whole product in one process. `clock` gives Unix seconds; `tick_s` is how often (really) it is looked at."""

    def __init__(
        self, plant: Plant, clock: Callable[[], float], *, tick_s: float = TICK_S, settle_s: float = 0.0
    ) -> None:
        self.plant = plant
        self._clock, self._tick_s = clock, tick_s
        self._lock = RecordLock.take(plant.database)
        try:
            self._record = Record.open(plant.database, now_s=clock(), keeping=plant.keeping)
        except BaseException:
            self._lock.release()
            raise
        self._reader = self._record.reader()
        self._pipeline = Pipeline(plant, self._reader.readings, self._reader.latest_checkpoint, settle_s=settle_s)
        self._key = link_key(plant.database)
        office = PostOffice(
            plant, self._record, self._key, seen_alert=self._alert, stream=plant.publish_source is not None
        )
        self._worker = Worker(self._record, self._pipeline, clock, self._told, settle_s=settle_s, office=self)
        self._office = office
        recent = self._reader.transitions(clock() - lifecycle.DAY_S, math.inf)
        self._own = OwnAlerts(
            self._record, office.moved, self._reader.alerts(open_only=True), recent, plant.alerting.calling
        )
        self._look_at = 0.0
        self._feed = Feed()
        self._sources = Sources(plant, clock, self._receipts)
        self._out = Outward(plant, clock, self._acknowledged_from_afar)
        self._doctor = Doctor(plant.database, clock, self._worker, self._sources, self._out)
        self._server = self._make_server()
        self._scheduler = BackgroundScheduler(
            timezone="UTC", job_defaults={"coalesce": True, "max_instances": 1, "misfire_grace_time": None}
        )
        self._started = False

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()

    def start(self) -> None:
        """Go on from the record and begin to take input in. SourceError if the status page cannot be served."""
        from_s = self._resume()
        if self._server is not None:
            self._server.start()
        self._worker.start(self._recall, from_s)
        self._out.start()
        self._sources.start(self._worker.deliver)
        self._scheduler.add_job(self._worker.wake, "interval", seconds=self._tick_s, id="tick")
        self._scheduler.start()
        self._started = True
        log.info("%s: %d sumps, record %s", self.plant.name, len(self.plant.sumps), self.plant.database)

    def stop(self) -> None:
        """End within seconds: sources first, then what waits is stored."""
        if self._started:
            self._scheduler.shutdown(wait=False)
        self._sources.stop()
        if self._started:
            self._worker.stop(STOP_S)
            self._out.stop()
        self._feed.close()
        if self._server is not None:
            self._server.stop()
        self._record.close()
        self._lock.release()
        self._started = False

    def _resume(self) -> float:
        """Take the last checkpoint; return the moment from which the record has to be gone over."""
        self._out.remember_closed(closed_lately(self._reader, self._clock()))
        return resume(self._pipeline, self._reader, self._clock())

    def _recall(self, from_s: float, to_s: float) -> Iterator[Reading]:
        return recalled(self._reader, self._clock, from_s, to_s)

    def _receipts(self, source: str) -> list[Receipt]:
        return [Receipt(source, *row) for row in self._reader.receipts(source)]

    def _make_server(self) -> StatusServer | None:
        listen = self.plant.status
        if listen is None:
            return None
        check_listener(listen.host, has_tokens=bool(self._reader.tokens()))
        app = create_app(self, open_without_token=is_loopback(listen.host))
        return StatusServer(app, listen.host, listen.port, certificate=listen.certificate, key=listen.certificate_key)

    def _told(self, changes: Changes) -> None:
        self._out.told(changes)
        self._feed.publish(changes.snapshot.sumps, (t.alert_id for t in changes.transitions))

    def _alert(self, alert_id: str) -> Alert | None:
        return self._pipeline.memory.alerts.get(alert_id) or self._own.alerts.get(alert_id)

    # What the worker asks (see monitor.worker.Office).

    def moved(self, transitions: Sequence[Transition], now_s: float) -> None:
        """Write what new transitions call for."""
        self._office.moved(transitions, now_s)

    def turn(self, snapshot: Snapshot, now_s: float) -> None:
        """Write what is due, and look at the watch itself now and then."""
        self._office.turn(snapshot, now_s)
        if time.monotonic() < self._look_at:
            return
        self._look_at = time.monotonic() + LOOK_EVERY_S
        moves = self._own.turn(self._doctor.troubles(), now_s)
        if moves:
            self._out.moved(moves)
            self._feed.publish((), (move.alert_id for move in moves))

    # What the status room asks (see monitor.status.board.Board).

    @property
    def status_url(self) -> str:
        """The address of the page; empty if there is none."""
        return "" if self._server is None else self._server.url

    @property
    def status_port(self) -> int:
        """The port of the status page, 0 without one."""
        return 0 if self._server is None else self._server.port

    def snapshot(self) -> Snapshot:
        """Return the latest picture of the plant, with the alerts about the watch itself."""
        picture, own = self._pipeline.snapshot, self._own.alerts
        return replace(picture, alerts=(*picture.alerts, *own.values())) if own else picture

    def reader(self) -> Reader:
        """Return a reader of the record."""
        return self._reader

    def submit(self, entry: Entry) -> bool:
        """Put an entry on record. RecordError if it cannot be written or the worker does not answer."""
        return bool(_wait(self._worker.submit(entry)))

    def acknowledge(self, alert_id: str, who: str) -> Alert | None:
        """Acknowledge an alert."""
        return self._act(alert_id, lambda alert, now_s: lifecycle.acknowledge(alert, who, now_s))

    def shelve(self, alert_id: str, until_s: float, reason: str, who: str) -> Alert | None:
        """Shelve an alert until a moment."""
        return self._act(alert_id, lambda alert, now_s: lifecycle.shelve(alert, until_s, reason, who, now_s))

    def unshelve(self, alert_id: str, who: str) -> Alert | None:
        """Take an alert off the shelf before its time is over."""
        return self._act(alert_id, lambda alert, now_s: lifecycle.unshelve(alert, who, now_s))

    def take_out_of_service(self, alert_id: str, reason: str, who: str) -> Alert | None:
        """Switch an alert off until it is returned to service."""
        return self._act(alert_id, lambda alert, now_s: lifecycle.take_out_of_service(alert, reason, who, now_s))

    def return_to_service(self, alert_id: str, who: str) -> Alert | None:
        """Switch an alert on again."""
        return self._act(alert_id, lambda alert, now_s: lifecycle.return_to_service(alert, who, now_s))

    def _act(self, alert_id: str, how: _Deed) -> Alert | None:
        answer: Alert | None = _wait(self._worker.ask(self._acting(alert_id, how)))
        return answer

    def begin_session(self, token: str, lasts_s: float) -> str | None:
        """Begin a session with a token; None if it is not valid."""
        session: str | None = _wait(self._worker.ask(lambda: self._record.begin_session(token, lasts_s, self._clock())))
        return session

    def end_session(self, session: str) -> None:
        """End a session."""
        _wait(self._worker.ask(lambda: self._record.end_session(session)))

    def claim(self, token: str) -> Claim:
        """Return what the token of a message's link allows. LinkError says why it allows nothing."""
        return read_link(self._key, token, self._clock())

    def _acknowledged_from_afar(self, alert_id: str, who: str) -> None:
        """Acknowledge at the word of the broker; its thread does not wait."""
        deed: _Deed = lambda alert, now_s: lifecycle.acknowledge(alert, who, now_s)  # noqa: E731 - a value with a type
        answer = self._worker.ask(self._acting(alert_id, deed))
        answer.add_done_callback(lambda done: _log_refused(alert_id, done))

    def _acting(self, alert_id: str, how: _Deed) -> Callable[[], Alert | None]:
        def acted() -> Alert | None:
            now_s = self._clock()

            def deed(alert: Alert) -> tuple[Alert, Transition | None]:
                return how(alert, now_s)

            with self._pipeline.undone_on_error(), self._own.undone_on_error():
                result = self._pipeline.act(alert_id, deed) or self._own.act(alert_id, deed)
                if result is None:
                    return None
                alert, transitions = result
                with self._record.transaction():
                    self._record.save_transitions(transitions)
                    self._office.moved(transitions, now_s)
            self._out.moved(transitions)
            self._feed.publish((alert.sump,), (alert.id,))
            return alert

        return acted

    def subscribe(self) -> Subscription:
        """Return a subscription to change notices."""
        return self._feed.subscribe()

    @property
    def idle_s(self) -> float:
        """How long ago the worker last came round (real seconds)."""
        return self._worker.idle_s

    def clock(self) -> float:
        """Return now by the plant's clock."""
        return self._clock()

    def counters(self) -> Mapping[str, float]:
        """Return counters that only grow."""
        counted = {**asdict(self._worker.counters), **asdict(self._out.senders.counters)}
        counted["messages_reached_nobody"] = self._office.reached_nobody
        return {name: float(value) for name, value in counted.items()}

    def hygiene(self, from_s: float, to_s: float) -> Hygiene:
        """Return the report on the alerts of a span."""
        return hygiene_of(self.plant, self._reader, from_s, to_s)

    def health(self) -> Health:
        """Tell how the daemon itself is doing."""
        return self._doctor.health()


def _log_refused(alert_id: str, done: Future[Alert | None]) -> None:
    error = done.exception()
    if error is not None:
        log.warning("acknowledgement of %s over MQTT: %s", alert_id, error)
    elif done.result() is None:
        log.warning("acknowledgement over MQTT of %s: there is no such open alert", alert_id)


def _wait(answer: Any) -> Any:
    try:
        return answer.result(ANSWER_S)
    except AnswerTimeoutError as error:
        raise RecordError("the writer does not answer; see /health/ready and try again") from error
