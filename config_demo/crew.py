"""The people of the invented works: they do their rounds, read the recipe, carry it out as people do, log some of it.

A person measures litres with buckets and concentrate with a jug: a little is rounded, a little is spilt. Their errors
are drawn by name (seed, sump, time) and are part of the world, not of the daemon.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Final, Literal, Protocol

from config_demo.feed import stamp
from config_demo.story import UNTOUCHED
from config_demo.world import SumpTruth, World

SETTLE_S: Final = 45 * 60.0  # from the last bucket until everybody compares: circulation and a few readings
_ACTED_ON: Final = ("leaves_band_unattended", "outside_band", "loss_jump")
_WEEKDAYS: Final = 5


class Display(Protocol):
    """Where somebody reads a recipe."""

    def recipe(self, sump: str) -> dict[str, Any] | None:
        """Return the recipe of a sump, if it has one."""


class Desk(Display, Protocol):
    """Where somebody reads everything else and writes things down."""

    def sump(self, sump: str) -> dict[str, Any]:
        """Return all that is said of a sump."""

    def alerts(self) -> list[dict[str, Any]]:
        """Return all alerts."""

    def log(self, entry: Mapping[str, Any]) -> None:
        """Write a line into the log book."""

    def acknowledge(self, alert_id: str, who: str) -> None:
        """Say that somebody has seen to an alert."""


@dataclass(frozen=True, slots=True)
class Person:
    """Somebody of the crew: when they go round, where they read, how often they write down what they did."""

    name: str
    rounds: tuple[str, ...]
    reads: Literal["http", "mqtt"]
    logs: float
    checks: str = ""  # wall-clock time of a round with the hand refractometer, on Mondays and the first day


CREW: Final = (
    Person("Inês", ("08:20", "13:10"), "http", 0.9, checks="07:20"),
    Person("Bruno", ("18:20", "20:45"), "mqtt", 0.5),
)


@dataclass(frozen=True, slots=True)
class Poured:
    """Mix that somebody poured into a sump, and whether it was written down."""

    sump: str
    time_s: float
    volume_l: float
    pct: float
    logged: bool


@dataclass(slots=True)
class Act:
    """One recipe carried out: what it promised, what was true, what the daemon then believed."""

    sump: str
    person: str
    kind: str
    time_s: float
    logged: bool
    alert_ids: tuple[str, ...]
    said_l: float
    said_pct: float
    said_p10: float
    said_p90: float
    twin: SumpTruth | None = None
    truth_l: float | None = None
    truth_pct: float | None = None
    estimate_l: float | None = None
    estimate_pct: float | None = None

    @property
    def landed(self) -> bool:
        """Tell whether truth and estimate have been looked at afterwards."""
        return self.truth_pct is not None and self.estimate_pct is not None

    @property
    def inside(self) -> bool:
        """Tell whether the truth lies inside the interval that the recipe stated."""
        return self.truth_pct is not None and self.said_p10 <= self.truth_pct <= self.said_p90


@dataclass(slots=True)
class Crew:
    """Everybody, with what they have done so far. `tell` gets a sentence for each noteworthy thing."""

    world: World
    desk: Desk
    display: Display
    tell: Callable[[str], None]
    people: Sequence[Person] = CREW
    acts: list[Act] = field(default_factory=list)
    poured: list[Poured] = field(default_factory=list)
    checks: int = 0
    mended: list[tuple[str, float]] = field(default_factory=list)

    def due(self, local: datetime) -> list[Person]:
        """Return who sets out on a round at this minute; nobody at the weekend."""
        clock = f"{local:%H:%M}"
        at_work = local.weekday() < _WEEKDAYS
        return [person for person in self.people if at_work and clock in (*person.rounds, person.checks)]

    def go_round(self, person: Person, first_day: bool) -> None:
        """Let a person do the round that is due now: hand checks, or what the open alerts ask for."""
        local = self.world.local()
        if f"{local:%H:%M}" == person.checks:
            if first_day or local.weekday() == 0:
                self._check_all(person)
            return
        wanted = _by_sump(self.desk.alerts())
        for sump, alerts in wanted.items():
            if sump != UNTOUCHED and sump in self.world.sumps:
                self._see_to(person, sump, alerts)

    def settling(self) -> list[Act]:
        """Return the acts that have settled by now and have not been compared."""
        now_s = self.world.now_s
        return [act for act in self.acts if not act.landed and now_s >= act.time_s + SETTLE_S]

    def settled(self) -> list[Act]:
        """Compare promise, truth and belief for the acts that have settled by now; returns those."""
        ripe = self.settling()
        for act in ripe:
            fill, believed = self.world.sumps[act.sump].fill, self.desk.sump(act.sump)
            act.truth_l, act.truth_pct = fill.volume_l, fill.pct
            act.estimate_l, act.estimate_pct = believed["volume_l"], believed["concentration_pct"]
        return ripe

    def _check_all(self, person: Person) -> None:
        for name, sump in self.world.sumps.items():
            if name == UNTOUCHED:
                continue
            value = round(sump.fill.pct + self._draw(name, "check").gauss(0.0, 0.08), 1)
            self._log(person, name, {"kind": "check", "value": value, "unit": "%"})
            self.checks += 1
        self.tell(f"{person.name} goes round with the hand refractometer and logs {self.checks} checks")

    def _see_to(self, person: Person, sump: str, alerts: Sequence[Mapping[str, Any]]) -> None:
        told = (self.display if person.reads == "mqtt" else self.desk).recipe(sump)
        recipe = _doable_now(told, stamp(self.world.now_s))
        if recipe is None:
            return
        twin = self.world.sumps[sump].twin()
        if any(step["do"] == "look" for step in recipe["steps"]) and self.world.sumps[sump].mend():
            self.mended.append((sump, self.world.now_s))
            self.tell(f"{person.name} looks over {sump} as told, finds the hose that drips and ties it off")
        if any(step["do"] == "add" for step in recipe["steps"]):
            self._carry_out(person, sump, recipe, alerts, twin)
        for alert in alerts:
            if alert.get("state") == "unacknowledged":
                self.desk.acknowledge(str(alert["id"]), person.name)

    def _carry_out(
        self,
        person: Person,
        sump: str,
        recipe: Mapping[str, Any],
        alerts: Sequence[Mapping[str, Any]],
        twin: SumpTruth,
    ) -> None:
        draw, lands = self._draw(sump, "act"), recipe["lands"]
        logged = draw.random() < person.logs
        done = [self._do(person, sump, step, draw, logged=logged) for step in recipe["steps"]]
        self.world.twins.append(twin)
        self.acts.append(
            Act(
                sump=sump,
                person=person.name,
                kind=recipe["kind"],
                time_s=self.world.now_s,
                logged=logged,
                alert_ids=tuple(str(alert["id"]) for alert in alerts),
                said_l=lands["volume_l"],
                said_pct=lands["concentration_pct"],
                said_p10=lands["p10"],
                said_p90=lands["p90"],
                twin=twin,
            )
        )
        where = "the display" if person.reads == "mqtt" else "the phone"
        words = ", ".join(filter(None, done))
        self.tell(
            f"{person.name} reads {sump}'s recipe off {where}: {words}{'; logs it' if logged else '; logs nothing'}"
        )

    def _do(self, person: Person, sump: str, step: Mapping[str, Any], draw: random.Random, *, logged: bool) -> str:
        truth = self.world.sumps[sump]
        if step["do"] == "take_out":
            volume_l = truth.take_out(as_people_measure(step["volume_l"]) * draw.gauss(1.0, 0.01))
            if logged:
                self._log(person, sump, {"kind": "removal", "volume_l": as_people_measure(volume_l)})
            return f"{volume_l:.0f} L out"
        if step["do"] == "add":
            told_l, told_pct = as_people_measure(step["volume_l"]), step["mix_pct"]
            pct = told_pct * draw.gauss(1.0, 0.02)
            volume_l = truth.pour(told_l * draw.gauss(1.0, 0.01), pct)
            self.poured.append(Poured(sump, self.world.now_s, volume_l, pct, logged))
            if logged:
                self._log(person, sump, {"kind": "top_up", "volume_l": told_l, "mix_pct": told_pct})
            return f"{volume_l:.0f} L of {told_pct:.1f} % in"
        return ""

    def _log(self, person: Person, sump: str, what: Mapping[str, Any]) -> None:
        minutes_off = round(self._draw(sump, "clock").uniform(0.0, 6.0))
        time = stamp(self.world.now_s - 60.0 * minutes_off)
        self.desk.log({"sump": sump, "time": time, "note": f"by {person.name}", **what})

    def _draw(self, sump: str, what: str) -> random.Random:
        return self.world.fate.stream("people", what, sump, self.world.now_s)


def as_people_measure(volume_l: float) -> float:
    """Round litres as somebody with a bucket does: whole litres, half ones below ten, a tenth below one."""
    if volume_l < 1.0:
        return max(round(volume_l, 1), 0.1)
    return float(round(volume_l)) if volume_l >= 10.0 else round(volume_l * 2.0) / 2.0


def _by_sump(alerts: Sequence[Mapping[str, Any]]) -> dict[str, list[Mapping[str, Any]]]:
    """Group the open alerts that ask for hands by sump."""
    wanted: dict[str, list[Mapping[str, Any]]] = {}
    for alert in alerts:
        if alert.get("cleared_at") is None and alert["kind"] in _ACTED_ON:
            wanted.setdefault(str(alert["sump"]), []).append(alert)
    return wanted


def _doable_now(recipe: Mapping[str, Any] | None, now: str) -> Mapping[str, Any] | None:
    """Return the recipe if it can be done now, what to do instead if it would have to wait, else nothing."""
    for candidate in (recipe, (recipe or {}).get("instead")):
        if candidate and not any(
            step["do"] == "wait_until" and step.get("time", "") > now for step in candidate["steps"]
        ):
            return candidate
    return None
