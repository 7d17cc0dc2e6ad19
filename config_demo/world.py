"""The truth of the invented works: water and concentrate in every sump, minute by minute.

An own small physics that knows nothing of the estimator it is shown to. Chance is drawn by name (seed, sump, day),
never from one shared stream: what people do to one sump changes neither the weather nor the jobs of any other, and two
worlds with the same seed have the same days. Litres, percent by volume, Unix seconds; every litre is in the ledger.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from functools import lru_cache
from zoneinfo import ZoneInfo

STEP_S = 60.0
_MINUTES_A_DAY = 1440
_DRAIN_BACK_MIN = 4.0  # the fluid on the machine runs back with this time constant after the pump stops
_CONCENTRATE_ON_PARTS = 1.05  # parts carry off a little more concentrate than the sump's own strength
_MEAN_STOP_MIN = 12.0


@dataclass(frozen=True, slots=True)
class Leak:
    """A loss of fluid at the sump's own strength from `from_s` on, litres an hour."""

    from_s: float
    litres_per_h: float


@dataclass(frozen=True, slots=True)
class Nature:
    """What a sump is like: sizes in litres, rates in litres an hour, strengths in percent."""

    id: str
    full_l: float
    start_l: float
    start_pct: float
    evaporation_idle_l_per_h: float
    evaporation_running_l_per_h: float
    drag_out_l_per_h: float
    hold_up_l: float
    running_share: float
    leak: Leak | None = None


@dataclass(frozen=True, slots=True)
class Fill:
    """Water and concentrate in a whole circuit, litres."""

    water_l: float
    concentrate_l: float

    @classmethod
    def of(cls, volume_l: float, pct: float) -> Fill:
        """Make `volume_l` of a mix of `pct`."""
        return cls(volume_l * (1.0 - pct / 100.0), volume_l * pct / 100.0)

    @property
    def volume_l(self) -> float:
        """Litres in all."""
        return self.water_l + self.concentrate_l

    @property
    def pct(self) -> float:
        """Concentration; 0 of an empty sump."""
        return 100.0 * self.concentrate_l / self.volume_l if self.volume_l > 0.0 else 0.0

    def plus(self, other: Fill, times: float = 1.0) -> Fill:
        """Add `times` of another fill."""
        return Fill(self.water_l + times * other.water_l, self.concentrate_l + times * other.concentrate_l)

    def share(self, volume_l: float) -> Fill:
        """Return what `volume_l` taken out of this fill holds (never more than there is)."""
        return Fill.of(min(volume_l, self.volume_l), self.pct)


@dataclass(slots=True)
class Ledger:
    """Where everything went that is no longer in the sump, and what came in."""

    evaporated_l: float = 0.0
    dragged_out: Fill = field(default_factory=lambda: Fill(0.0, 0.0))
    leaked: Fill = field(default_factory=lambda: Fill(0.0, 0.0))
    taken_out: Fill = field(default_factory=lambda: Fill(0.0, 0.0))
    poured_in: Fill = field(default_factory=lambda: Fill(0.0, 0.0))


@dataclass(frozen=True, slots=True)
class Moment:
    """One minute of the world: Unix seconds, the local day's number, the minute of that day."""

    time_s: float
    day: int
    minute: int


class Fate:
    """All chance of the world, by name."""

    def __init__(self, seed: int) -> None:
        self.seed = seed

    def stream(self, *names: object) -> random.Random:
        """Return the stream of draws with this name, always from its start."""
        return random.Random("/".join(map(str, (self.seed, *names))))

    def weather(self, day: int) -> float:
        """Factor on all evaporation of a day."""
        return math.exp(self.stream("weather", day).gauss(0.0, 0.10))

    def job(self, sump: str, day: int) -> tuple[float, float]:
        """Return the factors on evaporation while running and on drag-out that a day's job brings."""
        draw = self.stream("job", sump, day)
        return math.exp(draw.gauss(0.0, 0.18)), math.exp(draw.gauss(0.0, 0.22))

    def stops(self, sump: str, day: int, running_share: float) -> frozenset[int]:
        """Return the minutes of a day at which a machine on duty stands still."""
        draw = self.stream("stops", sump, day)
        mean_run = _MEAN_STOP_MIN * running_share / max(1.0 - running_share, 1e-6)
        stopped: set[int] = set()
        minute = draw.expovariate(1.0 / mean_run)
        while minute < _MINUTES_A_DAY:
            length = 1.0 + draw.expovariate(1.0 / _MEAN_STOP_MIN)
            stopped.update(range(int(minute), min(int(minute + length), _MINUTES_A_DAY)))
            minute += length + draw.expovariate(1.0 / mean_run)
        return frozenset(stopped)


class SumpTruth:
    """One sump as it really is. `fill` is the whole circuit; the gauge sees `fill.volume_l - held_l`."""

    def __init__(self, nature: Nature, fate: Fate, on_duty: Callable[[float], bool]) -> None:
        self.nature = nature
        self.fill = Fill.of(nature.start_l, nature.start_pct)
        self.running = False
        self.held_l = 0.0
        self.ledger = Ledger()
        self._fate = fate
        self._on_duty = on_duty
        self._job = lru_cache(maxsize=2)(lambda day: fate.job(nature.id, day))
        self._weather = lru_cache(maxsize=2)(fate.weather)
        self._stops = lru_cache(maxsize=2)(lambda day: fate.stops(nature.id, day, nature.running_share))

    @property
    def in_gauge_l(self) -> float:
        """Litres that the gauge sees."""
        return max(self.fill.volume_l - self.held_l, 0.0)

    def step(self, moment: Moment, seconds: float) -> None:
        """Live through `seconds` from `moment` on."""
        self.running = self._on_duty(moment.time_s) and moment.minute not in self._stops(moment.day)
        self._hold(seconds)
        hours = seconds / 3600.0
        water = min(self._evaporation_l_per_h(moment) * hours, self.fill.water_l)
        self.fill = Fill(self.fill.water_l - water, self.fill.concentrate_l)
        parts = self._drag_out(moment, hours)
        self.fill = self.fill.plus(parts, -1.0)
        leaked = self.fill.share(self._leak_l_per_h(moment) * hours)
        self.fill = self.fill.plus(leaked, -1.0)
        book = self.ledger
        book.evaporated_l += water
        book.dragged_out = book.dragged_out.plus(parts)
        book.leaked = book.leaked.plus(leaked)

    def pour(self, volume_l: float, pct: float) -> float:
        """Pour mix in, at most up to a hand above full; returns the litres that went in."""
        room_l = max(1.04 * self.nature.full_l - self.fill.volume_l, 0.0)
        added = Fill.of(min(volume_l, room_l), pct)
        self.fill = self.fill.plus(added)
        self.ledger.poured_in = self.ledger.poured_in.plus(added)
        return added.volume_l

    def take_out(self, volume_l: float) -> float:
        """Take fluid out of the sump; returns the litres that came."""
        out = self.fill.share(min(volume_l, self.in_gauge_l))
        self.fill = self.fill.plus(out, -1.0)
        self.ledger.taken_out = self.ledger.taken_out.plus(out)
        return out.volume_l

    def mend(self) -> bool:
        """Stop a leak; tells whether there was one to stop."""
        leaking = self.nature.leak is not None
        self.nature = replace(self.nature, leak=None)
        return leaking

    def twin(self) -> SumpTruth:
        """Return this very sump as it would go on if nobody touched it: same days, same jobs."""
        other = SumpTruth(self.nature, self._fate, self._on_duty)
        other.fill, other.running, other.held_l = self.fill, self.running, self.held_l
        return other

    def _hold(self, seconds: float) -> None:
        if self.running:
            self.held_l = self.nature.hold_up_l
        else:
            self.held_l *= math.exp(-seconds / 60.0 / _DRAIN_BACK_MIN)

    def _evaporation_l_per_h(self, moment: Moment) -> float:
        rate, job = self.nature.evaporation_idle_l_per_h, 1.0
        if self.running:
            rate, job = self.nature.evaporation_running_l_per_h, self._job(moment.day)[0]
        warmth = 1.0 + 0.2 * math.cos(2.0 * math.pi * (moment.minute / _MINUTES_A_DAY - 15.0 / 24.0))
        return rate * job * warmth * self._weather(moment.day)

    def _drag_out(self, moment: Moment, hours: float) -> Fill:
        if not self.running:
            return Fill(0.0, 0.0)
        volume_l = self.nature.drag_out_l_per_h * self._job(moment.day)[1] * hours
        strength_pct = min(self.fill.pct * _CONCENTRATE_ON_PARTS, 100.0)
        return Fill.of(min(volume_l, 0.9 * self.fill.volume_l), strength_pct)

    def _leak_l_per_h(self, moment: Moment) -> float:
        leak = self.nature.leak
        return leak.litres_per_h if leak is not None and moment.time_s >= leak.from_s else 0.0


class World:
    """All sumps on one clock, stepping by whole minutes."""

    def __init__(
        self,
        natures: Mapping[str, Nature],
        duty: Mapping[str, Callable[[float], bool]],
        *,
        start_s: float,
        zone: str,
        seed: int,
    ) -> None:
        self.now_s = start_s
        self.fate = Fate(seed)
        self._zone = ZoneInfo(zone)
        self.sumps = {name: SumpTruth(nature, self.fate, duty[name]) for name, nature in natures.items()}
        self.twins: list[SumpTruth] = []

    def local(self, time_s: float | None = None) -> datetime:
        """Return the works' own time, of `time_s` or of now."""
        return datetime.fromtimestamp(self.now_s if time_s is None else time_s, UTC).astimezone(self._zone)

    def step(self) -> None:
        """Go on by one minute."""
        local = self.local()
        moment = Moment(self.now_s, local.toordinal(), local.hour * 60 + local.minute)
        for sump in (*self.sumps.values(), *self.twins):
            sump.step(moment, STEP_S)
        self.now_s += STEP_S
