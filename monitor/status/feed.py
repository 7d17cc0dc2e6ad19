"""Change notices from the daemon's threads to open streams, coalesced so that a slow reader costs no memory.

`Feed.publish` may be called from any thread. A `Subscription` collects what changed since it was last taken; the
sets it keeps are bounded by the plant, however fast changes come.
"""

from __future__ import annotations

import asyncio
import contextlib
import threading
from collections.abc import Iterable


class Subscription:
    """What changed since the last `take`, for one reader in one event loop."""

    def __init__(self, feed: Feed, loop: asyncio.AbstractEventLoop) -> None:
        self._feed = feed
        self._loop = loop
        self._lock = threading.Lock()
        self._sumps: set[str] = set()
        self._alerts: set[str] = set()
        self._bell = asyncio.Event()
        self.closed = False

    async def take(self, timeout_s: float) -> tuple[frozenset[str], frozenset[str]] | None:
        """Wait for changes and return (sumps, alerts); None if nothing came within `timeout_s` or it was closed."""
        try:
            async with asyncio.timeout(timeout_s):
                await self._bell.wait()
        except TimeoutError:
            return None
        self._bell.clear()
        with self._lock:
            taken = frozenset(self._sumps), frozenset(self._alerts)
            self._sumps.clear()
            self._alerts.clear()
        return None if self.closed else taken

    def add(self, sumps: Iterable[str], alerts: Iterable[str]) -> None:
        """Note changes; safe from any thread."""
        with self._lock:
            self._sumps.update(sumps)
            self._alerts.update(alerts)
        self._ring()

    def close(self) -> None:
        """End the subscription; a waiting `take` returns at once."""
        self.closed = True
        self._feed.forget(self)
        self._ring()

    def _ring(self) -> None:
        with contextlib.suppress(RuntimeError):  # the reader's loop has ended: nobody is left to tell
            self._loop.call_soon_threadsafe(self._bell.set)


class Feed:
    """The list of open subscriptions."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._open: set[Subscription] = set()

    def subscribe(self) -> Subscription:
        """Return a new subscription for the running event loop."""
        subscription = Subscription(self, asyncio.get_running_loop())
        with self._lock:
            self._open.add(subscription)
        return subscription

    def publish(self, sumps: Iterable[str] = (), alerts: Iterable[str] = ()) -> None:
        """Tell every open subscription what changed; callable from any thread, never blocks."""
        changed, raised = frozenset(sumps), frozenset(alerts)
        for subscription in self._copy():
            subscription.add(changed, raised)

    def forget(self, subscription: Subscription) -> None:
        """Drop a subscription that was closed."""
        with self._lock:
            self._open.discard(subscription)

    def close(self) -> None:
        """Close every open subscription."""
        for subscription in self._copy():
            subscription.close()

    def _copy(self) -> tuple[Subscription, ...]:
        with self._lock:
            return tuple(self._open)
