"""What the estimator noticed, as events: unlogged top-ups and removals, losses that jumped, doubtful signals.

A jump is weighed for two hours before it is called unlogged: somebody may log it late, and its volume and mix get
better known meanwhile.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any, Final

import numpy as np

from monitor.model import doubts, jumps, leaks, openings, sparse, trust
from monitor.model.layout import BIN_S, LEAK, STRENGTH, VOLUME, Fixed, Floats
from monitor.model.logbook import Logbook
from monitor.model.pieces import listed
from monitor.model.state import State
from monitor.model.step import Stepped
from monitor.model.types import Event, EventKind

WEIGH_BINS: Final = 8
WEIGH_SPARSE_BINS: Final = 28  # where readings are hours apart: until another one or two were heard
LEAST: Final = 0.01  # of full
LEAST_SPARSE: Final = 0.04
SURE_SPARSE: Final = 0.65  # below that, two of three were noise
NO_MIX: Final = 0.75  # percent below none: no water is as lean, whatever the noise
SURELY: Final = 2.0  # standard deviations
MOST_TAKEN: Final = 0.5  # of what was in the sump
RICHEST: Final = 60.0
TAKEN_BACK: Final = 0.2  # of a jump: what may be left of one that was taken back
SAME_PCT: Final = 0.2


@dataclass(frozen=True, slots=True)
class Found:
    """An event with the bin in which it came up (for going back)."""

    k: int
    event: Event


class Findings:
    """Collects events bin by bin; forgets those of bins that are gone over again."""

    def __init__(self, ids: tuple[str, ...]) -> None:
        self._ids = ids
        self._row = {sump: i for i, sump in enumerate(ids)}
        self._found: list[Found] = []
        self._waiting: list[openings.Waiting] = []
        self.refused: set[str] = set()

    def events(self) -> list[Event]:
        """Return all events in the order they came up."""
        return [found.event for found in self._found]

    def to_json(self) -> str:
        """Write what was found as a JSON list."""
        return listed(self._found, lambda some: [{"k": found.k, **asdict(found.event)} for found in some])

    def from_json(self, found: list[dict[str, Any]]) -> None:
        """Take back what `to_json` wrote, as plain values."""
        self._found = [Found(one.pop("k"), Event(**{**one, "kind": EventKind(one["kind"])})) for one in found]

    def waiting_to_json(self) -> str:
        """Write the fillings that may have been a valve's openings as a JSON list."""
        return listed(self._waiting, lambda some: [one.to_json() for one in some])

    def waiting_from_json(self, waiting: list[dict[str, Any]]) -> None:
        """Take back what `waiting_to_json` wrote, as plain values, of sumps that are still there."""
        self._waiting = [openings.Waiting.from_json(one) for one in waiting if one["event"]["sump"] in self._row]

    def roll_back(self, k: int) -> None:
        """Forget what came up in bin k and later."""
        self._found = [found for found in self._found if found.k < k]
        self._waiting = [one.before(k) for one in self._waiting if one.k < k]

    def forget_before(self, k: int) -> None:
        """Let go of events older than bin k."""
        self._found = [found for found in self._found if found.k >= k]
        self._waiting = [one for one in self._waiting if one.settled is None or one.settled >= k]

    def _settle_openings(self, state: State, fixed: Fixed, k: int) -> None:
        """Tell what turned out to be no valve's opening."""
        for at, one in enumerate(self._waiting):
            if one.settled is None:
                self._waiting[at] = now = openings.settle(state, fixed, self._row[one.event.sump], one, k)
                if now.told:
                    self._found.append(Found(k, now.event))

    def collect(self, state: State, fixed: Fixed, result: Stepped, before: Floats, logbook: Logbook, k: int) -> None:
        """Look at what bin k brought."""
        replaced = before[:, jumps.FIRST] != state.jump[:, jumps.FIRST]
        for i in np.flatnonzero(result.jumped & replaced & (before[:, jumps.KIND] > 0)):
            if _undone(state, fixed, before[i], int(i)):
                state.jump[i, jumps.KIND] = jumps.NO_JUMP
            else:
                self._settle(state, fixed, before[i], int(i), logbook, k, cut_short=True)
        few = sparse.sparse(fixed)
        weighed = state.jump[:, jumps.KIND] > 0
        weighed &= k - state.jump[:, jumps.CONFIRMED] >= np.where(few, WEIGH_SPARSE_BINS, WEIGH_BINS)
        for i in np.flatnonzero(weighed):
            self._settle(state, fixed, state.jump[i], int(i), logbook, k, cut_short=False)
            state.jump[i, jumps.KIND] = jumps.NO_JUMP
        for i in np.flatnonzero(result.leaked & (state.said[:, trust.LEVEL] == trust.BELIEVED)):
            self._leak(state, int(i), k)
        self._doubt(state, fixed, result, k)
        if self._waiting and k % openings.LOOKED_EVERY == 0:
            self._settle_openings(state, fixed, k)

    def _settle(
        self, state: State, fixed: Fixed, jump: Floats, i: int, logbook: Logbook, k: int, *, cut_short: bool
    ) -> None:
        kind = int(jump[jumps.KIND])
        if kind == jumps.STRENGTH_ONLY:
            return
        first = int(jump[jumps.FIRST])
        base = state.jump[i, jumps.VOLUME_BEFORE] if cut_short else state.mean[i, VOLUME]
        litres = float(base + jump[jumps.LOST] - jump[jumps.VOLUME_BEFORE])
        filling = kind == jumps.TOP_UP
        mix = self._mix(state, jump, i, litres, cut_short=cut_short) if filling and litres > 0 else None
        lifted = litres
        if mix is not None and mix < -max(NO_MIX, SURELY * _mix_sd(state, jump, i, litres)):
            whole = _refilled(jump, litres, mix, float(fixed.leanest_pct[i]))
            if not cut_short and whole - litres < MOST_TAKEN * float(jump[jumps.VOLUME_BEFORE]):
                litres, mix = whole, float(fixed.leanest_pct[i])
        entry = logbook.explaining(self._ids[i], first, k, abs(litres), filling=filling)
        if entry is not None:
            logbook.use(entry, k)
            return
        few = bool(sparse.sparse(fixed)[i])
        least = LEAST_SPARSE if few else LEAST
        if abs(litres) < least * float(fixed.full_l[i]) or (litres > 0) != filling:
            return
        sd = float(np.sqrt(state.cov[i, VOLUME, VOLUME] + jump[jumps.SD_VOLUME] ** 2))
        mix = None if mix is None else float(np.clip(mix, 0.0, RICHEST))
        name = EventKind.UNLOGGED_TOP_UP if filling else EventKind.UNLOGGED_REMOVAL
        sure = float(np.clip(1.0 - 0.5 * np.exp(-0.5 * (abs(litres) / max(3.0 * sd, 1e-6)) ** 2), 0.5, 0.99))
        if few and sure < SURE_SPARSE:
            return
        from_l = openings.rose_from(state, fixed, i, (first, litres), k) if filling else None
        words = _words(abs(litres), mix, abs(litres) - abs(lifted))
        self._say(i, name, first, k, abs(litres), mix, sure, words, from_l)

    def _mix(self, state: State, jump: Floats, i: int, litres: float, *, cut_short: bool) -> float:
        if cut_short:
            concentrate = float(state.jump[i, jumps.CONCENTRATE_BEFORE])
        else:
            concentrate = float(state.mean[i, VOLUME] * state.mean[i, STRENGTH]) / 100.0
        came = concentrate + float(jump[jumps.CONCENTRATE_LOST]) - float(jump[jumps.CONCENTRATE_BEFORE])
        return 100.0 * came / litres

    def _leak(self, state: State, i: int, k: int) -> None:
        litres = 24.0 * float(state.mean[i, LEAK])
        sure = float(np.clip(state.mean[i, LEAK] / np.sqrt(state.cov[i, LEAK, LEAK]) / 8.0, 0.5, 0.99))
        detail = f"loses {litres:.0f} L a day more than evaporation and drag-out explain"
        self._say(i, EventKind.LOSS_JUMP, int(state.leak_watch[i, leaks.SINCE]), k, litres, None, sure, detail)

    def _doubt(self, state: State, fixed: Fixed, result: Stepped, k: int) -> None:
        for doubt in doubts.look(state, fixed, result, k):
            detail = f"{doubts.NAMES[doubt.column]} {doubt.why}"
            self._say(doubt.row, EventKind.DOUBTFUL_SIGNAL, doubt.since, k, None, None, doubt.sure, detail)

    def _say(
        self,
        i: int,
        kind: EventKind,
        first: int,
        k: int,
        litres: float | None,
        mix: float | None,
        sure: float,
        detail: str,
        from_l: float | None = None,
    ) -> None:
        """Keep an event; one that a valve may have made, from a gauge's litres `from_l`, waits."""
        sump = self._ids[i]
        event = Event(
            id=f"{sump}-{kind.value}-{int(first * BIN_S)}",
            sump=sump,
            kind=kind,
            time_s=first * BIN_S,
            detected_s=(k + 1) * BIN_S,
            volume_l=litres,
            mix_pct=mix,
            confidence=sure,
            detail=detail,
        )
        if from_l is None:
            self._found.append(Found(k, event))
        else:
            self._waiting.append(openings.Waiting(k, first, from_l, event))


def _undone(state: State, fixed: Fixed, jump: Floats, i: int) -> bool:
    """Tell whether the jump after another took it back: foam, chips, a late drain-back. Neither was anybody's doing."""
    if {int(jump[jumps.KIND]), int(state.jump[i, jumps.KIND])} != {jumps.TOP_UP, jumps.REMOVAL}:
        return False
    before_l = float(jump[jumps.VOLUME_BEFORE])
    jumped_l = float(state.jump[i, jumps.VOLUME_BEFORE] + jump[jumps.LOST]) - before_l
    left_l = float(state.mean[i, VOLUME] + jump[jumps.LOST]) - before_l
    strength = 100.0 * float(jump[jumps.CONCENTRATE_BEFORE]) / max(before_l, 1e-6)
    sd = float(np.sqrt(max(float(state.cov[i, STRENGTH, STRENGTH]), 0.0)))
    same = abs(float(state.mean[i, STRENGTH]) - strength) < SAME_PCT + SURELY * sd
    return same and abs(left_l) < max(LEAST * float(fixed.full_l[i]), TAKEN_BACK * abs(jumped_l))


def _mix_sd(state: State, jump: Floats, i: int, litres: float) -> float:
    """Return how uncertain the mix of a filling is, percent: what is not known of the strength, over a small part."""
    known = np.hypot(np.sqrt(max(float(state.cov[i, STRENGTH, STRENGTH]), 0.0)), float(jump[jumps.SD_STRENGTH]))
    return float(known) * float(state.mean[i, VOLUME]) / litres


def _refilled(jump: Floats, lifted_l: float, mix_pct: float, leanest_pct: float) -> float:
    """Return the litres filled in where more concentrate went than came: some fluid was taken out in the same go.

    With the leanest mix m that is ever filled in, taken out at the strength c: a m - (a - lifted) c = lifted mix.
    """
    strength = 100.0 * float(jump[jumps.CONCENTRATE_BEFORE]) / max(float(jump[jumps.VOLUME_BEFORE]), 1e-6)
    return lifted_l * (strength - mix_pct) / max(strength - leanest_pct, 0.1)


def _words(litres: float, mix: float | None, taken_l: float) -> str:
    if mix is None:
        return f"{litres:.0f} L taken out, not logged"
    if taken_l > 0.0:
        return f"{taken_l:.0f} L taken out and {litres:.0f} L at about {mix:.1f} % filled in, not logged"
    return f"{litres:.0f} L at about {mix:.1f} %, not logged"
