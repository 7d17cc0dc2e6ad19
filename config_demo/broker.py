"""An MQTT broker of its own for the demo: pure Python, MQTT 3.1.1, loopback only, in a thread with its own loop.

Good enough to show the way; it does not keep the messages of a client that is away, so no shop should run on it.
"""

from __future__ import annotations

import asyncio
import logging
import socket
import threading
from types import TracebackType
from typing import Any, Self

_HOST = "127.0.0.1"
_PATIENCE_S = 15.0


class BrokerMissingError(RuntimeError):
    """The package of the embedded broker is not installed."""


def free_port() -> int:
    """Return a TCP port on loopback that nobody listens on at the moment."""
    with socket.socket() as probe:
        probe.bind((_HOST, 0))
        return int(probe.getsockname()[1])


class EmbeddedBroker:
    """The broker; `with EmbeddedBroker() as broker:` gives `broker.port`."""

    def __init__(self) -> None:
        self.port = free_port()
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, name="demo-broker", daemon=True)
        self._broker: Any = None

    def __enter__(self) -> Self:
        _hush()
        self._thread.start()
        try:
            self._broker = asyncio.run_coroutine_threadsafe(self._up(), self._loop).result(_PATIENCE_S)
        except BaseException:
            self._end()
            raise
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            asyncio.run_coroutine_threadsafe(self._down(), self._loop).result(_PATIENCE_S)
        finally:
            self._end()

    def _end(self) -> None:
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(_PATIENCE_S)
        self._loop.close()

    async def _up(self) -> Any:
        try:
            from amqtt.broker import Broker  # noqa: PLC0415 - the demo extra; only the demo needs it
        except ModuleNotFoundError as error:
            raise BrokerMissingError(
                f"The demo needs a broker of its own ({error}): install it with pip install 'bandkeeper[demo]'."
            ) from error

        broker = Broker(
            {
                "listeners": {"default": {"type": "tcp", "bind": f"{_HOST}:{self.port}"}},
                "plugins": {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}},
            }
        )
        await broker.start()
        return broker

    async def _down(self) -> None:
        await self._broker.shutdown()
        rest = [task for task in asyncio.all_tasks() if task is not asyncio.current_task()]
        for task in rest:
            task.cancel()
        await asyncio.gather(*rest, return_exceptions=True)


def _hush() -> None:
    """Keep the broker's own log lines out of the visitor's terminal."""
    for name in ("amqtt", "transitions"):
        logging.getLogger(name).setLevel(logging.CRITICAL + 1)
