"""The order of things: inputs in, what changed out. Knows no thread, socket, file or clock.

The pipeline stands on a grid of event time (every quarter of an hour). Each grid point is passed once, in order,
however late or in whatever lumps the input comes, so a replay says what the live run said.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Final

from alerts import lifecycle
from alerts.conditions import Condition, find_conditions, latest_loss_jump
from alerts.mixing import make_demand
from alerts.recipes import make_recipe
from alerts.types import Alert, AlertState, MixingDemand, Recipe, Transition
from monitor.memory import Memory
from monitor.model import views
from monitor.model.bins import bin_of
from monitor.model.engine import Engine, History
from monitor.model.forecast import forecast
from monitor.model.layout import BIN_S
from monitor.model.silence import Silence
from monitor.model.types import Estimate, Event, Forecast
from monitor.plant.reading import Entry, Reading
from monitor.plant.types import Plant
from monitor.snapshot import Changes, Snapshot, SumpView

FORECAST_EVERY_S: Final = 3600.0
CHECKPOINT_BINS: Final = 24
MOVED_SHARE: Final = 0.03
MOVED_PCT: Final = 0.3

Past = Callable[[float], tuple[float, bytes] | None]


@dataclass(slots=True)
class _Now:
    """What one grid point works out."""

    now_s: float
    estimates: dict[str, Estimate]
    events: tuple[Event, ...]
    forecasts: tuple[Forecast, ...] = ()
    transitions: tuple[Transition, ...] = ()


class Pipeline:
    """Readings and entries in any order in, estimates, forecasts, events, alerts and recipes out.

    `history(from_s, to_s)` gives readings back that are no longer in memory, `past(before_s)` the latest checkpoint no
    later than that (both from the record; nothing in a replay, where nothing comes that late). Without `calm_too` only
    sumps that need somebody get recipes and no demand is planned: alerts are the same, and a replay is done sooner.
    """

    def __init__(
        self, plant: Plant, history: History | None = None, past: Past | None = None, *, calm_too: bool = True
    ) -> None:
        self.plant = plant
        self._calm_too = calm_too
        self.engine = Engine(plant, history, None if past is None else lambda before_s: _engine_of(past(before_s)))
        self.silence = Silence(plant)
        self.memory = Memory()
        self._forecasts: dict[str, Forecast] = {}
        self._recipes: dict[str, Recipe] = {}
        self._demand: dict[str, MixingDemand] = {}
        self._grid: int | None = None
        self._restored = False
        self.snapshot = Snapshot(now_s=0.0)

    @property
    def stands_at_s(self) -> float | None:
        """The last grid point passed, Unix seconds; None before the first reading."""
        return None if self._grid is None else self._grid * BIN_S

    def take(self, readings: Sequence[Reading], entries: Sequence[Entry] = ()) -> None:
        """Take input in; nothing is worked out before the next `run_until`."""
        self.silence.add(readings)
        self.engine.add_readings(readings)
        self.engine.add_entries(entries)
        if self._grid is None and readings:
            self._grid = bin_of(min(reading.time_s for reading in readings))

    def due(self, now_s: float) -> bool:
        """Tell whether a grid point lies between the last one passed and `now_s`."""
        return self._grid is not None and bin_of(now_s) > self._grid

    def run_until(self, now_s: float) -> Iterable[Changes]:
        """Pass every grid point up to `now_s`, one `Changes` each."""
        if self._restored and self._grid is not None and bin_of(now_s) > self._grid:
            self._restored = False
            self._forecast(self._grid * BIN_S)
        while self._grid is not None and bin_of(now_s) > self._grid:
            self._grid += 1
            yield self._pass(self._grid * BIN_S)

    def refreshed_forecasts(self) -> dict[str, Forecast]:
        """Return forecasts as of the last grid point, made now if they are older."""
        at_s = self.stands_at_s
        if at_s is not None and any(f.made_s != at_s for f in self._forecasts.values()):
            self._forecast(at_s)
        return self._forecasts

    def _pass(self, now_s: float) -> Changes:
        self.engine.advance(now_s)
        state = self.engine.at(now_s)
        now = _Now(now_s, views.estimates(state, self.engine.fixed, self.silence, now_s), ())
        now.events = tuple(self.memory.news(self.engine.events(), self._silences(now), now_s))
        hourly = now_s % FORECAST_EVERY_S == 0.0 or not self._forecasts
        if hourly or self._elsewhere(now):
            self._forecast(now_s)
            now.forecasts = tuple(self._forecasts.values())
        now.transitions = self._alert(now, hourly=hourly)
        if hourly and self._calm_too:
            self._demand_anew(now)
        self.snapshot = self._picture(now)
        return Changes(self.snapshot, now.events, now.transitions, now.forecasts)

    def _elsewhere(self, now: _Now) -> bool:
        """Tell whether some sump is no longer where its last forecast began: filled, emptied, or checked by hand."""
        return any(
            (abs(e.volume_l - f.path.volume_p50_l[0]) > MOVED_SHARE * self.plant.sumps[s].full_l)
            or abs(e.concentration_pct - f.path.concentration_p50_pct[0]) > MOVED_PCT
            for s, e in now.estimates.items()
            if (f := self._forecasts.get(s)) is not None
        )

    def _silences(self, now: _Now) -> list[Event]:
        return self.memory.silences({sump: e.silent for sump, e in now.estimates.items()}, self.silence, now.now_s)

    def _forecast(self, now_s: float) -> None:
        state, fixed = self.engine.at(now_s), self.engine.fixed
        exits = forecast(state, fixed, self.engine.clock.ahead(state, now_s), self.engine.widths())
        self._forecasts = views.forecasts(exits, fixed, now_s)

    def _alert(self, now: _Now, *, hourly: bool) -> tuple[Transition, ...]:
        recent = self.memory.recent
        conditions = {s: self._conditions(s, now, recent) for s in now.estimates}
        for sump, found in conditions.items():
            stale = hourly or sump not in self._recipes
            if any(c.enter for c in found) or (stale and (self._calm_too or found)):
                self._recipes[sump] = self._recipe(sump, now, recent)
        every = [condition for found in conditions.values() for condition in found]
        self.memory.alerts, transitions = lifecycle.step(self.memory.alerts, every, self._recipes, now.now_s)
        return transitions

    def _conditions(self, sump: str, now: _Now, recent: Sequence[Event]) -> tuple[Condition, ...]:
        mine = [event for event in recent if event.sump == sump]
        return find_conditions(
            self.plant, self.plant.sumps[sump], now.estimates[sump], self._forecasts.get(sump), mine, now.now_s
        )

    def _recipe(self, sump: str, now: _Now, recent: Sequence[Event]) -> Recipe:
        loss = latest_loss_jump((event for event in recent if event.sump == sump), now.now_s)
        return make_recipe(
            self.plant,
            self.plant.sumps[sump],
            now.estimates[sump],
            self._forecasts.get(sump),
            now.now_s,
            loss_jump=loss,
        )

    def _demand_anew(self, now: _Now) -> None:
        self.memory.sequence += 1
        views_of = [(self.plant.sumps[s], e, self._forecasts.get(s)) for s, e in now.estimates.items()]
        self._demand = make_demand(self.plant, views_of, now.now_s, self.memory.sequence)

    def _picture(self, now: _Now) -> Snapshot:
        sumps = {
            sump: SumpView(sump, estimate, self._forecasts.get(sump), self._recipes.get(sump))
            for sump, estimate in now.estimates.items()
        }
        return Snapshot(
            now.now_s, sumps, tuple(self.memory.alerts.values()), dict(self._demand), tuple(self.memory.recent)
        )

    def acknowledge(self, alert_id: str, who: str, now_s: float) -> tuple[Alert, tuple[Transition, ...]] | None:
        """Acknowledge an open alert; None if there is none of that id."""
        alert = self.memory.alerts.get(alert_id)
        if alert is None:
            return None
        moved, transition = lifecycle.acknowledge(alert, who, now_s)
        return self._moved(moved, transition)

    def shelve(
        self, alert_id: str, until_s: float, reason: str, who: str, now_s: float
    ) -> tuple[Alert, tuple[Transition, ...]] | None:
        """Shelve an open alert until a moment; None if there is none of that id."""
        alert = self.memory.alerts.get(alert_id)
        if alert is None:
            return None
        return self._moved(*lifecycle.shelve(alert, until_s, reason, who, now_s))

    def _moved(self, alert: Alert, transition: Transition | None) -> tuple[Alert, tuple[Transition, ...]]:
        if alert.state is AlertState.NORMAL:
            self.memory.alerts.pop(alert.id, None)
        else:
            self.memory.alerts[alert.id] = alert
        self.snapshot = replace(self.snapshot, alerts=tuple(self.memory.alerts.values()))
        return alert, (transition,) if transition is not None else ()

    def checkpoint_due(self) -> bool:
        """Tell whether the last grid point is one to keep (every six hours)."""
        return self._grid is not None and self._grid % CHECKPOINT_BINS == 0

    def checkpoint(self) -> tuple[float, bytes]:
        """Write the whole pipeline down: everything told of times before the returned moment is in it."""
        grid = self._grid or 0
        return grid * BIN_S, self.memory.to_bytes(self.engine.to_bytes(), self.silence)

    def restore(self, blob: bytes) -> None:
        """Stand where `checkpoint` stood; readings from `time_s` on and recent entries must be taken in afterwards."""
        self.memory, engine = Memory.from_bytes(blob, self.silence)
        self.engine.restore(engine)
        self._grid = self.engine.next_bin
        self._restored = True


def _engine_of(checkpoint: tuple[float, bytes] | None) -> bytes | None:
    return None if checkpoint is None else Memory.engine_part(checkpoint[1])
