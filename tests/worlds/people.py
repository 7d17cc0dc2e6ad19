"""People on their rounds: what they see, what they pour in or take out, what they write down (and how wrong).

Volumes in litres, strengths in percent. `logged` of a deed: 0 never, 1 yes, 2 under a wrong sump or hour.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import numpy as np

from tests.benchmarks.recording import stamp
from tests.worlds.calendar import ATTENDED, STEP_MIN, Bools, Floats, Grid
from tests.worlds.makes import Kind, even
from tests.worlds.scripts import holiday
from tests.worlds.sumps import Sumps

BUCKET_L: Final = 20.0
HABIT_MIX: Final = 5.0
LEANEST: Final = 1.0
RICHEST: Final = 12.0
ENRICH_RICHEST: Final = 30.0
LEAST_SHARE: Final = 0.04
ALARMING: Final = 0.55  # of full: nobody walks past that
GALLON: Final = 3.785
MINUTE_S: Final = 60.0
FRIDAY: Final = 4


@dataclass(frozen=True)
class Deed:
    """Something a person did to a sump at a step; of a charge `volume_l` is the new fill, `taken_l` the old."""

    step: int
    sump: int
    kind: str
    volume_l: float
    mix_pct: float
    logged: int
    taken_l: float = 0.0
    taken_concentrate_l: float = 0.0


@dataclass(frozen=True)
class LogLine:
    """A line of the log book; `values` are the entry table's columns from volume on."""

    time_s: float
    sump: str
    kind: str
    volume: str = ""
    mix: str = ""
    value: str = ""
    unit: str = ""

    def cells(self) -> list[str]:
        """Return the columns of entries.csv."""
        return [stamp(round(self.time_s)), self.sump, self.kind, self.volume, self.mix, self.value, self.unit, ""]


@dataclass
class Crew:
    """The people of a hall; `visit` changes volumes and concentrate in place when a round is due."""

    kind: Kind
    grid: Grid
    sumps: Sumps
    rng: np.random.Generator
    deeds: list[Deed] = field(default_factory=list)
    log: list[LogLine] = field(default_factory=list)

    def __post_init__(self) -> None:
        people, count = self.kind.people, len(self.sumps)
        self.due: Bools = self.grid.at_clock(people.rounds) & self.grid.within(ATTENDED[0], "00:00", "24:00")
        if "holiday" in self.kind.events:
            self.due &= ~holiday(self.grid)
        rich = even(self.rng, people.rich_at, count)
        self.rich_at = self.sumps.target_pct + (rich - 8.0) / 2.0 * (self.sumps.high_pct - self.sumps.target_pct)
        self.low_at = even(self.rng, people.low_at, count)
        self.by_bucket = (self.rng.random(count) < 0.6) & people.buckets

    def visit(self, step: int, volume: Floats, concentrate: Floats) -> None:
        """Walk round if it is time to."""
        if not self.due[step]:
            return
        noticed = self.rng.random(len(volume)) < self.kind.people.notice
        handled = self._take_out(step, volume, concentrate) if self.kind.people.removals else noticed & False
        strength = 100 * concentrate / volume * (1 + 0.015 * self.rng.normal(size=len(volume)))
        filled = volume / self.sumps.full_l
        noticed |= filled < ALARMING
        acts = noticed & ~handled & ((strength > self.rich_at) | (filled < self.low_at))
        lean = noticed & ~handled & (strength < self.sumps.low_pct + 0.2) & (self.rng.random(len(volume)) < 0.1)
        for i in np.flatnonzero(acts | lean):
            self._top_up(step, int(i), volume, concentrate, float(strength[i]))

    def _top_up(self, step: int, i: int, volume: Floats, concentrate: Floats, strength: float) -> None:
        amount, mix = self._portion(i, float(volume[i]), strength)
        if amount < LEAST_SHARE * self.sumps.full_l[i]:
            return
        amount, mix = round(amount, 1), round(mix, 2)
        volume[i] += amount
        concentrate[i] += amount * mix / 100
        self._note(Deed(step, i, "top_up", amount, mix, self._how_logged()))

    def _portion(self, i: int, volume: float, strength: float) -> tuple[float, float]:
        people, full, target = self.kind.people, float(self.sumps.full_l[i]), float(self.sumps.target_pct[i])
        room = full * self.rng.uniform(*people.fill_to) - volume
        if self.by_bucket[i]:
            buckets = np.ceil(room / BUCKET_L * self.rng.uniform(0.4, 1.0))
            return BUCKET_L * float(max(buckets, 0.0)), HABIT_MIX
        if self.rng.random() < people.water_share and strength > target:
            return room, 0.0
        richest = ENRICH_RICHEST if strength < self.sumps.low_pct[i] + 0.5 else RICHEST * target / 8.0
        wanted = (target * (volume + room) - strength * volume) / max(room, 1.0)
        return room, float(np.clip(wanted * np.exp(people.aim_error * self.rng.normal()), LEANEST, richest))

    def _take_out(self, step: int, volume: Floats, concentrate: Floats) -> Bools:
        weekday, hour = self.grid.local_day[step] % 7, self.grid.hour[step]
        last_round = weekday == FRIDAY and hour > 20
        chance, drain = self.rng.random(len(volume)), self.rng.random(len(volume))
        empties = last_round & (drain < 0.05)
        skims = ~empties & (chance < (0.25 if last_round else 0.03))
        for i in np.flatnonzero(empties | skims):
            self._drain(step, int(i), volume, concentrate, whole=bool(empties[i]))
        return np.asarray(empties | skims)

    def _drain(self, step: int, i: int, volume: Floats, concentrate: Floats, *, whole: bool) -> None:
        full = float(self.sumps.full_l[i])
        if whole:
            amount = round(full * self.rng.uniform(0.88, 0.95), 1)
            mix = round(float(self.sumps.target_pct[i] * self.rng.uniform(0.9, 1.1)), 2)
            taken = float(volume[i]), float(concentrate[i])
            volume[i], concentrate[i] = amount, amount * mix / 100
            self._note(Deed(step, i, "charge", amount, mix, self._how_logged(), *taken))
            return
        amount = round(float(volume[i] * self.rng.uniform(0.04, 0.14)), 1)
        carried = float(concentrate[i] * amount / volume[i])
        volume[i] -= amount
        concentrate[i] -= carried
        self._note(Deed(step, i, "removal", amount, float("nan"), self._how_logged(), amount, carried))

    def _how_logged(self) -> int:
        people, chance = self.kind.people, self.rng.random()
        if chance < people.logged:
            return 1
        return 2 if chance < people.logged + people.wrong_sump + people.hours_off else 0

    def _note(self, deed: Deed) -> None:
        self.deeds.append(deed)
        if deed.logged == 0:
            return
        line = self._line(deed)
        self.log.append(line)
        if self.rng.random() < self.kind.people.doubled:
            later = line.time_s + self.rng.uniform(10, 90) * MINUTE_S
            self.log.append(LogLine(later, line.sump, line.kind, line.volume, line.mix))

    def _line(self, deed: Deed) -> LogLine:
        people, rng = self.kind.people, self.rng
        at = self.grid.start_s + deed.step * STEP_MIN * MINUTE_S + rng.uniform(*people.log_minutes) * MINUTE_S
        sump = deed.sump
        if deed.logged == 2:
            if rng.random() * (people.wrong_sump + people.hours_off) < people.wrong_sump:
                sump = int((sump + rng.integers(1, len(self.sumps))) % len(self.sumps))
            else:
                at += float(rng.choice([-1, 1]) * rng.uniform(1.5, 6.0)) * 60 * MINUTE_S
        volume = deed.volume_l * float(np.exp(people.log_volume * rng.normal()))
        if rng.random() < people.gallons:
            volume *= GALLON if rng.random() < 0.5 else 1 / GALLON
        mix = deed.mix_pct * float(np.exp(people.log_mix * rng.normal()))
        if people.buckets:
            volume, mix = max(5.0, 5 * round(volume / 5)), 0.5 * round(mix / 0.5) if np.isfinite(mix) else mix
        return LogLine(at, self.sumps.ids[sump], deed.kind, f"{volume:.1f}", f"{mix:.2f}" if np.isfinite(mix) else "")
