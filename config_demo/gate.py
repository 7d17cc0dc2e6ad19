"""Keeps the invented world from running ahead of the daemon: what was sent must be taken in before time goes on."""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

_LOOK_EVERY_S: Final = 0.01


class FallenBehindError(RuntimeError):
    """The daemon did not catch up within the patience of the demo."""


@dataclass(frozen=True, slots=True)
class Gate:
    """Waits for the daemon.

    `sent` and `taken_in` count readings; `pictured_s` is the simulated time of the daemon's latest picture, `now_s` of
    the clock. The daemon makes a picture of each multiple of `grid_s` once that moment is past, of all it has heard by
    then: so all readings up to that moment are waited for, and none of a later one is sent before the picture is there.
    Between two pictures at most `most_waiting` readings may be under way. Waiting ends at once when `stopped` says so,
    and with FallenBehindError after `patience_s` real seconds without progress.
    """

    sent: Callable[[], int]
    taken_in: Callable[[], int]
    pictured_s: Callable[[], float]
    now_s: Callable[[], float]
    stopped: Callable[[], bool]
    most_waiting: int = 200
    grid_s: float = 900.0
    patience_s: float = 60.0

    def before_sending(self) -> None:
        """Wait until every moment before now that was to be pictured has been."""
        self._wait(self._pictured)

    def after_sending(self) -> None:
        """Wait until nearly all is taken in, and all of it at a moment that will be pictured next."""
        most = 0 if self.now_s() % self.grid_s == 0.0 else self.most_waiting
        self._wait(lambda: self._waiting() <= most)

    def catch_up(self) -> None:
        """Wait until the daemon knows all that was sent and its picture is the newest that there can be."""
        self._wait(lambda: self._waiting() <= 0 and self._pictured())

    def _pictured(self) -> bool:
        last_grid_s = math.ceil(self.now_s() / self.grid_s - 1.0) * self.grid_s
        return self.pictured_s() >= last_grid_s

    def _waiting(self) -> int:
        return self.sent() - self.taken_in()

    def _wait(self, fine: Callable[[], bool]) -> None:
        mark, since = self._mark(), time.monotonic()
        while not fine() and not self.stopped():
            time.sleep(_LOOK_EVERY_S)
            if self._mark() != mark:
                mark, since = self._mark(), time.monotonic()
            elif time.monotonic() - since > self.patience_s:
                raise FallenBehindError(
                    f"{self._waiting()} readings are not taken in and the picture is"
                    f" {self.now_s() - self.pictured_s():.0f} simulated seconds old after {self.patience_s:.0f} s"
                    " without progress"
                )

    def _mark(self) -> tuple[int, float]:
        return self.taken_in(), self.pictured_s()
