"""Answers made once for each snapshot and sent as often as asked for."""

from __future__ import annotations

import gzip
import threading
from collections.abc import Callable
from typing import Final

from starlette.responses import HTMLResponse, Response

from monitor.plant.types import Plant
from monitor.snapshot import Snapshot
from monitor.status.shapes import alerts_json, checks_json, encode, encoded_sumps, mixing_json

PACKED_FROM: Final = 4096
"""Pages of so many bytes and more are packed for who takes them packed."""
PACKING: Final = 5

_MAKERS: dict[str, Callable[[Snapshot, Plant], bytes]] = {
    "sumps": encoded_sumps,
    "alerts": lambda snapshot, plant: encode(alerts_json(snapshot, plant)),
    "mixing": lambda snapshot, _plant: encode(mixing_json(snapshot)),
    "checks": lambda snapshot, _plant: encode(checks_json(snapshot)),
}


class ReadyMade:
    """Keeps the encoded lists of the latest snapshot it was asked about.

    A snapshot never changes, so its identity is the key. Two threads that meet a new one may both encode it: the
    work is doubled once, the result is the same.
    """

    def __init__(self, plant: Callable[[], Plant]) -> None:
        self._plant = plant
        self._held: tuple[Snapshot, dict[str, bytes]] | None = None

    def get(self, name: str, snapshot: Snapshot) -> bytes:
        """Return the bytes of the list `name` (`sumps`, `alerts`, `mixing` or `checks`) of a snapshot."""
        held = self._held
        if held is None or held[0] is not snapshot:
            held = (snapshot, {})
            self._held = held
        if name not in held[1]:
            held[1][name] = _MAKERS[name](snapshot, self._plant())
        return held[1][name]


class KeptPage:
    """Keeps a page as bytes, plain and packed, as long as what it was made of stays the same.

    Those who meet a new snapshot together wait for the first of them to make it.
    """

    def __init__(self) -> None:
        self._making = threading.Lock()
        self._of: tuple[tuple[object, ...], object] | None = None
        self._body = self._packed = b""

    def answer(self, things: tuple[object, ...], said: object, make: Callable[[], bytes], encodings: str) -> Response:
        """Return the page; made anew where one of `things` is another object, or `said` differs."""
        with self._making:
            if self._of is None or not _same(self._of[0], things) or self._of[1] != said:
                self._body = make()
                self._packed = b""
                self._of = (things, said)
            if "gzip" not in encodings or len(self._body) < PACKED_FROM:
                return HTMLResponse(self._body, headers={"Vary": "Accept-Encoding"})
            self._packed = self._packed or gzip.compress(self._body, PACKING, mtime=0)
            return HTMLResponse(self._packed, headers={"Vary": "Accept-Encoding", "Content-Encoding": "gzip"})


def _same(held: tuple[object, ...], things: tuple[object, ...]) -> bool:
    return all(one is other for one, other in zip(held, things, strict=True))
