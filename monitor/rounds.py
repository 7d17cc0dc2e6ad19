"""What one round of the worker takes up, whom it asks, and how those who wait for it get their answer."""

from __future__ import annotations

import logging
import threading
from collections import Counter
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from dataclasses import dataclass, field, replace
from typing import Any, Protocol

from adapters.delivery import Delivery
from alerts.types import Transition
from monitor.plant.reading import Entry, Rejected
from monitor.snapshot import Snapshot

log = logging.getLogger("bandkeeper.worker")

Ask = Callable[[], Any]


class Office(Protocol):
    """What writes messages about changes, on the worker's thread (see `monitor.post`)."""

    def moved(self, transitions: Sequence[Transition], now_s: float) -> None:
        """Write what new transitions call for, inside the transaction that stores them."""
        ...

    def turn(self, snapshot: Snapshot, now_s: float) -> None:
        """Write what is due by now."""
        ...

    def before_step(self) -> None:
        """Take note of what the clock left out, before the pipeline passes it."""
        ...


@dataclass(slots=True)
class Counters:
    """What only ever grows."""

    readings_accepted: int = 0
    readings_doubled: int = 0
    readings_rejected: int = 0
    entries_accepted: int = 0
    deliveries_shed: int = 0
    write_failures: int = 0
    steps: int = 0
    step_failures: int = 0


@dataclass(frozen=True, slots=True)
class Asked:
    """What somebody wants done on the worker's thread. A patient one waits while the record is gone over."""

    what: Ask
    answer: Future[Any]
    patient: bool = False

    def do(self) -> None:
        """Do it and answer, unless nobody waits any more."""
        if not self.answer.set_running_or_notify_cancel():
            return
        try:
            self.answer.set_result(self.what())
        except Exception as error:  # noqa: BLE001 - whoever asked gets it; the worker lives on
            self.answer.set_exception(error)


Item = Delivery | tuple[Entry, Future[Any]] | Asked


@dataclass(slots=True)
class Round:
    """What one round stores together."""

    deliveries: list[Delivery] = field(default_factory=list)
    entries: list[tuple[Entry, Future[bool]]] = field(default_factory=list)
    asks: list[Asked] = field(default_factory=list)

    @property
    def something(self) -> bool:
        """Tell whether there is anything in it."""
        return bool(self.deliveries or self.entries or self.asks)

    def put(self, item: Item) -> None:
        """Take one more item in."""
        if isinstance(item, Delivery):
            self.deliveries.append(item)
        elif isinstance(item, Asked):
            self.asks.append(item)
        else:
            self.entries.append(item)


class Shed:
    """What was shed of input that nobody keeps, by source.

    All else waits, and its sender with it: it is not acknowledged meanwhile.
    """

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self.by_source: Counter[str] = Counter()

    def take(self, delivery: Delivery) -> int:
        """Shed a delivery (any thread); return how many were shed so far."""
        acknowledge(delivery)
        with self._lock:
            self.by_source[delivery.passing] += 1
            return self.by_source.total()


def acknowledge(delivery: Delivery) -> None:
    """Tell the source that its delivery is on disk."""
    try:
        delivery.done()
    except Exception:
        log.exception("own fault while acknowledging; it is on disk, and known when it comes again")


def in_pieces(delivery: Delivery, error: Exception) -> list[Delivery]:
    """Take a delivery that cannot be stored by a fault of ours apart; a single piece comes back as a refusal.

    The delivery is acknowledged with the last of its pieces. A refusal that cannot be kept either is done with.
    """
    single = (
        *(((one,), (), ()) for one in delivery.readings),
        *(((), (one,), ()) for one in delivery.rejected),
        *(((), (), (one,)) for one in delivery.entries),
    )
    if len(single) > 1:
        left = iter(range(len(single) - 1, -1, -1))

        def done() -> None:
            if next(left) == 0:
                delivery.done()

        receipts = (delivery.receipts, *(() for _ in single[1:]))
        return [
            replace(delivery, readings=readings, rejected=rejected, entries=entries, receipts=told, done=done)
            for (readings, rejected, entries), told in zip(single, receipts, strict=True)
        ]
    if delivery.readings or delivery.entries:
        return [_refused(delivery, error)]
    acknowledge(delivery)
    return []


def _refused(delivery: Delivery, error: Exception) -> Delivery:
    """Return what cannot be stored by a fault of ours as a refusal: it must not come again and again."""
    arrived_s = max((one.arrived_s for one in delivery.readings), default=0.0)
    where = next((f"{one.sump}/{one.signal}" for one in delivery.readings), "an entry")
    why = f"own fault while storing it ({error!r}): please report it"
    return Delivery((), (Rejected(where, arrived_s, why, repr(delivery.readings or delivery.entries)),), delivery.done)


def said_once(what: str, before: str, error: Exception) -> str:
    """Return a fault of ours in words, logged unless they are the words of the one before."""
    words = str(error) or type(error).__name__
    if words != before:
        log.error(what, exc_info=error)
    return words
