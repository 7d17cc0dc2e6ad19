"""How the daemon itself is doing: for `/health/ready`, and as troubles that become alerts."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from shutil import disk_usage
from typing import Final

from adapters.delivery import SourceHealth
from alerts.types import AlertKind
from alerts.words import duration
from monitor.nightly import Nightly
from monitor.outward import Outward
from monitor.own_alerts import Trouble
from monitor.plant.errors import RecordError
from monitor.record.outbox import given_up
from monitor.record.reader import Reader
from monitor.record.stored import Mishap
from monitor.sources import Sources
from monitor.status.board import Health, Reason, SourceState
from monitor.worker import Worker

STEP_OVERDUE_S: Final = 3600.0
CHANNEL_OVERDUE_S: Final = 600.0
MISHAP_STANDS_S: Final = 3 * 86400.0
LEAST_FREE_BYTES: Final = 300_000_000
STANDS_S: Final = 3600.0
"""What is over in a moment is said for so long."""
CLOCK_JUMP_S: Final = 120.0


class ClockWatch:
    """Notices that the machine's clock is set: it leaves the clock that only runs on."""

    def __init__(self, wall: Callable[[], float] = time.time, steady: Callable[[], float] = time.monotonic) -> None:
        self._wall, self._steady = wall, steady
        self._apart_s = wall() - steady()
        self._jump_s, self._until_s = 0.0, 0.0

    def jumped_by_s(self) -> float:
        """Return by how many seconds the clock was set within the last hour; 0 if it was not."""
        apart_s = self._wall() - self._steady()
        if abs(apart_s - self._apart_s) > CLOCK_JUMP_S:
            self._jump_s, self._until_s = apart_s - self._apart_s, self._steady() + STANDS_S
        self._apart_s = apart_s
        return self._jump_s if self._steady() < self._until_s else 0.0


class Doctor:
    """Asks the parts how they are."""

    def __init__(
        self,
        reader: Reader,
        clock: Callable[[], float],
        worker: Worker,
        sources: Sources,
        out: Outward,
        nightly: Nightly,
    ) -> None:
        self._reader, self._clock = reader, clock
        self._worker, self._sources, self._out, self._nightly = worker, sources, out, nightly
        self._clock_watch = ClockWatch()
        self._shed, self._shed_at = 0, 0.0

    def health(self) -> Health:
        """Tell how the daemon itself is doing."""
        sources = self._all()
        channels = [reason for reason, _ in self._channels()]
        reasons = [*self._own(), *channels, *(_reason(s) for s in sources if s.state not in {"up", "running"})]
        return Health(
            ready=not reasons,
            reasons=tuple(reasons),
            sources=tuple(_state(source) for source in sources),
            writer="running" if self._worker.alive else "stopped",
            database=self._worker.trouble or "writable",
            rejected=self._worker.counters.readings_rejected,
            step_age_s=self._step_age_s(),
            mishaps=tuple(Reason(one.what, one.remedy) for one in self._mishaps()),
        )

    def troubles(self) -> Iterator[Trouble]:
        """Yield what is wrong with the watch itself and somebody can mend."""
        for one in self._all():
            if one.state.value in {"waiting", "refused"}:
                yield Trouble(AlertKind.SOURCE_DOWN, one.source, _reason(one).what, one.remedy)
        for reason in self._own():
            yield Trouble(AlertKind.OWN_FAULT, _about(reason.what), reason.what, reason.remedy)
        for reason, at_once in self._channels():
            yield Trouble(AlertKind.OWN_FAULT, _about(reason.what), reason.what, reason.remedy, at_once)
        yield from self._of_the_record()
        database = self._reader.path
        free = disk_usage(database.parent).free
        if free < LEAST_FREE_BYTES:
            what = f"only {free // 1_000_000} MB are free beside {database.name}"
            yield Trouble(AlertKind.OWN_FAULT, "disk", what, "make room on the disk")
        yield from self._missed()
        lost = given_up(database, self._clock() - 86400.0)
        if lost:
            who = ", ".join(dict.fromkeys(person for person, _ in lost))
            what = f"{len(lost)} messages of the last day reached nobody ({who}): {lost[-1][1]}"
            yield Trouble(AlertKind.OWN_FAULT, "undelivered", what, "see to their addresses and channels")

    def _of_the_record(self) -> Iterator[Trouble]:
        """Yield what happened to the record, and that it has had no backup for days."""
        for mishap in self._mishaps():
            yield Trouble(AlertKind.OWN_FAULT, "record", mishap.what, mishap.remedy, at_once=True)
        overdue_s = self._nightly.overdue_s()
        if overdue_s is not None:
            what = f"no backup of the record for {overdue_s / 86400.0:.0f} d: {self._nightly.trouble}"
            yield Trouble(AlertKind.OWN_FAULT, "backup", what, "see to the folder of backups and its free space")

    def _mishaps(self) -> list[Mishap]:
        """Return what happened to the record lately; nothing where even that cannot be read."""
        try:
            return self._reader.mishaps(self._clock() - MISHAP_STANDS_S)
        except RecordError:
            return []

    def _missed(self) -> Iterator[Trouble]:
        """Yield what was missed: time by a clock that was set, input that was shed."""
        jump_s = self._clock_watch.jumped_by_s()
        if jump_s:
            way = "forward" if jump_s > 0.0 else "back"
            what = f"the clock of this machine was set {way} by {duration(abs(jump_s) / 3600.0)}"
            remedy = "see to its time service; readings with times that cannot be are kept and move nothing"
            yield Trouble(AlertKind.OWN_FAULT, "clock", what, remedy, at_once=True)
        shed = self._worker.counters.deliveries_shed
        if shed > self._shed:
            self._shed, self._shed_at = shed, time.monotonic()
        if shed and time.monotonic() - self._shed_at < STANDS_S:
            whose = ", ".join(
                f"{count} of {source}" for source, count in sorted(self._worker.shed.by_source.copy().items())
            )
            what = f"{shed} deliveries were shed ({whose}): more came in than the disk takes"
            yield Trouble(AlertKind.OWN_FAULT, "shed", what, "look which source floods, and at the disk", at_once=True)

    def _all(self) -> list[SourceHealth]:
        return [*self._sources.health(), *self._out.health()]

    def _step_age_s(self) -> float | None:
        stepped_s = self._worker.stepped_s
        return None if stepped_s is None else max(0.0, self._clock() - stepped_s)

    def _own(self) -> Iterator[Reason]:
        worker, age_s = self._worker, self._step_age_s()
        if not worker.alive:
            yield Reason("the writer has stopped", "restart the daemon; the log says why")
        if worker.trouble:
            yield Reason(worker.trouble, "free the disk or mend its rights; readings wait meanwhile")
        if worker.step_trouble:
            remedy = "readings are kept meanwhile; look at the log and report it"
            yield Reason(f"no new estimate: {worker.step_trouble}", remedy)
        if age_s is not None and age_s > STEP_OVERDUE_S:
            yield Reason(f"no estimate for {age_s / 3600.0:.1f} h", "look at the log and at the clock")
        if worker.post_trouble:
            remedy = "they stay due; look at the log and report it"
            yield Reason(f"messages cannot be written: {worker.post_trouble}", remedy)
        if worker.upkeep_trouble:
            remedy = "nothing old is deleted meanwhile; look at the log and report it"
            yield Reason(f"the record is not kept in bounds: {worker.upkeep_trouble}", remedy)

    def _channels(self) -> Iterator[tuple[Reason, bool]]:
        """Yield the channels that take no messages, and whether somebody has to mend them."""
        for name, trouble in self._out.senders.troubles().items():
            minutes = (self._clock() - (trouble.since_s or 0.0)) / 60.0
            if trouble.mend or 60.0 * minutes > CHANNEL_OVERDUE_S:
                what = f"channel {name} takes no messages since {minutes:.0f} min: {trouble.detail}"
                remedy = trouble.remedy or "they wait or go another way; see to the server and its address"
                yield Reason(what, remedy), trouble.mend


def _about(what: str) -> str:
    """Name a trouble without what changes from look to look: numbers, and the words behind a colon."""
    words = what.partition(":")[0].split(" since ")[0].split(" for ")[0]
    return words.strip()


def _reason(source: SourceHealth) -> Reason:
    return Reason(f"source {source.source}: {source.detail or source.state.value}", source.remedy or "see the log")


def _state(source: SourceHealth) -> SourceState:
    detail = source.detail + (f" - {source.remedy}" if source.remedy else "")
    return SourceState(source.source, source.state.value, detail, source.last_heard_s, source.accepted, source.rejected)
