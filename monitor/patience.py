"""How long a round of input is gathered: long enough to spare the disk, never so long that anybody waits for it.

Each round is a page of the disk or two, however little is in it. So where little comes it is gathered for some seconds;
where much comes it fills by itself. A broker that sends no more before the first is acknowledged falls silent all at
once: then a round ends as soon as it is quiet for some times as long as between what came before.
"""

from __future__ import annotations

import math
from typing import Final

SHORTEST_S: Final = 0.05
GAPS: Final = 4.0


class Patience:
    """Until when one round is gathered, by a clock that never jumps (seconds)."""

    def __init__(self, longest_s: float) -> None:
        self._longest_s = max(longest_s, SHORTEST_S)
        self._first_s = self._limit_s = math.inf
        self._count = 0
        self.until_s = math.inf

    def heard(self, now_s: float, *, urgent: bool) -> None:
        """Note that something came; for what is urgent somebody waits."""
        self._count += 1
        self._first_s = min(self._first_s, now_s)
        self._limit_s = min(self._limit_s, self._first_s + self._longest_s)
        if urgent:
            self._limit_s = min(self._limit_s, now_s + SHORTEST_S)
        quiet_s = self._longest_s
        if self._count > 1:
            quiet_s = max(SHORTEST_S, GAPS * (now_s - self._first_s) / (self._count - 1))
        self.until_s = min(self._limit_s, now_s + quiet_s)
