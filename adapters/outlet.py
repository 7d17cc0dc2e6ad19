"""What goes out to people and programs: a letter, and the only three things a channel says of it.

A channel tries once and says `delivered`, `again` (not this time: try later) or `never` (this letter will never be
taken at this address). Back-off, fall-over, counters and the record of what was sent are the sender's.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any, Protocol

from monitor.plant.errors import SourceError
from monitor.plant.people import ChannelSpec


class Said(StrEnum):
    """What a channel says of a letter."""

    DELIVERED = "delivered"
    AGAIN = "again"
    NEVER = "never"


@dataclass(frozen=True, slots=True)
class Verdict:
    """What a channel says, and why in words for people.

    `after_s` is how many seconds the other side asks to be left alone (None: it says nothing of it). `mend` says that
    the channel itself will take nothing until somebody mends it: log-in, certificate; `remedy` is what helps.
    """

    said: Said
    detail: str = ""
    after_s: float | None = None
    mend: bool = False
    remedy: str = ""


def to_mend(what: str, remedy: str) -> Verdict:
    """Return the verdict of a channel that somebody has to mend; its letters wait or go another way."""
    return Verdict(Said.AGAIN, what, mend=True, remedy=remedy)


@dataclass(frozen=True, slots=True)
class Letter:
    """One message to one address. `id` is the event's id, the same at every repeat, so that receivers can drop those.

    `event` is a CloudEvents 1.0 event; `made_s` is when it was written (Unix seconds), `person` whom it is for.
    """

    id: str
    person: str
    to: str
    subject: str
    text: str
    html: str
    short: str
    made_s: float
    event: Mapping[str, Any] = field(default_factory=dict)


class Outlet(Protocol):
    """A way out."""

    @property
    def id(self) -> str:
        """The channel's id in the plant file."""
        ...

    def send(self, letter: Letter) -> Verdict:
        """Try once, within the channel's time-out; never raises for what the other side does."""
        ...


def text_option(spec: ChannelSpec, key: str) -> str:
    """Return an option that must be a text; SourceError otherwise."""
    value = spec.options.get(key)
    if not isinstance(value, str) or not value:
        raise SourceError(f"channel {spec.id}: {key} is {value!r}: write text in quotes")
    return value
