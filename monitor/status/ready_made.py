"""Answers made once for each snapshot and sent as often as asked for."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from monitor.plant.types import Plant
from monitor.snapshot import Snapshot
from monitor.status.shapes import alerts_json, checks_json, encode, mixing_json, sumps_json

_MAKERS: dict[str, Callable[[Snapshot, Plant], Any]] = {
    "sumps": sumps_json,
    "alerts": alerts_json,
    "mixing": lambda snapshot, _plant: mixing_json(snapshot),
    "checks": lambda snapshot, _plant: checks_json(snapshot),
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
            held[1][name] = encode(_MAKERS[name](snapshot, self._plant()))
        return held[1][name]
