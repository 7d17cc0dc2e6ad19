"""The daemon's own troubles as alerts: a source that is down, a disk that is full, messages that nobody takes.

A trouble becomes an alert once it has stood for `ON_DELAY_S`, at once where only somebody can mend it; it goes through
the same life-cycle, routes and outbox as the alerts of sumps. Each carries its response: what helps stands in its text.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Final

from alerts import lifecycle
from alerts.conditions import Condition
from alerts.types import Alert, AlertKind, AlertState, Priority, Transition
from monitor.model.types import Side
from monitor.plant.people import Calling
from monitor.record.store import Record

ON_DELAY_S: Final = 600.0
KINDS: Final = (AlertKind.SOURCE_DOWN, AlertKind.OWN_FAULT)


@dataclass(frozen=True, slots=True)
class Trouble:
    """Something wrong with the watch itself: of which kind, what it is about, in words, and what helps.

    `at_once`: it will not pass by itself, so it is said without delay.
    """

    kind: AlertKind
    subject: str
    what: str
    remedy: str
    at_once: bool = False


class OwnAlerts:
    """Open alerts about the watch itself. Used on the worker's thread; `alerts` may be read from any.

    `open_before` and `recent` are what the record knows: alerts that stand, changes of the last day.
    """

    def __init__(
        self,
        record: Record,
        moved: Callable[[tuple[Transition, ...], float], None],
        open_before: Iterable[Alert],
        recent: Iterable[Transition] = (),
        calling: Calling | None = None,
    ) -> None:
        self._record, self._moved, self.calling = record, moved, calling or Calling()
        self._raises = lifecycle.noted({}, (move for move in recent if move.alert.kind in KINDS), (), 0.0)
        self._since: dict[tuple[AlertKind, str], float] = {}
        self.alerts: dict[str, Alert] = {alert.id: alert for alert in open_before if alert.kind in KINDS}

    def turn(self, troubles: Iterable[Trouble], now_s: float) -> tuple[Transition, ...]:
        """Look at what is wrong now; store and announce what changed."""
        standing = {(one.kind, one.subject): one for one in troubles}
        self._since = {key: self._since.get(key, now_s) for key in standing}
        conditions = [
            _condition(one, enter=one.at_once or now_s - self._since[key] >= ON_DELAY_S)
            for key, one in standing.items()
        ]
        alerts, moves = lifecycle.step(self.alerts, conditions, {}, now_s, raises=self._raises, calling=self.calling)
        if moves:
            self._store(moves, now_s)
        self.alerts = alerts
        self._raises = lifecycle.noted(self._raises, moves, (), now_s)
        return moves

    @contextmanager
    def undone_on_error(self) -> Iterator[None]:
        """Put the alerts back as they were if the block fails: what cannot be put on record has not happened."""
        before = self.alerts
        try:
            yield
        except BaseException:
            self.alerts = before
            raise

    def act(self, alert_id: str, deed: lifecycle.Deed) -> tuple[Alert, tuple[Transition, ...]] | None:
        """Do what somebody does to one of these alerts; None if there is none of that id."""
        alert = self.alerts.get(alert_id)
        if alert is None:
            return None
        moved, move = deed(alert)
        kept = {**self.alerts, alert_id: moved}
        if moved.state is AlertState.NORMAL:
            del kept[alert_id]
        self.alerts = kept
        return moved, (move,) if move is not None else ()

    def _store(self, moves: tuple[Transition, ...], now_s: float) -> None:
        with self._record.transaction():
            self._record.save_transitions(moves)
            self._moved(moves, now_s)


def _condition(one: Trouble, *, enter: bool) -> Condition:
    text = f"{one.what}: {one.remedy}." if one.remedy else f"{one.what}."
    priority = Priority.MEDIUM if one.kind is AlertKind.OWN_FAULT else Priority.LOW
    return Condition("", one.kind, _slug(one.subject), Side.NONE, priority, text, None, enter=enter)


def _slug(text: str) -> str:
    return re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-")[:40].strip("-") or "watch"
