"""What is kept of what people did: fillings under way and where they landed, mixes, containers, checks, what was used.

One `Care` a plant. It is told the entries in the order in which they count, and once a step what is believed of every
sump; being told an entry twice changes nothing. Its state goes into checkpoints as JSON.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field, fields, replace
from typing import Any, Final, Self

from pydantic import TypeAdapter

from alerts.landing import State
from alerts.mixing import Known
from alerts.outlook import Measured, MineralFacts, Outlook, outlooks
from alerts.past import STATION, Asked, note_asked, note_entries, note_events, past_plans
from alerts.setaside import Container, Hygiene, Move, containers, move_of
from alerts.types import MixingDemand, Recipe
from alerts.watching import LandingRecord, MixBias, Seen, Watch, closed, mix_told, watched
from monitor.model.pieces import joined, listed, mapped
from monitor.model.types import Estimate, Event, Forecast
from monitor.plant.reading import Entry, EntryKind, Reading, Signal
from monitor.plant.types import Plant

LANDINGS_KEPT: Final = 5
STEP_S: Final = 900.0
"""A rise is measured over a quarter of an hour, however often somebody looks between."""
KEEP_MOVES_S: Final = 120 * 86400.0
_TELLING: Final = (Signal.LEVEL, Signal.REFRACTOMETER)


@dataclass(slots=True)
class Care:
    """The state: everything here is plain data."""

    watches: dict[str, Watch] = field(default_factory=dict)
    landings: dict[str, list[LandingRecord]] = field(default_factory=dict)
    mixers: dict[str, MixBias] = field(default_factory=dict)
    usual: dict[str, str] = field(default_factory=dict)
    hygiene: dict[str, Hygiene] = field(default_factory=dict)
    moves: dict[str, Move] = field(default_factory=dict)
    before: dict[str, State] = field(default_factory=dict)
    asked: list[Asked] = field(default_factory=list)
    minerals: dict[str, MineralFacts] = field(default_factory=dict)
    news: list[Entry] = field(default_factory=list)

    def add(self, entries: Iterable[Entry]) -> None:
        """Take entries in; they are looked at with the next step."""
        for entry in entries:
            self.news.append(entry)
            if not entry.is_of_container:
                self.hygiene[entry.sump] = self.hygiene.get(entry.sump, Hygiene()).taken(entry)
                self.minerals[entry.sump] = told_minerals(self.minerals.get(entry.sump, MineralFacts()), entry)

    def hear(self, readings: Iterable[Reading]) -> None:
        """Take readings in: of these only the latest conductivity of each sump is kept."""
        for reading in readings:
            if reading.signal is Signal.CONDUCTIVITY and reading.value is not None:
                known = self.minerals.get(reading.sump, MineralFacts())
                if known.conductivity is None or reading.time_s > known.conductivity.time_s:
                    measured = Measured(reading.value, reading.time_s)
                    self.minerals[reading.sump] = replace(known, conductivity=measured)

    def step(
        self,
        plant: Plant,
        estimates: Mapping[str, Estimate],
        recipes: Mapping[str, Recipe],
        now_s: float,
        told_sumps: Collection[str] = (),
    ) -> tuple[LandingRecord, ...]:
        """Look at every sump once a step; return the fillings that were judged. `recipes` are those in force so far.

        `told_sumps` are those whose recipe stands in an alert.
        """
        news, self.news = self.news, []
        told: dict[str, list[Entry]] = {}
        for entry in news:
            told.setdefault(entry.sump, []).append(entry)
            self._move(entry)
        note_entries(self.asked, plant, news)
        found = []
        for name, estimate in estimates.items():
            if estimate.known:
                state = state_of(estimate)
                heard_s = max((estimate.last_heard_s.get(signal, -math.inf) for signal in _TELLING), default=-math.inf)
                sump, before, entries = plant.sumps[name], self.before.get(name), tuple(told.get(name, ()))
                seen = Seen(sump, now_s, state, before, recipes.get(name), heard_s, entries, name in told_sumps)
                found += self._look(plant, seen)
                if now_s % STEP_S == 0.0 or name not in self.before:
                    self.before[name] = state
            else:  # it begins anew: what it was before was another tank or another fluid
                self.before.pop(name, None)
                self.watches.pop(name, None)
        self._forget(now_s)
        return tuple(found)

    def _move(self, entry: Entry) -> None:
        watch, before = self.watches.get(entry.sump), self.before.get(entry.sump)
        state = watch.before if watch is not None else before
        move = move_of(entry, None if state is None else state.concentration_pct)
        if move is not None:
            self.moves.setdefault(move.id, move)

    def _look(self, plant: Plant, seen: Seen) -> list[LandingRecord]:
        name = seen.sump.id
        watch = watched(self.watches.get(name), seen)
        if watch is None:
            return []
        if seen.now_s < watch.closes_s:
            self.watches[name] = watch
            return []
        self.watches.pop(name, None)
        if seen.heard_s < watch.moved_s:
            return []
        self._learn(watch, seen)
        landing = closed(plant, watch, seen.now, seen.now_s)
        if landing is None:
            return []
        self.landings[name] = [landing, *self.landings.get(name, [])][:LANDINGS_KEPT]
        return [landing]

    def _learn(self, watch: Watch, seen: Seen) -> None:
        told = mix_told(watch, seen.now, seen.sump.full_l)
        if any(entry.kind is EntryKind.TOP_UP for entry in watch.entries):
            self.usual[watch.sump] = watch.who
        if told is not None:
            self.mixers[watch.who] = self.mixers.get(watch.who, MixBias()).learnt(*told)

    def _forget(self, now_s: float) -> None:
        if any(move.time_s < now_s - KEEP_MOVES_S for move in self.moves.values()):
            self.moves = {name: move for name, move in self.moves.items() if move.time_s >= now_s - KEEP_MOVES_S}

    def mixer_of(self, sump: str) -> tuple[str, MixBias] | None:
        """Return who usually mixes for a sump and how, where that is worth allowing for."""
        who = self.usual.get(sump, "")
        bias = self.mixers.get(who, MixBias())
        return (who, bias) if bias.matters else None

    def ask(self, demands: Mapping[str, MixingDemand], now_s: float) -> None:
        """Remember what was asked of the mixing station."""
        self.asked = note_asked(self.asked, demands, now_s)

    def saw(self, plant: Plant, events: Iterable[Event]) -> None:
        """Take in what only the sensors saw."""
        note_events(self.asked, plant, events)

    def known(self, plant: Plant, now_s: float) -> Known:
        """Return what bears on a demand."""
        bias = self.mixers.get(STATION)
        return Known(self.containers(plant, now_s), bias, past_plans(self.asked, now_s))

    def outlooks(
        self, plant: Plant, estimate: Estimate, forecast: Forecast | None, now_s: float
    ) -> tuple[Outlook, ...]:
        """Return where a sump's minerals are going."""
        facts = self.minerals.get(estimate.sump, MineralFacts())
        return outlooks(plant, plant.sumps[estimate.sump], estimate, forecast, facts, now_s)

    def containers(self, plant: Plant, now_s: float) -> tuple[Container, ...]:
        """Return what stands in each container, the oldest first."""
        return containers(plant, self.moves.values(), self.hygiene, now_s)

    def to_json(self) -> str:
        """Write the state as a JSON object."""
        return joined({one.name: self._member(one.name) for one in fields(self)})

    def _member(self, name: str) -> str:
        def plain(some: Any) -> Any:
            return _CARE.dump_python(Care(**{name: some}), mode="json", include={name})[name]

        value = getattr(self, name)
        return mapped(value, plain) if isinstance(value, dict) else listed(value, plain)

    @classmethod
    def from_json(cls, body: Any, plant: Iterable[str]) -> Self:
        """Read what `to_json` wrote, as plain values; sumps that are gone from the plant file are left out."""
        care: Self = _CARE.validate_python(body)  # type: ignore[assignment]
        known = set(plant)
        for name in ("watches", "landings", "usual", "hygiene", "before", "minerals"):
            setattr(care, name, {sump: value for sump, value in getattr(care, name).items() if sump in known})
        care.moves = {name: move for name, move in care.moves.items() if move.sump in known}
        return care


_CARE: TypeAdapter[Care] = TypeAdapter(Care)


def told_minerals(known: MineralFacts, entry: Entry) -> MineralFacts:
    """Return what is known of a sump's minerals with one more entry, whatever the order they come in."""
    if entry.kind is EntryKind.HARDNESS and entry.value is not None:
        if known.hardness is None or entry.time_s > known.hardness.time_s:
            return replace(known, hardness=Measured(entry.value, entry.time_s))
    elif entry.kind is EntryKind.CHARGE and (known.filled_s is None or entry.time_s > known.filled_s):
        return replace(known, filled_s=entry.time_s)
    return known


def state_of(estimate: Estimate) -> State:
    """Return the estimate as volume and strength with their uncertainties."""
    return State(
        estimate.volume_l,
        estimate.concentration_pct,
        estimate.volume_sd_l,
        estimate.concentration_sd_pct,
        estimate.correlation,
    )
