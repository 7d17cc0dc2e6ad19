"""One client must not keep the others out: connections that wait for their client are closed in the end.

A client that opens a connection and says nothing, sends half a request, or does not read its answer costs others
nothing but a place and some memory. It is closed once it is not done in fair time, and at once where either runs short.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import Any, Final

from uvicorn.protocols.http.h11_impl import H11Protocol

MOST_CONNECTIONS: Final = 400
"""From here on a new one takes the place of the one that has waited longest for its client."""
MOST_UNREAD_BYTES: Final = 32 * 1024 * 1024
"""So much of all answers together may wait to be read by their clients."""
LOOK_EVERY_S: Final = 5.0
PATIENCE: Final = 3
"""After so many looks a request that is not whole, or an answer of which nothing was read, ends the connection."""


class PatientLoop(asyncio.SelectorEventLoop):
    """An event loop whose TLS listeners do not wait a minute, as usual, for clients that do not shake hands."""

    async def create_server(self, *arguments: Any, **options: Any) -> asyncio.Server:
        """Create a server as asyncio does, with a bound on the handshake."""
        if options.get("ssl") is not None:
            options["ssl_handshake_timeout"] = LOOK_EVERY_S * PATIENCE
        return await super().create_server(*arguments, **options)


def patient_loop(**_: Any) -> PatientLoop:
    """Make the loop, as uvicorn asks for it."""
    return PatientLoop()


class PatientProtocol(H11Protocol):
    """HTTP/1.1 as uvicorn speaks it, with an end to waiting for the client. A stream of events may last."""

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Take up a connection; make room for it where there is none."""
        super().connection_made(transport)
        self.waits_since_s = self.loop.time()
        self._seen_before, self._unmoved = self.seen(), 0
        self._next_look = self.loop.call_later(LOOK_EVERY_S, self._look)
        if len(self._all()) > MOST_CONNECTIONS:
            self._end_one(lambda other: other.seen() is not None)

    def connection_lost(self, exc: Exception | None) -> None:
        """Forget the connection."""
        self._next_look.cancel()
        super().connection_lost(exc)

    def pause_writing(self) -> None:
        """Stop writing to a client that does not read; make room in memory where many do not."""
        super().pause_writing()
        self.waits_since_s = self.loop.time()
        if sum(one.unread for one in self._all()) > MOST_UNREAD_BYTES:
            self._end_one(lambda other: other.unread > 0)

    @property
    def unread(self) -> int:
        """Bytes of answers that the client has not taken yet."""
        return self.transport.get_write_buffer_size()

    def seen(self) -> tuple[Any, ...] | None:
        """Tell what of its client it waits for, and how far that is; None if it is not the client's turn."""
        if self.unread:
            return "reading", self.unread
        if self.cycle is None or self.cycle.response_complete or self.cycle.more_body:
            return "request", self.cycle
        return None

    def _look(self) -> None:
        seen = self.seen()
        if seen is None or seen != self._seen_before:
            self._unmoved, self.waits_since_s = 0, self.loop.time()
        else:
            self._unmoved += 1
        self._seen_before = seen
        if self._unmoved >= PATIENCE:
            self.transport.abort()
        else:
            self._next_look = self.loop.call_later(LOOK_EVERY_S, self._look)

    def _all(self) -> list[PatientProtocol]:
        known = [one for one in self.connections if isinstance(one, PatientProtocol)]
        return [one for one in known if not one.transport.is_closing()]

    def _end_one(self, may_end: Callable[[PatientProtocol], bool]) -> None:
        """End the connection that has waited longest, of those that may end; never this one, which is new."""
        waiting = [other for other in self._all() if other is not self and may_end(other)]
        if waiting:
            min(waiting, key=lambda one: one.waits_since_s).transport.abort()
