"""What the status room asks of the house, answered from its parts: pictures, acts on alerts, entries, health."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Iterator, Mapping
from concurrent.futures import Future
from concurrent.futures import TimeoutError as AnswerTimeoutError
from dataclasses import asdict, replace
from functools import partial
from typing import Any, Final

from adapters.delivery import Delivery
from alerts import lifecycle
from alerts.hygiene import Hygiene
from alerts.links import Claim, read_link
from alerts.types import Alert, AlertKind, Transition
from monitor.fittings import Fittings
from monitor.hygiene import hygiene_of
from monitor.own_alerts import OwnAlerts, Trouble
from monitor.plant.errors import RecordError
from monitor.plant.reading import Act, Entry
from monitor.plant.types import Plant
from monitor.record.reader import Reader
from monitor.record.store import Record
from monitor.reload import Outcome
from monitor.snapshot import Snapshot
from monitor.status.board import Health
from monitor.status.feed import Feed, Subscription
from monitor.worker import Worker

log = logging.getLogger("bandkeeper")

ANSWER_S: Final = 10.0
FAULTY: Final = "the plant file was not taken up, the one before stays in force"
_NO_ANSWER: Final = "the writer does not answer; see /health/ready and try again"
_Deed = Callable[[Alert, float], tuple[Alert, Transition | None]]


class Desk:
    """Implements `monitor.status.board.Board`. Its parts are wired by `monitor.daemon.Daemon`; any thread may ask."""

    _clock: Callable[[], float]
    _record: Record
    _reader: Reader
    _worker: Worker
    _own: OwnAlerts
    _feed: Feed
    _key: bytes
    _now: Fittings
    _before: Snapshot | None
    _outcome: Outcome
    _doubts: Callable[[], str]
    _undone: list[Delivery]

    @property
    def plant(self) -> Plant:
        """The plant file in force."""
        return self._now.plant

    def snapshot(self) -> Snapshot:
        """Return the latest picture of the plant, with the alerts about the watch itself."""
        before, own = self._before, self._own.alerts
        picture = before if before is not None and self._worker.behind else self._now.pipeline.snapshot
        return replace(picture, alerts=(*picture.alerts, *own.values())) if own else picture

    def reader(self) -> Reader:
        """Return a reader of the record."""
        return self._reader

    def submit(self, entry: Entry) -> bool:
        """Put an entry on record. RecordError if it cannot be written or the worker does not answer."""
        return bool(_wait(self._worker.submit(entry)))

    def acknowledge(self, alert_id: str, who: str) -> Alert | None:
        """Acknowledge an alert."""
        return self._act(alert_id, partial(_acknowledged, who))

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
        answer: Alert | None = self._ask(self._acting(alert_id, how), patient=True)
        return answer

    def begin_session(self, token: str, lasts_s: float) -> str | None:
        """Begin a session with a token; None if it is not valid."""
        session: str | None = self._ask(lambda: self._record.begin_session(token, lasts_s, self._clock()))
        return session

    def end_session(self, session: str) -> None:
        """End a session."""
        self._ask(lambda: self._record.end_session(session))

    def claim(self, token: str) -> Claim:
        """Return what the token of a message's link allows. LinkError says why it allows nothing."""
        return read_link(self._key, token, self._clock())

    def _heard(self, delivery: Delivery) -> None:
        """Take a delivery (any thread, never blocks): what people do to alerts is done here, the rest is stored."""
        if not delivery.acts:
            self._worker.deliver(delivery)
            return
        answer = self._worker.ask(lambda: self._do_all(delivery.acts), patient=True)
        answer.add_done_callback(lambda done: self._did(delivery, done.exception()))

    def _do_all(self, acts: Iterable[Act]) -> None:
        """Acknowledge; what cannot be acknowledged any more is said in the log and done with."""
        for act in acts:
            try:
                known = self._acting(act.alert_id, partial(_acknowledged, act.who))() is not None
            except lifecycle.AlertStateError as error:
                log.warning("acknowledgement over MQTT by %s: %s", act.who, error)
            else:
                if not known:
                    log.warning("acknowledgement over MQTT by %s: there is no open alert %s", act.who, act.alert_id)

    def _did(self, delivery: Delivery, error: BaseException | None) -> None:
        """Confirm acts that are on record; those that could not be put there are done again with the next turn."""
        if isinstance(error, RecordError):
            self._undone.append(delivery)
            return
        if error is not None:
            log.error("own fault in an acknowledgement over MQTT", exc_info=error)
        delivery.done()

    def _act_again(self) -> None:
        undone, self._undone = self._undone, []
        for delivery in undone:
            self._heard(delivery)

    def _acting(self, alert_id: str, how: _Deed) -> Callable[[], Alert | None]:
        def acted() -> Alert | None:
            now_s = self._clock()

            def deed(alert: Alert) -> tuple[Alert, Transition | None]:
                return how(alert, now_s)

            with self._now.pipeline.undone_on_error(), self._own.undone_on_error():
                result = self._now.pipeline.act(alert_id, deed) or self._own.act(alert_id, deed)
                if result is None:
                    return None
                alert, transitions = result
                with self._record.transaction():
                    self._record.save_transitions(transitions)
                    self._now.office.moved(transitions, now_s)
            self._now.out.moved(transitions)
            self._feed.publish((alert.sump,), (alert.id,))
            return alert

        return acted

    def _ask(self, what: Callable[[], Any], *, within_s: float = ANSWER_S, patient: bool = False) -> Any:
        """Have something done on the worker's thread. RecordError if it does not come to that: it never will."""
        answer = self._worker.ask(what, patient=patient)
        try:
            return answer.result(within_s)
        except AnswerTimeoutError:
            if not answer.cancel():  # it is being done right now
                return _wait(answer)
            raise RecordError(_NO_ANSWER) from None

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
        counted = {**asdict(self._worker.counters), **asdict(self._now.out.senders.counters)}
        counted["messages_reached_nobody"] = self._now.office.reached_nobody
        return {name: float(value) for name, value in counted.items()}

    def hygiene(self, from_s: float, to_s: float) -> Hygiene:
        """Return the report on the alerts of a span."""
        return hygiene_of(self.plant, self._reader, from_s, to_s)

    def health(self) -> Health:
        """Tell how the daemon itself is doing."""
        found = self._now.doctor.health()
        return replace(found, plant_warnings=(*found.plant_warnings, *self._remarks()))

    def _remarks(self) -> tuple[str, ...]:
        clock = [said for said in (self._doubts(),) if said]
        if self._outcome.done:
            return (*clock, *self._outcome.remarks)
        return (*clock, f"{FAULTY}: {self._outcome.lines[0]}", *self._outcome.lines[1:])

    def _faulty_file(self) -> Iterator[Trouble]:
        """Yield the plant file as a trouble as long as the daemon goes on by an older one."""
        if not self._outcome.done:
            what = f"{FAULTY}: {len(self._outcome.lines)} faults, the first is {self._outcome.lines[0]}"
            yield Trouble(AlertKind.OWN_FAULT, "plant-file", what, "mend it (bandkeeper check) and reload")


def _acknowledged(who: str, alert: Alert, now_s: float) -> tuple[Alert, Transition | None]:
    return lifecycle.acknowledge(alert, who, now_s)


def _wait(answer: Future[Any]) -> Any:
    try:
        return answer.result(ANSWER_S)
    except AnswerTimeoutError as error:
        raise RecordError(_NO_ANSWER) from error
