"""Server-sent events: `changed` with the sumps that moved, `alert` with the alerts that did."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from typing import Final

from monitor.status.board import Board
from monitor.status.feed import Subscription
from monitor.status.shapes import encode, moment

MAX_STREAMS: Final = 100
KEEP_ALIVE_S: Final = 15.0
SHORTEST_GAP_S: Final = 0.5


class Streams:
    """The open streams of one app; bounded, and ended together when the server stops."""

    def __init__(self, board: Board) -> None:
        self._board = board
        self._open: set[Subscription] = set()
        self._stopping = False

    @property
    def full(self) -> bool:
        """Whether another stream would be one too many."""
        return len(self._open) >= MAX_STREAMS

    def close(self) -> None:
        """End every stream; called in the server's event loop."""
        self._stopping = True
        for subscription in tuple(self._open):
            subscription.close()

    async def events(self) -> AsyncIterator[bytes]:
        """Yield the events of one stream until the reader goes or the server stops."""
        subscription = self._board.subscribe()
        self._open.add(subscription)
        try:
            yield b"retry: 5000\n\n"
            while not (subscription.closed or self._stopping):
                taken = await subscription.take(KEEP_ALIVE_S)
                if subscription.closed:
                    return
                yield b": still here\n\n" if taken is None else self._said(*taken)
                if taken is not None:
                    await asyncio.sleep(SHORTEST_GAP_S)
        finally:
            self._open.discard(subscription)
            subscription.close()

    def _said(self, sumps: frozenset[str], alerts: frozenset[str]) -> bytes:
        now = moment(self._board.clock())
        out = b""
        if sumps:
            out += _event("changed", {"time": now, "sumps": sorted(sumps)})
        if alerts:
            out += _event("alert", {"time": now, "alerts": sorted(alerts)})
        return out or b": nothing new\n\n"


def _event(name: str, body: object) -> bytes:
    return b"event: " + name.encode() + b"\ndata: " + encode(body) + b"\n\n"
