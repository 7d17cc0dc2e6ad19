"""How the daemon itself is doing: for `/health/ready`, and as troubles that become alerts."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from shutil import disk_usage
from typing import Final

from adapters.delivery import SourceHealth
from alerts.types import AlertKind
from monitor.outward import Outward
from monitor.own_alerts import Trouble
from monitor.record.outbox import given_up
from monitor.sources import Sources
from monitor.status.board import Health, Reason, SourceState
from monitor.worker import Worker

STEP_OVERDUE_S: Final = 3600.0
CHANNEL_OVERDUE_S: Final = 600.0
LEAST_FREE_BYTES: Final = 300_000_000


class Doctor:
    """Asks the parts how they are; knows no state of its own."""

    def __init__(
        self, database: Path, clock: Callable[[], float], worker: Worker, sources: Sources, out: Outward
    ) -> None:
        self._database, self._clock = database, clock
        self._worker, self._sources, self._out = worker, sources, out

    def health(self) -> Health:
        """Tell how the daemon itself is doing."""
        sources = self._all()
        reasons = [*self._own(), *(_reason(s) for s in sources if s.state not in {"up", "running"})]
        return Health(
            ready=not reasons,
            reasons=tuple(reasons),
            sources=tuple(_state(source) for source in sources),
            writer="running" if self._worker.alive else "stopped",
            database=self._worker.trouble or "writable",
            rejected=self._worker.counters.readings_rejected,
            step_age_s=self._step_age_s(),
        )

    def troubles(self) -> Iterator[Trouble]:
        """Yield what is wrong with the watch itself and somebody can mend."""
        for one in self._all():
            if one.state.value in {"waiting", "refused"}:
                yield Trouble(AlertKind.SOURCE_DOWN, one.source, _reason(one).what, one.remedy)
        for reason in self._own():
            yield Trouble(AlertKind.OWN_FAULT, _about(reason.what), reason.what, reason.remedy)
        free = disk_usage(self._database.parent).free
        if free < LEAST_FREE_BYTES:
            what = f"only {free // 1_000_000} MB are free beside {self._database.name}"
            yield Trouble(AlertKind.OWN_FAULT, "disk", what, "make room on the disk")
        lost = given_up(self._database, self._clock() - 86400.0)
        if lost:
            who = ", ".join(dict.fromkeys(person for person, _ in lost))
            what = f"{len(lost)} messages of the last day reached nobody ({who}): {lost[-1][1]}"
            yield Trouble(AlertKind.OWN_FAULT, "undelivered", what, "see to their addresses and channels")

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
        for name, (detail, since_s) in self._out.senders.troubles().items():
            minutes = (self._clock() - since_s) / 60.0
            if 60.0 * minutes > CHANNEL_OVERDUE_S:
                what = f"channel {name} takes no messages since {minutes:.0f} min: {detail}"
                yield Reason(what, "they wait or go another way; see to the server, address and log-in")


def _about(what: str) -> str:
    """Name a trouble without what changes from look to look: numbers, and the words behind a colon."""
    words = what.partition(":")[0].split(" since ")[0].split(" for ")[0]
    return words.strip()


def _reason(source: SourceHealth) -> Reason:
    return Reason(f"source {source.source}: {source.detail or source.state.value}", source.remedy or "see the log")


def _state(source: SourceHealth) -> SourceState:
    detail = source.detail + (f" - {source.remedy}" if source.remedy else "")
    return SourceState(source.source, source.state.value, detail, source.last_heard_s, source.accepted, source.rejected)
