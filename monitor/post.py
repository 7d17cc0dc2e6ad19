"""The post office: which messages a change calls for, who gets them, what has to be said again, the regular reports.

Called on the worker's thread, inside the transaction that stores the change: a message is on disk with its cause or
not at all. Everything that has to happen later (escalation, reminders, letters held over quiet hours) lies in the
record too, so a restart forgets nothing; whoever is on call is asked for when it is due, not when it was planned.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from alerts.attendance import attendance
from alerts.envelope import event_name
from alerts.letters import Content, Links, alert_content
from alerts.links import VALID_S, Claim, sign_link
from alerts.reports import SHORTEST_GAP_S, Seen, all_is_well, hand_over, leads_to_a_gap, monthly, morning
from alerts.types import Alert, AlertState, Transition
from monitor.hygiene import hygiene_of
from monitor.plant.people import Route
from monitor.plant.rota import About, Told, routes_for, told
from monitor.plant.types import Plant
from monitor.record.outbox import FollowUp, Message
from monitor.record.store import Record
from monitor.snapshot import Snapshot

log = logging.getLogger("bandkeeper.post")

EVENTS: Final = "=events"
"""The channel of the event stream over MQTT; no name of a plant file begins so."""
STREAM: Final = "event stream"
CALLS: Final = {"raised", "returned", "unshelved", "unsuppressed", "returned_to_service"}
AWAY_S: Final = 300.0
MORNING_WITHIN_S: Final = 4 * 3600.0
PATIENCE_S: Final = 900.0
"""So long the morning report waits for a picture of the same morning."""
MONTHLY_WITHIN_S: Final = 7 * 86400.0
LOOK_BACK_S: Final = 16 * 86400.0


class PostOffice:
    """Writes messages into the outbox of a record."""

    def __init__(
        self, plant: Plant, record: Record, key: bytes, *, seen_alert: Callable[[str], Alert | None], stream: bool
    ) -> None:
        self._plant, self._record, self._key = plant, record, key
        self._seen_alert = seen_alert
        self._stream = stream
        self._reported: set[str] = set()
        self.reached_nobody = 0

    # changes of alerts

    def moved(self, transitions: Sequence[Transition], now_s: float) -> None:
        """Write what new transitions call for. Inside the transaction that stores them, before it ends."""
        messages: list[Message] = []
        follow_ups: list[FollowUp] = []
        for transition in transitions:
            if self._stream:
                messages.append(self._streamed(transition))
            for route in self._routes(transition.alert, now_s):
                found, later = self._by_route(route, transition, now_s)
                messages += found
                follow_ups += later
        settled = [t.alert_id for t in transitions if t.after is not AlertState.UNACKNOWLEDGED]
        if messages or follow_ups or settled:
            self._record.post(messages, now_s, follow_ups=follow_ups, settled=settled)

    def _streamed(self, transition: Transition) -> Message:
        said = alert_content(transition, self._plant, Links())
        return Message(f"{transition.id}/{EVENTS}", transition.id, STREAM, ((EVENTS, ""),), said.as_json(), 0.0)

    def _routes(self, alert: Alert, now_s: float) -> tuple[Route, ...]:
        return routes_for(self._plant.alerting, self._about(alert), self._plant.attended, now_s)

    def _about(self, alert: Alert) -> About:
        sump = self._plant.sumps.get(alert.sump)
        return About(alert.priority.value, None if sump is None else sump.area, alert.kind.value)

    def _by_route(
        self, route: Route, transition: Transition, now_s: float
    ) -> tuple[list[Message], tuple[FollowUp, ...]]:
        name = event_name(transition)
        more_urgent = name == "updated" and transition.reason.startswith("now of")
        calls = name in CALLS or more_urgent
        if not calls and not route.every_change:
            return [], ()
        people = told(self._plant.alerting, route.to, transition.alert.priority.value, now_s)
        if calls and not people:
            self.reached_nobody += 1
            log.warning("%s reaches nobody by route %s", transition.alert_id, route.id)
        messages = list(self._messages(transition, people, transition.id, now_s))
        return messages, self._follow_ups(route, transition, now_s) if calls else ()

    def _messages(
        self, transition: Transition, people: Iterable[Told], event: str, now_s: float, again: str = ""
    ) -> Iterator[Message]:
        for one in people:
            person = self._plant.alerting.people[one.person]
            ways = tuple((reach.channel, reach.to) for reach in person.reach)
            links = self._links(transition.alert, person.name, now_s)
            said = _with_id(alert_content(transition, self._plant, links, again=again), event, again)
            held = one.from_s > now_s
            yield Message(
                f"{event}/{one.person}",
                event,
                one.person,
                ways,
                said.as_json(),
                one.from_s,
                transition.alert_id,
                only_if_open=held or bool(again),
            )

    def _links(self, alert: Alert, who: str, now_s: float) -> Links:
        page = "" if self._plant.status is None else self._plant.status.address
        if not page:
            return Links()
        where = f"{page}/sump/{alert.sump}" if alert.sump in self._plant.sumps else f"{page}/"
        if alert.state is not AlertState.UNACKNOWLEDGED:
            return Links(where)
        token = sign_link(self._key, Claim(alert.id, who, now_s + VALID_S))
        return Links(where, f"{page}/acknowledge/{token}")

    def _follow_ups(self, route: Route, transition: Transition, now_s: float) -> tuple[FollowUp, ...]:
        def later(step: str, after_s: float | None) -> list[FollowUp]:
            if after_s is None:
                return []
            name = f"{transition.id}/{route.id}/{step}/1"
            return [FollowUp(name, transition.alert_id, transition.id, route.id, step, 1, now_s + after_s)]

        return (*later("escalate", route.escalate_after_s), *later("remind", route.remind_every_s))

    # what is due

    def turn(self, snapshot: Snapshot, now_s: float) -> None:
        """Write what is due by now: escalations, reminders, reports. A transaction of its own."""
        if self._record.has_due_follow_ups(now_s):
            with self._record.transaction():
                for one in self._record.take_due_follow_ups(now_s):
                    self._say_again(one, now_s)
        self._report(snapshot, now_s)

    def _say_again(self, one: FollowUp, now_s: float) -> None:
        alert, route = self._seen_alert(one.alert_id), self._plant.alerting.routes.get(one.route)
        if alert is None or route is None or alert.state is not AlertState.UNACKNOWLEDGED:
            return
        if alert.absent_s is not None:  # its condition is away just now: wait whether it clears or comes back
            self._record.post((), now_s, follow_ups=[replace(one, due_s=now_s + AWAY_S)])
            return
        escalates = one.step == "escalate"
        again = "nobody has acknowledged" if escalates else f"reminder {one.number}"
        event = f"{one.transition_id}-{one.step}-{one.number}"
        names = route.escalate_to if escalates else route.to
        people = told(self._plant.alerting, names, alert.priority.value, now_s)
        move = Transition(one.transition_id, alert.id, now_s, alert.state, alert.state, again, alert)
        self._record.post(
            list(self._messages(move, people, event, now_s, again)), now_s, follow_ups=_next(one, route, now_s)
        )

    # reports

    def _report(self, snapshot: Snapshot, now_s: float) -> None:
        reports = self._plant.alerting.reports
        seen = {v.sump: Seen(v.estimate, v.forecast, v.recipe) for v in snapshot.sumps.values()}
        if not seen:
            return
        page = "" if self._plant.status is None or not self._plant.status.address else self._plant.status.address
        there = attendance(self._plant.attended, now_s)
        soon = reports.hand_over_s is not None and there.until_s - now_s <= reports.hand_over_s
        if reports.to and soon and leads_to_a_gap(there):
            name = f"hand-over-{round(there.until_s)}"
            self._once(
                name,
                reports.to,
                now_s,
                lambda: hand_over(self._plant, seen, snapshot.alerts, now_s, name, f"{page}/round" if page else ""),
            )
        if reports.to and reports.morning and there.attended:
            self._morning(snapshot, now_s, f"{page}/checks" if page else "")
        if reports.to and reports.monthly and there.attended:
            self._monthly(now_s)
        if reports.well_to and reports.well_every_s is not None:
            name = f"all-is-well-{int(now_s // reports.well_every_s)}"
            self._once(
                name, reports.well_to, now_s, lambda: all_is_well(self._plant, seen, snapshot.alerts, now_s, name)
            )

    def _morning(self, snapshot: Snapshot, now_s: float, page: str) -> None:
        windows = self._plant.attended.intervals(now_s - LOOK_BACK_S, now_s + 1.0)
        if len(windows) < 2 or now_s - windows[-1][0] > MORNING_WITHIN_S:
            return
        from_s, start_s = windows[-2][1], windows[-1][0]
        if start_s - from_s < SHORTEST_GAP_S:
            return
        name, of_today = f"morning-{round(start_s)}", snapshot.now_s >= start_s
        if not of_today and now_s - start_s < PATIENCE_S:
            return  # the checks in the picture are still those for the night that is over
        checks = snapshot.checks if of_today else ()

        def said() -> Content:
            moves = self._record.reader().transitions(from_s, start_s)
            return morning(self._plant, moves, snapshot.alerts, checks, from_s, now_s, name, page)

        self._once(name, self._plant.alerting.reports.to, now_s, said)

    def _monthly(self, now_s: float) -> None:
        from_s, to_s = month_before(self._plant.zone, now_s)
        name = f"monthly-{round(from_s)}"
        if name in self._reported or now_s - to_s > MONTHLY_WITHIN_S:
            return
        if not self._record.has_event(name):
            report = hygiene_of(self._plant, self._record.reader(), from_s, to_s)
            if report.raised:
                to = self._plant.alerting.reports.to
                self._once(name, to, now_s, lambda: monthly(self._plant, report, now_s, name))
        self._reported.add(name)

    def _once(self, name: str, to: Sequence[str], now_s: float, say: Callable[[], Content]) -> None:
        """Write a report to everybody it is for, unless that was done before, in this life or an earlier one."""
        if name in self._reported:
            return
        if not self._record.has_event(name):
            body = say().as_json()
            people = told(self._plant.alerting, to, "high", now_s)
            ways = {one.person: self._plant.alerting.people[one.person].reach for one in people}
            self._record.post(
                [
                    Message(f"{name}/{p}", name, p, tuple((r.channel, r.to) for r in reach), body, now_s)
                    for p, reach in ways.items()
                ],
                now_s,
            )
        self._reported.add(name)


def month_before(zone: str, now_s: float) -> tuple[float, float]:
    """Return begin and end of the calendar month before a moment, in the plant's zone."""
    end = datetime.fromtimestamp(now_s, ZoneInfo(zone)).replace(day=1, hour=0, minute=0, second=0, microsecond=0)
    begin = (end - timedelta(days=1)).replace(day=1)
    return begin.timestamp(), end.timestamp()


def _next(one: FollowUp, route: Route, now_s: float) -> list[FollowUp]:
    if one.step != "remind" or route.remind_every_s is None or one.number >= route.reminders:
        return []
    number = one.number + 1
    name = f"{one.transition_id}/{route.id}/remind/{number}"
    return [FollowUp(name, one.alert_id, one.transition_id, one.route, "remind", number, now_s + route.remind_every_s)]


def _with_id(said: Content, event: str, again: str) -> Content:
    """Give the event of a repeat an id and a type of its own, so that receivers do not drop it."""
    if not again:
        return said
    kind = "escalated" if again.startswith("nobody") else "reminder"
    body = {**said.event, "id": event, "type": f"bandkeeper.alert.{kind}"}
    return Content(said.subject, said.text, said.html, said.short, body)
