"""The estimator as one machine over event time: takes input in any order, stands at a bin, goes back if it must.

The state after bin k is a function of all readings and entries that tell a time up to the end of bin k, and of nothing
else: not of the order they came in, nor of how often somebody asked. Late input makes the machine return to the last
kept state before it and go over the tail again.
"""

from __future__ import annotations

import json
import math
from base64 import b64decode, b64encode
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import asdict, replace
from typing import Final

import numpy as np

from monitor.model import calibration, leaks, losses, weather
from monitor.model.absent import Absent, still_worth, went_together, written
from monitor.model.bins import HOLD_S, Gatherer, bin_of
from monitor.model.checks import CheckMove
from monitor.model.clock import Clock
from monitor.model.findings import Findings
from monitor.model.hand import take_entries
from monitor.model.kalman import finite
from monitor.model.layout import BIAS, BIN_S, Fixed, Floats
from monitor.model.logbook import Logbook
from monitor.model.pieces import joined, listed, mapped
from monitor.model.state import WEATHER_SD, State
from monitor.model.step import HOURS, WEATHER_HOURS, step
from monitor.model.trail import SHORTEST, Trail
from monitor.model.types import Event
from monitor.plant.errors import ModelError
from monitor.plant.reading import Entry, EntryKind, Reading
from monitor.plant.types import Plant

CHECK_MOVES_KEPT: Final = 2000
ALONE_BINS: Final = 192
WITH_DISK_BINS: Final = 5
PACKED_BINS: Final = 1
FORGET_EVERY: Final = 4
FETCHED_BINS: Final = 8
LATELY_BINS: Final = 4
"""States and samples are kept for two days; where they lie on disk too, for an hour: what is told later than that goes
back to a checkpoint and fetches the readings from disk. Samples are packed after a bin."""

History = Callable[[float, float], Iterable[Reading]]
Older = Callable[[float], bytes | None]


class Engine:
    """Bins in, estimates out.

    `history(from_s, to_s)` gives readings back that are no longer in memory, `older(before_s)` the engine's bytes of a
    checkpoint that stood no later than that.
    """

    def __init__(self, plant: Plant, history: History | None = None, older: Older | None = None) -> None:
        self.plant = plant
        self.fixed = Fixed.of(plant)
        self.clock = Clock(plant)
        self.logbook = Logbook()
        self.findings = Findings(self.fixed.ids)
        self.check_moves: list[CheckMove] = []
        self._row = {sump: i for i, sump in enumerate(self.fixed.ids)}
        self._history, self._older = history, older
        self._gatherer = Gatherer(plant)
        self._state = State.first(self.fixed)
        self._hall: Floats = np.array([[0.0, WEATHER_SD**2, 0.0]] * 2)
        self._next: int | None = None
        self._first: int | None = None
        self._dirty: int | None = None
        self._reach = ALONE_BINS if history is None else WITH_DISK_BINS
        self._trail = Trail(ALONE_BINS) if history is None else Trail(LATELY_BINS, SHORTEST)
        self._in_memory_from: int | None = None
        self._on_disk: tuple[float, int] | None = None
        self._absent: dict[str, Absent] = {}
        self._anew: dict[int, list[int]] = {}
        for i, sump in enumerate(plant.sumps.values()):
            if math.isfinite(sump.since_s):
                self._anew.setdefault(bin_of(sump.since_s), []).append(i)

    @property
    def next_bin(self) -> int | None:
        """The bin that comes next, None before the first reading."""
        return self._next

    def add_readings(self, readings: Sequence[Reading]) -> None:
        """Take readings in, in any order."""
        self._touch(self._gatherer.add(readings))

    def add_entries(self, entries: Sequence[Entry]) -> None:
        """Take log entries in, in any order, however late."""
        known = [entry for entry in entries if entry.sump in self._row]
        self._touch(self.logbook.add(known))

    def _touch(self, k: int | None) -> None:
        if k is not None and (self._dirty is None or k < self._dirty):
            self._dirty = k

    def advance(self, now_s: float) -> None:
        """Bring the state up to the last bin that is over at `now_s`. Raises ModelError if nothing finite comes out."""
        if self._next is None:
            if self._dirty is None:
                return
            self._next = self._first = self._in_memory_from = self._dirty
        if self._dirty is not None and self._dirty < self._next:
            self._go_back(self._dirty)
        self._dirty = None
        last = bin_of(now_s)
        while self._next < last:
            self._one(self._next)

    def _stand(self, k: int) -> None:
        """Stand before bin k; sumps that count from that bin on begin with their prior."""
        self._next = k
        rows = np.array(self._anew.get(k, []), dtype=np.int64)
        if rows.size:
            self._state.put(rows, State.first(self.fixed).take(rows))

    def _go_back(self, k: int) -> None:
        """Stand before bin k as if nothing behind it had been passed; what is too old to go back to moves nothing."""
        if not self._stand_before(k):
            return
        if self._next is None:
            return
        self._unsay(self._next)
        self._recall(self._next)

    def _unsay(self, k: int) -> None:
        """Forget what was found in bin k and behind it."""
        self.findings.roll_back(k)
        self.check_moves = [move for move in self.check_moves if move.k < k]
        self.logbook.roll_back(k)

    def _stand_before(self, k: int) -> bool:
        kept = self._trail.back_to(k, self._state)
        if kept is not None:
            self._state, self._hall, self._next = State(**kept.whole), kept.hall, kept.k
            self._state.lay_out()
            return True
        older = self._older(k * BIN_S) if self._older is not None else None
        if older is not None:
            in_memory_from = self._in_memory_from
            self.restore(older)
            self._in_memory_from = in_memory_from
            return True
        if self._first is not None and self._in_memory_from is not None and self._in_memory_from <= self._first:
            self._trail.clear()
            self._state, self._hall = State.first(self.fixed), np.array([[0.0, WEATHER_SD**2, 0.0]] * 2)
            self._next = self._first = k
            self._absent = {}
            return True
        return False

    def _recall(self, k: int) -> None:
        """Note which readings are to be fetched from disk where the memory no longer reaches back to bin k."""
        if self._in_memory_from is None or k >= self._in_memory_from:
            return
        upto = self._in_memory_from if self._on_disk is None else max(self._in_memory_from, self._on_disk[1])
        self._on_disk = (k * BIN_S - HOLD_S, upto)
        self._in_memory_from = k

    def _fetch(self, k: int) -> None:
        """Fetch what of bin k is on disk only, and of some bins more: a whole week might fill the memory."""
        if self._on_disk is None or self._on_disk[0] >= (k + 1) * BIN_S:
            return
        from_s, upto = self._on_disk
        last = min(k + FETCHED_BINS, upto)
        if self._history is not None:
            self._gatherer.add(self._history(from_s, last * BIN_S))
        self._on_disk = (last * BIN_S, upto) if last < upto else None

    def _one(self, k: int) -> None:
        """Pass bin k whole, or stand before it as if it had not been tried."""
        self._fetch(k)
        before, hall = self._state.copy(), self._hall.copy()
        try:
            self._through(k, before)
            self._stand(k + 1)
            self._state.lay_out()
        except BaseException:
            self._state, self._hall, self._next = before, hall, k
            self._unsay(k)
            raise
        self._trail.add(k, before, hall, self._state)
        self._forget(k)

    def _through(self, k: int, before: State) -> None:
        """Move the state, which is `before` now, over bin k."""
        moment = self.clock.moment(k)
        if k % calibration.EVERY_BINS == 0:
            calibration.keep_score(self._state, self.fixed, self.clock.ahead(self._state, k * BIN_S), k)
        result = step(self._state, self.fixed, self._gatherer.bin(k), moment, self._logged_mix(k))
        stand = losses.Stand.of(self._state)
        offsets = self._offsets()
        filled = take_entries(self._state, self.fixed, self.logbook, self._row, k)
        self._note_checks(k, offsets)
        losses.book_jumps(self._state, moment.day, stand.volume_l, filled)
        self._pool(k)
        losses.book_corrections(self._state, self.fixed, moment.day, stand, filled)
        self.findings.collect(self._state, self.fixed, result, before.jump, self.logbook, k)
        self._refuse_nonsense(k, before)

    def _offsets(self) -> tuple[Floats, Floats]:
        return self._state.mean[:, BIAS].copy(), np.sqrt(np.maximum(self._state.cov[:, BIAS, BIAS], 0.0))

    def _note_checks(self, k: int, before: tuple[Floats, Floats]) -> None:
        """Keep what the checks of bin k did to the refractometers' offsets."""
        checks = [e for e in self.logbook.in_bin(k) if e.kind is EntryKind.CHECK and e.value is not None]
        after = self._offsets() if checks else before
        for entry in checks:
            i, value = self._row[entry.sump], float(entry.value or 0.0)
            one = (before[0][i], after[0][i], before[1][i], after[1][i])
            self.check_moves.append(CheckMove(k, entry.sump, value, *(float(number) for number in one)))
        del self.check_moves[:-CHECK_MOVES_KEPT]

    def _pool(self, k: int) -> None:
        keep = float(np.exp(-HOURS / WEATHER_HOURS))
        self._hall[:, 0] *= keep
        self._hall[:, 1] = self._hall[:, 1] * keep**2 + WEATHER_SD**2 * (1.0 - keep**2)
        if k % weather.EVERY_BINS == 0:
            for group, members in enumerate((~self.fixed.has_temperature, self.fixed.has_temperature)):
                if members.any():
                    self._hall[group] = weather.pool(self._state, self._hall[group], members)

    def _refuse_nonsense(self, k: int, last: State) -> None:
        good = finite(self._state.mean, self._state.cov)
        if good.all():
            return
        bad = np.flatnonzero(~good)
        if not finite(last.mean, last.cov)[bad].all():
            raise ModelError(f"no finite estimate for {', '.join(self.fixed.ids[i] for i in bad)} at bin {k}")
        self._state.put(bad, last.take(bad))
        self._state.cov[bad] *= 1.05
        self.findings.refused.update(self.fixed.ids[i] for i in bad)

    def _forget(self, k: int) -> None:
        """Pack the samples that are hardly asked for again and let go of those that lie far back."""
        self._gatherer.pack_before(k - PACKED_BINS)
        if k % FORGET_EVERY == 0:
            oldest = k - self._reach
            self._gatherer.forget_before(oldest)
            if self._in_memory_from is not None:
                self._in_memory_from = max(self._in_memory_from, oldest)

    def _logged_mix(self, k: int) -> Floats:
        """Return per sump the strength that somebody logged for a filling about now, NaN without one."""
        mix = np.full(len(self.fixed.ids), np.nan)
        for i in np.flatnonzero(self._state.level_odd[:, 0] > 0):
            entry = self.logbook.explaining(self.fixed.ids[i], k, k, None, filling=True)
            if entry is not None and entry.mix_pct is not None:
                mix[i] = entry.mix_pct
        return mix

    def at(self, now_s: float) -> State:
        """Return the state at `now_s`, to be read only: the last full bin, and what the running one told until then."""
        if self._next is None or bin_of(now_s) != self._next:
            return self._state
        seen = self._gatherer.bin_until(self._next, now_s)
        if (seen.level_n.sum() + seen.brix_n.sum()) == 0:
            return self._state
        state = self._state.copy()
        passed = (now_s - self._next * BIN_S) / 3600.0
        moment = replace(self.clock.moment(self._next), hours=min(passed, HOURS))
        step(state, self.fixed, seen, moment, self._logged_mix(self._next))
        bad = np.flatnonzero(~finite(state.mean, state.cov))
        if bad.size:
            state.put(bad, self._state.take(bad))
        return state

    def widths(self) -> Floats:
        """Return by how much each sump's futures spread against the model's own reckoning (1: as reckoned)."""
        return calibration.widths(self._state)

    def losses(self, sump: str) -> list[losses.LossDay]:
        """Return what a sump lost and got on each of the last local days, oldest first; today's account is open."""
        return losses.report(self._state, self.fixed, self._row[sump])

    def coverage(self, sump: str) -> float | None:
        """Return which share of this sump's own 80 % intervals of a day held the truth, None before any was scored."""
        score = self._state.score[self._row[sump]]
        of = float(score[calibration.INSIDE_OF])
        return float(score[calibration.INSIDE]) / of if of > 0.0 else None

    def forget_before(self, k: int) -> None:
        """Let go of what was found and told of bins before k: nobody goes back so far, and a restart takes no more."""
        self.findings.forget_before(k)
        self.logbook.forget_before(k)

    def to_bytes(self) -> bytes:
        """Write the state before the next bin down, with what the logbook explained and what was found lately."""
        k = self._next or 0
        body = {
            "ids": json.dumps(self.fixed.ids),
            "next": json.dumps(self._next),
            "hall": json.dumps(self._hall.tolist()),
            "held": listed(() if self._next is None else self._gatherer.held(self._next)),
            "used": mapped(self.logbook.used),
            "found": self.findings.to_json(),
            "waiting": self.findings.waiting_to_json(),
            "checks": listed(self.check_moves, lambda some: [asdict(move) for move in some]),
            "state": f'"{b64encode(self._state.to_bytes()).decode()}"',
            "absent": mapped(self._absent, lambda some: {sump: one.to_json(k) for sump, one in some.items()}),
        }
        return joined(body).encode()

    def restore(self, blob: bytes) -> None:
        """Stand where `to_bytes` was called; new sumps begin with their prior, those back again where they were.

        Of sumps that are gone the row is kept (see `monitor.model.absent`).
        """
        body = json.loads(blob)
        where = {sump: i for i, sump in enumerate(body["ids"])}
        both = [(i, where[sump]) for i, sump in enumerate(self.fixed.ids) if sump in where]
        self._state = State.first(self.fixed)
        if both:
            mine, theirs = (np.array(side, dtype=np.int64) for side in zip(*both, strict=True))
            self._state.take_over(mine, b64decode(body["state"]), theirs)
        self._hall = np.broadcast_to(np.array(body["hall"]), self._hall.shape).copy()
        self._in_memory_from = body["next"]
        self._gatherer.hold(body["held"])
        self.logbook.used = dict(body["used"])
        self.findings.from_json(body["found"])
        self.findings.waiting_from_json(body.get("waiting", []))
        self.check_moves = [CheckMove(**move) for move in body.get("checks", [])]
        self._trail.clear()
        k, absent = body["next"], {sump: Absent.from_json(one) for sump, one in body.get("absent", {}).items()}
        self._welcome({sump: one for sump, one in absent.items() if sump in self._row}, k)
        blob = b64decode(body["state"])
        absent |= {s: Absent.of(blob, i, k, body["hall"]) for s, i in where.items() if s not in self._row}
        self._absent = still_worth({sump: one for sump, one in absent.items() if sump not in self._row}, k)
        self._stand(k)

    def _welcome(self, back: Mapping[str, Absent], k: int) -> None:
        """Bring the rows of sumps that are back on to bin k, those that went together in an engine of their own."""
        sumps = self.plant.sumps
        for names in went_together({s: one for s, one in back.items() if one.k * BIN_S >= sumps[s].since_s}):
            first, apart = back[names[0]], Engine(replace(self.plant, sumps={name: sumps[name] for name in names}))
            apart.restore(written([back[name] for name in names], names, self.logbook.used))
            until_s = (k if first.until is None else first.until) * BIN_S
            if self._history is not None:
                past = self._history(first.k * BIN_S - HOLD_S, until_s)
                apart.add_readings([reading for reading in past if reading.sump in names])
            told = (entry for name in names for _, _, entry in self.logbook.entries.get(name, []))
            apart.add_entries([entry for entry in told if bin_of(entry.time_s) < k])
            apart.advance(k * BIN_S)
            self._state.put(np.array([self._row[name] for name in names], dtype=np.int64), apart._state)
            self.logbook.used.update(apart.logbook.used)

    def events(self) -> list[Event]:
        """Return what was found so far, with the bin's end as the moment it could first be said."""
        return self.findings.events()

    def leaking_since(self, sump: str) -> float | None:
        """Return since when a sump loses more than its rates explain, None if it does not."""
        row = self._state.leak_watch[self._row[sump]]
        return float(row[leaks.SINCE]) * BIN_S if row[leaks.LEAKING] >= 1.0 else None


def blank(plant: Plant, k: int) -> bytes:
    """Return the bytes of an engine that has heard nothing and stands before bin k."""
    return json.dumps({**json.loads(Engine(plant).to_bytes()), "next": k}).encode()
