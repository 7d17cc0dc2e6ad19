"""What the calendars say of bins and of the hours ahead, for all sumps at once."""

from __future__ import annotations

from datetime import UTC, datetime, tzinfo
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np

from monitor.model.duty import chance, slot_of
from monitor.model.forecast import EDGES_H, HORIZON_H, STEP_H, Ahead
from monitor.model.layout import BIN_S, Floats
from monitor.model.state import State
from monitor.model.step import Moment
from monitor.plant.types import Duty, Plant

BLOCK: Final = 96


class Clock:
    """Looks duty and local time up, a block of bins at a time. Times are Unix seconds UTC."""

    def __init__(self, plant: Plant) -> None:
        self._zone: tzinfo = ZoneInfo(plant.zone)
        duties = [sump.duty for sump in plant.sumps.values()]
        self._duties: list[Duty | None] = []
        for duty in duties:
            if duty not in self._duties:
                self._duties.append(duty)
        self._which = np.array([self._duties.index(duty) for duty in duties], dtype=np.int64)
        self.expected: Floats = np.array([np.nan if d is None else d.expected for d in duties])
        self._block = -1
        self._shares: Floats = np.zeros((0, 0))

    def moment(self, k: int) -> Moment:
        """Return what is known of bin k before anything is seen."""
        local = datetime.fromtimestamp(k * BIN_S, UTC).astimezone(self._zone)
        before = datetime.fromtimestamp((k - 1) * BIN_S, UTC).astimezone(self._zone)
        return Moment(
            k=k,
            hour=local.hour + local.minute / 60.0 + 0.5 * BIN_S / 3600.0,
            new_day=local.date() != before.date(),
            on_duty=self._share(k)[self._which],
            expected=self.expected,
            slot=slot_of(local),
            day=local.date().toordinal(),
        )

    def _share(self, k: int) -> Floats:
        block = k // BLOCK
        if block != self._block:
            edges: Floats = np.arange(BLOCK + 1, dtype=np.float64) * BIN_S + block * BLOCK * BIN_S
            self._shares = np.stack([_shares(duty, edges) for duty in self._duties])
            self._block = block
        return np.asarray(self._shares[:, k - block * BLOCK])

    def ahead(self, state: State, now_s: float) -> Ahead:
        """Return the hours ahead of `now_s` as the forecast wants them."""
        edges = now_s + EDGES_H * 3600.0
        middles = [self._local(t) for t in (edges[1:] + edges[:-1]) / 2.0]
        now = self._local(now_s)
        today = now.date().toordinal()
        return Ahead(
            hour=np.array([m.hour + m.minute / 60.0 for m in middles]),
            day=np.array([m.date().toordinal() - today for m in middles], dtype=np.int64),
            share=self._running(state, now_s),
            monday_h=(7 - now.weekday()) * 24.0 - now.hour - now.minute / 60.0,
        )

    def _running(self, state: State, now_s: float) -> Floats:
        """Return each machine's expected running share in the steps of the forecast, from those of single hours."""
        edges: Floats = np.arange(HORIZON_H + 1.0, dtype=np.float64) * 3600.0 + now_s
        on_duty = np.stack([_shares(duty, edges) for duty in self._duties])[self._which]
        slots = np.array([slot_of(self._local(t + 1800.0)) for t in edges[:-1]], dtype=np.int64)
        hourly = chance(state, on_duty, self.expected, slots)
        begins = EDGES_H[:-1].astype(np.int64)
        return np.asarray(np.add.reduceat(hourly, begins, axis=1) / STEP_H)

    def _local(self, time_s: float) -> datetime:
        return datetime.fromtimestamp(time_s, UTC).astimezone(self._zone)


def _shares(duty: Duty | None, edges: Floats) -> Floats:
    return np.ones(len(edges) - 1) if duty is None else duty.calendar.shares(edges)
