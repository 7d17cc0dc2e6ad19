"""Sumps that are not in the plant file now: each one's row of the state as it was, kept until it comes back.

A row is kept as the checkpoint had it that was the last to know the sump. When the sump comes back, the row is brought
on from there: first with what was still heard of it, then through the time in which nobody listened, which makes it as
unsure as a silent sump would be.
"""

from __future__ import annotations

import json
from base64 import b64decode, b64encode
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, Self

from monitor.model.layout import BINS_A_DAY
from monitor.model.state import joined, row_of

KEPT_BINS: Final = 90 * BINS_A_DAY
"""So long a row is kept: what a sump was three months ago says little of what it is now."""


@dataclass(frozen=True, slots=True)
class Absent:
    """One row as it stood before bin k, with the hall's weather then; from bin `until` on nobody listened."""

    k: int
    until: int | None
    hall: Any
    row: bytes

    @classmethod
    def of(cls, state: bytes, i: int, k: int, hall: Any) -> Self:
        """Take row i out of the bytes of a state that stands before bin k."""
        return cls(k, None, hall, row_of(state, i))

    def to_json(self, k: int) -> dict[str, Any]:
        """Return plain values, written in a state that stands before bin k and knows the sump no longer."""
        until = k if self.until is None else self.until
        return {"k": self.k, "until": until, "hall": self.hall, "row": b64encode(self.row).decode()}

    @classmethod
    def from_json(cls, body: Mapping[str, Any]) -> Self:
        """Take back what `to_json` gave."""
        return cls(body["k"], body["until"], body["hall"], b64decode(body["row"]))


def still_worth(absent: Mapping[str, Absent], k: int) -> dict[str, Absent]:
    """Leave out what is too old at bin k."""
    return {sump: one for sump, one in absent.items() if one.k > k - KEPT_BINS}


def went_together(absent: Mapping[str, Absent]) -> list[tuple[str, ...]]:
    """Return the names of sumps in groups that went at the same moment."""
    groups: dict[tuple[int, int | None], list[str]] = {}
    for sump, one in absent.items():
        groups.setdefault((one.k, one.until), []).append(sump)
    return [tuple(names) for names in groups.values()]


def written(absent: Sequence[Absent], names: Sequence[str], used: Mapping[str, int]) -> bytes:
    """Return the bytes of an engine (see `monitor.model.engine`) that stands where these sumps went."""
    state = joined([one.row for one in absent])
    body = {"ids": list(names), "next": absent[0].k, "hall": absent[0].hall, "held": [], "used": dict(used)}
    return json.dumps({**body, "found": [], "state": b64encode(state).decode()}).encode()
