"""The order of things: inputs in, what changed out. Knows no thread, socket, file or clock.

The pipeline passes moments of event time (every quarter of an hour, and between them where something new asks for
it, see `monitor.waiting`). Each moment is passed once, in order, however late or in whatever lumps the input comes, so
a replay says what the live run said.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from typing import Final

from alerts import lifecycle
from alerts.attendance import attendance
from alerts.conditions import Condition, find_conditions, latest_loss_jump
from alerts.landed_off import with_landing
from alerts.mixing import make_demand
from alerts.outage import with_outages
from alerts.outlook import MineralFacts, Outlook
from alerts.recipes import make_recipe
from alerts.setaside import Container, Hygiene
from alerts.types import Alert, AlertState, Basis, MixingDemand, Recipe, Transition
from alerts.upkeep import Kept, suppressed, upkeep
from alerts.watching import LandingRecord
from monitor.fence import possible_entry, possible_reading, sound
from monitor.memory import Memory
from monitor.model import views
from monitor.model.bins import bin_of
from monitor.model.checks import last_moves
from monitor.model.engine import Engine, History, blank
from monitor.model.foresight import Foresight
from monitor.model.layout import BIN_S, Flags
from monitor.model.losses import LossDay
from monitor.model.silence import Silence
from monitor.model.state import State
from monitor.model.types import Estimate, Event, Forecast
from monitor.plant.reading import Entry, Reading
from monitor.plant.types import Plant
from monitor.snapshot import Changes, Snapshot, SumpView
from monitor.waiting import MARK_S, MARKS_A_BIN, Waiting

CHECKPOINT_BINS: Final = 24
FOUND_BINS: Final = 10 * 96
REVISABLE_S: Final = 6.5 * 86400.0
"""What is told later than this is kept and shown, and moves no estimate: checkpoints reach back a week."""

Past = Callable[[float], tuple[float, bytes] | None]


@dataclass(slots=True)
class _Now:
    """What one grid point works out."""

    now_s: float
    state: State
    estimates: dict[str, Estimate]
    events: tuple[Event, ...]
    forecasts: tuple[Forecast, ...] = ()
    transitions: tuple[Transition, ...] = ()
    landings: tuple[LandingRecord, ...] = ()
    kept: tuple[Container, ...] = ()


class Pipeline:
    """Readings and entries in any order in, estimates, forecasts, events, alerts and recipes out.

    `history(from_s, to_s)` gives readings back that are no longer in memory, `past(before_s)` the latest checkpoint no
    later than that (both from the record; nothing in a replay, where nothing comes that late). A moment is passed
    `settle_s` behind the clock, to let what is under way arrive. Without `calm_too` only sumps that need somebody get
    recipes and no demand is planned: alerts are the same, and a replay is done sooner.
    """

    def __init__(
        self,
        plant: Plant,
        history: History | None = None,
        past: Past | None = None,
        *,
        settle_s: float = 0.0,
        calm_too: bool = True,
    ) -> None:
        self.plant = plant
        self._calm_too = calm_too
        self._history, self._past = history, past
        self.engine = Engine(plant, None if history is None else self._recall_known, self._older)
        self.silence = Silence(plant)
        self.memory = Memory()
        self._waiting = Waiting(settle_s)
        self._foresight = Foresight(self.engine)
        self._recipes: dict[str, Recipe] = {}
        self._demand: dict[str, MixingDemand] = {}
        self._minerals: dict[str, tuple[Outlook, ...]] = {}
        self._days: dict[str, tuple[LossDay, ...]] = {}
        self._mark: int | None = None
        self._first_bin: int | None = None
        self._restored = False
        self._whole = False
        self._away_s: Sequence[tuple[float, float]] = ()
        self.snapshot = Snapshot(now_s=0.0)

    @property
    def stands_at_s(self) -> float | None:
        """The last moment passed, Unix seconds; None before the first reading."""
        return None if self._mark is None else self._mark * MARK_S

    def take(self, readings: Sequence[Reading], entries: Sequence[Entry] = ()) -> None:
        """Take input in; nothing is worked out before the next `run_until`. Unknown sumps are left out."""
        sumps = self.plant.sumps
        known = [reading for reading in readings if reading.sump in sumps]
        if known:
            first = bin_of(min(reading.time_s for reading in known))
            self._first_bin = first if self._first_bin is None else min(first, self._first_bin)
            self._mark = self._waiting.first_mark(known) if self._mark is None else self._mark
        self._waiting.add(known, entries, 0 if self._mark is None else self._mark)
        self._whole = False

    def _recall(self, from_s: float, to_s: float) -> Iterator[Reading]:
        past = () if self._history is None else self._history(from_s, to_s)
        return (one for one in past if one.sump in self.plant.sumps and possible_reading(self.plant, one))

    def _recall_known(self, from_s: float, to_s: float) -> Iterator[Reading]:
        """Give back what was known by this moment: after a restart more is on record than came before it."""
        mark, counts_from = self._mark or 0, self._waiting.counts_from
        return (one for one in self._recall(from_s, to_s) if counts_from(one) <= mark)

    def _possible(self, entries: Iterable[Entry]) -> Iterator[Entry]:
        told = (entry for entry in entries if entry.sump in self.plant.sumps and not entry.is_of_container)
        return (entry for entry in told if possible_entry(self.plant, entry))

    def _older(self, before_s: float) -> bytes | None:
        """Return the engine's bytes of a moment no later than that: of a checkpoint, or of the very beginning."""
        checkpoint = None if self._past is None else self._past(before_s)
        if checkpoint is not None:
            return Memory.engine_part(checkpoint[1])
        if self._first_bin is None or before_s - self._first_bin * BIN_S > REVISABLE_S:
            return None
        return blank(self.plant, min(self._first_bin, bin_of(before_s)))

    def _feed(self, mark: int) -> None:
        """Let what counts from this moment on move the state."""
        oldest_s = mark * MARK_S - REVISABLE_S
        for lump in self._waiting.take(mark):
            readings = [reading for reading in lump.readings if possible_reading(self.plant, reading)]
            self.silence.add(readings)
            self.engine.add_readings([reading for reading in readings if reading.time_s >= oldest_s])
            self.engine.add_entries([entry for entry in self._possible(lump.entries) if entry.time_s >= oldest_s])
            self.memory.care.hear(lump.readings)
            self.memory.care.add(entry for entry in lump.entries if entry.sump in self.plant.sumps)
            self.memory.note_entries(self.plant, lump.entries)

    def run_until(self, now_s: float) -> Iterable[Changes]:
        """Pass every moment up to `now_s`, one `Changes` each; after a restart first where it stood."""
        last = math.floor(now_s / MARK_S) if math.isfinite(now_s) else 0
        if self._restored and self._mark is not None and last >= self._mark:
            self._restored = False
            yield self._stand(self._mark)
        while self._mark is not None and (mark := self._waiting.next_mark(self._mark)) <= last:
            before_s, self._mark = self._mark * MARK_S, mark
            yield self._pass(mark, before_s)
        if self._mark is not None and (done := self._redone(last + 1)):
            self._show_alerts()
            yield Changes(self.snapshot, transitions=done)

    def refreshed_forecasts(self) -> dict[str, Forecast]:
        """Return forecasts as of the last moment passed, made now if they are older. Nothing later hangs on them."""
        at_s = self.stands_at_s
        if at_s is None or self._foresight.is_of(at_s):
            return self._foresight.forecasts
        return self._foresight.seen_from(self.engine.at(at_s), at_s)

    def _pass(self, mark: int, before_s: float) -> Changes:
        now_s = mark * MARK_S
        self._feed(mark)
        self.engine.advance(now_s)
        now = self._look(now_s)
        told = {alert.sump for alert in self.memory.alerts.values() if alert.recipe is not None and alert.is_open}
        now.landings = self.memory.care.step(self.plant, now.estimates, self._recipes, now_s, told)
        now.kept = self.memory.care.containers(self.plant, now_s)
        due = self._foresight.due(now_s) | self._back(before_s, now_s)
        now.forecasts = self._foresee(now, due | self._foresight.elsewhere(now.state))
        if not self._away(now_s) and not self._waiting.is_glance(mark):
            now.events = tuple(self.memory.news(self.engine.events(), self._silences(now), now_s))
            self.memory.care.saw(self.plant, now.events)
            now.transitions = (*self._redone(mark), *self._alert(now, due))
        if due.any() and self._calm_too:
            self.memory.sequence += 1
            self._plan(now)
        if self._on_checkpoint():
            self.engine.forget_before(bin_of(now_s) - FOUND_BINS)
        self._whole = True
        self.snapshot = self._picture(now)
        return Changes(self.snapshot, now.events, now.transitions, now.forecasts, now.landings)

    def _away(self, now_s: float) -> bool:
        return any(from_s < now_s < to_s for from_s, to_s in self._away_s)

    def _back(self, before_s: float, now_s: float) -> bool:
        return self._away(before_s) and not self._away(now_s)

    def _stand(self, mark: int) -> Changes:
        """Work out again what hangs on the state that a checkpoint brought back."""
        self._feed(mark)
        now = self._look(mark * MARK_S)
        self._foresee(now, self._foresight.everyone())
        if self._calm_too:
            recent = self._recent()
            self._recipes = {
                sump: self._recipe(sump, now, recent.get(sump, [])) for sump, e in now.estimates.items() if sound(e)
            }
            self._plan(now)
        self.snapshot = self._picture(now)
        return Changes(self.snapshot)

    def _look(self, now_s: float) -> _Now:
        state = self.engine.at(now_s)
        estimates = views.estimates(state, self.engine.fixed, self.silence, now_s)
        return _Now(now_s, state, estimates, (), kept=self.memory.care.containers(self.plant, now_s))

    def _redone(self, mark: int) -> tuple[Transition, ...]:
        """Do again what people did to alerts before this moment and before a restart."""
        done = tuple(move for move in self._waiting.take_moves(mark) if move.alert_id in self.memory.alerts)
        for move in done:
            self._put(move.alert)
        return done

    def _silences(self, now: _Now) -> list[Event]:
        return self.memory.silences({sump: e.silent for sump, e in now.estimates.items()}, self.silence, now.now_s)

    def _foresee(self, now: _Now, which: Flags) -> tuple[Forecast, ...]:
        back_h = attendance(self.plant.attended, now.now_s).hours_to_cover if self._calm_too else None
        return self._foresight.renew(now.state, now.now_s, which, back_h)

    def _alert(self, now: _Now, due: Flags) -> tuple[Transition, ...]:
        recent = self._recent()
        conditions = {
            s: self._conditions(s, now, recent.get(s, [])) for s, estimate in now.estimates.items() if sound(estimate)
        }
        renewed = {sump for sump, is_due in zip(self.plant.sumps, due, strict=True) if is_due}
        for sump, found in conditions.items():
            stale = sump in renewed or sump not in self._recipes
            if any(c.enter for c in found) or (stale and (self._calm_too or found)):
                self._recipes[sump] = self._recipe(sump, now, recent.get(sump, []))
        self.memory.gaps.note(now.estimates, now.now_s)
        standing = self.memory.alerts.values()
        every = with_outages(self.plant, conditions, now.estimates, self.memory.gaps, standing, now.now_s)
        out_of_use = suppressed(self.plant, now.estimates, self.memory.emptied, now.now_s)
        calling = self.plant.alerting.calling
        moved = self.memory.step_alerts(every, self._recipes, out_of_use, now.events, now.now_s, calling)
        forecasts = self._foresight.forecasts
        of = {move.alert.sump for move in moved}.intersection(now.estimates)
        bases = {sump: Basis.of(now.estimates[sump], forecasts.get(sump)) for sump in of}
        return tuple(replace(move, basis=bases.get(move.alert.sump)) for move in moved)

    def _recent(self) -> dict[str, list[Event]]:
        """Return the recent events by sump."""
        found: dict[str, list[Event]] = {}
        for event in self.memory.recent:
            found.setdefault(event.sump, []).append(event)
        return found

    def _conditions(self, sump: str, now: _Now, mine: Sequence[Event]) -> tuple[Condition, ...]:
        plant, spec, care = self.plant, self.plant.sumps[sump], self.memory.care
        estimate, ahead = now.estimates[sump], self._foresight.forecasts.get(sump)
        kept = Kept(care.hygiene.get(sump, Hygiene()), care.minerals.get(sump, MineralFacts()))
        found = (
            *find_conditions(plant, spec, estimate, ahead, mine, now.now_s),
            *upkeep(plant, spec, estimate, ahead, kept, now.now_s),
        )
        landing = next(iter(care.landings.get(sump, ())), None)
        return with_landing(found, plant, spec, estimate, landing, kept.hygiene.checked_s, now.now_s)

    def _recipe(self, sump: str, now: _Now, mine: Sequence[Event]) -> Recipe:
        loss = latest_loss_jump(mine, now.now_s)
        return make_recipe(
            self.plant,
            self.plant.sumps[sump],
            now.estimates[sump],
            self._foresight.forecasts.get(sump),
            now.now_s,
            loss_jump=loss,
            kept=now.kept,
            mixer=self.memory.care.mixer_of(sump),
        )

    def _plan(self, now: _Now) -> None:
        care, ahead = self.memory.care, self._foresight.forecasts
        views_of = [(self.plant.sumps[s], e, ahead.get(s)) for s, e in now.estimates.items() if sound(e)]
        known = care.known(self.plant, now.now_s)
        self._demand = make_demand(self.plant, views_of, now.now_s, self.memory.sequence, known)
        care.ask(self._demand, now.now_s)
        self._days = {s: tuple(self.engine.losses(s)) for s in now.estimates}
        self._minerals = {s: care.outlooks(self.plant, e, ahead.get(s), now.now_s) for s, e in now.estimates.items()}

    def _picture(self, now: _Now) -> Snapshot:
        moves = last_moves(self.engine.check_moves)
        sumps = {
            sump: SumpView(
                sump,
                estimate,
                self._foresight.forecasts.get(sump),
                self._recipes.get(sump),
                tuple(self.memory.care.landings.get(sump, ())),
                self._minerals.get(sump, ()),
                self._days.get(sump, ()),
                self.engine.coverage(sump),
                moves.get(sump, ()),
            )
            for sump, estimate in now.estimates.items()
        }
        return Snapshot(
            now_s=now.now_s,
            sumps=sumps,
            alerts=tuple(self.memory.alerts.values()),
            mixing=dict(self._demand),
            recent_events=tuple(self.memory.recent),
            set_aside=now.kept,
            mixers=dict(self.memory.care.mixers),
            checks=self._foresight.checks,
        )

    def act(self, alert_id: str, deed: lifecycle.Deed) -> tuple[Alert, tuple[Transition, ...]] | None:
        """Do what somebody does to an open alert (see `alerts.lifecycle`); None if there is none of that id."""
        alert = self.memory.alerts.get(alert_id)
        if alert is None:
            return None
        moved, transition = deed(alert)
        self._put(moved)
        self._show_alerts()
        view = self.snapshot.sumps.get(moved.sump)
        basis = None if view is None else Basis.of(view.estimate, view.forecast)
        return moved, (replace(transition, basis=basis),) if transition is not None else ()

    def _show_alerts(self) -> None:
        self.snapshot = replace(self.snapshot, alerts=tuple(self.memory.alerts.values()))

    def _put(self, alert: Alert) -> None:
        if alert.state is AlertState.NORMAL:
            self.memory.alerts.pop(alert.id, None)
        else:
            self.memory.alerts[alert.id] = alert

    @contextmanager
    def undone_on_error(self) -> Iterator[None]:
        """Put the alerts back as they were if the block fails: what cannot be put on record has not happened."""
        before = dict(self.memory.alerts), self.snapshot
        try:
            yield
        except BaseException:
            self.memory.alerts, self.snapshot = before
            raise

    def checkpoint_due(self) -> bool:
        """Tell whether the last moment is one to keep (every six hours), and all that happened before it is in."""
        return self._whole and self._on_checkpoint() and not self._waiting.tells_of_before(self.stands_at_s or 0.0)

    def _on_checkpoint(self) -> bool:
        return self._mark is not None and self._mark % (CHECKPOINT_BINS * MARKS_A_BIN) == 0

    def checkpoint(self) -> tuple[float, bytes]:
        """Write the whole pipeline down: everything told of times before the returned moment is in it.

        Forecasts and recipes are not: they are made again, the same where the moment is a full hour.
        """
        return self.stands_at_s or 0.0, self.memory.to_bytes(self.engine.to_bytes(), self.silence)

    def restore(self, blob: bytes, entries: Iterable[Entry] = ()) -> None:
        """Stand where `checkpoint` stood; all readings and entries from that moment on must be taken in afterwards.

        `entries` are those of some days before it: what they did is in the checkpoint, what they explain is not.
        """
        self.memory, engine = Memory.from_bytes(blob, self.silence)
        self.engine.logbook.add(self._possible(entries))
        self.engine.restore(engine)
        self._mark = (self.engine.next_bin or 0) * MARKS_A_BIN
        self._restored = True
        first = next(self._recall(-math.inf, math.inf), None)
        if first is not None:
            self._first_bin = bin_of(first.time_s)
            self._waiting.first_mark([first])

    def resume(self, moves: Iterable[Transition], away_s: Iterable[tuple[float, float]]) -> None:
        """Take what people did to alerts before a restart, and between which moments nobody watched.

        Each move is done again at its moment. Of the times away no alert is raised and no event is told.
        """
        self._waiting.add_moves(moves, -1 if self._mark is None else self._mark)
        self._away_s = self.silence.away_s = tuple(away_s)
