"""How earlier demands came out: what was asked for a window beside what really went in.

What went in is what the station reported as dispensed; where it reports nothing, what people logged and what the
sensors saw. Windows count when they are over, over the last four weeks.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Final

from alerts.station import PastPlans
from alerts.types import MixingDemand
from monitor.model.types import Event, EventKind
from monitor.plant.reading import Entry, EntryKind
from monitor.plant.types import Plant

STATION: Final = "station"
"""Who dispensed it, in entries that the mixing station reported."""
KEEP_S: Final = 28 * 86400.0


@dataclass(slots=True)
class Asked:
    """What was first asked of a fluid for one attended window, and what went in since, by the id of its report.

    `volume_l` is all that was asked, `must_l` what of it could not wait.
    """

    fluid: str
    from_s: float
    to_s: float
    volume_l: float
    must_l: float = 0.0
    dispensed: dict[str, float] = field(default_factory=dict)
    seen: dict[str, float] = field(default_factory=dict)

    def covers(self, fluid: str, time_s: float) -> bool:
        """Tell whether something belongs to this window."""
        return self.fluid == fluid and self.from_s <= time_s < self.to_s


def note_asked(asked: list[Asked], demands: Mapping[str, MixingDemand], now_s: float) -> list[Asked]:
    """Return the list with each fluid's demand for a window that was not asked for before; old ones are let go."""
    known = {(one.fluid, one.to_s) for one in asked}
    fresh = [
        Asked(
            fluid, demand.window_from_s, demand.window_to_s, _total(demand, "volume_l"), _total(demand, "cannot_wait_l")
        )
        for fluid, demand in demands.items()
        if (fluid, demand.window_to_s) not in known
    ]
    return [one for one in (*asked, *fresh) if one.to_s > now_s - KEEP_S]


def _total(demand: MixingDemand, name: str) -> float:
    return float(demand.totals.get(name, 0.0))


def note_entries(asked: list[Asked], plant: Plant, entries: Iterable[Entry]) -> None:
    """Count fillings into their windows, each id once."""
    for entry in entries:
        if entry.kind is EntryKind.TOP_UP and entry.volume_l is not None:
            for one in asked:
                if one.covers(plant.sumps[entry.sump].fluid.id, entry.time_s):
                    (one.dispensed if entry.who == STATION else one.seen)[entry.id] = entry.volume_l


def note_events(asked: list[Asked], plant: Plant, events: Iterable[Event]) -> None:
    """Count fillings that only the sensors saw into their windows."""
    for event in events:
        if event.kind is EventKind.UNLOGGED_TOP_UP and event.volume_l is not None:
            for one in asked:
                if one.covers(plant.sumps[event.sump].fluid.id, event.time_s):
                    one.seen[event.id] = event.volume_l


def past_plans(asked: Iterable[Asked], now_s: float) -> dict[str, PastPlans]:
    """Return the comparison of each fluid that has at least one window behind it."""
    over: dict[str, list[Asked]] = {}
    for one in asked:
        if one.to_s <= now_s:
            over.setdefault(one.fluid, []).append(one)
    return {fluid: _compared(windows) for fluid, windows in over.items()}


def _compared(windows: list[Asked]) -> PastPlans:
    reports = any(one.dispensed for one in windows)
    used = [math.fsum((one.dispensed if reports else one.seen).values()) for one in windows]
    asked, must = math.fsum(one.volume_l for one in windows), math.fsum(one.must_l for one in windows)
    off = math.fsum(max(one.must_l - u, u - one.volume_l, 0.0) for one, u in zip(windows, used, strict=True))
    share = off / max(math.fsum(used), must) if off > 0.0 else 0.0
    return PastPlans(len(windows), round(asked, 1), round(must, 1), round(math.fsum(used), 1), round(share, 3))
