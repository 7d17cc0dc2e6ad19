"""Who is told what, by which channel and when, as the plant file says it: plain frozen values."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Literal
from zoneinfo import ZoneInfo

from monitor.plant.calendar import WeeklyCalendar

PRIORITIES = ("high", "medium", "low")
When = Literal["always", "attended", "unattended"]
ChannelKind = Literal["mail", "webhook"]
Form = Literal["full", "short"]


@dataclass(frozen=True, slots=True)
class ChannelSpec:
    """A way out. `form` short sends 160 characters; `options` are the kind's own settings, checked by the loader.

    mail: host, port, security ("starttls", "tls", "plain"), username, password_file, ca_file, sender, timeout (s).
    webhook: url, secret_file, ca_file, timeout (s).
    """

    id: str
    kind: ChannelKind
    form: Form
    options: Mapping[str, object] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Reach:
    """One way to reach a person: a channel and the address there (empty for a webhook that needs none)."""

    channel: str
    to: str


@dataclass(frozen=True, slots=True)
class Person:
    """Somebody, or a program, that can be told.

    `there` None means at any time; in `quiet` hours only the `quiet_lets_through` priorities get through.
    """

    id: str
    name: str
    reach: tuple[Reach, ...]
    there: WeeklyCalendar | None
    quiet: WeeklyCalendar
    quiet_lets_through: tuple[str, ...] = ("high",)


@dataclass(frozen=True, slots=True)
class OnCall:
    """People who take turns of `turn_days`, the first from the local midnight of day `first_day` (ordinal) on."""

    id: str
    people: tuple[str, ...]
    zone: str
    first_day: int
    turn_days: int = 7

    def at(self, time_s: float) -> str:
        """Return who is on call; hand-over is at local midnight. Before the first turn the order runs backwards."""
        day = datetime.fromtimestamp(time_s, ZoneInfo(self.zone)).date().toordinal()
        return self.people[(day - self.first_day) // self.turn_days % len(self.people)]


@dataclass(frozen=True, slots=True)
class Route:
    """Which alerts go to whom: `to` and `escalate_to` name people, groups and rotas; no `areas` or `kinds` mean all."""

    id: str
    to: tuple[str, ...]
    priorities: tuple[str, ...] = PRIORITIES
    areas: tuple[str, ...] = ()
    kinds: tuple[str, ...] = ()
    when: When = "always"
    every_change: bool = False
    escalate_after_s: float | None = None
    escalate_to: tuple[str, ...] = ()
    remind_every_s: float | None = None
    reminders: int = 6


@dataclass(frozen=True, slots=True)
class Reports:
    """The regular messages: before the attended window ends, after the night, after the month, all is well."""

    to: tuple[str, ...] = ()
    hand_over_s: float | None = 3600.0
    morning: bool = True
    monthly: bool = True
    well_every_s: float | None = None
    well_to: tuple[str, ...] = ()
    accept_gaps: bool = False


@dataclass(frozen=True, slots=True)
class Calling:
    """When something becomes a call, and when it is over: chances and shares from 0 to 1, delays in seconds.

    `chance_…` is how likely a sump has to go rich or lean before somebody is back, `low_…` how likely it has to fall
    below its lowest level; `hand_over_chance` puts it on the list before the window ends. A condition enters as soon as
    it is `sure` (with that chance) and leaves with the opposite chance and inside by the dead band.
    """

    lead_s: float = 4 * 3600.0
    chance_attended: float = 0.4
    chance_unattended: float = 0.5
    low_attended: float = 0.2
    low_unattended: float = 0.3
    hand_over_chance: float = 0.1
    sure: float = 0.75
    dead_band: float = 0.05
    dead_level: float = 0.02
    off_delay_s: float = 1800.0
    hold_s: float = 6 * 3600.0

    @property
    def lead_h(self) -> float:
        """The lead in hours."""
        return self.lead_s / 3600.0

    def chance_needed(self, *, low: bool, attended: bool) -> float:
        """Return how likely an exit has to be: less where the pump may draw air, more where somebody is woken."""
        if low:
            return self.low_attended if attended else self.low_unattended
        return self.chance_attended if attended else self.chance_unattended


@dataclass(frozen=True, slots=True)
class Closure:
    """Days (ordinals, both included) on which the plant is closed, or only some of its machines are shut down."""

    first_day: int
    last_day: int
    name: str
    sumps: tuple[str, ...] = ()

    def covers(self, day: int) -> bool:
        """Tell whether a day lies in the closure."""
        return self.first_day <= day <= self.last_day


@dataclass(frozen=True, slots=True)
class Alerting:
    """All of it. Without a route nothing is sent; alerts are shown on the page and over MQTT."""

    channels: Mapping[str, ChannelSpec] = field(default_factory=dict)
    people: Mapping[str, Person] = field(default_factory=dict)
    groups: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    on_call: Mapping[str, OnCall] = field(default_factory=dict)
    routes: Mapping[str, Route] = field(default_factory=dict)
    reports: Reports = field(default_factory=Reports)
    closures: tuple[Closure, ...] = ()
    calling: Calling = field(default_factory=Calling)


def closed_days(closures: tuple[Closure, ...], sump: str | None = None) -> frozenset[int]:
    """Return the days on which the whole plant is closed, with those on which this sump's machine is shut down."""
    meant = (one for one in closures if not one.sumps or sump in one.sumps)
    return frozenset(day for one in meant for day in range(one.first_day, one.last_day + 1))
