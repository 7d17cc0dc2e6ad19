"""What the status room needs from the house: the plant, the latest snapshot, the record to read, and a way to write.

`Board` is implemented by the daemon; the status room never sees a thread, a database or a broker of its own.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from alerts.hygiene import Hygiene
from alerts.links import Claim
from alerts.types import Alert, Transition
from monitor.model.types import Event
from monitor.plant.reading import Entry, Signal
from monitor.plant.types import Plant
from monitor.snapshot import Snapshot
from monitor.status.feed import Subscription

Point = tuple[float, float, float, float]
"""One column of a history: Unix seconds, smallest, mean and largest value in the signal's canonical unit."""


class EstimatePoint(Protocol):
    """One estimate kept on record: litres, percent and their one-sigma uncertainties at `time_s`."""

    @property
    def time_s(self) -> float: ...  # noqa: D102
    @property
    def volume_l(self) -> float: ...  # noqa: D102
    @property
    def volume_sd_l(self) -> float: ...  # noqa: D102
    @property
    def concentration_pct(self) -> float: ...  # noqa: D102
    @property
    def concentration_sd_pct(self) -> float: ...  # noqa: D102


class RecordReader(Protocol):
    """The record as the status room reads it; every method may be called from any thread."""

    def history(self, sump: str, from_s: float, to_s: float, points: int) -> Mapping[Signal, Sequence[Point]]:
        """Return each signal's readings between two moments, thinned to at most `points` columns."""
        ...

    def estimates(self, sump: str, from_s: float, to_s: float, points: int) -> Sequence[EstimatePoint]:
        """Return the estimates on record between two moments, at most `points` of them, in time order."""
        ...

    def entries(self, from_s: float, to_s: float, sump: str | None = None) -> Iterable[Entry]:
        """Return the log-book entries between two moments, in time order."""
        ...

    def events(self, from_s: float, to_s: float, sump: str | None = None) -> Iterable[Event]:
        """Return what the pipeline noticed between two moments, in time order."""
        ...

    def transitions(self, from_s: float, to_s: float, alert_id: str | None = None) -> Sequence[Transition]:
        """Return the changes of alerts between two moments, of one alert or of all, in time order."""
        ...

    def token_scope(self, token: str, now_s: float) -> str | None:
        """Return `read`, `act` or `admin` for a token that is valid now, else None."""
        ...

    def session_scope(self, session: str, now_s: float) -> str | None:
        """Return `read`, `act` or `admin` for a session that goes on, else None."""
        ...

    def rejected_count(self) -> int:
        """Return how many pieces of input could not be used so far."""
        ...


@dataclass(frozen=True, slots=True)
class Reason:
    """Why the daemon is not ready, in words, and what helps."""

    what: str
    remedy: str


@dataclass(frozen=True, slots=True)
class SourceState:
    """How one source is doing: `state` in a word (`up`, `waiting`, `failed`), `detail` says what helps."""

    source: str
    state: str
    detail: str = ""
    last_heard_s: float | None = None
    accepted: int = 0
    rejected: int = 0


@dataclass(frozen=True, slots=True)
class Health:
    """The state of the watch itself.

    `step_age_s` is seconds since the pipeline last moved, `mishaps` what happened to the record in the last days.
    """

    ready: bool
    reasons: tuple[Reason, ...] = ()
    sources: tuple[SourceState, ...] = ()
    writer: str = "running"
    database: str = "writable"
    rejected: int = 0
    plant_warnings: tuple[str, ...] = ()
    step_age_s: float | None = None
    mishaps: tuple[Reason, ...] = ()


class Board(Protocol):
    """Everything the status room asks of the daemon. Methods may be called from any thread and return quickly."""

    @property
    def plant(self) -> Plant:
        """The plant file, resolved."""
        ...

    def snapshot(self) -> Snapshot:
        """Return the latest picture of the plant; it never changes once handed out."""
        ...

    def reader(self) -> RecordReader:
        """Return a reader of the record."""
        ...

    def submit(self, entry: Entry) -> bool:
        """Put an entry on record: True if new, False if its id is known. `RecordError` when it cannot be written."""
        ...

    def acknowledge(self, alert_id: str, who: str) -> Alert | None:
        """Acknowledge an alert and return it as it is now; None if there is no such alert."""
        ...

    def begin_session(self, token: str, lasts_s: float) -> str | None:
        """Begin a session with a token and return its secret; None if the token is not valid."""
        ...

    def end_session(self, session: str) -> None:
        """End a session; an unknown one has ended already."""
        ...

    def claim(self, token: str) -> Claim:
        """Return what the token of a message's link allows; `LinkError` if it allows nothing."""
        ...

    def shelve(self, alert_id: str, until_s: float, reason: str, who: str) -> Alert | None:
        """Shelve an alert until a moment and return it as it is now; None if there is no such alert."""
        ...

    def unshelve(self, alert_id: str, who: str) -> Alert | None:
        """Take an alert off the shelf and return it as it is now; None if there is no such alert."""
        ...

    def take_out_of_service(self, alert_id: str, reason: str, who: str) -> Alert | None:
        """Take an alert out of service and return it as it is now; None if there is no such alert."""
        ...

    def return_to_service(self, alert_id: str, who: str) -> Alert | None:
        """Return an alert to service and return it as it is now; None if there is no such alert."""
        ...

    def hygiene(self, from_s: float, to_s: float) -> Hygiene:
        """Return the report on the alerts of a span."""
        ...

    def health(self) -> Health:
        """Return the state of the watch itself."""
        ...

    def subscribe(self) -> Subscription:
        """Return a new subscription to change notices (see `monitor.status.feed.Feed`); close it after use."""
        ...

    def clock(self) -> float:
        """Return now in Unix seconds by the plant's clock (a demo runs faster than life)."""
        ...

    def counters(self) -> Mapping[str, float]:
        """Return counters by name (`readings_accepted`, `readings_rejected`, …) that only ever grow."""
        ...
