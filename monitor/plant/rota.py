"""Who is told of an alert at a moment: routes, groups, on-call turns, who is there, quiet hours. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from monitor.plant.calendar import WeeklyCalendar
from monitor.plant.people import Alerting, Person, Route

HOUR_S = 3600.0
WEEK_H = 168
_TRIES = 16


@dataclass(frozen=True, slots=True)
class About:
    """What a message is about: priority, area of the sump (None: of no sump, so of all areas), kind of the alert."""

    priority: str
    area: str | None
    kind: str


@dataclass(frozen=True, slots=True)
class Told:
    """A person who is to be told, from `from_s` on (later than now: held over quiet hours or until they are there)."""

    person: str
    from_s: float
    on_call: bool = False


def routes_for(alerting: Alerting, about: About, attended: WeeklyCalendar, time_s: float) -> tuple[Route, ...]:
    """Return the routes that an alert takes at a moment, in the order of the file."""
    return tuple(route for route in alerting.routes.values() if _takes(route, about, attended, time_s))


def _takes(route: Route, about: About, attended: WeeklyCalendar, time_s: float) -> bool:
    return (
        about.priority in route.priorities
        and (not route.areas or about.area is None or about.area in route.areas)
        and (not route.kinds or about.kind in route.kinds)
        and (route.when == "always" or attended.covers(time_s) == (route.when == "attended"))
    )


def told(alerting: Alerting, names: Sequence[str], priority: str, time_s: float) -> tuple[Told, ...]:
    """Return who of these people, groups and rotas is told, each once.

    Who is on call or has no hours of their own is told now (after quiet hours, where they hold it back); who has hours
    is told while there. If that leaves nobody, whoever is there first is told then.
    """
    now: dict[str, Told] = {}
    later: list[Told] = []
    for name, on_call in _members(alerting, names, time_s):
        person = alerting.people[name]
        away = not on_call and person.there is not None and not person.there.covers(time_s)
        from_s = _reachable_from(person, priority, time_s, on_call=on_call)
        if from_s is None:
            continue
        one = Told(name, from_s, on_call)
        if away:
            later.append(one)
        elif name not in now or one.from_s < now[name].from_s:
            now[name] = one
    if now or not later:
        return tuple(now.values())
    return (min(later, key=lambda one: one.from_s),)


def _members(alerting: Alerting, names: Iterable[str], time_s: float) -> Iterator[tuple[str, bool]]:
    for name in names:
        if name in alerting.on_call:
            yield alerting.on_call[name].at(time_s), True
        elif name in alerting.groups:
            yield from ((person, False) for person in alerting.groups[name])
        elif name in alerting.people:
            yield name, False


def _reachable_from(person: Person, priority: str, time_s: float, *, on_call: bool) -> float | None:
    """Return the first moment at which the person is there and not to be left in peace; None if there is none."""
    at_s = time_s
    for _ in range(_TRIES):
        start_s = at_s if on_call or person.there is None else person.there.next_start_s(at_s)
        if start_s is None:
            return None
        if priority in person.quiet_lets_through or not person.quiet.covers(start_s):
            return start_s
        end_s = person.quiet.next_end_s(start_s)
        if end_s is None:
            return None
        at_s = end_s
    return None


def reached(alerting: Alerting, about: About, attended: WeeklyCalendar, time_s: float) -> dict[str, tuple[Told, ...]]:
    """Return who is told by which route."""
    found = routes_for(alerting, about, attended, time_s)
    return {route.id: told(alerting, route.to, about.priority, time_s) for route in found}


def silent_hours(
    alerting: Alerting, about: About, attended: WeeklyCalendar, from_s: float, hours: int = WEEK_H
) -> list[tuple[float, float]]:
    """Return the hours after `from_s` in which such an alert would reach nobody at once, joined to spans."""
    spans: list[tuple[float, float]] = []
    for hour in range(hours):
        start = from_s + HOUR_S * hour
        if _reaches(alerting, about, attended, start):
            continue
        if spans and spans[-1][1] == start:
            spans[-1] = (spans[-1][0], start + HOUR_S)
        else:
            spans.append((start, start + HOUR_S))
    return spans


def _reaches(alerting: Alerting, about: About, attended: WeeklyCalendar, time_s: float) -> bool:
    found = reached(alerting, about, attended, time_s)
    people = (some for route, some in found.items() if not alerting.routes[route].every_change)  # the rest is programs
    return any(one.from_s <= time_s for some in people for one in some)
