"""What every way in with a thread of its own has: it starts, stops, can be started again, and tells how it stands."""

from __future__ import annotations

import threading
from abc import ABC, abstractmethod
from typing import Final

from adapters.board import Board
from adapters.delivery import Deliver, SourceHealth, SourceState

_JOIN_S: Final = 10.0


class ThreadedInlet(ABC):
    """An inlet whose `_run` works until `_stopping` is set; `_board` keeps what is said of it."""

    def __init__(self, source: str, kind: str) -> None:
        self._source, self._kind = source, kind
        self._board = Board(source)
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None

    @property
    def source(self) -> str:
        """The source's id in the plant file."""
        return self._source

    def start(self, deliver: Deliver) -> None:
        """Begin to take input in; returns at once."""
        self._stopping.clear()
        self._thread = threading.Thread(
            target=self._run, args=(deliver,), name=f"{self._kind} {self.source}", daemon=True
        )
        self._thread.start()

    def stop(self) -> None:
        """End within a second or so."""
        self._stopping.set()
        if self._thread is not None:
            self._thread.join(timeout=_JOIN_S)
        self._board.set(SourceState.STOPPED, "stopped")

    def health(self) -> SourceHealth:
        """Tell how the source stands."""
        return self._board.health(self._unconfirmed())

    def _unconfirmed(self) -> int:
        """Return how many deliveries are not on disk yet."""
        return 0

    @abstractmethod
    def _run(self, deliver: Deliver) -> None:
        """Take input in until `_stopping` is set; on the inlet's own thread."""
