"""One piece of input to readings or to a refusal. Pure, and fenced: bad input never stops its neighbours."""

from __future__ import annotations

import logging
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final, NamedTuple, Protocol

from adapters.payloads import Payload
from adapters.routes import Route
from adapters.sample import PayloadError, Sample
from monitor.plant.reading import Act, Entry, Reading, Rejected

log = logging.getLogger("bandkeeper.sources")

RAW_KEPT: Final = 1024
"""So many bytes of refused input are kept."""
_APART_S: Final = 0.00125
_AHEAD_S: Final = 10.0


class Piece(NamedTuple):
    """A message or line as it came in. `retained`: the broker kept it, so its arrival says nothing of its age."""

    address: str
    raw: bytes
    arrived_s: float
    retained: bool = False


class Arrivals:
    """Times of arrival that tell inputs of one address apart, though they came in one burst.

    A time is moved on by little more than a millisecond where it would fall together with the one before; a clock
    that is set back is followed.
    """

    def __init__(self) -> None:
        self._last: dict[str, float] = {}

    def at(self, address: str, now_s: float) -> float:
        """Give the time of arrival of an input that came now."""
        next_s = self._last.get(address, -math.inf) + _APART_S
        if now_s < next_s < now_s + _AHEAD_S:
            now_s = next_s
        self._last[address] = now_s
        return now_s


@dataclass(slots=True)
class Batch:
    """What came in together: filled by the intake, handed over as one delivery."""

    readings: list[Reading] = field(default_factory=list)
    rejected: list[Rejected] = field(default_factory=list)
    entries: list[Entry] = field(default_factory=list)
    acts: list[Act] = field(default_factory=list)

    def refuse(self, source: str, piece: Piece, why: str) -> None:
        """Add a refusal; the raw input is kept as readable text, cut to a bearable length."""
        text = piece.raw[:RAW_KEPT].decode("utf-8", "backslashreplace")
        self.rejected.append(Rejected(f"{source}: {piece.address}", piece.arrived_s, why, text))


class Takes(Protocol):
    """What fills a batch from input."""

    def take(self, batch: Batch, piece: Piece) -> bool:
        """Add what a piece holds, or its refusal; say whether any of it hangs on the time of arrival."""
        ...


def fenced(takes: Takes, source: str, batch: Batch, piece: Piece) -> bool:
    """Fill a batch from a piece: what `takes` cannot cope with by a fault of its own is refused, and never comes again.

    MemoryError is no fault of the piece and goes on.
    """
    try:
        return takes.take(batch, piece)
    except MemoryError:
        raise
    except Exception as error:  # noqa: BLE001 - one piece must not hold up its source for good
        own_fault(source, batch, piece, error)
        return False


def own_fault(source: str, batch: Batch, piece: Piece, error: Exception) -> None:
    """Refuse a piece for a fault that is not its own."""
    log.error("%s: %s: own fault while reading it", source, piece.address, exc_info=error)
    batch.refuse(source, piece, f"own fault while reading it ({error!r}): please report it")


class Intake:
    """Takes the input of one source, by address."""

    def __init__(self, source: str, routes: Mapping[str, tuple[Route, ...]], payload: Payload) -> None:
        self._source = source
        self._routes = routes
        self._payload = payload

    def take(self, batch: Batch, piece: Piece) -> bool:
        """Add the readings of a piece to the batch, or its refusal.

        Says whether any of its readings bears the time of arrival for want of its own.
        """
        routes = self._routes.get(piece.address)
        if routes is None:
            batch.refuse(self._source, piece, "no signal of the plant file has this address")
            return False
        try:
            content = self._payload.read(piece.raw, piece.arrived_s)
        except PayloadError as error:
            batch.refuse(self._source, piece, str(error))
            return False
        except MemoryError:  # no fault of the piece: it comes again
            raise
        except Exception as error:  # noqa: BLE001 - the fence: a parser's own fault refuses one piece, not the source
            own_fault(self._source, batch, piece, error)
            return False
        return self._spread(batch, routes, content, piece)

    def _spread(self, batch: Batch, routes: tuple[Route, ...], content: object, piece: Piece) -> bool:
        stamped = False
        before = len(batch.readings) + len(batch.rejected)
        for route in routes:
            try:
                for sample in self._payload.pick(content, route.selector):
                    batch.readings.append(_reading(route, sample, piece))
                    stamped = stamped or sample.hangs_on_arrival
            except PayloadError as error:
                batch.refuse(self._source, piece, f"{route.sump} {route.spec.signal.value}: {error}")
            except MemoryError:
                raise
            except Exception as error:  # noqa: BLE001 - as above: a signal's fault stays with the signal
                own_fault(self._source, batch, piece, error)
        if len(batch.readings) + len(batch.rejected) == before:
            batch.refuse(
                self._source, piece, "no signal listens to what it holds: check the names behind ? in addresses"
            )
        return stamped


def _reading(route: Route, sample: Sample, piece: Piece) -> Reading:
    if piece.retained and sample.hangs_on_arrival:
        raise PayloadError('kept by the broker since nobody knows when: send "t" with it, or do not retain it')
    return route.reading(sample, piece.arrived_s)
