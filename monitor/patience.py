"""How long a round of input is gathered: long enough to spare the disk, never so long that anybody waits for it.

Each round is a page of the disk or two, however little is in it. So what keeps coming is gathered for some seconds;
where much comes it fills by itself. What comes alone, so that waiting would gather nothing more, waits for a second at
most: whoever looks wants to see it. A broker that sends no more before the first is acknowledged falls silent all at
once: then a round ends as soon as it is quiet for some times as long as between what came before.
"""

from __future__ import annotations

import math
from typing import Final

SHORTEST_S: Final = 0.05
ALONE_S: Final = 1.0
GAPS: Final = 4.0


class Patience:
    """Until when one round is gathered, by a clock that never jumps (seconds); `before` is that of the round before."""

    def __init__(self, longest_s: float, before: Patience | None = None) -> None:
        self._longest_s = max(longest_s, SHORTEST_S)
        self._before_s, self._before = (math.inf, 0) if before is None else (before.first_s, before.count)
        self.first_s: float = math.inf
        self.count: int = 0
        self.until_s = self._limit_s = math.inf

    def heard(self, now_s: float, *, urgent: bool) -> None:
        """Note that something came; for what is urgent somebody waits."""
        self.count += 1
        self.first_s = min(self.first_s, now_s)
        self._limit_s = min(self._limit_s, self.first_s + self._longest_s)
        if urgent:
            self._limit_s = min(self._limit_s, now_s + SHORTEST_S)
        self.until_s = min(self._limit_s, now_s + self._quiet_s(now_s))

    def _quiet_s(self, now_s: float) -> float:
        """Return for how long it may be quiet before nothing more is waited for."""
        quiet_s = math.inf
        if self.count > 1:
            quiet_s = max(SHORTEST_S, GAPS * (now_s - self.first_s) / (self.count - 1))
        elif self._before:
            quiet_s = max(SHORTEST_S, GAPS * (now_s - self._before_s) / self._before)
        return quiet_s if quiet_s <= self._longest_s else min(ALONE_S, self._longest_s)
