"""How long to wait before the next try."""

from __future__ import annotations

import random
from dataclasses import dataclass, field


@dataclass(slots=True)
class Pace:
    """Waits that double from `first_s` to `most_s`, each with up to a quarter of jitter; `refused_s` after a refusal.

    The jitter keeps many daemons from knocking at a restarted broker in the same instant.
    """

    first_s: float = 1.0
    most_s: float = 60.0
    refused_s: float = 60.0
    _next_s: float = field(default=0.0, init=False)
    _dice: random.Random = field(default_factory=random.Random, init=False, repr=False)

    def wait_s(self) -> float:
        """Give the wait after another failure."""
        self._next_s = min(max(self.first_s, 2 * self._next_s), self.most_s)
        return self._jittered(self._next_s)

    def refused_wait_s(self) -> float:
        """Give the wait after a refusal that people must put right."""
        return self._jittered(self.refused_s)

    def reset(self) -> None:
        """Begin again with the short wait (after a success)."""
        self._next_s = 0.0

    def _jittered(self, wait_s: float) -> float:
        return wait_s * (1.0 + 0.25 * self._dice.random())
