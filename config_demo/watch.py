"""What is measured during the demo: the simulated truth beside what the daemon believed and said.

Nothing in the closing summary is asserted beforehand; every figure is counted here from the run itself.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from statistics import median
from typing import Final

from alerts.types import Alert, AlertKind
from config_demo.crew import Act, Poured
from config_demo.world import STEP_S, Fill, World
from monitor.model.types import Event, EventKind, Side
from monitor.plant.types import Plant
from monitor.snapshot import Snapshot

_MATCH_S: Final = 90 * 60.0
_FIRST_SCORE_S: Final = 6 * 3600.0 + STEP_S  # a few hours of life, and the minute in which the hour is pictured
_SCORE_EVERY_S: Final = 3600.0


@dataclass(frozen=True, slots=True)
class Limits:
    """The band and the lowest volume of a sump."""

    band_pct: tuple[float, float]
    lowest_l: float

    def side(self, fill: Fill) -> Side:
        """Tell on which side a fill is out; `Side.NONE` inside."""
        if fill.volume_l < self.lowest_l:
            return Side.LOW
        low, high = self.band_pct
        return Side.LEAN if fill.pct < low else Side.RICH if fill.pct > high else Side.NONE


def limits_of(plant: Plant) -> dict[str, Limits]:
    """Return the limits of every sump of a plant file."""
    return {name: Limits(sump.fluid.band_pct, sump.lowest_l) for name, sump in plant.sumps.items()}


@dataclass(frozen=True, slots=True)
class Spell:
    """A time that a sump spent outside its band; `to_s` is None while it lasts, `attended` if people saw it leave."""

    sump: str
    side: Side
    from_s: float
    attended: bool
    to_s: float | None = None


@dataclass(frozen=True, slots=True)
class Said:
    """What was forecast for a sump when its first alert came: moments of the likely exit, early to late."""

    time_s: float
    p10_s: float
    p50_s: float
    p90_s: float


@dataclass(slots=True)
class Watch:
    """The measuring of one run."""

    world: World
    limits: Mapping[str, Limits]
    attended: Callable[[float], bool]
    start_s: float
    spells: list[Spell] = field(default_factory=list)
    avoided: list[tuple[Act, Side, float]] = field(default_factory=list)
    events: dict[str, Event] = field(default_factory=dict)
    alerts: dict[str, Alert] = field(default_factory=dict)
    first_said: dict[str, Said] = field(default_factory=dict)
    off_pct: list[float] = field(default_factory=list)
    off_volume: list[float] = field(default_factory=list)
    _out: dict[str, Spell] = field(default_factory=dict)
    _next_score_s: float = 0.0

    def __post_init__(self) -> None:
        self._next_score_s = self.start_s + _FIRST_SCORE_S

    def minute(self, acts: Sequence[Act]) -> None:
        """Look at the truth of this minute: who is out, and whose untouched twin has left."""
        now_s = self.world.now_s
        for name, truth in self.world.sumps.items():
            self._follow(name, self.limits[name].side(truth.fill), now_s)
        for act in acts:
            self._follow_twin(act, acts, now_s)

    def look(self, snapshot: Snapshot) -> tuple[list[Event], list[Alert]]:
        """Take in a picture of the daemon's; returns the events and alerts that were not there before."""
        new_events = [event for event in snapshot.recent_events if event.id not in self.events]
        new_alerts = [alert for alert in snapshot.alerts if alert.id not in self.alerts]
        self.events.update((event.id, event) for event in new_events)
        self.alerts.update((alert.id, alert) for alert in snapshot.alerts)
        for alert in new_alerts:
            self._remember_forecast(alert, snapshot)
        return new_events, new_alerts

    def score_due(self) -> bool:
        """Tell whether it is time to hold the estimates against the truth; true once an hour."""
        if self.world.now_s < self._next_score_s:
            return False
        self._next_score_s += _SCORE_EVERY_S
        return True

    def score(self, snapshot: Snapshot) -> None:
        """Hold every known estimate against the truth of this minute."""
        for name, view in snapshot.sumps.items():
            if not view.estimate.known:
                continue
            truth = self.world.sumps[name]
            self.off_pct.append(abs(view.estimate.concentration_pct - truth.fill.pct))
            self.off_volume.append(abs(view.estimate.volume_l - truth.fill.volume_l) / truth.nature.full_l)

    def finish(self) -> None:
        """Close the books: spells that still last stay open-ended."""
        self.spells.extend(self._out.values())
        self._out.clear()

    def _follow(self, name: str, side: Side, now_s: float) -> None:
        spell = self._out.get(name)
        if spell is not None and spell.side != side:
            self.spells.append(Spell(name, spell.side, spell.from_s, spell.attended, now_s))
            del self._out[name]
        if side is not Side.NONE and name not in self._out:
            self._out[name] = Spell(name, side, now_s, self.attended(now_s))

    def _follow_twin(self, act: Act, acts: Sequence[Act], now_s: float) -> None:
        if act.twin is None:
            return
        side = self.limits[act.sump].side(act.twin.fill)
        if side is Side.NONE and not _done_again(act, acts):
            return
        in_band = self.limits[act.sump].side(self.world.sumps[act.sump].fill) is Side.NONE
        if side is not Side.NONE and in_band and now_s > act.time_s + STEP_S:
            self.avoided.append((act, side, now_s))
        self.world.twins.remove(act.twin)
        act.twin = None

    def _remember_forecast(self, alert: Alert, snapshot: Snapshot) -> None:
        view = snapshot.sumps.get(alert.sump)
        if alert.kind is not AlertKind.LEAVES_BAND_UNATTENDED or view is None or view.forecast is None:
            return
        made_s, forecast = view.forecast.made_s, view.forecast
        hours = (forecast.exit_p10_h, forecast.exit_p50_h, forecast.exit_p90_h)
        self.first_said.setdefault(alert.sump, Said(snapshot.now_s, *(made_s + 3600.0 * hour for hour in hours)))


def _done_again(act: Act, acts: Sequence[Act]) -> bool:
    """Tell whether somebody has acted on the same sump since: the twin has told all it can."""
    return any(other.sump == act.sump and other.time_s > act.time_s for other in acts)


def noticed(poured: Iterable[Poured], events: Iterable[Event]) -> list[tuple[Poured, Event]]:
    """Return each unlogged pour with the event that noticed it; an event counts once."""
    free = [event for event in events if event.kind is EventKind.UNLOGGED_TOP_UP]
    found: list[tuple[Poured, Event]] = []
    for pour in (pour for pour in poured if not pour.logged):
        near = [e for e in free if e.sump == pour.sump and abs(e.time_s - pour.time_s) <= _MATCH_S]
        if near:
            best = min(near, key=lambda event: abs(event.time_s - pour.time_s))
            free.remove(best)
            found.append((pour, best))
    return found


def middle(values: Sequence[float]) -> float | None:
    """Return the median, or None of nothing."""
    return median(values) if values else None
