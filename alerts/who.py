"""Who would get what at a moment, said line by line: for `bandkeeper check --who`. Pure."""

from __future__ import annotations

from collections.abc import Iterator

from alerts.attendance import attendance
from alerts.words import duration, moment
from monitor.plant.people import PRIORITIES, Route
from monitor.plant.rota import About, Told, routes_for, told
from monitor.plant.types import Plant

KIND = "outside_band"


def say_who(plant: Plant, time_s: float) -> Iterator[str]:
    """Say for each area and priority who is told by which way, who is next, and who holds the turns."""
    there = attendance(plant.attended, time_s)
    yield f"{moment(plant, time_s, time_s)}: " + ("somebody is there" if there.attended else "nobody is there")
    if not plant.alerting.routes:
        yield "nobody is told anything: there is no [route.…]; alerts are on the page and over MQTT"
    for name, rota in plant.alerting.on_call.items():
        yield f"on call ({name}): {plant.alerting.people[rota.at(time_s)].name}"
    for area in dict.fromkeys(sump.area for sump in plant.sumps.values()):
        for priority in PRIORITIES:
            yield from _of_area(plant, area, priority, time_s)
    yield from _reports(plant, time_s)


def _of_area(plant: Plant, area: str, priority: str, time_s: float) -> Iterator[str]:
    head = f"{priority} alert" + (f" of {area}" if area else "")
    routes = routes_for(plant.alerting, About(priority, area, KIND), plant.attended, time_s)
    if plant.alerting.routes and not routes:
        yield f"{head}: nobody (no route takes it now)"
    for route in routes:
        people = told(plant.alerting, route.to, priority, time_s)
        who = "; ".join(_person(plant, one, time_s) for one in people) or "nobody"
        yield f"{head}, route {route.id}: {who}{_then(plant, route, priority, time_s)}"


def _person(plant: Plant, one: Told, time_s: float) -> str:
    person = plant.alerting.people[one.person]
    ways = ", then ".join(f"{way.channel}{' ' + way.to if way.to else ''}" for way in person.reach)
    held = f", held until {moment(plant, one.from_s, time_s)}" if one.from_s > time_s else ""
    return f"{person.name} by {ways}{held}"


def _then(plant: Plant, route: Route, priority: str, time_s: float) -> str:
    said = ""
    if route.escalate_after_s is not None:
        people = told(plant.alerting, route.escalate_to, priority, time_s + route.escalate_after_s)
        names = ", ".join(plant.alerting.people[one.person].name for one in people) or "nobody"
        said += f"; unacknowledged after {duration(route.escalate_after_s / 3600.0)}: {names}"
    if route.remind_every_s is not None:
        said += f"; again every {duration(route.remind_every_s / 3600.0)}, {route.reminders} times at most"
    return said


def _reports(plant: Plant, time_s: float) -> Iterator[str]:
    reports = plant.alerting.reports
    for what, to in (("hand-over and morning report", reports.to), ("all is well", reports.well_to)):
        if to and (what != "all is well" or reports.well_every_s is not None):
            names = ", ".join(
                plant.alerting.people[one.person].name for one in told(plant.alerting, to, "high", time_s)
            )
            yield f"{what}: {names or 'nobody'}"
