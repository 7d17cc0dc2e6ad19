"""What an inlet hands over, and what every inlet can do.

The driver contract: an inlet emits only what the device said, stamped with the device's time and the time of arrival.
It never fills, smooths or derives; a missing value is None with a reason. Input that cannot be used is handed over
as `Rejected`, never dropped in silence. A missing broker or port is waited for, never an error. Whatever has been
handed over counts as taken in only after `done()`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple, Protocol, runtime_checkable

from monitor.plant.reading import Act, Entry, Reading, Rejected


def _nothing() -> None:
    """Do nothing: the acknowledgement of sources that cannot be told."""


@dataclass(frozen=True, slots=True)
class Receipt:
    """A message without a time of its own that was stamped on arrival and is not yet acknowledged.

    Kept with its readings, it lets a restarted process recognise the broker's repeat and stamp it the same, so that
    the repeat is the same reading. `digest` is of topic and payload.
    """

    source: str
    mid: int
    digest: int
    arrived_s: float


@dataclass(frozen=True, slots=True)
class Delivery:
    """Input that came in together. The writer calls `done` after the commit (from any thread, once).

    `passing` names the source of input that nobody keeps until then (a line, a bus): in a flood that the disk cannot
    follow it is shed and counted. Everything else is held back by its sender, and never shed.
    """

    readings: tuple[Reading, ...]
    rejected: tuple[Rejected, ...] = ()
    done: Callable[[], None] = _nothing
    receipts: tuple[Receipt, ...] = ()
    entries: tuple[Entry, ...] = ()
    acts: tuple[Act, ...] = ()
    passing: str = ""


class SourceState(StrEnum):
    """How a source stands."""

    WAITING = "waiting"
    UP = "up"
    REFUSED = "refused"
    STOPPED = "stopped"


class Trouble(NamedTuple):
    """How a source stands that is not as it should be, why, and the remedy."""

    state: SourceState
    detail: str
    remedy: str


@dataclass(frozen=True, slots=True)
class SourceHealth:
    """How a source stands, in words for people. Counts are since the start; `last_heard_s` is Unix seconds.

    `received` counts messages or lines, `accepted` readings, `rejected` refused inputs; `unconfirmed` is what was
    handed over and is not yet acknowledged (inlets) or not yet confirmed by the broker (outlets).
    """

    source: str
    state: SourceState
    detail: str = ""
    remedy: str = ""
    last_heard_s: float | None = None
    received: int = 0
    accepted: int = 0
    rejected: int = 0
    unconfirmed: int = 0


Deliver = Callable[[Delivery], None]
Clock = Callable[[], float]


class Inlet(Protocol):
    """A way in: one per source of the plant file."""

    @property
    def source(self) -> str:
        """The source's id in the plant file."""
        ...

    def start(self, deliver: Deliver) -> None:
        """Begin to take input in, on a thread of its own; returns at once. `deliver` must not block for long."""
        ...

    def stop(self) -> None:
        """End within seconds; what was not acknowledged stays with the sender."""
        ...

    def health(self) -> SourceHealth:
        """Tell how the source stands (from any thread)."""
        ...


@runtime_checkable
class Reroutes(Protocol):
    """An inlet that can take up other routes while it runs, without breaking its connection off."""

    def reroute(self, other: Inlet) -> bool:
        """Listen from now on to what `other` (made for the same source, never started) would listen to.

        False, with nothing changed, if that needs a new start: another host, another port, another log-in.
        """
        ...
